"""Orders from a draft to the end: whole packs, one supplier, versions, dates, what is outstanding.

The figures are small enough to be worked out by hand; the rules are common practice, no source.
The clock stands at Monday, 3 March 2031, 07:00.
"""

from datetime import UTC, date, datetime, timedelta
from functools import partial
from typing import Any

import pytest

from service.errors import BadInput, Conflict, NotFound, Stale
from service.operations.imports import import_file
from service.operations.orders import progress, view
from service.operations.orders.receive import add_delivery
from service.operations.stock.movements import list_deliveries
from service.operations.suppliers import put_holiday
from service.operations.work import Work
from service.schemas.imports import ImportOut
from service.schemas.orders import OrderHead
from service.schemas.stock import DeliveryBody
from service.schemas.suppliers import HolidayBody
from tests.conftest import NOW
from tests.operations.orders.ordering import Desk


def faults(error: pytest.ExceptionInfo[BadInput]) -> list[tuple[str, str]]:
    return [(fault.pointer, fault.reason) for fault in error.value.faults]


def test_what_is_wanted_goes_on_one_draft_a_supplier_in_whole_packs(desk: Desk) -> None:
    made = desk.draft(("SCREW", 3), ("OTHER", 2), ("CAP", 1), why=("case K1",)).orders
    assert [(one.supplier, one.kind, one.state) for one in made] == [
        ("Test supply", "purchase", "draft"),
        ("Other supply", "purchase", "draft"),
    ]
    screw = next(line for line in made[0].items if line.ref == "SCREW")
    assert (screw.wanted, screw.quantity, screw.packs, screw.why) == (3, 5, 1, ["case K1"])
    assert screw.rounded_says == "3 needed, 5 ordered: 1 pack of 5"
    assert made[0].reference == "PO-2031-0001"
    assert made[1].reference == "PO-2031-0002"


def test_an_open_draft_of_the_supplier_is_added_to_and_rounded_once(desk: Desk) -> None:
    first = desk.draft(("SCREW", 3), why=("case K1",)).orders[0]
    again = desk.draft(("SCREW", 2), ("BOLT", 1), why=("par level",)).orders[0]
    assert again.reference == first.reference
    screw = next(line for line in again.items if line.ref == "SCREW")
    # 3 and 2 wanted are one pack of 5, not two.
    assert (screw.wanted, screw.quantity, screw.why) == (5, 5, ["case K1", "par level"])
    desk.approve(first.reference)
    assert desk.draft(("SCREW", 1)).orders[0].reference == "PO-2031-0002"


def test_a_total_counts_what_has_a_price_and_says_what_has_none(desk: Desk) -> None:
    order = desk.draft(("SCREW", 5), ("BOLT", 2)).orders[0]
    # 5 × 12.50.
    assert (order.total_minor, order.lines_without_price) == (6250, 1)
    assert order.total_says == "62.50 GBP plus 1 line without price"
    bolt = next(line for line in order.items if line.ref == "BOLT")
    assert bolt.unit_price_minor is None
    assert bolt.line_total_minor is None


def test_two_currencies_never_stand_on_one_order(desk: Desk) -> None:
    with pytest.raises(BadInput) as error:
        desk.draft(("SCREW", 1), ("EURO", 1))
    assert faults(error)[0][0] == "/lines/1/ref"
    assert "EUR" in faults(error)[0][1]
    order = desk.draft(("SCREW", 1)).orders[0]
    with pytest.raises(BadInput):
        desk.edit(order.reference, {"ref": "SCREW", "quantity": 1}, {"ref": "EURO", "quantity": 1})
    assert [line.ref for line in desk.get(order.reference).items] == ["SCREW"]


@pytest.mark.parametrize(
    ("wanted", "says"),
    [
        ((("SCREW", 5),), "below the minimum order of Test supply: 100.00 GBP"),
        ((("SCREW", 10),), ""),
        ((("SCREW", 5), ("BOLT", 1)), "nobody can tell"),
    ],
)
def test_the_least_order_value_is_compared_and_an_unknown_price_leaves_it_open(
    desk: Desk, wanted: tuple[tuple[str, int], ...], says: str
) -> None:
    desk.supplier(minimum_order_minor=10_000, currency="GBP")
    said = desk.draft(*wanted).orders[0].minimum_says
    assert says in said if says else said == ""


