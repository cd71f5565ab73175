"""The hunt finds what is broken: one rule of 'covered' after the other is left out, and is missed.

A story that no planted bug breaks may still be worth having; a rule that can be left out without
any story or walk noticing is not guarded at all.
"""

import itertools
import random
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy.exc import IntegrityError

from service.core.cover import shelf, units
from service.core.cover.shelf import ClaimedStock
from service.operations import stock_units
from service.operations.cases import confirmation
from service.operations.holds import conflicts
from service.operations.stock import movements
from service.operations.trays import movements as tray_moves
from service.operations.trays import trays
from service.storage.tables import base
from tests.conftest import opened
from tests.safety.test_stories import stories
from tests.safety.walk import Walk
from tests.safety.words import Department, tell

Plant = Callable[[pytest.MonkeyPatch], None]


def replaced(owner: object, name: str, change: Callable[..., Any]) -> Plant:
    """Plant: ``change`` is called instead, with the true function first."""
    true = getattr(owner, name)

    def plant(patch: pytest.MonkeyPatch) -> None:
        patch.setattr(owner, name, lambda *args, **more: change(true, *args, **more))

    return plant


def forgotten(because: str) -> Plant:
    """Leave one reason why units do not count out."""

    def change(true: Callable[..., Iterator[units.Reason]], *args: Any, **more: Any) -> Any:  # noqa: ANN401
        return (one for one in true(*args, **more) if one.because != because)

    return replaced(units, "unusable_reasons", change)


def unblocked(state: str) -> Plant:
    """Leave one state of units out."""

    def change(true: Callable[..., tuple[str, ...]], *args: Any, **more: Any) -> tuple[str, ...]:  # noqa: ANN401
        return tuple(one for one in true(*args, **more) if one != state)

    return replaced(stock_units, "_blocked", change)


def answers(value: object) -> Callable[..., object]:
    """Answer always the same."""
    return lambda _true, *_args, **_more: value


def as_written(patch: pytest.MonkeyPatch) -> None:
    """Compare lots letter by letter."""
    patch.setattr(base, "comparable", lambda text: text)


def backups_alone_count(true: Callable[..., int], claims: Any, day: Any) -> int:  # noqa: ANN401
    """Overlook what is used for good."""
    return true([claim for claim in claims if not claim.stays], day)


#: What is planted, and the stories that are about its rule; the others are told after them.
BUGS: dict[str, tuple[str, Plant]] = {
    "expired units count": ("time", forgotten("expires")),
    "a loan counts on the day it goes back": ("time", forgotten("return_due")),
    "what is on another tray counts": ("packs", forgotten("promised")),
    "a set in use counts": ("sets", forgotten("instrument_set_in_use")),
    "recalled units count": ("recalls", forgotten("recalled")),
    "units in quarantine count": ("quarantine", unblocked("quarantined")),
    "unsterile units count": ("sets", unblocked("unsterile")),
    "a recall blocks nothing": ("recalls", unblocked("recalled")),
    "what has to come back is there": (
        "sets",
        replaced(ClaimedStock, "expectation", answers(None)),
    ),
    "a set is always back in time": ("sets", replaced(ClaimedStock, "is_back", answers(True))),
    "a set is never away": ("sets", replaced(stock_units, "_set_away", answers(""))),
    "opened sets are not away": ("sets", replaced(tray_moves, "hold_turnaround", answers(None))),
    "a change of plan leaves the tray as it was": (
        "sets",
        replaced(conflicts, "_count_as_planned", answers(set())),
    ),
    "what is on a later case's tray is the earlier one's": (
        "sets",
        replaced(tray_moves, "release_before_tray", answers([])),
    ),
    "any case shares with any": ("packs", replaced(shelf, "_may_share", answers(True))),
    "what is used for good is left": (
        "packs",
        replaced(shelf, "units_needed", backups_alone_count),
    ),
    "a count washes quarantine off": (
        "quarantine",
        replaced(movements, "turns_up_unfit", answers(None)),
    ),
    "lots are compared letter by letter": ("recalls", as_written),
    "nothing reopens": ("packs", replaced(confirmation, "_newly_missing", answers([]))),
    "a tray takes what is unfit": ("recalls", replaced(trays, "refuse_unfit", answers(None))),
    "a tray takes what is another's": (
        "packs",
        replaced(trays, "_require_own_or_free", answers(None)),
    ),
    "any outcome is taken": ("packs", replaced(trays, "_refuse_fate", answers(None))),
    "what is promised is written off": (
        "packs",
        replaced(movements, "_require_unpromised", answers(None)),
    ),
}


@pytest.fixture(scope="module")
def new_database(tmp_path_factory: pytest.TempPathFactory) -> Callable[[], str]:
    """Embedded databases only: what is planted is code that both databases run."""
    folder = tmp_path_factory.mktemp("planted")
    template, numbers = folder / "template.db", itertools.count()
    with opened(f"sqlite:///{template}") as work:
        work.prepare()

    def new() -> str:
        target: Path = folder / f"{next(numbers)}.db"
        shutil.copy(template, target)
        return f"sqlite:///{target}"

    return new


def hunt(new_database: Callable[[], str], subject: str) -> str | None:
    """Tell stories and walk until something is wrong; gives what, or nothing."""
    for name, steps in [*stories(subject), *stories()]:
        with opened(new_database()) as work:
            try:
                tell(Department(work), steps)
            except (AssertionError, IntegrityError):
                return f"the story '{name}'"
    with opened(new_database()) as work:
        try:
            Walk(Department(work), random.Random(1)).go(60)  # noqa: S311 - a test's dice
        except (AssertionError, IntegrityError):
            return "a walk"
    return None


@pytest.mark.parametrize("bug", BUGS)
def test_a_rule_that_is_left_out_is_missed(
    bug: str, monkeypatch: pytest.MonkeyPatch, new_database: Callable[[], str]
) -> None:
    subject, plant = BUGS[bug]
    plant(monkeypatch)
    assert hunt(new_database, subject) is not None
