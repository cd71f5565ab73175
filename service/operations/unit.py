"""The unit of work every operation runs in: one session, one moment, one name."""

from collections.abc import Callable
from copy import copy
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TypeVar
from zoneinfo import ZoneInfo

from sqlmodel import Session, col, select

from service.operations.caller import SYSTEM, Caller, Here
from service.settings import Settings
from service.storage.engine import Database
from service.storage.migrate import is_current, migrate
from service.storage.tables import Site

__all__ = ["Unit", "Work", "here_of"]

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
    here
        The site whose stock and lists are meant.
    caller
        Who asks, and what they may do.
    settings
        How the service is set.
    """

    session: Session
    now: datetime
    actor: str
    here: Here
    caller: Caller
    settings: Settings

    @property
    def site_id(self) -> int:
        """The key of the site."""
        return self.here.id

    @property
    def zone(self) -> ZoneInfo:
        """The time zone of the site."""
        return ZoneInfo(self.here.timezone)

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


def here_of(site: Site) -> Here:
    """Give a site as operations know it."""
    return Here(site.id or 0, site.name, site.timezone, site.is_demo)


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
        self.caller = SYSTEM
        self.after: Callable[[Unit], None] | None = None
        self.here: Here | None = None
        self.database = Database(settings.database_url)

    def for_caller(self, caller: Caller, after: Callable[[Unit], None]) -> "Work":
        """Give the same door for somebody: what they write carries their name.

        Parameters
        ----------
        after
            Called at the end of every write, in its transaction; writes the audit trail.
        """
        door = copy(self)
        door.caller, door.after = caller, after
        door.here = caller.here
        return door

    def prepare(self) -> None:
        """Bring the tables up to date and make sure there is a site."""
        migrate(self.database)
        self.database.run(self._first_site, writes=True)

    def is_ready(self) -> bool:
        """Tell whether the database answers and has seen every migration."""
        return is_current(self.database)

    def look_up(self, query: Callable[[Session], Result]) -> Result:
        """Answer a question that belongs to no site, such as who is asking."""
        return self.database.run(query, writes=False)

    def read(self, operation: Callable[[Unit], Result]) -> Result:
        """Run an operation that changes nothing."""
        return self.database.run(lambda session: operation(self._unit(session, "")), writes=False)

    def write(self, operation: Callable[[Unit], Result], actor: str | None = None) -> Result:
        """Run an operation that changes rows; all of it is saved, or nothing."""

        def run(session: Session) -> Result:
            unit = self._unit(session, actor)
            result = operation(unit)
            if self.after is not None:
                self.after(unit)
            return result

        return self.database.run(run, writes=True)

    def rehearse(self, operation: Callable[[Unit], Result], actor: str | None = None) -> Result:
        """Run an operation that changes rows and undo every change: nothing is saved."""
        return self.database.run(
            lambda session: operation(self._unit(session, actor)), writes=True, keeps=False
        )

    def close(self) -> None:
        """Give the database back."""
        self.database.close()

    def _unit(self, session: Session, actor: str | None) -> Unit:
        here = self.here or self._find_site(session)
        if self.caller.site_id is not None:
            # Somebody's own door lasts for one request; the service's outlives changes of a site.
            self.here = here
        return Unit(
            session, self.clock(), actor or self.caller.name, here, self.caller, self.settings
        )

    def _find_site(self, session: Session) -> Here:
        query = select(Site).order_by(col(Site.id)).limit(1)
        if self.caller.site_id is not None:
            query = query.where(col(Site.id) == self.caller.site_id)
        site = session.exec(query).first()
        if site is None:
            message = "the database has no site; run 'traywright migrate' first"
            raise RuntimeError(message)
        return here_of(site)

    def _first_site(self, session: Session) -> None:
        if session.exec(select(Site)).first() is None:
            session.add(Site(code="SITE", name="This hospital", timezone=self.settings.timezone))
