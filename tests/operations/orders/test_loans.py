"""Loans from the request to the return, consigned units that were used, sets made sterile here.

The rules are common practice, no source; counts are small enough for fingers. After each test the
ledger is replayed (tests/operations/conftest.py).
"""

from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import insert
from sqlalchemy.exc import IntegrityError

from service.errors import BadInput, Conflict
from service.operations.orders import draft, loans
from service.operations.orders.view import LoanLine, share_uses
from service.operations.stock.movements import list_stock
from service.schemas.orders import LoanLot, OrderOut
from service.schemas.stock import StockOut
from service.storage.tables import BilledUse, Sterilisation
from tests.conftest import NOW
from tests.operations.orders.ordering import Desk
from tests.operations.orders.test_orders import faults
from tests.small_theatre import OTHER_SHELF, SHELF, Theatre

RETURN_BY = "2031-03-20"


USE_BY = "2033-01-01"


def borrowed(desk: Desk, *, nails: int = 2) -> str:
    """A loan of a set and some nails, sent, and all of it here."""
    wanted = [("SET", 1), ("NAIL", nails)] if nails else [("SET", 1)]
    reference = desk.sent(*wanted, kind="loan", return_by=RETURN_BY, wanted_for="case K1")
    lines: list[dict[str, Any]] = [{"ref": "SET", "serial": "S1"}]
    lines += [{"ref": "NAIL", "lot": "L1", "quantity": nails, "use_by": USE_BY}] if nails else []
    desk.receive(reference, *lines)
    return reference


def stocked(desk: Desk) -> list[StockOut]:
    return desk.work.read(lambda unit: list_stock(unit, limit=9)).stock


def lot(order: OrderOut, ref: str) -> LoanLot:
    return next(one for one in order.loan if one.ref == ref)


def test_a_loan_is_asked_for_approved_with_its_return_date_and_sent(desk: Desk) -> None:
    made = desk.draft(("SET", 1), kind="loan", wanted_for="list of 5 March").orders[0]
    assert (made.reference, made.kind, made.ownership) == ("LOAN-2031-0001", "loan", "loan")
    with pytest.raises(BadInput) as error:
        desk.approve(made.reference)
    assert faults(error)[0][0] == "/return_by"
    changed = desk.edit(
        made.reference,
        {"ref": "SET", "quantity": 1},
        return_by=RETURN_BY,
        wanted_for="list of 5 March",
    )
    assert changed.wanted_for == "list of 5 March"
    desk.approve(made.reference)
    sent = desk.send(made.reference)
    assert sent.due_at is not None
    assert sent.usable_from is not None
    # Two days for a loan to come, and 48 hours to reprocess it.
    assert sent.due_at.date() == date(2031, 3, 5)
    assert sent.usable_from - sent.due_at == timedelta(hours=48)


def test_two_loans_for_different_cases_are_not_mixed(desk: Desk) -> None:
    first = desk.draft(("SET", 1), kind="loan", return_by=RETURN_BY, wanted_for="K1").orders[0]
    second = desk.draft(("SET", 1), kind="loan", return_by=RETURN_BY, wanted_for="K2").orders[0]
    assert first.reference != second.reference


