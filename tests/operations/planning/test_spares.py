"""What is opened and dropped must have another of its size in the room, or a complete alternate.

Common practice, no source. A neck of 101 mm and a canal of 12.4 mm ask for the 95 mm screw and the
11 mm nail of ``tests/operations/tiny_hospital.py``.
"""

import pytest

from service.operations.cover.check import check_case
from service.operations.work import Work
from tests.operations.tiny_hospital import build, operate

NAIL, OTHER, WIRE = "tiny-nail@P/130", "tiny-nail@Q/130", "tiny-wire"


#: Everything that may be asked for once, and wires; of nail and screw no second one.
STOCK = {
    **{f"P-L{mm}": 1 for mm in (90, 95, 100)},
    **{f"Q-L{mm}": 1 for mm in (92, 96, 100)},
    **{f"{system}-N{mm}": 1 for system in "PQ" for mm in (10, 11, 12)},
    "P-IS": 1,
    "Q-IS": 1,
    "W": 4,
}


@pytest.mark.parametrize(
    ("primary", "alternates", "spares"),
    [
        (NAIL, [], ["P-L95", "P-N11"]),
        (NAIL, [f"{NAIL}+{WIRE}"], ["P-L95", "P-N11"]),
        (f"{NAIL}+{WIRE}", [NAIL], ["P-L95", "P-N11"]),
        (NAIL, [OTHER], []),
        (NAIL, [f"{NAIL}+{WIRE}", OTHER], []),
    ],
    ids=["alone", "with a wire", "without the wire", "another nail", "a wire or another nail"],
)
def test_the_same_nail_with_a_wire_is_no_alternate_that_saves_the_spare(
    work: Work, primary: str, alternates: list[str], spares: list[str]
) -> None:
    build(work, STOCK, dropped=0)
    operate(work, "K1", ("08:00", "09:30"), (101.0, 12.4), _plan(primary, alternates))
    found = work.read(lambda unit: check_case(unit, "K1")).constructs
    asked = {ref for one in found for line in one.lines if "spare" in line.why for ref in line.refs}
    assert sorted(asked) == spares
    assert {one.state for one in found} == {"partly covered" if spares else "covered"}


def _plan(primary: str, alternates: list[str]) -> dict[str, object]:
    return {"primary": primary, "alternates": alternates}
