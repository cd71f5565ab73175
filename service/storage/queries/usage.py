"""Reading and writing the usage history."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from sqlalchemy import insert, select
from sqlmodel import Session

from service.storage.tables import UsageRow, table_of

__all__ = ["KEY", "insert_many", "quantities"]

#: What makes one use the same use.
KEY = ("item_id", "used_on", "lot_number", "case_reference", "outcome")

_TABLE = table_of(UsageRow)


def quantities(session: Session) -> dict[tuple[int, date, str, str, str], int]:
    """Give the quantity of every use on record, by its key."""
    rows = session.execute(select(*(_TABLE.c[name] for name in KEY), _TABLE.c.quantity))
    return {(row[0], row[1], row[2], row[3], row[4]): row[5] for row in rows}


def insert_many(session: Session, rows: Sequence[Mapping[str, Any]]) -> None:
    """Add many uses at once."""
    if rows:
        session.execute(insert(_TABLE), [dict(row) for row in rows])
