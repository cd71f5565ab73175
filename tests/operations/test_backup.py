"""Verifying, backing up and restoring: what is wrong is named, and a wrong copy is refused."""

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import text

from service.errors import BadInput, Conflict
from service.operations import backup
from service.operations.work import Work
from tests.conftest import DATABASES, MakeDatabase, opened
from tests.small_theatre import OTHER_SHELF, SHELF, Theatre, assert_true, furnish

ADDED_LINE = (
    "INSERT INTO movement (at, kind, lot_id, to_location_id, quantity, reason, actor) "
    "VALUES ('2031-03-03', 'receive', 1, 1, 2, '', 'x')"
)


NAIL = "NAIL, lot L1 at Store, A"


@pytest.fixture(params=DATABASES)
def spoiled(request: pytest.FixtureRequest, make_database: MakeDatabase) -> Iterator[Theatre]:
    """A department whose books a test may spoil: they are not looked at when it ends."""
    with opened(make_database(request.param, False)) as work:
        furnish(work)
        theatre = Theatre(work)
        theatre.receive("NAIL", 3)
        theatre.receive("CAP", 2)
        theatre.add_case("K1")
        theatre.plan("K1")
        yield theatre


@pytest.fixture
def stocked(tmp_path: Path) -> Iterator[Theatre]:
    """An embedded database with some stock."""
    with opened(f"sqlite:///{tmp_path / 'live.db'}") as work:
        work.prepare()
        furnish(work)
        theatre = Theatre(work)
        theatre.receive("NAIL", 3)
        yield theatre


def execute(theatre: Theatre, statement: str) -> None:
    theatre.work.write(lambda unit: unit.session.connection().execute(text(statement)))


def disagreements(work: Work) -> list[str]:
    return work.read(backup.verify).disagree


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (
            "UPDATE balance SET quantity = 4 WHERE lot_id = 1",
            f"{NAIL}: the ledger says 3, the balance 4",
        ),
        (
            ADDED_LINE,
            f"{NAIL}: the ledger says 5, the balance 3",
        ),
        (
            "UPDATE balance SET held = 2 WHERE lot_id = 1",
            f"{NAIL}: its reservations need 1, 2 are reserved",
        ),
        (
            "DELETE FROM hold",
            f"{NAIL}: its reservations need 0, 1 are reserved",
        ),
        (
            "UPDATE hold SET location_id = 2",
            f"{NAIL}: its reservations need 0, 1 are reserved",
        ),
        (
            "INSERT INTO case_pack VALUES (1, 2, 1, 1, 0, 0, 0)",
            "CAP, lot L1 at an unknown location: case K1 has 1 to account for, 0 are on its tray",
        ),
    ],
)
def test_what_was_changed_past_the_service_is_found_and_the_lot_named(
    spoiled: Theatre, spoil: str, says: str
) -> None:
    assert disagreements(spoiled.work) == []
    execute(spoiled, spoil)
    assert says in disagreements(spoiled.work)


def test_the_books_of_many_lots_are_verified_in_one_go(theatre: Theatre) -> None:
    """More balances than a statement takes values: each once was a value of one statement."""
    count = 40_000

    def many(table: str, columns: str, values: str) -> str:
        start = (
            f"WITH RECURSIVE n(i) AS (SELECT 100 UNION ALL SELECT i + 1 FROM n WHERE i < {count})"  # noqa: S608 - the words are this test's
        )
        return f"{start} INSERT INTO {table} ({columns}) SELECT {values} FROM n"  # noqa: S608 - as above

    statements = [
        many(
            "lot",
            "id, item_id, lot_number, serial, ownership, sterility",
            "i, 1, 'M' || i, '', 'owned', 'sterile'",
        ),
        many(
            "movement",
            "at, kind, lot_id, to_location_id, quantity, reason, actor",
            "TIMESTAMP '2031-03-03', 'receive', i, 1, 1, '', 'x'",
        ),
        many("balance", "lot_id, location_id, quantity, held", "i, 1, 1, 0"),
    ]
    if theatre.work.database.is_sqlite:
        statements = [one.replace("TIMESTAMP ", "") for one in statements]
    else:
        statements = [
            "INSERT INTO "
            + one.partition(" INSERT INTO ")[2].replace(
                "FROM n", f"FROM generate_series(100, {count}) AS n(i)"
            )
            for one in statements
        ]
    for statement in statements:
        execute(theatre, statement)
    found = theatre.work.read(backup.verify)
    assert (found.balances, found.disagree) == (count - 99, [])


