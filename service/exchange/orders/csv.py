"""An order as a CSV file that is safe to open in a spreadsheet."""

import csv
import io
from collections.abc import Iterator

from service.exchange.orders.paper import OrderPaper, PaperLine
from service.exchange.sheets.money import amount_text

HEADER = (
    "order",
    "kind",
    "issued",
    "supplier",
    "line",
    "ref",
    "gtin",
    "description",
    "quantity",
    "packs",
    "pack_quantity",
    "unit_price",
    "currency",
    "line_total",
    "due",
    "return_by",
    "lot",
    "serial",
    "case",
)


#: A spreadsheet takes a cell that begins so for a formula. Source: OWASP, CSV Injection, and ASVS
#: 5.0, 1.2.10, which adds the null character.
_STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\0")


def guard_formula(text: str) -> str:
    """Put an apostrophe before a cell that a spreadsheet would take for a formula.

    A cell that begins with an apostrophe gets one more, so that nothing is lost: without its
    first apostrophe a cell that has one is exactly what was guarded.

    Examples
    --------
    >>> guard_formula("=1+1"), guard_formula("AMB-L-090"), guard_formula("'95")
    ("'=1+1", 'AMB-L-090', "''95")
    """
    return f"'{text}" if text.startswith((*_STARTS_A_FORMULA, "'")) else text


def order_csv(paper: OrderPaper) -> bytes:
    """Write an order: UTF-8 with its mark, comma, CRLF, quotes where needed (RFC 4180).

    One row a line; a bill-only line has one row for each use, with lot and case. A price that is
    not known is an empty cell.
    """
    file = io.StringIO(newline="")
    writer = csv.writer(file)
    writer.writerow(HEADER)
    for number, line in enumerate(paper.lines, start=1):
        for row in _rows(paper, number, line):
            writer.writerow([guard_formula(cell) for cell in row])
    # The mark tells spreadsheets that this is UTF-8.
    return file.getvalue().encode("utf-8-sig")


def _rows(paper: OrderPaper, number: int, line: PaperLine) -> Iterator[list[str]]:
    parts = [(use.quantity, use.lot, use.serial, use.case) for use in line.uses]
    for quantity, lot, serial, case in parts or [(line.quantity, "", "", "")]:
        packs = "" if line.uses else str(-(-quantity // line.pack_quantity))
        yield [
            paper.reference,
            paper.kind,
            str(paper.issued or ""),
            paper.seller.name,
            str(number),
            line.ref,
            line.gtin or "",
            line.description,
            str(quantity),
            packs,
            str(line.pack_quantity),
            _amount(paper, line, 1),
            paper.currency or "",
            _amount(paper, line, quantity),
            str(line.due or ""),
            str(paper.return_by or ""),
            lot,
            serial,
            case,
        ]


def _amount(paper: OrderPaper, line: PaperLine, quantity: int) -> str:
    if line.unit_price_minor is None or paper.currency is None:
        return ""
    return amount_text(line.unit_price_minor * quantity, paper.currency)
