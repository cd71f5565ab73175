"""Every kind of movement: what it does to the balance, and to what was promised of it.

The small department of ``tests/small_theatre.py`` is counted by hand; after each test the ledger
is replayed and compared with balances, holds and trays.
"""

from typing import Any

import pytest
from sqlalchemy import Executable, delete, text, update
from sqlalchemy.exc import DBAPIError

from service.errors import BadInput, Conflict, NotFound, Taken
from service.operations.imports import import_file
from service.operations.stock.movements import list_stock
from service.storage.tables import Movement
from tests.small_theatre import (
    BACKUP,
    OTHER_SHELF,
    PRIMARY,
    QUARANTINE,
    SHELF,
    USE_BY,
    Theatre,
    next_day,
)


def promised(theatre: Theatre, *, received: int = 1) -> None:
    """One case, planned, with the nail it counts on."""
    theatre.receive("NAIL", received)
    theatre.add_case("K1")
    theatre.plan("K1")


def test_what_is_received_lies_on_its_shelf(theatre: Theatre) -> None:
    done = theatre.receive("NAIL", 2)
    theatre.receive("NAIL", 3)
    assert (done.kind, done.seq, done.actor) == ("receive", 1, "nurse")
    assert theatre.balance("NAIL") == (5, 0)


def test_a_loan_that_comes_in_is_called_so_and_goes_back_as_one(theatre: Theatre) -> None:
    loan: dict[str, Any] = {"ownership": "loan"}
    theatre.receive("NAIL", 2, return_by=next_day(9), **loan)
    away: dict[str, Any] = {"quantity": 1, "origin": SHELF, "reason": "back"}
    theatre.record("loan_out", lot="L1", **away, **loan)
    assert [line.kind for line in theatre.lines()] == ["loan_in", "loan_out"]
    assert theatre.balance("NAIL") == (1, 0)


def test_only_a_loan_goes_back_to_its_supplier(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1)
    with pytest.raises(BadInput) as refused:
        theatre.record("loan_out", lot="L1", quantity=1, origin=SHELF, reason="back")
    assert refused.value.faults[0].pointer == "/ownership"


@pytest.mark.parametrize("kind", ["write_off", "loan_out"])
def test_what_is_promised_does_not_leave_and_who_counts_on_it_is_named(
    theatre: Theatre, kind: str
) -> None:
    loan: dict[str, Any] = {"ownership": "loan"} if kind == "loan_out" else {}
    due: dict[str, Any] = {"return_by": next_day(9)} if loan else {}
    theatre.receive("NAIL", 1, **loan, **due)
    theatre.add_case("K1")
    theatre.plan("K1")
    where: dict[str, Any] = {"at": SHELF} if kind == "write_off" else {"origin": SHELF}
    with pytest.raises(Taken) as refused:
        theatre.record(kind, lot="L1", quantity=1, reason="gone", **where, **loan)
    assert "K1" in refused.value.detail
    assert "2031-03-04 T1" in refused.value.detail
    assert refused.value.facts["held_by"] == [{"case": "K1", "list": "2031-03-04 T1"}]
    assert theatre.balance("NAIL") == (1, 1)


def test_what_nobody_counts_on_is_written_off(theatre: Theatre) -> None:
    promised(theatre, received=2)
    theatre.record("write_off", lot="L1", quantity=1, at=SHELF, reason="damaged")
    assert theatre.balance("NAIL") == (1, 1)


def test_a_promised_instrument_set_is_not_written_off(theatre: Theatre) -> None:
    theatre.receive("SET", 1)
    promised(theatre)
    with pytest.raises(Taken, match="K1"):
        theatre.record("write_off", "SET", lot="L1", quantity=1, at=SHELF, reason="broken")


def test_promises_follow_units_to_another_shelf(theatre: Theatre) -> None:
    theatre.receive("SET", 1)
    promised(theatre)
    for ref in ("NAIL", "SET"):
        theatre.record("move", ref, lot="L1", quantity=1, origin=SHELF, to=OTHER_SHELF)
    assert theatre.held("K1") == [("NAIL", "L1", "B", 1), ("SET", "L1", "B", 1)]
    assert theatre.balance("NAIL", "B") == (1, 1)
    assert theatre.events("K1") == []


def test_units_nobody_counts_on_are_moved_first(theatre: Theatre) -> None:
    promised(theatre, received=3)
    theatre.record("move", lot="L1", quantity=2, origin=SHELF, to=OTHER_SHELF)
    assert theatre.held("K1") == [("NAIL", "L1", "A", 1)]


def test_a_hold_is_split_when_some_of_its_units_move(theatre: Theatre) -> None:
    theatre.receive("NAIL", 3)
    theatre.add_case("K1")
    theatre.promise("K1", "NAIL", 3)
    theatre.record("move", lot="L1", quantity=1, origin=SHELF, to=OTHER_SHELF)
    assert theatre.held("K1") == [("NAIL", "L1", "A", 2), ("NAIL", "L1", "B", 1)]
    assert (theatre.balance("NAIL"), theatre.balance("NAIL", "B")) == ((2, 2), (1, 1))


