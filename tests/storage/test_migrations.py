"""The migrations make exactly the tables, can be undone and redone, and say whether they ran."""

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import Connection, insert, inspect
from sqlmodel import SQLModel

from service.errors import Unavailable
from service.operations.work import Work
from service.settings import Settings
from service.storage import migrate
from service.storage.database import Database
from service.storage.tables import Person
from tests.conftest import NOW


def _differences(connection: Connection) -> list[object]:
    context = MigrationContext.configure(
        connection,
        opts={
            "compare_type": True,
            "compare_server_default": True,
            "include_name": lambda name, kind, _: kind != "table" or name != "alembic_version",
        },
    )
    return list(compare_metadata(context, SQLModel.metadata))


def test_the_migrations_make_exactly_the_tables(work: Work) -> None:
    with work.database.connection(writes=False) as connection:
        assert _differences(connection) == []


def test_a_missing_column_would_be_seen(work: Work) -> None:
    """The control of the test above: it can fail."""
    with work.database.connection(writes=True) as connection:
        connection.exec_driver_sql("ALTER TABLE sizing_default DROP COLUMN note")
        assert _differences(connection) != []


def _tables(database: Database) -> set[str]:
    with database.connection(writes=False) as connection:
        return set(inspect(connection).get_table_names())


def test_the_migrations_can_be_undone_and_redone(work: Work) -> None:
    made = _tables(work.database)
    assert made > {"movement", "balance"}
    with work.database.connection(writes=True) as connection:
        command.downgrade(migrate._config(connection), "base")  # noqa: SLF001 - the program itself never goes back
    assert _tables(work.database) == {"alembic_version"}
    assert not work.is_ready()
    work.prepare()
    assert _tables(work.database) == made
    assert work.is_ready()
    with work.database.connection(writes=False) as connection:
        assert _differences(connection) == []


@pytest.mark.parametrize(
    ("people", "declared_by"),
    [
        ([], 1),  # one site: it was that
        ([("kim", 1), ("kim", 1), ("lee", 2)], 1),
        ([("kim", 2), ("lee", 1)], 2),
        ([("kim", 1), ("kim", 2)], None),
        ([("lee", 1), ("lee", 2)], None),
    ],
)
def test_a_recall_on_record_belongs_to_the_site_of_who_started_it(
    work: Work, people: list[tuple[str, int]], declared_by: int | None
) -> None:
    with work.database.connection(writes=True) as connection:
        command.downgrade(migrate._config(connection), "0002")  # noqa: SLF001 - the program itself never goes back
        if people:
            connection.exec_driver_sql(
                "INSERT INTO site (id, code, name, timezone, is_demo) "
                "VALUES (2, 'B', 'B', 'UTC', (1 = 0))"
            )
        for number, (name, site) in enumerate(people, start=900):
            row = {"id": number, "site_id": site, "sign_in": f"s{number}", "name": name}
            connection.execute(insert(Person).values(**row, roles=[], password_hash=""))
        connection.exec_driver_sql(
            "INSERT INTO recall (id, notice, supplier, lot_number, serial, reason, at, actor) "
            "VALUES (1, 'N', '', 'L', '', 'r', '2031-03-01 00:00:00', 'kim')"
        )
    work.prepare()
    with work.database.connection(writes=False) as connection:
        found = connection.exec_driver_sql("SELECT site_id FROM recall").scalar()
    assert found == declared_by


def test_migrating_again_changes_nothing(work: Work) -> None:
    before = _tables(work.database)
    work.prepare()
    assert _tables(work.database) == before


def test_a_database_of_another_version_is_said_in_a_sentence(work: Work) -> None:
    with work.database.connection(writes=True) as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(Unavailable, match="another version"):
        work.prepare()


@pytest.mark.parametrize(
    "url",
    [
        "postgresql+psycopg://nobody@127.0.0.1:9/none?connect_timeout=2",
        "sqlite:////proc/none/none.db",
    ],
)
def test_a_database_out_of_reach_is_said_in_a_sentence(url: str) -> None:
    with pytest.raises(Unavailable, match="Nothing was saved"):
        Work(Settings(database_url=url), lambda: NOW).prepare()
