"""What is known before something is received: what its label says, and where it usually lies."""

from dataclasses import dataclass
from datetime import date

from service.exchange.scan import Scan
from service.operations.codes import code_of, read_code
from service.operations.orders.finding import lines, the_order
from service.operations.schemas.stock import LocationBody
from service.operations.stock import item_key, list_stock
from service.operations.unit import Unit
from service.storage.queries import codes, orders
from service.storage.tables import Item, SupplyOrder

__all__ = ["Label", "read_label", "usual_places"]

_MOST = 100


@dataclass(frozen=True, slots=True)
class Label:
    """What a label says about something that has come for an order.

    Parameters
    ----------
    refused
        Why it cannot be received with this order, in a sentence; empty when it can.
    waits
        Whether its other code has to be scanned, too.
    """

    ref: str = ""
    lot: str = ""
    serial: str = ""
    use_by: date | None = None
    refused: str = ""
    waits: bool = False


def read_label(unit: Unit, reference: str, raw: str, second: str) -> Label:
    """Read the code of a pack that has come; nothing is saved.

    Parameters
    ----------
    raw
        As it was scanned, or typed.
    second
        The code of the same label that was read before and did not say everything; empty for none.
    """
    order = the_order(unit, reference)
    scan = read_code(unit, raw, second or None)
    if scan.needs_primary:
        return Label(waits=True)
    code = code_of(scan)
    if code is None:
        return Label(refused=scan.problem or "This code names no item.")
    item = codes.item_of_code(unit.session, code)
    if item is None:
        return Label(
            refused=f"No item has code {code}. Type its REF, lot and use by in a line below."
        )
    return Label(
        item.ref,
        scan.lot or "",
        scan.serial or "",
        scan.use_by,
        _refusal(unit, order, item, scan),
    )


def _refusal(unit: Unit, order: SupplyOrder, item: Item, scan: Scan) -> str:
    if all(ordered.id != item.id for _, ordered in lines(unit, order)):
        others = orders.expecting(unit.session, unit.site_id, item_key(item))
        where = f"order {' and '.join(others)} expects it" if others else "no order expects it"
        return f"{item.ref} is not on order {order.reference}; {where}. Put it aside."
    if scan.use_by is not None and scan.use_by < unit.today:
        return f"Expired on {scan.use_by}: an expired pack is never received. Put it aside."
    return ""


def usual_places(unit: Unit, refs: list[str]) -> dict[str, LocationBody]:
    """Give by REF the shelf where most of its units lie now; nothing for what is nowhere."""
    found = {}
    for ref in refs:
        stock = list_stock(unit, ref=ref, limit=_MOST).stock
        most = max(
            (one for one in stock if one.location_kind == "shelf"),
            key=lambda one: (one.quantity, one.store, one.shelf),
            default=None,
        )
        if most is not None:
            found[ref] = LocationBody(store=most.store, shelf=most.shelf)
    return found
