"""What the seeded rules suggest for every combination of findings."""

import dataclasses
import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.fractures.classification import (
    CODES,
    WALL_THRESHOLD_MM,
    FractureError,
    read_class,
)
from service.core.fractures.findings import Findings, planned_of, rule_facts, wall_of
from service.core.fractures.guidance import AS_PLANNED, Guidance, suggest
from service.core.fractures.rules import FINDINGS, Fact, GuidanceError
from service.schemas.guidance import rules_from

SEED = Path(__file__).parents[3] / "seed_data" / "guidance.toml"


TABLE: dict[str, Any] = tomllib.loads(SEED.read_text(encoding="utf-8"))


RULES = rules_from(TABLE)


PLATE, SHORT, LONG = "sliding-hip-screw", "short-single-lag-nail", "long-single-lag-nail"


BUTTRESSED = f"{PLATE}+trochanteric-buttress-plate"


TEMPLATES: dict[str, str] = {
    entry["code"]: entry["part"]
    for entry in tomllib.loads(SEED.with_name("constructs.toml").read_text("utf-8"))["construct"]
}


BASES = [code for code, part in TEMPLATES.items() if part == "base"]


ADD_ONS = [code for code, part in TEMPLATES.items() if part == "add_on"]


def facts_of(findings: Findings, threshold_mm: float = WALL_THRESHOLD_MM) -> Mapping[str, Fact]:
    wall = wall_of(findings, threshold_mm)
    return rule_facts(findings, planned_of(findings.construct), wall)


def cautions(told: Guidance) -> set[str]:
    return {caution.rule for caution in told.cautions}


def near(told: Guidance) -> set[str]:
    return {thing.what for thing in told.near}


def alternates(told: Guidance) -> list[str]:
    return [alternate.construct for alternate in told.alternates]


def conflicts(told: Guidance) -> list[str]:
    return [conflict.rule for conflict in told.conflicts]


fractures = st.sampled_from(
    [None, *(read_class(code, year) for year in CODES for code in CODES[year])]
)


plans = st.tuples(st.sampled_from(BASES), st.lists(st.sampled_from(ADD_ONS), unique=True)).map(
    lambda parts: "+".join([parts[0], *parts[1]])
)


cases = st.builds(
    Findings,
    construct=plans,
    fracture=fractures,
    lateral_wall_mm=st.none() | st.floats(1, 60),
    lateral_wall_sd_mm=st.sampled_from([0.0, 1.2]),
    canal_mm=st.none() | st.floats(6, 22),
    shaft_extension=st.sampled_from(["none", "present", "unknown"]),
    lateral_wall_state=st.sampled_from(["intact", "thin", "broken", "unknown"]),
    medial_fragment=st.sampled_from(["none", "small", "large", "comminuted", "unknown"]),
    coronal_fragment=st.sampled_from(["none", "present", "unknown"]),
    pattern=st.sampled_from(["short", "long_oblique", "spiral", "comminuted", "unknown"]),
    bone_quality=st.sampled_from(["good", "poor", "unknown"]),
    existing_metal=st.sampled_from(["none", "present", "unknown"]),
    calibrated=st.booleans(),
)


@given(cases)
def test_the_needs_without_a_published_share_are_one_in_ten_together(findings: Findings) -> None:
    # About nine plans in ten hold: common practice, no source. Walls that break: Palm 2007.
    told = suggest(findings, RULES)
    published = [need for need in told.needs if "Palm" in need.source]
    shared = [need for need in told.needs[1:] if need not in published]
    assert told.needs[0].name == AS_PLANNED
    assert told.needs[0].constructs[0] == findings.construct
    assert math.fsum(need.probability for need in told.needs) == pytest.approx(1, abs=1e-12)
    assert math.fsum(need.probability for need in shared) == pytest.approx(0.1 if shared else 0)
    assert all(need.probability in {0.03, 0.31} for need in published)
    assert all(need.probability > 0 and need.constructs for need in told.needs)


@given(cases)
def test_everything_said_carries_its_reason_and_source(findings: Findings) -> None:
    told = suggest(findings, RULES)
    pairs = [(said.reason, said.source) for said in told.needs]
    pairs += [(said.reason, said.source) for said in told.alternates]
    pairs += [(said.reason, said.source) for said in told.near]
    pairs += [(said.reason, said.source) for said in told.unknowns]
    assert all(reason.strip() and source.strip() for reason, source in pairs)
    assert all(caution.says and caution.source for caution in told.cautions)
    for conflict in told.conflicts:
        assert len({side.source for side in conflict.sides}) > 1
        assert all(side.says for side in conflict.sides)


