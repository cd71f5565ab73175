"""No detour washes a state off: quarantined, opened and used units stay so until they are let out.

Each test does what people might do in good faith, and then asks what is usable on a shelf. That a
pack keeps its state wherever it is until somebody lets it out is common practice, no source.
"""

from collections.abc import Callable
from typing import Any

import pytest

from service.errors import BadInput, Conflict
from service.operations.catalogue import require_item
from service.operations.imports import import_file
from service.operations.stock.movements import list_stock
from service.operations.trays.trays import return_all_packs
from service.operations.work import Unit
from tests.operations.trays.test_trays import two_cases
from tests.small_theatre import OTHER_SHELF, QUARANTINE, SHELF, USE_BY, Theatre
from tests.two_sites import add_site, furnish_other, work_at

REPROCESSING = {"store": "Sterile services", "shelf": "Reprocessing"}


def usable(theatre: Theatre) -> dict[tuple[str, str], int]:
    """Count what is usable, by item and shelf."""
    page = theatre.work.read(lambda unit: list_stock(unit, limit=500))
    found: dict[tuple[str, str], int] = {}
    for row in page.stock:
        if not row.not_usable:
            found[row.ref, row.shelf] = found.get((row.ref, row.shelf), 0) + row.quantity
    return found


def quarantined(theatre: Theatre, ref: str = "NAIL", **name: object) -> None:
    """Receive one unit and put it in quarantine."""
    theatre.receive(ref, 1, **name)  # type: ignore[arg-type] # lot is among the names
    named = {"lot": "L1", **name}
    theatre.record("quarantine", ref, quantity=1, origin=SHELF, reason="dented", **named)


def count(
    theatre: Theatre, counted: int, at: dict[str, str], ref: str = "NAIL", **more: object
) -> None:
    facts: dict[str, Any] = {"lot": "L1", "counted": counted, "at": at, "reason": "counted", **more}
    theatre.record("count", ref, **facts)


def assert_refused(theatre: Theatre, deed: Callable[[], object], match: str) -> None:
    """The deed is refused with a reason, and nothing has become usable."""
    before = usable(theatre)
    with pytest.raises((BadInput, Conflict)) as caught:
        deed()
    said = " ".join([caught.value.detail, *(one.reason for one in caught.value.faults)])
    assert match in said
    assert usable(theatre) == before


def stock_take(theatre: Theatre, *rows: str) -> None:
    text = "\n".join(["ref,lot,serial,use_by,quantity,store,shelf,ownership", *rows, ""])
    theatre.work.write(
        lambda unit: import_file(
            unit, "stock-take", text.encode(), "stock.csv", take_good_rows=False
        )
    )


@pytest.mark.parametrize("target", [SHELF, OTHER_SHELF])
def test_a_move_does_not_take_units_out_of_quarantine(
    theatre: Theatre, target: dict[str, str]
) -> None:
    quarantined(theatre)
    assert_refused(
        theatre,
        lambda: theatre.record("move", lot="L1", quantity=1, origin=QUARANTINE, to=target),
        "release the units",
    )


def test_a_move_within_quarantine_is_a_move(theatre: Theatre) -> None:
    quarantined(theatre)
    furnish_place(theatre, {"store": "Quarantine", "shelf": "Q2", "kind": "quarantine"})
    second = {"store": "Quarantine", "shelf": "Q2"}
    theatre.record("move", lot="L1", quantity=1, origin=QUARANTINE, to=second)
    assert usable(theatre) == {}


def furnish_place(theatre: Theatre, place: dict[str, str]) -> None:
    furnish_other(theatre.work, place)


def test_what_is_in_quarantine_is_not_quarantined_again(theatre: Theatre) -> None:
    quarantined(theatre)
    assert_refused(
        theatre,
        lambda: theatre.record("quarantine", lot="L1", quantity=1, origin=QUARANTINE, reason="x"),
        "already in quarantine",
    )


