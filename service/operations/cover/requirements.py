"""Get cases ready to be checked: read what the planner needs, and say what each case asks for."""

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import chain

from service.core.constructs.kit_lines import KitLine, construct_lines, near_line
from service.core.constructs.planned import ConstructPart, parts_in_all, read_planned
from service.core.constructs.sizes_needed import implant_name, sizes_needed
from service.core.cover.results import CaseCheck, CaseToCheck, ConstructToCheck, Rack, SizesToCheck
from service.core.cover.units import Claim, StockUnits
from service.core.shortfalls.shortages import CheckInput
from service.core.sizing import SizesNeeded, SizingError
from service.core.sizing.figures import room_figures
from service.core.sizing.film import Dimension, Measurements, estimate_dimensions
from service.errors import BadInput
from service.operations.cases.plans import faults_of_construct, near_for, plan_body
from service.operations.planner import ASKED_FROM, CHECKED_FROM, PlannerContext, planner_of
from service.operations.stock_units import read_stock_units
from service.operations.work import Unit
from service.schemas.cases import PlanBody
from service.storage.tables import OperatingList, Plan, SurgicalCase


@dataclass(frozen=True, slots=True)
class CaseRequirements:
    """A case ready to be checked, or the sentence why it cannot be."""

    operating_list: OperatingList
    row: SurgicalCase
    plan: Plan | None
    case: CaseToCheck | None
    dimensions: Mapping[str, Dimension]
    says: str


def check_until(unit: Unit, last: date) -> dict[str, CaseCheck]:
    """Check every case from today to a day; once, as long as nothing it rests on changes."""
    return planner_of(unit).part(
        ("check", last),
        CHECKED_FROM,
        lambda: {result.case.case: result for result in input_until(unit, last).check()},
    )


def input_until(unit: Unit, last: date) -> CheckInput:
    """Return what every case from today to a day is checked from, with the promises in force."""
    planner = planner_of(unit)
    return planner.part(
        ("input", last),
        CHECKED_FROM,
        lambda: check_input(unit, case_requirements(unit, last), planner.claims),
    )


def check_requirements(
    unit: Unit, prepared: Sequence[CaseRequirements], claims: Iterable[Claim]
) -> dict[str, CaseCheck]:
    """Check prepared cases against stock, with the promises given; by case reference.

    A pack that has been implanted in a case fills the line it was for: nothing more is claimed for
    it, and it fills no other.
    """
    given = check_input(unit, prepared, claims)
    return {result.case.case: result for result in given.check()}


def check_input(
    unit: Unit, prepared: Sequence[CaseRequirements], claims: Iterable[Claim]
) -> CheckInput:
    """Read what prepared cases are checked from, with the promises given."""
    ready = [
        replace(one.case, sets_had=_sets_had(unit, one)) for one in prepared if one.case is not None
    ]
    refs = {ref for case in ready for ref in _refs(case)}
    used = _used(unit, prepared)
    return CheckInput(
        tuple(ready),
        (*read_stock_units(unit, refs), *(parcel for parcel, _ in used)),
        planner_of(unit).catalogue.turnarounds,
        unit.zone,
        (*claims, *(claim for _, claim in used)),
    )


def _refs(case: CaseToCheck) -> Iterator[str]:
    """Return every reference a check of the case may look at."""
    for line in chain(case.near, *(construct.lines for construct in case.constructs)):
        yield from chain(line.refs, line.other_side, line.other_head)


def _sets_had(unit: Unit, case: CaseRequirements) -> tuple[str, ...]:
    """Return the copies of sets that were opened for a case in theatre and sent off.

    What went back unopened may be wanted again, and a case that was put off needs its sets again.
    """
    if case.row.status != "in_theatre":
        return ()
    brought: Counter[tuple[str, int]] = Counter()
    opened: Counter[tuple[str, int]] = Counter()
    for line in planner_of(unit).sets_in_theatre:
        if line.case_id == case.row.id:
            counted = brought if line.kind == "pick" else opened
            counted[line.ref, line.lot_id] += line.quantity
    # What was brought before it was put off was opened on that occasion, whenever it was sent off.
    return tuple(ref for ref, _ in (opened & brought).elements())


def _used(unit: Unit, prepared: Sequence[CaseRequirements]) -> list[tuple[StockUnits, Claim]]:
    """Return the packs that have been implanted in cases still open, each claimed by its case."""
    by_id = {one.row.id: one for one in prepared}
    found = []
    rows = planner_of(unit).used_in(
        one.row.id for one in prepared if one.case is not None and one.row.id is not None
    )
    for row in rows:
        one = by_id[row.case_id]
        parcel = StockUnits(
            key=f"used {row.lot_id} in {one.row.reference}",
            ref=row.ref,
            quantity=row.implanted,
            lot=row.lot_number,
            serial=row.serial,
            store=one.operating_list.theatre,
            shelf=one.row.reference,
            tray_of=one.row.reference,
            is_implanted=True,
        )
        day, name = one.operating_list.list_date, str(one.operating_list.id)
        claim = Claim(one.row.reference, parcel.key, row.implanted, day, name, stays=True)
        found.append((parcel, claim))
    return found


