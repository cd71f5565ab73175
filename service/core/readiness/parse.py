"""Read a readiness problem from plain JSON values."""

import math
from collections.abc import Mapping, Sequence
from typing import cast, get_args

from service.core.readiness import problem as limits
from service.core.readiness.cross_checks import (
    note_case_times,
    note_mixed_clocks,
    note_shared_names,
)
from service.core.readiness.problem import (
    Case,
    Construct,
    Demand,
    Factor,
    InstrumentSet,
    Method,
    Need,
    Parcel,
    Problem,
    Take,
)
from service.core.readiness.reading import Moment, Node, note_duplicates

_MICROSECONDS_PER_MINUTE = 60_000_000


def problem_from(data: Mapping[str, object]) -> Problem:
    """Read a readiness problem.

    Parameters
    ----------
    data : Mapping
        The problem as parsed JSON: `stock` and `cases`, optionally `sets`, `samples`, `seed`,
        `method` and `gains`. Unknown members are refused.

    Returns
    -------
    Problem
        The same as frozen values, probabilities scaled to sum to one exactly.

    Raises
    ------
    ProblemError
        With a JSON pointer and a sentence for each fault found (the first fifty).

    Examples
    --------
    >>> case = {"case": "K1", "needs": [{"need": "n", "probability": 1, "constructs": ["c"]}],
    ...         "constructs": [{"construct": "c", "takes": [{"factors": [], "items": [{"x": 1}]}]}]}
    >>> problem_from({"stock": [{"item": "x", "quantity": 1}], "cases": [case]}).cases[0].name
    'K1'
    """
    node = Node(data, "", [])
    members = node.members(("stock", "cases"), ("sets", "samples", "seed", "method", "gains"))
    if members is None:
        node.finish()
        raise AssertionError("a problem without members has faults")
    clock: list[tuple[Node, Moment]] = []
    stock = read_stock(members["stock"], clock)
    sets = read_sets(members["sets"]) if "sets" in members else ()
    cases = _cases(members["cases"], clock)
    note_mixed_clocks(clock)
    note_shared_names(members, stock, sets)
    _note_missing_times(members["cases"], stock, sets, cases)
    found = Problem(
        stock,
        sets,
        cases,
        samples=_whole(members, "samples", limits.MIN_SAMPLES, limits.MAX_SAMPLES),
        seed=_whole(members, "seed", 0, limits.MAX_SEED),
        method=_method(members),
        gains=_whole(members, "gains", 0, limits.MAX_GAINS),
    )
    node.finish()
    return found


def read_stock(node: Node, clock: list[tuple[Node, Moment]]) -> tuple[Parcel, ...]:
    """Read an array of parcels, noting faults on the node and times on the clock.

    Examples
    --------
    >>> read_stock(Node([{"item": "x", "quantity": 2}], "/stock", []), [])
    (Parcel(item='x', quantity=2, from_us=None, until_us=None),)
    """
    parcels = []
    for entry in node.array(limits.MAX_PARCELS):
        members = entry.members(("item", "quantity"), ("from", "until"))
        if members is None:
            continue
        begin, end = (_time(members, key, clock) for key in ("from", "until"))
        quantity = members["quantity"].whole(0, limits.MAX_QUANTITY)
        parcels.append(Parcel(members["item"].text(), quantity, begin, end))
    return tuple(parcels)


def read_sets(node: Node) -> tuple[InstrumentSet, ...]:
    """Read an array of instrument sets, noting faults on the node.

    Examples
    --------
    >>> data = [{"item": "s", "quantity": 1, "turnaround_minutes": 1.5}]
    >>> read_sets(Node(data, "/sets", []))
    (InstrumentSet(item='s', quantity=1, turnaround_us=90000000),)
    """
    sets, names = [], []
    for entry in node.array(limits.MAX_SETS):
        members = entry.members(("item", "quantity", "turnaround_minutes"))
        if members is None:
            continue
        names.append(members["item"])
        minutes = members["turnaround_minutes"].number(0, limits.MAX_TURNAROUND_MINUTES)
        quantity = members["quantity"].whole(0, limits.MAX_QUANTITY)
        turnaround_us = round(minutes * _MICROSECONDS_PER_MINUTE)
        sets.append(InstrumentSet(members["item"].text(), quantity, turnaround_us))
    note_duplicates(names)
    return tuple(sets)


def read_case(node: Node, clock: list[tuple[Node, Moment]]) -> Case | None:
    """Read one case, noting faults on the node and times on the clock.

    Returns
    -------
    Case or None
        None where members are missing; the faults then say which.

    Examples
    --------
    >>> faults: list[tuple[str, str]] = []
    >>> read_case(Node({"case": "K1", "needs": []}, "/case", faults), []) is None
    True
    >>> faults
    [('/case/constructs', 'This member is missing.')]
    """
    members = node.members(("case", "needs", "constructs"), ("starts", "ends", "factors"))
    if members is None:
        return None
    factors = _factors(members["factors"]) if "factors" in members else ()
    constructs = _constructs(members["constructs"], factors)
    needs = _needs(members["needs"], constructs)
    starts_us, ends_us = (_time(members, key, clock) for key in ("starts", "ends"))
    if starts_us is not None and ends_us is not None and ends_us < starts_us:
        members["ends"].fail("The case ends before it starts.")
    return Case(members["case"].text(), starts_us, ends_us, factors, needs, constructs)