@pytest.mark.parametrize("kind", ["count", "write_off"])
def test_what_went_missing_in_quarantine_is_not_usable_where_it_turns_up(
    theatre: Theatre, kind: str
) -> None:
    quarantined(theatre)
    if kind == "count":
        count(theatre, 0, QUARANTINE)
    else:
        theatre.record("write_off", lot="L1", quantity=1, at=QUARANTINE, reason="not there")
    assert_refused(theatre, lambda: count(theatre, 1, SHELF), "Quarantine, Q")
    assert_refused(theatre, lambda: theatre.receive("NAIL", 1), "Quarantine, Q")
    assert_refused(
        theatre, lambda: stock_take(theatre, f"NAIL,L1,,{USE_BY},1,Store,B,owned"), "Quarantine, Q"
    )
    count(theatre, 1, QUARANTINE)
    theatre.record("release", lot="L1", quantity=1, origin=QUARANTINE, to=SHELF, reason="seen")
    assert usable(theatre) == {("NAIL", "A"): 1}
    count(theatre, 2, SHELF)
    assert usable(theatre) == {("NAIL", "A"): 2}


def test_what_was_counted_into_quarantine_and_then_out_is_missing_from_there(
    theatre: Theatre,
) -> None:
    theatre.receive("NAIL", 1)
    count(theatre, 0, SHELF)
    count(theatre, 1, QUARANTINE)
    count(theatre, 0, QUARANTINE)
    assert_refused(theatre, lambda: count(theatre, 1, SHELF), "Quarantine, Q")


def test_what_is_still_in_quarantine_on_record_is_not_counted_on_a_shelf_first(
    theatre: Theatre,
) -> None:
    quarantined(theatre)
    assert_refused(theatre, lambda: count(theatre, 1, SHELF), "release them")
    assert_refused(
        theatre,
        lambda: stock_take(
            theatre,
            f"NAIL,L1,,{USE_BY},0,Quarantine,Q,owned",
            f"NAIL,L1,,{USE_BY},1,Store,A,owned",
        ),
        "release them",
    )


@pytest.mark.parametrize("other", [{"ownership": "consigned"}, {"lot": "l-1"}])
def test_another_owner_or_another_way_to_write_the_lot_makes_no_other_unit(
    theatre: Theatre, other: dict[str, str]
) -> None:
    quarantined(theatre)
    theatre.receive("NAIL", 1, **other)  # a delivery brings other units
    count(theatre, 0, QUARANTINE)
    assert_refused(theatre, lambda: count(theatre, 2, SHELF, **other), "Quarantine, Q")
    assert_refused(theatre, lambda: theatre.receive("NAIL", 1, **other), "Quarantine, Q")


def test_a_theatre_that_is_no_tray_is_no_way_round(theatre: Theatre) -> None:
    quarantined(theatre)
    furnish_place(theatre, {"store": "T1", "shelf": "Anteroom", "kind": "theatre"})
    count(theatre, 0, QUARANTINE)
    assert_refused(
        theatre,
        lambda: count(theatre, 1, {"store": "T1", "shelf": "Anteroom"}),
        "Quarantine, Q",
    )


def test_another_site_is_no_way_round(theatre: Theatre) -> None:
    quarantined(theatre)
    count(theatre, 0, QUARANTINE)
    there = Theatre(work_at(theatre.work, add_site(theatre.work)))
    furnish_other(there.work, SHELF)
    with pytest.raises(BadInput) as caught:
        count(there, 1, SHELF)
    assert "another site" in caught.value.faults[0].reason
    assert "Quarantine, Q" not in caught.value.faults[0].reason


def test_the_correction_of_a_quarantining_is_a_release_by_its_name(theatre: Theatre) -> None:
    quarantined(theatre)
    line = theatre.lines()[-1].seq
    assert_refused(
        theatre,
        lambda: theatre.record("correction", None, seq=line, reason="was not dented"),
        "release the units",
    )


def test_the_correction_of_a_count_does_not_bring_back_what_lies_in_quarantine(
    theatre: Theatre,
) -> None:
    theatre.receive("NAIL", 1)
    count(theatre, 0, SHELF)
    away = theatre.lines()[-1].seq
    count(theatre, 1, QUARANTINE)
    assert_refused(
        theatre,
        lambda: theatre.record("correction", None, seq=away, reason="was there"),
        "release them",
    )


