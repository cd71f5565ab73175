"""Who counts on what has just been booked in."""

from datetime import date

from service.operations.cover.served import cases_served
from service.operations.orders import draft, progress, receive
from service.operations.orders.view import get_order
from service.operations.work import Work
from service.schemas.orders import DraftBody, ReceiptBody, SendBody

#: planted.csv: only HAR-0720 of the Thursday is planned with this nail, and none is in stock.
NAIL, CASE, DAY = "AMB-N-130-12-400-R", "HAR-0720", date(2031, 3, 6)


def _book_in(work: Work, ref: str) -> str:
    wanted = DraftBody.model_validate({"lines": [{"ref": ref, "quantity": 1}]})
    (order,) = work.write(lambda unit: draft.draft_orders(unit, wanted)).orders
    name = order.reference
    approved = work.write(lambda unit: progress.approve_order(unit, name, order.version))
    work.write(lambda unit: progress.send_order(unit, name, SendBody(), approved.version))
    shelf = {"store": "Central store", "shelf": "A-02-4"}
    line = {"ref": ref, "lot": "N77", "use_by": "2033-03-01", "to": shelf}
    came = ReceiptBody.model_validate({"lines": [line]})
    work.write(lambda unit: receive.receive_order(unit, name, came))
    return name


def test_the_case_that_lacked_it_is_named_with_its_state(demo_work: Work) -> None:
    name = _book_in(demo_work, NAIL)
    served = demo_work.read(lambda unit: cases_served(unit, get_order(unit, name).receipts))
    assert (CASE, DAY, "covered") in [(one.case, one.list_date, one.state) for one in served]
    assert [one.list_date for one in served] == sorted(one.list_date for one in served)


def test_nothing_booked_in_serves_nobody(demo_work: Work) -> None:
    assert demo_work.read(lambda unit: cases_served(unit, [])) == []
