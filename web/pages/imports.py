"""Bring files: catalogue, stock take, usage history, lists, deliveries."""

from collections.abc import Sequence

from fastapi import APIRouter, Request
from starlette.datastructures import UploadFile
from starlette.responses import Response

from service.errors import FieldFault, ServiceError
from service.operations.imports import FORMATS, import_file
from service.operations.schemas.imports import ImportOut
from web.forms import FileForm
from web.render import page, work_of

__all__ = ["router"]

router = APIRouter()


@router.get("/import")
def show_import(request: Request) -> Response:
    """Show the form for a file."""
    return _show(request, "")


@router.post("/import")
def take_file(request: Request, form: FileForm) -> Response:
    """Import the file a form carries."""
    upload, kind = form.get("file"), str(form.get("format", ""))
    faults: list[FieldFault] = []
    said, done, good_rows = "", None, form.get("take_good_rows") == "yes"
    if kind not in FORMATS or not isinstance(upload, UploadFile) or not upload.filename:
        said = "Choose what the file holds, and the file. Nothing was saved."
    else:
        data, name = upload.file.read(), upload.filename
        try:
            done = work_of(request).write(
                lambda unit: import_file(unit, kind, data, name, take_good_rows=good_rows)
            )
        except ServiceError as error:
            said, faults = error.detail, list(error.faults)
    return _show(request, kind, good_rows=good_rows, done=done, faults=faults, said=said)


def _show(
    request: Request,
    chosen: str,
    *,
    good_rows: bool = False,
    done: ImportOut | None = None,
    faults: Sequence[FieldFault] = (),
    said: str = "",
) -> Response:
    return page(
        request,
        "import.html",
        status=422 if said else 200,
        formats=list(FORMATS),
        chosen=chosen,
        good_rows=good_rows,
        done=done,
        faults=faults,
        said=said,
        limit_mb=work_of(request).settings.upload_limit_bytes // 1_000_000,
    )
