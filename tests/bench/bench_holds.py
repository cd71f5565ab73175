"""Holds a second over HTTP, beside the same statements on a bare connection.

Run with ``python -m tests.bench.bench_holds``. Eight clients promise one unit each time, every
time another lot. Both sides commit with the same durability: SQLite with WAL and
``synchronous = FULL``. The machine's speed cancels out in the ratio.
"""

import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from pathlib import Path

import httpx
import psycopg
from sqlalchemy.engine import make_url

from tests.bench.filled import fill_holds
from tests.conftest import BEARER, PostgresServer
from tests.machine.live import API, serving
from tests.small_theatre import SHELF

CLIENTS = 8


SECONDS = 8


LOTS = 6_000


CASES = 300


#: What one hold asks of a database: case, item, place, lot, balance, holds, then the two writes.
READS = (
    "SELECT * FROM site ORDER BY id LIMIT 1",
    "SELECT * FROM surgical_case WHERE site_id = 1 AND reference = ?",
    "SELECT * FROM item WHERE ref = ?",
    "SELECT * FROM location WHERE site_id = 1 AND store = ? AND shelf = ?",
    "SELECT * FROM lot WHERE item_id = 1 AND lot_number = ? AND serial = '' AND ownership = ?",
    "SELECT quantity FROM balance WHERE lot_id = ? AND location_id = 1",
    "SELECT * FROM hold WHERE lot_id = ? AND location_id = 1 AND released_at IS NULL",
)


INSERT = (
    "INSERT INTO hold (case_id, lot_id, location_id, quantity, list_date, list_id, stays, is_set,"
    " from_at, until_at, role, made_at, actor, released_why)"
    " SELECT id, ?, 1, 1, '2031-03-04', list_id, ?, ?, starts_at, ends_at, 'by hand', starts_at,"
    " 'x', '' FROM surgical_case WHERE id = ?"
)


UPDATE = "UPDATE balance SET held = held + 1 WHERE lot_id = ? AND location_id = 1"


def bare(run: Callable[[str, tuple[object, ...]], object], commit: Callable[[], None]) -> float:
    """Give holds a second through plain statements, one connection."""
    start = time.perf_counter()
    done = 0
    while time.perf_counter() - start < SECONDS / 2 and done < LOTS:
        lot, case = done + 1, done % CASES
        given: tuple[tuple[object, ...], ...] = (
            (),
            (f"K{case}",),
            ("NAIL",),
            ("Store", "A"),
            (f"L{lot}", "owned"),
            (lot,),
            (lot,),
        )
        for statement, values in zip(READS, given, strict=True):
            run(statement, values)
        run(INSERT, (lot, True, False, case + 1))
        run(UPDATE, (lot,))
        commit()
        done += 1
    return done / (time.perf_counter() - start)


def bare_sqlite(file: Path) -> float:
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
            connection.execute(f"PRAGMA {pragma}")
        begun = False

        def run(statement: str, values: tuple[object, ...]) -> object:
            nonlocal begun
            if not begun:
                connection.execute("BEGIN IMMEDIATE")
                begun = True
            return connection.execute(statement, values).fetchall()

        def commit() -> None:
            nonlocal begun
            connection.execute("COMMIT")
            begun = False

        return bare(run, commit)


def bare_postgres(url: str) -> float:
    plain = make_url(url).set(drivername="postgresql").render_as_string(hide_password=False)
    with psycopg.connect(plain) as connection:

        def run(statement: str, values: tuple[object, ...]) -> object:
            cursor = connection.execute(statement.replace("?", "%s").encode(), values)
            return cursor.fetchall() if cursor.description else None

        return bare(run, connection.commit)


def over_http(url: str) -> tuple[float, float, float]:
    """Give holds a second over HTTP, and the median and 99th percentile in ms."""
    with serving(url) as server, ThreadPoolExecutor(CLIENTS) as pool:
        start = time.perf_counter()
        parts = pool.map(lambda number: one_client(server.base, number, start), range(CLIENTS))
        times = sorted(took for part in parts for took in part)
        whole = time.perf_counter() - start
    return len(times) / whole, 1000 * times[len(times) // 2], 1000 * times[len(times) * 99 // 100]


def one_client(base: str, number: int, start: float) -> list[float]:
    times = []
    with httpx.Client(base_url=base, headers=BEARER, timeout=60) as client:
        for lot in range(number + 1, LOTS + 1, CLIENTS):
            if time.perf_counter() - start > SECONDS:
                break
            facts = {"case": f"K{lot % CASES}", "ref": "NAIL", "lot": f"L{lot}", "at": SHELF}
            before = time.perf_counter()
            response = client.post(f"{API}/holds", json=facts)
            times.append(time.perf_counter() - before)
            if response.status_code != httpx.codes.CREATED:
                raise RuntimeError(response.text)
    return times


@contextmanager
def databases() -> Iterator[dict[str, Callable[[], str]]]:
    with tempfile.TemporaryDirectory() as folder:
        server = PostgresServer(Path(folder) / "postgres")
        numbers = iter(range(99))
        yield {
            "sqlite": lambda: f"sqlite:///{folder}/{next(numbers)}.db",
            "postgresql": lambda: server.url_of(server.create()),
        }
        server.stop()


def main() -> None:
    """Print both sides and their ratio, database by database."""
    with databases() as kinds:
        for kind, new in kinds.items():
            url = new()
            fill_holds(url, LOTS, CASES)
            plain = bare_postgres(url) if kind == "postgresql" else bare_sqlite(Path(url[10:]))
            url = new()
            fill_holds(url, LOTS, CASES)
            http, median, late = over_http(url)
            sys.stdout.write(
                f"{kind:11} bare {plain:6.0f}/s, HTTP {http:5.0f}/s, ratio {http / plain:.3f}; "
                f"p50 {median:.1f} ms, p99 {late:.1f} ms, p99/p50 {late / median:.1f}\n"
            )


if __name__ == "__main__":
    main()
