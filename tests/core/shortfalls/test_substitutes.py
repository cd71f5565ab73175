"""What a surgeon is asked: the next sizes, and never anything else about an implant."""

from dataclasses import replace

import pytest

from service.core.catalogue import ItemFacts
from service.core.constructs.planned import ConstructPart
from service.core.constructs.roles import Catalogue, PartSizing
from service.core.constructs.templates import Role, RoleSize
from service.core.shortfalls.substitutes import adjacent_sizes, nearest_made
from service.core.sizing import LengthEstimate, SizeRule
from service.core.sizing.film import Dimension

NAIL = ItemFacts(
    "N",
    "single_lag_screw_nail",
    system="P",
    length_mm=340,
    diameter_mm=11,
    angle_deg=130,
    side="left",
)


def nail(ref: str, **changes: object) -> ItemFacts:
    return replace(NAIL, ref=ref, **changes)  # type: ignore[arg-type] # changes are columns by name


def test_the_next_sizes_are_asked_about_in_length_and_in_diameter() -> None:
    made = [
        NAIL,
        nail("L300", length_mm=300),
        nail("L320", length_mm=320),
        nail("L360", length_mm=360),
        nail("L380", length_mm=380),
        nail("D10", diameter_mm=10),
        nail("D13", diameter_mm=13),
    ]
    found = adjacent_sizes(NAIL, made)
    assert [one.ref for one in found] == ["L320", "L360", "D10", "D13"]
    assert adjacent_sizes(NAIL, made[::-1]) == found


@pytest.mark.parametrize(
    "changes",
    [
        {"side": "right"},
        {"side": "either"},
        {"system": "Q"},
        {"angle_deg": 125},
        {"kind": "two_screw_nail"},
        {"head_design": "headless"},
        {"thread": "fully"},
        {"diameter_mm": 12},
        {"holes": 4},
    ],
)
def test_a_size_that_differs_in_anything_else_is_never_asked_about(
    changes: dict[str, object],
) -> None:
    assert adjacent_sizes(NAIL, [NAIL, nail("X", length_mm=320, **changes)]) == ()


BLADE = Role(
    "blade", ("helical_blade",), sizes=(RoleSize("length_mm", "neck", None, SizeRule(-5)),)
)


def setting(neck_mm: float, *made_mm: float) -> PartSizing:
    items = [ItemFacts(f"B{mm:g}", "helical_blade", length_mm=mm) for mm in made_mm]
    neck = Dimension(LengthEstimate(neck_mm, 4.5, calibrated=True), "film", 1)
    return PartSizing(
        ConstructPart("t"), {"blade": BLADE}, "left", Catalogue(items), {"neck": neck}, {}
    )


@pytest.mark.parametrize(
    ("neck_mm", "expected"),
    # By hand: a blade 5 mm shorter than the path; 100 and 105 mm are made.
    [(150, ["B105"]), (60, ["B100"]), (105, []), (110, [])],
)
def test_beyond_the_sizes_made_the_last_one_is_asked_about(
    neck_mm: float, expected: list[str]
) -> None:
    assert [one.ref for one in nearest_made("blade", setting(neck_mm, 100, 105))] == expected


def test_where_nothing_is_made_nothing_is_asked() -> None:
    assert nearest_made("blade", setting(100)) == ()
    assert nearest_made("nail", setting(100, 95, 100)) == ()
