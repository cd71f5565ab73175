"""Readers for one cell of an import: each gives a value, or the reason why not.

A reader never repairs: a number in a text column may have lost leading zeros, a date with slashes
has two readings, and both are said to the person who can look at the paper.
"""

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, datetime, time

from service.core.constructs.planned import ConstructError, read_planned
from service.exchange.labels.gs1 import gtin_problem
from service.exchange.sheets.workbook import Cell


@dataclass(frozen=True, slots=True)
class CellProblem:
    """Why a cell was refused, in a sentence."""

    reason: str


Reader = Callable[[Cell], object]


#: Longest texts taken: references, lots and serials (GS1 allows 20, HIBC 18), names, descriptions.
REF_LENGTH, LOT_LENGTH, NAME_LENGTH, TEXT_LENGTH = 60, 40, 100, 400


_MANGLED = re.compile(r"-?\d+([.,]\d+)?[eE]\+\d+")


_DECIMAL = re.compile(r"\d{1,9}(\.\d{1,9})?", re.ASCII)


_WHOLE = re.compile(r"\d{1,9}", re.ASCII)


_ISO_DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)


_CLOCK = re.compile(r"([01]\d|2[0-3]):[0-5]\d", re.ASCII)


_MOMENT = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2})?(Z|[+-]\d{2}:\d{2})?", re.ASCII)


_ANY_DATE = re.compile(r"\d{1,4}[/.\-]\d{1,2}[/.\-]\d{1,4}", re.ASCII)


_NUMBER_IN_TEXT = CellProblem(
    "a number cell: leading zeros may be lost; format the column as text and enter it again"
)


_DATE_IN_TEXT = CellProblem(
    "a date cell: the spreadsheet has turned what was typed into a date; format the column as text"
)


_TRUTH = CellProblem("a TRUE/FALSE cell; write the word as text")


_LARGEST_NUMBER = 1_000_000_000


_LARGEST_MM = 1_000.0


def _as_text(cell: Cell) -> str | CellProblem:
    if isinstance(cell, str):
        return cell.strip()
    if isinstance(cell, bool):
        return _TRUTH
    return _NUMBER_IN_TEXT if isinstance(cell, int | float) else _DATE_IN_TEXT


def text(longest: int) -> Reader:
    """Make a reader of printable text of at most `longest` characters."""

    def read(cell: Cell) -> object:
        value = _as_text(cell)
        if isinstance(value, CellProblem):
            return value
        if len(value) > longest:
            return CellProblem(f"{len(value)} characters; at most {longest} are allowed")
        if not value.isprintable():
            odd = next(character for character in value if not character.isprintable())
            return CellProblem(f"contains a character that cannot be printed (U+{ord(odd):04X})")
        return value

    return read


def code(longest: int) -> Reader:
    """Make a reader of identifiers: text that no spreadsheet has rewritten as a number."""
    plain = text(longest)

    def read(cell: Cell) -> object:
        value = plain(cell)
        if isinstance(value, str) and _MANGLED.fullmatch(value):
            return CellProblem(
                f"'{value}' was changed by a spreadsheet: digits are lost; format the column as "
                "text and enter it again"
            )
        return value

    return read


def gtin(cell: Cell) -> object:
    """Read a GTIN-14."""
    value = _as_text(cell)
    if isinstance(value, CellProblem):
        return value
    problem = gtin_problem(value)
    return value if problem is None else CellProblem(problem)


def choice(values: Iterable[str]) -> Reader:
    """Make a reader of one of a few words, whatever their capitals."""
    known = {value.lower(): value for value in values}
    listed = ", ".join(sorted(known.values()))

    def read(cell: Cell) -> object:
        if isinstance(cell, str) and cell in known:
            return known[cell]
        value = _as_text(cell)
        if isinstance(value, CellProblem):
            return CellProblem(f"{cell!r} is not one of: {listed}")
        found = known.get(value.lower())
        return CellProblem(f"'{value[:40]}' is not one of: {listed}") if found is None else found

    return read


_YES_NO = choice(("yes", "no"))


def yes_no(cell: Cell) -> object:
    """Read yes or no as True or False."""
    value = _YES_NO(cell)
    return value if isinstance(value, CellProblem) else value == "yes"


