"""Templates and planned constructs: written and read back, refused with a reason, filled."""

import csv
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.catalogue import ItemFacts
from service.core.constructs.planned import (
    ConstructError,
    ConstructPart,
    PlannedConstruct,
    is_code,
    read_planned,
)
from service.core.constructs.templates import (
    ItemCondition,
    Role,
    RoleSize,
    Template,
    fits_role,
    systems_for,
    unsatisfied,
)
from service.core.sizing import SizeRule
from service.schemas.constructs import ConstructBody, template_of

SEED = Path(__file__).parents[3] / "seed_data"


codes = st.from_regex(r"[a-z0-9]{1,6}(-[a-z0-9]{1,6}){0,3}", fullmatch=True)


systems = st.text(
    st.characters(codec="utf-8", exclude_categories=("C", "Z"), exclude_characters="+/"),
    min_size=1,
    max_size=12,
)


parts = st.builds(ConstructPart, codes, st.none() | systems, st.none() | st.floats(90, 160))


constructs = st.lists(parts, min_size=1, max_size=4, unique_by=lambda part: part.template).map(
    lambda chosen: PlannedConstruct(tuple(chosen))
)


@given(constructs)
def test_a_construct_that_is_written_out_is_read_back_the_same(planned: PlannedConstruct) -> None:
    assert read_planned(str(planned)) == planned


@given(constructs)
def test_spaces_round_the_parts_are_forgiven(planned: PlannedConstruct) -> None:
    spaced = " + ".join(f" {part} " for part in planned.parts)
    assert read_planned(spaced) == planned


def reading(text: str) -> tuple[PlannedConstruct | None, str]:
    try:
        return read_planned(text), ""
    except ConstructError as error:
        return None, error.faults[0].reason


@given(st.text("ab-@/+ 130N", max_size=30) | st.text(max_size=40))
def test_any_text_is_read_or_refused_with_a_sentence(text: str) -> None:
    planned, reason = reading(text)
    assert (planned is None) == (reason != "")
    if planned is not None:
        assert reading(str(planned)) == (planned, "")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "as code@System/angle, such as"),
        ("a-nail+", "as code@System/angle, such as"),
        ("a-nail@", "as code@System/angle, such as"),
        ("a-nail@Demo/", "as code@System/angle, such as"),
        ("@Demo/130", "as code@System/angle, such as"),
        ("a-nail+b-wire+a-nail@Demo", "a-nail is named twice"),
        ("a-nail/89", "from 90 to 160 degrees"),
        ("a-nail/161", "from 90 to 160 degrees"),
        ("a-nail/nan", "from 90 to 160 degrees"),
        ("a-nail/steep", "'steep' is not a number"),
        ("a-nail/130@Demo", "is not a number"),
        ("A Nail", "'A Nail' is not a construct code"),
        ("a--nail", "lower-case letters, digits and hyphens"),
    ],
)
def test_a_construct_that_cannot_be_read_is_refused_with_the_reason(text: str, says: str) -> None:
    with pytest.raises(ConstructError) as refused:
        read_planned(text)
    (fault,) = refused.value.faults
    assert fault.field == "construct"
    assert says in fault.reason


def test_the_code_of_a_template_need_not_be_known_to_the_core() -> None:
    assert is_code("our-own-nail-2")
    assert read_planned("our-own-nail-2@Demo/125").parts == (
        ConstructPart("our-own-nail-2", "Demo", 125.0),
    )


@pytest.mark.parametrize(
    ("condition", "holds"),
    [
        (ItemCondition("length_mm", at_most=180), True),
        (ItemCondition("length_mm", at_most=179.9), False),
        (ItemCondition("length_mm", at_least=180), True),
        (ItemCondition("length_mm", at_least=180.1), False),
        (ItemCondition("length_mm", equals=180.0), True),
        (ItemCondition("length_mm", at_least=100, at_most=170), False),
        (ItemCondition("head_design", equals="headed"), False),
        (ItemCondition("holes", at_most=4), False),
    ],
)
def test_bounds_are_inclusive_and_an_absent_column_never_holds(
    condition: ItemCondition, holds: bool
) -> None:
    assert condition.holds(ItemFacts("N", "two_screw_nail", length_mm=180)) == holds


@pytest.mark.parametrize(
    ("asked", "fits"),
    [
        ({"system": "Demo", "angle_deg": 130.0, "side": "left"}, True),
        ({"system": None, "angle_deg": None, "side": None}, True),
        ({"system": "Other", "angle_deg": 130.0, "side": "left"}, False),
        ({"system": "Demo", "angle_deg": 125.0, "side": "left"}, False),
        ({"system": "Demo", "angle_deg": 130.0, "side": "right"}, False),
    ],
)
def test_a_match_is_asked_only_where_the_plan_says_something(
    asked: dict[str, Any], fits: bool
) -> None:
    item = ItemFacts("N", "two_screw_nail", system="Demo", angle_deg=130, side="left")
    bound = Role("nail", ("two_screw_nail",), match=frozenset({"system", "angle", "side"}))
    assert fits_role(item, bound, **asked) == fits
    assert fits_role(item, Role("nail", ("two_screw_nail",)), **asked)
    assert not fits_role(item, Role("nail", ("helical_blade_nail",)), **asked)