def test_a_draft_is_edited_from_the_version_that_was_read(desk: Desk) -> None:
    order = desk.draft(("SCREW", 5), ("BOLT", 2)).orders[0]
    changed = desk.edit(
        order.reference,
        {"ref": "BOLT", "quantity": 4, "unit_price_minor": 300},
        {"ref": "CAP", "quantity": 1, "why": ["spare"]},
        note="call before delivery",
    )
    assert [(line.ref, line.quantity, line.unit_price_minor) for line in changed.items] == [
        ("BOLT", 4, 300),
        ("CAP", 1, None),
    ]
    assert changed.total_minor == 1200
    with pytest.raises(Stale):
        desk.work.write(
            partial(progress.approve_order, reference=order.reference, version=order.version)
        )


def test_a_change_after_approval_has_to_be_approved_again(desk: Desk) -> None:
    reference = desk.draft(("SCREW", 5)).orders[0].reference
    approved = desk.approve(reference)
    assert (approved.state, approved.approved_by) == ("approved", "head")
    changed = desk.edit(reference, {"ref": "SCREW", "quantity": 10})
    assert (changed.state, changed.approved_by) == ("draft", "")
    with pytest.raises(Conflict):
        desk.send(reference)


def test_who_approves_their_own_order_is_said(desk: Desk) -> None:
    reference = desk.draft(("SCREW", 5)).orders[0].reference
    assert "also drafted it" in desk.approve(reference, actor="storekeeper").says


def test_a_sent_order_is_due_after_its_lead_time_when_that_day_ends(desk: Desk) -> None:
    reference = desk.draft(("SCREW", 5), ("OTHER", 1)).orders[0].reference
    desk.approve(reference)
    assert desk.coming() == {}
    order = desk.send(reference)
    assert order.due_at == datetime(2031, 3, 8, 23, 59, tzinfo=UTC)
    # 4 hours to unpack and book in.
    assert order.usable_from == datetime(2031, 3, 9, 3, 59, tzinfo=UTC)
    assert desk.coming() == {(reference, "SCREW"): 5}


@pytest.mark.parametrize(
    ("works_on", "cut_off", "holiday", "due"),
    [
        # Five working days after Monday the 3rd: Monday the 10th.
        ("1111100", None, None, date(2031, 3, 10)),
        # A holiday among them: one day on.
        ("1111100", None, date(2031, 3, 5), date(2031, 3, 11)),
        # Sent at 07:00, after the cut-off: it counts for Tuesday the 4th.
        ("1111100", "06:30", None, date(2031, 3, 11)),
    ],
)
def test_the_suppliers_days_the_cut_off_and_holidays_move_the_due_day(
    desk: Desk, works_on: str, cut_off: str | None, holiday: date | None, due: date
) -> None:
    desk.supplier(works_on=works_on, cut_off=cut_off)
    if holiday is not None:
        body = HolidayBody(name="closed")
        desk.work.write(lambda unit: put_holiday(unit, holiday, body))
    reference = desk.draft(("SCREW", 5)).orders[0].reference
    desk.approve(reference)
    sent = desk.send(reference)
    assert sent.due_at is not None
    assert sent.due_at.date() == due


def test_a_line_with_a_shorter_lead_time_is_due_sooner(desk: Desk) -> None:
    reference = desk.draft(("SCREW", 5), ("BOLT", 1)).orders[0].reference
    desk.approve(reference)
    days = {line.ref: line.due_at for line in desk.send(reference).items}
    assert days["BOLT"] == datetime(2031, 3, 5, 23, 59, tzinfo=UTC)
    assert days["SCREW"] == datetime(2031, 3, 8, 23, 59, tzinfo=UTC)


def test_without_a_lead_time_the_due_moment_has_to_be_said(desk: Desk) -> None:
    reference = desk.draft(("CAP", 1)).orders[0].reference
    desk.approve(reference)
    with pytest.raises(BadInput) as error:
        desk.send(reference)
    assert faults(error) == [
        ("/due_at", "no lead time is known for CAP: enter when the order is due")
    ]
    assert desk.send(reference, due_at="2031-03-05T10:00").state == "sent"


