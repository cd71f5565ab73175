"""A set that a case has opened and sent away is not there for that case either.

The small department of ``tests/small_theatre.py`` is counted by hand: the nail set is away for 240
minutes, and the clock stands at seven.
"""

import pytest

from service.errors import Conflict
from service.operations.catalogue import get_item
from service.operations.planning.item_edits import edit_item
from service.operations.shortfalls.shortfalls import shortfalls
from service.operations.stock.view import shortages_ahead
from service.schemas.catalogue import ItemBody
from tests.conftest import NOW
from tests.small_theatre import PRIMARY, SHELF, Theatre, next_day

TODAY = NOW.date()


@pytest.fixture
def opened(theatre: Theatre) -> Theatre:
    """K1 is in theatre and has sent its set away; a second copy lies on its shelf."""
    theatre.receive("NAIL", 4)
    theatre.receive("SET", 1, "S1")
    theatre.add_case("K1", day=TODAY, hour=8)
    theatre.plan("K1", PRIMARY)
    theatre.pick("K1", "SET", lot="S1")
    theatre.receive("SET", 1, "S2")
    theatre.status("K1", "in_theatre")
    theatre.settle("K1", "SET", "reprocess", lot="S1")
    return theatre


def test_a_case_is_not_covered_by_the_set_it_has_sent_to_be_reprocessed(opened: Theatre) -> None:
    assert opened.states("K1") == ["not covered"]
    (gap,) = opened.check("K1").constructs[0].gaps
    assert gap.because == "opened_here"
    assert gap.sentence.endswith(
        "opened in this case and being reprocessed, expected back 2031-03-03 11:00."
    )


def test_a_case_that_is_still_open_does_not_claim_a_second_set(opened: Theatre) -> None:
    opened.add_case("K2", day=TODAY, hour=8, theatre="T2")
    opened.plan("K2", PRIMARY)
    assert opened.states("K2") == ["covered"]
    # Planned again, K1 asks for no other copy.
    opened.plan("K1", PRIMARY)
    assert [one[:2] for one in opened.held("K1") if one[0] == "SET"] == [("SET", "S1")]
    assert opened.states("K2") == ["covered"]


def test_a_set_that_was_opened_in_its_case_is_nothing_to_order(opened: Theatre) -> None:
    """The clock stands before the planned start: the case counts as a coming one."""
    found = opened.work.read(lambda unit: shortfalls(unit, 1)).shortfalls
    assert found == []
    assert opened.work.read(shortages_ahead) == []


def test_a_case_put_off_to_the_next_day_waits_for_its_own_set_like_any_other(
    opened: Theatre,
) -> None:
    opened.record("write_off", "SET", lot="S2", quantity=1, at=SHELF, reason="broken")
    opened.change_case("K1", day=next_day(0))
    assert opened.states("K1") == ["covered if"]
    assert "SET S1 is back by 09:00" in opened.check("K1").says
    opened.add_case("K2", day=next_day(0), theatre="T2")
    opened.plan("K2", PRIMARY)
    assert opened.states("K2") == ["not covered"]


@pytest.mark.parametrize(("minutes", "state"), [(600, "not covered"), (120, "covered if")])
def test_a_corrected_turnaround_holds_for_the_copy_that_is_away_already(
    opened: Theatre, minutes: int, state: str
) -> None:
    """Sent off at seven; K2 starts at 10:00, K3 at 14:00, and the second copy is gone."""
    opened.record("write_off", "SET", lot="S2", quantity=1, at=SHELF, reason="broken")
    hour = 10 if state == "covered if" else 14
    opened.add_case("K2", day=TODAY, hour=hour)
    opened.plan("K2", PRIMARY)
    opened.confirm("K2")
    assert opened.states("K2") != [state]
    _correct(opened, minutes)
    assert opened.states("K2") == [state]
    assert bool(opened.reopened("K2")) == (state == "not covered")


def _correct(theatre: Theatre, minutes: int) -> None:
    known = theatre.work.read(lambda unit: get_item(unit, "SET"))
    facts = known.model_dump(include=set(ItemBody.model_fields))
    body = ItemBody.model_validate({**facts, "turnaround_minutes": minutes})

    def edit(seen: str) -> None:
        theatre.work.write(lambda unit: edit_item(unit, "SET", body, known.version, seen))

    with pytest.raises(Conflict) as shown:
        edit("")
    edit(str(shown.value.facts["acknowledge"]))