def _cases(node: Node, clock: list[tuple[Node, Moment]]) -> tuple[Case, ...]:
    nodes = node.array(limits.MAX_CASES)
    if node.value == []:
        node.fail("There are no cases.")
    objects = [(n, n.value) for n in nodes if isinstance(n.value, Mapping)]
    note_duplicates([n.child("case", value.get("case")) for n, value in objects])
    read = [read_case(entry, clock) for entry in nodes]
    return tuple(case for case in read if case is not None)


def _factors(node: Node) -> tuple[Factor, ...]:
    factors, names = [], []
    for entry in node.array(limits.MAX_FACTORS):
        members = entry.members(("name", "probabilities"))
        if members is None:
            continue
        names.append(members["name"])
        chances = members["probabilities"].array(limits.MAX_OUTCOMES)
        values = _distribution(members["probabilities"], [n.number(0, 1) for n in chances])
        factors.append(Factor(members["name"].text(), values))
    note_duplicates(names)
    return tuple(factors)


def _distribution(node: Node, values: list[float]) -> tuple[float, ...]:
    total = math.fsum(values)
    if abs(total - 1) > limits.PROBABILITY_TOLERANCE:
        node.fail(f"These probabilities sum to {total:.12g}, not to 1.")
        return tuple(values)
    return tuple(value / total for value in values)


def _constructs(node: Node, factors: tuple[Factor, ...]) -> tuple[Construct, ...]:
    constructs, names = [], []
    for entry in node.array(limits.MAX_CONSTRUCTS):
        members = entry.members(("construct", "takes"))
        if members is None:
            continue
        names.append(members["construct"])
        read = [_take(n, factors) for n in members["takes"].array(limits.MAX_TAKES)]
        takes = tuple(take for take in read if take is not None)
        constructs.append(Construct(members["construct"].text(), takes))
    note_duplicates(names)
    _note_linked_outcomes(node, [take for c in constructs for take in c.takes], factors)
    return tuple(constructs)


def _take(node: Node, factors: tuple[Factor, ...]) -> Take | None:
    members = node.members(("items",), ("factors",))
    if members is None:
        return None
    names = members["factors"].array(limits.MAX_FACTORS) if "factors" in members else []
    note_duplicates(names)
    used = _references(names, [factor.name for factor in factors], "factor")
    entries = members["items"].array(limits.MAX_ENTRIES)
    expected = math.prod(len(factors[index].probabilities) for index in used)
    if len(used) == len(names) and len(entries) != expected:
        members["items"].fail(f"There are {len(entries)} entries; the factors need {expected}.")
    return Take(used, tuple(_demand(entry) for entry in entries))


def _references(nodes: list[Node], names: list[str], noun: str) -> tuple[int, ...]:
    found = []
    for node in nodes:
        name = node.text()
        if name in names:
            found.append(names.index(name))
        elif name:
            node.fail(f"There is no {noun} named {name!r} in this case.")
    return tuple(found)


def _demand(node: Node) -> Demand | None:
    if node.value is None:
        return None
    quantities = {name: n.whole(0, limits.MAX_QUANTITY) for name, n in node.entries().items()}
    return tuple(sorted((item, quantity) for item, quantity in quantities.items() if quantity))


def _needs(node: Node, constructs: tuple[Construct, ...]) -> tuple[Need, ...]:
    needs, names = [], []
    known = [construct.name for construct in constructs]
    for entry in node.array(limits.MAX_NEEDS):
        members = entry.members(("need", "probability", "constructs"))
        if members is None:
            continue
        names.append(members["need"])
        listed = members["constructs"].array(limits.MAX_CONSTRUCTS)
        note_duplicates(listed)
        chosen = _references(listed, known, "construct")
        chance = members["probability"].number(0, 1)
        needs.append(Need(members["need"].text(), chance, chosen))
    note_duplicates(names)
    scaled = _distribution(node, [need.probability for need in needs])
    return tuple(
        Need(need.name, chance, need.constructs) for need, chance in zip(needs, scaled, strict=True)
    )


def _note_linked_outcomes(node: Node, takes: list[Take], factors: tuple[Factor, ...]) -> None:
    groups: list[set[int]] = []
    for take in takes:
        joined = set(take.factors).union(*(g for g in groups if g & set(take.factors)))
        groups = [g for g in groups if not g & joined] + [joined]
    for group in groups:
        size = math.prod(len(factors[index].probabilities) for index in group)
        if size > limits.MAX_LINKED_OUTCOMES:
            node.fail(
                f"Takes that share factors have {size} outcomes together; "
                f"at most {limits.MAX_LINKED_OUTCOMES} are taken."
            )


def _time(members: dict[str, Node], key: str, clock: list[tuple[Node, Moment]]) -> int | None:
    if key not in members:
        return None
    moment = members[key].moment()
    if moment is None:
        return None
    clock.append((members[key], moment))
    return moment.us


def _note_missing_times(
    node: Node,
    stock: tuple[Parcel, ...],
    sets: tuple[InstrumentSet, ...],
    cases: tuple[Case, ...],
) -> None:
    if isinstance(node.value, Sequence) and len(node.value) == len(cases):
        for index, case in enumerate(cases):
            note_case_times(node.child(index, None), stock, sets, case)


def _whole(members: dict[str, Node], key: str, least: int, most: int) -> int:
    defaults = {
        "samples": limits.DEFAULT_SAMPLES,
        "seed": limits.DEFAULT_SEED,
        "gains": limits.DEFAULT_GAINS,
    }
    return members[key].whole(least, most) if key in members else defaults[key]


def _method(members: dict[str, Node]) -> Method:
    if "method" not in members:
        return "auto"
    value = members["method"].value
    if value not in get_args(Method):
        members["method"].fail("The method is auto, exact or simulated.")
        return "auto"
    return cast(Method, value)
