"""How often a request asks the database, and that it never asks the same thing twice."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlalchemy import event

#: Opens, closes and guards a transaction; nothing is asked with it.
_CONTROL = ("BEGIN", "SAVEPOINT", "RELEASE", "ROLLBACK", "SELECT pg_advisory_xact_lock")


@dataclass
class Statements:
    """What was sent to the database, in order, with its parameters."""

    sent: list[tuple[str, str]] = field(default_factory=list)

    def __call__(self, *args: Any) -> None:  # noqa: ANN401 - SQLAlchemy's own listener arguments
        text, parameters = args[2], args[3]
        if not text.startswith(_CONTROL):
            self.sent.append((" ".join(text.split()), repr(parameters)))

    def __str__(self) -> str:
        return "\n".join(
            f"{n:3} {text}\n      {given}" for n, (text, given) in enumerate(self.sent, 1)
        )

    def repeated(self) -> list[tuple[str, str]]:
        """What was sent more than once."""
        return [one for one in dict.fromkeys(self.sent) if self.sent.count(one) > 1]


@contextmanager
def counted(client: TestClient) -> Iterator[Statements]:
    """Write down every statement while the block runs."""
    assert isinstance(client.app, FastAPI)
    engine, statements = client.app.state.work.database.engine, Statements()
    event.listen(engine, "before_cursor_execute", statements)
    try:
        yield statements
    finally:
        event.remove(engine, "before_cursor_execute", statements)
