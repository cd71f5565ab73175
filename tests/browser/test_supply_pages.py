"""The storekeeper's way from a shortfall to a shelf that is ready, and the pages around it."""

import re

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import OpenPage
from tests.browser.wedge import label, scan

# planted.csv: HAR-0720 needs this nail, and only the left one is in stock; catalogue.csv and
# suppliers.csv: its supplier lends, works Monday to Friday, and takes orders until 14:00.
NAIL = "AMB-N-130-12-400-R"


# planted.csv: HAR-0712 of the next day needs this screw; its supplier takes 14 days.
SCREW = "FAL-L-115"


SHELF = "Central store, A-02-4"


def _approved(page: Page) -> None:
    page.get_by_role("button", name="Approve").click()
    expect(page.get_by_role("status")).to_contain_text("Approved")


def _sent(page: Page) -> None:
    page.get_by_role("button", name="Mark as sent").click()
    expect(page.get_by_role("status")).to_contain_text("Marked as sent")
    page.get_by_role("link", name="Book in").click()


def test_a_storekeeper_goes_from_a_shortfall_to_a_covered_case(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + "/cases/HAR-0720")
    page.get_by_role("link", name="Ways to cover it").click()
    today = page.get_by_role("region", name="Last chance today")
    expect(today.get_by_role("article")).to_have_count(1)
    # The list is on Thursday at 08:30; two working days and the cut-off lead to Monday, 14:00.
    expect(today).to_contain_text("by Mon 3 Mar, 14:00 Borrow " + NAIL)
    today.get_by_role("checkbox", name=f"Borrow {NAIL}").check()
    page.get_by_role("button", name="Add to draft").click()
    drafted = page.get_by_role("status").get_by_role("listitem").filter(has_text=NAIL)
    expect(drafted).to_contain_text("Ambleford Demo Supply, loan")
    drafted.get_by_role("link").click()

    page.get_by_role("button", name="Approve").click()
    expect(page.get_by_role("alert")).to_be_focused()
    page.get_by_role("alert").get_by_role("link", name="Return by").click()
    expect(page.get_by_label("Return by")).to_be_focused()
    page.get_by_label("Return by").fill("2031-03-20")
    _approved(page)
    _sent(page)

    expect(page.get_by_label("Scan or type code")).to_be_focused()
    scan(page, label(SCREW, "330301", "S1"))
    expect(page.get_by_role("alert")).to_contain_text(f"{SCREW} is not on order")
    scan(page, label(NAIL, "330301", "N77"))
    expect(page.get_by_role("heading", level=2)).to_contain_text(f"{NAIL} N77")
    expect(page.get_by_label("Lot of " + NAIL)).to_have_value("N77")
    page.get_by_label("To shelf").fill(SHELF)
    page.get_by_role("button", name="Book in").click()
    banner = page.get_by_role("status")
    expect(banner).to_contain_text(f"Booked in: 1 × {NAIL}, N77, to Central store, A-02-4.")
    expect(banner.get_by_role("listitem").filter(has_text="HAR-0720")).to_have_text(
        "HAR-0720, Thu 6 Mar: ● covered"
    )
    expect(page.get_by_role("region", name="Booked in")).to_contain_text("N77")

    page.goto(own_site + "/shortfalls?case=HAR-0720")
    expect(page.get_by_text("Nothing that case HAR-0720 needs is short")).to_be_visible()
    page.goto(own_site + "/cases/HAR-0720")
    expect(page.locator("#case-state .state").first).to_contain_text("● covered")


