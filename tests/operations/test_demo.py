"""The demo hospital: every planted trouble is named, and no other."""

import csv
from collections import defaultdict
from datetime import date, timedelta
from pathlib import Path

import pytest

from service.errors import Conflict
from service.operations.cover.check import check_day
from service.operations.demo import load_demo
from service.operations.work import Work
from tests.conftest import NOW

SEED = Path(__file__).parents[2] / "seed_data"


DAYS = [NOW.date() + timedelta(days=ahead) for ahead in range(1, 15)]


def planted() -> dict[date, set[tuple[str, str, str]]]:
    """The table of planted trouble, written by hand before the check existed."""
    found: dict[date, set[tuple[str, str, str]]] = defaultdict(set)
    with (SEED / "planted.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            key = (row["case_reference"], row["because"], row["construct"])
            found[date.fromisoformat(row["list_date"])].add(key)
    return found


def test_the_table_of_planted_trouble_shows_every_kind_the_demo_promises() -> None:
    reasons = {because for day in planted().values() for _, because, _ in day}
    assert {"none_in_stock", "promised", "expires", "not_here_in_time", "wrong_side"} <= reasons


@pytest.mark.parametrize("day", DAYS, ids=str)
def test_a_check_names_every_planted_trouble_and_no_other(demo_work: Work, day: date) -> None:
    check = demo_work.read(lambda unit: check_day(unit, day))
    named = {
        (trouble.case, trouble.because, construct)
        for trouble in check.troubles
        for construct in trouble.constructs
    }
    assert named == planted().get(day, set())
    assert check.lists, "every demo day has a list"


def test_the_demo_is_refused_where_there_is_a_catalogue_already(demo_work: Work) -> None:
    with pytest.raises(Conflict, match="empty database"):
        demo_work.write(lambda unit: load_demo(unit, SEED))
