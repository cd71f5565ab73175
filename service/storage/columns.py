"""Column types both databases read alike."""

from datetime import UTC, datetime

from sqlalchemy import DateTime, Dialect
from sqlalchemy.types import TypeDecorator

__all__ = ["UtcDateTime"]


class UtcDateTime(TypeDecorator[datetime]):
    """An aware moment, kept in UTC; a naive one is refused.

    SQLite has no zone of its own, so what comes back is marked UTC here.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Turn an aware moment to UTC on the way in."""
        if value is None:
            return None
        if value.tzinfo is None:
            message = f"{value} has no time zone"
            raise ValueError(message)
        moment = value.astimezone(UTC)
        return moment.replace(tzinfo=None) if dialect.name == "sqlite" else moment

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Mark what comes out as UTC."""
        if value is None or dialect.name != "sqlite":
            return value
        return value.replace(tzinfo=UTC)
