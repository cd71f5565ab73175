"""The unit of work every operation runs in: one session, one moment, one name."""

import hashlib
from collections.abc import Callable
from copy import copy
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TypeVar
from zoneinfo import ZoneInfo

from pydantic import BaseModel
from sqlalchemy.exc import IntegrityError
from sqlmodel import Session, col, select

from service.errors import ClockBehind, Conflict, Stale
from service.settings import Settings
from service.storage.database import Database, TransactionClash
from service.storage.migrate import is_current, migrate
from service.storage.tables import DoneRequest, Site

Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class Here:
    """The site an operation acts at."""

    id: int
    name: str
    timezone: str
    is_demo: bool


@dataclass(frozen=True, slots=True)
class Caller:
    """Somebody signed in, or a program with a token, or the service itself.

    Parameters
    ----------
    name
        Written beside every change.
    person_id, site_id
        The account and its site; ``None`` for the service itself, which acts at the first site.
    roles
        What gives the person permissions; see ``rules``.
    operation, subject
        What is asked for: the name of its handler, and the path it is asked of.
    address
        Where the request comes from.
    form_token
        The token that forms of this session carry; empty for a program.
    here
        The person's site, where it is known already.
    """

    name: str
    person_id: int | None = None
    site_id: int | None = None
    roles: frozenset[str] = frozenset()
    operation: str = ""
    subject: str = ""
    address: str = ""
    form_token: str = ""
    here: Here | None = None

    @property
    def is_signed_in(self) -> bool:
        """Whether it is somebody in a session, and no program."""
        return self.person_id is not None and bool(self.form_token)


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
        """Return an aware moment on the site's clock."""
        return moment.astimezone(self.zone)

    def moment(self, when: datetime) -> datetime:
        """Return a moment in UTC; one without a zone is on the site's clock."""
        if when.tzinfo is None:
            when = when.replace(tzinfo=self.zone)
        return when.astimezone(UTC)


#: Two machines' clocks differ by less (common practice, no source).
_LATE = timedelta(minutes=1)


def refuse_late_clock(now: datetime, newest: datetime | None) -> None:
    """Refuse to go on when the clock shows a time from before the ledger's newest line.

    Parameters
    ----------
    newest
        When the newest line of the ledger was written; ``None`` when there is none.

    Raises
    ------
    ClockBehind
        When it is behind by more than a minute; says by how much.
    """
    if newest is None or newest - now <= _LATE:
        return
    # Without fractions, rounded up: what is said is never less than what is.
    behind = timedelta(seconds=-((now - newest) // timedelta(seconds=1)))
    raise ClockBehind(
        f"The server clock is behind the stock ledger by {behind} (hours, minutes, seconds). "
        "Nothing was checked and nothing was saved. Correct the clock, then try again.",
        facts={"behind_seconds": int(behind.total_seconds())},
    )


def here_of(site: Site) -> Here:
    """Return a site as operations know it."""
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
        #: Called once, before the first thing is read that is not read to change something.
        self.before_reading: Callable[[], None] | None = None
        self.here: Here | None = None
        self.database = Database(settings.database_url)

    def for_caller(self, caller: Caller, after: Callable[[Unit], None]) -> "Work":
        """Return the same door for somebody: what they write carries their name.

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
        self._announce()
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
        self._announce()
        return self.database.run(
            lambda session: operation(self._unit(session, actor)), writes=True, keeps=False
        )

    def _announce(self) -> None:
        first, self.before_reading = self.before_reading, None
        if first is not None:
            first()

    def close(self) -> None:
        """Return the database back."""
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


#: The service itself: the command line, migrations, the demo.
SYSTEM = Caller("the service")


Answer = TypeVar("Answer", bound=BaseModel)


def fingerprint_of(*parts: str | bytes) -> str:
    """Return a digest of everything that makes a request the same request."""
    digest = hashlib.sha256()
    for part in parts:
        data = part.encode() if isinstance(part, str) else part
        digest.update(len(data).to_bytes(8, "big") + data)
    return digest.hexdigest()


def run_once(
    unit: Unit,
    key: str,
    fingerprint: str,
    operation: Callable[[Unit], Answer],
    answer: type[Answer],
) -> Answer:
    """Carry an operation out, or give again what it answered the first time.

    Key, change and answer are saved in one transaction: after a crash either all three are there
    or none.

    Raises
    ------
    Conflict
        When the key has been used for another request.
    """
    done = unit.session.get(DoneRequest, key)
    if done is not None:
        if done.fingerprint != fingerprint:
            raise Conflict(
                "This Idempotency-Key was used for another request. Use a new key.",
                facts={"idempotency_key": key},
            )
        # What was done before is not noted again.
        unit.session.info["replayed"] = True
        return answer.model_validate_json(done.body)
    row = DoneRequest(key=key, fingerprint=fingerprint, body="", at=unit.now)
    unit.session.add(row)
    try:
        # Written first, so that the same request a moment later waits here for this one.
        unit.session.flush()
    except IntegrityError as error:
        raise TransactionClash from error
    result = operation(unit)
    row.body = result.model_dump_json()
    return result


def earlier_answer(unit: Unit, key: str, answer: type[Answer]) -> Answer | None:
    """Return what the request with a key was answered, ``None`` when there was none."""
    done = unit.session.get(DoneRequest, key)
    return None if done is None else answer.model_validate_json(done.body)


def require_version(current: int, read: int, what: str) -> None:
    """Refuse a change that is based on an older version.

    Raises
    ------
    Stale
        When the versions differ; names both.
    """
    if current != read:
        raise Stale(
            f"{what} is now at version {current}; your change is based on version {read}. Load it "
            "again and repeat the change.",
            facts={"current_version": current, "your_version": read},
        )


CAUTION = (
    "A planning aid: film sizes are estimates, confirmed in theatre. The surgeon decides; "
    "instructions for use and local policy come first."
)
