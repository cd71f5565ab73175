"""Readiness of a list day, words before numbers."""

from typing import Literal

from service.schemas.base import Out
from service.schemas.cover import CheckOut

#: How readiness is worked out; ``auto`` is exact as long as that is quick.
Method = Literal["simulated", "auto", "exact"]


class Probability(Out):
    """A probability and its standard error; 0 where it is exact."""

    value: float
    standard_error: float


class NeedReadiness(Out):
    """Probability that the case can be done if this need arises."""

    need: str
    readiness: float


class ConstructReadiness(Out):
    """Probability that a construct could be done from what is there, nothing taken before."""

    planned: str
    name: str
    says: str
    coverage: float


class CaseReadiness(Out):
    """Probability that a case can be completed, whatever it turns out to need.

    ``counting_on`` says in words what of it is only expected; empty when nothing is.
    """

    case: str
    readiness: Probability
    counting_on: str
    needs: list[NeedReadiness]
    constructs: list[ConstructReadiness]


class GainOut(Out):
    """What one more unit would add: expected further cases that can be done, and its error."""

    refs: list[str]
    description: str
    gain: float
    standard_error: float


class HelpOut(Out):
    """One more unit, and what it makes of a case's readiness."""

    refs: list[str]
    description: str
    readiness_from: float
    readiness_to: float


class WorstCase(Out):
    """The case of a day that is the least sure, and what would help it most.

    ``unit`` is the one more unit that raises its readiness most, where one does. ``unanswered``
    names the needs for which nothing is planned, likeliest first: no unit helps those.
    """

    case: str
    readiness: Probability
    unit: HelpOut | None
    unanswered: list[str]
    says: str


class SharedPack(Out):
    """A pack that several cases of a list count on."""

    label: str
    cases: list[str]
    says: str


class ListOrderOut(Out):
    """Set clashes of a theatre's list, and whether another order has fewer."""

    theatre: str
    clashes: list[str]
    outcome: str
    order: list[str]
    reason: str


class DayReadiness(Out):
    """A list day: the check in words, then the probabilities.

    ``until_here`` is the probability that every planned case from today to this day can be done.
    ``samples`` is how many times the days were played through where they were simulated.
    """

    check: CheckOut
    method: str | None
    samples: int | None
    until_here: Probability | None
    cases: list[CaseReadiness]
    worst: WorstCase | None
    gains: list[GainOut]
    shared: list[SharedPack]
    orders: list[ListOrderOut]
