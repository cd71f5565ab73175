"""What axe finds wrong on a page."""

from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped]
from playwright.sync_api import Page

_SCRIPT = Axe().axe_script


#: All rules, best practices too, and the one for WCAG 2.5.3 (label in name), which axe leaves off.
_RUN = """
    () => axe.run(document, {
        resultTypes: ["violations"],
        rules: {"label-content-name-mismatch": {enabled: true}},
    }).then(found => found.violations)
"""


def violations(page: Page) -> list[str]:
    """Name each rule a page breaks and the first element that does."""
    # axe is injected by the browser's debugging door, so the page's policy stays as it is.
    if not page.evaluate("'axe' in window"):
        page.evaluate(_SCRIPT)
    return [f"{one['id']}: {one['nodes'][0]['html']}" for one in page.evaluate(_RUN)]
