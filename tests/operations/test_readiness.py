"""Readiness of a hospital small enough for pencil and paper, and of one that is played through.

The first is worked out from scipy.stats.norm; the second by a simulation written here that shares
nothing with the program: it draws necks, canals and needs, chooses sizes and takes packs in order.
"""

from collections.abc import Iterator
from datetime import timedelta
from functools import partial
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm

from service.operations.orders.receive import add_delivery
from service.operations.readiness import answer_readiness, day_problem
from service.operations.work import Work
from service.schemas.readiness_problem import problem_from
from service.schemas.stock import DeliveryBody
from tests.conftest import NOW
from tests.operations.tiny_hospital import DAY, build, operate

Json = dict[str, Any]


P_NAIL = "tiny-nail@P/130"


Q_NAIL = "tiny-nail@Q/130"


AS_PLANNED = {
    "primary": P_NAIL,
    "needs": [{"need": "as planned", "probability": 1, "constructs": [P_NAIL]}],
}


def answer(work: Work, **more: object) -> Json:
    problem = work.read(lambda unit: day_problem(unit, DAY)).problem
    return answer_readiness({**problem, **more})


def lag_chances(neck_mm: float) -> dict[int, float]:
    """Lag screws 90, 95, 100 for a neck known to 4.5 mm: breaks at 90, 97.5, 102.5, 110 mm."""
    neck = norm(neck_mm, 4.5)
    return {
        90: neck.cdf(97.5) - neck.cdf(90),
        95: neck.cdf(102.5) - neck.cdf(97.5),
        100: neck.cdf(110) - neck.cdf(102.5),
    }


def nail_chances(canal_mm: float) -> dict[int, float]:
    """Nails 10, 11, 12 for a canal known to 1 mm: breaks at 10, 12, 13, 14 mm."""
    canal = norm(canal_mm, 1.0)
    return {
        10: canal.cdf(12) - canal.cdf(10),
        11: canal.cdf(13) - canal.cdf(12),
        12: canal.cdf(14) - canal.cdf(13),
    }


def test_two_cases_are_as_ready_as_worked_by_hand(work: Work) -> None:
    # One 10 mm nail and one 95 mm screw; plenty of 11 mm nails and 100 mm screws; the rest none.
    stock = {"P-N10": 1, "P-N11": 2, "P-L95": 1, "P-L100": 2, "P-IS": 2}
    build(work, stock, dropped=0)
    operate(work, "K1", ("08:30", "10:00"), (101.0, 12.2), AS_PLANNED)
    operate(work, "K2", ("10:30", "12:00"), (99.0, 12.6), AS_PLANNED)
    lag1, nail1, lag2, nail2 = (
        lag_chances(101.0),
        nail_chances(12.2),
        lag_chances(99.0),
        nail_chances(12.6),
    )
    first = (nail1[10] + nail1[11]) * (lag1[95] + lag1[100])
    both = sum(
        nail1[n]
        * lag1[length]
        * (nail2[11] + (nail2[10] if n == 11 else 0))
        * (lag2[100] + (lag2[95] if length == 100 else 0))
        for n in (10, 11)
        for length in (95, 100)
    )
    # Where the first cannot be done, it takes nothing.
    second = both + (1 - first) * (nail2[10] + nail2[11]) * (lag2[95] + lag2[100])
    found = answer(work, method="exact")
    assert found["list_readiness"]["value"] == pytest.approx(both, abs=1e-9)
    assert [case["readiness"] for case in found["cases"]] == pytest.approx(
        [first, second], abs=1e-9
    )


#: The played hospital: three cases, two systems, wires, and packs that are dropped. A set is away
#: for 240 minutes after its case, so that none is back in time for a later one.
STOCK = {
    **{f"P-N{mm}": 1 for mm in (10, 11, 12)},
    "P-L90": 1,
    "P-L95": 2,
    "P-L100": 1,
    "P-IS": 2,
    "Q-N10": 1,
    "Q-N11": 1,
    "Q-L92": 1,
    "Q-L96": 1,
    "Q-L100": 1,
    "Q-IS": 1,
    "W": 3,
}


DROPPED = 0.08


MADE = {"P": (90, 95, 100), "Q": (88, 92, 96, 100, 104)}


STEP = 5.0


WIRED = f"{P_NAIL}+tiny-wire"


#: Reference, times, neck and canal, and needs as probability and constructs in order.
CASES: list[tuple[str, tuple[str, str], tuple[float, float], list[tuple[float, list[str]]]]] = [
    ("K1", ("08:30", "10:00"), (99.0, 12.1), [(0.8, [P_NAIL, Q_NAIL]), (0.2, [WIRED])]),
    ("K2", ("10:30", "12:00"), (102.0, 12.5), [(0.7, [Q_NAIL, P_NAIL]), (0.3, [WIRED, Q_NAIL])]),
    ("K3", ("13:00", "14:30"), (98.0, 12.8), [(0.9, [P_NAIL, WIRED]), (0.1, [])]),
]


