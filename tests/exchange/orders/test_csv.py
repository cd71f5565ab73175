"""An order as CSV: what is in it, that a spreadsheet computes nothing, and that nothing is lost.

Which beginnings a spreadsheet takes for a formula: OWASP, CSV Injection, and ASVS 5.0, 1.2.10. How
cells are quoted: RFC 4180.
"""

import csv
import io
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.exchange.orders.csv import HEADER, guard_formula, order_csv
from service.exchange.orders.paper import OrderPaper, PaperLine, PaperUse, Party

NAIL = PaperLine("NAIL", "02910000000017", "Nail", 4, 2, 24_800, date(2031, 3, 6))


SCREW = PaperLine("SCREW", None, "Screw", 3, 5, None, None)


PAPER = OrderPaper(
    reference="PO-1",
    kind="purchase",
    issued=date(2031, 3, 3),
    currency="GBP",
    buyer=Party("Hospital"),
    seller=Party("Test supply"),
    lines=(NAIL, SCREW),
)


def rows(paper: OrderPaper) -> list[dict[str, str]]:
    text = order_csv(paper).decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_each_line_is_a_row_and_an_unknown_price_stays_empty() -> None:
    nail, screw = rows(PAPER)
    assert tuple(nail) == HEADER
    assert (nail["ref"], nail["gtin"], nail["quantity"], nail["packs"]) == (
        "NAIL",
        "02910000000017",
        "4",
        "2",
    )
    # 4 × 248.00.
    assert (nail["unit_price"], nail["line_total"], nail["currency"]) == ("248.00", "992.00", "GBP")
    assert (screw["unit_price"], screw["line_total"], screw["packs"]) == ("", "", "1")


def test_a_bill_has_a_row_for_each_use() -> None:
    uses = (PaperUse("L1", "", 1, "K1"), PaperUse("", "S2", 3, "K2"))
    found = rows(replace(PAPER, kind="bill_only", lines=(replace(NAIL, uses=uses),)))
    assert [(row["lot"], row["serial"], row["case"], row["quantity"]) for row in found] == [
        ("L1", "", "K1", "1"),
        ("", "S2", "K2", "3"),
    ]
    assert [row["line_total"] for row in found] == ["248.00", "744.00"]


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n", "\0"])
def test_no_cell_begins_like_a_formula(start: str) -> None:
    evil = f"{start}HYPERLINK(1)"
    cells = guard_formula(evil)
    assert cells[0] == "'"
    assert cells.removeprefix("'") == evil


def test_a_description_that_is_a_formula_is_text_in_the_file() -> None:
    line = replace(NAIL, description='=cmd|"/c calc"!A1', ref="-1+1")
    found = rows(replace(PAPER, lines=(line,), seller=Party("@supply")))[0]
    assert (found["description"], found["ref"], found["supplier"]) == (
        '\'=cmd|"/c calc"!A1',
        "'-1+1",
        "'@supply",
    )


def test_commas_quotes_and_letters_of_other_scripts_survive() -> None:
    line = replace(NAIL, description='Nagel, 11 mm, "lang", für links')
    assert rows(replace(PAPER, lines=(line,)))[0]["description"] == line.description


@given(text=st.text())
def test_guarding_loses_nothing(text: str) -> None:
    cell = guard_formula(text)
    assert cell.removeprefix("'") == text
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n", "\0"))
