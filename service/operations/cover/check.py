"""Check a list day against stock: every case before it counts first."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import date

from service.core.catalogue import describe_size
from service.core.constructs.templates import DIMENSIONS
from service.core.cover.gaps import counting_on_words, cover_words, expectation_words
from service.core.cover.pick_list import pick_rows
from service.core.cover.results import (
    CaseCheck,
    ConstructCheck,
    Expectation,
    Gap,
    LineCheck,
    SizesFound,
    awaited_by,
    expectations_of,
)
from service.core.readiness.words import percent
from service.core.sizing.figures import room_figures
from service.core.sizing.film import Dimension, Measurements, width_on_film
from service.errors import BadInput, FieldFault
from service.operations.cases.confirmation import confirmation_out
from service.operations.cases.lookup import OPEN_STATUSES, get_case, require_case
from service.operations.cases.plans import construct_name
from service.operations.cover.requirements import CaseRequirements, case_requirements, check_until
from service.operations.planner import PlannerContext, planner_of
from service.operations.work import CAUTION, Unit
from service.schemas.base import Out
from service.schemas.cases import CaseOut
from service.schemas.cover import (
    CaseCheckOut,
    CheckOut,
    ConstructCheckOut,
    DimensionOut,
    ExpectationOut,
    GapOut,
    ImplantSizesOut,
    ListCheckOut,
    PickLineOut,
    PickOut,
    PickRowOut,
    SizesFoundOut,
    TroubleOut,
)
from service.storage.queries import cases
from service.storage.tables import SurgicalCase


def check_day(unit: Unit, day: date) -> CheckOut:
    """Check every list of a day, after the cases of the days before it.

    Raises
    ------
    BadInput
        When the day is in the past: stock as it is now says nothing about it.
    """
    refuse_past(unit, day)
    today = [one for one in case_requirements(unit, day) if one.operating_list.list_date == day]
    checked = check_until(unit, day)
    rows = cases.lists_between(unit.session, unit.site_id, day, day)
    theatres: dict[str, list[CaseCheckOut]] = {row.theatre: [] for row in rows}
    troubles = []
    planner_of(unit).confirmations_of([one.row.id for one in today if one.row.id is not None])
    for one in today:
        result = checked.get(one.row.reference)
        theatres[one.operating_list.theatre].append(_answer(unit, one, result))
        if result is not None:
            troubles += gaps_by_case(result, one.operating_list.theatre)
    return CheckOut(
        date=day,
        checked_at=unit.local(unit.now),
        lists=[ListCheckOut(theatre=name, cases=own) for name, own in sorted(theatres.items())],
        troubles=troubles,
        caution=CAUTION,
    )


def refuse_past(unit: Unit, day: date) -> None:
    """Refuse a day in the past: stock as it is now says nothing about it."""
    if day < unit.today:
        reason = f"{day} is in the past; today is {unit.today}"
        raise BadInput("This day cannot be checked.", faults=[FieldFault("/day", reason)])


def check_case(unit: Unit, reference: str) -> CaseCheckOut:
    """Check one case against stock, after everything that starts before it.

    Raises
    ------
    NotFound
        When there is no such case.
    BadInput
        When it has been cancelled, or its list day is over and it does not run over midnight.
    """
    row = require_case(unit, reference)
    day = unit.local(row.starts_at).date()
    if row.status == "cancelled" or (day < unit.today and not _runs_on(unit, row)):
        why = "has been cancelled" if row.status == "cancelled" else f"was on {day}"
        raise BadInput(f"Case {reference} {why}. There is nothing to pick.")
    return check_one_case(unit, reference, day)


def _runs_on(unit: Unit, row: SurgicalCase) -> bool:
    """Tell whether a case has packs on its tray or was planned to end today: it is not past."""
    ends = unit.local(row.ends_at).date()
    return row.status in {"prepared", "in_theatre"} or (
        row.status in OPEN_STATUSES and ends >= unit.today
    )


def check_one_case(unit: Unit, reference: str, day: date) -> CaseCheckOut:
    """Check one of the cases of a day, after those before it."""
    (one,) = [one for one in case_requirements(unit, day) if one.row.reference == reference]
    return _answer(unit, one, check_until(unit, day).get(reference))


def _dimension_out(key: str, meaning: str, known: Dimension) -> DimensionOut:
    return DimensionOut(
        dimension=key,
        meaning=meaning,
        mean_mm=known.estimate.mean_mm,
        sd_mm=known.estimate.sd_mm,
        calibrated=known.estimate.calibrated,
        basis=known.basis,
    )


def _answer(unit: Unit, one: CaseRequirements, result: CaseCheck | None) -> CaseCheckOut:
    planner = planner_of(unit)
    dimensions = [
        _dimension_out(key, DIMENSIONS[key], known) for key, known in one.dimensions.items()
    ]
    wall_film_mm = one.row.findings.get("lateral_wall_mm")
    if wall_film_mm and planner.values:
        wall = width_on_film(wall_film_mm, Measurements(**one.row.measurements), planner.values)
        dimensions.append(_dimension_out("lateral_wall", "lateral wall", wall))
    facts = {
        "case": one.row.reference,
        "position": one.row.position,
        "starts_at": unit.local(one.row.starts_at),
        "ends_at": unit.local(one.row.ends_at),
        "side": one.row.side,
        "plan_revision": one.plan.revision if one.plan else None,
        "dimensions": dimensions,
    }
    if result is None:
        return unchecked_case_out(facts, one.says, _why_unchecked(one))
    held = {claim.key for claim in planner.claims_of(one.row.reference)}
    out = case_out(facts, result, planner, held)
    row = planner.confirmations_of([one.row.id or 0]).get(one.row.id or 0)
    return out.model_copy(update={"confirmation": confirmation_out(unit, row, out)})


def _why_unchecked(one: CaseRequirements) -> str:
    if one.row.status == "closed":
        return "closed"
    return "not planned" if one.plan is None else "cannot be sized"


#: What a case says when nothing is missing; a plan without a backup never sounds like one with.
_ALL_THERE = "The planned construct and its backups are covered."
_NO_BACKUP = "The planned construct is covered. No backup is planned."


def case_out(
    facts: Mapping[str, object],
    result: CaseCheck,
    planner: PlannerContext,
    held: Collection[str],
) -> CaseCheckOut:
    """Return a checked case; it is covered when its primary and everything standing by are."""
    constructs = [
        _construct(one, "primary" if place == 0 else "alternate", planner)
        for place, one in enumerate(result.constructs)
    ]
    near = [_line(one) for one in result.near]
    primary, *alternates = constructs
    state, says = primary.state, _says(primary, alternates, near)
    expected = expectations_of(
        line for lines in (*(one.lines for one in result.constructs), result.near) for line in lines
    )
    if state in {"covered", "covered if"} and says:
        state = "partly covered"
    elif state == "covered" and expected:
        state = "covered if"
    condition = _condition(expected, planner, is_short=bool(says))
    awaited = awaited_by(result, planner.now)
    says = f"{says} {condition}".strip()
    return CaseCheckOut.model_validate(
        {
            **facts,
            "state": state,
            "says": says or (_ALL_THERE if alternates else _NO_BACKUP),
            "expects": _expected(expected, planner),
            "condition": condition,
            "awaited": _expected(awaited, planner),
            "counting_on": counting_on_words(awaited, planner.zone),
            "constructs": constructs,
            "near": near,
            "pick_list": _pick_list(planner, result, [one.name for one in constructs], held),
        }
    )


def _pick_list(
    planner: PlannerContext, result: CaseCheck, names: Sequence[str], held: Collection[str]
) -> list[PickRowOut]:
    # Several packs serve one line, and each is named by what it is itself: plates of 4 and 5 holes.
    return [
        PickRowOut(
            label=f"{row.name} {describe_size(planner.catalogue.by_ref[row.parcel.ref])}".strip(),
            ref=row.parcel.ref,
            lot=row.parcel.lot,
            serial=row.parcel.serial,
            use_by=row.parcel.use_by,
            ownership=row.parcel.ownership,
            store=row.parcel.store,
            shelf=row.parcel.shelf,
            quantity=row.quantity,
            place=row.place,
            shared_with=list(row.shared_with),
            held=row.parcel.key in held,
            on_tray=row.parcel.is_on_tray_of(result.case.case),
            whys=[
                why if place <= 0 else f"{why}; backup {names[place]}" for place, why in row.whys
            ],
        )
        for row in pick_rows(result)
    ]


def unchecked_case_out(facts: Mapping[str, object], says: str, state: str) -> CaseCheckOut:
    """Return a case that could not be checked, with why: it never looks covered."""
    return CaseCheckOut.model_validate(
        {**facts, "state": state, "says": says, "constructs": [], "near": [], "pick_list": []}
    )


def gaps_by_case(result: CaseCheck, theatre: str) -> list[TroubleOut]:
    """Return every gap of a case once, with all the constructs it touches."""
    found: dict[tuple[str, str, str], TroubleOut] = {}
    for name, gap in _gaps(result):
        key = (gap.because, gap.role, gap.label)
        if key in found:
            if name not in found[key].constructs:
                found[key].constructs.append(name)
            continue
        found[key] = TroubleOut(
            case=result.case.case,
            theatre=theatre,
            because=gap.because,
            what=gap.what,
            role=gap.role,
            label=gap.label,
            constructs=[name],
            sentence=gap.sentence,
        )
    return list(found.values())


def _gaps(result: CaseCheck) -> Iterator[tuple[str, Gap]]:
    for construct in result.constructs:
        yield from ((construct.name, gap) for gap in construct.gaps)
    yield from (("near", line.gap) for line in result.near if line.gap is not None)


def _says(
    primary: ConstructCheckOut, alternates: list[ConstructCheckOut], near: list[PickLineOut]
) -> str:
    missing: list[str] = []
    for one in (primary, *alternates):
        missing += [gap.sentence for gap in one.gaps]
        missing += [one.sizes.refused] if one.sizes is not None and one.sizes.refused else []
    missing += [line.gap.sentence for line in near if line.gap is not None]
    return " ".join(dict.fromkeys(missing))


def _condition(expected: Sequence[Expectation], planner: PlannerContext, *, is_short: bool) -> str:
    """Say what has to happen before a case is covered, or its rest when something is missing."""
    if not expected:
        return ""
    words = expectation_words(expected, planner.zone)
    return f"The rest is {words[:1].lower()}{words[1:]}" if is_short else words


def _expected(expected: Sequence[Expectation], planner: PlannerContext) -> list[ExpectationOut]:
    return [
        ExpectationOut(
            ref=one.ref,
            name=one.name,
            due=one.due.astimezone(planner.zone),
            needed=one.needed.astimezone(planner.zone),
            after=one.after,
            sent_from=one.sent_from,
            is_late=one.is_late,
        )
        for one in expected
    ]


def _construct(check: ConstructCheck, role: str, planner: PlannerContext) -> ConstructCheckOut:
    sizes = _sizes(check.sizes, planner)
    refused = sizes.refused if sizes is not None else ""
    is_short = bool(check.gaps or refused)
    said = [refused]
    if check.gaps or not refused:
        said.append(cover_words(check, planner.catalogue.lengths_mm, planner.zone))
    return ConstructCheckOut.model_validate(
        {
            "planned": check.name,
            "name": construct_name(check.name, planner.templates),
            "says": " ".join(filter(None, said)),
            "role": role,
            "state": check.state,
            "gaps": [_gap(gap) for gap in check.gaps],
            "expects": _expected(check.expectations, planner),
            "condition": _condition(check.expectations, planner, is_short=is_short),
            "sizes": sizes,
            "lines": [_line(line) for line in check.lines],
        }
    )


def _sizes(found: SizesFound, planner: PlannerContext) -> SizesFoundOut | None:
    if not found.implants:
        return None
    each = ", ".join(f"{one.role} {percent(one.probability)}" for one in found.implants)
    share = percent(found.probability)
    racks = [
        f"Bring the rack: {one.role} {one.smallest_mm:g} to {one.largest_mm:g} mm."
        for one in found.racks
    ]
    refused = ""
    if not found.is_measured:
        refused = "Sizes unknown: nothing has been measured."
    elif not found.is_enough:
        floor = percent(room_figures(planner.values).covered_probability)
        refused = f"Chance of the sizes needed: only {share}; {floor} is required."
    return SizesFoundOut(
        probability=found.probability,
        implants=[
            ImplantSizesOut(role=one.role, probability=one.probability) for one in found.implants
        ],
        says=" ".join([f"Chance of the sizes needed: {share} ({each}).", *racks]),
        refused=refused,
    )


def _line(check: LineCheck) -> PickLineOut:
    line = check.line
    return PickLineOut(
        role=line.role,
        label=line.label,
        refs=list(line.refs),
        quantity=line.quantity,
        found=check.found,
        why=line.why,
        place=line.place,
        what=line.what,
        picks=[
            PickOut(
                lot=pick.parcel.lot,
                serial=pick.parcel.serial,
                use_by=pick.parcel.use_by,
                ownership=pick.parcel.ownership,
                store=pick.parcel.store,
                shelf=pick.parcel.shelf,
                quantity=pick.quantity,
            )
            for pick in check.picks
        ],
        gap=None if check.gap is None else _gap(check.gap),
    )


def _gap(gap: Gap) -> GapOut:
    return GapOut(
        role=gap.role,
        label=gap.label,
        what=gap.what,
        because=gap.because,
        missing=gap.missing,
        sentence=gap.sentence,
    )


class PickRoute(Out):
    """A case, its check, and the GTIN of every line of its pick list that has one, by reference."""

    case: CaseOut
    check: CaseCheckOut
    gtins: dict[str, str]


def pick_route(unit: Unit, reference: str) -> PickRoute:
    """Return what is to be brought for a case and what its labels say.

    Raises
    ------
    NotFound
        When there is no such case.
    BadInput
        When its list day is in the past, or it has been cancelled: there is nothing to pick.
    """
    check = check_case(unit, reference)
    gtins = planner_of(unit).catalogue.gtins
    return PickRoute(
        case=get_case(unit, reference),
        check=check,
        gtins={row.ref: gtins[row.ref] for row in check.pick_list if row.ref in gtins},
    )
