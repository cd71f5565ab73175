"""People do what people do, in any order; what reads 'covered' can always be done.

``TRAYWRIGHT_STEPS`` sets how long each walk is; without it walks are short and always the same.
"""

import os
import random

import pytest

from service.operations.work import Work
from tests.safety.walk import Walk
from tests.safety.words import Department
from tests.safety.world import Case, Copy, World, all_served
from tests.small_theatre import assert_true

STEPS = int(os.environ.get("TRAYWRIGHT_STEPS", "80"))


@pytest.mark.parametrize("seed", range(5))
def test_whatever_is_done_nothing_reads_covered_that_is_not(work: Work, seed: int) -> None:
    walk = Walk(Department(work), random.Random(seed))  # noqa: S311 - a test's dice, not a secret
    walk.go(STEPS)
    assert_true(work)
    # A walk on which nothing is ever covered would show nothing.
    assert walk.verdicts["covered"] > STEPS / 8


def test_the_world_needs_a_copy_for_each_want() -> None:
    cases = [Case(name, 1, 480, 540, 1, "a cap", None) for name in ("K1", "K2")]
    world = World([Copy("cap", "L1")])
    assert world.can_be_done(cases[:1])
    assert not world.can_be_done(cases)
    world.copies.append(Copy("cap", "L2", use_by=0))
    assert not world.can_be_done(cases), "it is over a day before"
    world.copies.append(Copy("cap", "L3", place="K1"))
    assert world.can_be_done(cases), "what lies on its own tray serves a case"
    world.recalled.add(("cap", "L3"))
    assert not world.can_be_done(cases)


def test_a_want_gives_way_to_one_that_has_no_choice() -> None:
    assert all_served([[0, 1], [0]])
    assert not all_served([[0], [0]])
    assert all_served([[0, 1], [0, 2], [1]])


def test_a_backup_is_a_choice_and_takes_nothing_twice() -> None:
    case = Case("K1", 1, 480, 540, 1, "a nail", "two caps")
    world = World([Copy("nail", "L1"), Copy("set", "", "S1"), Copy("cap", "L1"), Copy("cap", "L1")])
    assert world.can_be_done([case], backup_of=case)
    world.copies.pop()
    assert world.can_be_done([case])
    assert not world.can_be_done([case], backup_of=case)
