"""A notice that names a lot, and a copy of which only the serial is on record: it may be recalled.

Nothing is used until somebody has looked; why is said, so that somebody can.
"""

import pytest

from service.errors import BadInput
from service.operations.recalls.start import start_recall
from service.schemas.recalls import RecallBody
from tests.small_theatre import PRIMARY, SHELF, Theatre


def recall(theatre: Theatre, **named: str) -> None:
    facts = {"notice": "N-1", "ref": "SET", "reason": "cracks", "quarantine": False, **named}
    body = RecallBody.model_validate(facts)
    theatre.work.write(lambda unit: start_recall(unit, body))


@pytest.mark.parametrize(
    ("notice", "copy", "says"),
    [
        ({"lot": "L9"}, {"serial": "S-1"}, "serial S-1 may be recalled: its lot is not recorded"),
        ({"serial": "S-9"}, {"lot": "L1"}, "lot L1 may be recalled: its serial is not recorded"),
        ({"lot": "L1"}, {"lot": "L1"}, "lot L1 is recalled"),
        ({"serial": "S-1"}, {"serial": "S-1"}, "serial S-1 is recalled"),
    ],
)
def test_a_blocked_set_says_whether_it_is_recalled_or_why_nobody_can_tell(
    theatre: Theatre, notice: dict[str, str], copy: dict[str, str], says: str
) -> None:
    theatre.receive("NAIL", 1)
    named = {"lot": None, **copy}
    theatre.record("receive", "SET", quantity=1, to=SHELF, sterility="sterile", **named)
    theatre.add_case("K1")
    theatre.plan("K1", PRIMARY)
    assert theatre.states("K1") == ["covered"]
    recall(theatre, **notice)
    (gap,) = theatre.check("K1").constructs[0].gaps
    assert (gap.because, gap.sentence.partition(": ")[2]) == ("recalled", f"{says}.")
    with pytest.raises(BadInput) as refused:
        theatre.pick("K1", "SET", 1, **named)
    assert refused.value.faults[0].reason == f"it {says.split(' ', 2)[2]}; quarantine it"
