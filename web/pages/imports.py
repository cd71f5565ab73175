"""Bring files: catalogue, stock take, usage history, lists, deliveries."""

from fastapi import APIRouter, Request
from starlette.datastructures import UploadFile
from starlette.responses import Response

from service.errors import FieldFault, ServiceError
from service.operations.imports import FORMATS, import_file
from web.forms import FileForm
from web.render import page, work_of

__all__ = ["router"]

router = APIRouter()


@router.get("/import")
def show_import(request: Request) -> Response:
    """Show the form for a file."""
    return page(request, "import.html", formats=list(FORMATS), done=None, faults=(), said="")


@router.post("/import")
def take_file(request: Request, form: FileForm) -> Response:
    """Import the file a form carries."""
    upload, kind = form.get("file"), str(form.get("format", ""))
    faults: list[FieldFault] = []
    said, done = "", None
    if kind not in FORMATS or not isinstance(upload, UploadFile) or not upload.filename:
        said = "Choose what the file holds, and the file. Nothing was saved."
    else:
        data, name = upload.file.read(), upload.filename
        good_rows = form.get("take_good_rows") == "yes"
        try:
            done = work_of(request).write(
                lambda unit: import_file(unit, kind, data, name, take_good_rows=good_rows)
            )
        except ServiceError as error:
            said, faults = error.detail, list(error.faults)
    return page(
        request,
        "import.html",
        status=422 if said else 200,
        formats=list(FORMATS),
        done=done,
        faults=faults,
        said=said,
    )
