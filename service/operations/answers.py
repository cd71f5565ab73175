"""Turn the planner's results into what API, pages and command line answer."""

from collections.abc import Collection, Iterator, Mapping, Sequence

from service.core.cover import CaseCheck, ConstructCheck, LineCheck
from service.core.cover_words import cover_words
from service.core.gaps import Gap
from service.core.picking import pick_rows
from service.operations.planner import PlannerContext
from service.operations.plans import construct_name
from service.operations.schemas.checks import (
    CaseCheckOut,
    ConstructCheckOut,
    GapOut,
    LineOut,
    PickOut,
    PickRowOut,
    TroubleOut,
)

__all__ = ["case_out", "troubles_of", "unchecked"]


def case_out(
    facts: Mapping[str, object],
    result: CaseCheck,
    planner: PlannerContext,
    held: Collection[str],
) -> CaseCheckOut:
    """Give a checked case; it is covered when its primary and everything standing by are."""
    constructs = [
        _construct(one, "primary" if place == 0 else "alternate", planner)
        for place, one in enumerate(result.constructs)
    ]
    near = [_line(one) for one in result.near]
    primary, *alternates = constructs
    state, says = primary.state, _says(primary, alternates, near)
    if state == "covered" and says:
        state = "partly covered"
    return CaseCheckOut.model_validate(
        {
            **facts,
            "state": state,
            "says": says or "Everything planned and everything standing by is covered.",
            "constructs": constructs,
            "near": near,
            "pick_list": _pick_list(result, [one.name for one in constructs], held),
        }
    )


def _pick_list(result: CaseCheck, names: Sequence[str], held: Collection[str]) -> list[PickRowOut]:
    return [
        PickRowOut(
            label=row.label,
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
            whys=[
                why if place <= 0 else f"{why}; alternate {names[place]}" for place, why in row.whys
            ],
        )
        for row in pick_rows(result)
    ]


def unchecked(facts: Mapping[str, object], says: str, state: str) -> CaseCheckOut:
    """Give a case that could not be checked, with why: it never looks covered."""
    return CaseCheckOut.model_validate(
        {**facts, "state": state, "says": says, "constructs": [], "near": [], "pick_list": []}
    )


def troubles_of(result: CaseCheck, theatre: str) -> list[TroubleOut]:
    """Give every gap of a case once, with all the constructs it touches."""
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
    primary: ConstructCheckOut, alternates: list[ConstructCheckOut], near: list[LineOut]
) -> str:
    short = [one for one in (primary, *alternates) if one.gaps]
    missing = [gap.sentence for one in short for gap in one.gaps]
    missing += [line.gap.sentence for line in near if line.gap is not None]
    return " ".join(dict.fromkeys(missing))


def _construct(check: ConstructCheck, role: str, planner: PlannerContext) -> ConstructCheckOut:
    return ConstructCheckOut.model_validate(
        {
            "planned": check.name,
            "name": construct_name(check.name, planner.templates),
            "says": cover_words(check, planner.catalogue.lengths_mm),
            "role": role,
            "state": check.state,
            "gaps": [_gap(gap) for gap in check.gaps],
            "lines": [_line(line) for line in check.lines],
        }
    )


def _line(check: LineCheck) -> LineOut:
    line = check.line
    return LineOut(
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
