"""The small department after two months of use, for par levels."""

import pytest

from tests.operations.par.test_proposal import CASES, DAYS, price
from tests.operations.test_demand import later, ready, use
from tests.small_theatre import Theatre


@pytest.fixture
def shop(theatre: Theatre) -> Theatre:
    """Two months of a department that has used six of twelve nails, one a case."""
    ready(theatre, 12)
    price(theatre.work, "NAIL")
    for number in range(CASES):
        later(theatre.work, number * 10)
        use(theatre, f"K{number}")
    later(theatre.work, DAYS - 1)
    return theatre
