"""A bound on what a request may carry, before anything of it is kept."""

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.errors import ServiceError, TooLarge

__all__ = ["BodyLimit"]

#: How many times the bound is read and thrown away before the answer. A browser that is still
#: sending when the connection closes shows its own error in place of the answer.
DRAINED = 8


class BodyLimit:
    """ASGI middleware that answers 413 as soon as a body is, or says it is, too large.

    Parameters
    ----------
    app
        What is behind it.
    most_bytes
        The largest body let through.
    """

    def __init__(self, app: ASGIApp, most_bytes: int) -> None:
        self.app = app
        self.most_bytes = most_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on while its body stays within the bound."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = dict(scope["headers"])
        announced = headers.get(b"content-length", b"0")
        if announced.isdigit() and int(announced) > self.most_bytes:
            # Who waits for leave to send has not begun: there is nothing to read.
            await self._refuse(scope, receive, send, drains=b"expect" not in headers)
            return
        counter = _Counter(receive, send, self.most_bytes)
        await self.app(scope, counter.receive, counter.send)
        if counter.too_large and not counter.started:
            # Behind the end of a body there is nothing but the wait for our own answer.
            await self._refuse(scope, receive, send, drains=not counter.ended)

    async def _refuse(self, scope: Scope, receive: Receive, send: Send, *, drains: bool) -> None:
        if drains:
            await _drain(receive, self.most_bytes * DRAINED)
        megabytes = self.most_bytes / 1_000_000
        error = TooLarge(f"The request is larger than {megabytes:g} MB. Split the file in parts.")
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

    def __init__(self, receive: Receive, send: Send, most_bytes: int) -> None:
        self._receive = receive
        self._send = send
        self.left = most_bytes
        self.too_large = False
        self.started = False
        self.ended = False

    async def receive(self) -> Message:
        if self.too_large:
            return {"type": "http.disconnect"}
        message = await self._receive()
        if message["type"] == "http.request":
            self.left -= len(message.get("body", b""))
            self.ended = not message.get("more_body", False)
            if self.left < 0:
                self.too_large = True
                return {"type": "http.disconnect"}
        return message

    async def send(self, message: Message) -> None:
        if self.too_large and not self.started:
            # What the application says to a client that hung up; ours is the answer that counts.
            return
        self.started = True
        await self._send(message)
