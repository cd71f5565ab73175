"""Catalogue lines over HTTP."""

from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Path, Query, Request, Response

from service.api.access import GuardedRoute
from service.api.http import Actor, After, Limit, OnceDep, Version, WorkDep, etag
from service.operations import catalogue
from service.operations.people.permissions import KEEP_STOCK, READ, requires
from service.operations.planning import item_edits
from service.schemas.base import Name, OptionalText, Ref
from service.schemas.catalogue import ItemBody, ItemOut, ItemPage

router = APIRouter(prefix="/items", tags=["catalogue"], route_class=GuardedRoute)


Acknowledge = Annotated[
    str,
    Query(
        max_length=64,
        description=("Confirmation code from the refusal that listed the cases affected"),
    ),
]


RefInPath = Annotated[Ref, Path(description="The REF of the item")]


def link_to_next(request: Request, response: Response, after: str | None) -> None:
    """Say in a Link header where the next page begins (RFC 8288)."""
    if after is not None:
        query = urlencode({**request.query_params, "after": after})
        response.headers["Link"] = f'<{request.url.path}?{query}>; rel="next"'


@router.get("")
@requires(READ)
def list_items(  # noqa: PLR0917 - FastAPI fills the parameters by name
    work: WorkDep,
    request: Request,
    response: Response,
    kind: Annotated[Name | None, Query()] = None,
    system: Annotated[Name | None, Query()] = None,
    text: Annotated[OptionalText, Query(description="Part of REF or description")] = "",
    after: After = "",
    limit: Limit = 100,
) -> ItemPage:
    """Return catalogue lines in order of REF."""
    page = work.read(
        lambda unit: catalogue.list_items(
            unit, kind=kind, system=system, text=text, after=after, limit=limit
        )
    )
    link_to_next(request, response, page.next_after)
    return page


@router.post("", status_code=201)
@requires(KEEP_STOCK)
def add_item(once: OnceDep, body: ItemBody, response: Response) -> ItemOut:
    """Add a catalogue line."""
    item = once.write(lambda unit: catalogue.add_item(unit, body), body, ItemOut)
    response.headers["ETag"] = etag(item.version)
    return item


@router.get("/{ref:path}")
@requires(READ)
def get_item(work: WorkDep, ref: RefInPath, response: Response) -> ItemOut:
    """Return one catalogue line."""
    item = work.read(lambda unit: catalogue.get_item(unit, ref))
    response.headers["ETag"] = etag(item.version)
    return item


@router.put("/{ref:path}")
@requires(KEEP_STOCK)
def change_item(  # noqa: PLR0917 - FastAPI fills the parameters by name
    work: WorkDep,
    actor: Actor,
    ref: RefInPath,
    body: ItemBody,
    version: Version,
    response: Response,
    acknowledge: Acknowledge = "",
) -> ItemOut:
    """Change a catalogue line you have read.

    Where cases or units rest on it, the answer is 409 with what does, until you send back what it
    gives as ``acknowledge``: then the change is made, and those cases are checked again.
    """
    item = work.write(
        lambda unit: item_edits.edit_item(unit, ref, body, version, acknowledge), actor
    )
    response.headers["ETag"] = etag(item.version)
    return item
