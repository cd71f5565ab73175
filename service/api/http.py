"""What handlers ask for: the door to the rows, who is asking, and which version they read."""

import asyncio
import re
from collections.abc import Callable
from typing import Annotated, TypeVar

from fastapi import Depends, Header, Query, Request
from pydantic import BaseModel
from starlette.concurrency import run_in_threadpool
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.errors import BadInput, FieldFault, Required, ServiceError, TooLarge, TooSlow
from service.operations.work import Caller, Unit, Work, fingerprint_of, run_once
from service.schemas.base import PRINTABLE, pattern

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


class IdempotentWrite:
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
            lambda unit: run_once(unit, key, fingerprint, operation, answer), self.actor
        )

    def _who(self) -> str:
        """Tell people of one name apart: what one is answered is not for the other."""
        return f"{self.work.caller.site_id} {self.work.caller.person_id}"


_KEY = pattern(
    r"^[!-~]+$", "send a key of letters, digits and signs without spaces, such as order-2031-0001"
)


def _once(
    request: Request,
    work: Annotated[Work, Depends(_work)],
    actor: Annotated[str | None, Depends(_actor)],
    idempotency_key: Annotated[
        str | None,
        Header(
            min_length=8,
            max_length=120,
            pattern=_KEY,
            description=("A key of your choice, the same when a request is sent again"),
        ),
    ] = None,
) -> IdempotentWrite:
    what = f"{request.method} {request.url.path}?{request.url.query}"
    return IdempotentWrite(work, actor, idempotency_key, what)


def _optional_version(
    if_match: Annotated[
        str | None, Header(description='The ETag of what was read, such as "3"')
    ] = None,
) -> int | None:
    if if_match is None:
        return None
    found = _ETAG.fullmatch(if_match.strip())
    if found is None:
        reason = 'send the ETag as you received it, such as "3"'
        raise BadInput(
            "The version in If-Match is not valid. Nothing was saved.",
            faults=[FieldFault("If-Match", reason)],
        )
    return int(found.group(1))


def _version(version: Annotated[int | None, Depends(_optional_version)]) -> int:
    if version is None:
        raise Required("Send If-Match with the ETag of the version you read.")
    return version


def etag(version: int) -> str:
    """Write a version as an ETag."""
    return f'"{version}"'


WorkDep = Annotated[Work, Depends(_work)]


OnceDep = Annotated[IdempotentWrite, Depends(_once)]


Actor = Annotated[str | None, Depends(_actor)]


Version = Annotated[int, Depends(_version)]


OptionalVersion = Annotated[int | None, Depends(_optional_version)]


Limit = Annotated[int, Query(ge=1, le=500, description="Maximum number of results")]


After = Annotated[str, Query(max_length=120, pattern=PRINTABLE)]


#: How many times the bound is read and thrown away before the answer. A browser that is still
#: sending when the connection closes shows its own error in place of the answer.
DRAINED = 8


class BodyLimit:
    """ASGI middleware that answers 413 as soon as a body is too large, and 408 when it is too slow.

    Parameters
    ----------
    app
        What is behind it.
    most_bytes
        The largest body let through.
    most_seconds
        How long a body may take to arrive.
    """

    def __init__(self, app: ASGIApp, most_bytes: int, most_seconds: float) -> None:
        self.app = app
        self.most_bytes = most_bytes
        self.most_seconds = most_seconds

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on while its body stays within the bound."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = dict(scope["headers"])
        announced = headers.get(b"content-length", b"0")
        if announced.isdigit() and int(announced) > self.most_bytes:
            # Who waits for leave to send has not begun: there is nothing to read.
            if b"expect" not in headers:
                await self._drain(receive)
            await self._refuse(scope, receive, send, self._too_large())
            return
        deadline = asyncio.get_running_loop().time() + self.most_seconds
        counter = _Counter(receive, send, self.most_bytes, deadline)
        await self.app(scope, counter.receive, counter.send)
        if counter.started or not (counter.too_large or counter.too_slow):
            return
        if counter.too_slow:
            error: ServiceError = TooSlow(
                f"The request did not arrive within {self.most_seconds:g} seconds. Try again."
            )
        else:
            error = self._too_large()
            # Behind the end of a body there is nothing but the wait for our own answer.
            if not counter.ended:
                await self._drain(receive)
        await self._refuse(scope, receive, send, error)

    def _too_large(self) -> TooLarge:
        megabytes = self.most_bytes / 1_000_000
        return TooLarge(f"The request is larger than {megabytes:g} MB. Split the file into parts.")

    async def _drain(self, receive: Receive) -> None:
        """Throw away what still comes, for a bounded time."""
        try:
            async with asyncio.timeout(self.most_seconds):
                await _drain(receive, self.most_bytes * DRAINED)
        except TimeoutError:
            return

    async def _refuse(
        self, scope: Scope, receive: Receive, send: Send, error: ServiceError
    ) -> None:
        request = Request(scope, receive)
        answer = request.app.exception_handlers[ServiceError]
        response = await run_in_threadpool(answer, request, error)
        await response(scope, receive, send)


async def _drain(receive: Receive, left: int) -> None:
    while left > 0:
        message = await receive()
        left -= len(message.get("body", b""))
        if not message.get("more_body", False):
            return


class _Counter:
    """Counts a body on its way in; past the bound the application sees the client hang up."""

    def __init__(self, receive: Receive, send: Send, most_bytes: int, deadline: float) -> None:
        self._receive = receive
        self._send = send
        self._deadline = deadline
        self.left = most_bytes
        self.too_large = False
        self.too_slow = False
        self.started = False
        self.ended = False

    async def receive(self) -> Message:
        if self.too_large or self.too_slow:
            return {"type": "http.disconnect"}
        try:
            # Behind its end there is only the wait for the answer, which has no deadline here.
            async with asyncio.timeout_at(None if self.ended else self._deadline):
                message = await self._receive()
        except TimeoutError:
            self.too_slow = True
            return {"type": "http.disconnect"}
        if message["type"] == "http.request":
            self.left -= len(message.get("body", b""))
            self.ended = not message.get("more_body", False)
            if self.left < 0:
                self.too_large = True
                return {"type": "http.disconnect"}
        return message

    async def send(self, message: Message) -> None:
        if (self.too_large or self.too_slow) and not self.started:
            # What the application says to a client that hung up; ours is the answer that counts.
            return
        self.started = True
        await self._send(message)
