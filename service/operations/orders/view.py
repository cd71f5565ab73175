"""Orders as they are shown: state in words, totals, what is late, what came and went."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from service.core.catalogue import describe_size
from service.exchange.sheets.money import amount_text
from service.operations.catalogue import facts_of
from service.operations.orders.orders import order_lines, outstanding_units, require_order
from service.operations.orders.states import order_allows
from service.operations.work import Unit
from service.schemas.orders import (
    LoanLot,
    LoanUse,
    OrderHead,
    OrderLineOut,
    OrderOut,
    OrderPage,
    ReceiptOut,
    ReturnOut,
    UseOut,
)
from service.storage.queries import orders, suppliers
from service.storage.tables import Item, OrderLine, SupplyOrder

Pairs = Sequence[tuple[OrderLine, Item]]


def get_order(unit: Unit, reference: str) -> OrderOut:
    """Return one order with everything that has come of it."""
    return order_out(unit, require_order(unit, reference))


def list_orders(
    unit: Unit,
    *,
    state: str | None = None,
    kind: str | None = None,
    supplier: str | None = None,
    late: bool | None = None,
    after: str = "",
    limit: int,
) -> OrderPage:
    """Return orders, the newest first, some at a time.

    Parameters
    ----------
    late
        Only those with units that should have come, or only the others.
    after
        The reference of the last order of the page before.
    """
    found = orders.orders_of(
        unit.session,
        unit.site_id,
        states=[state] if state else [],
        kinds=[kind] if kind else [],
        supplier=supplier,
        before=require_order(unit, after).id if after else None,
        limit=limit + 1 if late is None else None,
    )
    by_order: dict[int, list[tuple[OrderLine, Item]]] = {}
    for line, item in orders.lines_of(unit.session, [order.id or 0 for order in found]):
        by_order.setdefault(line.order_id, []).append((line, item))
    heads = [
        OrderHead.model_validate(_head(unit, one, by_order.get(one.id or 0, []))) for one in found
    ]
    if late is not None:
        heads = [head for head in heads if head.is_late == late]
    more = heads[limit - 1].reference if len(heads) > limit else None
    return OrderPage(orders=heads[:limit], next_after=more)


def order_out(unit: Unit, order: SupplyOrder) -> OrderOut:
    """Return an order with its lines, what came, what went back, and what it pays for."""
    pairs = order_lines(unit, order)
    key = order.id or 0
    loan = loan_lots(unit, order) if order.kind == "loan" else []
    return OrderOut.model_validate(
        {
            **_head(unit, order, pairs),
            "items": [_line(unit, order, line, item) for line, item in pairs],
            "receipts": [
                ReceiptOut.model_validate({**_named(unit, row), "movement_seq": row.movement_seq})
                for row in orders.receipts_of(unit.session, key)
            ],
            "returns": [
                ReturnOut.model_validate(_named(unit, row))
                for row in orders.returns_of(unit.session, key)
            ],
            "uses": [use_out(unit, row) for row in orders.billed_on(unit.session, key)],
            "loan": loan,
            "loan_says": loan_words(unit, order, loan),
        }
    )


def use_out(unit: Unit, row: Any) -> UseOut:  # noqa: ANN401 - a row of a query
    """Return a use of consigned units."""
    facts = {**_named(unit, row), "movement_seq": row.seq, "case": row.case_reference}
    return UseOut.model_validate(facts)


def _named(unit: Unit, row: Any) -> dict[str, Any]:  # noqa: ANN401 - a row of a query
    return {**row._asdict(), "lot": row.lot_number, "at": unit.local(row.at)}


def _local(unit: Unit, moment: datetime | None) -> datetime | None:
    return None if moment is None else unit.local(moment)


def _is_late(unit: Unit, order: SupplyOrder, line: OrderLine) -> bool:
    due_at = line.due_at or order.due_at
    is_coming = order_allows(order.state, "receive") and outstanding_units(order, line) > 0
    return is_coming and due_at is not None and due_at < unit.now


def _head(unit: Unit, order: SupplyOrder, pairs: Pairs) -> dict[str, Any]:
    is_late = any(_is_late(unit, order, line) for line, _ in pairs)
    left = sum(outstanding_units(order, line) for line, _ in pairs)
    some = order_allows(order.state, "receive") and any(line.received for line, _ in pairs)
    total, unpriced = _total(pairs)
    moments = ("due_at", "usable_from", "made_at", "approved_at", "sent_at", "closed_at")
    return {
        **order.model_dump(exclude={"id", "site_id"}),
        **{name: _local(unit, getattr(order, name)) for name in moments},
        "is_late": is_late,
        "is_partly_received": some,
        "says": _says(order, is_late=is_late, some=some, left=left),
        "lines": len(pairs),
        "outstanding": left,
        "total_minor": total,
        "lines_without_price": unpriced,
        "total_says": _total_says(order, total, unpriced),
        "minimum_says": _minimum_says(unit, order, total, unpriced),
    }


def _says(order: SupplyOrder, *, is_late: bool, some: bool, left: int) -> str:
    if order.state == "draft":
        return f"draft by {order.made_by}"
    if order.state == "approved":
        own = ", who also drafted it" if order.approved_by == order.made_by else ""
        return f"approved by {order.approved_by}{own}; not sent yet"
    if not order_allows(order.state, "cancel"):
        return f"{order.state}: {order.closed_why}"
    if order.kind == "bill_only":
        return "sent; bill-only, nothing is delivered"
    words = [f"partly received, {left} outstanding" if some else f"sent, {left} outstanding"]
    return "; ".join([*words, "late"] if is_late else words)


def _total(pairs: Pairs) -> tuple[int, int]:
    prices = [(line.unit_price_minor, line.quantity) for line, _ in pairs]
    total = sum(price * quantity for price, quantity in prices if price is not None)
    return total, sum(price is None for price, _ in prices)


def _total_says(order: SupplyOrder, total: int, unpriced: int) -> str:
    lines_say = f"{unpriced} line{'' if unpriced == 1 else 's'} without price"
    if order.currency is None or order.kind in {"loan", "call_off"}:
        return lines_say if unpriced else "nothing to pay"
    said = f"{amount_text(total, order.currency)} {order.currency}"
    return f"{said} plus {lines_say}" if unpriced else said


def _minimum_says(unit: Unit, order: SupplyOrder, total: int, unpriced: int) -> str:
    """Compare with the supplier's least order value; empty when there is nothing to say."""
    known = suppliers.find_supplier(unit.session, order.supplier)
    if known is None or not known.minimum_order_minor or order.kind != "purchase":
        return ""
    least = f"{amount_text(known.minimum_order_minor, known.currency)} {known.currency}"
    if order.currency is not None and known.currency != order.currency:
        return f"{order.supplier} has a minimum order of {least}; this order is in {order.currency}"
    if total >= known.minimum_order_minor:
        return ""
    if unpriced:
        return (
            f"{order.supplier} has a minimum order of {least}; with {unpriced} prices unknown "
            "nobody can tell whether this one reaches it"
        )
    return f"below the minimum order of {order.supplier}: {least}"


