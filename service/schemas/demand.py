"""Demand as it is answered: what was used, how often that makes it, and what it rests on."""

from datetime import date

from service.schemas.base import Out


class RateOut(Out):
    """A rate with the interval that holds in 95 of 100 cases."""

    mean: float
    lower: float
    upper: float


class ShareOut(Out):
    """Part of the uses of a family of sizes, from 0 to 1, smoothed over its neighbours."""

    of: str
    share: float
    lower: float
    upper: float


class Watched(Out):
    """Days on which uses were written down."""

    source: str
    first: date
    last: date
    days: int


class CaseKindRate(Out):
    """One kind of case, told by the nails, plates and wires it used."""

    kind: str
    cases: int
    per_year: RateOut | None
    share: float


class ItemDemand(Out):
    """One item: what was used of it, and how many a year that makes.

    ``exposure_days`` are the days on which it was there to be used; on ``taken_as_there_days`` of
    them nobody wrote down whether it was.
    ``per_year`` leans on the family as far as the item's own days are few; none where nothing at
    all is known.
    """

    ref: str
    description: str
    kind: str
    system: str | None
    family: str
    used: int
    wasted: int
    exposure_days: int
    taken_as_there_days: int
    days_without: int
    per_year: RateOut | None
    share: ShareOut | None
    notes: list[str]


class DemandOut(Out):
    """The demand of a site, with everything it rests on."""

    watched: list[Watched]
    cases: int
    cases_per_year: RateOut | None
    case_kinds: list[CaseKindRate]
    counted_once: int
    items: list[ItemDemand]
    notes: list[str]
