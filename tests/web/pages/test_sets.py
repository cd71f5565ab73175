"""A set's life on the pages: opened in one case, counted on by the next, scanned out again."""

import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from html import unescape

import pytest
from fastapi.testclient import TestClient

from service.operations.stock.sets import list_sets
from service.operations.work import Work
from service.settings import Settings
from tests.conftest import BEARER, NOW, MakeDatabase, app_on
from tests.small_theatre import BACKUP, PRIMARY, SHELF, Theatre, furnish
from tests.two_sites import add_somebody, bearer

HTML = {"Accept": "text/html"}


ONCE = "a-key-that-no-other-form-has-used"


TRAY = "/cases/K1/tray"


#: The nail set is away for 240 minutes: sent at 07:00 it is expected at 11:00.
CONDITION = "Covered if SET L1 is back by 14:00 (expected 11:00, after K1)."


STERILE = {"ref": "SET", "lot": "L1", "ownership": "owned", "once": ONCE}


class Clock:
    """A clock that a test moves."""

    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def theatre(make_database: MakeDatabase, clock: Clock) -> Iterator[Theatre]:
    """Two cases of today, one copy of the set between them, the first in theatre."""
    work = Work(Settings(database_url=make_database("sqlite", False)), clock)
    furnish(work)
    made = Theatre(work)
    made.receive("NAIL", 4)
    made.receive("CAP", 2)
    made.receive("SET", 1)
    for reference, hour in (("K1", 8), ("K2", 14)):
        made.add_case(reference, day=NOW.date(), hour=hour)
        made.plan(reference, PRIMARY, BACKUP)
    made.pick("K1", "SET")
    made.pick("K1", "NAIL")
    made.status("K1", "in_theatre")
    yield made
    work.close()


@pytest.fixture
def pages(theatre: Theatre, clock: Clock) -> Iterator[TestClient]:
    app = app_on(theatre.work.settings.database_url, clock)
    with TestClient(app, headers={**BEARER, **HTML}, follow_redirects=False) as made:
        yield made


def _words(client: TestClient, path: str) -> str:
    """Read a page as somebody sees it: its words without marks."""
    answer = client.get(path)
    assert answer.status_code == 200, answer.text
    body = answer.text.partition("<main")[2].partition("</main>")[0]
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", body)))


def _opened(theatre: Theatre) -> None:
    theatre.settle("K1", "SET", "reprocess")


@pytest.mark.parametrize(
    "path",
    [
        "/cases/K2",
        "/cases/K2/pick-list",
        "/cases/K2/tray",
        f"/lists/{NOW.date()}",
        "/cases/K2/plan",
    ],
)
def test_every_page_of_a_case_says_what_has_to_happen_first(
    theatre: Theatre, pages: TestClient, path: str
) -> None:
    _opened(theatre)
    words = _words(pages, path)
    assert CONDITION in words
    assert "Nothing is missing" not in words


@pytest.mark.parametrize("path", ["/cases/K2", "/cases/K2/pick-list", f"/lists/{NOW.date()}"])
def test_covered_if_has_a_shape_a_word_and_a_class_of_its_own(
    theatre: Theatre, pages: TestClient, path: str
) -> None:
    _opened(theatre)
    shown = pages.get(path).text
    assert '<span class="state covered-if"><span aria-hidden="true">◔</span> covered if</span>' in (
        shown
    )
    assert 'class="all-well"' not in shown


def test_the_day_sheet_on_paper_has_the_state_and_its_sentence(
    theatre: Theatre, pages: TestClient
) -> None:
    _opened(theatre)
    sheet = pages.get(f"/lists/{NOW.date()}").text.partition("day-sheet")[2]
    assert "covered if</span>" in sheet
    assert CONDITION in sheet


def test_who_confirms_reads_the_condition_above_the_button(
    theatre: Theatre, pages: TestClient
) -> None:
    _opened(theatre)
    form = pages.get("/cases/K2").text.partition('action="/cases/K2/confirm"')[2]
    above = form.partition('<button id="confirm"')[0]
    assert "Nail (Testfield), with Cap (Testfield) as backup, on this condition" in unescape(above)
    assert CONDITION in above


def test_a_pick_list_does_not_send_anybody_to_a_set_that_is_not_back(
    theatre: Theatre, pages: TestClient
) -> None:
    _opened(theatre)
    words = _words(pages, "/cases/K2/pick-list")
    assert "◔ not here yet: expected 11:00, after K1" in words
    assert "Not in stock: do not search" not in words


def test_what_is_missing_and_what_is_awaited_are_told_apart(
    theatre: Theatre, pages: TestClient
) -> None:
    _opened(theatre)
    theatre.record("count", "CAP", lot="L1", counted=0, at=SHELF, reason="gone")
    words = _words(pages, "/cases/K2")
    assert "Short: 1 item" in words
    assert f"The rest is c{CONDITION[1:]}" in words
    assert "◐ partly covered" in words or "○ not covered" in words
    assert "● covered" not in words


