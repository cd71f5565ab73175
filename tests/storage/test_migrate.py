"""A rule is replaced without touching the rows, the other rules or what refers to the table."""

from collections.abc import Iterator

import pytest
from alembic.migration import MigrationContext
from alembic.operations import Operations
from sqlalchemy import Connection, inspect, text
from sqlalchemy.exc import IntegrityError
from sqlmodel import SQLModel

from service.operations.work import Work
from service.storage.database import Database
from service.storage.migrate import replace_check

RULE = "ck_location_kind_known"


SHELF = "INSERT INTO location (site_id, store, shelf, kind) VALUES (1, 'Van', 'A', '{}')"


@pytest.fixture
def migrating(work: Work) -> Iterator[Connection]:
    database: Database = work.database
    with database.connection(writes=True) as connection:
        context = MigrationContext.configure(connection)
        with Operations.context(context):
            yield connection


def _rules(connection: Connection, table: str) -> dict[str, str]:
    found = inspect(connection).get_check_constraints(table)
    return {str(one["name"]): " ".join(one["sqltext"].split()) for one in found}


def test_a_row_the_new_rule_allows_goes_in(migrating: Connection) -> None:
    before = _rules(migrating, "location")
    replace_check("location", RULE, "kind IN ('shelf', 'quarantine', 'theatre', 'van')")
    migrating.execute(text(SHELF.format("van")))
    after = _rules(migrating, "location")
    assert set(after) == set(before)
    assert "van" in after[RULE]


def test_a_row_the_new_rule_forbids_is_refused(migrating: Connection) -> None:
    replace_check("location", RULE, "kind IN ('theatre')")
    with pytest.raises(IntegrityError), migrating.begin_nested():
        migrating.execute(text(SHELF.format("shelf")))


def test_a_rule_the_rows_break_is_refused(migrating: Connection) -> None:
    migrating.execute(text(SHELF.format("shelf")))
    with pytest.raises((ValueError, IntegrityError), match=RULE):
        replace_check("location", RULE, "kind IN ('theatre')")
    migrating.rollback()


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_the_migrated_rules_are_those_of_the_tables(migrating: Connection) -> None:
    # Autogenerate does not see a CHECK: a new word in a set without its migration shows here.
    for table in SQLModel.metadata.tables.values():
        wanted = {
            str(one.name): " ".join(str(one.sqltext).split())
            for one in table.constraints
            if hasattr(one, "sqltext")
        }
        assert _rules(migrating, table.name) == wanted
