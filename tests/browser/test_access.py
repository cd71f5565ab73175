"""Every page for everyone: axe in light and dark, narrow screens, gloves, keyboard."""

import pytest
from playwright.sync_api import Page, expect

from tests.browser.axe import violations
from tests.browser.conftest import OpenPage

PAGES = {
    "list day": "/lists/2031-03-04",
    "past day": "/lists/2031-03-01",
    "case": "/cases/HAR-0712",
    "case form": "/cases/new",
    "plan": "/cases/HAR-0712/plan",
    "pick list": "/cases/HAR-0712/pick-list",
    "tray": "/cases/HAR-0711/tray",
    "scanner": "/scanner",
    "stock": "/stock",
    "stock sizes": "/stock?kind=lag_screw&system=Brackwater",
    "stock lots": "/stock/list?kind=lag_screw&store=Consignment+store",
    "item": "/items/AMB-L-090",
    "units": "/stock/units?ref=AMB-L-090&lot=A27R0235&serial=&ownership=owned"
    "&store=Central+store&shelf=A-02-4",
    "sets": "/sets",
    "recalls": "/recalls?lot=A27R0235",
    "expiring": "/expiring?days=14",
    "transfers": "/transfers",
    "shortfalls": "/shortfalls",
    "orders": "/orders",
    "order": "/orders/LOAN-0007",
    "receive": "/orders/PO-1041/receive",
    "suppliers": "/suppliers?name=Garsdene+Demo+Supply",
    "par levels": "/par",
    "par level": "/par/levels/AMB-L-090",
    "people": "/people",
    "audit trail": "/audit",
    "import": "/import",
    "figures": "/figures",
    "components": "/looks",
    "guide to installing": "/guides/installing",
    "guide to security": "/guides/security",
    "guide to files": "/guides/files",
    "guide to the api": "/guides/api",
    "error": "/cases/HAR-9999",
}


EMPTY_PAGES = ("/", "/stock", "/sets", "/recalls", "/par", "/figures")


#: What is touched. The mark of a choice is small; its label is what is touched.
TOUCHED = """
    main button, summary, main select, main textarea, main .act, main .back, nav a,
    main li > a, main label.choice,
    main input:not([type=hidden]):not([type=checkbox]):not([type=radio])
"""


def _lower_than_48_px(page: Page) -> list[str]:
    """Name what is touched and too low.

    48 px is what we hold for gloved hands; WCAG 2.2 asks for 24 (2.5.8) or 44 (2.5.5), and of
    neither where a link stands in a sentence.
    """
    found = page.evaluate(
        """touched => [...document.querySelectorAll(touched)]
            .filter(one => one.checkVisibility({visibilityProperty: true}))
            .filter(one => one.className || one.tagName !== "A"
                || one.textContent.trim() === one.parentElement.textContent.trim())
            .map(one => [one.getBoundingClientRect(), one.outerHTML])
            .filter(([box]) => box.width > 0 && box.height > 0)
            .map(([box, html]) => [box.height, html])""",
        TOUCHED,
    )
    assert found, "a page without anything to touch would pass for the wrong reason"
    return [html for height, html in found if height < 48]


@pytest.fixture(scope="module")
def titles() -> dict[str, str]:
    """The titles seen so far, and where."""
    return {}


@pytest.mark.parametrize("path", PAGES.values(), ids=PAGES)
def test_a_page_is_for_everyone(
    open_page: OpenPage, demo_site: str, titles: dict[str, str], path: str
) -> None:
    """Its title, axe in light and dark, 320 px, gloves: on one load, for that takes the time."""
    page = open_page(demo_site + path, color_scheme="light")
    assert page.title().endswith(" – Traywright")
    assert titles.setdefault(page.title(), path) == path
    expect(page.get_by_role("heading", level=1)).to_have_count(1)
    assert violations(page) == []
    page.emulate_media(color_scheme="dark")
    assert violations(page) == []
    # 320 CSS px is the width WCAG 2.2 asks for in 1.4.10, Reflow.
    page.set_viewport_size({"width": 320, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth") <= 320
    page.set_viewport_size({"width": 360, "height": 800})
    assert _lower_than_48_px(page) == []


@pytest.mark.parametrize("path", EMPTY_PAGES)
def test_axe_finds_nothing_where_there_is_nothing_yet(
    open_page: OpenPage, empty_site: str, path: str
) -> None:
    assert violations(open_page(empty_site + path)) == []


def test_the_skip_link_comes_first_shows_itself_and_works(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + PAGES["list day"])
    page.keyboard.press("Tab")
    skip = page.get_by_role("link", name="Skip to main content")
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
