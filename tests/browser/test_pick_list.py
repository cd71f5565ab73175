"""The pick list: the nurse's way along the shelves, and what is on the tray already."""

import re

from playwright.sync_api import Page, expect

from tests.browser.conftest import OpenPage

#: HAR-0711 is the first case of the demo's next day; everything for it is there.
PICK_LIST = "/cases/HAR-0711/pick-list"


def _shelves(page: Page) -> list[tuple[str, list[str]]]:
    """Give the shelves under each heading, from top to bottom, with what is folded."""
    page.locator("#stays > summary").click()
    return [
        (table.locator("caption").inner_text(), table.locator("td.shelf b").all_inner_texts())
        for table in page.locator("table.route").all()
    ]


def test_the_way_goes_store_by_store_and_along_the_shelves(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + "/cases/HAR-0711", java_script_enabled=False)
    page.get_by_role("link", name=re.compile("^Pick list")).click()
    *stores, (last, _) = _shelves(page)
    assert len(stores) >= 2
    assert [title for title, _ in stores] == sorted(title for title, _ in stores)
    for _, shelves in stores:
        assert shelves == sorted(shelves)
        assert all(re.fullmatch(r"[A-Z]-\d\d-\d", shelf) for shelf in shelves)
    assert last.startswith("Leave on shelf (standby)")
    places = set(page.locator(".place").all_inner_texts())
    assert places == {"open first", "in the room"}
    expect(page.get_by_text("Before opening a pack, read out")).to_be_visible()
    expect(page.get_by_role("link", name="Scan to tray")).to_have_attribute(
        "href", "/cases/HAR-0711/tray"
    )


def test_the_list_is_sorted_by_what_the_packs_are_for_and_back(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + PICK_LIST)
    taken = page.get_by_text(re.compile(r"^\d+ packs to pick")).inner_text().split()[0]
    page.get_by_role("link", name="Sort by use").click()
    expect(page.get_by_text(f"{taken} packs to pick.")).to_be_visible()
    headings = [title.partition(":")[0] for title, _ in _shelves(page)]
    assert headings == ["Open first", "In the room, unopened", "Leave on shelf (standby)"]
    first = page.locator("table.route").first
    expect(first.get_by_text("Cindermoor nail instrument set")).to_be_visible()
    page.get_by_role("link", name="Sort by shelf").click()
    expect(page).to_have_url(demo_site + PICK_LIST)


def test_what_is_missing_is_not_looked_for_and_every_pack_says_lot_and_use_by(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + "/cases/HAR-0712/pick-list")
    expect(page.get_by_text("Not in stock: do not search")).to_be_visible()
    assert "FAL-L-115" not in page.get_by_role("main").inner_text()
    page.locator("#stays > summary").click()
    lots = page.locator("td.lot").all_inner_texts()
    assert len(lots) > 20
    assert all(re.search(r"\S+\n+(\d{4}-\d\d-\d\d|no use by)", lot) for lot in lots)


def test_a_case_without_a_plan_says_why_there_is_nothing_to_pick(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + "/cases/new?day=2031-03-12")
    page.get_by_label("Local reference").fill("TEST-3")
    page.get_by_label("Side").select_option("right")
    page.get_by_role("button", name="Save and plan").click()
    page.goto(own_site + "/cases/TEST-3/pick-list")
    expect(page.get_by_text("Not planned yet")).to_be_visible()
    expect(page.get_by_role("link", name="To the case")).to_be_visible()
    page.goto(own_site + "/cases/HAR-9999/pick-list")
    expect(page.get_by_role("alert")).to_contain_text("Case HAR-9999 was not found.")
