"""Answers of the planner as lines of text."""

from typing import Any

__all__ = ["kit_words", "par_words", "readiness_words"]


def readiness_words(answer: dict[str, Any]) -> str:
    """Say the answer to a readiness problem, case by case."""
    how = "worked out exactly"
    if answer["method"] != "exact":
        how = f"simulated, {answer['samples']} samples"
    lines = [f"All cases done: {_share(answer['list_readiness'])} ({how})"]
    for case in answer["cases"]:
        error = {"value": case["readiness"], "standard_error": case["standard_error"]}
        lines.append(f"{case['case']}: {_share(error)}")
        lines += [f"  if {need['need']}: {need['readiness']:.4g}" for need in case["needs"]]
        lines += [
            f"  {one['construct']}: covered with {one['coverage']:.4g}"
            for one in case["constructs"]
        ]
    if answer["gains"]:
        lines.append("One more unit adds, in cases:")
        lines += [f"  {gain['item']}: {gain['gain']:.4g}" for gain in answer["gains"]]
    return "\n".join(lines)


def kit_words(answer: dict[str, Any]) -> str:
    """Say the answer to a kit problem."""
    share, most = f"{answer['readiness']:.4g}", f"{answer['reachable']:.4g}"
    lines = [f"Reaches {share} of {most} reachable ({answer['method']}):"]
    lines += [f"  {pack['quantity']} × {pack['item']}" for pack in answer["packs"]]
    return "\n".join(lines)


def par_words(answer: dict[str, Any]) -> str:
    """Say the answer to a par problem: readiness, cost, and each level that is not nothing."""
    lines = [
        f"Ready for the next case: {answer['readiness']:.6f}; cost {answer['cost']} minor units"
    ]
    if answer.get("reached") is False:
        lines.append("What was asked is out of reach; this is the best there is.")
    lines += [f"  {level} × {item}" for item, level in answer["levels"].items() if level]
    return "\n".join(lines)


def _share(probability: dict[str, float]) -> str:
    error = probability["standard_error"]
    value = f"{probability['value']:.4g}"
    return f"{value} ± {error:.2g}" if error else value
