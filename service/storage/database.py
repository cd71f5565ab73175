"""The database: one engine, one transaction a unit of work, on SQLite or PostgreSQL.

SQLite needs WAL, foreign keys, a busy timeout and BEGIN IMMEDIATE for writers: a deferred
transaction that turns writer is refused at once, whatever the timeout, and read-then-write
without the lock loses updates.
"""

import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, nullcontext
from datetime import UTC, datetime
from pathlib import Path
from threading import Lock
from typing import Any, TypeVar

from sqlalchemy import (
    Connection,
    DateTime,
    Dialect,
    Executable,
    Table,
    UpdateBase,
    create_engine,
    event,
    text,
)
from sqlalchemy.engine import make_url
from sqlalchemy.exc import DBAPIError, OperationalError
from sqlalchemy.sql.elements import ReleaseSavepointClause, SavepointClause
from sqlalchemy.types import TypeDecorator
from sqlmodel import Session

from service.errors import Unavailable

Result = TypeVar("Result")


#: How often a unit of work is tried when the database says two of them clashed.
ATTEMPTS = 5


#: PostgreSQL: the advisory lock writers take, so that what one reads stays true until it commits.
WRITER_LOCK = 8321


#: PostgreSQL: serialization failure and deadlock found; the whole transaction may be run again.
_RETRY_STATES = {"40001", "40P01"}


#: PostgreSQL: connection trouble, and a server that is shutting down or starting.
_NO_CONNECTION = ("08", "57P")


#: The execution option by which a statement says that it changes less than its whole table.
CHANGES = "traywright_changes"


#: Stands for every table where it is not known what was changed.
ANY_TABLE = "*"


_WRITTEN = "traywright_written"


_DISK_TROUBLE = ("disk is full", "disk I/O error", "readonly database", "No space left")


class TransactionClash(Exception):
    """Two units of work met; the one that says so is run again from its start."""


class Database:
    """Where the service keeps its rows.

    Parameters
    ----------
    url
        SQLAlchemy URL; ``sqlite:///file`` or ``postgresql+psycopg://…``.
    """

    def __init__(self, url: str) -> None:
        self.url = make_url(url)
        self.is_sqlite = self.url.get_backend_name() == "sqlite"
        if self.is_sqlite and self.url.database:
            _make_folder(Path(self.url.database).parent)
        self.engine = create_engine(self.url, pool_pre_ping=not self.is_sqlite)
        # Writers of this process queue here and not in SQLite's polling: waiting there is unfair.
        self._writer = Lock() if self.is_sqlite else nullcontext()
        if self.is_sqlite:
            event.listen(self.engine, "connect", _prepare_sqlite)
            event.listen(self.engine, "begin", _begin_sqlite)
        event.listen(self.engine, "after_execute", _count_writes)
        event.listen(self.engine, "rollback_savepoint", _count_rollback)

    @contextmanager
    def session(self, *, writes: bool, keeps: bool = True) -> Iterator[Session]:
        """Open a session for one unit of work; it commits at the end when it writes and keeps.

        ``session.info["written"]`` counts the statements that have changed each table since.
        """
        written: Counter[str] = Counter()
        options: dict[str, Any] = {"traywright_writes": writes, _WRITTEN: written}
        if not self.is_sqlite:
            # A reader sees one moment; a writer, alone after its lock, sees the newest.
            options["isolation_level"] = "READ COMMITTED" if writes else "REPEATABLE READ"
        engine = self.engine.execution_options(**options)
        with (
            self._writer if writes else nullcontext(),
            Session(engine, expire_on_commit=False) as session,
        ):
            session.info["written"] = written
            if writes and not self.is_sqlite:
                session.execute(text(f"SELECT pg_advisory_xact_lock({WRITER_LOCK})"))
            yield session
            if writes and keeps:
                session.commit()
            else:
                session.rollback()

    def run(
        self, operation: Callable[[Session], Result], *, writes: bool, keeps: bool = True
    ) -> Result:
        """Run one unit of work in one transaction, again if the database says two clashed.

        What writes but does not keep is undone at the end.

        Raises
        ------
        Unavailable
            When the database stays locked, is out of space or cannot be reached.
        """
        for attempt in range(1, ATTEMPTS + 1):
            try:
                with self.session(writes=writes, keeps=keeps) as session:
                    return operation(session)
            except TransactionClash:
                if attempt == ATTEMPTS:
                    raise Unavailable(
                        "Other people kept changing the same records. Nothing was saved; try again."
                    ) from None
            except DBAPIError as error:
                if attempt < ATTEMPTS and getattr(error.orig, "sqlstate", None) in _RETRY_STATES:
                    continue
                raise _as_unavailable(error) or error from error
        message = "the loop above returns or raises"
        raise AssertionError(message)

    @contextmanager
    def connection(self, *, writes: bool) -> Iterator[Connection]:
        """Open a transaction without a session, for migrations.

        Raises
        ------
        Unavailable
            As `run` does.
        """
        try:
            with self.engine.execution_options(traywright_writes=writes).begin() as connection:
                yield connection
        except DBAPIError as error:
            raise _as_unavailable(error) or error from error

    def close(self) -> None:
        """Return every connection back."""
        self.engine.dispose()


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise Unavailable(
            f"The folder {folder} for the database cannot be created ({error.strerror}). Nothing "
            "was saved."
        ) from error