def case_requirements(
    unit: Unit, last: date, *, only: Collection[str] | None = None
) -> list[CaseRequirements]:
    """Read every case from today to a day and work out what each needs brought.

    Parameters
    ----------
    only
        References of the cases wanted; every case without it.
    """
    planner = planner_of(unit)
    pairs = [
        (operating_list, row)
        for operating_list, row in planner.cases_until(last)
        if only is None or row.reference in only
    ]
    plans = planner.plans_of([key for _, case in pairs if (key := case.id)])
    known = planner.part("prepared", ASKED_FROM, dict[int, CaseRequirements])
    for operating_list, row in pairs:
        key = row.id or 0
        if key not in known:
            known[key] = _case_requirements(unit, operating_list, row, plans.get(key))
    return [known[row.id or 0] for _, row in pairs]


def _case_requirements(
    unit: Unit, operating_list: OperatingList, row: SurgicalCase, plan: Plan | None
) -> CaseRequirements:
    planner = planner_of(unit)
    dimensions: Mapping[str, Dimension] = {}
    if row.status == "closed":
        says = "Closed: every pack is accounted for."
        return CaseRequirements(operating_list, row, plan, None, dimensions, says)
    if plan is None:
        says = "Not planned yet: choose the planned construct and its backups."
        return CaseRequirements(operating_list, row, None, None, dimensions, says)
    if not planner.values:
        says = "Sizes cannot be worked out: import the sizing assumptions (sizing.toml)."
        return CaseRequirements(operating_list, row, plan, None, dimensions, says)
    body = plan_body(plan)
    faults = [
        fault
        for text in (body.primary, *body.alternates)
        for fault in faults_of_construct(read_planned(text), planner)
    ]
    if faults:
        says = f"The plan no longer matches the catalogue: {faults[0]}."
        return CaseRequirements(operating_list, row, plan, None, dimensions, says)
    try:
        measurements = Measurements(**row.measurements)
        dimensions = estimate_dimensions(measurements, row.sex, planner.values)
        constructs = _constructs(planner, row, body, dimensions)
        asked = near_for(unit, row, body)
    except (SizingError, BadInput) as error:
        says = (
            f"The measurements cannot be used: {error.reason}"
            if isinstance(error, SizingError)
            else f"What to have available cannot be worked out: {error.faults[0].reason}."
        )
        return CaseRequirements(operating_list, row, plan, None, dimensions, says)
    near = tuple(near_line(one.kind, one.reason, planner.catalogue.by_kind) for one in asked)
    case = CaseToCheck(
        row.reference,
        operating_list.list_date,
        row.starts_at,
        row.ends_at,
        constructs,
        near,
        str(operating_list.id),
        is_overrun=planner.is_overrun(row),
        used_on=planner.used_on(operating_list.list_date),
    )
    return CaseRequirements(operating_list, row, plan, case, dimensions, "")


def _constructs(
    planner: PlannerContext,
    row: SurgicalCase,
    body: PlanBody,
    dimensions: Mapping[str, Dimension],
) -> tuple[ConstructToCheck, ...]:
    planned = (body.primary, *body.alternates)
    spared = parts_in_all([read_planned(text) for text in planned])
    return tuple(
        _construct(planner, row, text, dimensions, is_primary=place == 0, spared=spared)
        for place, text in enumerate(planned)
    )


def _construct(
    planner: PlannerContext,
    row: SurgicalCase,
    text: str,
    dimensions: Mapping[str, Dimension],
    *,
    is_primary: bool,
    spared: Collection[ConstructPart],
) -> ConstructToCheck:
    construct = read_planned(text)
    lines = construct_lines(
        construct,
        templates=planner.templates,
        side=row.side,
        catalogue=planner.catalogue.by_kind,
        dimensions=dimensions,
        values=planner.values,
        is_primary=is_primary,
        with_spares=spared,
    )
    needed = sizes_needed(
        construct,
        templates=planner.templates,
        side=row.side,
        catalogue=planner.catalogue.by_kind,
        dimensions=dimensions,
        values=planner.values,
    )
    floor = room_figures(planner.values).covered_probability
    measured = _is_measured(needed, dimensions)
    to_check = SizesToCheck(needed, floor, measured, _racks(lines, needed, dimensions))
    return ConstructToCheck(text, lines, to_check)


def _is_measured(needed: SizesNeeded, dimensions: Mapping[str, Dimension]) -> bool:
    """Tell whether any length that can be measured before the operation has been."""
    known = [dimensions[one.length] for one in needed.lengths]
    can_be = [one for one in known if not one.has_rack]
    return not can_be or any(one.is_measured for one in can_be)


def _racks(
    lines: Sequence[KitLine], needed: SizesNeeded, dimensions: Mapping[str, Dimension]
) -> tuple[Rack, ...]:
    """Return the screws whose length is measured on the table only, with the sizes made."""
    roles = {implant_name(line.part, line.role): line.role for line in lines}
    sized = {
        size.role: size.sizes_made
        for one in needed.lengths
        if dimensions[one.length].has_rack
        for size in one.sized
    }
    return tuple(
        Rack(roles[implant.name], min(made), max(made))
        for implant in needed.implants
        if (made := sized.get(implant.sizes[0])) and implant.name in roles
    )
