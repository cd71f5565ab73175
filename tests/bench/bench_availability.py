"""What lies where, of 5,000 items, while the ledger grows a hundredfold.

Run with ``python -m tests.bench.bench_availability [sqlite|postgresql]``. Availability reads
balances, so its time must not follow the ledger's length; a sum over the ledger, beside it, does.
"""

import statistics
import sys
import time
from collections.abc import Callable

from service.operations.stock.movements import list_stock
from service.operations.work import Unit, Work
from service.storage.queries import stock
from tests.bench.bench_holds import databases
from tests.bench.filled import add_items, fill_stock
from tests.conftest import opened
from tests.small_theatre import furnish

ITEMS, LOTS = 5_000, 10_000


LINES = (10_000, 100_000, 1_000_000)


def milliseconds(work: Work, read: Callable[[Unit], object], times: int) -> float:
    """Give the median time of a reading."""
    work.read(read)
    took = []
    for _ in range(times):
        start = time.perf_counter()
        work.read(read)
        took.append(1000 * (time.perf_counter() - start))
    return statistics.median(took)


def every_page(unit: Unit) -> None:
    """Read the stock of every item, 500 rows at a time."""
    page = list_stock(unit, limit=500)
    while page.next_after is not None:
        page = list_stock(unit, after=page.next_after, limit=500)


def main(kinds: list[str]) -> None:
    """Print the times of each ledger and their ratio to the shortest ledger's."""
    with databases() as makers:
        for kind in kinds or list(makers):
            first: tuple[float, float, float] | None = None
            for lines in LINES:
                with opened(makers[kind]()) as work:
                    work.prepare()
                    furnish(work)
                    add_items(work, ITEMS)
                    fill_stock(work, lots=LOTS, items=ITEMS, lines=lines)
                    found = (
                        milliseconds(
                            work, lambda unit: list_stock(unit, ref="REF-77", limit=50), 200
                        ),
                        milliseconds(work, every_page, 5),
                        milliseconds(work, lambda unit: stock.ledger_sums(unit.session), 3),
                    )
                first = first or found
                ratios = [now / then for now, then in zip(found, first, strict=True)]
                sys.stdout.write(
                    f"{kind:11} {lines:9,} lines: one item {found[0]:.2f} ms ({ratios[0]:.2f}), "
                    f"all {ITEMS:,} items {found[1]:.0f} ms ({ratios[1]:.2f}), "
                    f"sum over the ledger {found[2]:.0f} ms ({ratios[2]:.1f})\n"
                )


if __name__ == "__main__":
    main(sys.argv[1:])