def test_a_backup_made_while_writers_write_is_true(stocked: Theatre, tmp_path: Path) -> None:
    stop = threading.Event()
    moved = []

    def write() -> None:
        there, back = SHELF, OTHER_SHELF
        while not stop.is_set():
            stocked.record("move", lot="L1", quantity=3, origin=there, to=back)
            there, back = back, there
            moved.append(1)

    writers = [threading.Thread(target=write)]
    for writer in writers:
        writer.start()
    try:
        made = [
            backup.backup(stocked.work, tmp_path / "out" / f"{number}.db") for number in range(4)
        ]
    finally:
        stop.set()
        for writer in writers:
            writer.join()
    assert len(moved) > 1
    for file in made:
        with opened(f"sqlite:///{file}") as copy:
            assert_true(copy)
            assert sum(Theatre(copy).balance("NAIL", shelf)[0] for shelf in "AB") == 3


def test_a_backup_overwrites_nothing_and_leaves_no_false_copy(
    stocked: Theatre, tmp_path: Path
) -> None:
    target = tmp_path / "out" / "copy.db"
    backup.backup(stocked.work, target)
    with pytest.raises(Conflict, match="already exists"):
        backup.backup(stocked.work, target)
    spoil = "UPDATE balance SET quantity = 9"
    execute(stocked, spoil)
    with pytest.raises(Conflict, match="NAIL, lot L1"):
        backup.backup(stocked.work, tmp_path / "out" / "false.db")
    assert [file.name for file in (tmp_path / "out").iterdir()] == ["copy.db"]


def test_a_restore_brings_back_what_was_and_keeps_what_is(stocked: Theatre, tmp_path: Path) -> None:
    copy = backup.backup(stocked.work, tmp_path / "copy.db")
    stocked.receive("NAIL", 4)
    kept = backup.restore(stocked.work, copy)
    assert stocked.balance("NAIL") == (3, 0)
    assert_true(stocked.work)
    with opened(f"sqlite:///{kept}") as old:
        assert Theatre(old).balance("NAIL") == (7, 0)
    again = backup.restore(stocked.work, copy)
    assert again != kept
    assert kept.exists()


def spoil_balance(file: Path) -> None:
    with closing(sqlite3.connect(file)) as connection, connection:
        connection.execute("UPDATE balance SET quantity = quantity + 1")


def spoil_ledger(file: Path) -> None:
    with closing(sqlite3.connect(file)) as connection, connection:
        connection.execute(
            "INSERT INTO movement (at, kind, lot_id, to_location_id, quantity, reason, actor) "
            "SELECT at, kind, lot_id, to_location_id, quantity, reason, actor FROM movement"
        )


def spoil_version(file: Path) -> None:
    with closing(sqlite3.connect(file)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = '0000'")


def spoil_pages(file: Path) -> None:
    data = bytearray(file.read_bytes())
    data[4096 * 3 : 4096 * 6] = b"\x07" * 4096 * 3
    file.write_bytes(data)


def spoil_all(file: Path) -> None:
    file.write_text("this is no database")


def spoil_tables(file: Path) -> None:
    file.unlink()
    with closing(sqlite3.connect(file)) as connection, connection:
        connection.execute("CREATE TABLE something (else_ TEXT)")


@pytest.mark.parametrize(
    "spoil", [spoil_balance, spoil_ledger, spoil_version, spoil_pages, spoil_all, spoil_tables]
)
def test_a_file_that_is_not_a_true_backup_is_not_restored(
    stocked: Theatre, tmp_path: Path, spoil: object
) -> None:
    copy = backup.backup(stocked.work, tmp_path / "copy.db")
    assert callable(spoil)
    spoil(copy)
    stocked.receive("NAIL", 4)
    with pytest.raises(BadInput, match="Nothing was changed"):
        backup.restore(stocked.work, copy)
    assert stocked.balance("NAIL") == (7, 0)
    assert not list(tmp_path.glob("*before-restore*"))


def test_on_postgresql_its_own_tools_are_named(make_database: MakeDatabase, tmp_path: Path) -> None:
    with opened(make_database("postgresql", False)) as work:
        with pytest.raises(BadInput, match="pg_dump"):
            backup.backup(work, tmp_path / "copy.db")
        with pytest.raises(BadInput, match="pg_restore"):
            backup.restore(work, tmp_path / "copy.db")
