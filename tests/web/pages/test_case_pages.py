"""What list day and case say where no item is known to be short, and the cover is not whole."""

from collections.abc import Iterator

import pytest
from fastapi.testclient import TestClient

from service.operations.sizing import set_default
from service.operations.work import Work
from service.schemas.planning import SizingDefaultBody
from service.settings import Settings
from tests.conftest import BEARER, NOW, MakeDatabase, app_on
from tests.small_theatre import FIRST_DAY, Theatre, furnish


def _page(work: Work, path: str) -> str:
    """Return what somebody with every role reads on a page, spaces as one."""
    with TestClient(app_on(work.settings.database_url), headers=BEARER) as pages:
        return " ".join(pages.get(path, headers={"Accept": "text/html"}).text.split())


@pytest.fixture
def small_work(make_database: MakeDatabase) -> Iterator[Work]:
    """A small department with case K1, which nobody has planned."""
    made = Work(Settings(database_url=make_database("sqlite", False)), lambda: NOW)
    furnish(made)
    Theatre(made).add_case("K1")
    yield made
    made.close()


def test_a_day_is_not_green_while_a_case_of_it_is_not_planned(small_work: Work) -> None:
    said = _page(small_work, f"/lists/{FIRST_DAY}")
    assert "No item is known to be short, but not every case is covered: K1." in said
    assert "all-well" not in said


def test_who_confirms_too_small_a_chance_of_the_sizes_accepts_it_in_words(demo_work: Work) -> None:
    confirmed = _page(demo_work, "/cases/HAR-0711")
    assert "You confirm" not in confirmed
    body = SizingDefaultBody(value=0.98, source="ours")
    demo_work.write(lambda unit: set_default(unit, "sizes_covered_probability", body, 1))
    said = _page(demo_work, "/cases/HAR-0711")
    assert "Short: " not in said
    assert "98 % is required." in said
    assert "as backup, and accept that the case is partly covered." in said