@given(cases)
def test_every_finding_that_is_unknown_is_listed_and_no_known_one_is(findings: Findings) -> None:
    told = suggest(findings, RULES)
    listed = {unknown.finding for unknown in told.unknowns}
    for name in (
        *("medial_fragment", "coronal_fragment", "pattern", "bone_quality"),
        "shaft_extension",
    ):
        assert (name in listed) == (getattr(findings, name) == "unknown")
    assert ("existing_metal" in listed) == (findings.existing_metal == "unknown")
    assert ("fracture_group" in listed) == (findings.fracture is None)
    if findings.lateral_wall_mm is not None or findings.lateral_wall_state != "unknown":
        assert "lateral_wall" not in listed


@given(cases)
def test_nothing_suggested_is_the_plan_itself_or_named_twice(findings: Findings) -> None:
    told = suggest(findings, RULES)
    plan = set(findings.construct.split("+"))
    named = [set(name.split("+")) for name in alternates(told)]
    assert plan not in named
    assert len({frozenset(parts) for parts in named}) == len(named)
    for need in told.needs[1:]:
        assert all(set(construct.split("+")) != plan for construct in need.constructs)
    for construct in (*alternates(told), *(c for need in told.needs for c in need.constructs)):
        base, *add_ons = construct.split("+")
        assert base in BASES
        assert set(add_ons) <= set(ADD_ONS)
        assert len(set(add_ons)) == len(add_ons)


@given(cases, st.sampled_from(["medial_fragment", "coronal_fragment", "pattern", "existing_metal"]))
def test_no_rule_but_is_unknown_holds_for_an_unknown_finding(findings: Findings, name: str) -> None:
    facts = dict(facts_of(findings)) | {name: None}
    for rule in RULES.rules:
        if any(c.finding == name and c.operator != "is_unknown" for c in rule.when):
            assert rule not in RULES.of(rule.kind, facts)


def test_the_facts_are_exactly_those_a_rule_may_ask() -> None:
    assert facts_of(Findings(PLATE)).keys() == FINDINGS.keys()


def test_a_thin_wall_and_a_plate_have_a_nail_and_a_buttress_plate_near() -> None:
    # Hsu 2013 and AO/OTA 2018: 20.5 mm or less.
    thin = suggest(Findings(PLATE, lateral_wall_mm=20.5), RULES)
    assert {SHORT, "trochanteric-buttress-plate"} <= near(thin)
    assert alternates(thin)[:3] == [SHORT, LONG, BUTTRESSED]
    thick = suggest(Findings(PLATE, lateral_wall_mm=20.6), RULES)
    assert not {SHORT, "trochanteric-buttress-plate"} & near(thick)
    held = suggest(Findings(BUTTRESSED, lateral_wall_mm=15), RULES)
    assert "trochanteric-buttress-plate" not in near(held)


@pytest.mark.parametrize(
    ("code", "year", "chance"),
    [
        *(("31A1.2", 2007, 0.03), ("31A2.1", 2007, 0.03), ("31A2.2", 2007, 0.31)),
        *(("31A2.3", 2007, 0.31), ("31A1.3", 2018, 0.03), ("31A2.3", 2018, 0.31)),
    ],
)
def test_the_wall_breaks_as_often_as_palm_found(code: str, year: int, chance: float) -> None:
    """Palm 2007: 3 % of A1 to A2.1, 31 % of A2.2 and A2.3; 2018's A1.3 is about 2007's A2.1."""
    told = suggest(Findings(PLATE, fracture=read_class(code, year)), RULES)
    (breaks,) = [need for need in told.needs if need.name == "lateral wall breaks"]
    assert breaks.probability == chance
    assert told.needs[0].probability == pytest.approx(0.9 - chance)


@pytest.mark.parametrize("base", BASES)
def test_a_fracture_that_runs_into_the_shaft_is_offered_no_short_nail(base: str) -> None:
    # Common practice, no source.
    told = suggest(
        Findings(base, fracture=read_class("31A3.3", 2018), shaft_extension="present"), RULES
    )
    offered = {construct.split("+")[0] for construct in alternates(told)}
    assert offered <= {LONG}
    assert base == LONG or LONG in offered
    short = {SHORT, "two-screw-nail", "helical-blade-nail"}
    assert ("caution-short-nail-extension" in cautions(told)) == (base in short)


