"""A case moved on a list day to a time that the clock shows twice: the page asks which is meant.

The site is in Europe/London, where the clocks go back on Sunday 26 October 2031 at 01:00 UTC.
Source: Directive 2000/84/EC and the Summer Time Order 2002, last Sunday of October, by hand.
"""

from collections.abc import Iterator
from datetime import date

import pytest
from fastapi.testclient import TestClient

from service.operations.work import Work
from service.settings import Settings
from tests.conftest import BEARER, NOW, MakeDatabase, app_on
from tests.small_theatre import PRIMARY, Theatre, furnish

BACK = date(2031, 10, 26)


MOVE = {"case": "K1", "starts": "01:30", "ends": "03:00"}


@pytest.fixture
def pages(make_database: MakeDatabase) -> Iterator[TestClient]:
    """K1 is on the list of the night on which the clocks go back."""
    work = Work(Settings(database_url=make_database("sqlite", False)), lambda: NOW)
    furnish(work)
    theatre = Theatre(work)
    theatre.add_case("K1", day=BACK)
    theatre.plan("K1", PRIMARY)
    app = app_on(work.settings.database_url)
    headers = {**BEARER, "Accept": "text/html"}
    with TestClient(app, headers=headers, follow_redirects=False) as made:
        yield made
    work.close()


def test_the_form_asks_which_of_two_times_is_meant_and_takes_the_answer(
    pages: TestClient,
) -> None:
    page, tried = f"/lists/{BACK}", f"/lists/{BACK}/what-if"
    assert 'name="twice"' not in pages.get(page).text
    asked = pages.post(tried, data=MOVE)
    assert asked.status_code == 422
    assert "choose in" in asked.text
    assert 'name="twice"' in asked.text
    for twice in ("first", "second"):
        moved = pages.post(tried, data={**MOVE, "twice": twice})
        assert moved.status_code == 200
        assert f"K1 from 01:30 to 03:00, the {twice} time the clock shows it" in moved.text


def test_on_other_nights_nothing_is_asked(pages: TestClient) -> None:
    moved = pages.post(f"/lists/{BACK}/what-if", data={**MOVE, "starts": "04:00", "ends": "05:00"})
    assert moved.status_code == 200
    assert 'name="twice"' not in moved.text
