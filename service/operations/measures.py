"""What was measured, the true size that follows from it, and the sizes that follow from that."""

from collections.abc import Mapping, Sequence

from service.core.constructs import DIMENSIONS, read_planned
from service.core.estimates import Dimension, Measurements, estimate_dimensions
from service.core.items import ItemFacts
from service.core.sizing import SizingError
from service.errors import BadInput, FieldFault
from service.operations.cases import the_case
from service.operations.planner import PlannerContext, planner_of
from service.operations.schemas.checks import ConstructCheckOut, LineOut
from service.operations.schemas.plan_path import BesideOut, MeasureOut, SizeThatFollows
from service.operations.unit import Unit

__all__ = ["measures_of"]

#: Which measurement gives a dimension, where one does.
_GIVEN = {"neck": "neck_film_mm", "canal": "canal_film_mm", "femur": "nail_length_mm"}


def measures_of(
    unit: Unit, reference: str, constructs: Sequence[ConstructCheckOut]
) -> list[MeasureOut]:
    """Give each dimension of a case with the sizes that follow from it.

    Parameters
    ----------
    constructs
        What is planned, checked, the primary first. The sizes are those of the first construct
        that has a size by the dimension; without a construct no size follows yet.

    Returns
    -------
    list of MeasureOut
        In the order of ``DIMENSIONS``; empty when no sizing figures have been loaded.

    Raises
    ------
    BadInput
        When a measurement cannot be used.
    """
    row, planner = the_case(unit, reference), planner_of(unit)
    if not planner.values:
        return []
    try:
        found = estimate_dimensions(Measurements(**row.measurements), row.sex, planner.values)
    except SizingError as error:
        fault = FieldFault(f"/measurements{error.pointer}", error.reason)
        raise BadInput("The measurements cannot be used.", faults=[fault]) from error
    return [
        _measure(key, known, row.measurements.get(_GIVEN.get(key, "")), planner, constructs)
        for key, known in found.items()
    ]


def _measure(
    key: str,
    known: Dimension,
    given_mm: float | None,
    planner: PlannerContext,
    constructs: Sequence[ConstructCheckOut],
) -> MeasureOut:
    return MeasureOut(
        dimension=key,
        meaning=DIMENSIONS[key],
        given_mm=given_mm,
        mean_mm=known.estimate.mean_mm,
        sd_mm=known.estimate.sd_mm,
        calibrated=known.estimate.calibrated,
        basis=known.basis,
        sizes=next(filter(None, (_sizes(key, planner, one) for one in constructs)), []),
    )


def _sizes(
    dimension: str, planner: PlannerContext, planned: ConstructCheckOut
) -> list[SizeThatFollows]:
    template = planner.templates.get(read_planned(planned.planned).parts[0].template)
    whose = "" if planned.role == "primary" else " (stands by)"
    return [
        _size(
            role.role + whose,
            size.field,
            [one for one in planned.lines if one.role == role.role],
            planner.catalogue.by_ref,
        )
        for role in (template.roles if template is not None else ())
        for size in role.sizes
        if size.dimension == dimension
    ]


def _size(
    role: str, field: str, lines: Sequence[LineOut], facts: Mapping[str, ItemFacts]
) -> SizeThatFollows:
    there: dict[float, bool] = {}
    nominal: float | None = None
    for line in lines:
        size = getattr(facts.get(line.refs[0]), field, None) if line.refs else None
        if size is None:
            continue
        if line.why == "nominal":
            nominal = size
        there[size] = there.get(size, True) and line.gap is None
    return SizeThatFollows(
        role=role,
        size_mm=nominal,
        is_there=nominal is not None and there[nominal],
        beside=[
            BesideOut(size_mm=size, is_there=is_there)
            for size, is_there in sorted(there.items())
            if size != nominal
        ],
    )