def test_more_than_is_there_is_not_moved(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1)
    with pytest.raises(Conflict) as refused:
        theatre.record("move", lot="L1", quantity=2, origin=SHELF, to=OTHER_SHELF)
    assert refused.value.faults[0].pointer == "/quantity"


def test_a_count_up_and_a_count_that_agrees(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1)
    up = theatre.record("count", lot="L1", counted=3, at=SHELF, reason="counted")
    same = theatre.record("count", lot="L1", counted=3, at=SHELF, reason="counted")
    assert (up.quantity, same.seq, same.quantity) == (2, None, 0)
    assert theatre.balance("NAIL") == (3, 0)


def test_a_count_down_gives_promises_up_tells_the_case_and_looks_for_another(
    theatre: Theatre,
) -> None:
    promised(theatre)
    theatre.receive("NAIL", 1, "L2")
    version = theatre.case("K1").version
    done = theatre.record("count", lot="L1", counted=0, at=SHELF, reason="not there")
    assert done.reopened == ["K1"]
    assert theatre.held("K1") == [("NAIL", "L2", "A", 1)]
    assert theatre.events("K1") == [("lost a pack", "not there")]
    assert theatre.case("K1").version == version + 1


def test_a_count_takes_the_hold_that_is_needed_last(theatre: Theatre) -> None:
    theatre.receive("NAIL", 2)
    for number, day in enumerate([next_day(), next_day(0)], start=1):
        theatre.add_case(f"K{number}", day=day)
        theatre.plan(f"K{number}")
    done = theatre.record("count", lot="L1", counted=1, at=SHELF, reason="not there")
    assert done.reopened == ["K1"]
    assert theatre.held("K2") == [("NAIL", "L1", "A", 1)]


@pytest.mark.parametrize("ref", ["NAIL", "SET"])
def test_what_goes_to_quarantine_is_promised_no_more_until_it_is_released(
    theatre: Theatre, ref: str
) -> None:
    theatre.receive("SET", 1)
    promised(theatre)
    done = theatre.record("quarantine", ref, lot="L1", quantity=1, origin=SHELF, reason="dented")
    assert done.reopened == ["K1"]
    assert ref not in {one[0] for one in theatre.held("K1")}
    theatre.record(
        "release", ref, lot="L1", quantity=1, origin=QUARANTINE, to=SHELF, reason="looked at"
    )
    theatre.plan("K1")
    assert ref in {one[0] for one in theatre.held("K1")}


def test_only_quarantine_is_released_and_only_to_a_shelf(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1)
    facts: dict[str, Any] = {"lot": "L1", "quantity": 1, "reason": "looked at"}
    with pytest.raises(BadInput, match="saved") as refused:
        theatre.record("release", origin=SHELF, to=OTHER_SHELF, **facts)
    assert refused.value.faults[0].pointer == "/origin"
    theatre.record("quarantine", origin=SHELF, **facts)
    with pytest.raises(BadInput) as refused:
        theatre.record("release", origin=QUARANTINE, to=QUARANTINE, **facts)
    assert refused.value.faults[0].pointer == "/to"


def test_a_correction_names_the_line_it_takes_back(theatre: Theatre) -> None:
    wrong = theatre.receive("NAIL", 5)
    done = theatre.record("correction", None, seq=wrong.seq, reason="five were three")
    line = theatre.lines()[-1]
    assert (line.seq, line.corrects_seq, line.reason) == (done.seq, wrong.seq, "five were three")
    assert (line.kind, line.from_location_id) == ("receive", theatre.lines()[0].to_location_id)
    assert theatre.balance("NAIL") == (0, 0)


def test_a_move_taken_back_takes_its_promises_back_too(theatre: Theatre) -> None:
    promised(theatre)
    wrong = theatre.record("move", lot="L1", quantity=1, origin=SHELF, to=OTHER_SHELF)
    done = theatre.record("correction", None, seq=wrong.seq, reason="wrong shelf")
    assert done.reopened == []
    assert theatre.held("K1") == [("NAIL", "L1", "A", 1)]


def test_a_line_is_corrected_once_and_a_correction_never(theatre: Theatre) -> None:
    wrong = theatre.receive("NAIL", 5)
    done = theatre.record("correction", None, seq=wrong.seq, reason="mistaken")
    with pytest.raises(Conflict, match=f"already been corrected, by line {done.seq}"):
        theatre.record("correction", None, seq=wrong.seq, reason="mistaken")
    with pytest.raises(Conflict, match="is itself a correction"):
        theatre.record("correction", None, seq=done.seq, reason="mistaken")
    with pytest.raises(NotFound):
        theatre.record("correction", None, seq=2**31 - 1, reason="mistaken")


def test_what_has_gone_on_from_there_cannot_be_corrected_away(theatre: Theatre) -> None:
    wrong = theatre.receive("NAIL", 2)
    theatre.record("write_off", lot="L1", quantity=1, at=SHELF, reason="damaged")
    with pytest.raises(Conflict, match="has 1 of this lot, not 2"):
        theatre.record("correction", None, seq=wrong.seq, reason="mistaken")


