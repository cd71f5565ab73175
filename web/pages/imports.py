"""Bring files: catalogue, stock take, usage history, lists, deliveries."""

from collections.abc import Sequence
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.datastructures import UploadFile
from starlette.responses import RedirectResponse, Response

from service.errors import FieldFault, ServiceError
from service.operations.imports import FORMATS, import_file, is_long
from service.operations.long_work import Report
from service.operations.rules import SET_UP, requires
from service.operations.schemas.base import OptionalText
from service.operations.schemas.imports import ImportOut
from web.forms import FileForm
from web.pages.long_work import job_of, long_work_of
from web.render import page, work_of

__all__ = ["router"]

router = APIRouter()

#: Faults shown at once; the others are a tap away.
_SHOWN = 20


@router.get("/import")
@requires(SET_UP)
def show_import(request: Request, work: Annotated[OptionalText, Query()] = "") -> Response:
    """Show the form for a file, and what came of the one before when its page asks for it."""
    if not work:
        return _show(request, "")
    job = job_of(request, work)
    if not job.is_over:
        return RedirectResponse(f"/progress/{job.token}", status_code=303)
    kind, name = str(job.facts["form"]), str(job.facts["name"])
    if job.error is not None:
        error = job.error
        return _show(request, kind, faults=error.faults, said=error.detail, name=name)
    return _show(request, kind, done=ImportOut.model_validate(job.result), name=name)


@router.post("/import")
@requires(SET_UP)
def take_file(request: Request, form: FileForm) -> Response:
    """Import the file a form carries, at once or while its owner watches."""
    upload, kind = form.get("file"), str(form.get("format", ""))
    good_rows = form.get("take_good_rows") == "yes"
    if kind not in FORMATS or not isinstance(upload, UploadFile) or not upload.filename:
        said = "Choose what the file holds, and the file. Nothing was saved."
        return _show(request, kind, good_rows=good_rows, said=said)
    data, name = upload.file.read(), upload.filename
    work = work_of(request)

    def run(report: Report) -> ImportOut:
        return work.write(
            lambda unit: import_file(
                unit, kind, data, name, take_good_rows=good_rows, report=report
            )
        )

    if is_long(kind, data, name):
        title = f"Bringing {name}"
        owner = work.caller.person_id
        job = long_work_of(request).start(owner, title, "/import", run, form=kind, name=name)
        return RedirectResponse(f"/progress/{job.token}", status_code=303)
    try:
        done = run(lambda _stage, _done, _total: None)
    except ServiceError as error:
        return _show(
            request, kind, good_rows=good_rows, faults=error.faults, said=error.detail, name=name
        )
    return _show(request, kind, good_rows=good_rows, done=done, name=name)


def _show(
    request: Request,
    chosen: str,
    *,
    good_rows: bool = False,
    done: ImportOut | None = None,
    faults: Sequence[FieldFault] = (),
    said: str = "",
    name: str = "",
) -> Response:
    left_out = (
        [(f"row {one.row}, column {one.column}", one.reason) for one in done.refused]
        if done is not None
        else []
    )
    listed = [(fault.pointer, fault.reason) for fault in faults] or left_out
    return page(
        request,
        "import.html",
        status=422 if said else 200,
        formats=list(FORMATS),
        chosen=chosen,
        good_rows=good_rows,
        done=done,
        said=said,
        file_name=name,
        listed=listed[:_SHOWN],
        further=listed[_SHOWN:],
        limit_mb=work_of(request).settings.upload_limit_bytes // 1_000_000,
    )
