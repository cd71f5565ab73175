"""How fast readiness is answered: a hard list day and a region's day, against plain programs.

Run with ``python -m tests.bench.bench_readiness``. Ratios carry over to other machines, seconds
do not. Cost is compared at equal error: seconds times variance of the list readiness.
"""

import random
import resource
import sys
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.core.readiness import solve
from service.schemas.readiness_problem import problem_from

Json = dict[str, Any]


_DAY = datetime(2031, 3, 3, 8)  # noqa: DTZ001 - a local time without an offset is allowed


def _bell(rng: random.Random, size: int) -> list[float]:
    centre = rng.uniform(size * 0.3, size * 0.7)
    weights = [np.exp(-0.5 * ((n - centre) / 1.3) ** 2) for n in range(size)]
    return [float(weight / sum(weights)) for weight in weights]


def _catalogue(systems: int) -> dict[str, list[str]]:
    """Return items by role: what each of the systems offers in each size."""
    sizes = {"nail": 8, "lag": 10, "anti": 8, "plate": 4, "screw": 12, "wire": 3}
    return {
        f"{role}-{s}": [f"{role}-{s}-{n}" for n in range(count)]
        for s in range(systems)
        for role, count in sizes.items()
    }


def _case(rng: random.Random, name: str, goods: dict[str, list[str]], start: datetime) -> Json:
    """Return a case with four constructs over two systems, three needs and five factors."""
    near, far = rng.sample(sorted({int(key.split("-")[1]) for key in goods}), 2)
    sizes = {"neck": 10, "canal": 8, "plate": 4, "distal": 12, "wires": 3}
    factors = [{"name": f, "probabilities": _bell(rng, size)} for f, size in sizes.items()]

    def take(factor: str, role: str, system: int, count: int = 1) -> Json:
        items = goods[f"{role}-{system}"]
        size = sizes[factor]
        entries: list[dict[str, int] | None] = [
            {items[n]: count} if n < len(items) else None for n in range(size)
        ]
        return {"factors": [factor], "items": entries}

    def nailed(system: int, *extra: Json) -> list[Json]:
        kit = {"factors": [], "items": [{f"set-nail-{system}": 1}]}
        parts = [("canal", "nail"), ("neck", "lag"), ("distal", "screw")]
        return [*(take(factor, role, system) for factor, role in parts), kit, *extra]

    plated = [take("plate", "plate", near), take("neck", "lag", near)]
    plated += [take("distal", "screw", near, 2)]
    plated += [{"factors": [], "items": [{f"set-plate-{near}": 1}]}]
    constructs = {
        "single": nailed(near),
        "double": nailed(near, take("neck", "anti", near)),
        "plated": plated,
        "other": nailed(far, take("wires", "wire", far)),
    }
    needs = [
        ("as planned", 0.85, ["single", "double", "other"]),
        ("wall breaks", 0.12, ["double", "other"]),
        ("stable", 0.03, ["plated", "single"]),
    ]
    return {
        "case": name,
        "starts": start.isoformat(),
        "ends": (start + timedelta(minutes=75)).isoformat(),
        "factors": factors,
        "needs": [{"need": n, "probability": p, "constructs": c} for n, p, c in needs],
        "constructs": [{"construct": n, "takes": t} for n, t in constructs.items()],
    }


def _shelf(place: float) -> list[float]:
    """Return the chances of 0, 1 and 2 units for a size at a place from 0 to 1 in its range."""
    return [0.0, 0.1, 0.9] if abs(place - 0.5) < 0.3 else [0.15, 0.45, 0.4]


