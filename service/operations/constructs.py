"""Construct templates: look up, put in place, remove."""

from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from service.core.catalogue import ItemFacts
from service.core.constructs.templates import Template, systems_for, unsatisfied
from service.errors import BadInput, Conflict, FieldFault, NotFound
from service.operations.work import Unit, require_version
from service.schemas.constructs import (
    ConstructBody,
    ConstructFields,
    ConstructList,
    ConstructOut,
    template_of,
)
from service.schemas.faults import faults_of
from service.storage.queries import catalogue, reference
from service.storage.tables import ConstructTemplate


def all_templates(unit: Unit) -> dict[str, Template]:
    """Return every template as the planner sees it, by code."""
    return {
        row.code: template_of(ConstructBody.model_validate({**row.body, "code": row.code}))
        for row in reference.templates(unit.session)
    }


def list_constructs(unit: Unit) -> ConstructList:
    """Return every template with the systems it can be done in."""
    facts = catalogue.all_facts(unit.session)
    rows = reference.templates(unit.session)
    return ConstructList(constructs=[_out(row, facts) for row in rows])


def get_construct(unit: Unit, code: str) -> ConstructOut:
    """Return one template."""
    return _out(_require_template(unit, code), catalogue.all_facts(unit.session))


def put_construct(
    unit: Unit, code: str, fields: ConstructFields, version: int | None
) -> ConstructOut:
    """Add a template (no version) or change one that has not been changed since it was read."""
    facts = catalogue.all_facts(unit.session)
    body = ConstructBody(code=code, **fields.model_dump())
    _refuse_unfillable(body, facts)
    row = unit.session.get(ConstructTemplate, code)
    if row is None:
        if version is not None:
            raise NotFound(f"Construct {code} was not found.")
        row = ConstructTemplate(
            code=code, body=_stored(fields), changed_at=unit.now, actor=unit.actor
        )
        unit.session.add(row)
    else:
        require_version(row.version, version or 0, f"Construct {code}")
        row.body, row.version = _stored(fields), row.version + 1
        row.changed_at, row.actor = unit.now, unit.actor
    unit.session.flush()
    return _out(row, facts)


def remove_construct(unit: Unit, code: str, version: int) -> None:
    """Remove a template no current plan uses."""
    row = _require_template(unit, code)
    require_version(row.version, version, f"Construct {code}")
    users = reference.cases_planned_with(unit.session, unit.site_id, unit.today, code)
    if users:
        raise Conflict(
            f"Construct {code} is planned for {', '.join(users[:5])}. Change those plans first.",
            facts={"cases": users},
        )
    unit.session.delete(row)


def load_constructs(unit: Unit, data: Mapping[str, Any]) -> int:
    """Load templates from a file's content; all of them, or none.

    Raises
    ------
    BadInput
        Names the template and the field of every fault.
    """
    facts = catalogue.all_facts(unit.session)
    faults: list[FieldFault] = []
    count = 0
    for place, entry in enumerate(data.get("construct", [])):
        try:
            body = ConstructBody.model_validate(entry)
            _refuse_unfillable(body, facts)
        except ValidationError as error:
            faults += faults_of(error.errors(), f"/construct/{place}")
            continue
        except BadInput as error:
            faults += [
                FieldFault(f"/construct/{place}{fault.pointer}", fault.reason)
                for fault in error.faults
            ]
            continue
        count += _upsert(unit, body)
    if faults:
        raise BadInput("The construct file has errors; nothing was saved.", faults=faults)
    return count


def _upsert(unit: Unit, body: ConstructBody) -> int:
    row = unit.session.get(ConstructTemplate, body.code)
    stored = _stored(body)
    if row is None:
        unit.session.add(
            ConstructTemplate(code=body.code, body=stored, changed_at=unit.now, actor=unit.actor)
        )
        return 1
    if row.body == stored:
        return 0
    row.body, row.version = stored, row.version + 1
    row.changed_at, row.actor = unit.now, unit.actor
    return 1


def _stored(fields: ConstructFields) -> dict[str, Any]:
    return fields.model_dump(mode="json", exclude={"code"})


def _require_template(unit: Unit, code: str) -> ConstructTemplate:
    row = unit.session.get(ConstructTemplate, code)
    if row is None:
        raise NotFound(f"Construct {code} was not found.")
    return row


def _out(row: ConstructTemplate, facts: list[ItemFacts]) -> ConstructOut:
    body = ConstructBody.model_validate({**row.body, "code": row.code})
    return ConstructOut(
        **body.model_dump(),
        version=row.version,
        systems=list(systems_for(template_of(body), facts)),
    )


def _refuse_unfillable(body: ConstructBody, facts: list[ItemFacts]) -> None:
    faults = unsatisfied(template_of(body), facts)
    if faults:
        raise BadInput(
            f"The catalogue has no items for construct {body.code}; nothing was saved.",
            faults=[FieldFault(fault.field, fault.reason) for fault in faults],
        )
