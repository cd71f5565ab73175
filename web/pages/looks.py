"""The page of components: what every other page is put together from, shown to administrators."""

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.errors import FieldFault
from service.operations.people.permissions import KEEP_FIGURES, requires
from web.render import page

router = APIRouter()


@router.get("/looks")
@requires(KEEP_FIGURES)
def show_looks(request: Request) -> Response:
    """Show each component once, with invented words in it."""
    wrong = [FieldFault("/quantity", "Write a whole number from 1 to 1000, such as 2.")]
    return page(request, "looks.html", wrong=wrong)