def list_day(cases: int, theatres: int, systems: int, seed: int) -> Json:
    """Return a problem: cases in theatres side by side, up to two of each item."""
    rng = random.Random(seed)  # noqa: S311 - test data
    goods = _catalogue(systems)
    # Shelves hold most of the sizes that are asked for most: the middle ones.
    stock = [
        {"item": item, "quantity": rng.choices([0, 1, 2], _shelf(n / (len(items) - 1)))[0]}
        for items in goods.values()
        for n, item in enumerate(items)
    ]
    sets = [
        {"item": f"set-{kind}-{s}", "quantity": 3, "turnaround_minutes": 180}
        for s in range(systems)
        for kind in ("nail", "plate")
    ]
    starts = [_DAY + timedelta(minutes=100 * (n // theatres)) for n in range(cases)]
    planned = [_case(rng, f"K{n}", goods, start) for n, start in enumerate(starts)]
    return {"stock": stock, "sets": sets, "cases": planned}


def plain_python(problem: Json, samples: int, seed: int) -> float:
    """Return list readiness as a direct simulation in plain Python gives it."""
    rng = random.Random(seed)  # noqa: S311 - test data
    ends = [datetime.fromisoformat(case["ends"]) for case in problem["cases"]]
    starts = [datetime.fromisoformat(case["starts"]) for case in problem["cases"]]
    away = {each["item"]: timedelta(minutes=each["turnaround_minutes"]) for each in problem["sets"]}
    shelf = {each["item"]: each["quantity"] for each in problem["stock"] + problem["sets"]}
    served = 0
    for _ in range(samples):
        out: list[tuple[str, datetime]] = []
        left, every = dict(shelf), True
        for number, case in enumerate(problem["cases"]):
            for entry in [e for e in out if e[1] <= starts[number]]:
                left[entry[0]] += 1
                out.remove(entry)
            outcome = {
                f["name"]: rng.choices(range(len(f["probabilities"])), f["probabilities"])[0]
                for f in case["factors"]
            }
            need = rng.choices(case["needs"], [n["probability"] for n in case["needs"]])[0]
            demand = _first_fitting(case, need, outcome, left)
            every &= demand is not None
            for item, quantity in (demand or {}).items():
                left[item] -= quantity
                if item in away:
                    out.append((item, ends[number] + away[item]))
        served += every
    return served / samples


def _first_fitting(
    case: Json, need: Json, outcome: dict[str, int], left: dict[str, int]
) -> dict[str, int] | None:
    constructs = {each["construct"]: each["takes"] for each in case["constructs"]}
    for name in need["constructs"]:
        demand: dict[str, int] | None = {}
        for take in constructs[name]:
            entry = take["items"][outcome[take["factors"][0]] if take["factors"] else 0]
            demand = None if entry is None or demand is None else {**demand, **entry}
        if demand is not None and all(left[i] >= q for i, q in demand.items()):
            return demand
    return None


def plain_numpy(problem: Json, samples: int, seed: int) -> float:
    """Return list readiness as a plain vectorised simulation gives it."""
    rng = np.random.default_rng(seed)
    goods = problem["stock"] + problem["sets"]
    place = {each["item"]: n for n, each in enumerate(goods)}
    left = np.tile([each["quantity"] for each in goods], (samples, 1))
    away = {each["item"]: timedelta(minutes=each["turnaround_minutes"]) for each in problem["sets"]}
    every = np.ones(samples, dtype=bool)
    out: list[tuple[datetime, int, NDArray[np.int64]]] = []
    rows = np.arange(samples)
    for case in problem["cases"]:
        starts, ends = (datetime.fromisoformat(case[key]) for key in ("starts", "ends"))
        for _, item, taken in [entry for entry in out if entry[0] <= starts]:
            left[:, item] += taken
        out = [entry for entry in out if entry[0] > starts]
        outcome = {
            f["name"]: rng.choice(len(f["probabilities"]), samples, p=f["probabilities"])
            for f in case["factors"]
        }
        chances = [need["probability"] for need in case["needs"]]
        need = rng.choice(len(chances), samples, p=chances)
        constructs = {each["construct"]: each["takes"] for each in case["constructs"]}
        served = np.zeros(samples, dtype=bool)
        for number, listed in enumerate(case["needs"]):
            for name in listed["constructs"]:
                takes = [_plain_take(take, outcome, place, samples) for take in constructs[name]]
                fit = (need == number) & ~served
                for items, quantities in takes:
                    fit &= left[rows, items] >= quantities
                served |= fit
                for (items, quantities), take in zip(takes, constructs[name], strict=True):
                    left[rows, items] -= quantities * fit
                    if not take["factors"]:
                        item = next(iter(take["items"][0]))
                        out.append((ends + away[item], place[item], quantities * fit))
        every &= served
    return float(every.mean())


def _plain_take(
    take: Json, outcome: dict[str, NDArray[np.int64]], place: dict[str, int], samples: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return item and quantity for each sample; what is not made asks for more than there is."""
    pairs = [(0, 9999) if e is None else (place[next(iter(e))], next(iter(e.values())))
             for e in take["items"]]  # fmt: skip
    table = np.array(pairs)
    pick = outcome[take["factors"][0]] if take["factors"] else np.zeros(samples, dtype=np.int64)
    return table[pick, 0], table[pick, 1]


def _timed(work: Callable[[], float]) -> tuple[float, float]:
    """Return the result and the seconds of the fastest of three runs."""
    seconds = []
    result = 0.0
    for _ in range(3):
        begun = time.perf_counter()
        result = work()
        seconds.append(time.perf_counter() - begun)
    return result, min(seconds)


def _hard_day(seed: int, samples: int) -> list[str]:
    """Compare on a hard day: 12 cases, two theatres, four constructs each, 135 items."""
    problem = list_day(12, 2, 3, seed)
    asked = problem_from({**problem, "samples": samples, "gains": 0})
    answer = solve(asked).list_readiness
    _, ours = _timed(lambda: solve(asked).list_readiness.value)
    ranked = problem_from({**problem, "samples": samples, "gains": 10})
    _, with_gains = _timed(lambda: solve(ranked).list_readiness.value)
    vectorised, numpy_seconds = _timed(lambda: plain_numpy(problem, 50_000, seed))
    _, python_seconds = _timed(lambda: plain_python(problem, 500, seed))
    bernoulli = vectorised * (1 - vectorised)
    cost = ours * answer.standard_error**2
    return [
        f"hard day {seed}, {samples:,} samples",
        f"{answer.value:.4f} ± {answer.standard_error:.4f}",
        f"{ours:.2f} s",
        f"{with_gains:.2f} s",
        f"{numpy_seconds * bernoulli / 50_000 / cost:.1f} x",
        f"{python_seconds * bernoulli / 500 / cost:.0f} x",
        f"{ours * (answer.standard_error / 0.001) ** 2:.2f} s",
    ]


def _regional_day(seed: int, samples: int) -> list[str]:
    """Time a region's day: 200 cases, 20 theatres, 40 systems, 1,800 items and their sets."""
    problem = list_day(200, 20, 40, seed)
    begun = time.perf_counter()
    answer = solve(problem_from({**problem, "samples": samples, "gains": 0})).list_readiness
    ours = time.perf_counter() - begun
    begun = time.perf_counter()
    solve(problem_from({**problem, "samples": samples, "gains": 10}))
    with_gains = time.perf_counter() - begun
    return [
        f"regional day {seed}, {samples:,} samples",
        f"{answer.value:.4f} ± {answer.standard_error:.4f}",
        f"{ours:.2f} s",
        f"{with_gains:.2f} s",
        "",
        "",
        "",
    ]


def main() -> None:
    """Print the table."""
    heads = ["problem", "list readiness", "time", "with gains", "NumPy", "Python", "to ±0.001"]
    rows = [heads, *(_hard_day(seed, 100_000) for seed in (1, 2, 3)), _regional_day(3, 20_000)]
    for row in rows:
        cells = [
            cell.ljust(width) for cell, width in zip(row, (36, 18, 9, 11, 9, 9, 9), strict=True)
        ]
        sys.stdout.write("".join(cells).rstrip() + "\n")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    sys.stdout.write(f"peak memory {peak:.0f} MB; NumPy and Python: how many times our cost they ")
    sys.stdout.write("need for the same error; with gains: all items ranked in the same pass\n")


if __name__ == "__main__":
    main()
