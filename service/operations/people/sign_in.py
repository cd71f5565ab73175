"""Signing in and out, and finding out who a request comes from."""

import math
import time
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from limits import RateLimitItemPerMinute, parse
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter
from sqlmodel import Session

from service.errors import SignInNeeded, TooManyTries
from service.operations.people.accounts import digest_of_token, is_secret, new_token
from service.operations.people.audit import note
from service.operations.work import Caller, Here, Unit, Work, here_of
from service.storage.queries import people
from service.storage.tables import Person, SignIn

WRONG = "The name or password is wrong, or the account is not active."


#: The last sight of a session is written when it is this old: not every request writes.
_NOTICE_AFTER = timedelta(seconds=60)


@dataclass(frozen=True, slots=True)
class _Account:
    """What of an account is needed once its row's transaction is over."""

    id: int
    site_id: int
    sign_in: str
    name: str
    roles: frozenset[str]
    password_hash: str
    pin_hash: str
    is_active: bool

    @classmethod
    def of(cls, row: Person) -> "_Account":
        return cls(
            row.id or 0,
            row.site_id,
            row.sign_in,
            row.name,
            frozenset(row.roles),
            row.password_hash,
            row.pin_hash,
            row.is_active,
        )

    def asking(self, asked: Caller) -> Caller:
        """Return this person as the caller of what was asked."""
        return replace(
            asked, name=self.name, person_id=self.id, site_id=self.site_id, roles=self.roles
        )


@dataclass(frozen=True, slots=True)
class StartedSession:
    """A session that has begun: the cookie's token, and when it ends at the latest."""

    token: str
    seconds: int


class Throttle:
    """Counts wrong sign-ins in this process; a right one clears its account's count.

    Parameters
    ----------
    per_account, per_address
        Limits in the words of the ``limits`` library.
    """

    def __init__(
        self, per_account: str = "5 per 15 minutes", per_address: str = "30 per 15 minutes"
    ) -> None:
        self._account: RateLimitItemPerMinute = parse(per_account)  # type: ignore[assignment] # both are per minutes
        self._address: RateLimitItemPerMinute = parse(per_address)  # type: ignore[assignment] # as above
        self._storage = MemoryStorage()
        self._limiter = MovingWindowRateLimiter(self._storage)

    def require_free(self, account: str, address: str) -> None:
        """Refuse a try while there have been too many wrong ones; says how long to wait."""
        for limit, name in ((self._account, f"a {account}"), (self._address, f"b {address}")):
            if not self._limiter.test(limit, name):
                stats = self._limiter.get_window_stats(limit, name)
                wait = max(1, math.ceil(stats.reset_time - time.time()))
                minutes = math.ceil(wait / 60)
                raise TooManyTries(
                    f"Too many wrong attempts. Wait {minutes} "
                    f"{'minute' if minutes == 1 else 'minutes'}, or ask the administrator.",
                    facts={"wait_seconds": wait},
                )

    def count(self, account: str, address: str) -> None:
        """Count a wrong try."""
        self._limiter.hit(self._account, f"a {account}")
        self._limiter.hit(self._address, f"b {address}")

    def forgive(self, account: str) -> None:
        """Clear an account's count after a right sign-in."""
        self._limiter.clear(self._account, f"a {account}")


def start_session(  # noqa: PLR0917 - what a sign-in form carries, and from where it comes
    work: Work, throttle: Throttle, sign_in: str, password: str, caller: Caller, former: str = ""
) -> StartedSession:
    """Sign somebody in with name and password, in a session of its own.

    Parameters
    ----------
    former
        The token that the browser had before; that session ends. Source: OWASP ASVS 5.0, 7.2.4.

    Raises
    ------
    TooManyTries
        After too many wrong tries for this account or from this address.
    SignInNeeded
        When name and password do not belong together; says no more than that.
    """
    account = sign_in.strip().lower()[:60]
    throttle.require_free(account, caller.address)
    person = work.read(lambda unit: _named(unit, account))
    # The password is checked outside any transaction: it takes a tenth of a second on purpose.
    is_right = is_secret(password, person.password_hash if person else "")
    if person is None or not is_right or not person.is_active:
        throttle.count(account, caller.address)
        work.write(lambda unit: _refused(unit, person, caller, {"account": account}))
        raise SignInNeeded(WRONG)
    throttle.forgive(account)
    return work.write(lambda unit: _begin(unit, person, caller, former))


def _named(unit: Unit, sign_in: str) -> _Account | None:
    row = people.by_sign_in(unit.session, sign_in)
    return None if row is None else _Account.of(row)


def _refused(unit: Unit, person: _Account | None, caller: Caller, facts: dict[str, str]) -> None:
    """Note a wrong try where the account's own administrators see it, and no other site's."""
    site_id = None if person is None else person.site_id
    note(unit, replace(caller, site_id=site_id), "refused", facts)