SYSTEM = frozenset({"system"})


NAIL = Role("nail", ("two_screw_nail",), match=SYSTEM)


LAG = Role(
    "lag screw",
    ("lag_screw",),
    where=(ItemCondition("head_design", equals="headed"), ItemCondition("length_mm", at_least=70)),
    match=SYSTEM,
    sizes=(RoleSize("length_mm", "neck", None, SizeRule()),),
)


def lag(system: str, head_design: str = "headed") -> ItemFacts:
    ref = f"L-{system}"
    return ItemFacts(ref, "lag_screw", system=system, length_mm=90, head_design=head_design)


def test_a_role_nothing_fills_is_named_with_its_kind_and_conditions() -> None:
    nail = ItemFacts("N", "two_screw_nail", system="Demo")
    (fault,) = unsatisfied(Template("t", "T", "base", (NAIL, LAG)), [nail])
    assert fault.field == "/roles/1"
    assert fault.reason == (
        "lag screw: no catalogue item is a lag_screw with head_design is headed and "
        "length_mm at least 70"
    )


def test_a_size_no_filling_item_has_is_named() -> None:
    sized = Role("nail", ("two_screw_nail",), sizes=(RoleSize("holes", "neck", None, SizeRule()),))
    (fault,) = unsatisfied(Template("t", "T", "base", (sized,)), [ItemFacts("N", "two_screw_nail")])
    assert (fault.field, fault.reason) == (
        "/roles/0/sizes/0",
        "nail: no matching catalogue item has the column holes",
    )


def test_roles_filled_in_different_systems_only_cannot_make_a_construct() -> None:
    template = Template("t", "T", "base", (NAIL, LAG))
    nail = ItemFacts("N", "two_screw_nail", system="One")
    (fault,) = unsatisfied(template, [nail, lag("Two")])
    assert fault.field == "/roles"
    assert unsatisfied(template, [nail, lag("One")]) == []


def test_the_systems_of_a_template_have_an_item_for_every_bound_role() -> None:
    catalogue = [
        ItemFacts("N1", "two_screw_nail", system="One"),
        ItemFacts("N2", "two_screw_nail", system="Two"),
        ItemFacts("N3", "two_screw_nail", system="Three"),
        ItemFacts("N0", "two_screw_nail"),
        lag("Two"),
        lag("One"),
        lag("Three", "headless"),
        ItemFacts("W", "washer", system="Four"),
    ]
    template = Template("t", "T", "base", (NAIL, LAG, Role("washer", ("washer",))))
    assert systems_for(template, catalogue) == ("One", "Two")
    assert systems_for(Template("t", "T", "base", (Role("washer", ("washer",)),)), catalogue) == ()


def test_what_a_plan_must_say_follows_the_roles() -> None:
    template = Template("t", "T", "base", (NAIL,))
    assert (template.needs_system, template.needs_angle) == (True, False)
    angled = Role("nail", ("two_screw_nail",), match=frozenset({"angle"}))
    assert Template("t", "T", "base", (angled,)).needs_angle


def seed_catalogue() -> list[ItemFacts]:
    numbers = ("length_mm", "diameter_mm", "angle_deg", "thread_length_mm", "holes", "barrel_mm")
    words = ("system", "side", "screw_type", "head_design", "thread")
    with (SEED / "catalogue.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    facts: list[dict[str, Any]] = [
        {name: row[name] or None for name in words}
        | {name: float(row[name]) if row[name] else None for name in numbers}
        for row in rows
    ]
    return [
        ItemFacts(row["ref"], row["kind"], **more) for row, more in zip(rows, facts, strict=True)
    ]


SEED_TEMPLATES = tomllib.loads((SEED / "constructs.toml").read_text(encoding="utf-8"))["construct"]


@pytest.mark.parametrize("entry", SEED_TEMPLATES, ids=[entry["code"] for entry in SEED_TEMPLATES])
def test_the_seed_catalogue_fills_every_seed_template(entry: dict[str, Any]) -> None:
    template = template_of(ConstructBody.model_validate(entry))
    catalogue = seed_catalogue()
    assert unsatisfied(template, catalogue) == []
    for system in systems_for(template, catalogue):
        for role in template.roles:
            fits = [
                item.ref
                for item in catalogue
                if fits_role(item, role, system=system, angle_deg=None, side=None)
            ]
            assert fits, (system, role.role)