def test_an_order_cannot_be_due_in_the_past_nor_a_loan_go_back_before_it_can_be_used(
    desk: Desk,
) -> None:
    reference = desk.draft(("CAP", 1)).orders[0].reference
    desk.approve(reference)
    with pytest.raises(BadInput):
        desk.send(reference, due_at="2031-03-02T10:00")
    loan = desk.draft(("SET", 1), kind="loan", return_by="2031-03-06").orders[0].reference
    desk.approve(loan)
    with pytest.raises(BadInput) as error:
        # Arrives on the 5th, reprocessed until the 7th.
        desk.send(loan, due_at="2031-03-05T10:00")
    assert faults(error)[0][0] == "/return_by"


def heads(work: Work, **filters: Any) -> list[OrderHead]:  # noqa: ANN401 - filters of a list
    return work.read(lambda unit: view.list_orders(unit, limit=50, **filters)).orders


def later(work: Work, **delta: float) -> None:
    work.clock = lambda: NOW + timedelta(**delta)


def test_an_order_is_late_when_its_moment_has_passed_and_units_are_outstanding(desk: Desk) -> None:
    reference = desk.sent(("SCREW", 10))
    assert not heads(desk.work, late=True)
    later(desk.work, days=3)
    assert [one.reference for one in heads(desk.work, late=True)] == [reference]
    assert "late" in desk.get(reference).says
    desk.receive(reference, {"ref": "SCREW", "quantity": 10, "lot": "A1", "use_by": "2033-01-01"})
    assert heads(desk.work, late=True) == []


def test_a_supplier_may_name_another_moment_for_the_order_or_a_line(desk: Desk) -> None:
    reference = desk.sent(("SCREW", 5), ("BOLT", 1))
    moved = desk.due(reference, ref="BOLT", due_at="2031-03-12T10:00")
    days = {line.ref: line.due_at for line in moved.items}
    assert days["BOLT"] == datetime(2031, 3, 12, 10, tzinfo=UTC)
    assert days["SCREW"] == datetime(2031, 3, 5, 10, tzinfo=UTC)
    coming = {row.ref: row.due_at for row in desk.work.read(list_deliveries).deliveries}
    assert coming == days
    whole = desk.due(reference, due_at="2031-03-14T10:00")
    assert {line.due_at for line in whole.items} == {datetime(2031, 3, 14, 10, tzinfo=UTC)}


def test_a_cancelled_order_brings_nothing_and_keeps_its_reason(desk: Desk) -> None:
    reference = desk.sent(("SCREW", 5))
    done = desk.cancel(reference, "ordered twice")
    assert (done.state, done.closed_why, done.closed_by) == (
        "cancelled",
        "ordered twice",
        "storekeeper",
    )
    assert desk.coming() == {}
    with pytest.raises(Conflict):
        desk.cancel(reference)
    with pytest.raises(Conflict):
        desk.receive(reference, {"ref": "SCREW", "lot": "A1", "use_by": "2033-01-01"})


def test_what_has_come_in_part_is_not_cancelled_but_let_go(desk: Desk) -> None:
    reference = desk.sent(("SCREW", 10), ("BOLT", 2))
    desk.receive(reference, {"ref": "SCREW", "quantity": 4, "lot": "A1", "use_by": "2033-01-01"})
    with pytest.raises(Conflict, match="Cancel the remaining"):
        desk.cancel(reference)
    desk.let_go(reference, "SCREW")
    assert desk.coming() == {(reference, "BOLT"): 2}
    done = desk.let_go(reference)
    assert (done.state, done.outstanding) == ("received", 0)
    with pytest.raises(Conflict):
        desk.let_go(reference)


def test_orders_are_listed_by_state_supplier_and_page(desk: Desk) -> None:
    first = desk.sent(("SCREW", 5))
    second = desk.draft(("OTHER", 1)).orders[0].reference
    assert [one.reference for one in heads(desk.work)] == [second, first]
    assert [one.reference for one in heads(desk.work, state="draft")] == [second]
    assert [one.reference for one in heads(desk.work, supplier="Test supply")] == [first]
    page = desk.work.read(lambda unit: view.list_orders(unit, limit=1))
    assert ([one.reference for one in page.orders], page.next_after) == ([second], second)
    rest = desk.work.read(lambda unit: view.list_orders(unit, limit=1, after=second))
    assert ([one.reference for one in rest.orders], rest.next_after) == ([first], None)
    with pytest.raises(NotFound):
        desk.get("PO-9999")


def delivery(**changes: object) -> DeliveryBody:
    body = {
        "reference": "D-1",
        "ref": "SCREW",
        "quantity": 2,
        "due_at": NOW + timedelta(days=1),
        **changes,
    }
    return DeliveryBody.model_validate(body)


