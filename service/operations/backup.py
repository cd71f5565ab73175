"""Whether the ledger and the balances agree, and copies of the database that do."""

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing
from pathlib import Path
from zoneinfo import ZoneInfo

from service.core.cover.units import most_needed
from service.errors import BadInput, Conflict, ServiceError, Unavailable
from service.operations.holds.holds import claim_of
from service.operations.people.audit import broken_link
from service.operations.work import Unit, Work
from service.schemas.base import Out
from service.settings import Settings
from service.storage.queries import holds, stock, trays

Key = tuple[int, int]


class LedgerCheck(Out):
    """What a replay of the ledger found."""

    balances: int
    disagree: list[str]


def verify(unit: Unit) -> LedgerCheck:
    """Replay the ledger and compare it with the balances, the holds and the trays."""
    kept = stock.balances_with_held(unit.session)
    found = [*_wrong_quantities(unit, kept), *_wrong_holds(unit, kept), *_wrong_trays(unit)]
    names = stock.unit_names(unit.session, [key for key, _ in found])
    disagree = [
        f"{names.get(key, f'lot {key[0]} at location {key[1]}')}: {says}" for key, says in found
    ]
    broken = broken_link(unit)
    disagree += [broken] if broken is not None else []
    return LedgerCheck(balances=len(kept), disagree=disagree)


def _wrong_quantities(unit: Unit, kept: Mapping[Key, tuple[int, int]]) -> Iterator[tuple[Key, str]]:
    replayed = stock.ledger_sums(unit.session)
    for key in sorted({*kept, *replayed}):
        said, there = replayed.get(key, 0), kept.get(key, (0, 0))[0]
        if said != there:
            yield key, f"the ledger says {said}, the balance {there}"


def _wrong_holds(unit: Unit, kept: Mapping[Key, tuple[int, int]]) -> Iterator[tuple[Key, str]]:
    promised = holds.all_held(unit.session)
    zones = stock.zones_of_places(unit.session)
    for key in sorted({*kept, *promised}):
        claims = [claim_of(hold, ZoneInfo(zones[key[1]])) for hold in promised.get(key, ())]
        needed = most_needed(claims)
        quantity, held = kept.get(key, (0, 0))
        if needed != held:
            yield key, f"its reservations need {needed}, {held} are reserved"
        elif held > quantity:
            yield key, f"{held} are reserved of {quantity}"


def _wrong_trays(unit: Unit) -> Iterator[tuple[Key, str]]:
    """Compare what cases have to account for with what lies on their trays."""
    there = stock.on_tray_places(unit.session)
    for key, left in sorted(trays.on_trays(unit.session).items()):
        place_id, quantity = there.get(key, (0, 0))
        _, reference, lot_id = key
        if quantity != left:
            says = f"case {reference} has {left} to account for, {quantity} are on its tray"
            yield (lot_id, place_id), says


def backup(work: Work, target: Path) -> Path:
    """Copy an embedded database while it is in use, and make sure that the copy is true.

    Raises
    ------
    BadInput
        When the database is PostgreSQL: use its own pg_dump.
    Conflict
        When the target exists, or the copy does not verify.
    """
    source = _sqlite_file(work)
    if target.exists():
        raise Conflict(f"{target} already exists. Choose a file that does not exist yet.")
    target.parent.mkdir(parents=True, exist_ok=True)
    fresh = target.with_name(f"{target.name}.unfinished")
    _remove(fresh)
    try:
        _copy(source, fresh)
        _require_true(fresh)
        fresh.replace(target)
    finally:
        # A copy that is not true must not lie about under a name that says backup.
        _remove(fresh)
    return target


def restore(work: Work, source: Path) -> Path:
    """Put a verified backup in the place of the embedded database; the old one is kept beside it.

    Raises
    ------
    BadInput
        When the file is no database of ours or does not verify; nothing is changed then.
    """
    target = _sqlite_file(work)
    try:
        _require_true(source)
    except (sqlite3.DatabaseError, Conflict, Unavailable) as error:
        why = str(error) if isinstance(error, ServiceError) else "it is not a database, or damaged"
        raise BadInput(f"{source} was not restored: {why}. Nothing was changed.") from error
    work.close()
    fresh = target.with_name(f"{target.name}.restoring")
    _remove(fresh)
    _copy(source, fresh)
    kept = _unused(target.with_name(f"{target.name}.before-restore"))
    if target.exists():
        _copy(target, kept)
        # The old journal must not be replayed into the new file.
        _remove(target.with_name(f"{target.name}-wal"), target.with_name(f"{target.name}-shm"))
    fresh.replace(target)
    return kept


def _copy(source: Path, target: Path) -> None:
    """Copy a database that may be in use."""
    with closing(sqlite3.connect(source)) as here, closing(sqlite3.connect(target)) as there:
        # All pages in one go: in small steps, writers make it start over and it never ends.
        here.backup(there, pages=-1)


def _remove(*files: Path) -> None:
    for file in files:
        file.unlink(missing_ok=True)


def _unused(file: Path) -> Path:
    """Return a name that no file has yet: a second restore keeps what the first has kept."""
    names = (file, *(file.with_name(f"{file.name}-{number}") for number in range(2, 1000)))
    return next(name for name in names if not name.exists())


def _sqlite_file(work: Work) -> Path:
    database = work.database
    if not database.is_sqlite or not database.url.database:
        raise BadInput("This is PostgreSQL: make and restore backups with pg_dump and pg_restore.")
    return Path(database.url.database)


def _require_true(file: Path) -> None:
    """Refuse a copy that SQLite, the migrations or the ledger find wrong."""
    with closing(sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True)) as connection:
        said = connection.execute("PRAGMA integrity_check").fetchone()[0]
    if said != "ok":
        message = f"the file is damaged ({said})"
        raise Conflict(message)
    copy = Work(Settings(database_url=f"sqlite:///{file}"))
    try:
        if not copy.is_ready():
            message = "it is not a Traywright database, or not up to date"
            raise Conflict(message)
        verdict = copy.read(verify)
    finally:
        copy.close()
    if verdict.disagree:
        message = f"ledger and balances disagree ({verdict.disagree[0]})"
        raise Conflict(message)
