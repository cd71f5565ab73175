"""What became of each unit of a loan: here, back, missing or used."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from service.operations.schemas.orders_out import LoanLot, LoanUse
from service.operations.unit import Unit
from service.storage.queries import loans
from service.storage.tables import SupplyOrder

__all__ = ["LoanLine", "loan_lots", "loan_says", "share_uses"]


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


def books_of(unit: Unit, lot_ids: Sequence[int]) -> Mapping[int, list[LoanLine]]:
    """Give the loans of lots with what was used of each, by lot, the oldest first."""
    found: dict[int, dict[int, LoanLine]] = {lot_id: {} for lot_id in lot_ids}
    for row in loans.receipts_of_lots(unit.session, lot_ids):
        line = found[row.lot_id].setdefault(
            row.line_id, LoanLine(row.order_id, row.line_id, row.seq)
        )
        line.received += row.quantity
    for row in loans.gone_of_lots(unit.session, lot_ids):
        if row.line_id in found[row.lot_id]:
            found[row.lot_id][row.line_id].gone += row.gone
    used: dict[int, list[tuple[int, str, int, str]]] = {lot_id: [] for lot_id in lot_ids}
    for row in loans.uses_of_lots(unit.session, lot_ids):
        fate = "implanted" if row.kind == "implant" else "wasted"
        used[row.lot_id].append((row.seq, row.case_reference, row.quantity, fate))
    for lot_id, lines in found.items():
        share_uses(list(lines.values()), used[lot_id])
    return {lot_id: list(lines.values()) for lot_id, lines in found.items()}


def loan_lots(unit: Unit, order: SupplyOrder) -> list[LoanLot]:
    """Say of each lot of a loan what became of its units."""
    rows = loans.lots_of_loan(unit.session, order.id or 0)
    ids = [row.lot_id for row in rows]
    books = books_of(unit, ids)
    back = {(row.line_id, row.lot_id): row for row in loans.gone_of_lots(unit.session, ids)}
    places: dict[int, list[str]] = {}
    here: dict[int, int] = {}
    for row in loans.lot_places(unit.session, ids):
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


def loan_says(unit: Unit, order: SupplyOrder, lots: Sequence[LoanLot]) -> str:
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
            f"{here} still here, {'was' if is_over else 'is'} to go back by {order.return_by}"
        )
        words += ["OVERDUE"] if is_over else []
        unsterile = sum(lot.still_here for lot in lots if lot.sterility != "sterile")
        words += [f"{unsterile} not sterile: have them reprocessed before use"] if unsterile else []
    used = sum(use.quantity for lot in lots for use in lot.used)
    words += [f"{used} used"] if used else []
    words += [f"{missing} missing on return"] if missing else []
    words += [f"{lost} neither here nor told of: look in the ledger"] if lost else []
    return "; ".join(words) or "all of it went back"