def test_a_noted_delivery_is_a_sent_order_and_a_second_line_joins_it(desk: Desk) -> None:
    desk.work.write(partial(add_delivery, body=delivery()))
    later_line = delivery(ref="BOLT", due_at=NOW + timedelta(days=2))
    desk.work.write(partial(add_delivery, body=later_line))
    order = desk.get("D-1")
    assert (order.state, order.kind, order.supplier) == ("sent", "purchase", "Test supply")
    assert {line.ref: line.due_at for line in order.items} == {
        "SCREW": NOW + timedelta(days=1),
        "BOLT": NOW + timedelta(days=2),
    }
    assert desk.coming() == {("D-1", "SCREW"): 2, ("D-1", "BOLT"): 2}


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"ownership": "consigned"}, "/ownership"),
        ({"supplier": "Other supply"}, "/supplier"),
    ],
)
def test_one_order_has_one_owner_and_one_supplier(
    desk: Desk, changes: dict[str, object], field: str
) -> None:
    desk.work.write(partial(add_delivery, body=delivery()))
    with pytest.raises(BadInput) as error:
        desk.work.write(partial(add_delivery, body=delivery(ref="BOLT", **changes)))
    assert faults(error)[0][0] == field
    assert desk.coming() == {("D-1", "SCREW"): 2}


def test_a_delivery_never_joins_an_order_that_is_not_on_its_way(desk: Desk) -> None:
    desk.work.write(partial(add_delivery, body=delivery()))
    desk.cancel("D-1")
    with pytest.raises(BadInput) as error:
        desk.work.write(partial(add_delivery, body=delivery(ref="BOLT")))
    assert faults(error)[0][0] == "/reference"


HEADER = "reference,ref,quantity,ownership,due_at,supplier"


def brought(desk: Desk, *rows: str) -> ImportOut:
    """Bring a file of deliveries."""
    data = "\n".join([HEADER, *rows]).encode()
    return desk.work.write(
        lambda unit: import_file(unit, "deliveries", data, "due.csv", take_good_rows=False)
    )


def test_a_file_of_deliveries_makes_orders_of_their_suppliers_and_changes_them(desk: Desk) -> None:
    first = "D-1,SCREW,5,owned,2031-03-05T10:00,"
    done = brought(desk, first, "D-2,BOLT,2,consigned,2031-03-06T10:00,Another supply")
    assert (done.added, done.changed, done.unchanged) == (2, 0, 0)
    assert (desk.get("D-1").supplier, desk.get("D-2").supplier) == ("Test supply", "Another supply")
    assert desk.get("D-2").kind == "call_off"
    again = brought(desk, first, "D-1,BOLT,1,owned,2031-03-07T10:00,")
    assert (again.added, again.changed, again.unchanged) == (1, 0, 1)
    moved = brought(desk, "D-1,SCREW,6,owned,2031-03-08T10:00,")
    assert moved.changed == 1
    days = {line.ref: (line.quantity, line.due_at) for line in desk.get("D-1").items}
    assert days == {
        "SCREW": (6, datetime(2031, 3, 8, 10, tzinfo=UTC)),
        "BOLT": (1, datetime(2031, 3, 7, 10, tzinfo=UTC)),
    }


def test_a_file_with_two_suppliers_on_one_reference_is_refused(desk: Desk) -> None:
    with pytest.raises(BadInput) as error:
        brought(
            desk,
            "D-1,SCREW,5,owned,2031-03-05T10:00,Test supply",
            "D-1,BOLT,1,owned,2031-03-05T10:00,Another supply",
        )
    assert [pointer for pointer, _ in faults(error)] == ["row 3, column supplier"]
    assert desk.coming() == {}


def test_an_old_file_brings_nothing_back_that_has_been_received(desk: Desk) -> None:
    row = "D-1,SCREW,5,owned,2031-03-05T10:00,"
    brought(desk, row)
    desk.receive("D-1", {"ref": "SCREW", "quantity": 5, "lot": "A1", "use_by": "2033-01-01"})
    assert brought(desk, row).unchanged == 1
    with pytest.raises(BadInput) as error:
        brought(desk, "D-1,SCREW,9,owned,2031-03-05T10:00,")
    assert [pointer for pointer, _ in faults(error)] == ["row 2, column reference"]
    assert desk.coming() == {}
