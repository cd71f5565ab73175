"""The database: one engine, one transaction a unit of work, on SQLite or PostgreSQL.

SQLite needs WAL, foreign keys, a busy timeout and BEGIN IMMEDIATE for writers: a deferred
transaction that turns writer is refused at once, whatever the timeout, and read-then-write
without the lock loses updates.
"""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import Connection, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import DBAPIError, OperationalError
from sqlmodel import Session

from service.errors import Unavailable

__all__ = ["Database"]

Result = TypeVar("Result")

#: How often a unit of work is tried when the database says two of them clashed.
ATTEMPTS = 5

#: PostgreSQL: serialization failure and deadlock found; the whole transaction may be run again.
_RETRY_STATES = {"40001", "40P01"}

_DISK_TROUBLE = ("disk is full", "disk I/O error", "readonly database", "No space left")


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
            Path(self.url.database).parent.mkdir(parents=True, exist_ok=True)
        options: dict[str, Any] = {"pool_pre_ping": not self.is_sqlite}
        if not self.is_sqlite:
            options["isolation_level"] = "REPEATABLE READ"
        self.engine = create_engine(self.url, **options)
        if self.is_sqlite:
            event.listen(self.engine, "connect", _prepare_sqlite)
            event.listen(self.engine, "begin", _begin_sqlite)

    @contextmanager
    def session(self, *, writes: bool) -> Iterator[Session]:
        """Open a session for one unit of work; it commits at the end when it writes."""
        connection_options = {"traywright_writes": writes}
        engine = self.engine.execution_options(**connection_options)
        with Session(engine, expire_on_commit=False) as session:
            yield session
            if writes:
                session.commit()
            else:
                session.rollback()

    def run(self, operation: Callable[[Session], Result], *, writes: bool) -> Result:
        """Run one unit of work in one transaction, again if the database says two clashed.

        Raises
        ------
        Unavailable
            When the database stays locked, is out of space or cannot be reached.
        """
        for attempt in range(1, ATTEMPTS + 1):
            try:
                with self.session(writes=writes) as session:
                    return operation(session)
            except DBAPIError as error:
                if attempt < ATTEMPTS and getattr(error.orig, "sqlstate", None) in _RETRY_STATES:
                    continue
                unavailable = _as_unavailable(error)
                if unavailable is None:
                    raise
                raise unavailable from error
        message = "the loop above returns or raises"
        raise AssertionError(message)

    def close(self) -> None:
        """Give every connection back."""
        self.engine.dispose()


def _prepare_sqlite(connection: sqlite3.Connection, _record: object) -> None:
    # The driver must not open transactions by itself: the begin event below does.
    connection.isolation_level = None
    for pragma in (
        "journal_mode = WAL",
        "foreign_keys = ON",
        "busy_timeout = 10000",
        "synchronous = FULL",
    ):
        connection.execute(f"PRAGMA {pragma}")


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get("traywright_writes", True)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _as_unavailable(error: DBAPIError) -> Unavailable | None:
    text = str(error.orig)
    if any(sign in text for sign in _DISK_TROUBLE):
        return Unavailable(
            "The disk cannot take the change. Nothing was saved; tell whoever runs it."
        )
    if "database is locked" in text:
        return Unavailable("The database was busy for 10 seconds. Nothing was saved; try again.")
    if isinstance(error, OperationalError) and error.connection_invalidated:
        return Unavailable("The database cannot be reached. Nothing was saved; try again.")
    return None
