"""How many more units of an item would close every gap of it: the check itself is asked."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo

from service.core.case_checks import CaseCheck, CaseToCheck, LineCheck
from service.core.cover import check_cases
from service.core.lines import Line
from service.core.units import Claim, StockUnits

__all__ = ["CheckInput", "closing_quantity", "gaps_of"]

_MORE = "more"


@dataclass(frozen=True, slots=True)
class CheckInput:
    """What cases are checked from together; see ``check_cases``."""

    cases: tuple[CaseToCheck, ...]
    parcels: tuple[StockUnits, ...]
    turnarounds: Mapping[str, int]
    zone: tzinfo
    holds: tuple[Claim, ...] = ()

    def check(self) -> tuple[CaseCheck, ...]:
        """Check the cases against what there is."""
        return check_cases(self.cases, self.parcels, self.turnarounds, self.zone, self.holds)

    def about(self, refs: Collection[str]) -> "CheckInput":
        """Leave out every line and parcel that has nothing to do with some references.

        Lines belong together when they share a reference, also through a third one; the answer for
        them is then the same as in the whole.
        """
        kin = self._kin(refs)
        cases = (_narrowed(case, kin) for case in self.cases)
        parcels = tuple(one for one in self.parcels if one.ref in kin)
        keys = {one.key for one in parcels}
        return replace(
            self,
            cases=tuple(case for case in cases if _lines(case)),
            parcels=parcels,
            holds=tuple(claim for claim in self.holds if claim.key in keys),
        )

    def _kin(self, refs: Collection[str]) -> frozenset[str]:
        groups = {frozenset(line.refs) for case in self.cases for line in _lines(case)}
        kin, grew = set(refs), True
        while grew:
            joined = {ref for group in groups if not kin.isdisjoint(group) for ref in group}
            grew = not joined <= kin
            kin |= joined
        return frozenset(kin)


def _lines(case: CaseToCheck) -> list[Line]:
    return [*case.near, *(line for one in case.constructs for line in one.lines)]


def _narrowed(case: CaseToCheck, kin: frozenset[str]) -> CaseToCheck:
    def kept(lines: Iterable[Line]) -> tuple[Line, ...]:
        return tuple(line for line in lines if not kin.isdisjoint(line.refs))

    constructs = tuple(replace(one, lines=kept(one.lines)) for one in case.constructs)
    return replace(case, constructs=constructs, near=kept(case.near))


def gaps_of(checks: Iterable[CaseCheck], refs: tuple[str, ...]) -> list[LineCheck]:
    """Give the lines these references would serve for which something is missing."""
    return [
        line
        for check in checks
        for lines in (*(one.lines for one in check.constructs), check.near)
        for line in lines
        if line.gap is not None and line.line.refs == refs
    ]


def closing_quantity(given: CheckInput, refs: tuple[str, ...], cases: Collection[str]) -> int:
    """Give the fewest more units that close every gap of an item for some cases.

    Parameters
    ----------
    given
        What the cases were checked from.
    refs
        References that would serve alike; at least one. The units are taken to be of the first,
        always there, in date and free.
    cases
        The cases whose gaps are to be closed, by reference.

    Returns
    -------
    int
        0 when there is none. Nothing is counted twice, because the check does not: constructs of a
        case share a unit, and a backup goes back unopened and serves the next day as well.

    Notes
    -----
    Source: brute force; units are added one by one until the check is content.

    Examples
    --------
    >>> from datetime import UTC
    >>> closing_quantity(CheckInput((), (), {}, UTC), ("A",), ())
    0
    """
    small = given.about(refs)

    def gaps(more: int) -> Sequence[LineCheck]:
        parcels = (*small.parcels, StockUnits(_MORE, refs[0], more))
        checks = replace(small, parcels=parcels).check()
        return gaps_of((one for one in checks if one.case.case in cases), refs)

    # A case may take a unit that came in instead of sharing one, so that what was missing at first
    # bounds nothing; with a unit for everything asked no line can lack one.
    most = sum(line.quantity for case in small.cases for line in _lines(case))
    return next((more for more in range(most) if not gaps(more)), most)
