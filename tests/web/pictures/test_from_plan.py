"""From the pick list's words back to sizes, and from a case of the demo to its pictures."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.catalogue import ItemFacts, describe_size
from service.operations.cases import lookup
from service.operations.cover import check as checks
from service.operations.work import Work
from service.schemas.cases import CaseOut, FindingsBody, MeasurementsBody
from service.schemas.cover import CaseCheckOut, ConstructCheckOut, PickLineOut
from web.pictures.femur.from_plan import construct_of, construct_pictures, femur_of, read_size

AT = datetime(2031, 3, 4, 8, 30, tzinfo=UTC)


def line(role: str, label: str, **facts: object) -> PickLineOut:
    given = {"quantity": 1, "found": 1, "why": "nominal", "place": "first use", "what": "implant"}
    known = {"refs": ["REF-1"], "picks": [], "gap": None, **given, **facts}
    return PickLineOut.model_validate({"role": role, "label": label, **known})


def checked(*lines: PickLineOut) -> ConstructCheckOut:
    return ConstructCheckOut(
        planned="p",
        name="P",
        role="primary",
        state="covered",
        says="",
        gaps=[],
        expects=[],
        lines=list(lines),
    )


def case_of(**facts: object) -> CaseOut:
    known: dict[str, object] = {
        "reference": "C-1",
        "list_date": AT.date(),
        "theatre": "T",
        "starts_at": AT,
        "ends_at": AT,
        "twice": None,
        "position": 1,
        "side": "left",
        "sex": "F",
        "fracture_class": "31A3.1",
        "class_year": 2018,
        "findings": FindingsBody(lateral_wall="broken"),
        "measurements": MeasurementsBody(),
        "status": "open",
        "version": 1,
        "plan": None,
    }
    return CaseOut.model_validate(known | facts)


def check_of(**facts: object) -> CaseCheckOut:
    known: dict[str, object] = {
        "case": "C-1",
        "position": 1,
        "starts_at": AT,
        "ends_at": AT,
        "side": "left",
        "plan_revision": 1,
        "state": "covered",
        "says": "",
        "dimensions": [],
        "constructs": [],
        "near": [],
        "pick_list": [],
    }
    return CaseCheckOut.model_validate(known | facts)


MM = st.one_of(st.none(), st.integers(2, 900).map(lambda tenths: tenths / 2))


ITEMS = st.builds(
    ItemFacts,
    st.just("REF-1"),
    st.just("side_plate"),
    length_mm=MM,
    diameter_mm=MM,
    angle_deg=st.one_of(st.none(), st.sampled_from([125.0, 130.0, 137.5])),
    side=st.sampled_from([None, "left", "right", "either"]),
    holes=st.one_of(st.none(), st.integers(1, 14)),
    barrel_mm=st.one_of(st.none(), st.sampled_from([25.0, 38.0])),
    thread=st.sampled_from([None, "partly", "fully"]),
    head_design=st.sampled_from([None, "headed", "headless"]),
)


@given(ITEMS)
def test_what_the_pick_list_writes_is_read_back(item: ItemFacts) -> None:
    fields = ("angle_deg", "holes", "barrel_mm", "thread", "head_design")
    expected = {name: getattr(item, name) for name in fields}
    # One figure alone is read as a length; what it measures, the kind decides.
    both = item.length_mm is not None and item.diameter_mm is not None
    expected["length_mm"] = item.diameter_mm if item.length_mm is None else item.length_mm
    expected["diameter_mm"] = item.diameter_mm if both else None
    known = {name: value for name, value in expected.items() if value is not None}
    assert read_size(describe_size(item)) == known


def test_a_construct_is_made_of_its_nominal_implants() -> None:
    construct = construct_of(
        checked(
            line("nail", "Demo nail 11 × 340 mm, 130°, left"),
            line("nail", "Demo nail 10 × 340 mm, 130°, left", why="one size thinner"),
            line("lag screw", "Demo lag screw 10.5 × 95 mm, partly threaded, headed"),
            line("cerclage wire", "cerclage wire 1.25 mm", quantity=2),
            line("end cap", "Demo end cap"),
            line("nail instrument set", "Demo nail instrument set", what="instrument set"),
        )
    )
    nail, lag, wire, cap = construct.implants
    assert (nail.diameter_mm, nail.length_mm, nail.angle_deg) == (11, 340, 130)
    assert (lag.kind, lag.name, lag.head_design) == ("lag screw", "Demo lag screw", "headed")
    assert (wire.diameter_mm, wire.length_mm, wire.quantity) == (1.25, None, 2)
    assert (cap.kind, cap.size) == ("end cap", "")
    assert construct.missing == ()


def test_a_size_nobody_makes_and_a_role_without_a_picture_are_said() -> None:
    construct = construct_of(
        checked(
            line("nail", "Demo nail for a measurement of 6 mm", refs=[]),
            line("sprocket", "Demo sprocket 5 mm"),
        )
    )
    assert construct.implants == ()
    assert construct.missing == (
        "Not drawn: Demo nail for a measurement of 6 mm: nobody makes it.",
        "Not drawn: Demo sprocket 5 mm: there is no picture of it.",
    )


@pytest.mark.parametrize(
    ("code", "year", "group"),
    [
        # AO/OTA 2007 and 2018: 31A1 simple, 31A2 multifragmentary, 31A3 reverse oblique or
        # transverse, 32 the shaft.
        ("31A1.2", 2018, "trochanteric simple"),
        ("31A2.1", 2007, "trochanteric multifragmentary"),
        ("31A3.3", 2018, "reverse oblique"),
        ("32A1(a)", 2018, "subtrochanteric"),
        (None, None, None),
    ],
)
def test_the_class_decides_the_fracture_drawn(
    code: str | None, year: int | None, group: str | None
) -> None:
    femur = femur_of(case_of(fracture_class=code, class_year=year), check_of())
    assert femur.fracture == group
    assert femur.side == "left"
    assert femur.lateral_wall == "broken"


def test_the_estimates_decide_the_bone() -> None:
    rows = [
        {
            "dimension": name,
            "meaning": "",
            "mean_mm": mean,
            "sd_mm": 1,
            "calibrated": True,
            "basis": "",
        }
        for name, mean in (("neck", 88.4), ("canal", 11.2), ("shaft", 38))
    ]
    femur = femur_of(case_of(), check_of(dimensions=rows))
    assert (femur.neck_path_mm, femur.canal_mm) == (88.4, 11.2)


def test_a_case_without_constructs_has_no_pictures() -> None:
    assert list(construct_pictures(case_of(), check_of(), prefix="x")) == []


def test_a_case_of_the_demo_is_drawn_with_all_its_constructs(demo_work: Work) -> None:
    case = demo_work.read(lambda unit: lookup.get_case(unit, "HAR-0715"))
    check = demo_work.read(lambda unit: checks.check_case(unit, "HAR-0715"))
    pictures = construct_pictures(case, check, prefix="c")
    assert [one.planned for one in pictures] == [
        "two-screw-nail@Brackwater/130",
        "long-single-lag-nail@Ambleford/130",
        "two-screw-nail@Brackwater/130+cerclage-cable",
    ]
    primary, *others = (one.picture for one in pictures)
    assert "pic-small" not in primary.svg
    assert all("pic-small" in one.svg for one in others)
    assert "Brackwater antirotation screw" in " ".join(primary.sentences)
    nominal = [
        row.label
        for row in check.constructs[0].lines
        if row.why == "nominal" and row.what == "implant"
    ]
    said = [sentence.replace(", ", " ", 1) for sentence in primary.sentences]
    for label in nominal:
        assert any(sentence.startswith(label) for sentence in said), (label, said)
    prefixes = {one.picture.svg.split('id="', 1)[1].split('"', 1)[0] for one in pictures}
    assert len(prefixes) == 3
