"""Import files: catalogue, stock take, usage history, lists, deliveries."""

from collections.abc import Sequence
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from starlette.datastructures import UploadFile
from starlette.responses import JSONResponse, RedirectResponse, Response

from service.errors import FieldFault, ServiceError
from service.operations.imports import FORMATS, import_file, is_long
from service.operations.long_work import Job, JobQueue, Report
from service.operations.people.permissions import READ, SET_UP, requires
from service.schemas.base import OptionalText
from service.schemas.imports import ImportOut
from web.forms import FileForm
from web.render import page, work_of

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
        return _show(request, kind, error=error, name=name)
    return _show(request, kind, done=ImportOut.model_validate(job.result), name=name)


@router.post("/import")
@requires(SET_UP)
def take_file(request: Request, form: FileForm) -> Response:
    """Import the file a form carries, at once or while its owner watches."""
    upload, kind = form.get("file"), str(form.get("format", ""))
    good_rows = form.get("take_good_rows") == "yes"
    acknowledged = str(form.get("acknowledge", ""))
    if kind not in FORMATS or not isinstance(upload, UploadFile) or not upload.filename:
        said = "Choose what the file holds, and the file. Nothing was saved."
        return _show(request, kind, good_rows=good_rows, said=said)
    data, name = upload.file.read(), upload.filename
    work = work_of(request)

    def run(report: Report) -> ImportOut:
        return work.write(
            lambda unit: import_file(
                unit,
                kind,
                data,
                name,
                take_good_rows=good_rows,
                acknowledged=acknowledged,
                report=report,
            )
        )

    if is_long(kind, data, name):
        title = f"Importing {name}"
        owner = work.caller.person_id
        job = job_queue_of(request).start(owner, title, "/import", run, form=kind, name=name)
        return RedirectResponse(f"/progress/{job.token}", status_code=303)
    try:
        done = run(lambda _stage, _done, _total: None)
    except ServiceError as error:
        return _show(request, kind, good_rows=good_rows, error=error, name=name)
    return _show(request, kind, good_rows=good_rows, done=done, name=name)


def _show(
    request: Request,
    chosen: str,
    *,
    good_rows: bool = False,
    done: ImportOut | None = None,
    error: ServiceError | None = None,
    said: str = "",
    name: str = "",
) -> Response:
    faults: Sequence[FieldFault] = () if error is None else error.faults
    left_out = (
        [(f"row {one.row}, column {one.column}", one.reason) for one in done.refused]
        if done is not None
        else []
    )
    listed = [(fault.pointer, fault.reason) for fault in faults] or left_out
    return page(
        request,
        "import.html",
        status=422 if said or error else 200,
        formats=list(FORMATS),
        chosen=chosen,
        good_rows=good_rows,
        done=done,
        said=said if error is None else error.detail,
        acknowledge="" if error is None else error.facts.get("acknowledge", ""),
        file_name=name,
        listed=listed[:_SHOWN],
        further=listed[_SHOWN:],
        limit_mb=work_of(request).settings.upload_limit_bytes // 1_000_000,
    )


#: Seconds until a browser without scripts asks again.
_ASKS_AGAIN = 2


def job_queue_of(request: Request) -> JobQueue:
    """Return the worker that create_app has made."""
    found = request.app.state.long_work
    if not isinstance(found, JobQueue):
        message = "create_app puts the long work on the application's state"
        raise TypeError(message)
    return found


def job_of(request: Request, token: str) -> Job:
    """Return a job to the person who asked for it; for anybody else there is none."""
    return job_queue_of(request).look(token, work_of(request).caller.person_id)


@router.get("/progress/{token}")
@requires(READ)
def show_work(request: Request, token: str) -> Response:
    """Show how far a job is; when it is over, lead to what came of it."""
    job = job_of(request, token)
    if job.is_over:
        return RedirectResponse(_result_at(job), status_code=303)
    return page(request, "long_work.html", job=job, asks_again=_ASKS_AGAIN)


@router.get("/progress/{token}/now")
@requires(READ)
def show_progress(request: Request, token: str) -> Response:
    """Tell a script how far a job is, and where to go when it is over."""
    job = job_of(request, token)
    told = {
        "state": job.state,
        "stage": job.progress.stage,
        "done": job.progress.done,
        "total": job.progress.total,
        "next": _result_at(job) if job.is_over else None,
    }
    return JSONResponse(told, headers={"Cache-Control": "no-store"})


def _result_at(job: Job) -> str:
    return f"{job.shown_at}?{urlencode({'work': job.token})}"
