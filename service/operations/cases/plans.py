"""Plans: the surgeon's choice for a case, kept as revisions."""

from collections.abc import Iterator, Mapping, Sequence

from service.core.catalogue import EXTRACTION_KINDS
from service.core.constructs.planned import (
    ConstructError,
    ConstructPart,
    PlannedConstruct,
    read_planned,
)
from service.core.constructs.templates import Template
from service.core.fractures.guidance import AS_PLANNED, Guidance
from service.errors import BadInput, FieldFault
from service.operations.cases.lookup import newest_plan, require_case
from service.operations.guidance import suggestions
from service.operations.planner import PlannerContext, planner_of
from service.operations.work import Unit
from service.schemas.cases import FindingsBody, MeasurementsBody, NearBody, NeedBody, PlanBody
from service.schemas.planning import ConstructChoice, ConstructChoices, SuggestedPlan
from service.storage.tables import Plan, SurgicalCase


def store_plan(unit: Unit, case: SurgicalCase, body: PlanBody) -> Plan | None:
    """Check a plan and add it as the next revision; ``None`` when it says nothing new."""
    planner = planner_of(unit)
    planned = {"/primary": body.primary}
    planned |= {f"/alternates/{place}": text for place, text in enumerate(body.alternates)}
    faults = [
        FieldFault(pointer, reason)
        for pointer, text in planned.items()
        for reason in faults_of_construct(read_planned(text), planner)
    ]
    if faults:
        raise BadInput("The plan has errors; nothing was saved.", faults=faults)
    if not body.needs:
        body = body.model_copy(update={"needs": _usual_needs(unit, case, body)})
    stored = body.model_dump(mode="json")
    newest = newest_plan(unit, case)
    # A plan of an earlier release knows fewer fields; read and written again it has them all.
    if newest is not None and plan_body(newest).model_dump(mode="json") == stored:
        return None
    plan = Plan(
        case_id=case.id or 0,
        revision=1 if newest is None else newest.revision + 1,
        body=stored,
        made_at=unit.now,
        actor=unit.actor,
    )
    unit.session.add(plan)
    unit.session.flush()
    return plan


def faults_of_construct(construct: PlannedConstruct, planner: PlannerContext) -> list[str]:
    """Say why a planned construct cannot be done as written; empty when it can."""
    faults = []
    for place, part in enumerate(construct.parts):
        template = planner.templates.get(part.template)
        if template is None:
            known = ", ".join(sorted(planner.templates)) or "none yet"
            faults.append(f"there is no construct '{part.template}'; known are {known}")
        elif place == 0 and template.part != "base":
            faults.append(f"'{part.template}' is an add-on; a construct starts with a base")
        elif place > 0 and template.part == "base":
            faults.append(f"'{part.template}' is a base; only add-ons follow a +")
        else:
            faults += _faults_of_part(part, template, planner)
    return faults


def _faults_of_part(
    part: ConstructPart, template: Template, planner: PlannerContext
) -> Iterator[str]:
    systems = planner.systems_for(template)
    if template.needs_system and part.system not in systems:
        said = (
            (f"it is not available in system '{part.system}'")
            if part.system
            else "a system is needed"
        )
        yield f"{part.template}: {said}; write @ and one of {', '.join(systems) or 'none'}"
        return
    if not template.needs_angle:
        return
    angles = planner.angles_for(template, part.system)
    if part.angle_deg not in angles:
        said = (
            "an angle is needed"
            if part.angle_deg is None
            else f"{part.angle_deg:g}° is not available"
        )
        listed = ", ".join(f"{angle:g}" for angle in angles)
        yield f"{part.template}@{part.system}: {said}; write / and one of {listed}"


def plan_body(plan: Plan) -> PlanBody:
    """Read a stored plan."""
    return PlanBody.model_validate(plan.body)


def suggest_plan(unit: Unit, reference: str, primary: str) -> SuggestedPlan:
    """Suggest alternates for a case, each written out with a system the shelf has."""
    case = require_case(unit, reference)
    planner = planner_of(unit)
    asked = _readable(primary)
    planned = construct_in_full(asked, asked, planner) or asked
    told = _ask(unit, case, str(planned))
    alternates = []
    for suggestion in told.alternates:
        written = construct_in_full(read_planned(suggestion.construct), planned, planner)
        alternates.append(
            {
                "alternate": str(written or suggestion.construct),
                "name": construct_name(str(written or suggestion.construct), planner.templates),
                "reason": suggestion.reason,
                "source": suggestion.source,
                "can_be_done": written is not None,
            }
        )
    return SuggestedPlan.model_validate(
        {
            "primary": str(planned),
            "name": construct_name(str(planned), planner.templates),
            "alternates": alternates,
            "near": told.near,
            "cautions": told.cautions,
            "conflicts": told.conflicts,
            "unknowns": told.unknowns,
        },
        from_attributes=True,
    )


