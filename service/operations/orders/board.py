"""Orders as the storekeeper looks at them: late, due, to be decided, and drafted already."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

from service.operations.orders.loans import list_loans
from service.operations.orders.orders import order_lines
from service.operations.orders.states import STATES_FOR
from service.operations.orders.view import list_orders
from service.operations.work import Unit
from service.schemas.orders import OrderHead, OrderOut
from service.storage.queries import orders

_MOST = 500


_WEEK_DAYS = 7


@dataclass(frozen=True, slots=True)
class OrderBoard:
    """Open orders of a site, each in one place only; what is not known to come stands first.

    Parameters
    ----------
    late
        Sent, and something of them should have come.
    due
        Sent, and due within a week, the soonest first.
    later
        Sent, and due after that.
    to_pay
        Sent orders that bring nothing: they pay for consigned units that were used.
    drafts, approved
        Not sent yet.
    loans
        Loans with units here, those to go back first at the top.
    has_more
        Whether there are more open orders than are looked at.
    """

    late: list[OrderHead]
    due: list[OrderHead]
    later: list[OrderHead]
    to_pay: list[OrderHead]
    drafts: list[OrderHead]
    approved: list[OrderHead]
    loans: list[OrderOut]
    has_more: bool


@dataclass(frozen=True, slots=True)
class UnsentUnits:
    """Units that are on an order nobody has sent yet."""

    reference: str
    kind: str
    state: str
    quantity: int


def order_board(unit: Unit) -> OrderBoard:
    """Return the open orders of a site by what is to be done about them."""
    pages = {state: list_orders(unit, state=state, limit=_MOST) for state in STATES_FOR["cancel"]}
    sent = sorted(pages["sent"].orders, key=lambda one: (one.due_at or unit.now, one.reference))
    coming = [one for one in sent if one.kind != "bill_only"]
    late = [one for one in coming if one.is_late]
    rest = [one for one in coming if not one.is_late]
    until = unit.today + timedelta(days=_WEEK_DAYS)
    due = [one for one in rest if one.due_at is None or one.due_at.date() <= until]
    return OrderBoard(
        late=late,
        due=due,
        later=[one for one in rest if one not in due],
        to_pay=[one for one in sent if one.kind == "bill_only"],
        drafts=pages["draft"].orders,
        approved=pages["approved"].orders,
        loans=list_loans(unit).loans,
        has_more=any(page.next_after is not None for page in pages.values()),
    )


def unsent_units(unit: Unit) -> dict[str, Sequence[UnsentUnits]]:
    """Return by REF what stands on orders that are not sent yet, so that nobody asks twice."""
    found: dict[str, list[UnsentUnits]] = {}
    for order in orders.orders_of(unit.session, unit.site_id, states=STATES_FOR["change"]):
        if order.kind == "bill_only":
            continue
        for line, item in order_lines(unit, order):
            asked = UnsentUnits(order.reference, order.kind, order.state, line.quantity)
            found.setdefault(item.ref, []).append(asked)
    return dict(found)
