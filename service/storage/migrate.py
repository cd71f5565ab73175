"""Bring a database to the newest tables, and tell whether it is there."""

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection

from service.storage.engine import Database

__all__ = ["is_current", "migrate", "write_revision"]


def _config(connection: Connection | None = None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.set_main_option("path_separator", "os")
    if connection is not None:
        config.attributes["connection"] = connection
    return config


def migrate(database: Database) -> None:
    """Run every migration the database has not seen yet."""
    with database.engine.begin() as connection:
        command.upgrade(_config(connection), "head")


def is_current(database: Database) -> bool:
    """Tell whether the database is reachable and has seen every migration."""
    head = ScriptDirectory.from_config(_config()).get_current_head()
    with database.engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision() == head


def write_revision(database: Database, message: str) -> None:
    """Write a new migration from the difference between the tables and the database."""
    with database.engine.begin() as connection:
        command.revision(_config(connection), message, autogenerate=True)
