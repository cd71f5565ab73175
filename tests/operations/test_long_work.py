"""Long work: whose it is, how it ends, and what is said when it does not."""

import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta

import pytest

from service.errors import BadInput, NotFound, ServiceError, Unavailable
from service.operations.imports import import_file, is_long
from service.operations.long_work import KEPT, MOST_WAITING, Job, JobQueue, Report
from service.operations.work import Work
from tests.operations.trays.packs import SEED

ANNA, BERT = 1, 2


class _Clock:
    def __init__(self) -> None:
        self.now = datetime(2031, 3, 3, 7, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def clock() -> _Clock:
    return _Clock()


@pytest.fixture
def worker(clock: _Clock) -> Iterator[JobQueue]:
    made = JobQueue(clock)
    yield made
    made.close()


def _ended(worker: JobQueue, job: Job) -> Job:
    """Wait, at most ten seconds, until a job has ended."""
    waiting = threading.Event()
    for _ in range(1000):
        found = worker.look(job.token, job.owner)
        if found.is_over:
            return found
        waiting.wait(0.01)
    raise AssertionError("the job did not end")


def _start(worker: JobQueue, work: Callable[[Report], object], owner: int = ANNA) -> Job:
    return worker.start(owner, "a test", "/import", work)


def test_what_came_of_it_is_told_to_who_asked_and_to_nobody_else(worker: JobQueue) -> None:
    job = _ended(worker, _start(worker, lambda _report: 42))
    assert (job.state, job.result) == ("done", 42)
    with pytest.raises(NotFound):
        worker.look(job.token, BERT)
    with pytest.raises(NotFound):
        worker.look("no such token", ANNA)


def test_it_says_how_far_it_is_while_it_runs(worker: JobQueue) -> None:
    told, go_on = threading.Event(), threading.Event()

    def work(report: Report) -> None:
        report("comparing", 30, 70)
        told.set()
        go_on.wait(10)

    job = _start(worker, work)
    assert told.wait(10)
    seen = worker.look(job.token, ANNA)
    assert (seen.state, seen.progress.stage) == ("running", "comparing")
    assert (seen.progress.done, seen.progress.total) == (30, 70)
    go_on.set()
    assert _ended(worker, job).state == "done"


def test_a_refusal_keeps_its_sentence_and_a_crash_is_said_to_be_one(
    worker: JobQueue, caplog: pytest.LogCaptureFixture
) -> None:
    def refuses(_report: Report) -> None:
        raise BadInput("Row 3 is wrong.")

    def crashes(_report: Report) -> None:
        raise ZeroDivisionError

    refused = _ended(worker, _start(worker, refuses))
    assert refused.error is not None
    assert (refused.state, refused.error.detail) == ("failed", "Row 3 is wrong.")
    crashed = _ended(worker, _start(worker, crashes))
    assert isinstance(crashed.error, ServiceError)
    assert "went wrong" in crashed.error.detail
    assert "ZeroDivisionError" in caplog.text
    # The worker has survived both.
    assert _ended(worker, _start(worker, lambda _report: "next")).result == "next"


def test_after_an_hour_nothing_is_known_of_it(worker: JobQueue, clock: _Clock) -> None:
    job = _ended(worker, _start(worker, lambda _report: 1))
    clock.now += KEPT
    assert worker.look(job.token, ANNA).result == 1
    clock.now += timedelta(seconds=1)
    with pytest.raises(NotFound):
        worker.look(job.token, ANNA)


def test_too_much_at_once_is_refused_and_the_end_is_told_to_who_waits(worker: JobQueue) -> None:
    go_on = threading.Event()
    first = _start(worker, lambda _report: go_on.wait(10))
    waiting = [_start(worker, lambda _report: "begun") for _ in range(MOST_WAITING - 1)]
    with pytest.raises(Unavailable, match="Nothing was saved"):
        _start(worker, lambda _report: None)
    closing = threading.Thread(target=worker.close)
    closing.start()
    while worker.is_open:
        threading.Event().wait(0.005)
    go_on.set()
    closing.join(10)
    assert worker.look(first.token, ANNA).state == "done"
    for job in waiting:
        seen = worker.look(job.token, ANNA)
        assert seen.state == "failed"
        assert seen.error is not None
        assert "Nothing was saved" in seen.error.detail
    with pytest.raises(Unavailable, match="is stopping"):
        _start(worker, lambda _report: None)


def test_an_import_tells_every_stage_and_ends_each_at_its_last_row(work: Work) -> None:
    data = (SEED / "catalogue.csv").read_bytes()
    told: list[tuple[str, int, int]] = []
    work.write(
        lambda unit: import_file(
            unit,
            "catalogue",
            data,
            "catalogue.csv",
            take_good_rows=False,
            report=lambda *one: told.append(one),
        )
    )
    stages = list(dict.fromkeys(stage for stage, _, _ in told))
    assert stages == [
        "opening the file",
        "reading rows",
        "comparing with existing records",
        "writing changes",
    ]
    for stage in stages[1:3]:
        steps = [(done, total) for name, done, total in told if name == stage]
        assert steps[0] == (0, 599)  # lines of catalogue.csv
        assert steps[-1] == (599, 599)


@pytest.mark.parametrize(
    ("form", "rows", "long"),
    [("catalogue", 1_999, False), ("catalogue", 2_001, True), ("lists", 101, True)],
)
def test_a_long_file_is_told_by_its_lines(form: str, rows: int, long: bool) -> None:
    assert is_long(form, b"a,b\n" * rows, "file.csv") is long
