"""Guidance: what the findings ask to have ready. It suggests; the surgeon's choice is stored."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from service.core.fractures import FractureError, read_class
from service.core.guidance import Findings, Guidance, GuidanceError, rules_from, suggest
from service.errors import BadInput, FieldFault, NotFound
from service.operations.schemas.cases import FindingsBody
from service.operations.schemas.planning import GuidanceAnswer, GuidanceRequest, NeedOut
from service.operations.unit import Unit
from service.operations.words import CAUTION
from service.storage.queries import reference
from service.storage.tables import GuidanceBook

__all__ = ["answer_guidance", "get_rules", "load_guidance", "suggestions"]


def get_rules(unit: Unit) -> dict[str, Any]:
    """Give the guidance rules in force as data."""
    book = reference.guidance_book(unit.session)
    if book is None:
        raise NotFound("No guidance has been loaded yet.")
    return book.body


def load_guidance(unit: Unit, data: Mapping[str, Any]) -> int:
    """Put a new book of rules in force; the former ones are kept."""
    try:
        rules_from(data)
    except GuidanceError as error:
        fault = FieldFault(error.pointer, error.reason)
        raise BadInput("The guidance has a fault; nothing was saved.", faults=[fault]) from error
    book = reference.guidance_book(unit.session)
    if book is not None and book.body == dict(data):
        return 0
    unit.session.add(GuidanceBook(body=dict(data), made_at=unit.now, actor=unit.actor))
    return 1


def answer_guidance(unit: Unit, body: GuidanceRequest) -> GuidanceAnswer:
    """Answer what the rules suggest for these findings; nothing is stored."""
    told = suggestions(
        unit,
        primary=body.primary,
        fracture_class=body.fracture_class,
        class_year=body.class_year,
        findings=body.findings,
        calibrated=body.calibrated,
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
    calibrated: bool,
) -> Guidance:
    """Ask the rules in force about a case."""
    rules = rules_from(get_rules(unit))
    try:
        # A class without its year is refused like a class of a year there is none of.
        fracture = None if fracture_class is None else read_class(fracture_class, class_year or 0)
        known = findings.model_dump()
        asked = Findings(
            primary,
            fracture=fracture,
            lateral_wall_state=known.pop("lateral_wall"),
            calibrated=calibrated,
            **known,
        )
        return suggest(asked, rules)
    except (FractureError, GuidanceError) as error:
        fault = FieldFault(error.pointer, error.reason)
        raise BadInput("The findings cannot be read.", faults=[fault]) from error
