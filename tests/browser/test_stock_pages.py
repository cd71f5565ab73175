"""The storekeeper's way from a family to a shelf, and the pages around stock."""

import re

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import OpenPage

# stock.csv: two of lot A29S0238 of AMB-L-090 in the central store, reserved for nobody.
LOT = "A29S0238"


def _free(page: Page, address: str) -> int:
    page.goto(address + "/stock?kind=lag_screw&system=Ambleford")
    row = page.get_by_role("row").filter(has=page.get_by_role("rowheader", name="90 mm"))
    found = re.match(r"(\d+)\s+free", row.get_by_role("link").inner_text())
    assert found
    return int(found.group(1))


def _units_of(page: Page, lot: str) -> None:
    row = page.get_by_role("row").filter(has_text=lot)
    row.get_by_text("Actions").click()
    row.get_by_role("link", name="Move").click()


def test_a_storekeeper_goes_from_a_family_to_a_lot_counts_moves_and_quarantines(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site)
    before = _free(page, own_site)
    page.goto(own_site + "/stock")
    card = page.locator(".card").filter(has=page.get_by_role("heading", name="Ambleford"))
    card.get_by_role("link", name=re.compile("^Lag screw")).click()
    table = page.get_by_role("table")
    expect(table.get_by_role("columnheader").first).to_have_text("Length")
    table.get_by_role("row").filter(has_text="90 mm").get_by_role("link").click()

    expect(page.get_by_role("heading", level=1)).to_contain_text("Ambleford lag screw")
    # deliveries.csv: three more with PO-1041 on the day after.
    page.get_by_text("Day by day, with the cases").click()
    weeks = page.get_by_role("table").filter(has_text="What happens")
    expect(weeks.get_by_role("row").filter(has_text="PO-1041")).to_contain_text("3 due with")
    expect(page.locator("figure svg")).to_be_visible()

    _units_of(page, LOT)
    page.get_by_role("link", name="Count", exact=True).click()
    page.get_by_label("Counted").fill("1")
    page.get_by_label("Why").fill("monthly count")
    page.get_by_role("button", name="Save count").click()
    expect(page.get_by_role("status")).to_contain_text(
        f"Count saved: 1 (was 2, 1 fewer), lot {LOT}"
    )

    _units_of(page, LOT)
    page.get_by_label("To store").select_option("Theatre store")
    page.get_by_label("To shelf").fill("Z-99-9")
    page.get_by_role("button", name="Move", exact=True).click()
    expect(page.get_by_role("alert")).to_be_focused()
    page.get_by_role("alert").get_by_role("link", name="To shelf").click()
    expect(page.get_by_label("To shelf")).to_be_focused()
    expect(page.get_by_label("To shelf")).to_have_value("Z-99-9")
    page.get_by_label("To shelf").fill("A-02-4")
    page.get_by_role("button", name="Move", exact=True).click()
    expect(page.get_by_role("status")).to_contain_text(f"Moved: 1 of lot {LOT}")
    lots = page.get_by_role("table").filter(has_text="Reserved for")
    expect(lots.get_by_role("row").filter(has_text=LOT)).to_contain_text("Theatre store")

    _units_of(page, LOT)
    page.get_by_role("link", name="Quarantine", exact=True).click()
    page.get_by_label("How many").fill("1")
    page.get_by_label("Why").fill("seal torn")
    page.get_by_role("button", name="Quarantine").click()
    row = lots.get_by_role("row").filter(has_text=LOT)
    expect(row.locator(".state")).to_have_text("○ in quarantine")
    assert _free(page, own_site) == before - 2


def test_without_javascript_a_word_leads_to_the_item_and_its_units_move(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + "/stock", java_script_enabled=False)
    page.get_by_label("Find a REF").fill("amb-l-090")
    page.get_by_label("Find a REF").press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text("90 mm")
    _units_of(page, LOT)
    page.get_by_label("How many").fill("2")
    page.get_by_label("To store").select_option("Theatre store")
    page.get_by_label("To shelf").fill("A-02-4")
    page.get_by_role("button", name="Move", exact=True).click()
    expect(page.get_by_role("status")).to_contain_text(f"Moved: 2 of lot {LOT}")


def test_with_the_keyboard_alone_a_size_is_chosen_and_a_lot_counted(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + "/stock?kind=lag_screw&system=Ambleford")
    # The table is a region that the keyboard can reach and scroll.
    page.locator(".scrolls").focus()
    page.keyboard.press("Tab")
    expect(page.get_by_role("link", name="free").first).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text("70 mm")
    page.get_by_text("Actions").first.focus()
    page.keyboard.press("Enter")
    page.get_by_role("link", name="Count").first.focus()
    page.keyboard.press("Enter")
    page.get_by_label("Counted").focus()
    page.keyboard.type("1")
    page.keyboard.press("Tab")
    page.keyboard.type("by hand")
    page.keyboard.press("Enter")
    expect(page.get_by_role("status")).to_contain_text("Count")