def test_a_set_is_opened_or_goes_back_and_is_never_used_up(pages: TestClient) -> None:
    shown = pages.get(TRAY).text
    fates = re.findall(r"fate\?fate=(\w+)&amp;ref=(\w+)", shown)
    assert [fate for fate, ref in fates if ref == "SET"] == ["reprocess", "return"]
    assert [fate for fate, ref in fates if ref == "NAIL"] == ["implant", "waste", "return"]
    words = _words(pages, TRAY)
    assert "Opened: reprocess SET L1" in words
    assert "Unopened: return SET L1" in words


def test_an_opened_set_leaves_the_tray_for_reprocessing(
    theatre: Theatre, pages: TestClient
) -> None:
    asked = _words(pages, f"{TRAY}/fate?fate=reprocess&ref=SET&lot=L1&ownership=owned")
    assert "opened, to be reprocessed?" in asked
    assert "until somebody scans it out of sterilisation" in asked
    sent = {"fate": "reprocess", "ref": "SET", "lot": "L1", "ownership": "owned"}
    answer = pages.post(f"{TRAY}/fate", data=sent)
    assert answer.status_code == 303
    assert "sent to be reprocessed" in _words(pages, answer.headers["location"])
    assert theatre.balance("SET", "Reprocessing")[0] == 1


def test_an_unopened_set_is_on_its_shelf_and_the_next_case_is_covered(
    theatre: Theatre, pages: TestClient
) -> None:
    sent = {"fate": "return", "ref": "SET", "lot": "L1", "ownership": "owned"}
    assert pages.post(f"{TRAY}/fate", data=sent).status_code == 303
    assert theatre.balance("SET")[0] == 1
    theatre.settle("K1", "NAIL", "implant")
    theatre.status("K1", "closed")
    words = _words(pages, "/cases/K2")
    assert "Covered if" not in words
    assert "The planned construct and its backups are covered." in words


def test_everything_left_says_what_it_does_and_does_it(theatre: Theatre, pages: TestClient) -> None:
    label = "Return 1 unused pack and reprocess 1 opened set"
    assert label in _words(pages, TRAY)
    assert pages.post(f"{TRAY}/back").status_code == 303
    assert theatre.balance("SET", "Reprocessing")[0] == 1
    assert theatre.balance("NAIL")[0] == 4


def test_the_set_of_a_case_cancelled_in_theatre_goes_to_be_reprocessed(
    theatre: Theatre, pages: TestClient
) -> None:
    theatre.cancel("K1")
    words = "Return 1 unused pack and reprocess 1 opened set"
    assert words in _words(pages, TRAY)
    assert pages.post(f"{TRAY}/back").status_code == 303
    assert theatre.balance("SET")[0] == 0


@pytest.mark.parametrize("path", ["/sets", f"/lists/{NOW.date()}"])
@pytest.mark.parametrize("is_sent", [False, True])
def test_the_picture_of_the_sets_has_a_copy_that_is_away_and_expected(
    theatre: Theatre, pages: TestClient, path: str, is_sent: bool
) -> None:
    if is_sent:
        _opened(theatre)
    shown = pages.get(path).text
    assert "no set" not in shown
    assert "none there" not in shown
    assert "there is no SET at this site" not in shown


def test_no_page_is_all_well_while_a_set_is_awaited(theatre: Theatre, pages: TestClient) -> None:
    _opened(theatre)
    assert "has its sets" not in _words(pages, "/sets")
    assert "as long as each is back in time" in _words(pages, "/sets")


def test_the_sets_page_says_with_which_case_a_copy_is(pages: TestClient) -> None:
    assert "◔ with K1" in _words(pages, "/sets")


def test_the_sets_page_says_since_when_after_whom_and_when_a_copy_is_expected(
    theatre: Theatre, pages: TestClient
) -> None:
    _opened(theatre)
    words = _words(pages, "/sets")
    assert "◔ being reprocessed since Mon 3 Mar, 07:00, after K1" in words
    assert "expected Mon 3 Mar, 11:00" in words
    assert "overdue" not in words


def test_a_copy_that_nobody_has_scanned_out_in_time_is_overdue(
    theatre: Theatre, pages: TestClient, clock: Clock
) -> None:
    _opened(theatre)
    clock.now = NOW + timedelta(hours=4, minutes=1)
    assert "▲ overdue" in _words(pages, "/sets")


def test_a_set_scanned_out_is_back_on_its_shelf_with_cycle_and_date(
    theatre: Theatre, pages: TestClient
) -> None:
    _opened(theatre)
    link = re.search(r'href="(/sets/sterile\?[^"]+)"', pages.get("/sets").text)
    assert link is not None
    assert "SET" in _words(pages, unescape(link.group(1)))
    sent = {**STERILE, "cycle": "Steriliser 2, cycle 118", "sterile_until": "2031-09-01"}
    answer = pages.post("/sets/sterile", data=sent)
    assert answer.status_code == 303, answer.text
    words = _words(pages, answer.headers["location"])
    assert "SET, L1 is sterile and on its shelf, Store, A." in words
    assert "● sterile, ready" in words
    assert theatre.balance("SET")[0] == 1
    last = theatre.lines()[-1]
    assert (last.kind, last.reason) == ("sterilise", "Steriliser 2, cycle 118")
    # A double tap does nothing twice.
    assert pages.post("/sets/sterile", data=sent).status_code == 303
    assert len(theatre.lines()) == last.seq


