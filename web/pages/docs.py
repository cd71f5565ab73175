"""The API's operations on a page of our own, from the same description programs read."""

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.operations.rules import READ, requires
from web.render import page

__all__ = ["router"]

router = APIRouter()


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
