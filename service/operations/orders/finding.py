"""Finding orders, and naming new ones."""

from service.errors import BadInput, Conflict, FieldFault, NotFound
from service.operations.unit import Unit
from service.operations.versions import require_version
from service.storage.queries import orders
from service.storage.tables import Item, OrderLine, SupplyOrder

__all__ = ["editable", "line_named", "lines", "next_reference", "outstanding", "the_order"]

_BEGINNINGS = {"purchase": "PO", "loan": "LOAN", "call_off": "CALL", "bill_only": "BILL"}


def the_order(unit: Unit, reference: str) -> SupplyOrder:
    """Give an order's row, or say that there is none."""
    order = orders.find_order(unit.session, unit.site_id, reference)
    if order is None:
        raise NotFound(f"There is no order {reference}.")
    return order


def editable(unit: Unit, reference: str, version: int, *states: str) -> SupplyOrder:
    """Give an order that nobody has changed since it was read and that is in one of some states."""
    order = the_order(unit, reference)
    require_version(order.version, version, f"Order {reference}")
    if order.state not in states:
        needed = " or ".join(states)
        raise Conflict(
            f"Order {reference} is {order.state}; this can be done while it is {needed}."
        )
    return order


def lines(unit: Unit, order: SupplyOrder) -> list[tuple[OrderLine, Item]]:
    """Give the lines of an order with their items, by REF."""
    return orders.lines_of(unit.session, [order.id or 0])


def line_named(unit: Unit, order: SupplyOrder, ref: str, pointer: str) -> tuple[OrderLine, Item]:
    """Give the line of an order for a REF, or say where and that it has none."""
    found = next((pair for pair in lines(unit, order) if pair[1].ref == ref), None)
    if found is None:
        reason = f"order {order.reference} has no line for {ref}"
        raise BadInput("Nothing was saved.", faults=[FieldFault(pointer, reason)])
    return found


def outstanding(order: SupplyOrder, line: OrderLine) -> int:
    """Give how many units of a line may still come."""
    if order.kind == "bill_only" or order.state in {"received", "cancelled"}:
        return 0
    return max(line.quantity - line.received - line.let_go, 0)


def next_reference(unit: Unit, kind: str) -> str:
    """Name a new order: kind, year and the number after the largest there is."""
    beginning = f"{_BEGINNINGS[kind]}-{unit.today.year}-"
    known = orders.references_like(unit.session, unit.site_id, beginning)
    numbers = [int(rest) for name in known if (rest := name.removeprefix(beginning)).isdecimal()]
    return f"{beginning}{max(numbers, default=0) + 1:04d}"
