"""Bring a database to the newest tables, and tell whether it is there.

``python -m service.storage.migrate "what changes"`` writes the next migration from the difference
between the tables and the migrations so far. Tables, columns, keys and indexes
go into the file; a CHECK that differs is printed as a line to put there.
"""

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from alembic import command, op
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util import CommandError
from sqlalchemy import CheckConstraint, Connection, Table, inspect, text
from sqlmodel import SQLModel

from service.errors import Unavailable
from service.storage.database import Database


def _config(connection: Connection | None = None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.set_main_option("path_separator", "os")
    if connection is not None:
        config.attributes["connection"] = connection
    return config


def migrate(database: Database) -> None:
    """Run every migration the database has not seen yet.

    Raises
    ------
    Unavailable
        As `Database.connection` does, and where the database has seen a migration that this
        version does not have.
    """
    with database.connection(writes=True) as connection:
        try:
            command.upgrade(_config(connection), "head")
        except CommandError as error:
            raise Unavailable(
                "The database was made by another version of this program. Use that version, or "
                "start with an empty database. Nothing was saved."
            ) from error


def is_current(database: Database) -> bool:
    """Tell whether the database is reachable and has seen every migration."""
    head = ScriptDirectory.from_config(_config()).get_current_head()
    with database.connection(writes=False) as connection:
        return MigrationContext.configure(connection).get_current_revision() == head


def write_revision(database: Database, message: str) -> None:
    """Write a new migration from the difference between the tables and the database."""
    with database.connection(writes=True) as connection:
        config = _config(connection)
        count = len(list(ScriptDirectory.from_config(config).walk_revisions()))
        command.revision(config, message, autogenerate=True, rev_id=f"{count + 1:04d}")


def main(arguments: list[str]) -> None:
    """Write the next migration against a database made for it and thrown away."""
    if len(arguments) != 1:
        sys.exit('Say what changes: python -m service.storage.migrate "what changes"')
    with tempfile.TemporaryDirectory() as folder:
        database = Database(f"sqlite:///{folder}/scratch.db")
        migrate(database)
        write_revision(database, arguments[0])
        with database.connection(writes=False) as connection:
            changed = _changed_checks(connection)
        database.close()
    if changed:
        listed = "\n".join(f"    replace_check({', '.join(map(repr, one))})" for one in changed)
        sys.stdout.write(f"Rules differ; import replace_check and put into upgrade():\n{listed}\n")


def _changed_checks(connection: Connection) -> list[tuple[str, str, str]]:
    """Return table, name and rule of every CHECK that the migrations so far leave different."""
    changed = []
    for table in SQLModel.metadata.sorted_tables:
        if not inspect(connection).has_table(table.name):
            continue
        found = inspect(connection).get_check_constraints(table.name)
        there = {str(one["name"]): " ".join(one["sqltext"].split()) for one in found}
        changed += [
            (table.name, name, rule)
            for name, rule in sorted(_rules(table))
            if name in there and there[name] != rule
        ]
    return changed


def _rules(table: Table) -> Iterator[tuple[str, str]]:
    for one in table.constraints:
        if isinstance(one, CheckConstraint):
            yield str(one.name), " ".join(str(one.sqltext).split())


def replace_check(table: str, name: str, rule: str) -> None:
    """Replace the rule of a named CHECK; every row must obey the new one.

    Parameters
    ----------
    table
        The table it stands on.
    name
        The constraint's full name, such as ``ck_item_kind_known``.
    rule
        SQL, without ``CHECK`` and its parentheses.
    """
    connection = op.get_bind()
    if connection.dialect.name == "sqlite":
        _replace_in_sqlite(connection, table, name, rule)
        return
    op.drop_constraint(op.f(name), table, type_="check")
    op.create_check_constraint(op.f(name), table, rule)


def _replace_in_sqlite(connection: Connection, table: str, name: str, rule: str) -> None:
    stored = connection.execute(
        text("SELECT sql FROM sqlite_master WHERE type = 'table' AND name = :table"),
        {"table": table},
    ).scalar_one()
    connection.execute(text("PRAGMA writable_schema = ON"))
    connection.execute(
        text("UPDATE sqlite_master SET sql = :sql WHERE type = 'table' AND name = :table"),
        {"sql": with_rule(stored, name, rule), "table": table},
    )
    version = connection.execute(text("PRAGMA schema_version")).scalar_one()
    connection.execute(text(f"PRAGMA schema_version = {int(version) + 1}"))
    connection.execute(text("PRAGMA writable_schema = RESET"))
    said = connection.execute(text("PRAGMA quick_check")).scalars().all()
    if said != ["ok"]:
        raise ValueError(f"rows break the new rule {name}: {'; '.join(map(str, said))}")


def with_rule(sql: str, name: str, rule: str) -> str:
    """Return a table's SQL with another rule in one of its named CHECKs.

    Examples
    --------
    >>> with_rule("CREATE TABLE t (a INT, CONSTRAINT c CHECK (a IN (1, 2)), b INT)", "c", "a > 0")
    'CREATE TABLE t (a INT, CONSTRAINT c CHECK (a > 0), b INT)'
    """
    opening = f"CONSTRAINT {name} CHECK ("
    start = sql.index(opening) + len(opening)
    depth = 1
    for place in range(start, len(sql)):
        depth += {"(": 1, ")": -1}.get(sql[place], 0)
        if depth == 0:
            return sql[:start] + rule + sql[place:]
    raise ValueError(f"the rule {name} never ends")


if __name__ == "__main__":
    main(sys.argv[1:])
