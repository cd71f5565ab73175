"""Guidance: what the findings ask to have ready. It suggests; the surgeon's choice is stored."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from typing import Any

from service.core.catalogue import ITEM_KINDS
from service.core.constructs.planned import ConstructError, read_planned
from service.core.constructs.templates import Template
from service.core.fractures.classification import WALL_THRESHOLD_MM, FractureError, read_class
from service.core.fractures.findings import Findings
from service.core.fractures.guidance import Guidance, suggest
from service.core.fractures.rules import PLANNED, GuidanceError, Rules, codes_in
from service.core.sizing.film import LengthEstimate, Measurements, SizingError, width_on_film
from service.errors import BadInput, FieldFault, NotFound
from service.operations.planner import planner_of
from service.operations.work import CAUTION, Unit
from service.schemas.cases import CLASS_FIELDS, FindingsBody, MeasurementsBody
from service.schemas.guidance import rules_from
from service.schemas.planning import GuidanceAnswer, GuidanceRequest, NeedOut
from service.storage.queries import reference
from service.storage.tables import GuidanceBook


def get_rules(unit: Unit) -> dict[str, Any]:
    """Return the guidance rules in force as data."""
    book = planner_of(unit).guidance
    if book is None:
        raise NotFound("No guidance rules are loaded yet. Import guidance.toml.")
    return book.body


def load_guidance(unit: Unit, data: Mapping[str, Any]) -> int:
    """Put a new book of rules in force; the former ones are kept.

    Raises
    ------
    BadInput
        At the first rule that is not well-shaped, or with every construct template that the rules
        name and that is not there.
    """
    _refuse_unwritable(data)
    try:
        rules = rules_from(data)
    except GuidanceError as error:
        fault = FieldFault(error.pointer, error.reason)
        raise BadInput("The guidance has an error; nothing was saved.", faults=[fault]) from error
    faults = list(_unknown_templates(rules, data, planner_of(unit).templates))
    if faults:
        raise BadInput("The guidance has errors; nothing was saved.", faults=faults)
    book = reference.guidance_book(unit.session)
    if book is not None and book.body == dict(data):
        return 0
    unit.session.add(GuidanceBook(body=dict(data), made_at=unit.now, actor=unit.actor))
    return 1


def _refuse_unwritable(data: Mapping[str, Any]) -> None:
    """Refuse what JSON text can spell but no database keeps: NaN, and halves of characters."""
    try:
        json.dumps(data, ensure_ascii=False, allow_nan=False, default=str).encode()
    except ValueError as error:
        fault = FieldFault("", "holds a number or a character that cannot be stored")
        raise BadInput("The guidance has an error; nothing was saved.", faults=[fault]) from error


def _unknown_templates(
    rules: Rules, data: Mapping[str, Any], templates: Mapping[str, Template]
) -> Iterator[FieldFault]:
    """Find every construct template that a rule names and that cannot stand there."""
    for pointer, code, part in _codes_named(rules, data):
        template = templates.get(code)
        if template is None:
            known = ", ".join(templates) or "none yet: import the constructs first"
            yield FieldFault(pointer, f"there is no construct '{code}'; known are {known}")
        elif part not in (None, template.part):
            kinds = {"base": "a base", "add_on": "an add-on"}
            yield FieldFault(
                pointer, f"'{code}' is {kinds[template.part]}; {kinds[part]} is needed here"
            )


def _codes_named(rules: Rules, data: Mapping[str, Any]) -> Iterator[tuple[str, str, str | None]]:
    """Return every template code in the rules: where it stands, and as base, add-on or either."""
    places = {
        row["code"]: f"/{kind}/{place}"
        for kind, of_kind in data.items()
        if kind != "conversion"
        for place, row in enumerate(of_kind)
    }
    for rule in rules.rules:
        pointer = places[rule.code]
        for field in ("when", "any_of"):
            for place, condition in enumerate(getattr(rule, field)):
                if condition.finding == "base":
                    at = f"{pointer}/{field}/{place}/{condition.operator}"
                    yield from ((at, code, "base") for code in codes_in(condition))
        field, first = ("what", None) if rule.kind == "near" else ("constructs", "base")
        for place, name in enumerate(rule.names):
            base, *add_ons = name.split("+")
            at = f"{pointer}/{field}/{place}"
            if base != PLANNED and base not in ITEM_KINDS:
                yield at, base, first
            yield from ((at, code, "add_on") for code in add_ons)


def answer_guidance(unit: Unit, body: GuidanceRequest) -> GuidanceAnswer:
    """Answer what the rules suggest for these findings; nothing is stored."""
    told = suggestions(
        unit,
        primary=body.primary,
        fracture_class=body.fracture_class,
        class_year=body.class_year,
        findings=body.findings,
        measurements=body.measurements,
    )
    answer = asdict(told)
    answer["needs"] = [
        NeedOut(
            need=need.name,
            probability=need.probability,
            constructs=list(need.constructs),
            reason=need.reason,
            source=need.source,
        )
        for need in told.needs
    ]
    answer["alternates"] = [{**one, "alternate": one["construct"]} for one in answer["alternates"]]
    return GuidanceAnswer.model_validate({**answer, "caution": CAUTION})


def suggestions(
    unit: Unit,
    *,
    primary: str,
    fracture_class: str | None,
    class_year: int | None,
    findings: FindingsBody,
    measurements: MeasurementsBody,
) -> Guidance:
    """Ask the rules in force about a case."""
    rules = rules_from(get_rules(unit))
    _refuse_unknown(primary, planner_of(unit).templates)
    values = planner_of(unit).values
    wall, canal = _true_lengths(findings, measurements, values)
    try:
        # A class without its year is refused like a class of a year there is none of.
        fracture = None if fracture_class is None else read_class(fracture_class, class_year or 0)
        known = findings.model_dump()
        asked = Findings(
            primary,
            fracture=fracture,
            lateral_wall_state=known.pop("lateral_wall"),
            calibrated=measurements.marker_film_mm is not None,
            **{
                **known,
                "lateral_wall_mm": wall and wall.mean_mm,
                "lateral_wall_sd_mm": wall.sd_mm if wall else 0.0,
                "canal_mm": canal and canal.mean_mm,
            },
        )
        threshold = values.get("lateral_wall_threshold_mm", WALL_THRESHOLD_MM)
        return suggest(asked, rules, wall_threshold_mm=threshold)
    except FractureError as error:
        known_as = CLASS_FIELDS.get(error.pointer, f"findings{error.pointer}")
        fault = FieldFault(f"/{known_as}", error.reason)
        raise BadInput("Some findings are not valid.", faults=[fault]) from error


def _true_lengths(
    findings: FindingsBody, measurements: MeasurementsBody, values: Mapping[str, float]
) -> tuple[LengthEstimate | None, LengthEstimate | None]:
    """Scale lateral wall and canal from the film; where no figures are loaded, as they stand."""
    films = (findings.lateral_wall_mm, measurements.canal_film_mm)
    if not values:
        wall, canal = (None if film is None else LengthEstimate(film, 0.0, False) for film in films)
        return wall, canal
    given = Measurements(**measurements.model_dump())
    try:
        wall, canal = (
            None if film is None else width_on_film(film, given, values).estimate for film in films
        )
    except SizingError as error:
        fault = FieldFault(f"/measurements{error.pointer}", error.reason)
        raise BadInput("The measurements cannot be used.", faults=[fault]) from error
    return wall, canal


def _refuse_unknown(primary: str, templates: Mapping[str, Template]) -> None:
    """Refuse a construct of templates that are not there, or in which no base comes first."""
    try:
        parts = read_planned(primary).parts
    except ConstructError as error:
        fault = FieldFault("/primary", error.faults[0].reason)
        raise BadInput("The construct is not valid.", faults=[fault]) from error
    for place, part in enumerate(parts):
        template = templates.get(part.template)
        if template is None:
            known = ", ".join(templates) or "none yet"
            reason = f"there is no construct '{part.template}'; known are {known}"
        elif template.part != ("add_on" if place else "base"):
            reason = "write a base first, then its add-ons"
        else:
            continue
        fault = FieldFault("/primary", reason)
        raise BadInput("There are no guidance rules for this construct.", faults=[fault])
