"""The lines of an order as fields of a form, and back."""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from service.exchange.money import CURRENCIES, minor_units, price, written
from service.exchange.row_checks import Problem
from service.operations.schemas.orders_out import OrderLineOut, OrderOut
from web.row_faults import RowFault

__all__ = ["NEW", "LineFields", "edit_of", "line_fields"]

#: The row for a line that is not there yet.
NEW = "new"


@dataclass(frozen=True, slots=True)
class LineFields:
    """One line: its row in the form, and what stands in the fields."""

    row: str
    line: OrderLineOut
    typed: dict[str, str]
    is_off: bool


def line_fields(order: OrderOut, typed: Mapping[str, str]) -> list[LineFields]:
    """Give the lines of an order with what was typed, or else with what they are."""
    found = []
    for place, line in enumerate(order.items):
        row = str(place)
        if typed:
            # Somebody else may have added a line meanwhile.
            row = next(
                (key for key in _rows(typed) if key != NEW and typed[f"ref-{key}"] == line.ref), row
            )
        amount = ""
        if line.unit_price_minor is not None and order.currency is not None:
            amount = written(line.unit_price_minor, order.currency)
        fields = {f"quantity-{row}": str(line.wanted), f"price-{row}": amount}
        fields |= {name: typed[name] for name in fields if name in typed}
        found.append(LineFields(row, line, fields, typed.get(f"off-{row}") == "yes"))
    return found


def _rows(typed: Mapping[str, str]) -> list[str]:
    return [name.removeprefix("ref-") for name in typed if name.startswith("ref-")]


def edit_of(typed: Mapping[str, str]) -> tuple[dict[str, Any], list[str], list[RowFault]]:
    """Read the form of a draft.

    Returns
    -------
    tuple
        The edit as it is sent on, the form's row of each of its lines, and what cannot be read.
    """
    currency = typed.get("currency", "").strip().upper()
    body: dict[str, Any] = {"lines": []}
    for name in ("note", "wanted_for", "return_by"):
        if typed.get(name, "").strip():
            body[name] = typed[name]
    if currency:
        body["currency"] = currency
    rows, faults = [], []
    for row in _rows(typed):
        ref = typed[f"ref-{row}"].strip()
        if typed.get(f"off-{row}") == "yes" or (row == NEW and not ref):
            continue
        line: dict[str, Any] = {"ref": ref, "quantity": typed.get(f"quantity-{row}", "").strip()}
        if f"price-{row}" in typed:
            amount, fault = _amount(typed[f"price-{row}"].strip(), currency)
            line["unit_price_minor"] = amount
            if fault:
                faults.append(RowFault(f"price-{row}", f"{ref}, Price", fault))
        rows.append(row)
        body["lines"].append(line)
    return body, rows, faults


def _amount(text: str, currency: str) -> tuple[int | None, str]:
    """Read a price; an empty one is unknown."""
    if not text:
        return None, ""
    if currency not in CURRENCIES:
        return None, "a price has a currency: say the order's"
    amount = price(text)
    if not isinstance(amount, Decimal):
        return None, amount.reason if isinstance(amount, Problem) else str(amount)
    minor = minor_units(amount, currency)
    return (minor, "") if isinstance(minor, int) else (None, minor.reason)