def test_a_size_that_is_short_says_so_and_leads_to_the_case(
    open_page: OpenPage, demo_site: str
) -> None:
    # planted.csv: HAR-0728 needs the headed 75 mm; only the headless one is in stock.
    page = open_page(demo_site + "/stock?kind=lag_screw&system=Brackwater")
    heads = page.get_by_role("columnheader").all_inner_texts()
    assert [("headed" in head, "headless" in head) for head in heads[1:]] == [
        (True, False),
        (False, True),
    ]
    cells = page.get_by_role("row").filter(has_text="75 mm").get_by_role("cell")
    expect(cells.nth(0)).to_contain_text("▲ short 1")
    expect(cells.nth(1)).to_contain_text("free")
    cells.nth(0).get_by_role("link").click()
    missed = page.get_by_role("region", name="Short for upcoming lists")
    expect(missed.get_by_role("link", name="HAR-0728")).to_be_visible()
    expect(missed).to_contain_text("only the other head design is in stock")


def test_sets_that_clash_are_named_first_with_when_they_are_back(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + "/sets")
    missing = page.get_by_role("region", name="Short for upcoming cases").get_by_role("listitem")
    # planted.csv: three sets; the one that is double-booked comes first.
    expect(missing).to_have_text(
        [
            re.compile("^Double-booked.*HAR-0719.*14:00"),
            re.compile("^Short.*HAR-0716.*LOAN-0007"),
            re.compile("^Short.*HAR-0725"),
        ]
    )
    away = page.get_by_role("table", name="Away, or not ready").get_by_role("row")
    garsdene = away.filter(has_text="GAR-IS-1")
    expect(garsdene.get_by_text("○ not sterile")).to_be_visible()
    expect(garsdene).to_contain_text("not known")
    eskmere = page.get_by_role("row").filter(has_text="Eskmere nail instrument set")
    expect(eskmere.get_by_text("○ none in stock")).to_be_visible()
    # deliveries.csv: the loan goes back on 11 March.
    expect(eskmere).to_contain_text("return by Tue 11 Mar")


def test_units_are_looked_for_recalled_and_the_recall_is_lifted(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + "/recalls", java_script_enabled=False)
    expect(page.get_by_text("No recall on record.")).to_be_visible()
    page.get_by_label("Lot", exact=True).fill(LOT.lower())
    page.get_by_label("REF", exact=True).fill("AMB-L-090")
    page.get_by_role("button", name="Search").click()
    found = page.get_by_role("region", name="Found:")
    expect(found).to_contain_text("2 on shelves.")
    page.get_by_label("The supplier's notice").fill("FSN-2031/07")
    page.get_by_label("Why").fill("thread out of tolerance")
    page.get_by_role("button", name="Start the recall").click()
    expect(page.get_by_role("status")).to_contain_text("2 units put in quarantine")
    expect(page.get_by_role("heading", level=1)).to_have_text("Recall FSN-2031/07")
    expect(page.get_by_role("heading", name="In quarantine: 2")).to_be_visible()
    page.get_by_text("Recall withdrawn").click()
    page.get_by_label("Why").fill("the notice was withdrawn")
    page.get_by_role("button", name="Withdraw the recall").click()
    expect(page.locator(".state").first).to_have_text("– withdrawn")


def test_what_expires_says_worth_and_first_use_and_leads_to_the_shelf(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + "/expiring?days=14")
    rows = page.get_by_role("region", name="Expired").get_by_role("row")
    expect(page.get_by_text("5 expired")).to_be_visible()
    expect(rows.nth(1)).to_contain_text("£")
    rows.nth(1).get_by_role("link", name="Quarantine").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Quarantine:")


@pytest.mark.parametrize(
    ("path", "says", "offers"),
    [
        ("/sets", "The catalogue has no instrument set yet.", "Import a catalogue"),
        ("/expiring", "Nothing in stock expires by then.", "Look 180 days ahead"),
        ("/transfers", "This service has one site only", None),
        ("/stock/list", "There is no stock yet.", "Import a catalogue, then a stock take"),
        ("/stock?kind=lag_screw", "The catalogue has no lag screw.", "Show all stock"),
    ],
)
def test_an_empty_page_about_stock_says_what_to_do_first(
    open_page: OpenPage, empty_site: str, path: str, says: str, offers: str | None
) -> None:
    page = open_page(empty_site + path)
    expect(page.get_by_text(says)).to_be_visible()
    if offers:
        expect(page.get_by_role("main").get_by_role("link", name=offers)).to_be_visible()