def test_a_loan_set_comes_unsterile_and_counts_once_it_is_reprocessed(
    desk: Desk, theatre: Theatre
) -> None:
    reference = borrowed(desk, nails=1)
    states = {
        row.ref: row.sterility for row in desk.work.read(lambda u: list_stock(u, limit=9)).stock
    }
    # What is packed sterile stays so; the set is not usable yet.
    assert states == {"NAIL": "sterile", "SET": "unsterile"}
    assert "1 not sterile" in desk.get(reference).loan_says
    theatre.add_case("K1")
    theatre.plan("K1")
    assert ("SET", "", "A", 1) not in theatre.held("K1")
    done = desk.sterilise(ref="SET", serial="S1", ownership="loan", note="steriliser 2, load 14")
    assert (done.actor, done.at.astimezone(NOW.tzinfo)) == ("storekeeper", NOW)
    assert lot(desk.get(reference), "SET").sterility == "sterile"
    theatre.plan("K1")
    assert ("SET", "", "A", 1) in theatre.held("K1")
    kept = theatre.rows(Sterilisation)
    assert [(row.actor, row.note) for row in kept] == [("storekeeper", "steriliser 2, load 14")]


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        # Single use, opened: never reprocessed.
        ({"ref": "NAIL", "lot": "L1", "ownership": "loan"}, "/ref"),
        ({"ref": "SET", "serial": "S9", "ownership": "loan"}, "/lot"),
        ({"ref": "SET", "serial": "S1", "ownership": "owned"}, "/lot"),
        (
            {"ref": "SET", "serial": "S1", "ownership": "loan", "use_by": "2031-03-02"},
            "/use_by",
        ),
    ],
)
def test_what_cannot_have_been_reprocessed_is_refused(
    desk: Desk, fields: dict[str, Any], field: str
) -> None:
    borrowed(desk)
    with pytest.raises(BadInput) as error:
        desk.sterilise(**fields)
    assert faults(error)[0][0] == field


def test_a_set_is_made_sterile_once(desk: Desk) -> None:
    borrowed(desk)
    desk.sterilise(ref="SET", serial="S1", ownership="loan")
    with pytest.raises(BadInput, match="Nothing was saved"):
        desk.sterilise(ref="SET", serial="S1", ownership="loan")


def test_what_goes_back_leaves_its_shelf_and_the_loan_knows_the_rest(desk: Desk) -> None:
    reference = borrowed(desk, nails=3)
    order = desk.give_back(
        reference,
        {"ref": "SET", "serial": "S1", "note": "one reamer absent"},
        {"ref": "NAIL", "lot": "L1", "quantity": 1},
    )
    assert [line.kind for line in desk.theatre.lines()][-2:] == ["loan_out", "loan_out"]
    nails = lot(order, "NAIL")
    assert (nails.received, nails.returned, nails.still_here) == (3, 1, 2)
    assert [(one.ref, one.quantity, one.note) for one in order.returns] == [
        ("SET", 1, "one reamer absent"),
        ("NAIL", 1, ""),
    ]
    with pytest.raises(BadInput) as error:
        desk.give_back(reference, {"ref": "NAIL", "lot": "L1", "quantity": 3})
    assert faults(error)[0][0] == "/lines/0/quantity"
    assert "2 of these are left at this site" in faults(error)[0][1]


def test_what_is_missing_on_return_is_written_off_and_named(desk: Desk) -> None:
    reference = borrowed(desk, nails=2)
    order = desk.give_back(
        reference,
        {"ref": "SET", "serial": "S1"},
        {"ref": "NAIL", "lot": "L1", "quantity": 1},
        {"ref": "NAIL", "lot": "L1", "quantity": 1, "missing": True, "note": "not on the shelf"},
    )
    nails = lot(order, "NAIL")
    assert (nails.returned, nails.missing, nails.still_here) == (1, 1, 0)
    assert order.loan_says == "1 missing on return"
    last = desk.theatre.lines()[-1]
    assert (last.kind, last.reason) == (
        "write_off",
        f"missing on return of loan {reference}: not on the shelf",
    )


def test_used_units_of_a_loan_are_named_with_their_case(desk: Desk, theatre: Theatre) -> None:
    reference = borrowed(desk, nails=2)
    theatre.add_case("K1")
    theatre.pick("K1", "NAIL", 2, ownership="loan", although="asked for")
    theatre.settle("K1", "NAIL", "implant", ownership="loan")
    theatre.settle("K1", "NAIL", "waste", ownership="loan", reason="dropped")
    nails = lot(desk.get(reference), "NAIL")
    assert [(use.case, use.quantity, use.fate) for use in nails.used] == [
        ("K1", 1, "implanted"),
        ("K1", 1, "wasted"),
    ]
    assert (nails.still_here, nails.unexplained) == (0, 0)
    with pytest.raises(BadInput) as error:
        desk.give_back(reference, {"ref": "NAIL", "lot": "L1"})
    assert "1 implanted in case K1" in faults(error)[0][1]


