"""A table of rules that is not well-shaped is refused where it stands; one that is speaks."""

import copy
import tomllib
from pathlib import Path
from typing import Any

import pytest

from service.core.fractures.findings import Findings
from service.core.fractures.guidance import Guidance, suggest
from service.core.fractures.rules import GuidanceError
from service.schemas.guidance import rules_from

SEED = Path(__file__).parents[2] / "seed_data" / "guidance.toml"


TABLE: dict[str, Any] = tomllib.loads(SEED.read_text(encoding="utf-8"))


RULES = rules_from(TABLE)


PLATE, SHORT = "sliding-hip-screw", "short-single-lag-nail"


def cautions(told: Guidance) -> set[str]:
    return {caution.rule for caution in told.cautions}


def test_the_table_names_every_code_once_and_reads_the_same_in_any_order() -> None:
    codes = [rule.code for rule in RULES.rules]
    assert len(set(codes)) == len(codes)
    turned = rules_from(dict(reversed(TABLE.items())))
    assert turned == RULES


def place_of(kind: str, code: str) -> tuple[str, int]:
    return kind, [rule["code"] for rule in TABLE[kind]].index(code)


SHARE = place_of("need", "need-wall-breaks-class-unsaid")


OWN = place_of("need", "need-wall-breaks-stable")


WIRE = place_of("need", "need-cerclage")


@pytest.mark.parametrize(
    ("path", "value", "pointer"),
    [
        (("conversion", "probability"), 1.01, "/conversion/probability"),
        (("conversion", "probability"), -0.1, "/conversion/probability"),
        (("conversion", "probability"), True, "/conversion/probability"),
        (("conversion", "source"), "", "/conversion/source"),
        (("advice",), [], "/advice"),
        (("need",), {}, "/need"),
        ((*SHARE, "weight"), 0, f"/need/{SHARE[1]}/weight"),
        ((*SHARE, "constructs"), [], f"/need/{SHARE[1]}/constructs"),
        ((*SHARE, "constructs", 1), "Wooden peg", f"/need/{SHARE[1]}/constructs/1"),
        ((*SHARE, "constructs", 1), f"{PLATE}+", f"/need/{SHARE[1]}/constructs/1"),
        ((*SHARE, "constructs", 1), f"{PLATE}@Demo", f"/need/{SHARE[1]}/constructs/1"),
        ((*SHARE, "constructs", 1), f"{PLATE}+planned", f"/need/{SHARE[1]}/constructs/1"),
        (
            (*SHARE, "constructs", 1),
            "planned+cerclage-wire+cerclage-wire",
            f"/need/{SHARE[1]}/constructs/1",
        ),
        ((*SHARE, "colour"), "red", f"/need/{SHARE[1]}/colour"),
        ((*SHARE, "source"), " ", f"/need/{SHARE[1]}/source"),
        ((*SHARE, "when", 0, "finding"), "mood", f"/need/{SHARE[1]}/when/0/finding"),
        ((*SHARE, "when", 0, "equals"), "Wooden peg", f"/need/{SHARE[1]}/when/0/equals"),
        ((*SHARE, "when", 0, "equals"), f"{PLATE}+{SHORT}", f"/need/{SHARE[1]}/when/0/equals"),
        ((*SHARE, "when", 0, "equals"), True, f"/need/{SHARE[1]}/when/0/equals/0"),
        ((*SHARE, "when", 0, "one_of"), [PLATE], f"/need/{SHARE[1]}/when/0"),
        ((*SHARE, "when", 1, "equals"), "no", f"/need/{SHARE[1]}/when/1/equals"),
        ((*SHARE, "when", 0), {"finding": "base"}, f"/need/{SHARE[1]}/when/0"),
        ((*SHARE, "when", 0), {"finding": "base", "above": 3}, f"/need/{SHARE[1]}/when/0/above"),
        (
            (*SHARE, "when", 0),
            {"finding": "base", "is_unknown": False},
            f"/need/{SHARE[1]}/when/0/is_unknown",
        ),
        (
            (*SHARE, "when", 0),
            {"finding": "lateral_wall_mm", "at_most": "thin"},
            f"/need/{SHARE[1]}/when/0/at_most",
        ),
        (
            (*SHARE, "when", 0),
            {"finding": "base", "is_unknown": 1},
            f"/need/{SHARE[1]}/when/0/is_unknown",
        ),
        (
            (*SHARE, "when", 0),
            {"finding": "lateral_wall_mm", "equals": float("nan")},
            f"/need/{SHARE[1]}/when/0/equals",
        ),
        ((*SHARE, "when", 0, "colour"), "red", f"/need/{SHARE[1]}/when/0"),
        ((*WIRE, "any_of", 0, "one_of"), ["wavy"], f"/need/{WIRE[1]}/any_of/0/one_of"),
        (("near", 0, "what", 0), "wooden_peg", "/near/0/what/0"),
        (("near", 0, "what", 0), "planned+cerclage-wire", "/near/0/what/0"),
        (("conflict", 0, "sides"), [{"says": "a", "source": "b"}], "/conflict/0/sides"),
        (("conflict", 0, "sides", 1, "source"), "", "/conflict/0/sides/1/source"),
        (("unknown", 0, "finding"), "mood", "/unknown/0/finding"),
        (("caution", 1, "code"), "caution-size-confirmed-in-theatre", "/caution/1/code"),
    ],
)
def test_a_faulty_rule_is_refused_where_it_stands(
    path: tuple[str | int, ...], value: object, pointer: str
) -> None:
    data: Any = copy.deepcopy(TABLE)
    place = data
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    with pytest.raises(GuidanceError) as refused:
        rules_from(data)
    assert refused.value.pointer == pointer


