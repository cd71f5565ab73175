"""Every command that README.md and the guides print is run as it is printed."""

import os
import re
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


GUIDES = ROOT / "web/guides"


#: A refusal in an answer; what the text itself prints as an example is not an answer.
REFUSED = re.compile(r'"type": ?"[^"]*/problems/')


def commands(text: str) -> str:
    """Return the indented blocks of a text that are commands, as one script."""
    blocks = re.findall(r"(?:^    .*\n|^\n(?=    ))+", text, flags=re.MULTILINE)
    return "\n".join(
        re.sub(r"^    ", "", block, flags=re.MULTILINE)
        for block in blocks
        if not block.lstrip().startswith("{")
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder in which the commands find what they name, and write beside nothing of ours."""
    (tmp_path / ".data").mkdir()
    (tmp_path / ".venv/bin").mkdir(parents=True)
    (tmp_path / "seed_data").symlink_to(ROOT / "seed_data")
    program = tmp_path / ".venv/bin/traywright"
    program.write_text(f'#!/bin/sh\nPYTHONPATH="{ROOT}" exec "{sys.executable}" -m service "$@"\n')
    program.chmod(0o755)
    return tmp_path


def run(script: str, folder: Path, **settings: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(  # noqa: S603 - what our own texts print
        ["bash", "-euo", "pipefail", "-c", script],  # noqa: S607 - the shell people type it in
        cwd=folder,
        env={**os.environ, **settings},
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )


@pytest.fixture
def demo(folder: Path) -> Iterator[tuple[int, str]]:
    """The service with the demo, as `service/start` starts it: its port and its database."""
    start = (ROOT / "service/start").read_text(encoding="utf-8")
    assert start.rstrip().endswith("exec .venv/bin/python -m service serve --demo")
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = int(listener.getsockname()[1])
    url = f"sqlite:///{folder}/demo.db"
    settings = {"TRAYWRIGHT_DATABASE_URL": url, "TRAYWRIGHT_PORT": str(port)}
    server = subprocess.Popen(  # noqa: S603 - our own program
        [folder / ".venv/bin/traywright", "serve", "--demo"],
        cwd=folder,
        env={**os.environ, **settings},
    )
    try:
        _wait_for(f"http://127.0.0.1:{port}/readyz", server)
        yield port, url
    finally:
        server.terminate()
        server.wait(30)


def _wait_for(address: str, server: subprocess.Popen[bytes]) -> None:
    until = time.monotonic() + 200
    while time.monotonic() < until and server.poll() is None:
        try:
            with urllib.request.urlopen(address, timeout=5):  # noqa: S310 - our own address
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.2)
    raise RuntimeError("the service did not start")


def test_the_readme_prints_the_two_commands_that_are_there() -> None:
    printed = commands((ROOT / "README.md").read_text(encoding="utf-8"))
    named = re.findall(r"^bash (\S+)", printed, flags=re.MULTILINE)
    assert named == ["service/start", "tests/run"]
    assert all(os.access(ROOT / name, os.R_OK) for name in named)
    assert len(printed.strip().splitlines()) == len(named)


def test_the_api_guide_does_what_it_says(demo: tuple[int, str], folder: Path) -> None:
    port, url = demo
    script = commands((GUIDES / "api.md").read_text(encoding="utf-8"))
    assert script.count("ask ") >= 8
    done = run(script.replace(":8321/", f":{port}/"), folder, TRAYWRIGHT_DATABASE_URL=url)
    assert done.returncode == 0, done.stderr
    assert REFUSED.search(done.stdout) is None, done.stdout[-2000:]
    # Poisson with mean 2 at 1: 0.135335 + 0.270671, tables of the Poisson distribution.
    assert "0.40600" in done.stdout


def test_the_guide_to_ones_own_files_imports_them(folder: Path) -> None:
    script = commands((GUIDES / "files.md").read_text(encoding="utf-8"))
    imports, _, account = script.partition(".venv/bin/traywright person")
    assert imports.count(" import ") >= 8
    assert account.strip() == "NAME --role administrator"
    done = run(imports, folder)
    assert done.returncode == 0, done.stdout + done.stderr
    assert (folder / ".data/ours.db").exists()
