"""From a sheet to typed rows: which columns a format has, and every fault with its row."""

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from service.errors import BadInput, FieldFault
from service.exchange.sheets.cells import CellProblem, Reader
from service.exchange.sheets.workbook import MAX_FAULTS, RawRow, Sheet

RowT = TypeVar("RowT")


#: Column and reason.
Complaint = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its name, how a cell is read, and what an empty cell means."""

    name: str
    read: Reader
    required: bool = False
    default: object = None


@dataclass(frozen=True, slots=True)
class Unique(Generic[RowT]):
    """A key no two rows may share; rows whose key is ``None`` have none."""

    column: str
    named: str
    key: Callable[[RowT], Hashable | None]


@dataclass(frozen=True, slots=True)
class Format(Generic[RowT]):
    """A kind of file: its columns, its row type, rules across columns and across rows."""

    columns: tuple[Column, ...]
    build: Callable[[Mapping[str, object]], RowT | list[Complaint]]
    check: Callable[[RowT], list[Complaint]]
    unique: tuple[Unique[RowT], ...]


@dataclass(frozen=True, slots=True)
class RowFault:
    """One wrong cell: the row as a person counts it (the header is 1), the column, the reason."""

    row: int
    column: str
    reason: str


@dataclass(frozen=True, slots=True)
class Parsed(Generic[RowT]):
    """What came of a file: good rows with their numbers, and every fault.

    `faults` holds at most 200; `more_faults` says how many there are beyond them.
    """

    good: list[tuple[int, RowT]]
    faults: list[RowFault]
    more_faults: int = 0

    def all_or_refuse(self) -> list[tuple[int, RowT]]:
        """Return the rows, or refuse the file if there is a single fault.

        Raises
        ------
        BadInput
            Names each fault as ``row 3, column gtin``.
        """
        if not self.faults:
            return self.good
        count = len(self.faults) + self.more_faults
        more = f" {self.more_faults} more are not listed." if self.more_faults else ""
        raise BadInput(
            f"The file has {count} {'error' if count == 1 else 'errors'}; nothing was saved.{more}",
            faults=[
                FieldFault(f"row {fault.row}, column {fault.column}", fault.reason)
                for fault in self.faults
            ],
            facts={"faults_not_listed": self.more_faults},
        )


def parse_rows(sheet: Sheet, form: Format[RowT]) -> Parsed[RowT]:
    """Read every row of a sheet in a format.

    Parameters
    ----------
    sheet
        The file as typed.
    form
        Its columns and rules.

    Returns
    -------
    Parsed
        Good rows in the order of the file and every fault. With a wrong header no row is read.
    """
    faults = _header_faults(sheet.columns, form.columns)
    if faults:
        return Parsed([], faults)
    reader = _RowReader(sheet.columns, form)
    good: list[tuple[int, RowT]] = []
    for raw in sheet.rows:
        row = reader.read(raw)
        if row is not None:
            good.append((raw.number, row))
    return Parsed(good, reader.faults, reader.more)


def _header_faults(found: Sequence[str], columns: Sequence[Column]) -> list[RowFault]:
    known = [column.name for column in columns]
    unknown = [
        RowFault(1, name, f"unknown column; known columns are {', '.join(known)}")
        for name in found
        if name not in known
    ]
    missing = [
        RowFault(1, column.name, "this column is missing")
        for column in columns
        if column.required and column.name not in found
    ]
    return unknown + missing


class _RowReader(Generic[RowT]):
    """Reads rows one after the other and remembers faults and the keys seen."""

    def __init__(self, found: Sequence[str], form: Format[RowT]) -> None:
        by_name = {column.name: column for column in form.columns}
        self.form = form
        self.plan = [(place, by_name[name]) for place, name in enumerate(found)]
        self.empty = {column.name: column.default for column in form.columns}
        self.seen: list[dict[Hashable, int]] = [{} for _ in form.unique]
        self.faults: list[RowFault] = []
        self.more = 0

    def read(self, raw: RawRow) -> RowT | None:
        values = self._values(raw)
        if values is None:
            return None
        row = self.form.build(values)
        complaints = row if isinstance(row, list) else self.form.check(row)
        if not isinstance(row, list):
            complaints = complaints + self._repeated(row, raw.number)
        for column, reason in complaints:
            self._complain(raw.number, column, reason)
        return None if complaints or isinstance(row, list) else row

    def _values(self, raw: RawRow) -> dict[str, object] | None:
        values, whole = dict(self.empty), True
        for place, column in self.plan:
            cell = raw.cells[place]
            if cell is None:
                if column.required:
                    self._complain(raw.number, column.name, "this cell must be filled in")
                    whole = False
                continue
            value = column.read(cell)
            if isinstance(value, CellProblem):
                self._complain(raw.number, column.name, value.reason)
                whole = False
            else:
                values[column.name] = value
        return values if whole else None

    def _repeated(self, row: RowT, number: int) -> list[Complaint]:
        complaints = []
        for unique, seen in zip(self.form.unique, self.seen, strict=True):
            key = unique.key(row)
            if key is not None and (first := seen.setdefault(key, number)) != number:
                complaints.append((unique.column, f"{unique.named} is already in row {first}"))
        return complaints

    def _complain(self, number: int, column: str, reason: str) -> None:
        if len(self.faults) < MAX_FAULTS:
            self.faults.append(RowFault(number, column, reason))
        else:
            self.more += 1
