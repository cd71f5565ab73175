"""A par proposal in words: what changes, what it rests on, and why a line is as it is."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from service.operations.schemas.par import ReadinessOut
from service.operations.schemas.par_view import ProposalView, ViewedLine

__all__ = ["ProposalWords", "in_hundred", "sentences_of", "why_of"]

#: Less than one in ten thousand is said as that.
_LEAST = 0.0001
#: A change of readiness below this is none.
_SAME = 0.0005
#: Units short on average that round to nothing worth saying.
_NEVER_SHORT = 0.0005


@dataclass(frozen=True, slots=True)
class ProposalWords:
    """What a proposal says first, and what it rests on.

    Parameters
    ----------
    change
        Readiness and cost, today and proposed.
    rests_on
        Where the figures come from.
    why
        Why each line is as it is, by reference.
    """

    change: Sequence[str]
    rests_on: str
    why: dict[str, str]


def in_hundred(value: float) -> str:
    """Say a probability in a hundred, with one decimal.

    Examples
    --------
    >>> in_hundred(0.93699), in_hundred(0.99996)
    ('93.7 in 100', 'more than 99.9 in 100')
    """
    share = 100 * value
    if 99.95 <= share < 100:  # noqa: PLR2004 - it would be rounded up to certain
        return "more than 99.9 in 100"
    return f"{share:.1f} in 100"


def sentences_of(view: ProposalView, money: Callable[[float, str], str]) -> ProposalWords:
    """Put a proposal in words."""
    answer = view.proposal.answer
    worth = [money(one.cost_minor, answer.currency) for one in (answer.today, answer.proposed)]
    change = [
        f"Today: {_ready(answer.today)}, for {worth[0]} of stock.",
        f"Proposed: {_ready(answer.proposed)}, for {worth[1]}.",
        _difference(view, money),
    ]
    rests_on = (
        f"{answer.arrivals_per_day * 365.25:.0f} cases a year ({answer.arrivals_from}), and the "
        f"{answer.plans} plans that stand for them. No level can make the shelf readier than "
        f"{in_hundred(answer.reachable)}."
    )
    return ProposalWords(change, rests_on, {line.ref: why_of(line) for line in view.lines})


def _ready(one: ReadinessOut) -> str:
    said = f"the next case can be completed in {in_hundred(one.value)}"
    low, high = f"{100 * one.lower:.1f}", f"{100 * one.upper:.1f}"
    if low != high:
        said += f" (between {low} and {high}, as far as the number of cases is known)"
    return f"{said}, from its first choice in {in_hundred(one.first_choice)}"


def _difference(view: ProposalView, money: Callable[[float, str], str]) -> str:
    answer = view.proposal.answer
    gain = answer.proposed.value - answer.today.value
    cost = answer.proposed.cost_minor - answer.today.cost_minor
    if abs(gain) < _SAME:
        ready = "Readiness stays as it is"
    else:
        ready = f"Readiness {'rises' if gain > 0 else 'falls'} by {abs(100 * gain):.1f} in 100"
    amount = money(abs(cost), answer.currency)
    spent = f"{amount} {'more' if cost > 0 else 'less'} stands on the shelf" if cost else ""
    return f"{ready}{f', and {spent}' if spent else ''}."


def why_of(line: ViewedLine) -> str:
    """Say in sentences why a line proposes its level."""
    said = [_use(line), _coming(line), *_step(line), *_short(line), *_takers(line)]
    return " ".join(said)


def _use(line: ViewedLine) -> str:
    why = line.why
    said = f"The cases to come take about {why.expected_per_year:.1f} a year"
    if why.per_year is None:
        return f"{said}; what is used is not on record."
    used = why.per_year
    return (
        f"{said}; used were {used.mean:.1f} a year, and with 95 in 100 it is between "
        f"{used.lower:.1f} and {used.upper:.1f}."
    )


def _coming(line: ViewedLine) -> str:
    days = line.why.lead_time_days
    price = "" if line.why.minimum == 0 else f" First choices keep at least {line.why.minimum}."
    return f"A new one takes {days} {'day' if days == 1 else 'days'} to come.{price}"


def _step(line: ViewedLine) -> list[str]:
    if not line.change:
        return []
    count = f"{abs(line.change)} {'more' if line.change > 0 else 'fewer'}"
    gain = line.why.readiness_added
    if abs(gain) < _LEAST:
        return [f"With {count}, readiness changes by less than 0.01 in 100."]
    up_or_down = "gains" if gain > 0 else "loses"
    return [f"With {count}, readiness {up_or_down} {abs(100 * gain):.2f} in 100."]


def _short(line: ViewedLine) -> list[str]:
    today, then = line.why.expected_short_today, line.why.expected_short_proposed
    if max(today, then) < _NEVER_SHORT:
        return ["On average hardly any unit is short, today or then."]
    return [f"Short on average: {_units(today)} today, {_units(then)} then."]


def _units(value: float) -> str:
    return "none" if value < _NEVER_SHORT else f"{value:.3f}".rstrip("0").rstrip(".")


def _takers(line: ViewedLine) -> list[str]:
    said = []
    if line.why.constructs and not any(one.first_choice for one in line.why.constructs):
        said.append("Only alternates take it.")
    if line.why.stands_with:
        said.append(f"It stands for the same need as {', '.join(line.why.stands_with)}.")
    return said
