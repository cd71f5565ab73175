"""Roles worked by hand and the lines they ask for."""

from collections.abc import Mapping

from service.core.catalogue import ItemFacts
from service.core.constructs.kit_lines import KitLine, by_kind, construct_lines
from service.core.constructs.planned import ConstructPart, PlannedConstruct
from service.core.constructs.templates import Role, RoleSize, Template
from service.core.sizing import SizeBand, SizeRule
from service.core.sizing.film import Dimension, Measurements, estimate_dimensions
from tests.core.planner_catalogue import VALUES

SYSTEM = frozenset({"system"})


LAG = Role(
    "lag screw",
    ("lag_screw",),
    match=SYSTEM,
    sizes=(
        RoleSize("length_mm", "neck", None, SizeRule(step_mm=5), offset_default="lag_offset_mm"),
    ),
)


NAIL = Role(
    "nail",
    ("single_lag_screw_nail",),
    match=frozenset({"system", "angle", "side"}),
    sizes=(
        RoleSize(
            "diameter_mm",
            "canal",
            None,
            SizeRule(fit="at_most", step_mm=1),
            offset_default="nail_diameter_offset_mm",
        ),
    ),
)


def lines_of(
    *roles: Role,
    catalogue: list[ItemFacts],
    measured: Measurements | None = None,
    dimensions: Mapping[str, Dimension] | None = None,
    values: Mapping[str, float] = VALUES,
    side: str = "left",
    is_primary: bool = True,
    with_spares: bool = False,
) -> tuple[KitLine, ...]:
    known = estimate_dimensions(measured or Measurements(), "F", values)
    part = ConstructPart("t", "Demo", 130.0)
    return construct_lines(
        PlannedConstruct((part,)),
        templates={"t": Template("t", "T", "base", roles)},
        side=side,
        catalogue=by_kind(catalogue),
        dimensions=dimensions or known,
        values=values,
        is_primary=is_primary,
        with_spares=(part,) if with_spares else (),
    )


def said(lines: tuple[KitLine, ...]) -> list[tuple[str, str]]:
    return [(line.label, line.why) for line in lines]


CALIBRATED = Measurements(neck_film_mm=114, canal_film_mm=14.88, marker_film_mm=30)


def screws(kind: str, *lengths: int) -> list[ItemFacts]:
    return [ItemFacts(f"{kind}-{length}", kind, length_mm=length) for length in lengths]


PLATE = Role(
    "side plate",
    ("side_plate",),
    sizes=(
        RoleSize(
            "barrel_mm",
            None,
            "lag screw",
            SizeRule(bands=(SizeBand(80, 25), SizeBand(None, 38))),
            bound_default="barrel_short_up_to_mm",
            cover=False,
        ),
    ),
)

PLATES = [ItemFacts(f"P-{barrel}", "side_plate", barrel_mm=barrel) for barrel in (25, 38)]
