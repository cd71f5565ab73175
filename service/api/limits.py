"""A bound on what a request may carry, before anything of it is kept."""

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.api.problems import problem, status_of
from service.errors import TooLarge

__all__ = ["BodyLimit"]


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
        announced = dict(scope["headers"]).get(b"content-length", b"0")
        if announced.isdigit() and int(announced) > self.most_bytes:
            await self._refuse(scope, receive, send)
            return
        counter = _Counter(receive, send, self.most_bytes)
        await self.app(scope, counter.receive, counter.send)
        if counter.too_large and not counter.started:
            await self._refuse(scope, receive, send)

    async def _refuse(self, scope: Scope, receive: Receive, send: Send) -> None:
        megabytes = self.most_bytes // 1_000_000
        error = TooLarge(f"The request is larger than {megabytes} MB. Split the file in parts.")
        response = problem(error.kind, error.title, status_of(error), error.detail)
        await response(scope, receive, send)


class _Counter:
    """Counts a body on its way in; past the bound the application sees the client hang up."""

    def __init__(self, receive: Receive, send: Send, most_bytes: int) -> None:
        self._receive = receive
        self._send = send
        self.left = most_bytes
        self.too_large = False
        self.started = False

    async def receive(self) -> Message:
        if self.too_large:
            return {"type": "http.disconnect"}
        message = await self._receive()
        if message["type"] == "http.request":
            self.left -= len(message.get("body", b""))
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