def _begin(unit: Unit, person: _Account, caller: Caller, former: str) -> StartedSession:
    end_session(unit, former)
    token = new_token()
    lasts = unit.settings.session_hours
    unit.session.add(
        SignIn(
            token_hash=digest_of_token(token),
            person_id=person.id,
            form_token=new_token(),
            started_at=unit.now,
            seen_at=unit.now,
            ends_at=unit.now + timedelta(hours=lasts),
        )
    )
    facts = {"account": person.sign_in}
    note(unit, person.asking(caller), "signed in", facts)
    return StartedSession(token, lasts * 3600)


def unlock_session(
    work: Work, throttle: Throttle, token: str, pin: str, caller: Caller
) -> StartedSession:
    """Unlock a session that has been idle, with the person's PIN, on the same computer.

    It goes on under a new token and ends when it would have. Source: OWASP ASVS 5.0, 7.2.4.
    """
    found = work.look_up(lambda session: _session(session, token))
    if found is None or found.ends_at <= work.clock():
        raise SignInNeeded("The session has ended. Sign in with your name and password.")
    person = found.person
    throttle.require_free(person.sign_in, caller.address)
    if not person.is_active or not is_secret(pin, person.pin_hash):
        throttle.count(person.sign_in, caller.address)
        facts = {"account": person.sign_in, "with": "PIN"}
        work.write(lambda unit: _refused(unit, person, caller, facts))
        raise SignInNeeded("Wrong PIN for this session.")
    throttle.forgive(person.sign_in)
    return work.write(lambda unit: _come_back(unit, found, token, caller))


def _come_back(unit: Unit, found: "_Session", token: str, caller: Caller) -> StartedSession:
    row = unit.session.get(SignIn, digest_of_token(token))
    if row is None:
        raise SignInNeeded("The session has ended. Sign in with your name and password.")
    fresh = new_token()
    facts = {**row.model_dump(), "token_hash": digest_of_token(fresh), "seen_at": unit.now}
    unit.session.delete(row)
    unit.session.add(SignIn(**facts))
    note(unit, found.person.asking(caller), "unlocked", {"account": found.person.sign_in})
    return StartedSession(fresh, int((found.ends_at - unit.now).total_seconds()))


def end_session(unit: Unit, token: str) -> None:
    """End a session."""
    row = unit.session.get(SignIn, digest_of_token(token))
    if row is not None:
        unit.session.delete(row)


@dataclass(frozen=True, slots=True)
class _Session:
    person: _Account
    here: Here
    form_token: str
    seen_at: datetime
    ends_at: datetime


def _session(session: Session, token: str) -> _Session | None:
    found = people.session_of(session, digest_of_token(token))
    if found is None:
        return None
    row, person, site = found
    return _Session(_Account.of(person), here_of(site), row.form_token, row.seen_at, row.ends_at)


def caller_of_session(
    work: Work, token: str, asked: Caller, *, is_use: bool = True
) -> Caller | None:
    """Return who a session's cookie belongs to, or ``None`` when there is no such session.

    Parameters
    ----------
    is_use
        Whether a person did something. What a page asks by itself keeps no session alive.

    Raises
    ------
    SignInNeeded
        When the session has been idle too long (its fact ``locked`` says that a PIN is enough) or
        has ended.
    """
    found = work.look_up(lambda session: _session(session, token))
    if found is None:
        return None
    now = work.clock()
    if found.ends_at <= now or not found.person.is_active:
        raise SignInNeeded("The session has ended. Sign in again.")
    if now - found.seen_at > timedelta(minutes=work.settings.idle_minutes):
        raise SignInNeeded(
            "This session was locked after a time without use. Unlock it with your PIN or sign in "
            "again.",
            facts={"locked": bool(found.person.pin_hash)},
        )
    if is_use and now - found.seen_at > _NOTICE_AFTER:
        work.write(lambda unit: _seen(unit, token))
    return replace(found.person.asking(asked), form_token=found.form_token, here=found.here)


def _seen(unit: Unit, token: str) -> None:
    row = unit.session.get(SignIn, digest_of_token(token))
    if row is not None:
        row.seen_at = unit.now


def caller_of_token(work: Work, token: str, asked: Caller) -> Caller | None:
    """Return who an API token belongs to: its scopes, as far as the person still has the roles."""
    return work.look_up(lambda session: _token_caller(session, token, asked, work.clock()))


def _token_caller(session: Session, token: str, asked: Caller, now: datetime) -> Caller | None:
    found = people.token_of(session, digest_of_token(token))
    if found is None:
        return None
    row, person, site = found
    if row.revoked_at is not None or row.ends_at <= now or not person.is_active:
        return None
    account = _Account.of(person)
    name = f"{account.name} ({row.name})"
    caller = account.asking(asked)
    return replace(
        caller, name=name, here=here_of(site), roles=account.roles & frozenset(row.scopes)
    )