@pytest.mark.parametrize("code", ["31A3.1", "31A3.2", "31A3.3", "32A1(a)"])
def test_a_buttress_plate_is_not_offered_where_its_study_had_no_such_fracture(code: str) -> None:
    """Hsu 2013 studied A1 and A2; plates failed in 9 of 16 reverse oblique (Haidukewych 2001)."""
    told = suggest(Findings(PLATE, fracture=read_class(code, 2018)), RULES)
    assert not any("buttress" in construct for construct in alternates(told))
    assert "trochanteric-buttress-plate" not in near(told)
    assert not any("buttress" in c for need in told.needs for c in need.constructs)


def test_a_wall_near_the_threshold_says_how_probable_it_is_that_it_is_thin() -> None:
    """Phi((20.5 - 20.0) / 1.25) = Phi(0.4) = 0.6554, tables of the normal; threshold Hsu 2013."""
    wall = wall_of(Findings(PLATE, lateral_wall_mm=20.0, lateral_wall_sd_mm=1.25), 20.5)
    assert wall.state == "thin"
    assert "66 % that it is 20.5 mm or less" in wall.reason
    # Phi(-0.8) = 0.2119.
    wall = wall_of(Findings(PLATE, lateral_wall_mm=21.5, lateral_wall_sd_mm=1.25), 20.5)
    assert wall.state == "intact"
    assert "21 % that it is 20.5 mm or less" in wall.reason


def test_an_unknown_wall_is_not_taken_for_an_intact_one() -> None:
    told = suggest(Findings(PLATE), RULES)
    assert {SHORT, "trochanteric-buttress-plate"} <= near(told)
    assert "caution-headed-screw-wall-unknown" in cautions(told)
    stable = Findings(SHORT, fracture=read_class("31A1.3", 2018))
    assert PLATE not in alternates(suggest(stable, RULES))
    intact = Findings(SHORT, fracture=read_class("31A1.3", 2018), lateral_wall_mm=26)
    assert PLATE in alternates(suggest(intact, RULES))


@pytest.mark.parametrize(("code", "year"), [("31A3.1", 2018), ("31A3.3", 2007), ("32A1(a)", 2018)])
def test_a_reverse_oblique_or_subtrochanteric_fracture_is_nailed(code: str, year: int) -> None:
    # AAOS 2014; NICE CG124.
    told = suggest(Findings(PLATE, fracture=read_class(code, year)), RULES)
    assert alternates(told)[0] == LONG
    assert LONG in near(told)
    assert "caution-plate-for-reverse-oblique" in cautions(told)
    nailed = suggest(
        Findings(LONG, fracture=read_class(code, year), lateral_wall_state="intact"), RULES
    )
    assert not any(PLATE in construct for need in nailed.needs for construct in need.constructs)
    assert "conflict-plate-or-nail" not in conflicts(nailed)


@pytest.mark.parametrize("base", [SHORT, "two-screw-nail", "helical-blade-nail"])
def test_a_short_nail_plan_has_the_long_nail_near(base: str) -> None:
    # Common practice, no source.
    told = suggest(Findings(base), RULES)
    assert LONG in near(told)
    assert any(LONG in need.constructs for need in told.needs[1:])
    assert "caution-long-nail-side" in cautions(told)


def test_cerclage_serves_a_long_line_or_a_large_fragment_and_no_comminution() -> None:
    # Common practice, no source.
    for findings in (Findings(SHORT, pattern="spiral"), Findings(SHORT, medial_fragment="large")):
        told = suggest(findings, RULES)
        assert {"cerclage-cable", "cerclage-wire"} <= near(told)
        assert any(f"{SHORT}+cerclage-cable" in need.constructs for need in told.needs)
    crushed = suggest(Findings(SHORT, pattern="comminuted", medial_fragment="comminuted"), RULES)
    assert not {"cerclage-cable", "cerclage-wire"} & near(crushed)
    assert not any("cerclage" in c for need in crushed.needs for c in need.constructs)
    assert "caution-no-wire-through-comminution" in cautions(crushed)
    unsaid = suggest(Findings(f"{SHORT}+cerclage-wire"), RULES)
    assert "caution-cerclage-pattern-unknown" in cautions(unsaid)


def test_a_planned_wire_stays_with_the_alternate_and_the_buttress_plate_does_not_go_to_a_nail() -> (
    None
):
    told = suggest(Findings(f"{BUTTRESSED}+cerclage-wire", pattern="spiral"), RULES)
    used = [c for need in told.needs for c in need.constructs]
    assert used
    assert all("cerclage-wire" in construct for construct in used)
    nails = [construct for construct in used if not construct.startswith(PLATE)]
    assert nails
    assert not any("buttress" in construct for construct in nails)


