"""What the service relies on in SQLite and PostgreSQL is in force on every connection."""

import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import insert, select, text, update
from sqlmodel import Session

from service.errors import Conflict, Unavailable
from service.operations.work import Work
from service.storage.database import Database
from service.storage.tables import Site, table_of

SITE = table_of(Site)


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    made = Database(f"sqlite:///{tmp_path / 'folder' / 'new.db'}")
    yield made
    made.close()


@pytest.mark.parametrize(
    ("pragma", "value"),
    [
        # Values: sqlite.org/pragma.html; synchronous 2 is FULL.
        ("journal_mode", "wal"),
        ("foreign_keys", 1),
        ("synchronous", 2),
        ("busy_timeout", 10_000),
        # Without it INSERT OR REPLACE would delete past the ledger's trigger.
        ("recursive_triggers", 1),
    ],
)
def test_a_pragma_is_in_force_on_every_connection(
    database: Database, pragma: str, value: object
) -> None:
    with database.engine.connect() as one, database.engine.connect() as other:
        # The first holds SQLite's write lock until it has answered, so they take turns.
        assert one.exec_driver_sql(f"PRAGMA {pragma}").scalar() == value
        one.rollback()
        assert other.exec_driver_sql(f"PRAGMA {pragma}").scalar() == value


def test_a_writer_holds_the_lock_from_its_first_word(database: Database) -> None:
    """BEGIN IMMEDIATE: a second writer waits before it reads, so it cannot read what is stale."""
    with database.session(writes=True) as session:
        session.execute(text("SELECT 1"))
        other = sqlite3.connect(str(database.url.database), timeout=0)
        try:
            with pytest.raises(sqlite3.OperationalError, match="locked"):
                other.execute("BEGIN IMMEDIATE")
        finally:
            other.close()


def test_a_reader_does_not_keep_a_writer_waiting(database: Database) -> None:
    with database.session(writes=False) as session:
        session.execute(text("SELECT 1"))
        other = sqlite3.connect(str(database.url.database), timeout=0)
        try:
            other.execute("BEGIN IMMEDIATE")
            assert other.in_transaction
        finally:
            other.close()


def test_what_fails_leaves_nothing_behind(work: Work) -> None:
    def half_done(session: Session) -> None:
        session.execute(update(SITE).values(name="half done"))
        raise Conflict("It did not work out.")

    with pytest.raises(Conflict):
        work.database.run(half_done, writes=True)
    names = work.database.run(
        lambda s: s.execute(select(SITE.c.name)).scalars().all(), writes=False
    )
    assert names == ["This hospital"]


def test_a_reading_unit_of_work_saves_nothing(work: Work) -> None:
    work.database.run(lambda s: s.execute(update(SITE).values(name="slipped in")), writes=False)
    names = work.database.run(
        lambda s: s.execute(select(SITE.c.name)).scalars().all(), writes=False
    )
    assert names == ["This hospital"]


def test_two_writers_that_read_first_do_not_lose_an_update(work: Work) -> None:
    """Both read a counter, wait for each other, and write one more: the end must be two more."""
    rounds = 20
    meet = threading.Barrier(2)
    work.database.run(lambda s: s.execute(update(SITE).values(code="0")), writes=True)

    def add_one(session: Session) -> None:
        read = session.execute(select(SITE.c.code)).scalar_one()
        session.execute(update(SITE).values(code=str(int(read) + 1)))

    def many(failed: list[BaseException]) -> None:
        try:
            for _ in range(rounds):
                meet.wait(10)
                work.database.run(add_one, writes=True)
        except BaseException as error:  # noqa: BLE001 - a thread's error is raised in the test below
            failed.append(error)

    failed: list[BaseException] = []
    threads = [threading.Thread(target=many, args=(failed,)) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    end = work.database.run(lambda s: s.execute(select(SITE.c.code)).scalar_one(), writes=False)
    assert int(end) == 2 * rounds


def test_a_full_disk_is_said_and_writing_resumes(database: Database) -> None:
    with database.connection(writes=True) as connection:
        connection.exec_driver_sql("CREATE TABLE big (body BLOB)")
    with database.engine.connect() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
        connection.rollback()
    fill = text("INSERT INTO big VALUES (randomblob(1000000))")

    def limited(session: Session) -> None:
        session.execute(text(f"PRAGMA max_page_count = {pages + 2}"))
        session.execute(fill)

    with pytest.raises(Unavailable, match="disk"):
        database.run(limited, writes=True)
    database.run(
        lambda session: session.execute(text("PRAGMA max_page_count = 1000000")), writes=True
    )
    database.run(lambda session: session.execute(fill), writes=True)
    count = text("SELECT count(*) FROM big")
    assert database.run(lambda s: s.execute(count).scalar(), writes=False) == 1


def test_a_site_is_made_once(work: Work) -> None:
    work.prepare()
    work.prepare()
    rows = work.database.run(lambda s: s.execute(select(SITE.c.id)).scalars().all(), writes=False)
    assert len(rows) == 1


def test_two_sites_cannot_share_a_code(work: Work) -> None:
    row = {"code": "SITE", "name": "Twin", "timezone": "Europe/London", "is_demo": False}
    with pytest.raises(Exception, match=r"(?i)unique"):
        work.database.run(lambda s: s.execute(insert(SITE).values(row)), writes=True)
