"""One unit, one use within a case: what is in the patient serves no other line.

The small department of ``tests/small_theatre.py`` is counted by hand. An alternate on the same base
goes on with what has been implanted; one on another base begins anew and needs a pack of its own.
"""

import pytest

from service.operations.constructs import load_constructs
from tests.small_theatre import FIRST_DAY, PRIMARY, Theatre, on_day

#: It takes the same nail again, and no instrument set.
OTHER_BASE = "other-nail@Testfield"


#: The nail as planned, and an end cap on top.
WITH_CAP = f"{PRIMARY}+cap-on@Testfield"


def _construct(code: str, part: str, role: str, kind: str) -> dict[str, object]:
    roles = [{"role": role, "kinds": [kind], "match": ["system"]}]
    return {"code": code, "name": code.capitalize(), "part": part, "roles": roles}


@pytest.fixture
def in_theatre(theatre: Theatre) -> Theatre:
    """K1 is in theatre with its one nail and the set on its tray; two alternates stand by."""
    more = [
        _construct("other-nail", "base", "nail", "single_lag_screw_nail"),
        _construct("cap-on", "add_on", "end cap", "end_cap"),
    ]
    theatre.work.write(lambda unit: load_constructs(unit, {"construct": more}))
    for ref in ("NAIL", "CAP", "SET"):
        theatre.receive(ref, 1)
    theatre.add_case("K1")
    theatre.plan("K1", PRIMARY, OTHER_BASE, WITH_CAP)
    theatre.wait_until(on_day(FIRST_DAY, 9))
    theatre.pick("K1", "NAIL")
    theatre.pick("K1", "SET")
    theatre.status("K1", "in_theatre")
    return theatre


def test_the_one_nail_stands_by_for_every_construct_while_it_is_not_implanted(
    in_theatre: Theatre,
) -> None:
    assert in_theatre.states("K1") == ["covered", "covered", "covered"]


def test_an_implanted_nail_does_not_cover_an_alternate_that_needs_a_second_one(
    in_theatre: Theatre,
) -> None:
    in_theatre.settle("K1", "NAIL", "implant")
    assert in_theatre.states("K1") == ["covered", "not covered", "covered"]
    (gap,) = in_theatre.check("K1").constructs[1].gaps
    assert (gap.because, gap.missing) == ("none_in_stock", 1)


def test_a_second_nail_on_a_shelf_is_what_the_alternate_on_another_base_needs(
    in_theatre: Theatre,
) -> None:
    in_theatre.receive("NAIL", 1, "L2")
    in_theatre.settle("K1", "NAIL", "implant")
    assert in_theatre.states("K1") == ["covered", "covered", "covered"]
    assert [pick.lot for pick in in_theatre.check("K1").constructs[1].lines[0].picks] == ["L2"]
    assert [pick.lot for pick in in_theatre.check("K1").constructs[2].lines[0].picks] == ["L1"]


def test_a_nail_that_was_opened_and_wasted_covers_nothing(in_theatre: Theatre) -> None:
    in_theatre.settle("K1", "NAIL", "waste", reason="dropped")
    assert in_theatre.states("K1") == ["not covered", "not covered", "not covered"]


def test_what_an_alternate_has_put_in_is_done_for_it_and_for_nothing_else(
    in_theatre: Theatre,
) -> None:
    """Two caps may be asked for: one by the add-on, one as what another construct stands on."""
    in_theatre.plan("K1", PRIMARY, WITH_CAP, "cap@Testfield")
    in_theatre.pick("K1", "CAP")
    in_theatre.settle("K1", "NAIL", "implant")
    in_theatre.settle("K1", "CAP", "implant")
    assert in_theatre.states("K1") == ["covered", "covered", "not covered"]


def test_a_nail_in_one_patient_is_not_said_to_be_promised_to_the_next_case(
    in_theatre: Theatre,
) -> None:
    in_theatre.settle("K1", "NAIL", "implant")
    in_theatre.add_case("K2", hour=14)
    in_theatre.plan("K2", OTHER_BASE)
    (gap,) = in_theatre.check("K2").constructs[0].gaps
    assert (gap.because, gap.sentence.endswith(": not in stock.")) == ("none_in_stock", True)