def test_a_plan_with_a_system_keeps_it_when_something_is_added() -> None:
    told = suggest(Findings(f"{PLATE}@Demo/135", lateral_wall_mm=15), RULES)
    assert f"{PLATE}@Demo/135+trochanteric-buttress-plate" in alternates(told)
    assert told.needs[0].constructs[0] == f"{PLATE}@Demo/135"


def test_metal_in_the_bone_makes_the_extraction_sets_findable() -> None:
    # Common practice, no source.
    present = suggest(Findings(SHORT, existing_metal="present"), RULES)
    assert {"extraction_set", "broken_screw_set"} <= near(present)
    unknown = suggest(Findings(SHORT), RULES)
    assert "extraction_set" not in near(unknown)
    assert "caution-metal-unknown" in cautions(unknown)
    assert "caution-metal-unknown" not in cautions(present)


def test_one_size_either_side_and_two_without_a_marker() -> None:
    # Common practice, no source.
    with_marker = cautions(suggest(Findings(SHORT, calibrated=True), RULES))
    without = cautions(suggest(Findings(SHORT, calibrated=False), RULES))
    assert "caution-one-size-either-side" in with_marker - without
    assert "caution-two-sizes-either-side" in without - with_marker


def test_the_rules_of_every_case_are_said_in_every_case() -> None:
    # NatSSIPs 2015 4.10.2 for the words before opening; the others common practice.
    always = {
        "caution-size-confirmed-in-theatre",
        "caution-no-single-pack",
        "caution-own-instruments",
        "caution-sliding-screw-proud",
        "caution-loan-sets",
        "caution-set-turnaround",
        "caution-before-opening",
    }
    assert all(always <= cautions(suggest(Findings(base), RULES)) for base in BASES)


def test_thread_head_and_system_cautions_follow_the_plan() -> None:
    # Common practice, no source.
    partly = cautions(suggest(Findings(f"{SHORT}+partly-threaded-screws"), RULES))
    fully = cautions(suggest(Findings(f"{SHORT}+fully-threaded-screws"), RULES))
    assert "caution-partly-threaded" in partly - fully
    assert "caution-fully-threaded" in fully - partly
    assert "caution-match-system-nail" in partly
    assert "caution-match-system-plate" in cautions(suggest(Findings(PLATE), RULES))
    broken = suggest(Findings(PLATE, lateral_wall_state="broken"), RULES)
    assert "caution-headed-screw-bears" in cautions(broken)


def test_where_guidelines_differ_both_sides_are_shown_with_their_sources() -> None:
    # NICE CG124 (A1 and A2: sliding hip screw) against AAOS 2014/2021 (unstable: nail).
    told = suggest(Findings(PLATE, fracture=read_class("31A2.2", 2018)), RULES)
    (conflict,) = [c for c in told.conflicts if c.rule == "conflict-plate-or-nail"]
    sources = [side.source for side in conflict.sides]
    assert "NICE CG124" in sources[0]
    assert "AAOS 2014 and 2021" in sources[1]


@pytest.mark.parametrize(
    "findings",
    [
        Findings(PLATE),
        Findings(PLATE, fracture=read_class("31A1.3", 2018)),
        Findings(PLATE, fracture=read_class("31A2.1", 2007)),
        Findings(PLATE, fracture=read_class("31A2", 2007)),
        Findings(PLATE, fracture=read_class("31A3.1", 2018)),
        Findings(PLATE, fracture=read_class("32A1(a)", 2018)),
    ],
)
def test_guidelines_do_not_differ_where_only_one_of_them_speaks(findings: Findings) -> None:
    assert "conflict-plate-or-nail" not in conflicts(suggest(findings, RULES))


def test_a_class_against_a_measured_wall_is_a_conflict_and_both_stay() -> None:
    told = suggest(Findings(PLATE, fracture=read_class("31A1.3", 2018), lateral_wall_mm=18), RULES)
    (conflict,) = [c for c in told.conflicts if c.rule == "lateral-wall-findings"]
    said = " ".join(side.says for side in conflict.sides)
    assert "18 mm" in said
    assert "31A1.3" in said


def test_the_bare_2007_group_asks_for_its_subgroup() -> None:
    told = suggest(Findings(PLATE, fracture=read_class("31A2", 2007)), RULES)
    assert "stable" in {unknown.finding for unknown in told.unknowns}
    bare = suggest(Findings(PLATE), RULES)
    assert "fracture_group" in {unknown.finding for unknown in bare.unknowns}