def test_a_set_goes_to_the_shelf_that_is_said(theatre: Theatre, pages: TestClient) -> None:
    _opened(theatre)
    assert pages.post("/sets/sterile", data={**STERILE, "to": "Store, B"}).status_code == 303
    assert theatre.balance("SET", "B")[0] == 1


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"sterile_until": "2031-03-01"}, "sterile_until"),
        ({"sterile_until": "soon"}, "sterile_until"),
        ({"to": "nowhere"}, "to"),
        ({"to": "Quarantine, Q"}, "to"),
        ({"cycle": "x" * 2001}, "cycle"),
    ],
)
def test_a_fault_stands_at_its_field_with_what_was_typed_and_nothing_is_saved(
    theatre: Theatre, pages: TestClient, more: dict[str, str], field: str
) -> None:
    _opened(theatre)
    answer = pages.post("/sets/sterile", data={**STERILE, **more})
    assert answer.status_code == 422
    assert f'href="#field-{field}"' in answer.text
    assert f'id="wrong-{field}"' in answer.text
    assert f'value="{more[field]}"' in answer.text
    assert theatre.balance("SET", "Reprocessing")[0] == 1


def test_a_set_that_is_not_away_is_not_scanned_out(theatre: Theatre, pages: TestClient) -> None:
    words = _words(pages, "/sets/sterile?ref=SET&lot=L1&ownership=owned")
    assert "SET L1 is not being reprocessed here" in words
    assert pages.post("/sets/sterile", data=STERILE).status_code == 422
    assert theatre.tray("K1").unaccounted == 2


def test_who_may_not_move_stock_is_not_offered_the_scan(
    theatre: Theatre, pages: TestClient
) -> None:
    _opened(theatre)
    add_somebody(theatre.work, "sam", ["surgeon"])
    surgeon = bearer("sam")
    assert "being reprocessed" in pages.get("/sets", headers=surgeon).text
    assert "/sets/sterile" not in pages.get("/sets", headers=surgeon).text
    assert pages.get("/sets/sterile", headers=surgeon).status_code == 403
    assert pages.post("/sets/sterile", data=STERILE, headers=surgeon).status_code == 403
    assert theatre.balance("SET", "Reprocessing")[0] == 1


def test_a_set_that_is_not_sterile_after_all_is_sent_back_from_the_page_of_sets(
    theatre: Theatre, pages: TestClient
) -> None:
    _opened(theatre)
    assert pages.post("/sets/sterile", data=STERILE).status_code == 303
    link = re.search(r'id="unsterile-SET-L1" href="([^"]+)"', pages.get("/sets").text)
    assert link is not None
    asked = pages.get(unescape(link.group(1))).text
    assert "Not sterile: send to be reprocessed" in asked
    hidden = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', asked))
    answer = pages.post("/stock/units", data={**hidden, "quantity": "1", "reason": "wrong set"})
    assert answer.status_code == 303, answer.text
    assert "sent to be reprocessed" in _words(pages, answer.headers["location"])
    last = theatre.lines()[-1]
    assert (last.kind, last.reason) == ("reprocess", "wrong set")
    words = _words(pages, "/sets")
    assert "being reprocessed" in words
    assert "sterile, ready" not in words
    assert theatre.states("K2")[0] == "not covered"


def test_only_what_can_be_done_is_offered_for_a_set_in_sterile_services(
    theatre: Theatre, pages: TestClient
) -> None:
    _opened(theatre)
    place = {"store": "Sterile services", "shelf": "Reprocessing"}
    asked = {"ref": "SET", "lot": "L1", "ownership": "owned", **place}
    words = pages.get("/stock/units", params=asked).text
    offered = re.findall(r"action=(\w+)", unescape(words))
    assert offered == ["count", "quarantine", "write_off"]


def test_a_set_that_nobody_has_brought_lies_on_its_shelf_when_its_case_should_have_begun(
    theatre: Theatre, pages: TestClient, clock: Clock
) -> None:
    theatre.receive("SET", 1, lot="L2")
    theatre.add_case("K3", day=NOW.date(), hour=9)
    theatre.plan("K3", PRIMARY)
    clock.now = NOW + timedelta(hours=2, minutes=30)
    (found,) = theatre.work.read(list_sets).sets
    (copy,) = [one for one in found.copies if one.lot == "L2"]
    assert (copy.store, copy.shelf) == (SHELF["store"], SHELF["shelf"])
    assert (copy.is_ready, copy.back_at, copy.next_case) == (True, None, "K3")
    assert found.usable == 1
    assert "reserved for K3" in _words(pages, "/sets")
