"""What handlers ask for: the door to the rows, who is asking, and which version they read."""

import re
from collections.abc import Callable
from typing import Annotated, TypeVar

from fastapi import Depends, Header, Query, Request
from pydantic import BaseModel

from service.errors import BadInput, FieldFault, Required
from service.operations.caller import Caller
from service.operations.idempotent import fingerprint_of, once
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
    work = getattr(request.state, "work", None)
    if not isinstance(work, Work):
        message = "every route passes the rules first, which put the caller's work on the request"
        raise TypeError(message)
    return work


def _actor(request: Request) -> str | None:
    caller = request.state.caller
    return caller.name if isinstance(caller, Caller) else None


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
        fingerprint = fingerprint_of(self.what, self.actor or "", self._who(), data)
        return self.work.write(
            lambda unit: once(unit, key, fingerprint, operation, answer), self.actor
        )

    def _who(self) -> str:
        """Tell people of one name apart: what one is answered is not for the other."""
        return f"{self.work.caller.site_id} {self.work.caller.person_id}"


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