def test_without_javascript_a_short_dated_pack_is_refused_and_taken_with_a_reason(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + "/shortfalls", java_script_enabled=False)
    late = page.get_by_role("region", name="Cannot arrive in time")
    late.get_by_role("article", name=SCREW).get_by_text("Too late: 1").click()
    late.get_by_role("checkbox", name=f"Order {SCREW}").check()
    page.get_by_role("button", name="Add to draft").click()
    page.get_by_role("listitem").filter(has_text=SCREW).get_by_role("link").click()
    expect(page.get_by_text("£750.00")).to_be_visible()
    _approved(page)
    _sent(page)
    page.get_by_label("Scan or type code").fill(label(SCREW, "310310", "S1"))
    page.get_by_role("button", name="Check code").click()
    expect(page.get_by_role("status")).to_contain_text("not booked in yet")
    page.get_by_label("To shelf").fill(SHELF)
    page.get_by_role("button", name="Book in").click()
    alert = page.get_by_role("alert")
    expect(alert).to_contain_text("Nothing was saved")
    expect(alert).to_contain_text("use by Mon 10 Mar")
    page.get_by_label("Reason for accepting").fill("needed tomorrow, none other")
    page.get_by_role("button", name="Book in").click()
    expect(page.get_by_role("status")).to_contain_text("Booked in")
    page.goto(own_site + "/shortfalls")
    expect(page.get_by_role("heading", name="Shortfalls")).to_be_visible()
    expect(page.get_by_text(SCREW)).to_have_count(0)


def test_with_the_keyboard_alone_a_loan_is_drafted_dated_sent_and_booked_in(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + "/shortfalls")
    page.get_by_role("checkbox", name=f"Borrow {NAIL}").press("Space")
    page.get_by_role("button", name="Add to draft").press("Enter")
    expect(page.get_by_role("status")).to_contain_text("not sent")
    page.goto(own_site + "/shortfalls")
    said = re.compile(rf"Already on loan LOAN-\S+ \(draft, not sent\): 1 of {NAIL}")
    already = page.get_by_text(said)
    expect(already).to_be_visible()
    already.get_by_role("link").press("Enter")
    page.get_by_label("Return by").focus()
    # The parts of the date as this browser, which is American, asks for them.
    page.keyboard.type("03202031")
    page.get_by_role("button", name="Approve").press("Enter")
    expect(page.get_by_role("status")).to_contain_text("Approved")
    expect(page.get_by_role("definition").filter(has_text="Thu 20 Mar")).to_be_visible()
    page.get_by_role("button", name="Mark as sent").press("Enter")
    expect(page.get_by_role("status")).to_contain_text("Marked as sent")
    page.get_by_role("link", name="Book in").press("Enter")
    expect(page.get_by_label("Scan or type code")).to_be_focused()
    # No faster than a person types, or it would be taken for a scan.
    for name, typed in ((f"Lot of {NAIL}", "N78"), (f"Use by of {NAIL}", "03012033")):
        page.get_by_label(name).focus()
        page.keyboard.type(typed, delay=60)
    page.get_by_label("To shelf").focus()
    page.keyboard.press("Control+A")
    page.keyboard.type(SHELF, delay=60)
    page.keyboard.press("Tab")
    page.get_by_role("button", name="Book in").press("Enter")
    expect(page.get_by_role("status")).to_contain_text(f"Booked in: 1 × {NAIL}, N78")


def test_what_one_more_would_add_is_worked_out_while_somebody_watches(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + "/shortfalls?days=7")
    page.get_by_role("button", name="Work out what to get first").click()
    first = page.get_by_role("region", name="Get first")
    expect(first).to_be_visible(timeout=20_000)
    rows = first.get_by_role("row").filter(has=page.get_by_role("rowheader"))
    saved = [float(row.locator("td").inner_text()) for row in rows.all()]
    assert saved == sorted(saved, reverse=True)
    assert 0 < len(saved) <= 5
    expect(rows.filter(has_text="Ambleford nail 12 × 400 mm")).to_have_count(1)


@pytest.mark.parametrize(
    ("path", "says"),
    [
        ("/shortfalls", "Nothing is short until Mon 17 Mar"),
        ("/orders", "Nothing is on order and there are no loans to return."),
        ("/suppliers", "The catalogue names no supplier yet."),
    ],
)
def test_an_empty_page_about_supply_says_so(
    open_page: OpenPage, empty_site: str, path: str, says: str
) -> None:
    expect(open_page(empty_site + path).get_by_text(says)).to_be_visible()
