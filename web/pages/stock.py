"""Stock: what lies where."""

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from service.core.items import ITEM_KINDS
from service.operations import stock
from service.operations.schemas.base import OptionalText
from web.render import page, work_of

__all__ = ["router"]

router = APIRouter()

_PAGE = 200


@router.get("/stock")
def show_stock(  # noqa: PLR0917 - FastAPI fills the parameters by name
    request: Request,
    kind: Annotated[OptionalText, Query()] = "",
    system: Annotated[OptionalText, Query()] = "",
    store: Annotated[OptionalText, Query()] = "",
    ref: Annotated[OptionalText, Query()] = "",
    after: Annotated[OptionalText, Query()] = "",
) -> Response:
    """Show lots on shelves, filtered, some at a time."""
    work = work_of(request)
    asked = {"kind": kind, "system": system, "store": store, "ref": ref}
    given = {name: value for name, value in asked.items() if value}
    found = work.read(lambda unit: stock.list_stock(unit, **given, after=after, limit=_PAGE))
    known = work.read(stock.stock_words)
    coming = work.read(stock.list_deliveries)
    return page(
        request,
        "stock.html",
        found=found,
        asked=asked,
        kinds=sorted(ITEM_KINDS),
        known=known,
        deliveries=coming.deliveries,
    )
