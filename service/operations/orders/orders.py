"""Finding orders, and naming new ones."""

from service.errors import BadInput, Conflict, FieldFault, NotFound
from service.operations.orders.states import STATES_FOR, OrderAct, order_allows
from service.operations.work import Unit, require_version
from service.storage.queries import orders
from service.storage.tables import Item, OrderLine, SupplyOrder

_BEGINNINGS = {"purchase": "PO", "loan": "LOAN", "call_off": "CALL", "bill_only": "BILL"}


def require_order(unit: Unit, reference: str) -> SupplyOrder:
    """Return an order's row, or say that there is none."""
    order = orders.find_order(unit.session, unit.site_id, reference)
    if order is None:
        raise NotFound(f"Order {reference} was not found.")
    return order


def require_editable(unit: Unit, reference: str, version: int, act: OrderAct) -> SupplyOrder:
    """Return an order unchanged since it was read, in one of the states that allow the act."""
    order = require_order(unit, reference)
    require_version(order.version, version, f"Order {reference}")
    if not order_allows(order.state, act):
        needed = " or ".join(STATES_FOR[act])
        raise Conflict(
            f"Order {reference} is {order.state}. This is possible only while it is {needed}."
        )
    return order


def order_lines(unit: Unit, order: SupplyOrder) -> list[tuple[OrderLine, Item]]:
    """Return the lines of an order with their items, by REF."""
    return orders.lines_of(unit.session, [order.id or 0])


def require_line(unit: Unit, order: SupplyOrder, ref: str, pointer: str) -> tuple[OrderLine, Item]:
    """Return the line of an order for a REF, or say where and that it has none."""
    found = next((pair for pair in order_lines(unit, order) if pair[1].ref == ref), None)
    if found is None:
        reason = f"order {order.reference} has no line for {ref}"
        raise BadInput("Nothing was saved.", faults=[FieldFault(pointer, reason)])
    return found


def outstanding_units(order: SupplyOrder, line: OrderLine) -> int:
    """Return how many units of a line may still come."""
    if order.kind == "bill_only" or not order_allows(order.state, "cancel"):
        return 0
    return max(line.quantity - line.received - line.let_go, 0)


def next_order_reference(unit: Unit, kind: str) -> str:
    """Name a new order: kind, year and the number after the largest there is."""
    beginning = f"{_BEGINNINGS[kind]}-{unit.today.year}-"
    known = orders.references_like(unit.session, unit.site_id, beginning)
    numbers = [int(rest) for name in known if (rest := name.removeprefix(beginning)).isdecimal()]
    return f"{beginning}{max(numbers, default=0) + 1:04d}"
