"""What every table shares: named constraints, and small CHECKs."""

from typing import Any

from sqlalchemy import CheckConstraint, Column, String, Table, event, text
from sqlalchemy.engine.default import DefaultExecutionContext
from sqlmodel import SQLModel

from service.core.recalls import comparable

# Named constraints, so that a migration can find them on both databases. The first migration names
# its own by this convention: it never changes.
SQLModel.metadata.naming_convention = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}


def table_of(model: type[SQLModel]) -> Table:
    """Return the plain table under a row class, for queries that want no objects."""
    return SQLModel.metadata.tables[str(model.__tablename__)]


def one_of(column: str, values: frozenset[str], *, absent: bool = False) -> CheckConstraint:
    """Allow known words only."""
    listed = ", ".join(f"'{value}'" for value in sorted(values))
    rule = f"{column} IN ({listed})"
    return CheckConstraint(
        f"{column} IS NULL OR {rule}" if absent else rule, name=f"{column}_known"
    )


def positive(*columns: str) -> list[CheckConstraint]:
    """Allow positive numbers, or none."""
    return [
        CheckConstraint(f"{column} IS NULL OR {column} > 0", name=f"{column}_positive")
        for column in columns
    ]


def where_active() -> dict[str, Any]:
    """Bound an index to rows that have not been released."""
    return {
        "sqlite_where": text("released_at IS NULL"),
        "postgresql_where": text("released_at IS NULL"),
    }


def comparable_of(printed: str) -> Column[str]:
    """Make the column with the comparable form of another; each way of adding a row fills it."""

    def made(context: DefaultExecutionContext) -> str:
        given = context.get_current_parameters()  # type: ignore[no-untyped-call] # SQLAlchemy has no types for it
        return comparable(given[printed])

    # A row added past the program has an empty form: nobody knows what it reads as.
    return Column(String, nullable=False, default=made, server_default=text("''"))


def follow_changes(model: type[SQLModel], **columns: str) -> None:
    """Keep comparable forms true when a row is changed: by the column, what it is the form of."""

    def follow(_mapper: object, _connection: object, row: SQLModel) -> None:
        for column, printed in columns.items():
            setattr(row, column, comparable(getattr(row, printed)))

    event.listen(model, "before_update", follow)
