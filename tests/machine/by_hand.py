"""What the books must say, counted from plain rows without the service's own counting."""

from collections import defaultdict
from datetime import timedelta
from typing import Any

from sqlalchemy import Row, select
from sqlmodel import SQLModel

from service.operations.work import Unit
from service.storage.tables import (
    Balance,
    CasePack,
    Hold,
    Item,
    Location,
    Lot,
    Movement,
    SurgicalCase,
    table_of,
)

Units = tuple[str, str]


"""A lot, written REF/lot/ownership, and the shelf it lies on."""


class Books:
    """Every row that counts, read at one moment."""

    def __init__(self, unit: Unit) -> None:
        def rows(model: type[SQLModel]) -> list[Row[Any]]:
            return list(unit.session.execute(select(table_of(model))).all())

        refs = {row.id: row.ref for row in rows(Item)}
        self.lots = {
            row.id: f"{refs[row.item_id]}/{row.lot_number}/{row.ownership}" for row in rows(Lot)
        }
        places = rows(Location)
        self.places = {row.id: row.shelf for row in places}
        self.kinds = {row.shelf: row.kind for row in places}
        self.cases = {row.id: row for row in rows(SurgicalCase)}
        self.balances = rows(Balance)
        self.lines = rows(Movement)
        self.packs = rows(CasePack)
        self.holds = [row for row in rows(Hold) if row.released_at is None]

    def balance(self) -> dict[Units, int]:
        return {self._units(row): row.quantity for row in self.balances if row.quantity}

    def held(self) -> dict[Units, int]:
        return {self._units(row): row.held for row in self.balances if row.held}

    def replayed(self) -> dict[Units, int]:
        """Add the ledger up line by line."""
        found: dict[Units, int] = defaultdict(int)
        for line in self.lines:
            lot = self.lots[line.lot_id]
            if line.from_location_id is not None:
                found[lot, self.places[line.from_location_id]] -= line.quantity
            if line.to_location_id is not None:
                found[lot, self.places[line.to_location_id]] += line.quantity
        return {key: number for key, number in found.items() if number}

    def needed(self) -> dict[Units, int]:
        """Count what holds need on the worst day: first use stays, backups count on their day."""
        by_units: dict[Units, list[Row[Any]]] = defaultdict(list)
        for hold in self.holds:
            if not hold.is_set:
                by_units[self._units(hold)].append(hold)
        return {key: needed_at_most(found) for key, found in by_units.items()}

    def copies_needed(self) -> dict[Units, int]:
        """Count how many copies of each set are away at once, at most."""
        found: dict[Units, list[Row[Any]]] = defaultdict(list)
        for hold in self.holds:
            if hold.is_set:
                found[self._units(hold)].append(hold)
        return {
            key: max(
                sum(other.from_at <= one.from_at < other.until_at for other in rows) for one in rows
            )
            for key, rows in found.items()
        }

    def open_packs(self) -> dict[tuple[str, str], int]:
        """Give what each case has to account for, by case and lot."""
        found: dict[tuple[str, str], int] = defaultdict(int)
        for row in self.packs:
            key = self.cases[row.case_id].reference, self.lots[row.lot_id]
            found[key] += row.picked - row.returned - row.implanted - row.wasted
        return {key: number for key, number in found.items() if number}

    def holds_of(self, case: str, units: Units | None = None) -> list[Row[Any]]:
        return [
            hold
            for hold in self.holds
            if self.cases[hold.case_id].reference == case
            and (units is None or self._units(hold) == units)
        ]

    def _units(self, row: Row[Any]) -> Units:
        return self.lots[row.lot_id], self.places[row.location_id]


def needed_at_most(holds: list[Row[Any]]) -> int:
    """Lay holds on a calendar and give the fullest day; a share group counts its largest case."""
    if not holds:
        return 0
    first = min(hold.list_date for hold in holds)
    days = (max(hold.list_date for hold in holds) - first).days + 1
    most = 0
    for day in (first + timedelta(days=number) for number in range(days)):
        groups: dict[object, dict[int, int]] = defaultdict(lambda: defaultdict(int))
        for hold in holds:
            if hold.list_date == day or (hold.stays and hold.list_date < day):
                groups[hold.share_group or f"alone {hold.id}"][hold.case_id] += hold.quantity
        most = max(most, sum(max(group.values()) for group in groups.values()))
    return most


def faults(books: Books) -> list[str]:
    """Say everything that may not be; empty when the books are true."""
    said = []
    balance, needed, held = books.balance(), books.needed(), books.held()
    if balance != books.replayed():
        said.append(f"balances {balance} are not the replayed ledger {books.replayed()}")
    if {key: number for key, number in needed.items() if number} != held:
        said.append(f"held {held} is not what holds need {needed}")
    said += [
        f"{key} promises {n} of {balance.get(key, 0)}"
        for key, n in held.items()
        if n > balance.get(key, 0)
    ]
    said += [
        f"set {key} promises {n} copies of {balance.get(key, 0)}"
        for key, n in books.copies_needed().items()
        if n > balance.get(key, 0) and not _only_past(books, key)
    ]
    on_trays = {
        (place, lot): number
        for (lot, place), number in balance.items()
        if books.kinds[place] == "theatre"
    }
    if on_trays != books.open_packs():
        said.append(f"on trays lie {on_trays}, to account for are {books.open_packs()}")
    said += _wrong_cases(books)
    return said


def _only_past(books: Books, key: Units) -> bool:
    """Whether only closed cases have spans on a set that is gone: nobody waits for it."""
    rows = [
        hold
        for hold in books.holds
        if (books.lots[hold.lot_id], books.places[hold.location_id]) == key
    ]
    return all(books.cases[hold.case_id].status == "closed" for hold in rows)


def _wrong_cases(books: Books) -> list[str]:
    said = []
    for hold in books.holds:
        case = books.cases[hold.case_id]
        if case.status == "cancelled" or (case.status == "closed" and not hold.is_set):
            said.append(f"{case.reference} is {case.status} and holds something")
        if hold.from_at != case.starts_at or hold.list_id != case.list_id:
            said.append(f"{case.reference} holds something for another time than its own")
    return said
