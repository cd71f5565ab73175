"""The service as people meet it: a real server on a free port, and a browser in front of it."""

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from urllib.parse import urlsplit

import uvicorn
from playwright.sync_api import (
    Browser,
    BrowserContext,
    ConsoleMessage,
    Page,
    Response,
    sync_playwright,
)

from tests.conftest import NOW, SESSION, app_on

BROWSER = "chromium-headless-shell"


ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-dev-shm-usage",
    # One process draws every page: starting one for each costs more than the pages do.
    "--renderer-process-limit=1",
    "--disable-site-isolation-trials",
    "--lang=en-GB",
)


@contextmanager
def served(url: str, clock: Callable[[], datetime] = lambda: NOW) -> Iterator[str]:
    """Serve the application on a database and give its address."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        app = app_on(url, clock)
        config = uvicorn.Config(app, log_level="warning", ws="none")
        server = uvicorn.Server(config)
        app.state.is_stopping = lambda: server.should_exit
        thread = threading.Thread(target=server.run, args=([listener],), daemon=True)
        thread.start()
        until = time.monotonic() + 20
        while not server.started:
            if time.monotonic() > until or not thread.is_alive():
                raise RuntimeError("the server did not start")
            time.sleep(0.01)
        yield f"http://127.0.0.1:{listener.getsockname()[1]}"
        server.should_exit = True
        thread.join(20)


@contextmanager
def browser_at(executable: str) -> Iterator[Browser]:
    """Start the browser without a window."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=executable, args=list(ARGUMENTS))
        yield browser
        browser.close()


class Watch:
    """Notes what a page complains about: errors, refused scripts and styles, failed requests."""

    def __init__(self, page: Page) -> None:
        self.complaints: list[str] = []
        self._documents: set[str] = set()
        page.on("response", self._note_document)
        page.on("console", self._note_message)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def _note_document(self, response: Response) -> None:
        if response.request.is_navigation_request():
            self._documents.add(response.url)

    def _note_message(self, message: ConsoleMessage) -> None:
        # A document that answers 404 or 422 is what a test asked for, and no complaint.
        refused = message.text.startswith("Failed to load resource: the server responded")
        if refused and message.location["url"] in self._documents:
            return
        if message.type in {"error", "warning"}:
            self.complaints.append(message.text)


def sign_in_with_cookie(context: BrowserContext, address: str) -> None:
    """Give a browser the session of somebody with every role that is in every test database."""
    parts = urlsplit(address)
    site = f"{parts.scheme}://{parts.netloc}"
    context.add_cookies([{"name": "traywright", "value": SESSION, "url": site}])
