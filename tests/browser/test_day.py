"""The list day and the case: what is missing first, what would mend it, and what a nurse may do."""

import re
from collections.abc import Iterator
from datetime import timedelta

import pytest
from playwright.sync_api import Page, expect

from service.operations.people.accounts import digest_of_token
from service.operations.work import Unit
from service.storage.tables import Person, SignIn
from tests.browser.conftest import OpenPage
from tests.browser.live import served
from tests.conftest import MakeDatabase, opened

LIST_DAY = "/lists/2031-03-04"


NURSE = "session-of-a-nurse"


def test_the_least_sure_case_and_the_unit_that_helps_are_named_and_can_be_tried(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + LIST_DAY)
    least = page.locator("#day-missing")
    expect(least).to_contain_text(re.compile(r"HAR-\d{4}, \d+ % chance of having everything"))
    case = re.search(r"HAR-\d{4}", least.inner_text().partition("Most at risk:")[2])
    assert case is not None
    before = _share(page, case[0])
    row = page.get_by_role("region", name="Get first").locator("tbody tr").first
    ref = row.locator("td").first.inner_text()
    expect(least).to_contain_text(f"one more {ref}")
    row.get_by_role("button").click()
    expect(page.get_by_role("status")).to_contain_text(f"What if: 1 more of {ref}")
    expect(page.get_by_role("status")).to_contain_text("Nothing has been saved")
    assert _share(page, case[0]) > before
    page.get_by_role("link", name="Back to the day as it is").click()
    expect(page.get_by_role("status")).to_have_count(0)
    assert _share(page, case[0]) == before


def _share(page: Page, case: str) -> float:
    """Give with what chance, in per cent, a case can be done, as its row says."""
    row = page.locator("#day-cases").get_by_role("row").filter(has_text=case)
    said = re.search(r"(\d+)\s% chance", row.inner_text())
    assert said is not None
    return float(said[1])


def test_the_pictures_of_the_day_are_told_in_words_too(open_page: OpenPage, demo_site: str) -> None:
    page = open_page(demo_site + LIST_DAY)
    for heading, part, words in (
        ("Chance for each case", "#sure", "HAR-0738"),
        ("Instrument sets, hour by hour", "#sets", "HAR-0711"),
    ):
        page.get_by_text(heading, exact=True).click()
        folded = page.locator(part)
        expect(folded.get_by_role("img")).to_be_visible()
        folded.get_by_text("Description").click()
        expect(folded.get_by_role("listitem").filter(has_text=words).first).to_be_visible()


def test_a_case_says_what_is_missing_and_what_would_be_if_it_were_there(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + "/cases/HAR-0712")
    state = page.get_by_role("region", name="State of the case")
    expect(state).to_contain_text("Short: 1 item")
    expect(state).to_contain_text(re.compile(r"115 mm.*: not in stock"))
    state.get_by_role("button", name="Try with it in stock").click()
    expect(page.get_by_role("status")).to_contain_text("What if: 1 more of FAL-L-115")
    expect(state).to_contain_text("The planned construct and its backups are covered.")
    expect(page.get_by_role("button", name=re.compile("Confirm"))).to_have_count(0)
    page.get_by_label("Canal on the film").fill("11")
    page.get_by_role("button", name="Try it").click()
    expect(page.get_by_role("status")).to_contain_text("the canal 11 mm on the film")
    page.get_by_text("How the sizes were worked out").click()
    expect(page.get_by_text("11 mm on the film, scaled by the 25 mm marker")).to_be_visible()
    page.get_by_role("link", name="Back to the case as it is").click()
    page.get_by_text("How the sizes were worked out").click()
    expect(page.get_by_text("15.9 mm on the film")).to_be_visible()


def test_a_case_shows_why_an_alternate_stands_by_and_what_a_yes_means(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + "/cases/HAR-0712")
    long_nail = page.get_by_role("article").filter(has_text="Backup Long nail")
    expect(long_nail).to_contain_text("Reason: A long nail also bypasses")
    expect(long_nail).to_contain_text("common practice")
    expect(long_nail.get_by_role("img")).to_be_visible()
    confirmed = page.get_by_role("region", name="Backups", exact=True)
    expect(confirmed).to_contain_text("◐ confirm again")
    expect(confirmed).to_contain_text(
        "You confirm plan revision 1: Short nail, one lag screw (Fallowmere 130°), "
        "with Long nail, one lag screw (Ambleford 130°) as backup, and accept what is short."
    )


def _let_a_nurse_in(unit: Unit) -> None:
    person = Person(
        site_id=unit.site_id, sign_in="nurse-7", name="nurse-7", roles=["nurse"], password_hash=""
    )
    unit.session.add(person)
    unit.session.flush()
    unit.session.add(
        SignIn(
            token_hash=digest_of_token(NURSE),
            person_id=person.id or 0,
            form_token="form-token-of-a-nurse",  # noqa: S106 - it opens a test's own database
            started_at=unit.now,
            seen_at=unit.now,
            ends_at=unit.now + timedelta(days=1),
        )
    )


@pytest.fixture
def site_with_a_nurse(make_database: MakeDatabase) -> Iterator[str]:
    url = make_database("sqlite", True)
    with opened(url) as work:
        work.write(_let_a_nurse_in)
    with served(url) as address:
        yield address


def test_a_nurse_adds_a_case_and_leaves_the_plan_to_the_surgeon(
    open_page: OpenPage, site_with_a_nurse: str
) -> None:
    page = open_page(site_with_a_nurse + "/figures")
    page.context.add_cookies([{"name": "traywright", "value": NURSE, "url": site_with_a_nurse}])
    page.goto(site_with_a_nurse + LIST_DAY)
    page.get_by_role("link", name="Add a case").click()
    # The form foretells theatre, number and time after the last case of the day.
    expect(page.get_by_label("List order")).to_have_value("4")
    expect(page.get_by_label("Starts")).to_have_value("14:45")
    page.get_by_label("Local reference").fill("TEST-4")
    page.get_by_label("Side").select_option("left")
    page.get_by_role("button", name="Save case").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Case TEST-4 left")
    expect(page.get_by_text("Not planned yet")).to_be_visible()
    expect(page.get_by_role("link", name="Plan this case")).to_have_count(0)
    page.goto(site_with_a_nurse + "/cases/TEST-4/plan")
    expect(page.get_by_role("alert")).to_contain_text("Only a surgeon can open this")