def test_a_count_that_was_wrong_in_quarantine_is_corrected_and_leaves_nothing_missing(
    theatre: Theatre,
) -> None:
    quarantined(theatre)
    count(theatre, 0, QUARANTINE)
    wrong = theatre.lines()[-1].seq
    theatre.record("correction", None, seq=wrong, reason="it was behind the box")
    theatre.record("release", lot="L1", quantity=1, origin=QUARANTINE, to=SHELF, reason="seen")
    count(theatre, 2, SHELF)
    assert usable(theatre) == {("NAIL", "A"): 2}


def test_a_serial_that_is_here_is_not_received_again(theatre: Theatre) -> None:
    named: dict[str, Any] = {"lot": None, "serial": "S1"}
    quarantined(theatre, "SET", **named)
    assert_refused(theatre, lambda: theatre.receive("SET", 1, **named), "release them")


def opened(theatre: Theatre, *, status: str = "in_theatre") -> None:
    """One case in theatre with the set on its tray."""
    theatre.receive("SET", 1)
    theatre.receive("NAIL", 3)
    two_cases(theatre)
    theatre.pick("K1", "SET")
    if status == "in_theatre":
        theatre.status("K1", "in_theatre")


def test_a_set_that_is_being_reprocessed_is_not_counted_back_on_its_shelf(theatre: Theatre) -> None:
    opened(theatre)
    theatre.settle("K1", "SET", "reprocess")
    assert_refused(theatre, lambda: count(theatre, 1, SHELF, "SET"), "scan them out")
    assert_refused(theatre, lambda: count(theatre, 1, QUARANTINE, "SET"), "scan them out")
    count(theatre, 0, REPROCESSING, "SET")
    assert_refused(theatre, lambda: count(theatre, 1, SHELF, "SET"), "scan them out")
    assert_refused(theatre, lambda: count(theatre, 1, QUARANTINE, "SET"), "scan them out")
    assert_refused(theatre, lambda: theatre.receive("SET", 1), "scan them out")
    count(theatre, 1, REPROCESSING, "SET")
    assert ("SET", "A") not in usable(theatre)


def test_a_set_on_a_tray_is_not_counted_on_a_shelf(theatre: Theatre) -> None:
    opened(theatre)
    assert_refused(theatre, lambda: count(theatre, 1, SHELF, "SET"), "page of the case")


def test_a_case_that_is_cancelled_in_theatre_sends_its_sets_to_be_reprocessed(
    theatre: Theatre,
) -> None:
    opened(theatre)
    theatre.cancel("K1")
    theatre.work.write(lambda unit: return_all_packs(unit, "K1"))
    assert ("SET", "A") not in usable(theatre)
    assert theatre.balance("SET", "Reprocessing") == (1, 0)


def test_a_case_that_is_cancelled_before_it_began_gives_its_sets_back(theatre: Theatre) -> None:
    opened(theatre, status="prepared")
    theatre.cancel("K1")
    theatre.work.write(lambda unit: return_all_packs(unit, "K1"))
    assert usable(theatre)["SET", "A"] == 1


def test_a_case_in_which_something_was_used_has_opened_its_sets_whatever_its_status_says(
    theatre: Theatre,
) -> None:
    opened(theatre, status="prepared")
    theatre.pick("K1", "NAIL")
    theatre.settle("K1", "NAIL", "implant")
    theatre.work.write(lambda unit: return_all_packs(unit, "K1"))
    assert ("SET", "A") not in usable(theatre)


def test_a_serial_that_was_used_up_is_looked_at_before_it_is_usable_again(theatre: Theatre) -> None:
    named: dict[str, Any] = {"lot": None, "serial": "S1"}
    theatre.receive("NAIL", 1, **named)
    theatre.add_case("K1")
    theatre.pick("K1", "NAIL", although="needed", **named)
    theatre.settle("K1", "NAIL", "waste", reason="dropped", **named)
    assert_refused(theatre, lambda: count(theatre, 1, SHELF, **named), "used up in a case")
    count(theatre, 1, QUARANTINE, **named)
    assert usable(theatre) == {}


def test_what_the_catalogue_no_longer_calls_a_set_is_not_usable_where_sets_are_reprocessed(
    theatre: Theatre,
) -> None:
    opened(theatre)
    theatre.settle("K1", "SET", "reprocess")

    def change(unit: Unit) -> None:
        require_item(unit, "SET").kind = "drill_bit"

    theatre.work.write(change)
    assert ("SET", "Reprocessing") not in usable(theatre)
