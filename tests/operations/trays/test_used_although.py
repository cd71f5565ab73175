"""A pack that must not be used and is in the patient all the same: it is said aloud, and on record.

The small department of ``tests/small_theatre.py``; its clock stands at seven on 3 March. A pack may
be used on its last day (common practice, no source).
"""

from datetime import timedelta

import pytest

from service.errors import BadInput
from service.operations.planner import planner_of
from service.operations.recalls.notices import get_recall
from service.operations.recalls.start import start_recall
from service.operations.trays.trays import aloud_out, implant_log
from service.operations.work import Unit
from service.schemas.recalls import RecallBody
from service.schemas.trays import PackOutcomeBody
from tests.conftest import NOW
from tests.small_theatre import PRIMARY, Theatre, on_day

TODAY = NOW.date()


JUST_AFTER_MIDNIGHT = on_day(TODAY + timedelta(days=1), 0) + timedelta(minutes=20)


@pytest.fixture
def in_theatre(theatre: Theatre) -> Theatre:
    """K1 is in theatre with a nail whose last day it is."""
    theatre.receive("NAIL", 1, use_by=TODAY)
    theatre.receive("SET", 1)
    theatre.add_case("K1", day=TODAY, hour=22)
    theatre.plan("K1", PRIMARY)
    theatre.pick("K1", "NAIL")
    theatre.pick("K1", "SET")
    theatre.status("K1", "in_theatre")
    return theatre


def recall(theatre: Theatre) -> None:
    notice = {"notice": "N-1", "ref": "NAIL", "lot": "L1", "reason": "cracks"}
    body = RecallBody.model_validate({**notice, "quarantine": False})
    theatre.work.write(lambda unit: start_recall(unit, body))


def unsterile(theatre: Theatre) -> None:
    def write(unit: Unit) -> None:
        item = planner_of(unit).find_item("NAIL")
        assert item is not None
        (lot,) = planner_of(unit).lots_of(item.id or 0, "L1", "")
        lot.sterility = "unsterile"

    theatre.work.write(write)


def expired(theatre: Theatre) -> None:
    theatre.wait_until(JUST_AFTER_MIDNIGHT)


HAPPENED = pytest.mark.parametrize(
    ("happened", "word"),
    [(expired, "expired"), (recall, "recalled"), (unsterile, "not sterile")],
    ids=["expired at midnight", "recalled", "not sterile"],
)


def test_a_pack_in_date_is_implanted_without_a_word(in_theatre: Theatre) -> None:
    assert in_theatre.tray("K1").packs[0].unfit == ""
    in_theatre.settle("K1", "NAIL", "implant")
    assert in_theatre.lines()[-1].reason == ""


@HAPPENED
def test_what_must_not_be_used_is_not_implanted_by_the_way(
    in_theatre: Theatre, happened: object, word: str
) -> None:
    happened(in_theatre)  # type: ignore[operator] # one of three
    before = len(in_theatre.lines())
    (nail,) = [one for one in in_theatre.tray("K1").packs if one.ref == "NAIL"]
    assert (nail.unfit, nail.open) == (word, 1)
    named = PackOutcomeBody(ref="NAIL", lot="L1", fate="implant")
    assert in_theatre.work.read(lambda unit: aloud_out(unit, "K1", named)).unfit == word
    with pytest.raises(BadInput) as refused:
        in_theatre.settle("K1", "NAIL", "implant")
    (fault,) = refused.value.faults
    assert (fault.pointer, word in fault.reason) == ("/was_used", True)
    assert len(in_theatre.lines()) == before


@HAPPENED
def test_what_was_used_all_the_same_is_recorded_as_such_and_told(
    in_theatre: Theatre, happened: object, word: str
) -> None:
    happened(in_theatre)  # type: ignore[operator] # one of three
    says = f"NAIL L1 was implanted although it was {word}"
    in_theatre.settle("K1", "NAIL", "implant", was_used=True, reason="seen when it was in")
    line = in_theatre.lines()[-1]
    assert (line.kind, line.reason) == ("implant", f"{says}; seen when it was in")
    assert ("used although unfit", says) in in_theatre.events("K1")
    log = in_theatre.work.read(lambda unit: implant_log(unit, "K1")).lines
    assert [one.reason for one in log] == [line.reason]
    if happened is recall:
        report = in_theatre.work.read(lambda unit: get_recall(unit, "N-1"))
        assert [(one.case, one.quantity) for one in report.used] == [("K1", 1)]


def test_it_is_said_only_of_what_was_implanted(in_theatre: Theatre) -> None:
    """Thrown away or put back, an expired pack does nobody any harm."""
    expired(in_theatre)
    in_theatre.settle("K1", "NAIL", "waste", reason="expired on the table")
    assert in_theatre.lines()[-1].reason == "expired on the table"
    assert in_theatre.events("K1") == []


def test_after_midnight_a_case_in_theatre_is_checked_with_the_day_it_is(
    in_theatre: Theatre,
) -> None:
    assert in_theatre.states("K1") == ["covered"]
    expired(in_theatre)
    (gap,) = in_theatre.check("K1").constructs[0].gaps
    assert (gap.because, gap.role) == ("expires", "nail")
    assert gap.sentence.endswith("lot L1 expired on 2031-03-03.")


def test_after_midnight_a_case_that_nobody_has_begun_is_past(in_theatre: Theatre) -> None:
    in_theatre.add_case("K2", day=TODAY, hour=8, theatre="T2")
    in_theatre.plan("K2", PRIMARY)
    expired(in_theatre)
    with pytest.raises(BadInput, match="was on 2031-03-03"):
        in_theatre.check("K2")


def test_a_pack_is_still_fetched_for_a_case_that_runs_over_midnight(in_theatre: Theatre) -> None:
    in_theatre.receive("NAIL", 1, "L2")
    expired(in_theatre)
    assert in_theatre.states("K1") == ["covered"]
    in_theatre.pick("K1", "NAIL", lot="L2")
    in_theatre.settle("K1", "NAIL", "implant", lot="L2")
    assert in_theatre.states("K1") == ["covered"]
