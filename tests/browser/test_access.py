"""Every page for everyone: axe in light and dark, narrow screens, gloves, keyboard."""

import pytest
from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped] # it has none
from playwright.sync_api import Page, expect

from tests.browser.conftest import OpenPage

PAGES = {
    "list day": "/lists/2031-03-04",
    "past day": "/lists/2031-03-01",
    "case": "/cases/HAR-0712",
    "case form": "/cases/new",
    "plan": "/cases/HAR-0712/plan",
    "stock": "/stock?kind=lag_screw&store=Theatre+store",
    "import": "/import",
    "figures": "/figures",
    "error": "/cases/HAR-9999",
}
EMPTY_PAGES = ("/", "/stock", "/figures")


def _violations(page: Page) -> list[str]:
    # axe is injected by the browser's debugging door, so the page's policy stays as it is.
    found = Axe().run(page).response["violations"]
    return [f"{one['id']}: {one['nodes'][0]['html']}" for one in found]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", PAGES.values(), ids=PAGES)
def test_axe_finds_nothing(open_page: OpenPage, demo_site: str, path: str, scheme: str) -> None:
    assert _violations(open_page(demo_site + path, color_scheme=scheme)) == []


@pytest.mark.parametrize("path", EMPTY_PAGES)
def test_axe_finds_nothing_where_there_is_nothing_yet(
    open_page: OpenPage, empty_site: str, path: str
) -> None:
    assert _violations(open_page(empty_site + path)) == []


@pytest.mark.parametrize("path", PAGES.values(), ids=PAGES)
def test_nothing_runs_over_the_edge_at_320_px(
    open_page: OpenPage, demo_site: str, path: str
) -> None:
    # 320 CSS px is the width WCAG 2.2 asks for in 1.4.10, Reflow.
    page = open_page(demo_site + path, width=320)
    assert page.evaluate("document.documentElement.scrollWidth") <= 320


@pytest.mark.parametrize("path", PAGES.values(), ids=PAGES)
def test_what_is_touched_is_48_px_high(open_page: OpenPage, demo_site: str, path: str) -> None:
    # 48 px is what we hold for gloved hands; WCAG 2.2 asks for 24 (2.5.8) or 44 (2.5.5).
    page = open_page(demo_site + path, width=360)
    touched = page.locator(
        "main button, main summary, main select, main textarea, main .act, main .back, nav a, "
        "main li > a, main label.choice, "
        "main input:not([type=hidden]):not([type=checkbox])"
    )
    low = [
        one.inner_text() or one.evaluate("node => node.outerHTML")
        for one in touched.all()
        if one.is_visible() and (one.bounding_box() or {"height": 0})["height"] < 48
    ]
    assert low == []


def test_the_skip_link_comes_first_shows_itself_and_works(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + PAGES["list day"])
    page.keyboard.press("Tab")
    skip = page.get_by_role("link", name="To the content")
    expect(skip).to_be_focused()
    expect(skip).to_be_in_viewport()
    page.keyboard.press("Enter")
    expect(page.get_by_role("main")).to_be_focused()


def test_the_focus_is_seen_wherever_the_tab_key_goes(open_page: OpenPage, demo_site: str) -> None:
    page = open_page(demo_site + PAGES["case form"])
    for _ in range(20):
        page.keyboard.press("Tab")
        outline = page.evaluate(
            "() => { const s = getComputedStyle(document.activeElement);"
            " return [s.outlineStyle, parseFloat(s.outlineWidth)]; }"
        )
        assert outline[0] != "none"
        assert outline[1] >= 2


def test_every_page_has_one_heading_of_the_first_level_and_its_own_title(
    open_page: OpenPage, demo_site: str
) -> None:
    titles = []
    page = open_page(demo_site)
    for path in PAGES.values():
        page.goto(demo_site + path)
        expect(page.get_by_role("heading", level=1)).to_have_count(1)
        titles.append(page.title())
    assert len(set(titles)) == len(titles)
    assert all(title.endswith(" – Traywright") for title in titles)