def test_units_taken_off_the_books_by_hand_are_unexplained(desk: Desk, theatre: Theatre) -> None:
    reference = borrowed(desk, nails=2)
    theatre.record(
        "write_off", lot="L1", ownership="loan", quantity=1, at=SHELF, reason="torn pack"
    )
    order = desk.get(reference)
    assert (lot(order, "NAIL").still_here, lot(order, "NAIL").unexplained) == (1, 1)
    assert "1 not accounted for" in order.loan_says


def test_promised_units_do_not_go_back(desk: Desk, theatre: Theatre) -> None:
    reference = borrowed(desk, nails=1)
    theatre.add_case("K1")
    theatre.promise("K1", "NAIL", ownership="loan")
    with pytest.raises(Conflict, match="reserved"):
        desk.give_back(reference, {"ref": "NAIL", "lot": "L1"})


def test_units_in_two_places_need_their_shelf(desk: Desk, theatre: Theatre) -> None:
    reference = borrowed(desk, nails=2)
    theatre.record("move", lot="L1", ownership="loan", quantity=1, origin=SHELF, to=OTHER_SHELF)
    with pytest.raises(BadInput) as error:
        desk.give_back(reference, {"ref": "NAIL", "lot": "L1"})
    assert faults(error)[0][0] == "/lines/0/origin"
    order = desk.give_back(reference, {"ref": "NAIL", "lot": "L1", "origin": OTHER_SHELF})
    assert lot(order, "NAIL").places == ["Store, A: 1"]


def test_a_return_that_is_corrected_is_still_to_go_back(desk: Desk) -> None:
    reference = borrowed(desk)
    desk.give_back(reference, {"ref": "SET", "serial": "S1"})
    seq = desk.theatre.lines()[-1].seq
    desk.theatre.record("correction", None, seq=seq, reason="it stayed")
    assert lot(desk.get(reference), "SET").still_here == 1
    assert desk.get(reference).returns == []


def test_a_set_that_went_back_may_come_again_and_is_unsterile_again(desk: Desk) -> None:
    first = borrowed(desk, nails=0)
    desk.sterilise(ref="SET", serial="S1", ownership="loan")
    desk.give_back(first, {"ref": "SET", "serial": "S1"})
    second = desk.sent(("SET", 1), kind="loan", return_by="2031-04-20")
    desk.receive(second, {"ref": "SET", "serial": "S1"})
    row = stocked(desk)[0]
    assert (row.sterility, row.return_by) == ("unsterile", date(2031, 4, 20))
    assert (lot(desk.get(first), "SET").still_here, lot(desk.get(second), "SET").still_here) == (
        0,
        1,
    )


def test_loans_are_listed_by_return_and_overdue_ones_said_so(desk: Desk) -> None:
    late = borrowed(desk, nails=0)
    other = desk.sent(("NAIL", 1), kind="loan", return_by="2031-03-10")
    desk.receive(other, {"ref": "NAIL", "lot": "L7", "use_by": USE_BY})
    listed = desk.work.read(loans.list_loans).loans
    assert [one.reference for one in listed] == [other, late]
    desk.work.clock = lambda: NOW + timedelta(days=10)
    overdue = desk.work.read(lambda unit: loans.list_loans(unit, overdue=True)).loans
    assert [one.reference for one in overdue] == [other]
    assert "OVERDUE" in overdue[0].loan_says
    desk.give_back(other, {"ref": "NAIL", "lot": "L7"})
    assert [one.reference for one in desk.work.read(loans.list_loans).loans] == [late]


def test_uses_go_to_the_oldest_loan_that_had_units_then() -> None:
    """By hand: 2 came with loan 1 and 2 with loan 2; 1 went back of loan 1."""
    first, second = LoanLine(1, 11, since=1, received=2, gone=1), LoanLine(2, 12, 5, received=2)
    share_uses([first, second], [(3, "K1", 1, "implanted"), (7, "K2", 2, "wasted")])
    assert first.uses == [("K1", 1, "implanted")]
    assert second.uses == [("K2", 2, "wasted")]
    assert (first.left, second.left) == (0, 0)


