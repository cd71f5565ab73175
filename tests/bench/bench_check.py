"""A list day's check while the store grows twentyfold; ``python -m tests.bench.bench_check``.

Ten planned cases on one day, 5,000 items. The check reads the lots its cases can use, not all.
"""

import sys

from service.operations.cover.check import check_day
from tests.bench.bench_availability import milliseconds
from tests.bench.bench_holds import databases
from tests.bench.filled import add_items, fill_stock
from tests.conftest import opened
from tests.small_theatre import BACKUP, FIRST_DAY, PRIMARY, Theatre, furnish

ITEMS = 5_000


LOTS = (10_000, 200_000)


def main(kinds: list[str]) -> None:
    """Print the check's time in a small and a large store, and the ratio."""
    with databases() as makers:
        for kind in kinds or list(makers):
            first = 0.0
            for lots in LOTS:
                with opened(makers[kind]()) as work:
                    work.prepare()
                    furnish(work)
                    add_items(work, ITEMS)
                    fill_stock(work, lots=lots, items=ITEMS, lines=lots)
                    theatre = Theatre(work)
                    for number in range(10):
                        theatre.add_case(f"K{number}", hour=8 + number)
                        theatre.plan(f"K{number}", PRIMARY, BACKUP)
                    took = milliseconds(work, lambda unit: check_day(unit, FIRST_DAY), 10)
                first = first or took
                sys.stdout.write(
                    f"{kind:11} {lots:8,} lots: check of ten cases {took:.0f} ms "
                    f"({took / first:.2f})\n"
                )


if __name__ == "__main__":
    main(sys.argv[1:])
