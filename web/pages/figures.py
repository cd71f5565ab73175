"""The sizing assumptions, each with its source, and the description of the API."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Query, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import FieldFault, ServiceError
from service.operations import sizing
from service.operations.people.permissions import KEEP_FIGURES, READ, requires
from service.schemas.base import OptionalText
from service.schemas.faults import faults_of
from service.schemas.planning import SizingDefaultBody, SizingDefaultOut
from web.forms import Filled, version_of
from web.labels import FIGURE_GROUPS
from web.render import page, work_of

router = APIRouter()


@router.get("/figures")
@requires(READ)
def show_figures(request: Request, done: Annotated[OptionalText, Query()] = "") -> Response:
    """Show every figure with its source."""
    return _show(request, (), None, {}, done)


@router.post("/figures/{key}")
@requires(KEEP_FIGURES)
def set_figure(request: Request, key: str, values: Filled) -> Response:
    """Set one figure, with where it comes from."""
    try:
        body = SizingDefaultBody.model_validate(
            {name: values.get(name, "") for name in ("value", "source", "note")}
        )
        version = version_of(values)
        work_of(request).write(lambda unit: sizing.set_default(unit, key, body, version))
    except ValidationError as error:
        return _show(request, faults_of(error.errors()), key, values)
    except ServiceError as error:
        return _show(request, [*error.faults] or [FieldFault("", error.detail)], key, values)
    return RedirectResponse(f"/figures?done={quote(key)}", status_code=303)


@dataclass(frozen=True, slots=True)
class FigureGroup:
    """Figures that serve the same."""

    key: str
    heading: str
    figures: list[SizingDefaultOut]

    @property
    def keys(self) -> set[str]:
        """The names of its figures."""
        return {one.key for one in self.figures}


def groups_of(figures: Sequence[SizingDefaultOut]) -> list[FigureGroup]:
    """Return the figures by what they serve; those that nobody has named stand last."""
    by_key = {one.key: one for one in figures}
    groups = [
        FigureGroup(f"group-{place}", heading, [by_key.pop(key) for key in names if key in by_key])
        for place, (heading, names) in enumerate(FIGURE_GROUPS.items())
    ]
    groups.append(FigureGroup("group-other", "Other", list(by_key.values())))
    return [group for group in groups if group.figures]


def _show(
    request: Request,
    faults: Sequence[FieldFault],
    key: str | None,
    typed: Mapping[str, str],
    done: str = "",
) -> Response:
    defaults = work_of(request).read(sizing.list_defaults).defaults
    return page(
        request,
        "figures.html",
        status=422 if faults else 200,
        groups=groups_of(defaults),
        done=done if any(one.key == done for one in defaults) else "",
        faults=faults,
        key=key,
        typed=typed,
    )


@router.get("/docs")
@requires(READ)
def show_docs(request: Request) -> Response:
    """Show every operation with what it is for and what it may answer."""
    described = request.app.openapi()
    operations = [
        {
            "path": path,
            "method": method.upper(),
            "summary": facts.get("description") or facts.get("summary", ""),
            "tag": (facts.get("tags") or ["other"])[0],
            "answers": ", ".join(sorted(facts.get("responses", {}))),
        }
        for path, methods in described["paths"].items()
        for method, facts in methods.items()
    ]
    tags = sorted({one["tag"] for one in operations})
    return page(request, "docs.html", operations=operations, tags=tags)