def used(desk: Desk, theatre: Theatre, *, nails: int = 2) -> None:
    """Consigned nails, implanted in case K1 one by one."""
    theatre.receive("NAIL", nails + 1, ownership="consigned")
    theatre.add_case("K1")
    theatre.pick("K1", "NAIL", nails, ownership="consigned", although="asked for")
    for _ in range(nails):
        theatre.settle("K1", "NAIL", "implant", ownership="consigned")
    assert desk.work.read(draft.unbilled).suppliers


def test_consigned_units_that_were_used_are_billed_once(desk: Desk, theatre: Theatre) -> None:
    used(desk, theatre)
    open_ = desk.work.read(draft.unbilled).suppliers
    assert [(one.supplier, len(one.uses)) for one in open_] == [("Test supply", 2)]
    use = open_[0].uses[0]
    assert (use.ref, use.lot, use.quantity, use.case) == ("NAIL", "L1", 1, "K1")
    order = desk.bill().orders[0]
    assert (order.kind, order.state, order.items[0].quantity, len(order.uses)) == (
        "bill_only",
        "draft",
        2,
        2,
    )
    assert {one.case for one in order.uses} == {"K1"}
    assert desk.work.read(draft.unbilled).suppliers == []
    assert desk.bill().orders == []


def test_later_uses_join_the_open_draft(desk: Desk, theatre: Theatre) -> None:
    used(desk, theatre)
    first = desk.bill("Test supply").orders[0]
    theatre.pick("K1", "NAIL", ownership="consigned", although="asked for")
    theatre.settle("K1", "NAIL", "waste", ownership="consigned", reason="dropped")
    again = desk.bill().orders[0]
    assert again.reference == first.reference
    assert (again.items[0].quantity, len(again.uses)) == (3, 3)
    assert desk.bill("Nobody").orders == []


def test_a_bill_is_priced_not_changed_and_brings_nothing(desk: Desk, theatre: Theatre) -> None:
    used(desk, theatre)
    reference = desk.bill().orders[0].reference
    with pytest.raises(BadInput):
        desk.edit(reference, {"ref": "NAIL", "quantity": 1})
    priced = {"ref": "NAIL", "quantity": 2, "unit_price_minor": 24_800}
    assert desk.edit(reference, priced, currency="GBP").total_minor == 49_600
    desk.approve(reference)
    sent = desk.send(reference)
    assert (sent.state, sent.due_at, sent.outstanding) == ("sent", None, 0)
    assert desk.coming() == {}
    with pytest.raises(Conflict):
        desk.receive(reference, {"ref": "NAIL", "lot": "L1", "use_by": USE_BY})


def test_a_cancelled_bill_gives_its_uses_free(desk: Desk, theatre: Theatre) -> None:
    used(desk, theatre)
    first = desk.bill().orders[0].reference
    desk.cancel(first)
    second = desk.bill().orders[0]
    assert second.reference != first
    assert len(second.uses) == 2
    assert desk.get(first).uses == []


def test_the_database_lets_no_use_be_billed_twice(desk: Desk, theatre: Theatre) -> None:
    used(desk, theatre)
    seq = desk.bill().orders[0].uses[0].movement_seq
    again = insert(BilledUse).values(movement_seq=seq, line_id=1)
    with pytest.raises(IntegrityError):
        desk.work.write(lambda unit: unit.session.execute(again))


def test_owned_units_are_nobodys_bill(desk: Desk, theatre: Theatre) -> None:
    theatre.receive("NAIL", 1)
    theatre.add_case("K1")
    theatre.pick("K1", "NAIL", although="asked for")
    theatre.settle("K1", "NAIL", "implant")
    assert desk.work.read(draft.unbilled).suppliers == []