def number(cell: Cell) -> object:
    """Read a number from 0 to 1,000,000,000 with a point as decimal mark, as float."""
    if isinstance(cell, bool) or not isinstance(cell, str | int | float):
        return CellProblem("not a number")
    if isinstance(cell, str):
        value = cell.strip()
        if not _DECIMAL.fullmatch(value):
            return CellProblem(f"'{value[:40]}' is not a number such as 10.5")
        return float(value)
    if not math.isfinite(cell) or not 0 <= cell <= _LARGEST_NUMBER:
        return CellProblem(f"{cell:g} is not a number from 0 to {_LARGEST_NUMBER:,}")
    return float(cell)


def size_mm(cell: Cell) -> object:
    """Read a length measured in mm, above 0 and at most 1,000."""
    value = number(cell)
    if isinstance(value, float) and not 0 < value <= _LARGEST_MM:
        return CellProblem(f"{value:g} mm is not a length above 0 and up to {_LARGEST_MM:g} mm")
    return value


def whole(least: int, most: int) -> Reader:
    """Make a reader of a whole number from `least` to `most`."""

    def read(cell: Cell) -> object:
        value: int | None = None
        if isinstance(cell, str) and _WHOLE.fullmatch(cell.strip()):
            value = int(cell)
        elif isinstance(cell, int) and not isinstance(cell, bool):
            value = cell
        if value is None or not least <= value <= most:
            return CellProblem(f"'{str(cell)[:40]}' is not a whole number from {least} to {most}")
        return value

    return read


def iso_date(cell: Cell) -> object:
    """Read a calendar date: a date cell or YYYY-MM-DD."""
    if isinstance(cell, datetime):
        return CellProblem("a date with a time of day; a date alone is needed")
    if isinstance(cell, date):
        return cell
    if not isinstance(cell, str):
        return CellProblem("not a date: format the cell as a date, or enter it like 2031-04-03")
    return _written_date(cell.strip())


def _written_date(value: str) -> object:
    if _ISO_DATE.fullmatch(value):
        try:
            return date.fromisoformat(value)
        except ValueError:
            return CellProblem(f"{value} is not a date in the calendar")
    if _ANY_DATE.fullmatch(value):
        return CellProblem(
            f"'{value}' could mean more than one date; use year-month-day, such as 2031-04-03"
        )
    return CellProblem(f"'{value[:40]}' is not a date such as 2031-04-03")


def moment(cell: Cell) -> object:
    """Read a date and time; without an offset it is the site's local time, given back naive."""
    if isinstance(cell, datetime):
        return cell
    value = cell.strip() if isinstance(cell, str) else ""
    if _MOMENT.fullmatch(value):
        try:
            return datetime.fromisoformat(value)
        except ValueError:
            return CellProblem(f"{value} is not a date and time in the calendar")
    return CellProblem(f"'{str(cell)[:40]}' is not a date and time such as 2031-04-03T14:30")


def clock(cell: Cell) -> object:
    """Read a time of day: a time cell of whole minutes or HH:MM."""
    if isinstance(cell, time):
        if cell.second or cell.microsecond:
            return CellProblem("a time with seconds; enter it as 08:30")
        return cell
    value = cell.strip() if isinstance(cell, str) else str(cell)
    if not _CLOCK.fullmatch(value):
        return CellProblem(f"'{value[:40]}' is not a time such as 08:30")
    return time.fromisoformat(value)


_PLAN_TEXT = text(200)


def planned(cell: Cell) -> object:
    """Read a construct written ``code@System/130+code`` and give it back in its plain form."""
    value = _PLAN_TEXT(cell)
    if not isinstance(value, str):
        return value
    try:
        return str(read_planned(value))
    except ConstructError as error:
        return CellProblem("; ".join(fault.reason for fault in error.faults))


_PLANS_TEXT = text(1000)


def planned_list(cell: Cell) -> object:
    """Read constructs divided by semicolons, in order of preference, as a tuple."""
    value = _PLANS_TEXT(cell)
    if not isinstance(value, str):
        return value
    found: list[str] = []
    for piece in value.split(";"):
        construct = planned(piece)
        if not isinstance(construct, str):
            return construct
        if construct in found:
            return CellProblem(f"{construct} is named twice")
        found.append(construct)
    return tuple(found)
