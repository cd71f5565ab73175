"""What axe finds wrong on a page."""

from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped]
from playwright.sync_api import Page

_SCRIPT = Axe().axe_script


_RUN = """
    () => axe.run(document, {resultTypes: ["violations"]}).then(found => found.violations)
"""


def violations(page: Page) -> list[str]:
    """Name each rule a page breaks and the first element that does."""
    # axe is injected by the browser's debugging door, so the page's policy stays as it is.
    if not page.evaluate("'axe' in window"):
        page.evaluate(_SCRIPT)
    return [f"{one['id']}: {one['nodes'][0]['html']}" for one in page.evaluate(_RUN)]
