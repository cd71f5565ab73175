"""A line of the ledger, as every movement writes it."""

from typing import Any

from service.operations.work import Unit


def ledger_line(
    unit: Unit,
    kind: str,
    lot_id: int | None,
    quantity: int,
    *,
    origin: int | None,
    target: int | None,
    reason: str,
    case_id: int | None = None,
    corrects_seq: int | None = None,
) -> dict[str, Any]:
    """Return the columns of a movement that is made now; ends are keys of locations."""
    return {
        "at": unit.now,
        "kind": kind,
        "lot_id": lot_id,
        "from_location_id": origin,
        "to_location_id": target,
        "quantity": quantity,
        "case_id": case_id,
        "reason": reason,
        "actor": unit.actor,
        "corrects_seq": corrects_seq,
    }
