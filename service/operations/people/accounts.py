"""People: who may sign in and what they may do."""

import hashlib
import secrets
from datetime import timedelta
from threading import BoundedSemaphore

from pwdlib import PasswordHash
from pwdlib.hashers.argon2 import Argon2Hasher

from service.errors import BadInput, Conflict, Duplicate, FieldFault, NotFound
from service.operations.work import Unit, require_version
from service.schemas.people import (
    MadeToken,
    PasswordBody,
    People,
    PersonBody,
    PersonChange,
    PersonOut,
    PinBody,
    TokenBody,
    TokenOut,
    Tokens,
)
from service.storage.queries import people
from service.storage.tables import ApiToken, Person


def list_people(unit: Unit) -> People:
    """Return every account of the site, by name."""
    return People(people=[_out(row) for row in people.everyone(unit.session, unit.site_id)])


def add_person(unit: Unit, body: PersonBody, *, is_demo: bool = False) -> PersonOut:
    """Add an account at the caller's site."""
    if people.by_sign_in(unit.session, body.sign_in) is not None:
        raise Duplicate(
            f"The account {body.sign_in} already exists.",
            faults=[FieldFault("/sign_in", "this name is already in use")],
        )
    if not is_demo:
        _refuse_weak(body.password, body.sign_in, body.name)
    row = Person(
        site_id=unit.site_id,
        sign_in=body.sign_in,
        name=body.name,
        roles=sorted(set(body.roles)),
        password_hash=hash_secret(body.password),
        is_demo=is_demo,
    )
    unit.session.add(row)
    unit.session.flush()
    return _out(row)


def change_person(unit: Unit, sign_in: str, body: PersonChange, version: int) -> PersonOut:
    """Change name, roles or whether the account is in use; its sessions end."""
    row = _require_person(unit, sign_in)
    require_version(row.version, version, f"Account {sign_in}")
    loses_admin = "administrator" in row.roles and (
        "administrator" not in body.roles or not body.is_active
    )
    if loses_admin and _is_last_administrator(unit, row):
        raise Conflict("This is the last administrator. Add another one first.")
    row.name, row.roles, row.is_active = body.name, sorted(set(body.roles)), body.is_active
    row.version += 1
    people.end_sessions(unit.session, row.id or 0)
    unit.session.flush()
    return _out(row)


def _is_last_administrator(unit: Unit, row: Person) -> bool:
    others = people.everyone(unit.session, unit.site_id)
    return not any(
        "administrator" in one.roles and one.is_active and one.id != row.id for one in others
    )


def set_password(unit: Unit, sign_in: str, body: PasswordBody) -> PersonOut:
    """Return an account a new password; every session and token of the person ends."""
    row = _require_person(unit, sign_in)
    _refuse_weak(body.password, row.sign_in, row.name)
    row.password_hash, row.pin_hash = hash_secret(body.password), ""
    row.version += 1
    people.end_sessions(unit.session, row.id or 0)
    for token, person in people.tokens(unit.session, unit.site_id):
        if person.id == row.id and token.revoked_at is None:
            token.revoked_at = unit.now
    unit.session.flush()
    return _out(row)


def set_pin(unit: Unit, body: PinBody) -> PersonOut:
    """Set the caller's own PIN."""
    row = unit.session.get(Person, unit.caller.person_id)
    if row is None:
        raise NotFound("Only a person can have a PIN.")
    if len(set(body.pin)) < 3:  # noqa: PLR2004 - 111111 and 121212
        reason = "this PIN is too easy to guess"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/pin", reason)])
    row.pin_hash = hash_secret(body.pin)
    row.version += 1
    unit.session.flush()
    return _out(row)


def list_tokens(unit: Unit) -> Tokens:
    """Return every token of the site without its secret."""
    rows = people.tokens(unit.session, unit.site_id)
    return Tokens(tokens=[_token_out(unit, token, person) for token, person in rows])