def _prepare_sqlite(connection: sqlite3.Connection, _record: object) -> None:
    # The driver must not open transactions by itself: the begin event below does.
    connection.isolation_level = None
    for pragma in (
        "journal_mode = WAL",
        "foreign_keys = ON",
        "busy_timeout = 10000",
        "synchronous = FULL",
        # Otherwise INSERT OR REPLACE would delete a line of the ledger past its trigger.
        "recursive_triggers = ON",
    ):
        connection.execute(f"PRAGMA {pragma}")


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get("traywright_writes", True)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _count_writes(
    connection: Connection,
    statement: Executable,
    _many: object,
    _one: object,
    options: Mapping[str, Any],
    _result: object,
) -> None:
    written = connection.get_execution_options().get(_WRITTEN)
    if written is None or getattr(statement, "is_select", False):
        return
    if isinstance(statement, SavepointClause | ReleaseSavepointClause):
        # They change nothing; what going back to one undoes is counted then.
        return
    if isinstance(statement, UpdateBase) and isinstance(statement.table, Table):
        written[options.get(CHANGES, statement.table.name)] += 1
    else:
        written[ANY_TABLE] += 1


def _count_rollback(connection: Connection, _name: str, _context: object) -> None:
    """Count what a savepoint undoes: it can only be of tables that have been written."""
    written = connection.get_execution_options().get(_WRITTEN)
    if written is not None:
        written.update(dict.fromkeys(written, 1))


def _as_unavailable(error: DBAPIError) -> Unavailable | None:
    said = str(error.orig)
    if any(sign in said for sign in _DISK_TROUBLE):
        return Unavailable(
            "The disk is full or cannot be written. Nothing was saved; tell the administrator."
        )
    if "database is locked" in said:
        return Unavailable("The database was busy for 10 seconds. Nothing was saved; try again.")
    if _is_out_of_reach(error):
        return Unavailable("The database cannot be reached. Nothing was saved; try again.")
    return None


def _is_out_of_reach(error: DBAPIError) -> bool:
    """Tell whether there is no database to talk to: it never answered, or it hung up."""
    if not isinstance(error, OperationalError):
        return False
    state = getattr(error.orig, "sqlstate", "")
    never_answered = state is None or "unable to open database file" in str(error.orig)
    return error.connection_invalidated or never_answered or str(state).startswith(_NO_CONNECTION)


class UtcDateTime(TypeDecorator[datetime]):
    """An aware moment, kept in UTC; a naive one is refused.

    SQLite has no zone of its own, so what comes back is marked UTC here.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Turn an aware moment to UTC on the way in."""
        if value is None:
            return None
        if value.tzinfo is None:
            message = f"{value} has no time zone"
            raise ValueError(message)
        moment = value.astimezone(UTC)
        return moment.replace(tzinfo=None) if dialect.name == "sqlite" else moment

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Mark what comes out as UTC."""
        if value is None or dialect.name != "sqlite":
            return value
        return value.replace(tzinfo=UTC)