@pytest.mark.parametrize(
    ("construct", "says"),
    [
        ("", "as code@System/angle"),
        ("Wooden peg", "is not a construct code"),
        (f"{PLATE}+", "as code@System/angle"),
        (f"{PLATE}/north", "angle"),
        (f"{PLATE}+cerclage-wire+cerclage-wire", "twice"),
    ],
)
def test_a_plan_that_cannot_be_read_is_refused(construct: str, says: str) -> None:
    with pytest.raises(GuidanceError, match=says) as refused:
        Findings(construct)
    assert refused.value.pointer == "/construct"


def test_a_word_nobody_uses_is_refused_where_it_stands() -> None:
    with pytest.raises(GuidanceError) as refused:
        Findings(PLATE, medial_fragment="huge")  # type: ignore[arg-type] # a wrong word
    assert refused.value.pointer == "/medial_fragment"
    with pytest.raises(FractureError):
        suggest(Findings(PLATE, lateral_wall_mm=-1), RULES)


def test_without_a_need_that_holds_the_plan_is_taken_to_stand() -> None:
    bare = rules_from({"conversion": TABLE["conversion"]})
    (need,) = suggest(Findings(PLATE), bare).needs
    assert (need.name, need.probability, need.constructs) == (AS_PLANNED, 1.0, (PLATE,))


def test_the_department_sets_how_thick_a_wall_must_be_to_carry() -> None:
    measured = Findings(PLATE, lateral_wall_mm=21.0)
    assert SHORT not in near(suggest(measured, RULES))
    assert SHORT in near(suggest(measured, RULES, wall_threshold_mm=21.0))
    assert facts_of(measured, 21.0)["lateral_wall"] == "thin"
    assert SHORT not in near(suggest(measured, RULES, wall_threshold_mm=20.9))


def test_sources_differ_on_a_plate_with_a_wall_that_the_department_calls_thin() -> None:
    # NICE CG124 goes by the type of fracture, Hsu 2013 by the wall's thickness.
    stable = Findings(PLATE, fracture=read_class("31A1.2", 2018), lateral_wall_mm=21.0)
    code = "conflict-plate-and-thin-wall"
    assert code not in conflicts(suggest(stable, RULES))
    assert code in conflicts(suggest(stable, RULES, wall_threshold_mm=21.0))


@given(cases, st.sampled_from(["our-own-nail", "our-own-nail@Demo/125+cerclage-wire"]))
def test_for_a_base_no_rule_knows_nothing_is_suggested_and_a_caution_says_so(
    findings: Findings, construct: str
) -> None:
    told = suggest(dataclasses.replace(findings, construct=construct), RULES)
    (need,) = told.needs
    assert (need.name, need.probability, need.constructs) == (AS_PLANNED, 1.0, (construct,))
    assert need.reason == "No guidance rule covers this construct."
    assert told.alternates == ()
    assert told.cautions[0].rule == "no-rule-knows-the-base"
    assert told.cautions[0].says == (
        "No guidance rule covers the construct 'our-own-nail': no backup is suggested, and nothing "
        "shows that the plan will hold."
    )
    # What holds for every construct is said all the same.
    assert "caution-before-opening" in cautions(told)


@pytest.mark.parametrize("base", BASES)
def test_the_seed_rules_know_every_base_of_the_seed(base: str) -> None:
    assert base in RULES.bases
    assert "no-rule-knows-the-base" not in cautions(suggest(Findings(base), RULES))


def test_a_rule_written_for_a_departments_own_base_speaks_for_it() -> None:
    row = {"reason": "r", "source": "s"}
    rules = rules_from(
        {
            "conversion": TABLE["conversion"],
            "need": [
                {
                    "code": "own",
                    "name": "a longer one",
                    "weight": 1,
                    "constructs": ["our-own-long-nail"],
                    "when": [{"finding": "base", "one_of": ["our-own-nail", "another"]}],
                    **row,
                }
            ],
            "alternate": [{"code": "any", "constructs": ["planned+our-own-wire"], **row}],
        }
    )
    told = suggest(Findings("our-own-nail@Demo/125"), rules)
    assert [need.constructs[0] for need in told.needs] == [
        "our-own-nail@Demo/125",
        "our-own-long-nail",
    ]
    assert alternates(told) == ["our-own-nail@Demo/125+our-own-wire"]
    assert cautions(told) == set()


def test_figures_and_sources_from_memory_say_so() -> None:
    for rule in RULES.rules:
        for source in (rule.source, *(side.source for side in rule.sides)):
            assert "AAOS 2021" not in source or "from memory" in source
