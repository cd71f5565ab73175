"""The machine's own rules, chosen by plain chance."""

import random
from collections.abc import Callable

from tests.machine.ledger_machine import LOTS, LedgerMachine


def drive(machine: LedgerMachine, luck: random.Random, steps: int) -> None:
    """Take steps by plain chance and look at the books after each: no shrinking, no swarms."""
    lots, shelves, cases = LOTS, "AB", ["K1", "K2", "K3", "K4"]

    def number() -> int:
        return luck.randint(0, 60)

    def few_() -> int:
        return luck.choice([1, 1, 2, 3])

    deeds: list[Callable[[], None]] = [
        lambda: machine.receive(luck.choice(lots), few_(), luck.choice(shelves)),
        lambda: machine.move_to_the_other_shelf(number(), few_()),
        lambda: machine.count(number(), luck.randint(0, 4)),
        lambda: machine.write_off(number(), few_()),
        lambda: machine.quarantine(number(), few_()),
        lambda: machine.release(number(), few_(), luck.choice(shelves)),
        lambda: machine.correct(number()),
        lambda: machine.promise(luck.choice(cases), number(), few_(), luck.random() < 0.5),
        lambda: machine.pick(luck.choice(cases), number(), 1),
        lambda: machine.pick_what_may_be_picked(number()),
        lambda: machine.pick_what_may_be_picked(number()),
        lambda: machine.settle(number(), luck.choice(["implant", "waste", "return"]), 1),
        lambda: machine.settle(number(), luck.choice(["implant", "waste", "return"]), 1),
        lambda: machine.plan(luck.choice(cases), luck.random() < 0.8),
        lambda: machine.hold_anew(luck.choice(cases)),
        lambda: machine.change(
            luck.choice(cases),
            luck.randint(0, 2),
            luck.choice([9, 14]),
            luck.choice(["T1", "T2"]),
            stale=luck.random() < 0.2,
        ),
        lambda: machine.cancel(luck.choice(cases), luck.randint(0, 9)),
        lambda: machine.go_on(luck.choice(cases), luck.choice(["prepared", "in_theatre"])),
        lambda: machine.go_on(luck.choice(cases), luck.choice(["in_theatre", "closed"])),
        machine.send_the_last_request_again,
    ]
    machine.four_cases_on_three_lists()
    machine.some_stock(tuple(luck.randint(1, 3) for _ in lots))
    for case in cases:
        machine.plan(case, backup=True)
    for _ in range(steps):
        luck.choice(deeds)()
        machine.the_books_are_true()
        machine.the_database_is_the_dictionary()
        machine.the_service_finds_so_too()
