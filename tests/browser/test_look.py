"""What every page shares: gloves, narrow screens, paper, forced colours, where the focus goes."""

import re

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import OpenPage

TRAY = "/cases/HAR-0711/tray"


@pytest.mark.parametrize("path", [TRAY, "/scanner"])
def test_targets_are_56_px_where_gloves_are_on(
    open_page: OpenPage, demo_site: str, path: str
) -> None:
    page = open_page(demo_site + path, width=360)
    touched = page.locator("main button, main .act, main .back, main input:not([type=hidden])")
    low = [
        one.evaluate("node => node.outerHTML")
        for one in touched.all()
        if one.is_visible() and (one.bounding_box() or {"height": 0})["height"] < 56
    ]
    assert low == []


@pytest.mark.parametrize("javascript", [True, False])
def test_other_pages_are_in_the_menu_and_the_open_one_is_marked(
    open_page: OpenPage, demo_site: str, javascript: bool
) -> None:
    page = open_page(demo_site + "/figures", java_script_enabled=javascript)
    nav = page.get_by_role("navigation", name="Pages")
    assert nav.get_by_role("link").first.inner_text() == "List day"
    nav.get_by_text("Menu").press("Enter")
    figures = nav.get_by_role("link", name="Sizing assumptions")
    expect(figures).to_have_attribute("aria-current", "page")
    nav.get_by_role("link", name="Scanner check").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Scanner check")


@pytest.mark.parametrize("javascript", [True, False])
def test_the_focus_goes_to_what_is_wrong(
    open_page: OpenPage, demo_site: str, javascript: bool
) -> None:
    page = open_page(demo_site + "/cases/HAR-9999", java_script_enabled=javascript)
    expect(page.get_by_role("alert")).to_be_focused()
    expect(page.get_by_text("Check the spelling")).to_be_visible()


def test_rows_stack_on_a_phone_and_each_cell_says_what_it_is(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + "/sets", width=390)
    cell = page.locator("table.stacks td").first
    assert cell.evaluate("node => getComputedStyle(node).display") == "flow-root"
    label = cell.evaluate("node => getComputedStyle(node, '::before').content")
    assert label == '"Where"'
    expect(page.locator("table.stacks thead").first).to_be_hidden()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_paper_is_black_on_white_with_site_page_and_time(
    open_page: OpenPage, demo_site: str, scheme: str
) -> None:
    page = open_page(demo_site + TRAY, color_scheme=scheme)
    page.emulate_media(media="print", color_scheme=scheme)  # type: ignore[arg-type] # one of the two
    colours = page.evaluate(
        "() => { const s = getComputedStyle(document.body); return [s.color, s.backgroundColor]; }"
    )
    assert colours == ["rgb(0, 0, 0)", "rgb(255, 255, 255)"]
    head = page.locator(".printed.head")
    expect(head).to_be_visible()
    expect(head).to_contain_text("Harrowmere General (invented) · Tray of case HAR-0711 · Printed")
    expect(head).to_contain_text("Mon 3 Mar 2031, 07:00")
    expect(page.get_by_role("navigation", name="Pages")).to_be_hidden()


def test_a_state_keeps_its_edge_when_colours_are_forced(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + "/lists/2031-03-04", forced_colors="active")
    state = page.locator(".state").first
    edge = state.evaluate(
        "node => { const s = getComputedStyle(node); return [s.borderStyle, s.borderWidth]; }"
    )
    assert edge == ["solid", "1px"]
    assert re.fullmatch(r"[●◐○▲■–?] [a-z ]+", state.inner_text())


def test_a_tray_is_filled_with_the_keyboard_alone(open_page: OpenPage, own_site: str) -> None:
    page = open_page(own_site + TRAY)
    page.keyboard.type("(01)", delay=60)
    page.keyboard.press("Enter")
    verdict = page.locator("[data-verdict]")
    expect(verdict).to_contain_text("Code not readable")
    seen = page.get_by_role("link", name="OK, next pack")
    for _ in range(8):
        page.keyboard.press("Tab")
        if seen.evaluate("node => node === document.activeElement"):
            break
    page.keyboard.press("Enter")
    expect(verdict).to_have_count(0)
    expect(page.get_by_label("Scan or type code")).to_be_focused()
    page.get_by_role("button", name="Label checked CIN-IS, CIN-IS-1").press("Enter")
    expect(verdict).to_contain_text("Right pack")
    expect(page.get_by_label("Scan or type code")).to_be_focused()
