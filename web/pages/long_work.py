"""Work that takes long: how far it is, told live, and then the page that shows what came of it."""

from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from service.operations.long_work import Job, LongWork
from service.operations.rules import READ, requires
from web.render import page, work_of

__all__ = ["job_of", "long_work_of", "router"]

router = APIRouter()

#: Seconds until a browser without scripts asks again.
_ASKS_AGAIN = 2


def long_work_of(request: Request) -> LongWork:
    """Give the worker that create_app has made."""
    found = request.app.state.long_work
    if not isinstance(found, LongWork):
        message = "create_app puts the long work on the application's state"
        raise TypeError(message)
    return found


def job_of(request: Request, token: str) -> Job:
    """Give a job to the person who asked for it; for anybody else there is none."""
    return long_work_of(request).look(token, work_of(request).caller.person_id)


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
