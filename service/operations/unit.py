"""The unit of work every operation runs in: one session, one moment, one name."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TypeVar
from zoneinfo import ZoneInfo

from sqlmodel import Session, select

from service.settings import Settings
from service.storage.engine import Database
from service.storage.migrate import is_current, migrate
from service.storage.tables import Site

__all__ = ["Unit", "Work"]

Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class Unit:
    """What an operation may use: it neither commits nor looks at a clock.

    Parameters
    ----------
    session
        The open transaction.
    now
        The moment of the request, in UTC.
    actor
        The name written beside every change.
    site_id, zone
        The site whose stock and lists are meant, and its time zone.
    """

    session: Session
    now: datetime
    actor: str
    site_id: int
    zone: ZoneInfo

    @property
    def today(self) -> date:
        """The date at the site."""
        return self.now.astimezone(self.zone).date()

    def local(self, moment: datetime) -> datetime:
        """Give an aware moment on the site's clock."""
        return moment.astimezone(self.zone)

    def moment(self, when: datetime) -> datetime:
        """Give a moment in UTC; one without a zone is on the site's clock."""
        if when.tzinfo is None:
            when = when.replace(tzinfo=self.zone)
        return when.astimezone(UTC)


class Work:
    """Runs operations, each in one transaction; the only door API and pages have to the rows.

    Parameters
    ----------
    settings
        Where the database is, and the site's time zone when there is no site yet.
    clock
        Gives the present moment, aware.
    """

    def __init__(
        self, settings: Settings, clock: Callable[[], datetime] = lambda: datetime.now(UTC)
    ) -> None:
        self.settings = settings
        self.clock = clock
        self.database = Database(settings.database_url)

    def prepare(self) -> None:
        """Bring the tables up to date and make sure there is a site."""
        migrate(self.database)
        self.database.run(self._first_site, writes=True)

    def is_ready(self) -> bool:
        """Tell whether the database answers and has seen every migration."""
        return is_current(self.database)

    def read(self, operation: Callable[[Unit], Result]) -> Result:
        """Run an operation that changes nothing."""
        return self.database.run(lambda session: operation(self._unit(session, "")), writes=False)

    def write(self, operation: Callable[[Unit], Result], actor: str | None = None) -> Result:
        """Run an operation that changes rows; all of it is saved, or nothing."""
        name = actor or self.settings.default_actor
        return self.database.run(lambda session: operation(self._unit(session, name)), writes=True)

    def rehearse(self, operation: Callable[[Unit], Result], actor: str | None = None) -> Result:
        """Run an operation that changes rows and undo every change: nothing is saved."""
        name = actor or self.settings.default_actor
        return self.database.run(
            lambda session: operation(self._unit(session, name)), writes=True, keeps=False
        )

    def close(self) -> None:
        """Give the database back."""
        self.database.close()

    def _unit(self, session: Session, actor: str) -> Unit:
        site = session.exec(select(Site).order_by(Site.id)).first()  # type: ignore[arg-type] # SQLModel types a column as its value
        if site is None or site.id is None:
            message = "the database has no site; run 'traywright migrate' first"
            raise RuntimeError(message)
        return Unit(session, self.clock(), actor, site.id, ZoneInfo(site.timezone))

    def _first_site(self, session: Session) -> None:
        if session.exec(select(Site)).first() is None:
            session.add(Site(code="SITE", name="This hospital", timezone=self.settings.timezone))
