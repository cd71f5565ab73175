"""What handlers ask for: the door to the rows, who is asking, and which version they read."""

import re
from collections.abc import Callable
from typing import Annotated, TypeVar

from fastapi import Depends, Header, Query, Request
from pydantic import BaseModel

from service.errors import BadInput, FieldFault, Required
from service.operations.idempotent import fingerprint_of, once
from service.operations.schemas.base import Ref
from service.operations.unit import Unit, Work

__all__ = [
    "Actor",
    "After",
    "Limit",
    "Once",
    "OnceDep",
    "OptionalVersion",
    "Version",
    "WorkDep",
    "etag",
]

Answer = TypeVar("Answer", bound=BaseModel)

_ETAG = re.compile(r'"(\d{1,9})"', re.ASCII)


def _work(request: Request) -> Work:
    work = request.app.state.work
    if not isinstance(work, Work):
        message = "create_app puts the work on the application's state"
        raise TypeError(message)
    return work


def _actor(
    traywright_actor: Annotated[
        Ref | None, Header(description="Who makes the change, as the department knows them")
    ] = None,
) -> str | None:
    return traywright_actor


class Once:
    """Writes in one transaction, and only once for one Idempotency-Key.

    Parameters
    ----------
    key
        What the client sent, or ``None``: then every request acts.
    what
        Method and path; with body and actor they make a request the same request.
    """

    def __init__(self, work: Work, actor: str | None, key: str | None, what: str) -> None:
        self.work = work
        self.actor = actor
        self.key = key
        self.what = what

    def write(
        self,
        operation: Callable[[Unit], Answer],
        body: BaseModel | bytes | None,
        answer: type[Answer],
    ) -> Answer:
        """Carry out an operation, or give again what it answered the first time."""
        key = self.key
        if key is None:
            return self.work.write(operation, self.actor)
        data = body.model_dump_json() if isinstance(body, BaseModel) else body or b""
        fingerprint = fingerprint_of(self.what, self.actor or "", data)
        return self.work.write(
            lambda unit: once(unit, key, fingerprint, operation, answer), self.actor
        )


def _once(
    request: Request,
    work: Annotated[Work, Depends(_work)],
    actor: Annotated[str | None, Depends(_actor)],
    idempotency_key: Annotated[
        str | None,
        Header(min_length=8, max_length=120, pattern=r"^[!-~]+$", description="A key of your own"),
    ] = None,
) -> Once:
    what = f"{request.method} {request.url.path}?{request.url.query}"
    return Once(work, actor, idempotency_key, what)


def _optional_version(
    if_match: Annotated[
        str | None, Header(description='The ETag of what was read, such as "3"')
    ] = None,
) -> int | None:
    if if_match is None:
        return None
    found = _ETAG.fullmatch(if_match.strip())
    if found is None:
        reason = 'write the ETag as it was answered, such as "3"'
        raise BadInput("The version cannot be read.", faults=[FieldFault("If-Match", reason)])
    return int(found.group(1))


def _version(version: Annotated[int | None, Depends(_optional_version)]) -> int:
    if version is None:
        raise Required("Send If-Match with the ETag of what you read.")
    return version


def etag(version: int) -> str:
    """Write a version as an ETag."""
    return f'"{version}"'


WorkDep = Annotated[Work, Depends(_work)]
OnceDep = Annotated[Once, Depends(_once)]
Actor = Annotated[str | None, Depends(_actor)]
Version = Annotated[int, Depends(_version)]
OptionalVersion = Annotated[int | None, Depends(_optional_version)]
Limit = Annotated[int, Query(ge=1, le=500, description="How many at most")]
After = Annotated[str, Query(max_length=120, pattern=r"^[^\x00-\x1f\x7f]*$")]
