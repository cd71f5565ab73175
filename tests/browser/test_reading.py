"""What a nurse, a surgeon and a storekeeper read on the demo hospital's pages."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import OpenPage

# The planted trouble is written down in seed_data/README.md; the first list is on 4 March 2031.
LIST_DAY = "/lists/2031-03-04"


def test_the_start_page_is_the_next_list_day(open_page: OpenPage, demo_site: str) -> None:
    page = open_page(demo_site)
    assert page.url == demo_site + LIST_DAY
    expect(page.get_by_role("heading", level=1)).to_have_text("List day Tue 4 Mar")


def test_the_list_day_says_the_planted_trouble_in_words(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + LIST_DAY)
    missing = page.get_by_role("region", name="Short for this day: 2 items")
    sentences = missing.get_by_role("listitem")
    expect(sentences).to_have_count(2)
    expect(sentences.nth(0)).to_contain_text("HAR-0712: Fallowmere lag screw")
    expect(sentences.nth(0)).to_contain_text(re.compile(r"115 mm.*: not in stock"))
    expect(sentences.nth(1)).to_contain_text("HAR-0713: Cindermoor helical blade")
    expect(sentences.nth(1)).to_contain_text(re.compile(r"75 mm.*reserved for HAR-0711"))


def test_a_state_is_a_shape_and_a_word(open_page: OpenPage, demo_site: str) -> None:
    page = open_page(demo_site + LIST_DAY)
    states = page.locator(".state").all_inner_texts()
    assert {"● covered", "◐ partly covered"} <= set(states)
    assert all(re.fullmatch(r"[●◐○▲■–?] [a-z ]+", state) for state in states)


def test_the_day_before_has_no_list_and_offers_a_first_case(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + "/lists/2031-03-03")
    expect(page.get_by_text("No list on this day.")).to_be_visible()
    expect(page.get_by_role("link", name="Add the first case")).to_be_visible()


def test_another_day_is_chosen_by_its_date(open_page: OpenPage, demo_site: str) -> None:
    page = open_page(demo_site + LIST_DAY)
    page.get_by_label("Another day").fill("2031-03-07")
    page.get_by_role("button", name="Show").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("List day Fri 7 Mar")


def test_a_need_nothing_planned_answers_is_said_on_the_case(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + "/cases/HAR-0712")
    unanswered = page.get_by_role("listitem").filter(has_text="no backup")
    expect(unanswered.first).to_contain_text("▲")


@pytest.mark.parametrize(
    ("label", "chosen", "column"),
    [
        ("Store", "Quarantine", "Location"),
        ("System", "Eskmere", "Item"),
        ("REF", "AMB-L-090", "Item"),
    ],
)
def test_stock_is_filtered(
    open_page: OpenPage, demo_site: str, label: str, chosen: str, column: str
) -> None:
    page = open_page(demo_site + "/stock/list")
    everything = page.locator("table").first.locator("tbody tr").count()
    field = page.get_by_label(label, exact=True)
    if label == "REF":
        field.fill(chosen)
    else:
        field.select_option(chosen)
    with page.expect_navigation():
        page.get_by_role("button", name="Show").click()
    cells = page.locator("table").first.locator(f"td[data-label='{column}']").all_inner_texts()
    assert 0 < len(cells) < everything
    assert all(chosen in cell for cell in cells)


def test_a_filter_nothing_matches_shows_a_way_back(open_page: OpenPage, demo_site: str) -> None:
    page = open_page(demo_site + "/stock/list?ref=NO-SUCH-REF")
    expect(page.get_by_text("Nothing in stock matches.")).to_be_visible()
    page.get_by_role("link", name="Show everything").click()
    expect(page.locator("table").first).to_be_visible()


def test_quarantined_stock_says_so_beside_a_shape(open_page: OpenPage, demo_site: str) -> None:
    page = open_page(demo_site + "/stock/list?store=Quarantine")
    expect(page.locator("td[data-label='State']").first).to_contain_text("○ in quarantine")


def test_an_unknown_case_is_a_sentence_with_a_way_back(open_page: OpenPage, demo_site: str) -> None:
    page = open_page(demo_site + "/cases/HAR-9999")
    expect(page.get_by_role("alert")).to_contain_text("Case HAR-9999 was not found.")
    page.get_by_role("link", name="Go to the list day").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("List day")


def test_a_page_that_does_not_exist_is_a_page_too(open_page: OpenPage, demo_site: str) -> None:
    page = open_page(demo_site + "/no/such/page")
    expect(page.get_by_role("alert")).to_be_visible()
    expect(page.get_by_role("link", name="Go to the list day")).to_be_visible()


@pytest.mark.parametrize(
    ("path", "says", "offers"),
    [
        ("/", "There is no operating list from today on.", "Add a case"),
        ("/stock", "There is no stock yet.", "Import a catalogue, then a stock take"),
        ("/figures", "No assumptions are loaded yet.", None),
    ],
)
def test_an_empty_page_says_what_to_do_first(
    open_page: OpenPage, empty_site: str, path: str, says: str, offers: str | None
) -> None:
    page = open_page(empty_site + path)
    expect(page.get_by_text(says)).to_be_visible()
    expect(page.get_by_text("Demo:")).to_have_count(0)
    if offers:
        expect(page.get_by_role("main").get_by_role("link", name=offers)).to_be_visible()


def test_the_styles_are_files_and_nothing_is_inline() -> None:
    templates = Path(__file__).parents[2] / "web" / "templates"
    texts = {path.name: path.read_text() for path in templates.glob("*.html")}
    assert texts
    inline = re.compile(r"<script(?![^>]* src=)|<style|\sstyle=|\son\w+=")
    assert [name for name, text in texts.items() if inline.search(text)] == []
