"""What is physically true: where each copy lies and in what state; nothing of the service is used.

Copies are things that can be held in a hand. The world is told what people have done, in the words
of the stories, and says whether a set of cases can be done with what lies usable there. It knows no
reservations, ledgers, balances or plans beyond what each case takes.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

#: What each planned construct takes: nails, caps and sets.
TAKES = {
    "a nail": {"nail": 1, "set": 1},
    "a cap": {"cap": 1},
    "two caps": {"nail": 1, "cap": 2, "set": 1},
}


@dataclass
class Copy:
    """One pack, or one copy of a set."""

    item: str
    lot: str
    serial: str = ""
    place: str = "shelf A"
    home: str = "shelf A"
    use_by: int = 999
    until: int = 999
    is_sterile: bool = True
    is_unfit: bool = False
    is_loan: bool = False

    @property
    def name(self) -> str:
        """Say which it is, in the words of the stories."""
        return f"set {self.serial}" if self.item == "set" else f"{self.item} lot {self.lot}"


@dataclass
class Case:
    """An operation that somebody has planned."""

    name: str
    day: int
    start: int
    end: int
    theatre: int
    first: str
    backup: str | None
    status: str = "planned"

    @property
    def is_to_come(self) -> bool:
        """Whether it has neither begun nor been called off."""
        return self.status in {"planned", "prepared"}


@dataclass
class World:
    """Everything that lies somewhere, everybody who is to be operated on, and the time."""

    copies: list[Copy] = field(default_factory=list)
    cases: dict[str, Case] = field(default_factory=dict)
    recalled: set[tuple[str, str]] = field(default_factory=set)
    minute: int = 7 * 60

    @property
    def today(self) -> int:
        """The day, counted from the first."""
        return self.minute // (24 * 60)

    def usable(self, copy: Copy, case: Case) -> bool:
        """Tell whether a copy may be used for a case as it lies there now."""
        return (
            copy.place in {"shelf A", "shelf B", case.name}
            and copy.is_sterile
            and not copy.is_unfit
            and copy.use_by >= case.day
            and copy.until > case.day
            and (copy.item, copy.lot) not in self.recalled
        )

    def can_be_done(self, cases: Iterable[Case], *, backup_of: Case | None = None) -> bool:
        """Tell whether all of some cases can be done, each with its first choice.

        Parameters
        ----------
        backup_of
            A case among them that must be able to turn to its backup, too: only one of its two
            constructs is done, so that what both take is taken once.
        """
        wants: list[tuple[Case, str]] = []
        for case in cases:
            takes = dict(TAKES[case.first])
            if case is backup_of and case.backup is not None:
                for item, number in TAKES[case.backup].items():
                    takes[item] = max(takes.get(item, 0), number)
            wants += [(case, item) for item, number in takes.items() for _ in range(number)]
        fits = [
            [
                place
                for place, copy in enumerate(self.copies)
                if copy.item == item and self.usable(copy, case)
            ]
            for case, item in wants
        ]
        return all_served(fits)


def all_served(fits: Sequence[Sequence[int]]) -> bool:
    """Tell whether every want can have a copy of its own.

    Source: augmenting paths for matchings in bipartite graphs, any textbook of algorithms.
    """
    taken: dict[int, int] = {}

    def serve(want: int, tried: set[int]) -> bool:
        for copy in fits[want]:
            if copy in tried:
                continue
            tried.add(copy)
            if copy not in taken or serve(taken[copy], tried):
                taken[copy] = want
                return True
        return False

    return all(serve(want, set()) for want in range(len(fits)))
