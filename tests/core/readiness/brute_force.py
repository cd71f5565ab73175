"""An independent answer to small readiness problems: every outcome of every case, one by one.

Written from the meaning of the problem alone, in plain Python on the JSON itself; it shares no
code with the planner.
"""

import itertools
import math
import random
from collections import defaultdict
from datetime import datetime, timedelta
from typing import Any

Json = dict[str, Any]


State = tuple[tuple[int, ...], tuple[tuple[str, int, datetime], ...]]


def _when(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def _outcomes(case: Json) -> list[tuple[float, dict[str, int]]]:
    factors = case.get("factors", [])
    found = []
    for picks in itertools.product(*(range(len(f["probabilities"])) for f in factors)):
        chance = math.prod(f["probabilities"][i] for f, i in zip(factors, picks, strict=True))
        found.append((chance, {f["name"]: i for f, i in zip(factors, picks, strict=True)}))
    return found


def _demand(case: Json, construct: str, outcome: dict[str, int]) -> dict[str, int] | None:
    sizes = {f["name"]: len(f["probabilities"]) for f in case.get("factors", [])}
    total: dict[str, int] = defaultdict(int)
    takes = next(c for c in case["constructs"] if c["construct"] == construct)["takes"]
    for take in takes:
        index = 0
        for name in take["factors"]:
            index = index * sizes[name] + outcome[name]
        entry = take["items"][index]
        if entry is None:
            return None
        for item, quantity in entry.items():
            total[item] += quantity
    return total


def _usable_parcels(problem: Json, case: Json) -> list[int]:
    starts = _when(case.get("starts"))
    found = []
    for index, parcel in enumerate(problem["stock"]):
        begin, end = _when(parcel.get("from")), _when(parcel.get("until"))
        if starts is not None and begin is not None and starts < begin:
            continue
        if starts is not None and end is not None and starts >= end:
            continue
        # First expired first; a tie goes to the parcel that became usable last.
        last = None if begin is None else -begin.timestamp()
        found.append(((end is None, end and end.timestamp(), begin is None, last), index))
    return [index for _, index in sorted(found)]


def _take(problem: Json, case: Json, state: State, demand: dict[str, int] | None) -> State | None:
    if demand is None:
        return None
    parcels, out = list(state[0]), list(state[1])
    sets = {each["item"]: each for each in problem.get("sets", [])}
    for item, quantity in demand.items():
        if item in sets:
            starts, ends = _when(case["starts"]), _when(case["ends"])
            assert starts is not None
            assert ends is not None
            away = sum(n for name, n, back in out if name == item and back > starts)
            come = sum(
                one["quantity"]
                for one in sets[item].get("coming", [])
                if ("from" not in one or datetime.fromisoformat(one["from"]) <= starts)
                and ("until" not in one or starts < datetime.fromisoformat(one["until"]))
            )
            if sets[item]["quantity"] + come - away < quantity:
                return None
            back = ends + timedelta(minutes=sets[item]["turnaround_minutes"])
            out.append((item, quantity, back))
            continue
        wanted = quantity
        for index in _usable_parcels(problem, case):
            if problem["stock"][index]["item"] == item:
                given = min(wanted, parcels[index])
                parcels[index] -= given
                wanted -= given
        if wanted:
            return None
    return tuple(parcels), tuple(sorted(out))


def answer(problem: Json) -> Json:
    """Return list readiness, and readiness, needs and coverage of every case."""
    untouched: State = (tuple(p["quantity"] for p in problem["stock"]), ())
    states: dict[tuple[State, bool], float] = {(untouched, True): 1.0}
    cases = []
    for case in problem["cases"]:
        following: dict[tuple[State, bool], float] = defaultdict(float)
        by_need: dict[str, float] = {need["need"]: 0.0 for need in case["needs"]}
        outcomes = _outcomes(case)
        for (state, every), weight in states.items():
            for chance, outcome in outcomes:
                for need in case["needs"]:
                    after = None
                    for construct in need["constructs"]:
                        after = _take(problem, case, state, _demand(case, construct, outcome))
                        if after is not None:
                            break
                    if after is not None:
                        by_need[need["need"]] += weight * chance
                    key = (after if after is not None else state, every and after is not None)
                    following[key] += weight * chance * need["probability"]
        coverage = {
            c["construct"]: math.fsum(
                chance
                for chance, outcome in outcomes
                if _take(problem, case, untouched, _demand(case, c["construct"], outcome))
            )
            for c in case["constructs"]
        }
        value = sum(n["probability"] * by_need[n["need"]] for n in case["needs"])
        cases.append({"readiness": value, "needs": by_need, "coverage": coverage})
        states = following
    everyone = sum(weight for (_, every), weight in states.items() if every)
    return {"list": everyone, "cases": cases}


def without(problem: Json, failed: set[str]) -> Json:
    """Return the problem when some arrivals have failed and all the others have come."""

    def left(lines: list[Json]) -> list[Json]:
        kept = [line for line in lines if line.get("with") not in failed]
        return [{key: line[key] for key in line if key != "with"} for line in kept]

    sets = [{**each, "coming": left(each.get("coming", []))} for each in problem.get("sets", [])]
    told = {key: problem[key] for key in problem if key != "arrivals"}
    return {**told, "stock": left(problem["stock"]), "sets": sets}


def mixture(problem: Json) -> Json:
    """Answer a problem with arrivals: every way in which they come or fail, weighed."""
    arrivals = {one["arrival"]: one["probability"] for one in problem.get("arrivals", [])}
    total: Json = {"list": 0.0, "cases": []}
    for comes in itertools.product((True, False), repeat=len(arrivals)):
        pairs = list(zip(arrivals.items(), comes, strict=True))
        weight = math.prod(chance if came else 1 - chance for (_, chance), came in pairs)
        found = answer(without(problem, {name for (name, _), came in pairs if not came}))
        total["list"] += weight * found["list"]
        total["cases"] = total["cases"] or [
            {"readiness": 0.0, "needs": dict.fromkeys(case["needs"], 0.0), "coverage": {}}
            for case in found["cases"]
        ]
        for mean, case in zip(total["cases"], found["cases"], strict=True):
            mean["readiness"] += weight * case["readiness"]
            for key in ("needs", "coverage"):
                for name, value in case[key].items():
                    mean[key][name] = mean[key].get(name, 0.0) + weight * value
    return total


def with_arrivals(seed: int) -> Json:
    """Return a small problem in which some of the stock and some sets are only expected."""
    problem, rng = random_problem(seed), random.Random(seed + 1)  # noqa: S311 - test data
    names = [f"a{n}" for n in range(rng.randint(1, 3))]
    starts = [case["starts"] for case in problem["cases"] if "starts" in case]
    for line in problem["stock"]:
        if rng.random() < 0.5:
            line["with"] = rng.choice(names)
    for each in problem["sets"]:
        each["coming"] = []
        for _ in range(rng.randint(0, 2)):
            coming: Json = {"quantity": rng.randint(0, 2)}
            if starts and rng.random() < 0.6:
                coming["from"] = rng.choice(starts)
            if starts and rng.random() < 0.3:
                coming["until"] = rng.choice(starts)
            if rng.random() < 0.7:
                coming["with"] = rng.choice(names)
            each["coming"].append(coming)
    problem["arrivals"] = [
        {"arrival": name, "probability": rng.choice([0.0, 0.25, 0.9, 1.0])} for name in names
    ]
    return problem


def expected_served(problem: Json) -> float:
    """Return the expected number of cases served."""
    return math.fsum(case["readiness"] for case in answer(problem)["cases"])


def with_one_more(problem: Json, item: str) -> Json:
    """Return the problem with one more undated unit, or one more copy of a set."""
    if any(each["item"] == item for each in problem.get("sets", [])):
        sets = [
            {**each, "quantity": each["quantity"] + (each["item"] == item)}
            for each in problem["sets"]
        ]
        return {**problem, "sets": sets}
    return {**problem, "stock": [*problem["stock"], {"item": item, "quantity": 1}]}


def items_of(problem: Json) -> set[str]:
    """Return every item that some construct takes."""
    return {
        item
        for case in problem["cases"]
        for construct in case["constructs"]
        for take in construct["takes"]
        for entry in take["items"]
        for item in entry or ()
    }


def _probabilities(rng: random.Random, count: int) -> list[float]:
    weights = [rng.choice([0, 1, 2, 3]) for _ in range(count - 1)] + [rng.randint(1, 3)]
    return [weight / sum(weights) for weight in weights]


def _random_case(rng: random.Random, name: str, goods: list[str], clock: Json) -> Json:
    factors = [
        {"name": f"f{n}", "probabilities": _probabilities(rng, rng.randint(1, 3))}
        for n in range(rng.choice([0, 1, 1, 2]))
    ]
    constructs = []
    for n in range(rng.randint(1, 3)):
        takes = []
        for _ in range(rng.randint(0, 2)):
            used = rng.sample(factors, rng.randint(0, len(factors)))
            size = math.prod(len(f["probabilities"]) for f in used)
            entries: list[dict[str, int] | None] = []
            for _ in range(size):
                picked = rng.sample(goods, rng.randint(0, min(2, len(goods))))
                entry = {item: rng.choice([1, 1, 1, 2]) for item in picked}
                entries.append(None if rng.random() < 0.12 else entry)
            takes.append({"factors": [f["name"] for f in used], "items": entries})
        constructs.append({"construct": f"c{n}", "takes": takes})
    names = [c["construct"] for c in constructs]
    chances = _probabilities(rng, rng.randint(1, 2))
    needs = []
    for n, chance in enumerate(chances):
        listed = rng.sample(names, rng.randint(1, len(names)))
        needs.append({"need": f"n{n}", "probability": chance, "constructs": listed})
    return {"case": name, **clock, "factors": factors, "needs": needs, "constructs": constructs}


def random_problem(seed: int) -> Json:
    """Return a small problem; some are dated, some use sets, some run backwards in time."""
    rng = random.Random(seed)  # noqa: S311 - test data
    timed = rng.random() < 0.6
    day = datetime(2031, 3, 3, 8)  # noqa: DTZ001 - local times without an offset are allowed
    hours = [rng.randint(0, 8) for _ in range(rng.randint(1, 4))]
    if rng.random() < 0.7:
        hours.sort()
    goods = [f"i{n}" for n in range(rng.randint(1, 4))]
    sets = []
    if timed and rng.random() < 0.6:
        for n in range(rng.randint(1, 2)):
            minutes = rng.choice([0, 60, 150, 240])
            quantity = rng.randint(0, 2)
            sets.append({"item": f"s{n}", "quantity": quantity, "turnaround_minutes": minutes})
    stock = []
    for item in goods:
        for _ in range(rng.choice([0, 1, 1, 2])):
            parcel: Json = {"item": item, "quantity": rng.choice([0, 1, 1, 2, 3])}
            if timed and rng.random() < 0.35:
                parcel["from"] = (day + timedelta(hours=rng.randint(-2, 6))).isoformat()
            if timed and rng.random() < 0.35:
                parcel["until"] = (day + timedelta(hours=rng.randint(0, 9))).isoformat()
            stock.append(parcel)
    rng.shuffle(stock)
    cases = []
    for number, hour in enumerate(hours):
        starts = day + timedelta(hours=hour)
        ends = starts + timedelta(minutes=rng.choice([30, 60, 90]))
        clock = {"starts": starts.isoformat(), "ends": ends.isoformat()} if timed else {}
        every = goods + [str(each["item"]) for each in sets]
        cases.append(_random_case(rng, f"K{number}", every, clock))
    return {"stock": stock, "sets": sets, "cases": cases}
