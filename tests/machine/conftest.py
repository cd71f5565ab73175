"""Small departments, ready made, one for every run of a machine."""

import itertools
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.conftest import PostgresServer, let_in, opened
from tests.small_theatre import furnish

NewDatabase = Callable[[], str]


@pytest.fixture
def new_database(request: pytest.FixtureRequest, database_kind: str, tmp_path: Path) -> NewDatabase:
    """Give the URL of a new small department on each call."""
    numbers = itertools.count()
    if database_kind == "sqlite":
        template = tmp_path / "template.db"
        with opened(f"sqlite:///{template}") as work:
            work.prepare()
            work.write(let_in)
            furnish(work)

        def copied() -> str:
            target = tmp_path / f"{next(numbers)}.db"
            shutil.copy(template, target)
            return f"sqlite:///{target}"

        return copied
    server: PostgresServer = request.getfixturevalue("postgres")
    name = server.create()
    with opened(server.url_of(name)) as work:
        work.prepare()
        work.write(let_in)
        furnish(work)
    return lambda: server.url_of(server.create(name))
