"""The guides that come with the program: installing it for real, and how it is secured."""

from pathlib import Path

from fastapi import APIRouter, Request
from markdown_it import MarkdownIt
from starlette.responses import Response

from service.errors import NotFound
from service.operations.people.permissions import READ, requires
from web.render import page

router = APIRouter()

FOLDER = Path(__file__).parents[1] / "guides"
#: What may be read here, by the name in its address.
GUIDES = {
    "files": "Your own files",
    "installing": "Installing",
    "security": "Security",
    "api": "The API",
}

# The files are the program's own; markup in them is shown as text all the same.
_MARKDOWN = MarkdownIt("commonmark", {"html": False}).enable("table")


@router.get("/guides/{name}")
@requires(READ)
def show_guide(request: Request, name: str) -> Response:
    """Show a guide."""
    if name not in GUIDES:
        raise NotFound(f"There is no guide '{name}'; there are {' and '.join(GUIDES)}.")
    text = _MARKDOWN.render((FOLDER / f"{name}.md").read_text(encoding="utf-8"))
    return page(request, "guide.html", guide=name, guides=GUIDES, text=text)
