"""One browser and one server with the demo for all reading tests; a server of its own to write."""

import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from tests.browser.live import BROWSER, Watch, browser_at, served, sign_in_with_cookie
from tests.conftest import MakeDatabase


@pytest.fixture(scope="package")
def browser() -> Iterator[Browser]:
    executable = shutil.which(BROWSER)
    if executable is None:
        pytest.fail(f"{BROWSER} is not installed; 'bash tests/run' installs it")
    with browser_at(executable) as started:
        yield started


@pytest.fixture(scope="package")
def demo_site(
    sqlite_templates: dict[bool, Path], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[str]:
    """The demo hospital, for tests that only read."""
    target = tmp_path_factory.mktemp("demo") / "served.db"
    shutil.copy(sqlite_templates[True], target)
    with served(f"sqlite:///{target}") as address:
        yield address


@pytest.fixture(scope="package")
def empty_site(
    sqlite_templates: dict[bool, Path], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[str]:
    """A hospital that has brought nothing yet, for tests that only read."""
    target = tmp_path_factory.mktemp("empty") / "served.db"
    shutil.copy(sqlite_templates[False], target)
    with served(f"sqlite:///{target}") as address:
        yield address


@pytest.fixture
def own_site(make_database: MakeDatabase) -> Iterator[str]:
    """The demo hospital, for one test that writes."""
    with served(make_database("sqlite", True)) as address:
        yield address


OpenPage = Callable[..., Page]


@pytest.fixture
def open_page(browser: Browser) -> Iterator[OpenPage]:
    """Open pages; at the end of the test none of them has complained."""
    with ExitStack() as contexts:
        watches = []

        def opened(address: str, *, width: int = 1100, **options: object) -> Page:
            context = browser.new_context(viewport={"width": width, "height": 800}, **options)  # type: ignore[arg-type] # passed on as they are
            contexts.callback(context.close)
            sign_in_with_cookie(context, address)
            page = context.new_page()
            watches.append(Watch(page))
            page.goto(address)
            return page

        yield opened
        assert [one.complaints for one in watches if one.complaints] == []
