"""Faults in forms with many rows: each at its own field, and named in the summary."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from service.errors import FieldFault
from web.labels import FIELD_LABELS, field_name, plain

__all__ = ["RowFault", "at_rows", "whole_form", "wrongs"]


@dataclass(frozen=True, slots=True)
class RowFault:
    """What is wrong, and at which field of the page.

    Parameters
    ----------
    field
        The name the form sends; empty when it is about the form as a whole.
    name
        What the field is called, its row included.
    """

    field: str
    name: str
    reason: str


def whole_form(reason: str) -> list[RowFault]:
    """Give a fault that is about no one field."""
    return [RowFault("", "", reason)]


def at_rows(
    faults: Sequence[FieldFault],
    rows: Sequence[str],
    name_of: Callable[[str], str],
    fields: Sequence[str],
) -> list[RowFault]:
    """Put faults of ``/lines/2/lot`` at the field ``lot-<row>`` of the page.

    Parameters
    ----------
    rows
        The page's row of each line that was sent.
    name_of
        What a row is called.
    fields
        What a row of the page asks; a fault elsewhere in it is put at the first of them.
    """
    return [_at_row(fault, rows, name_of, fields) for fault in faults]


def _at_row(
    fault: FieldFault, rows: Sequence[str], name_of: Callable[[str], str], fields: Sequence[str]
) -> RowFault:
    parts = fault.pointer.strip("/").split("/")
    is_row = len(parts) > 1 and parts[0] == "lines" and parts[1].isdigit()
    if not is_row or int(parts[1]) >= len(rows):
        known = parts[-1] if parts[-1] in FIELD_LABELS else ""
        return RowFault(known, field_name(fault.pointer) if fault.pointer else "", fault.reason)
    row = rows[int(parts[1])]
    field = next((part for part in parts[2:] if part in fields), fields[0])
    label = FIELD_LABELS.get(field, plain(field))
    return RowFault(f"{field}-{row}", f"{name_of(row)}, {label}", fault.reason)


def wrongs(faults: Sequence[RowFault]) -> dict[str, str]:
    """Give what is wrong by the name of its field."""
    found: dict[str, str] = {}
    for fault in faults:
        if fault.field:
            found[fault.field] = "; ".join(filter(None, (found.get(fault.field), fault.reason)))
    return found
