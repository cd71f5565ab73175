"""Allocation of dated units against a worked example; the source stands beside it."""

import pytest

from service.core.allocation import DatedDemand, DatedUnit, first_expired_first

UNITS = [(1, 3), (1, 9), (4, 6), (5, 5)]
MOMENTS = [3, 5, 5, 6, 9]


@pytest.mark.parametrize(("closed", "expected"), [(True, 4), (False, 2)])
def test_four_dated_units_and_five_demands(closed: bool, expected: int) -> None:
    # Convex bipartite matching after F. Glover (1967). With closed windows: 3 takes (1,3), the
    # fives take (5,5) and (4,6), 6 takes (1,9), 9 goes short. With windows open at the end
    # (1,3) cannot serve 3 and (5,5) nothing, so that 3 takes (1,9), a five takes (4,6) and no
    # unit is left: two; had 3 gone short a five or the six would have taken (1,9): still two.
    units = [DatedUnit(f"{begin}-{end}", begin, end) for begin, end in UNITS]
    demands = [DatedDemand(f"K{n}", at) for n, at in enumerate(MOMENTS)]
    found = first_expired_first(units, demands, closed=closed)
    assert len(found.served) == expected
