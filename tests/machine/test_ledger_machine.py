"""The ledger against a dictionary, through everything that may happen to stock in any order.

``TRAYWRIGHT_EXAMPLES`` sets how many runs of the machine; without it the runs are few and always
the same, so that the suite is quick and a failure is everybody's.
"""

import os
import random
from datetime import timedelta

import pytest
from hypothesis import HealthCheck, settings
from hypothesis.stateful import run_state_machine_as_test

from tests.machine.conftest import NewDatabase
from tests.machine.ledger_machine import LedgerMachine
from tests.machine.walk import drive

EXAMPLES = int(os.environ.get("TRAYWRIGHT_EXAMPLES", "0"))


WALKS = EXAMPLES or 3


def test_the_ledger_is_the_dictionary_whatever_is_done(new_database: NewDatabase) -> None:
    class Machine(LedgerMachine):
        pass

    Machine.new_database = staticmethod(new_database)
    run_state_machine_as_test(
        Machine,
        settings=settings(
            max_examples=EXAMPLES or 12,
            stateful_step_count=30,
            deadline=timedelta(seconds=20),
            derandomize=not EXAMPLES,
            database=None,
            report_multiple_bugs=False,
            suppress_health_check=list(HealthCheck),
        ),
    )


@pytest.mark.parametrize("seed", range(WALKS))
def test_a_long_walk_by_chance_leaves_the_books_true(seed: int, new_database: NewDatabase) -> None:
    """The machine's own rules, chosen evenly: long runs that reach closed cases and full trays."""
    LedgerMachine.new_database = staticmethod(new_database)
    machine = LedgerMachine()
    try:
        drive(machine, random.Random(seed), 100)  # noqa: S311 - a test's dice, not a secret
    finally:
        machine.teardown()
