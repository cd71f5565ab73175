"""From plans to the readiness problem: factors, needs, constructs, stock and sets as plain data.

What is only expected counts with a probability. A delivery is an arrival; so is a set that has to
come back for a case: as a thing of its own that the case takes beside the set.

The roles of all constructs of a case that hang on one dimension share one factor: when the neck
is long, every construct wants its longer screw. Counts that are a distribution (how many wires)
are factors too, and so is a dropped or wrong pack, which asks for a second one.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, tzinfo
from itertools import product
from typing import Any

from service.core.catalogue import IMPLANT_KINDS, INSTRUMENT_SET_KINDS
from service.core.constructs.planned import PlannedConstruct
from service.core.constructs.roles import Catalogue, PartSizing, RoleItems, role_items
from service.core.constructs.templates import Role, Template
from service.core.cover.results import Expectation
from service.core.cover.units import StockUnits, gone_on
from service.core.readiness.problem import MAX_NAME_CHARACTERS, MAX_QUANTITY
from service.core.sizing import SizedRole, SizeOutcome, joint_outcomes
from service.core.sizing.figures import DELIVERY_IN_TIME, SET_IN_TIME, SUPPLY_FIGURES
from service.core.sizing.film import Dimension

#: The setting that says how often a pack is dropped or the wrong one opened.
DROPPED = "dropped_pack_probability"


@dataclass(frozen=True, slots=True)
class CasePlan:
    """A case with its plan, as far as readiness asks.

    Parameters
    ----------
    starts, ends
        Aware moments.
    needs
        Name, probability and constructs (as written in ``constructs``), best first.
    expected
        For each construct what has to happen before it is covered; empty when nothing is known.
    """

    case: str
    starts: datetime
    ends: datetime
    side: str
    constructs: tuple[PlannedConstruct, ...]
    needs: tuple[tuple[str, float, tuple[str, ...]], ...]
    dimensions: Mapping[str, Dimension]
    expected: tuple[tuple[Expectation, ...], ...] = ()

    def expected_for(self, place: int) -> tuple[Expectation, ...]:
        """Return what has to happen before one of the constructs is covered."""
        return self.expected[place] if place < len(self.expected) else ()


@dataclass(frozen=True, slots=True)
class _RoleDemand:
    """One role of one part of one construct: what it hangs on and what serves it."""

    construct: int
    part: str
    role: Role
    items: RoleItems
    setting: PartSizing

    def sized(self, role: str, field: str) -> str:
        """Name one sized column of this role, or of another of its part, among all of the case."""
        return f"{self.part} {role} {field}"


@dataclass(frozen=True, slots=True)
class _FactorOutcomes:
    """A factor with what each outcome means: sizes by name, or a count."""

    name: str
    probabilities: tuple[float, ...]
    sizes: tuple[Mapping[str, float | None], ...] = ()
    counts: tuple[int, ...] = ()


def problem_of(
    plans: Sequence[CasePlan],
    *,
    templates: Mapping[str, Template],
    catalogue: Catalogue,
    values: Mapping[str, float],
    parcels: Iterable[StockUnits],
    turnarounds: Mapping[str, int],
    zone: tzinfo,
) -> dict[str, object]:
    """Write the readiness problem of cases that run in order of start.

    Parameters
    ----------
    plans
        The cases; ties in start go by reference.
    parcels
        Everything there is and what is counted on of what is on its way; what is blocked is left
        out.
    turnarounds
        Minutes an instrument set is away after a case, by catalogue reference.
    zone
        The site's zone, in which a use-by date ends.

    Returns
    -------
    dict
        The problem in the form that ``POST /api/v1/readiness`` takes.

    Notes
    -----
    What comes in one delivery comes together or not at all. A set that is away, and nobody can say
    until when, does not count.
    Assumption: factors are independent of each other and between cases, and so are arrivals.

    Examples
    --------
    >>> problem_of([], templates={}, catalogue=Catalogue([]), values={}, parcels=[],
    ...            turnarounds={}, zone=UTC)
    {'stock': [], 'sets': [], 'cases': [], 'arrivals': []}
    """
    ordered = sorted(plans, key=lambda plan: (plan.starts, plan.case))
    asks = [_role_demands(plan, templates, catalogue, values) for plan in ordered]
    stock = [parcel for parcel in parcels if not parcel.blocked]
    classes = ItemClasses(
        (
            tuple(item.ref for item in items)
            for one in asks
            for ask in one
            for items in ask.items.groups()
        ),
        stock,
    )
    cases = [_case(plan, one, values, classes) for plan, one in zip(ordered, asks, strict=True)]
    waits = Counter(name for plan in ordered for name in waiting_items([plan]))
    stock_written = stock_lines(stock, turnarounds, classes, zone)
    sets = set_lines(
        stock, turnarounds, classes, zone, {plan.case: plan.starts for plan in ordered}
    )
    return {
        "stock": [
            *stock_written,
            *(
                {"item": name, "quantity": quantity, "with": name}
                for name, quantity in sorted(waits.items())
            ),
        ],
        "sets": sets,
        "cases": cases,
        "arrivals": [
            *_deliveries(
                (*stock_written, *(one for each in sets for one in each["coming"])), values
            ),
            *(
                {"arrival": name, "probability": _figure(SET_IN_TIME, values)}
                for name in sorted(waits)
            ),
        ],
    }


def waiting_items(plans: Iterable[CasePlan]) -> dict[str, str]:
    """Name what stands in a problem for sets that have to come back, and the set of each.

    Parameters
    ----------
    plans
        The cases, with what they expect.

    Returns
    -------
    dict of str to str
        The reference of the set, by the name of the item that a case takes when it is back.

    Examples
    --------
    >>> noon = datetime(2031, 3, 4, 12, tzinfo=UTC)
    >>> back = Expectation("SET", "SET-1", noon, noon, "K1")
    >>> plan = CasePlan("K2", noon, noon, "left", (), (), {}, ((back,),))
    >>> waiting_items([plan])
    {'SET SET-1 back after K1 by 2031-03-04T12:00:00+00:00': 'SET'}
    """
    found = (one for plan in plans for expected in plan.expected for one in expected)
    return {_waiting_item(one): one.ref for one in found}


def _waiting_item(one: Expectation) -> str:
    """Name a set that is back; cases that wait for the same copy wait for the same thing."""
    moment = one.due.astimezone(UTC).isoformat()
    return f"{one.ref} {one.name} back after {one.after} by {moment}"[:MAX_NAME_CHARACTERS]


def _figure(key: str, values: Mapping[str, float]) -> float:
    return values.get(key, SUPPLY_FIGURES[key].value)


def _deliveries(
    lines: Iterable[Mapping[str, object]], values: Mapping[str, float]
) -> list[dict[str, object]]:
    names = sorted({str(line["with"]) for line in lines if "with" in line})
    chance = _figure(DELIVERY_IN_TIME, values)
    return [{"arrival": name, "probability": chance} for name in names]


def _role_demands(
    plan: CasePlan,
    templates: Mapping[str, Template],
    catalogue: Catalogue,
    values: Mapping[str, float],
) -> list[_RoleDemand]:
    found = []
    for place, construct in enumerate(plan.constructs):
        for number, part in enumerate(construct.parts):
            roles = {role.role: role for role in templates[part.template].roles}
            setting = PartSizing(part, roles, plan.side, catalogue, plan.dimensions, values)
            name = f"{place} {number}"
            found += [
                _RoleDemand(place, name, role, role_items(role, setting), setting)
                for role in roles.values()
            ]
    return found


class ItemClasses:
    """Names of items for sets of references.

    Parameters
    ----------
    groups
        Every set of references that serves some role in some size.
    parcels
        Stock, to tell which reference of a mixed group has the most.

    Examples
    --------
    >>> classes = ItemClasses([("A", "B"), ("C",), ("C", "D")], [StockUnits("p", "D", 3)])
    >>> classes.name(("A", "B")), classes.name(("C", "D")), classes.class_of("B")
    ('A|B', 'D', 'A|B')
    """

    def __init__(self, groups: Iterable[tuple[str, ...]], parcels: Iterable[StockUnits]) -> None:
        sets = {tuple(sorted(set(group))) for group in groups if group}
        amounts: dict[str, int] = {}
        for parcel in parcels:
            amounts[parcel.ref] = amounts.get(parcel.ref, 0) + parcel.quantity
        uses: dict[str, int] = {}
        for group in sets:
            for ref in group:
                uses[ref] = uses.get(ref, 0) + 1
        self._names: dict[tuple[str, ...], str] = {}
        self._classes: dict[str, str] = {}
        for group in sorted(sets):
            alone = all(uses[ref] == 1 for ref in group)
            if alone:
                self._names[group] = _joined(group)
                self._classes |= dict.fromkeys(group, self._names[group])
            else:
                self._names[group] = max(group, key=lambda ref: (amounts.get(ref, 0), ref))
                self._classes |= {ref: ref for ref in group}

    def name(self, refs: tuple[str, ...]) -> str:
        """Return the item that stands for references which serve together."""
        return self._names[tuple(sorted(set(refs)))]

    def class_of(self, ref: str) -> str | None:
        """Return the item a reference counts towards, or ``None`` when nobody asks for it."""
        return self._classes.get(ref)


def _case(
    plan: CasePlan, asks: Sequence[_RoleDemand], values: Mapping[str, float], classes: ItemClasses
) -> dict[str, object]:
    by_dimension = _dimension_factors(plan, asks)
    counts = {
        factor.name: factor for ask in asks if (factor := _count_factor(ask, values)) is not None
    }
    factors = [*by_dimension.values(), *counts.values()]
    constructs = []
    for place, construct in enumerate(plan.constructs):
        own = _each_set_once(ask for ask in asks if ask.construct == place)
        takes = [_take(ask, by_dimension, values, classes) for ask in own]
        back = {_waiting_item(one): 1 for one in plan.expected_for(place)}
        takes += [{"factors": [], "items": [back]}] if back else []
        constructs.append({"construct": str(construct), "takes": takes})
    return {
        "case": plan.case,
        "starts": plan.starts.astimezone(UTC).isoformat(),
        "ends": plan.ends.astimezone(UTC).isoformat(),
        "factors": [
            {"name": factor.name, "probabilities": list(factor.probabilities)} for factor in factors
        ],
        "needs": [
            {"need": name, "probability": probability, "constructs": list(constructs_of)}
            for name, probability, constructs_of in plan.needs
        ],
        "constructs": constructs,
    }


def _each_set_once(asks: Iterable[_RoleDemand]) -> list[_RoleDemand]:
    """Leave out an instrument set that another part of the construct brings already."""
    kept: list[_RoleDemand] = []
    places: dict[tuple[str, ...], int] = {}
    for ask in asks:
        if not INSTRUMENT_SET_KINDS.issuperset(ask.role.kinds):
            kept.append(ask)
            continue
        refs = tuple(sorted(item.ref for items in ask.items.groups() for item in items))
        known = places.setdefault(refs, len(kept))
        if known == len(kept):
            kept.append(ask)
        elif ask.role.largest_quantity > kept[known].role.largest_quantity:
            # The parts use it one after the other, so the most that one of them uses is enough.
            kept[known] = ask
    return kept


def _dimension_factors(plan: CasePlan, asks: Sequence[_RoleDemand]) -> dict[str, _FactorOutcomes]:
    sized: dict[str, list[SizedRole]] = {}
    for ask in asks:
        for size in ask.role.sizes:
            sized.setdefault(ask.setting.length_of(size), []).append(
                ask.items.sized_role(size, ask.setting, ask.sized)
            )
    return {
        key: _size_factor(key, joint_outcomes(plan.dimensions[key].estimate, roles))
        for key, roles in sorted(sized.items())
    }


def _size_factor(key: str, outcomes: Sequence[SizeOutcome]) -> _FactorOutcomes:
    return _FactorOutcomes(
        key,
        tuple(outcome.probability for outcome in outcomes),
        sizes=tuple(outcome.sizes for outcome in outcomes),
    )


def _count_factor(ask: _RoleDemand, values: Mapping[str, float]) -> _FactorOutcomes | None:
    """Return the factor of how many a role takes, or ``None`` when it is always the same."""
    likely = [(number, share) for number, share in ask.role.quantity if share > 0]
    if len(likely) > 1:
        # Constructs that ask for the same in the same way need the same number on the table.
        shares = " ".join(f"{number}:{share:g}" for number, share in likely)
        name = f"how many: {ask.role.role} ({shares})"
        return _FactorOutcomes(
            name, tuple(share for _, share in likely), counts=tuple(number for number, _ in likely)
        )
    dropped = values.get(DROPPED, 0.0)
    if dropped > 0 and ask.role.sizes and IMPLANT_KINDS.issuperset(ask.role.kinds):
        number = likely[0][0]
        return _FactorOutcomes(
            f"dropped: {ask.role.role}", (1 - dropped, dropped), counts=(number, number + 1)
        )
    return None


def _take(
    ask: _RoleDemand,
    by_dimension: Mapping[str, _FactorOutcomes],
    values: Mapping[str, float],
    classes: ItemClasses,
) -> dict[str, object]:
    keys = sorted({ask.setting.length_of(size) for size in ask.role.sizes})
    factors = [by_dimension[key] for key in keys]
    count = _count_factor(ask, values)
    if count is not None:
        # Its own numbers: another role may share the factor and take more or fewer.
        factors.append(count)
    entries = [
        _entry(ask, dict(zip(keys, cells, strict=False)), cells, factors, classes)
        for cells in product(*(range(len(factor.probabilities)) for factor in factors))
    ]
    return {"factors": [factor.name for factor in factors], "items": entries}


def _entry(
    ask: _RoleDemand,
    places: Mapping[str, int],
    cells: tuple[int, ...],
    factors: Sequence[_FactorOutcomes],
    classes: ItemClasses,
) -> dict[str, int] | None:
    """Return what one outcome takes, or ``None`` when its size is not made."""
    sizes: dict[str, float | None] = {}
    for size in ask.role.sizes:
        key = ask.setting.length_of(size)
        outcome = next(factor for factor in factors if factor.name == key).sizes[places[key]]
        sizes[size.field] = outcome[ask.sized(ask.role.role, size.field)]
    counted = [
        factor.counts[cell] for factor, cell in zip(factors, cells, strict=True) if factor.counts
    ]
    number = counted[0] if counted else ask.role.usual_quantity
    if not number:
        return {}
    serving = ask.items.serving(sizes)
    if not serving or None in sizes.values():
        return None
    return {classes.name(tuple(item.ref for item in serving)): number}


def stock_lines(
    parcels: Iterable[StockUnits],
    turnarounds: Mapping[str, int],
    classes: ItemClasses,
    zone: tzinfo,
) -> list[dict[str, object]]:
    """Write parcels as dated stock, alike ones together.

    Parameters
    ----------
    parcels
        What may be counted.
    turnarounds
        Minutes of each instrument set, by reference: sets are no stock.
    classes
        Which references stand for each other.
    zone
        The site's zone, in which a use-by date ends.

    Returns
    -------
    list of dict
        ``item``, ``quantity`` and, where they bound it, ``from`` and ``until``; ``with`` names
        the delivery. No more of an item is written than a problem may have: cases cannot use up
        so many.

    Examples
    --------
    >>> from datetime import date
    >>> classes = ItemClasses([("A",)], [])
    >>> stock_lines([StockUnits("p", "A", 2, use_by=date(2031, 3, 8))], {}, classes, UTC)
    [{'item': 'A', 'quantity': 2, 'until': '2031-03-09T00:00:00+00:00'}]
    """
    amounts: dict[tuple[str, str | None, str | None, str | None], int] = {}
    for parcel in parcels:
        name = classes.class_of(parcel.ref)
        if name is None or parcel.ref in turnarounds or parcel.quantity <= 0:
            continue
        key = (name, *_window(parcel, zone))
        amounts[key] = amounts.get(key, 0) + parcel.quantity
    return [
        {"item": name, "quantity": min(quantity, MAX_QUANTITY)} | _dated(*window)
        for (name, *window), quantity in sorted(amounts.items(), key=lambda pair: str(pair[0]))
    ]


def _window(
    parcel: StockUnits, zone: tzinfo, since: datetime | None = None
) -> tuple[str | None, str | None, str | None]:
    """Say from when and until when a parcel counts, and which delivery it comes with."""
    since = since or parcel.usable_from or (parcel.back_at if parcel.sent_from else None)
    # Of what another site has sent a lot may come with more than one transfer.
    delivery = parcel.key if parcel.sent_from else parcel.lot or parcel.key
    return (
        None if since is None else since.astimezone(UTC).isoformat(),
        _until(parcel, zone),
        None if parcel.is_here else delivery[:MAX_NAME_CHARACTERS],
    )


def _dated(since: str | None, until: str | None, delivery: str | None) -> dict[str, object]:
    told = {"from": since, "until": until, "with": delivery}
    return {key: value for key, value in told.items() if value is not None}


def _until(parcel: StockUnits, zone: tzinfo) -> str | None:
    """Say when a parcel stops counting, as the midnight at the site that ends its last day."""
    day = gone_on(parcel.use_by, parcel.return_by)
    if day is None:
        return None
    return datetime.combine(day, time(), tzinfo=zone).astimezone(UTC).isoformat()


def set_lines(
    parcels: Iterable[StockUnits],
    turnarounds: Mapping[str, int],
    classes: ItemClasses,
    zone: tzinfo,
    starts: Mapping[str, datetime],
) -> list[dict[str, Any]]:
    """Write the copies of instrument sets, with the longest turnaround of each.

    Parameters
    ----------
    parcels
        What may be counted.
    turnarounds
        Minutes a set is away after a case, by reference.
    classes
        Which references stand for each other.
    zone
        The site's zone, in which a use-by date ends.
    starts
        When each case starts, by reference: a copy on the tray of one counts for it.

    Returns
    -------
    list of dict
        ``item``, ``quantity``, ``turnaround_minutes`` and ``coming``: copies that are away until
        they can be back, on their way, or go back one day.

    Examples
    --------
    >>> from datetime import date
    >>> written = set_lines(
    ...     [StockUnits("p", "S", 1), StockUnits("q", "S", 1, return_by=date(2031, 3, 4))],
    ...     {"S": 240}, ItemClasses([("S",)], []), UTC, {})
    >>> written[0]["quantity"], written[0]["coming"]
    (1, [{'quantity': 1, 'until': '2031-03-04T00:00:00+00:00'}])
    """
    copies: Counter[str] = Counter()
    coming: dict[str, list[dict[str, object]]] = {}
    away: dict[str, int] = {}
    for parcel in parcels:
        name = classes.class_of(parcel.ref)
        if name is None or parcel.ref not in turnarounds or parcel.quantity <= 0:
            continue
        case = parcel.away_with
        own = starts.get(case) if parcel.is_on_tray_of(case) else None
        moments = [moment for moment in (parcel.back_at, own) if moment is not None]
        if case and not moments:
            continue
        window = _dated(*_window(parcel, zone, min(moments, default=None)))
        away[name] = max(away.get(name, 0), turnarounds[parcel.ref])
        coming.setdefault(name, [])
        if window:
            coming[name].append({"quantity": parcel.quantity} | window)
        else:
            copies[name] += parcel.quantity
    return [
        {
            "item": name,
            "quantity": copies[name],
            "turnaround_minutes": away[name],
            "coming": sorted(coming[name], key=str),
        }
        for name in sorted(away)
    ]


#: Ends a name that has no room for all its references.
_MORE = "|…"


def _joined(group: tuple[str, ...]) -> str:
    """Name a group after its references, as many as a name has room for; no two groups share one.

    Groups that are named like this have no reference in common, so the first tells them apart.
    """
    whole = "|".join(group)
    if len(whole) <= MAX_NAME_CHARACTERS:
        return whole
    name = group[0]
    for ref in group[1:]:
        if len(name) + 1 + len(ref) + len(_MORE) > MAX_NAME_CHARACTERS:
            break
        name = f"{name}|{ref}"
    return name + _MORE