def make_token(unit: Unit, body: TokenBody) -> MadeToken:
    """Make a token for a program; it may do what its scopes and its person's roles both allow."""
    person = _require_person(unit, body.sign_in)
    beyond = sorted(set(body.scopes) - set(person.roles))
    if beyond:
        reason = f"{body.sign_in} does not have the role {' or '.join(beyond)}"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/scopes", reason)])
    secret = new_token()
    row = ApiToken(
        token_hash=digest_of_token(secret),
        person_id=person.id or 0,
        name=body.name,
        scopes=sorted(set(body.scopes)),
        made_at=unit.now,
        ends_at=unit.now + timedelta(days=body.days),
    )
    unit.session.add(row)
    unit.session.flush()
    return MadeToken(**_token_out(unit, row, person).model_dump(), token=secret)


def revoke_token(unit: Unit, key: int) -> TokenOut:
    """Revoke a token at once."""
    for token, person in people.tokens(unit.session, unit.site_id):
        if token.id == key:
            token.revoked_at = token.revoked_at or unit.now
            unit.session.flush()
            return _token_out(unit, token, person)
    raise NotFound(f"Token {key} was not found.")


def _require_person(unit: Unit, sign_in: str) -> Person:
    row = people.by_sign_in(unit.session, sign_in)
    if row is None or row.site_id != unit.site_id:
        raise NotFound(f"Account {sign_in} was not found.")
    return row


def _refuse_weak(password: str, *about: str) -> None:
    reason = weak_password(password, *about)
    if reason is not None:
        raise BadInput("Nothing was saved.", faults=[FieldFault("/password", reason)])


def _out(row: Person) -> PersonOut:
    return PersonOut(
        sign_in=row.sign_in,
        name=row.name,
        roles=row.roles,
        is_active=row.is_active,
        has_pin=bool(row.pin_hash),
        version=row.version,
    )


def _token_out(unit: Unit, token: ApiToken, person: Person) -> TokenOut:
    return TokenOut(
        id=token.id or 0,
        name=token.name,
        sign_in=person.sign_in,
        scopes=token.scopes,
        made_at=unit.local(token.made_at),
        ends_at=unit.local(token.ends_at),
        is_revoked=token.revoked_at is not None,
    )


#: argon2id with 64 MiB, three passes, one lane; at most two at once, so that a flood of sign-ins
#: cannot take the machine's memory.
_HASH = PasswordHash((Argon2Hasher(time_cost=3, memory_cost=65536, parallelism=1),))


_AT_ONCE = BoundedSemaphore(2)


SHORTEST_PASSWORD = 12


def hash_secret(secret: str) -> str:
    """Hash a password or PIN."""
    with _AT_ONCE:
        return _HASH.hash(secret)


def is_secret(secret: str, kept: str) -> bool:
    """Tell whether a secret is the one that was hashed; takes its time for nobody's, too."""
    with _AT_ONCE:
        if not kept:
            _HASH.hash(secret)
            return False
        return _HASH.verify(secret, kept)


def new_token() -> str:
    """Make 256 random bits, safe in a cookie or a header."""
    return secrets.token_urlsafe(32)


def digest_of_token(token: str) -> str:
    """Return the digest under which a token is kept; it is random, so a plain hash is enough."""
    return hashlib.sha256(token.encode()).hexdigest()


def weak_password(password: str, *about: str) -> str | None:
    """Say why a password is too weak, or ``None``: length counts, and no own name in it.

    Source: OWASP ASVS 5.0, 6.2 (length instead of composition rules).
    """
    if len(password) < SHORTEST_PASSWORD:
        return f"use {SHORTEST_PASSWORD} characters or more, such as several words"
    lowered = password.lower()
    if any(len(word) >= 4 and word.lower() in lowered for word in about):  # noqa: PLR2004 - shorter words are in everything
        return "the password must not contain the account name"
    if len(set(password)) < 5:  # noqa: PLR2004 - aaaa and abab, not a rule of composition
        return "the password must not repeat the same few characters"
    return None
