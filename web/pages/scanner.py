"""The scanner check: a code whose content is known, and what arrived of it."""

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.exchange.wedge import CHECK_CODE, Arrived, check_wedge
from service.operations.rules import READ, requires
from web.forms import Filled
from web.pictures.codes import label_code
from web.render import page

__all__ = ["router"]

router = APIRouter()

#: The longest text that is compared.
_MOST = 500


@router.get("/scanner")
@requires(READ)
def show_check(request: Request) -> Response:
    """Show the code to scan, and where it will be read."""
    return _page(request, "", None)


@router.post("/scanner")
@requires(READ)
def check(request: Request, values: Filled) -> Response:
    """Compare what arrived with what the code says; nothing is kept."""
    text = values.get("arrived", "")[:_MOST]
    arrived = Arrived(
        text,
        ended_by=values.get("ended_by", ""),
        caps_lock=values.get("caps_lock") == "yes",
        was_scanned=values.get("was_scanned") == "yes",
    )
    return _page(request, text, arrived)


def _page(request: Request, text: str, arrived: Arrived | None) -> Response:
    picture = label_code(
        CHECK_CODE.bracketed,
        "gs1-datamatrix",
        prefix="scanner",
        title="The code to scan",
    )
    found = None if arrived is None else check_wedge(arrived)
    return page(
        request, "scanner.html", picture=picture, code=CHECK_CODE, arrived=text, found=found
    )
