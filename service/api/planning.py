"""Construct templates, sizing, guidance and imports over HTTP."""

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query, Response, UploadFile

from service.api.access import GuardedRoute
from service.api.catalogue import Acknowledge
from service.api.http import Actor, OnceDep, OptionalVersion, Version, WorkDep, etag
from service.operations import constructs, guidance, sizing
from service.operations.imports import import_file
from service.operations.people.permissions import KEEP_FIGURES, READ, SET_UP, requires
from service.schemas.base import FIGURE_KEY, Code
from service.schemas.constructs import ConstructFields, ConstructList, ConstructOut
from service.schemas.imports import ImportOut
from service.schemas.planning import (
    GuidanceAnswer,
    GuidanceRequest,
    SizingAnswer,
    SizingDefaultBody,
    SizingDefaultList,
    SizingDefaultOut,
    SizingRequest,
)

router = APIRouter(tags=["planning"], route_class=GuardedRoute)


CodeInPath = Annotated[Code, Path(description="The construct's code")]


KeyInPath = Annotated[str, Path(pattern=FIGURE_KEY)]


@router.get("/constructs")
@requires(READ)
def list_constructs(work: WorkDep) -> ConstructList:
    """Return every construct template with the systems it can be done in."""
    return work.read(constructs.list_constructs)


@router.get("/constructs/{code}")
@requires(READ)
def get_construct(work: WorkDep, code: CodeInPath, response: Response) -> ConstructOut:
    """Return one construct template."""
    found = work.read(lambda unit: constructs.get_construct(unit, code))
    response.headers["ETag"] = etag(found.version)
    return found


@router.put("/constructs/{code}")
@requires(KEEP_FIGURES)
def put_construct(  # noqa: PLR0917 - FastAPI fills the parameters by name
    work: WorkDep,
    actor: Actor,
    code: CodeInPath,
    body: ConstructFields,
    version: OptionalVersion,
    response: Response,
) -> ConstructOut:
    """Add a construct template, or change one you have read (then with If-Match)."""
    stored = work.write(lambda unit: constructs.put_construct(unit, code, body, version), actor)
    response.headers["ETag"] = etag(stored.version)
    return stored


@router.delete("/constructs/{code}", status_code=204)
@requires(KEEP_FIGURES)
def remove_construct(work: WorkDep, actor: Actor, code: CodeInPath, version: Version) -> None:
    """Remove a construct template no coming case is planned with."""
    work.write(lambda unit: constructs.remove_construct(unit, code, version), actor)


@router.post("/sizing")
@requires(READ)
def answer_sizing(work: WorkDep, body: SizingRequest) -> SizingAnswer:
    """Work out true size, sizes to bring and tip–apex distance; nothing is stored."""
    return work.read(lambda unit: sizing.answer_sizing(unit, body))


@router.get("/sizing_defaults")
@requires(READ)
def list_defaults(work: WorkDep) -> SizingDefaultList:
    """Return every figure the sizing assumes, with its source."""
    return work.read(sizing.list_defaults)


@router.put("/sizing_defaults/{key}")
@requires(KEEP_FIGURES)
def set_default(  # noqa: PLR0917 - FastAPI fills the parameters by name
    work: WorkDep,
    actor: Actor,
    key: KeyInPath,
    body: SizingDefaultBody,
    version: Version,
    response: Response,
) -> SizingDefaultOut:
    """Set a figure you have read, with where it comes from."""
    stored = work.write(lambda unit: sizing.set_default(unit, key, body, version), actor)
    response.headers["ETag"] = etag(stored.version)
    return stored


@router.post("/guidance")
@requires(READ)
def answer_guidance(work: WorkDep, body: GuidanceRequest) -> GuidanceAnswer:
    """Say what the rules suggest for these findings; nothing is stored."""
    return work.read(lambda unit: guidance.answer_guidance(unit, body))


@router.get("/guidance/rules")
@requires(READ)
def get_rules(work: WorkDep) -> dict[str, Any]:
    """Return the guidance rules in force as data."""
    return work.read(guidance.get_rules)


@router.put("/guidance/rules")
@requires(KEEP_FIGURES)
def put_rules(work: WorkDep, actor: Actor, body: dict[str, Any]) -> dict[str, Any]:
    """Put a new book of guidance rules in force; the former ones are kept."""
    work.write(lambda unit: guidance.load_guidance(unit, body), actor)
    return work.read(guidance.get_rules)


@router.post("/imports/{form}")
@requires(SET_UP)
def import_rows(
    once: OnceDep,
    form: Literal[
        "catalogue", "stock-take", "usage", "lists", "deliveries", "suppliers", "holidays"
    ],
    file: UploadFile,
    take_good_rows: Annotated[
        bool, Query(description="Import the valid rows and skip the rest")
    ] = False,
    acknowledge: Acknowledge = "",
) -> ImportOut:
    """Import a CSV or XLSX file; one faulty row changes nothing unless you ask.

    Where cases or units rest on a changed catalogue line, the answer is 409 with what does, until
    you send back what it gives as ``acknowledge``.
    """
    data = file.file.read()
    name = file.filename or ""
    return once.write(
        lambda unit: import_file(
            unit, form, data, name, take_good_rows=take_good_rows, acknowledged=acknowledge
        ),
        data,
        ImportOut,
    )