def test_a_construct_the_core_has_never_heard_of_is_accepted_if_it_is_written_as_a_code() -> None:
    data: Any = copy.deepcopy(TABLE)
    data["need"][0]["constructs"] = ["our-own-nail+our-own-wire"]
    data["need"][0]["when"][0]["equals"] = "our-own-plate"
    data["near"][0]["what"] = ["our-own-wire"]
    rules = {rule.code: rule for rule in rules_from(data).rules}
    assert rules[data["need"][0]["code"]].names == ("our-own-nail+our-own-wire",)
    assert "our-own-plate" in rules_from(data).bases


def test_numbers_are_compared_at_the_bound() -> None:
    row = {"reason": "r", "source": "s"}
    rules = rules_from(
        {
            "conversion": {"probability": 0.1, "source": "x"},
            "caution": [
                {"code": "low", "when": [{"finding": "lateral_wall_mm", "at_most": 20.5}], **row},
                {"code": "high", "when": [{"finding": "lateral_wall_mm", "above": 20.5}], **row},
                {
                    "code": "none",
                    "when": [{"finding": "lateral_wall_mm", "is_unknown": True}],
                    **row,
                },
                {"code": "is", "when": [{"finding": "lateral_wall_mm", "equals": 20.5}], **row},
            ],
        }
    )
    # These rules name no base, which is said beside them.
    unknown = "no-rule-knows-the-base"
    low = suggest(Findings(PLATE, lateral_wall_mm=20.5), rules)
    assert cautions(low) == {"low", "is", unknown}
    assert cautions(suggest(Findings(PLATE, lateral_wall_mm=20.6), rules)) == {"high", unknown}
    assert cautions(suggest(Findings(PLATE), rules)) == {"none", unknown}


def test_needs_share_the_probability_of_a_change_by_weight() -> None:
    asked = [{"finding": "base", "equals": PLATE}]
    row = {"constructs": [SHORT], "reason": "r", "source": "s", "when": asked}
    rules = rules_from(
        {
            "conversion": {"probability": 0.2, "source": "x"},
            "need": [
                {"code": "a", "name": "often", "weight": 3, **row},
                {"code": "b", "name": "seldom", "weight": 1, **row},
            ],
        }
    )
    found = {need.name: need.probability for need in suggest(Findings(PLATE), rules).needs}
    assert found == pytest.approx({"as planned": 0.8, "often": 0.15, "seldom": 0.05})


def test_a_misspelt_field_is_named_before_the_field_it_stands_for() -> None:
    data: Any = copy.deepcopy(TABLE)
    data["near"][0]["reson"] = data["near"][0].pop("reason")
    data["caution"][0]["reason"] = ""
    with pytest.raises(GuidanceError) as refused:
        rules_from(data)
    assert refused.value.pointer == "/near/0/reson"
