"""Times the par levels of an invented hospital; run with ``python -m tests.bench.bench_par``.

All figures come from one run on one machine; only ratios carry over to another.
"""

import sys
import time

import numpy as np

from service.core.par.model import ParModel, build_model
from service.core.par.plan import plan_par
from service.core.par.problem import Goal
from service.core.par.search import LevelSearch, thin_out
from service.schemas.par_problem import par_problem_from

SIZES = {"lag": 11, "short": 4, "long": 7, "distal": 8}


def hospital(systems: int, seed: int) -> dict[str, object]:
    """Return an invented par problem of 32 items a system, without levels, target or budget."""
    rng = np.random.default_rng(seed)
    items = [
        {
            "item": f"{kind}-{system}-{size}",
            "unit_cost": int(rng.integers(low, high)),
            "lead_time_days": int(rng.integers(2, 15)),
        }
        for system in range(systems)
        for kind, count, low, high in (
            ("lag", 11, 8_000, 20_000),
            ("short", 4, 40_000, 70_000),
            ("long", 7, 60_000, 120_000),
            ("distal", 8, 2_000, 5_000),
            ("set", 1, 1_000, 4_000),
            ("cap", 1, 1_000, 4_000),
        )
        for size in range(count)
    ]
    mix = [
        {"weight": float(rng.uniform(0.2, 1.0)), "case": _case(rng, system, systems, nail)}
        for system in range(systems)
        for nail in ("short", "long")
    ]
    return {"arrivals_per_day": 1.04, "case_mix": mix, "items": items}


def _case(rng: np.random.Generator, system: int, systems: int, nail: str) -> dict[str, object]:
    other = (system + 1) % systems
    factors = [
        {"name": name, "probabilities": _bell(rng, SIZES[kind])}
        for name, kind in (("neck", "lag"), ("nail", nail), ("d1", "distal"), ("d2", "distal"))
    ]
    return {
        "case": f"{nail} {system}",
        "factors": factors,
        "needs": [
            {"need": "as planned", "probability": 0.9, "constructs": ["first", "other"]},
            {"need": "wall broken", "probability": 0.1, "constructs": ["other"]},
        ],
        "constructs": [
            {"construct": "first", "takes": _takes(system, nail)},
            {"construct": "other", "takes": _takes(other, nail)},
        ],
    }


def _takes(system: int, nail: str) -> list[dict[str, object]]:
    def sized(factor: str, kind: str) -> dict[str, object]:
        entries = [{f"{kind}-{system}-{size}": 1} for size in range(SIZES[kind])]
        return {"factors": [factor], "items": entries}

    constant: dict[str, object] = {
        "factors": [],
        "items": [{f"set-{system}-0": 1, f"cap-{system}-0": 1}],
    }
    return [
        sized("neck", "lag"),
        sized("nail", nail),
        sized("d1", "distal"),
        sized("d2", "distal"),
        constant,
    ]


def _bell(rng: np.random.Generator, count: int) -> list[float]:
    shares = np.exp(-0.5 * ((np.arange(count) - rng.uniform(0, count - 1)) / (count / 5)) ** 2)
    return [float(share) for share in shares / shares.sum()]


def _timed(label: str, raw: dict[str, object]) -> float:
    problem = par_problem_from(raw)
    started = time.perf_counter()
    plan = plan_par(problem)
    seconds = time.perf_counter() - started
    units = sum(level for _, level in plan.levels)
    sys.stdout.write(
        f"{label}: {seconds:.2f} s, readiness {plan.readiness:.6f}, cost {plan.cost_minor}, "
        f"{units} units, reached {plan.reached}, proved {plan.proved}\n"
    )
    return seconds


def _effects(model: ParModel) -> None:
    """Print what one backward pass saves over evaluating each change of a level by itself."""
    levels = np.minimum(model.tops, 2)
    started = time.perf_counter()
    for _ in range(50):
        model.readiness.steps(levels)
    together = (time.perf_counter() - started) / 50
    started = time.perf_counter()
    for item in range(len(levels)):
        changed = levels.copy()
        changed[item] += 1
        model.readiness.value(changed)
    alone = time.perf_counter() - started
    sys.stdout.write(
        f"  effects of one unit more or less of each item: {together * 1e3:.2f} ms together, "
        f"{2 * alone * 1e3:.0f} ms one by one: {2 * alone / together:.0f} times faster\n"
    )


def main() -> None:
    """Print times of reading, building, searching and evaluating, and how they grow."""
    base: dict[int, float] = {}
    for systems in (5, 10, 20):
        raw = hospital(systems, 1)
        started = time.perf_counter()
        model = build_model(par_problem_from({**raw, "budget": 0}))
        built = time.perf_counter() - started
        levels = thin_out(model, Goal(0.97, None))
        thinned = time.perf_counter() - started - built
        search = LevelSearch(model, Goal(0.97, None))
        improved = search.improve(levels)
        searched = time.perf_counter() - started - built - thinned
        gain = 1.0 - model.cost_minor(improved) / model.cost_minor(levels)
        sys.stdout.write(
            f"{32 * systems} items: sum of {model.readiness.size} factors; read and build "
            f"{built:.2f} s, thin out {thinned:.2f} s, improve {searched:.2f} s "
            f"(work {search.work}, cost {gain:.2%} lower)\n"
        )
        _effects(model)
        base[systems] = _timed("  target 0.97", {**raw, "target_readiness": 0.97})
        _timed("  budget", {**raw, "budget": model.cost_minor(improved) // 2})
        _timed("  levels of 2", {**raw, "levels": dict.fromkeys(model.names, 2)})
    sys.stdout.write(
        f"640 items against 160: {base[20] / base[5]:.1f} times the time "
        "(the search stops at a stated amount of work)\n"
    )


if __name__ == "__main__":
    main()