def nearest(target: float, made: tuple[int, ...]) -> int | None:
    """The nearest size made; up to one step beyond the ends the last one, then none."""
    if target < made[0] - STEP or target > made[-1] + STEP:
        return None
    return min(made, key=lambda size: (abs(size - target), size))


def at_most(target: float, made: tuple[int, ...]) -> int | None:
    """The largest size not above the target; up to 1 mm beyond the ends the last one."""
    if target < made[0] - 1 or target > made[-1] + 1:
        return None
    return max((size for size in made if size <= target), default=made[0])


def asked(construct: str, drawn: dict[str, Any]) -> dict[str, int] | None:
    """What a construct takes in one play; None where a size is not made."""
    system = construct.partition("@")[2][0]
    lag = nearest(drawn["neck"] - 5, MADE[system])
    nail = at_most(drawn["canal"] - 1, (10, 11, 12))
    if lag is None or nail is None:
        return None
    wanted = {
        f"{system}-L{lag}": 1 + drawn["lag dropped"],
        f"{system}-N{nail}": 1 + drawn["nail dropped"],
        f"{system}-IS": 1,
    }
    if construct.endswith("tiny-wire"):
        wanted["W"] = drawn["wires"]
    return wanted


def plays(count: int) -> Iterator[list[bool]]:
    """Play the list through: which cases could be done, time after time."""
    rng = np.random.default_rng(20310305)
    for _ in range(count):
        left = dict(STOCK)
        done = []
        for _, _, (neck, canal), needs in CASES:
            drawn = {
                "neck": rng.normal(neck, 4.5),
                "canal": rng.normal(canal, 1.0),
                "lag dropped": int(rng.random() < DROPPED),
                "nail dropped": int(rng.random() < DROPPED),
                "wires": 1 if rng.random() < 0.6 else 2,
            }
            place = rng.choice(len(needs), p=[chance for chance, _ in needs])
            taken = None
            for construct in needs[place][1]:
                wanted = asked(construct, drawn)
                if wanted and all(left.get(ref, 0) >= number for ref, number in wanted.items()):
                    taken = wanted
                    break
            for ref, number in (taken or {}).items():
                left[ref] -= number
            done.append(taken is not None)
        yield done


def test_a_list_played_through_forty_thousand_times_agrees(work: Work) -> None:
    build(work, STOCK, dropped=DROPPED)
    for name, times, sizes, needs in CASES:
        planned = list(dict.fromkeys(one for _, constructs in needs for one in constructs))
        plan = {
            "primary": planned[0],
            "alternates": planned[1:],
            "needs": [
                {"need": f"need {number}", "probability": chance, "constructs": constructs}
                for number, (chance, constructs) in enumerate(needs)
            ],
        }
        operate(work, name, times, sizes, plan)
    count = 40_000
    played = np.array(list(plays(count)))
    found = answer(work, method="exact")
    expected = [*played.mean(axis=0), played.all(axis=1).mean()]
    got = [*(case["readiness"] for case in found["cases"]), found["list_readiness"]["value"]]
    for mean, value in zip(expected, got, strict=True):
        assert 0.05 < mean < 0.95, "a certain case would show nothing"
        assert abs(value - mean) < 4 * np.sqrt(mean * (1 - mean) / count)


def test_a_delivery_that_should_be_here_and_is_not_does_not_count(work: Work) -> None:
    build(work, {"P-N10": 2, "P-N11": 2, "P-N12": 2, "P-IS": 1}, dropped=0)
    operate(work, "K1", ("08:30", "10:00"), (100.0, 12.4), AS_PLANNED)
    for reference, hours in (("LATE", -2), ("DUE", 24)):
        body = {
            "reference": reference,
            "ref": "P-L95",
            "quantity": 1,
            "due_at": NOW + timedelta(hours=hours),
        }
        work.write(partial(add_delivery, body=DeliveryBody.model_validate(body)))
    problem: Json = work.read(lambda unit: day_problem(unit, DAY)).problem
    lines = [line for line in problem["stock"] if line["item"] == "P-L95"]
    assert lines == [
        {
            "item": "P-L95",
            "quantity": 1,
            "from": "2031-03-04T07:00:00+00:00",
            "with": "delivery DUE",
        }
    ]


@pytest.mark.parametrize("ahead", range(1, 15))
def test_the_problem_of_every_demo_day_can_be_read(demo_work: Work, ahead: int) -> None:
    day = NOW.date() + timedelta(days=ahead)
    told = demo_work.read(lambda unit: day_problem(unit, day))
    written: Json = told.problem
    problem = problem_from(written)
    assert [case.name for case in problem.cases] == list(told.cases)
    assert any(case["starts"].startswith(str(day)) for case in written["cases"])
