"""The storekeeper has levels proposed, decides line by line, and orders what is below."""

import re

from playwright.sync_api import Locator, Page, expect

from tests.browser.axe import violations
from tests.browser.conftest import OpenPage


def _row(page: Page, ref: str) -> Locator:
    return page.get_by_role("row").filter(has=page.get_by_role("link", name=ref, exact=True))


def _figure(row: Locator, label: str) -> int:
    return int(re.split(r"\s", row.locator(f"[data-label='{label}']").inner_text())[0])


def _lines(page: Page) -> list[str]:
    """Give the references of the lines that can be ticked, in the order shown."""
    boxes = page.get_by_role("checkbox").all()
    return [str(box.get_attribute("value")) for box in boxes]


def _propose(page: Page, address: str, target: str) -> None:
    page.goto(address + "/par")
    page.get_by_label("Target (%)").fill(target)
    page.get_by_role("button", name="Propose levels").click()


def _is_for_everyone(page: Page) -> None:
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        assert violations(page) == []
    page.set_viewport_size({"width": 320, "height": 800})
    # 320 CSS px is the width WCAG 2.2 asks for in 1.4.10, Reflow.
    assert page.evaluate("document.documentElement.scrollWidth") <= 320


def test_a_storekeeper_has_levels_proposed_decides_line_by_line_and_orders_what_is_below(
    open_page: OpenPage, own_site: str
) -> None:
    watched = open_page(own_site + "/par", color_scheme="light")
    expect(watched.get_by_text("No par levels set: today's stock is used")).to_be_visible()
    _propose(watched, own_site, "93.5")
    expect(watched.get_by_role("heading", level=1)).to_have_text("Par proposal 1", timeout=20_000)
    expect(watched.locator("figure svg")).to_be_visible()
    expect(watched.get_by_text("Nothing changes before you accept its line")).to_be_visible()
    # One small family has every kind of row and form; axe takes its time over four hundred.
    watched.goto(own_site + "/par/1?kind=lag_screw&system=Fallowmere&show=lower")
    _is_for_everyone(watched)

    # From here on without JavaScript.
    page = open_page(own_site + "/par", java_script_enabled=False)
    expect(page.get_by_text("No par levels set")).to_be_visible()
    page.get_by_role("link", name="Proposal 1").click()
    page.get_by_role("link", name=re.compile("^Raise")).click()
    page.get_by_role("button", name="Accept all ticked").click()
    expect(page.get_by_role("alert")).to_contain_text("No line is ticked")
    first, second, changed, refused = _lines(page)[:4]
    proposed = {ref: _figure(_row(page, ref), "Proposed") for ref in (first, second)}
    today = _figure(_row(page, first), "Today")
    assert proposed[first] > today
    for ref in proposed:
        page.get_by_role("checkbox", name=ref).check()
    page.get_by_role("button", name="Accept all ticked").click()
    expect(page.get_by_role("status")).to_contain_text("2 lines accepted")
    row = _row(page, changed)
    row.get_by_text("Why, other level").click()
    row.get_by_label("Change to").fill("7")
    row.get_by_label("Why").fill("the ward asks for it")
    row.get_by_role("button", name="Change").click()
    expect(page.get_by_role("status")).to_contain_text(f"{changed} changed, par level 7")
    page.get_by_role("button", name=f"Refuse {refused}").first.click()
    expect(page.get_by_role("status")).to_contain_text("its level stays as it is")
    page.get_by_role("link", name="Decided: 4").click()
    expect(_row(page, changed)).to_contain_text("the ward asks for it")

    page.get_by_role("link", name="← Levels in force", exact=True).click()
    levels = page.get_by_role("region", name="Levels in force").get_by_role("row")
    for ref, level in {**proposed, changed: 7}.items():
        row = levels.filter(has=page.get_by_role("link", name=ref, exact=True))
        assert _figure(row, "Par level") == level
    expect(levels.filter(has_text=refused)).to_have_count(0)
    below = page.get_by_role("region", name="Below par")
    # Nobody has received anything: what the level is above today is missing, or on order already.
    row = below.get_by_role("row").filter(has_text=first)
    expect(row).to_contain_text(f"level {proposed[first]}, {today} in stock")
    below.get_by_role("button", name="Add ticked to draft orders").click()
    expect(page.get_by_role("status")).to_contain_text("Added to drafts (not sent):")
    expect(page.get_by_text("none below par")).to_be_visible()


def test_a_target_out_of_reach_says_how_far_levels_can_go(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + "/par")
    _propose(page, demo_site, "99.9")
    alert = page.get_by_role("alert")
    expect(alert).to_contain_text("the most stock can reach is", timeout=20_000)
    expect(alert).to_contain_text("No level was changed")
    expect(page.get_by_label("Target (%)")).to_have_value("99.9")


def test_a_level_set_by_hand_needs_a_reason_and_shows_the_items_demand(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + "/par?kind=lag_screw&system=Ambleford", java_script_enabled=False)
    expect(_row(page, "AMB-L-090")).to_contain_text("not set")
    page.get_by_role("link", name="AMB-L-090").click()
    expect(page.get_by_text("a year (between").first).to_be_visible()
    page.get_by_label("Par level").fill("9")
    page.get_by_label("Why").fill(" ")
    page.get_by_role("button", name="Set the level").click()
    expect(page.get_by_role("alert")).to_contain_text("Why")
    page.get_by_label("Why").fill("the list is longer in winter")
    page.get_by_role("button", name="Set the level").click()
    expect(page.get_by_role("status")).to_contain_text("par level 9")
    expect(page.get_by_text("Set by tester")).to_contain_text("the list is longer in winter")