def near_for(unit: Unit, case: SurgicalCase, body: PlanBody) -> list[NearBody]:
    """Return what must be near for a planned case, each kind once.

    What the plan names, and what the rules name for metal that is in the bone already: that is not
    for the plan to leave out.

    Raises
    ------
    BadInput
        When the rules cannot be asked with the findings as they stand.
    """
    known = {one.kind: one for one in body.near}
    has_metal = case.findings.get("existing_metal") == "present"
    if has_metal and planner_of(unit).guidance is not None:
        for one in _ask(unit, case, body.primary).near:
            if one.what in EXTRACTION_KINDS:
                known.setdefault(one.what, NearBody(kind=one.what, reason=one.reason))
    return list(known.values())


def _readable(primary: str) -> PlannedConstruct:
    try:
        return read_planned(primary.strip())
    except ConstructError as error:
        faults = [FieldFault("/primary", fault.reason) for fault in error.faults]
        raise BadInput("The construct is not valid.", faults=faults) from error


def construct_in_full(
    construct: PlannedConstruct, planned: PlannedConstruct, planner: PlannerContext
) -> PlannedConstruct | None:
    """Add systems and angles to a construct named by its templates alone.

    The planned system goes first where it can do the part, then the first by name; the planned
    angle where it is made, then the middle one. ``None`` when no system can do a part.
    """
    first = planned.parts[0]
    parts: list[ConstructPart] = []
    for part in construct.parts:
        template = planner.templates.get(part.template)
        if template is None:
            return None
        written = _part_in_full(part, template, first, [*planned.parts, *parts], planner)
        if written is None:
            return None
        parts.append(written)
    return PlannedConstruct(tuple(parts))


def _part_in_full(
    part: ConstructPart,
    template: Template,
    first: ConstructPart,
    nearby: Sequence[ConstructPart],
    planner: PlannerContext,
) -> ConstructPart | None:
    system, angle = part.system, part.angle_deg
    if template.needs_system and system is None:
        systems = planner.systems_for(template)
        liked = [one.system for one in reversed(nearby) if one.system in systems]
        system = next(iter([*liked, *systems]), None)
        if system is None:
            return None
    if template.needs_angle and angle is None:
        angles = planner.angles_for(template, system)
        if not angles:
            return None
        angle = first.angle_deg if first.angle_deg in angles else angles[len(angles) // 2]
    return ConstructPart(part.template, system, angle)


def _ask(unit: Unit, case: SurgicalCase, primary: str) -> Guidance:
    return suggestions(
        unit,
        primary=primary,
        fracture_class=case.fracture_class,
        class_year=case.class_year,
        findings=FindingsBody.model_validate(case.findings),
        measurements=MeasurementsBody.model_validate(case.measurements),
    )


def _usual_needs(unit: Unit, case: SurgicalCase, body: PlanBody) -> list[NeedBody]:
    """Take the needs the rules foresee, answered by what the surgeon has planned.

    A need no planned construct answers keeps an empty list: it is a gap, and shown as one.
    """
    planned = [body.primary, *body.alternates]
    if planner_of(unit).guidance is None:
        return [NeedBody(need=AS_PLANNED, probability=1.0, constructs=planned)]
    by_codes = {_codes(text): text for text in reversed(planned)}
    needs = []
    for need in _ask(unit, case, body.primary).needs:
        answers = planned
        if need.rule:
            codes = [_codes(text) for text in need.constructs]
            answers = [by_codes[code] for code in codes if code in by_codes]
        needs.append(NeedBody(need=need.name, probability=need.probability, constructs=answers))
    return needs


def _codes(text: str) -> frozenset[str]:
    return frozenset(part.template for part in read_planned(text).parts)


def list_choices(unit: Unit) -> ConstructChoices:
    """Return every base with each system and angle that can do it, and every add-on."""
    planner = planner_of(unit)
    bases, add_ons = [], []
    for code, template in planner.templates.items():
        if template.part == "add_on":
            add_ons.append(ConstructChoice(planned=code, name=template.name))
            continue
        for system in planner.systems_for(template) if template.needs_system else (None,):
            for angle in planner.angles_for(template, system) if template.needs_angle else (None,):
                text = str(ConstructPart(code, system, angle))
                bases.append(
                    ConstructChoice(planned=text, name=construct_name(text, planner.templates))
                )
    return ConstructChoices(bases=bases, add_ons=add_ons)


def construct_name(text: str, templates: Mapping[str, Template]) -> str:
    """Say a planned construct in words: names, system and angle."""
    words = []
    for part in read_planned(text).parts:
        name = templates[part.template].name if part.template in templates else part.template
        details = [part.system] if part.system else []
        if part.angle_deg is not None:
            details.append(f"{part.angle_deg:g}°")
        words.append(f"{name} ({' '.join(details)})" if details else name)
    return " + ".join(words)
