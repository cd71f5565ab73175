"""The small department on both databases; when a test ends, its books must be true."""

from collections.abc import Iterator

import pytest

from service.operations.work import Work
from tests.operations.orders.ordering import Desk
from tests.small_theatre import Theatre, assert_true, furnish


@pytest.fixture
def theatre(work: Work) -> Iterator[Theatre]:
    furnish(work)
    yield Theatre(work)
    assert_true(work)


@pytest.fixture
def desk(theatre: Theatre) -> Desk:
    made = Desk(theatre)
    made.furnish()
    return made
