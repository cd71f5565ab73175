"""Alembic's entry: runs the migrations on the connection it is handed."""

from typing import Literal

from alembic import context
from sqlmodel import SQLModel
from sqlmodel.sql.sqltypes import AutoString

from service.storage import tables
from service.storage.database import UtcDateTime

__all__ = ["tables"]


def render_item(kind: str, item: object, _context: object) -> str | Literal[False]:
    """Write our column types by their own name and SQLModel's text as plain text."""
    if kind == "type" and isinstance(item, UtcDateTime):
        return "UtcDateTime()"
    if kind == "type" and isinstance(item, AutoString):
        return "sa.String()"
    return False


connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=SQLModel.metadata,
    render_as_batch=connection.dialect.name == "sqlite",
    compare_type=True,
    include_name=lambda name, kind, _: kind != "table" or name in SQLModel.metadata.tables,
    render_item=render_item,
)
with context.begin_transaction():
    context.run_migrations()