def test_a_line_of_a_case_is_not_corrected_past_the_case(theatre: Theatre) -> None:
    theatre.receive("SET", 1)
    promised(theatre)
    theatre.pick("K1", "NAIL")
    with pytest.raises(Conflict, match="belongs to a case"):
        theatre.record("correction", None, seq=theatre.lines()[-1].seq, reason="mistaken")


@pytest.mark.parametrize("kind", ["move", "write_off", "count", "quarantine"])
def test_packs_on_a_tray_leave_it_only_by_their_case(theatre: Theatre, kind: str) -> None:
    """Otherwise the case would have packs to account for that lie somewhere else."""
    promised(theatre)
    theatre.pick("K1", "NAIL")
    tray = {"store": "T1", "shelf": "K1"}
    places: dict[str, Any] = {"at": tray} if kind in {"write_off", "count"} else {"origin": tray}
    facts: dict[str, Any] = {"counted": 0} if kind == "count" else {"quantity": 1}
    more: dict[str, Any] = {"to": SHELF} if kind == "move" else {}
    with pytest.raises(Conflict, match="tray of case K1"):
        theatre.record(kind, lot="L1", reason="tidied", **places, **facts, **more)
    with pytest.raises(Conflict, match="tray of case K1"):
        theatre.receive("NAIL", 1, to=tray)


def test_a_stock_take_does_not_count_a_tray(theatre: Theatre) -> None:
    promised(theatre)
    theatre.pick("K1", "NAIL")
    rows = f"ref,lot,use_by,quantity,store,shelf,ownership\nNAIL,L1,{USE_BY},0,T1,K1,owned\n"
    with pytest.raises(BadInput) as refused:
        theatre.work.write(
            lambda unit: import_file(
                unit, "stock-take", rows.encode(), "stock.csv", take_good_rows=False
            )
        )
    assert "tray" in refused.value.faults[0].reason


def test_consigned_units_become_owned_the_moment_they_are_used(theatre: Theatre) -> None:
    """A bill-only pair: out of the consignment, into the hospital's own, then used from there."""
    consigned: dict[str, Any] = {"ownership": "consigned"}
    theatre.receive("NAIL", 2, **consigned)
    theatre.add_case("K1")
    theatre.plan("K1")
    theatre.pick("K1", "NAIL", **consigned)
    theatre.settle("K1", "NAIL", "implant", **consigned)
    lines = theatre.lines()[-3:]
    assert [line.kind for line in lines] == ["consigned_use", "consigned_use", "implant"]
    out, into, used = lines
    assert (out.to_location_id, into.from_location_id) == (None, None)
    assert (out.reason, into.reason) == ("used: bill only", "used: bill only")
    assert out.lot_id != into.lot_id == used.lot_id
    assert {line.case_id for line in lines} == {out.case_id}
    assert theatre.balance("NAIL") == (1, 0)


def test_a_very_large_lot_is_moved_as_quickly_as_a_small_one(theatre: Theatre) -> None:
    """Quantities go to a million; no unit may be gone through one by one for each other one."""
    theatre.receive("NAIL", 1_000_000)
    theatre.add_case("K1")
    theatre.promise("K1", "NAIL", 100_000)
    theatre.record("move", lot="L1", quantity=950_000, origin=SHELF, to=OTHER_SHELF)
    assert theatre.balance("NAIL") == (50_000, 50_000)
    assert theatre.balance("NAIL", "B") == (950_000, 50_000)


@pytest.mark.parametrize("deed", ["update", "delete", "truncate"])
def test_the_ledger_cannot_be_changed_even_past_the_service(theatre: Theatre, deed: str) -> None:
    theatre.receive("NAIL", 1)
    statements: dict[str, Executable] = {
        "update": update(Movement).values(quantity=9),
        "delete": delete(Movement),
        "truncate": text("DELETE FROM movement WHERE 1 = 1"),
    }
    with pytest.raises(DBAPIError, match="append-only"):
        theatre.work.write(lambda unit: unit.session.connection().execute(statements[deed]))


def test_a_backup_of_another_construct_is_counted_once(theatre: Theatre) -> None:
    """The plan asks for one nail and one cap: two holds of one each, whatever is on the shelf."""
    theatre.receive("NAIL", 9)
    theatre.receive("CAP", 9)
    theatre.add_case("K1")
    theatre.plan("K1", PRIMARY, BACKUP)
    assert (theatre.balance("NAIL"), theatre.balance("CAP")) == ((9, 1), (9, 1))


def test_a_page_that_ended_at_no_row_of_ours_is_empty_and_no_error(theatre: Theatre) -> None:
    """A number past what PostgreSQL keeps in a key is still only a place to go on from."""
    theatre.receive("NAIL", 1)
    after = f"{10**17}.{10**17}.NAIL"
    page = theatre.work.read(lambda unit: list_stock(unit, after=after, limit=5))
    assert (page.stock, page.next_after) == ([], None)