def _line(unit: Unit, order: SupplyOrder, line: OrderLine, item: Item) -> OrderLineOut:
    pack = item.pack_quantity
    packs = -(-line.quantity // pack)
    rounded = ""
    if line.quantity != line.wanted:
        noun = "pack" if packs == 1 else "packs"
        rounded = f"{line.wanted} needed, {line.quantity} ordered: {packs} {noun} of {pack}"
    price = line.unit_price_minor
    return OrderLineOut(
        ref=item.ref,
        description=item.description,
        size=describe_size(facts_of(item)),
        gtin=item.gtin,
        wanted=line.wanted,
        quantity=line.quantity,
        pack_quantity=pack,
        packs=packs,
        rounded_says=rounded,
        received=line.received,
        let_go=line.let_go,
        outstanding=outstanding_units(order, line),
        surplus=max(line.received + line.let_go - line.quantity, 0),
        unit_price_minor=price,
        line_total_minor=None if price is None else price * line.quantity,
        due_at=_local(unit, line.due_at or order.due_at),
        usable_from=_local(unit, line.usable_from or order.usable_from),
        is_late=_is_late(unit, order, line),
        why=line.why,
    )


@dataclass(slots=True)
class LoanLine:
    """Units of one lot that came with one loan.

    Parameters
    ----------
    since
        The ledger's line of the first of them.
    gone
        How many went back or were missing.
    uses
        What was used of them: case, units and fate.
    """

    order_id: int
    line_id: int
    since: int
    received: int = 0
    gone: int = 0
    uses: list[tuple[str, int, str]] = field(default_factory=list)

    @property
    def left(self) -> int:
        """Units that neither went nor were used."""
        return self.received - self.gone - sum(quantity for _, quantity, _ in self.uses)


def share_uses(lines: Sequence[LoanLine], uses: Sequence[tuple[int, str, int, str]]) -> None:
    """Count each use of a lot to the oldest loan that had units of it then.

    Parameters
    ----------
    lines
        The loans of one lot, the oldest first.
    uses
        Ledger line, case, units and fate, the oldest first.
    """
    for seq, case, quantity, fate in uses:
        rest = quantity
        for line in lines:
            taken = min(rest, line.left) if line.since < seq else 0
            if taken > 0:
                line.uses.append((case, taken, fate))
                rest -= taken


def loan_books(unit: Unit, lot_ids: Sequence[int]) -> Mapping[int, list[LoanLine]]:
    """Return the loans of lots with what was used of each, by lot, the oldest first."""
    found: dict[int, dict[int, LoanLine]] = {lot_id: {} for lot_id in lot_ids}
    for row in orders.receipts_of_lots(unit.session, lot_ids):
        line = found[row.lot_id].setdefault(
            row.line_id, LoanLine(row.order_id, row.line_id, row.seq)
        )
        line.received += row.quantity
    for row in orders.gone_of_lots(unit.session, lot_ids):
        if row.line_id in found[row.lot_id]:
            found[row.lot_id][row.line_id].gone += row.gone
    used: dict[int, list[tuple[int, str, int, str]]] = {lot_id: [] for lot_id in lot_ids}
    for row in orders.uses_of_lots(unit.session, lot_ids):
        fate = "implanted" if row.kind == "implant" else "wasted"
        used[row.lot_id].append((row.seq, row.case_reference, row.quantity, fate))
    for lot_id, lines in found.items():
        share_uses(list(lines.values()), used[lot_id])
    return {lot_id: list(lines.values()) for lot_id, lines in found.items()}


def loan_lots(unit: Unit, order: SupplyOrder) -> list[LoanLot]:
    """Say of each lot of a loan what became of its units."""
    rows = orders.lots_of_loan(unit.session, order.id or 0)
    ids = [row.lot_id for row in rows]
    books = loan_books(unit, ids)
    back = {(row.line_id, row.lot_id): row for row in orders.gone_of_lots(unit.session, ids)}
    places: dict[int, list[str]] = {}
    here: dict[int, int] = {}
    for row in orders.lot_places(unit.session, ids):
        places.setdefault(row.lot_id, []).append(f"{row.store}, {row.shelf}: {row.quantity}")
        here[row.lot_id] = here.get(row.lot_id, 0) + row.quantity
    found = []
    for row in rows:
        line = next(one for one in books[row.lot_id] if one.line_id == row.line_id)
        gone = back.get((row.line_id, row.lot_id))
        # Units of the lot that other loans still have are theirs.
        others = sum(one.left for one in books[row.lot_id] if one is not line)
        still_here = max(min(here.get(row.lot_id, 0) - others, line.left), 0)
        found.append(
            LoanLot(
                ref=row.ref,
                lot=row.lot_number,
                serial=row.serial,
                received=line.received,
                returned=0 if gone is None else gone.returned,
                missing=0 if gone is None else gone.missing,
                used=[
                    LoanUse.model_validate({"case": case, "quantity": quantity, "fate": fate})
                    for case, quantity, fate in line.uses
                ],
                still_here=still_here,
                unexplained=line.left - still_here,
                sterility=row.sterility,
                places=places.get(row.lot_id, []) if still_here else [],
            )
        )
    return found


def loan_words(unit: Unit, order: SupplyOrder, lots: Sequence[LoanLot]) -> str:
    """Say in words how a loan stands; empty for what is no loan or has not come."""
    if order.kind != "loan" or not lots:
        return ""
    here = sum(lot.still_here for lot in lots)
    missing = sum(lot.missing for lot in lots)
    lost = sum(lot.unexplained for lot in lots)
    words = []
    if here:
        is_over = order.return_by is not None and order.return_by < unit.today
        words.append(
            f"{here} still at this site, {'was' if is_over else 'is'} due back by {order.return_by}"
        )
        words += ["OVERDUE"] if is_over else []
        unsterile = sum(lot.still_here for lot in lots if lot.sterility != "sterile")
        words += [f"{unsterile} not sterile: reprocess before use"] if unsterile else []
    used = sum(use.quantity for lot in lots for use in lot.used)
    words += [f"{used} used"] if used else []
    words += [f"{missing} missing on return"] if missing else []
    words += [f"{lost} not accounted for: check the ledger"] if lost else []
    return "; ".join(words) or "everything returned"
