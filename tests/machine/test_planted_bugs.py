"""The machine sees what is broken: eleven bugs, planted one at a time, each found in seconds.

What is planted is what could slip into the code that moves stock: a line left out, a sign, a
count taken twice. Without these a machine that checks nothing would pass too.
"""

import itertools
import random
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel
from sqlalchemy.exc import IntegrityError

from service.operations import work as idempotent
from service.operations.holds import conflicts
from service.operations.planning import case_changes
from service.operations.stock import movements
from service.operations.trays import movements as tray_moves
from service.operations.trays import trays
from service.operations.work import Unit
from service.storage.queries import holds as hold_rows
from service.storage.queries import stock
from tests.conftest import opened
from tests.machine.ledger_machine import LedgerMachine
from tests.machine.walk import drive
from tests.small_theatre import furnish

Plant = Callable[[pytest.MonkeyPatch], None]


@pytest.fixture(scope="module")
def new_database(tmp_path_factory: pytest.TempPathFactory) -> Callable[[], str]:
    """Embedded databases only: the bugs are in code both databases run."""
    folder = tmp_path_factory.mktemp("planted")
    template, numbers = folder / "template.db", itertools.count()
    with opened(f"sqlite:///{template}") as work:
        work.prepare()
        furnish(work)

    def new() -> str:
        target: Path = folder / f"{next(numbers)}.db"
        shutil.copy(template, target)
        return f"sqlite:///{target}"

    return new


def changed(
    module: object, name: str, change: Callable[..., Any]
) -> Callable[[pytest.MonkeyPatch], None]:
    """Plant: call ``change`` with the true function first, then its arguments."""
    true = getattr(module, name)

    def plant(patch: pytest.MonkeyPatch) -> None:
        patch.setattr(module, name, lambda *args, **more: change(true, *args, **more))

    return plant


def nothing(true: Callable[..., Any], *_args: object, **_more: object) -> None:
    """Do not do what should be done."""
    del true


def one_unit_less(true: Callable[..., Any], session: object, rows: list[dict[str, int]]) -> None:
    true(session, [{**row, "change": row["change"] + 1} for row in rows if row["change"] < -1])
    true(session, [row for row in rows if row["change"] >= -1])


def twice(true: Callable[..., Any], session: object, rows: list[dict[str, int]]) -> None:
    true(session, [{**row, "change": 2 * row["change"]} for row in rows])


def without_the_link(
    true: Callable[..., Any], unit: object, line: dict[str, Any], **more: object
) -> list[str]:
    line.pop("corrects_seq", None)
    return list(true(unit, line, **more))


def to_the_other_shelf(
    true: Callable[..., Any], unit: object, line: dict[str, Any], **more: object
) -> list[str]:
    if line["kind"] == "return":
        line["to_location_id"] = 1 if line["to_location_id"] == 2 else 2
    return list(true(unit, line, **more))


def hold_counted_twice(true: Callable[..., Any], session: object, held: dict[Any, int]) -> None:
    true(session, {key: min(2 * number, number + 1) for key, number in held.items()})


def without_followers(_true: Callable[..., Any], *_args: object, **_more: object) -> list[Any]:
    return []


def no_key(
    _true: Callable[..., object],
    unit: Unit,
    _key: str,
    _print: str,
    operation: Callable[[Unit], BaseModel],
    _answer: object,
) -> BaseModel:
    return operation(unit)


BUGS: dict[str, Plant] = {
    "what leaves is not taken off its balance": changed(stock, "_take_from_balances", nothing),
    "one unit too few is taken off": changed(stock, "_take_from_balances", one_unit_less),
    "what comes is added twice": changed(stock, "_add_to_balances", twice),
    "a hold is counted twice": changed(hold_rows, "set_held", hold_counted_twice),
    "the promised part is never brought up to date": changed(hold_rows, "set_held", nothing),
    "a correction does not name its line": changed(movements, "move_with_holds", without_the_link),
    "a pack goes back to the wrong shelf": changed(
        tray_moves, "move_with_holds", to_the_other_shelf
    ),
    "holds do not leave with their units": changed(conflicts, "_leaving", without_followers),
    "what a cancelled case holds stays held": changed(case_changes, "release_case", nothing),
    "a pack is used and not written down": changed(tray_moves, "_note_pack", nothing),
    "a repeated request acts again": changed(idempotent, "run_once", no_key),
    "units of another case are taken": changed(trays, "_require_own_or_free", nothing),
    "a write-off does not look at promises": changed(movements, "_require_unpromised", nothing),
}


def look(new_database: Callable[[], str], runs: int) -> None:
    for seed in range(runs):
        LedgerMachine.new_database = staticmethod(new_database)
        machine = LedgerMachine()
        try:
            drive(machine, random.Random(seed), 60)  # noqa: S311 - a test's dice, not a secret
        finally:
            machine.teardown()


@pytest.mark.parametrize("bug", BUGS)
def test_a_planted_bug_is_found(
    bug: str, new_database: Callable[[], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    BUGS[bug](monkeypatch)
    with pytest.raises((AssertionError, IntegrityError)):
        look(new_database, 12)


def test_without_a_planted_bug_nothing_is_found(new_database: Callable[[], str]) -> None:
    """The same steps on the true code: what finds the bugs is not the walk itself."""
    look(new_database, 4)
