"""What handlers ask for: the door to the rows, who is asking, and which version they read."""

import re
from typing import Annotated

from fastapi import Depends, Header, Query, Request

from service.errors import BadInput, FieldFault, Required
from service.operations.schemas.base import Ref
from service.operations.unit import Work

__all__ = ["Actor", "After", "Limit", "OptionalVersion", "Version", "WorkDep", "etag"]

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
Actor = Annotated[str | None, Depends(_actor)]
Version = Annotated[int, Depends(_version)]
OptionalVersion = Annotated[int | None, Depends(_optional_version)]
Limit = Annotated[int, Query(ge=1, le=500, description="How many at most")]
After = Annotated[str, Query(max_length=120, pattern=r"^[^\x00-\x1f\x7f]*$")]
