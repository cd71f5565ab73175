"""Signing in and out, and finding out who a request comes from."""

from dataclasses import dataclass
from datetime import timedelta

from service.errors import SignInNeeded
from service.operations.audit import note
from service.operations.caller import Caller
from service.operations.hashing import digest_of_token, is_secret, new_token
from service.operations.throttle import Throttle
from service.operations.unit import Unit, Work
from service.storage.queries import people
from service.storage.tables import Person, SignIn

__all__ = ["Entered", "caller_of_session", "caller_of_token", "come_back", "enter", "leave"]

WRONG = "Name and password do not belong together, or the account is not in use."
#: The last sight of a session is written when it is this old: not every request writes.
_NOTICE_AFTER = timedelta(seconds=60)


@dataclass(frozen=True, slots=True)
class Entered:
    """A session that has begun: the cookie's token, and when it ends at the latest."""

    token: str
    seconds: int


def enter(work: Work, throttle: Throttle, sign_in: str, password: str, caller: Caller) -> Entered:
    """Sign somebody in with name and password, in a session of its own.

    Raises
    ------
    TooManyTries
        After too many wrong tries for this account or from this address.
    SignInNeeded
        When name and password do not belong together; says no more than that.
    """
    account = sign_in.strip().lower()[:60]
    throttle.require_free(account, caller.address)
    person = work.read(lambda unit: people.by_sign_in(unit.session, account))
    # The password is checked outside any transaction: it takes a tenth of a second on purpose.
    is_right = is_secret(password, person.password_hash if person else "")
    if person is None or not is_right or not person.is_active:
        throttle.count(account, caller.address)
        work.write(lambda unit: note(unit, caller, "refused", {"account": account}))
        raise SignInNeeded(WRONG)
    throttle.forgive(account)
    return work.write(lambda unit: _begin(unit, person, caller))


def _begin(unit: Unit, person: Person, caller: Caller) -> Entered:
    token = new_token()
    lasts = unit.settings.session_hours
    unit.session.add(
        SignIn(
            token_hash=digest_of_token(token),
            person_id=person.id or 0,
            form_token=new_token(),
            started_at=unit.now,
            seen_at=unit.now,
            ends_at=unit.now + timedelta(hours=lasts),
        )
    )
    facts = {"account": person.sign_in}
    note(unit, _with(caller, person), "signed in", facts)
    return Entered(token, lasts * 3600)


def _with(caller: Caller, person: Person) -> Caller:
    return Caller(
        person.name,
        person.id,
        person.site_id,
        frozenset(person.roles),
        caller.operation,
        caller.subject,
        caller.address,
    )


def come_back(work: Work, throttle: Throttle, token: str, pin: str, caller: Caller) -> None:
    """Unlock a session that has been idle, with the person's PIN, on the same computer."""
    found = work.read(lambda unit: people.session_of(unit.session, digest_of_token(token)))
    if found is None or found[0].ends_at <= work.clock():
        raise SignInNeeded("The session has ended; sign in with name and password.")
    person = found[1]
    throttle.require_free(person.sign_in, caller.address)
    if not person.is_active or not is_secret(pin, person.pin_hash):
        throttle.count(person.sign_in, caller.address)
        facts = {"account": person.sign_in, "with": "PIN"}
        work.write(lambda unit: note(unit, caller, "refused", facts))
        raise SignInNeeded("That is not the PIN of this session.")
    throttle.forgive(person.sign_in)
    work.write(lambda unit: _seen(unit, token))


def leave(unit: Unit, token: str) -> None:
    """End a session."""
    row = unit.session.get(SignIn, digest_of_token(token))
    if row is not None:
        unit.session.delete(row)


def caller_of_session(work: Work, token: str, asked: Caller) -> Caller | None:
    """Give who a session's cookie belongs to, or ``None`` when there is no such session.

    Raises
    ------
    SignInNeeded
        When the session has been idle too long (its fact ``locked`` says that a PIN is enough) or
        has ended.
    """
    found = work.read(lambda unit: people.session_of(unit.session, digest_of_token(token)))
    if found is None:
        return None
    row, person = found
    now = work.clock()
    if row.ends_at <= now or not person.is_active:
        raise SignInNeeded("The session has ended; sign in again.")
    if now - row.seen_at > timedelta(minutes=work.settings.idle_minutes):
        raise SignInNeeded(
            "Nobody has used this session for a while; come back with your PIN or sign in again.",
            facts={"locked": bool(person.pin_hash)},
        )
    if now - row.seen_at > _NOTICE_AFTER:
        work.write(lambda unit: _seen(unit, token))
    return Caller(
        person.name,
        person.id,
        person.site_id,
        frozenset(person.roles),
        asked.operation,
        asked.subject,
        asked.address,
        row.form_token,
    )


def _seen(unit: Unit, token: str) -> None:
    row = unit.session.get(SignIn, digest_of_token(token))
    if row is not None:
        row.seen_at = unit.now


def caller_of_token(work: Work, token: str, asked: Caller) -> Caller | None:
    """Give who an API token belongs to: its scopes, as far as the person still has the roles."""
    found = work.read(lambda unit: people.token_of(unit.session, digest_of_token(token)))
    if found is None:
        return None
    row, person = found
    if row.revoked_at is not None or row.ends_at <= work.clock() or not person.is_active:
        return None
    return Caller(
        f"{person.name} ({row.name})",
        person.id,
        person.site_id,
        frozenset(row.scopes) & frozenset(person.roles),
        asked.operation,
        asked.subject,
        asked.address,
    )
