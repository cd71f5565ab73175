"""What came for an order as rows of a form, and back."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from service.operations.orders.arriving import Label
from service.operations.schemas.orders_out import OrderOut
from service.operations.schemas.stock import LocationBody, LocationOut

__all__ = ["FIELDS", "Row", "body_of", "place_words", "rows_of", "start_rows", "with_label"]

#: What a row asks, as the form names it.
FIELDS = (
    "ref",
    "raw",
    "second",
    "lot",
    "serial",
    "use_by",
    "quantity",
    "to",
    "surplus",
    "although",
)
_SAID = ("raw", "lot", "serial", "use_by", "surplus", "although")
_MOST_ROWS = 200


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a receipt as it stands in the form.

    Parameters
    ----------
    expected
        How many stood in the field at first: a row with another number has been touched.
    """

    ref: str
    raw: str = ""
    second: str = ""
    lot: str = ""
    serial: str = ""
    use_by: str = ""
    quantity: str = ""
    to: str = ""
    surplus: str = ""
    although: str = ""
    expected: str = ""

    @property
    def is_touched(self) -> bool:
        """Whether somebody said anything about it."""
        return any(getattr(self, name) for name in _SAID) or self.quantity != self.expected


def place_words(place: LocationBody | LocationOut | None) -> str:
    """Write a shelf as it is typed."""
    return "" if place is None else f"{place.store}, {place.shelf}"


def start_rows(order: OrderOut, usual: Mapping[str, LocationBody]) -> list[Row]:
    """Give a row for each line of which something is still to come."""
    return [
        Row(
            line.ref,
            quantity=str(line.outstanding),
            expected=str(line.outstanding),
            to=place_words(usual.get(line.ref)),
        )
        for line in order.items
        if line.outstanding
    ]


def rows_of(values: Mapping[str, str]) -> list[Row]:
    """Read the rows a form carries."""
    found: list[Row] = []
    while f"ref-{len(found)}" in values and len(found) < _MOST_ROWS:
        place = len(found)
        texts = {name: values.get(f"{name}-{place}", "").strip() for name in FIELDS}
        # Separators and blanks are part of a scanned code.
        texts |= {name: values.get(f"{name}-{place}", "") for name in ("raw", "second")}
        found.append(Row(**texts, expected=values.get(f"expected-{place}", "")))
    return found


def with_label(rows: Sequence[Row], label: Label, raw: str, second: str) -> tuple[list[Row], int]:
    """Put what a label says into the rows, and say into which.

    The same lot again is one unit more; a serial is one unit; else the first row of the item that
    nobody has touched is filled, or a row added. The number of units is then one: each is scanned.
    """
    use_by = "" if label.use_by is None else str(label.use_by)
    said = {"raw": raw, "second": second, "lot": label.lot, "serial": label.serial}
    same = [
        place
        for place, row in enumerate(rows)
        if (row.ref, row.lot, row.serial) == (label.ref, label.lot, label.serial) and label.lot
    ]
    if same and not label.serial and rows[same[0]].quantity.isdigit():
        place = same[0]
        more = replace(rows[place], quantity=str(int(rows[place].quantity) + 1))
        return [*rows[:place], more, *rows[place + 1 :]], place
    free = [i for i, row in enumerate(rows) if row.ref == label.ref and not row.is_touched]
    place = free[0] if free else len(rows)
    shelf = next((row.to for row in rows if row.ref == label.ref and row.to), "")
    old = rows[place] if free else Row(label.ref, to=shelf)
    filled = replace(old, **said, use_by=use_by, quantity="1", expected="")
    return [*rows[:place], filled, *rows[place + 1 :]], place


def body_of(
    rows: Sequence[Row], places: Sequence[LocationOut]
) -> tuple[list[dict[str, Any]], list[str]]:
    """Give the lines of a receipt, and the row of each; rows nobody has touched are left out."""
    lines, numbers = [], []
    for place, row in enumerate(rows):
        if not row.is_touched:
            continue
        line: dict[str, Any] = {"ref": row.ref, "quantity": row.quantity}
        line |= {
            name: getattr(row, name)
            for name in ("raw", "second", "lot", "serial", "use_by", "although")
            if getattr(row, name)
        }
        line["to"] = _place(row.to, places)
        line["take_surplus"] = row.surplus == "yes"
        lines.append(line)
        numbers.append(str(place))
    return lines, numbers


def _place(text: str, places: Sequence[LocationOut]) -> dict[str, str]:
    """Read a shelf: as it is offered, or by its own name when only one shelf has it."""
    named = [one for one in places if text.lower() in {place_words(one).lower(), one.shelf.lower()}]
    if len(named) == 1:
        return {"store": named[0].store, "shelf": named[0].shelf, "kind": named[0].kind}
    store, _, shelf = text.rpartition(", ")
    return {"store": store, "shelf": shelf}
