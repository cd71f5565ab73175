"""People, tokens and the audit trail over HTTP."""

from typing import Annotated

from fastapi import APIRouter, Path, Query, Response

from service.api.access import CallerDep, GuardedRoute
from service.api.http import Limit, Version, WorkDep, etag
from service.operations.people import accounts, audit
from service.operations.people.permissions import KEEP_PEOPLE, OWN_ACCOUNT, requires
from service.schemas.base import SIGN_IN, OptionalText
from service.schemas.people import (
    MadeToken,
    Me,
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

router = APIRouter(tags=["people"], route_class=GuardedRoute)


SignInPath = Annotated[str, Path(pattern=SIGN_IN)]


TokenPath = Annotated[int, Path(gt=0, le=10**9)]


@router.get("/me")
@requires(OWN_ACCOUNT)
def who_am_i(caller: CallerDep) -> Me:
    """Say who is signed in."""
    return Me(name=caller.name, roles=sorted(caller.roles))


@router.put("/me/pin")
@requires(OWN_ACCOUNT)
def set_pin(work: WorkDep, body: PinBody) -> PersonOut:
    """Set your own PIN for coming back to a session."""
    return work.write(lambda unit: accounts.set_pin(unit, body))


@router.get("/people")
@requires(KEEP_PEOPLE)
def list_people(work: WorkDep) -> People:
    """Return every account of the site."""
    return work.read(accounts.list_people)


@router.post("/people", status_code=201)
@requires(KEEP_PEOPLE)
def add_person(work: WorkDep, body: PersonBody, response: Response) -> PersonOut:
    """Add an account. Without an Idempotency-Key: a password is not kept beside one."""
    person = work.write(lambda unit: accounts.add_person(unit, body))
    response.headers["ETag"] = etag(person.version)
    return person


@router.put("/people/{sign_in}")
@requires(KEEP_PEOPLE)
def change_person(
    work: WorkDep, sign_in: SignInPath, body: PersonChange, version: Version, response: Response
) -> PersonOut:
    """Change name, roles or whether the account is in use; its sessions end."""
    person = work.write(lambda unit: accounts.change_person(unit, sign_in, body, version))
    response.headers["ETag"] = etag(person.version)
    return person


@router.put("/people/{sign_in}/password")
@requires(KEEP_PEOPLE)
def set_password(work: WorkDep, sign_in: SignInPath, body: PasswordBody) -> PersonOut:
    """Return an account a new password; its sessions and tokens end."""
    return work.write(lambda unit: accounts.set_password(unit, sign_in, body))


@router.get("/tokens")
@requires(KEEP_PEOPLE)
def list_tokens(work: WorkDep) -> Tokens:
    """Return every token of the site, without its secret."""
    return work.read(accounts.list_tokens)


@router.post("/tokens", status_code=201)
@requires(KEEP_PEOPLE)
def make_token(work: WorkDep, body: TokenBody) -> MadeToken:
    """Make a token for a program; it is shown once, in this answer."""
    return work.write(lambda unit: accounts.make_token(unit, body))


@router.delete("/tokens/{key}")
@requires(KEEP_PEOPLE)
def revoke_token(work: WorkDep, key: TokenPath) -> TokenOut:
    """Revoke a token at once."""
    return work.write(lambda unit: accounts.revoke_token(unit, key))


@router.get("/audit")
@requires(KEEP_PEOPLE)
def read_audit(  # noqa: PLR0917 - FastAPI fills the parameters by name
    work: WorkDep,
    person: Annotated[OptionalText, Query()] = "",
    case: Annotated[OptionalText, Query()] = "",
    lot: Annotated[OptionalText, Query()] = "",
    before: Annotated[int | None, Query(gt=0, le=10**15)] = None,
    limit: Limit = 100,
) -> audit.AuditList:
    """Return the audit trail, the newest first, filtered by person, case or lot."""
    return work.read(
        lambda unit: audit.list_audit(
            unit, person=person, case=case, lot=lot, before=before, limit=limit
        )
    )
