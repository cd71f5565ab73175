"""The service as a process of its own, to be raced against and killed."""

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import httpx

ROOT = Path(__file__).parents[2]


API = "/api/v1"


def environment(url: str) -> dict[str, str]:
    return {**os.environ, "TRAYWRIGHT_DATABASE_URL": url, "TRAYWRIGHT_PORT": "0"}


class Server:
    """A running service."""

    def __init__(self, process: subprocess.Popen[str], base: str) -> None:
        self.process = process
        self.base = base

    def kill(self) -> None:
        """End it as a power cut would end the process: without a word."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()


def wait_until_ready(base: str) -> None:
    """Wait until it answers; it says where it is before its tables are up to date."""
    for _ in range(600):
        with suppress(httpx.TransportError):
            if httpx.get(f"{base}/readyz", timeout=20).status_code == httpx.codes.OK:
                return
        time.sleep(0.05)
    message = "the service did not get ready in 30 seconds"
    raise TimeoutError(message)


@contextmanager
def serving(url: str) -> Iterator[Server]:
    """Serve a database on a free port until the block ends, or it is killed."""
    with subprocess.Popen(
        [sys.executable, "-m", "service", "serve"],
        cwd=ROOT,
        env=environment(url),
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    ) as process:
        assert process.stdout is not None
        found = re.search(r"http://\S+:\d+", process.stdout.readline())
        assert found is not None, "the service did not say where it is"
        try:
            wait_until_ready(found.group())
            yield Server(process, found.group())
        finally:
            if process.poll() is None:
                process.terminate()
                process.wait()


def verify(url: str) -> subprocess.CompletedProcess[str]:
    """Run ``traywright verify``."""
    return subprocess.run(
        [sys.executable, "-m", "service", "verify"],
        cwd=ROOT,
        env=environment(url),
        capture_output=True,
        text=True,
        check=False,
    )
