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


def _approved(page: Page) -> None:
    page.get_by_role("button", name="Save and approve").click()
    expect(page.get_by_role("status")).to_contain_text("Approved")


def _sent(page: Page) -> None:
    page.get_by_role("button", name="It has been sent").click()
    expect(page.get_by_role("status")).to_contain_text("Noted as sent")
    page.get_by_role("link", name="Receive what came").click()


def test_a_storekeeper_goes_from_a_shortfall_to_a_covered_case(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + "/cases/HAR-0720")
    page.get_by_role("link", name="Ways to cover it").click()
    today = page.get_by_role("region", name="Do today")
    expect(today.get_by_role("article")).to_have_count(1)
    # The list is on Thursday at 08:30; two working days and the cut-off lead to Monday, 14:00.
    expect(today).to_contain_text("by Mon 3 Mar, 14:00 Borrow " + NAIL)
    today.get_by_role("checkbox", name=f"Borrow {NAIL}").check()
    page.get_by_role("button", name="Draft orders").click()
    drafted = page.get_by_role("listitem").filter(has_text=NAIL)
    expect(drafted).to_contain_text("Ambleford Demo Supply, loan")
    drafted.get_by_role("link").click()

    page.get_by_role("button", name="Save and approve").click()
    expect(page.get_by_role("alert")).to_be_focused()
    page.get_by_role("alert").get_by_role("link", name="Goes back by").click()
    expect(page.get_by_label("Goes back by")).to_be_focused()
    page.get_by_label("Goes back by").fill("2031-03-20")
    _approved(page)
    _sent(page)

    expect(page.get_by_label("Scan or type code")).to_be_focused()
    scan(page, label(SCREW, "330301", "S1"))
    expect(page.get_by_role("alert")).to_contain_text(f"{SCREW} is not on order")
    scan(page, label(NAIL, "330301", "N77"))
    expect(page.get_by_role("heading", level=2)).to_contain_text(f"{NAIL} N77")
    expect(page.get_by_label("Lot of " + NAIL)).to_have_value("N77")
    page.get_by_label("To shelf").fill("Central store, A-02-4")
    page.get_by_role("button", name="Receive what is filled in").click()
    expect(page.get_by_role("status")).to_contain_text("on its shelf")
    expect(page.get_by_role("region", name="What came")).to_contain_text("N77")

    page.goto(own_site + "/shortfalls?case=HAR-0720")
    expect(
        page.get_by_text("Nothing of what case HAR-0720 needs is known to be short")
    ).to_be_visible()
    page.goto(own_site + "/cases/HAR-0720")
    expect(page.locator("#case-state .state").first).to_contain_text("● covered")


def test_without_javascript_a_short_dated_pack_is_refused_and_taken_with_a_reason(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + "/shortfalls", java_script_enabled=False)
    late = page.get_by_role("region", name="Too late to order")
    late.get_by_role("checkbox", name=f"Order {SCREW}").check()
    page.get_by_role("button", name="Draft orders").click()
    page.get_by_role("listitem").filter(has_text=SCREW).get_by_role("link").click()
    expect(page.get_by_text("below the 750.00 GBP")).to_be_visible()
    _approved(page)
    _sent(page)
    page.get_by_label("Scan or type code").fill(label(SCREW, "310310", "S1"))
    page.get_by_role("button", name="Read it").click()
    expect(page.get_by_role("status")).to_contain_text("not saved yet")
    page.get_by_label("To shelf").fill("Central store, A-02-4")
    page.get_by_role("button", name="Receive what is filled in").click()
    alert = page.get_by_role("alert")
    expect(alert).to_contain_text("Nothing was saved")
    expect(alert).to_contain_text("expires on 2031-03-10")
    page.get_by_label("Why it is taken all the same").fill("needed tomorrow, none other")
    page.get_by_role("button", name="Receive what is filled in").click()
    expect(page.get_by_role("status")).to_contain_text("on its shelf")
    page.goto(own_site + "/shortfalls")
    expect(page.get_by_role("heading", name="Shortfalls")).to_be_visible()
    expect(page.get_by_text(SCREW)).to_have_count(0)


def test_with_the_keyboard_alone_a_way_is_ticked_and_drafted(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + "/shortfalls")
    page.get_by_role("checkbox", name=f"Borrow {NAIL}").focus()
    page.keyboard.press("Space")
    page.get_by_role("button", name="Draft orders").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("status")).to_contain_text("nothing is sent yet")
    page.goto(own_site + "/shortfalls")
    expect(page.get_by_text(re.compile(f"1 of {NAIL} is on loan"))).to_be_visible()


def test_what_one_more_would_add_is_worked_out_while_somebody_watches(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + "/shortfalls?days=7")
    page.get_by_role("button", name="Reckon what one more of each would add").click()
    expect(page.get_by_text("What one more would add was worked out at")).to_be_visible(
        timeout=20_000
    )
    nail = page.get_by_role("article", name="Ambleford nail 12 × 400 mm")
    expect(nail).to_contain_text(re.compile(r"One more would"))


@pytest.mark.parametrize(
    ("path", "says"),
    [
        ("/shortfalls", "Nothing is short until Mon 17 Mar"),
        ("/orders", "Nothing is on order and no loan is here."),
        ("/suppliers", "The catalogue names no supplier yet."),
    ],
)
def test_an_empty_page_about_supply_says_so(
    open_page: OpenPage, empty_site: str, path: str, says: str
) -> None:
    expect(open_page(empty_site + path).get_by_text(says)).to_be_visible()
