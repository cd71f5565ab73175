"""Proposals for par levels: made from the site's own data, stored, and changing nothing."""

from dataclasses import dataclass
from typing import Any

from service.core.par import ParError, ParPlan, erlang_b
from service.errors import BadInput, FieldFault
from service.operations.constructs import all_templates
from service.operations.demand import DAYS_PER_YEAR
from service.operations.long_work import Report, silent
from service.operations.par.answer import refusal
from service.operations.par.lines import Chosen, Line, make_lines
from service.operations.par.read import proposal_out
from service.operations.par.reckoning import Reckoning, plan_levels
from service.operations.par.setting import Setting, read_setting
from service.operations.planner import planner_of
from service.operations.schemas.par import (
    CurveOut,
    KindOut,
    LeftOut,
    ProposalAnswer,
    ProposalBody,
    ProposalOut,
    SetOut,
)
from service.operations.unit import Unit
from service.storage.queries import catalogue
from service.storage.queries import par as queries
from service.storage.tables import ParProposal

__all__ = ["STEPS", "WorkedOut", "store", "work_out"]

#: Steps of a proposal: read, choose, compare, save.
STEPS = 4

_MINUTES_PER_DAY = 1440.0
#: A plan whose first choices are there so much less often than some construct leans on alternates.
_LEANS = 0.05
_ROUNDING = 1e-9
#: An item by itself is compared with at most this chance: the next level up is a unit more.
_SUREST = 0.9999

#: What a budget does not pay for, by the minimums that are kept in their place.
_SHORT_OF_MONEY = (
    "",
    "The budget does not pay for first choices to be there in 98 of 100 cases; one each is kept.",
    "The budget does not pay for one of everything first choices use; no minimum is kept.",
)

_ASSUMES = (
    "Cases come at random, day and night alike; what one takes is ordered at once.",
    (
        "Units on order of different items are taken as independent: items that leave together run "
        "out together, so a shelf is usually a little readier than computed."
    ),
    "A case takes its need's first construct, even where an alternate stands in for it.",
)


@dataclass(frozen=True, slots=True)
class WorkedOut:
    """A proposal that has been worked out and is not stored yet."""

    asked: dict[str, Any]
    answer: ProposalAnswer
    lines: tuple[Line, ...]


def work_out(unit: Unit, body: ProposalBody, report: Report = silent) -> WorkedOut:
    """Work out levels for a target or a budget, with today's beside them.

    This takes seconds, so it only reads: who writes meanwhile does not wait for it.

    Parameters
    ----------
    report
        Is told each step of four as it begins; the last, saving, is not this function's.

    Raises
    ------
    BadInput
        When the target is out of reach of any levels, with what can be reached.
    """
    report("reading plans, usage and shelves", 0, STEPS)
    setting = read_setting(unit, body.arrivals_per_day, keep_first=body.keep_first_choices)
    reckoning = Reckoning(setting)
    reachable = float(setting.model.readiness.value(setting.model.tops))
    _require_reachable(setting, body, reachable)
    report("choosing levels", 1, STEPS)
    try:
        plan, floors = plan_levels(setting, body.target_readiness, body.budget_minor)
    except ParError as error:
        raise refusal(error) from error
    report("comparing with today, item by item", 2, STEPS)
    answer = _answer(unit, setting, reckoning, plan, reachable)
    answer.warnings[:0] = _about_money(body, plan, floors)
    chance = min(body.target_readiness or plan.readiness, _SUREST)
    chosen = Chosen(dict(plan.levels), setting.minimums[floors], chance)
    lines = make_lines(setting, reckoning, chosen, all_templates(unit))
    return WorkedOut(body.model_dump(mode="json"), answer, tuple(lines))


def store(unit: Unit, worked: WorkedOut) -> ProposalOut:
    """Keep a proposal with its lines, to be decided; no level is changed."""
    row = ParProposal(
        site_id=unit.site_id,
        made_at=unit.now,
        made_by=unit.actor,
        asked=worked.asked,
        answer=worked.answer.model_dump(mode="json"),
    )
    unit.session.add(row)
    unit.session.flush()
    ids = catalogue.ids_by_ref(unit.session)
    queries.add_lines(
        unit.session,
        [
            {
                "proposal_id": row.id,
                "item_id": ids[line.ref],
                "today": line.today,
                "proposed": line.proposed,
                "why": line.why.model_dump(mode="json"),
                "decision": "open",
                "decided_by": "",
                "decided_why": "",
            }
            for line in worked.lines
        ],
    )
    return proposal_out(unit, row)


def _about_money(body: ProposalBody, plan: ParPlan, floors: int) -> list[str]:
    """Say what a budget does not pay for, or that it pays for more than is of use."""
    if floors:
        return [_SHORT_OF_MONEY[floors]]
    if body.budget_minor is not None and body.budget_minor - plan.cost_minor > plan.cost_minor / 50:
        return ["These levels cost less than the budget: more would add next to nothing."]
    return []


def _require_reachable(setting: Setting, body: ProposalBody, reachable: float) -> None:
    if body.target_readiness is None or body.target_readiness <= reachable - _ROUNDING:
        return
    unanswered = _unanswered(setting)
    reason = f"no levels make the shelf readier than {reachable:.4f}"
    if unanswered:
        reason += f"; most of the rest is no matter of stock: {unanswered[0]}"
    raise BadInput(
        "The target is out of reach.",
        faults=[FieldFault("/target_readiness", reason)],
        facts={"reachable": reachable},
    )


def _unanswered(setting: Setting) -> list[str]:
    """Say which needs nothing planned answers, and in how many of a hundred cases they arise."""
    shares: dict[str, float] = {}
    for weight, case in setting.mix.entries:
        for need in case["needs"]:
            if not need["constructs"]:
                shares[need["need"]] = shares.get(need["need"], 0.0) + weight * need["probability"]
    return [
        f"nothing planned answers '{need}', which {100 * share:.1f} in 100 cases need"
        for need, share in sorted(shares.items(), key=lambda pair: (-pair[1], pair[0]))
        if share > 0.0
    ]


def _answer(
    unit: Unit, setting: Setting, reckoning: Reckoning, plan: ParPlan, reachable: float
) -> ProposalAnswer:
    today = reckoning.told({kept.name: kept.level_today for kept in setting.shelf.kept})
    proposed = reckoning.told(dict(plan.levels))
    mix, shelf = setting.mix, setting.shelf
    return ProposalAnswer(
        arrivals_per_day=setting.arrivals_per_day,
        arrivals_from=setting.arrivals_from,
        plans=len(mix.entries),
        currency=shelf.currency,
        today=today,
        proposed=proposed,
        reachable=reachable,
        unanswered=_unanswered(setting),
        reached=plan.reached,
        proved=plan.proved,
        curve=[
            CurveOut(item=point.item, cost_minor=point.cost_minor, readiness=point.readiness)
            for point in plan.curve
        ],
        kinds=[
            KindOut(
                kind=kind.name,
                cases=kind.cases,
                plans=kind.plans,
                share=kind.share,
                stands_for=list(kind.stands_for),
            )
            for kind in mix.kinds
        ],
        left_out=[
            LeftOut(ref=left.ref, why=f"taken as always there: {left.why}") for left in shelf.left
        ],
        not_judged=_not_judged(setting),
        sets=_sets(unit, setting),
        warnings=_warnings(setting, plan),
        assumes=list(_ASSUMES),
    )


def _not_judged(setting: Setting) -> list[str]:
    """Name what is kept here and no plan of the mix takes: its level is not looked at."""
    judged = {ref for kept in setting.shelf.kept for ref in kept.refs}
    judged |= {left.ref for left in setting.shelf.left}
    kept = {*setting.shelf.levels, *setting.shelf.on_shelf} & set(setting.seen.items)
    return sorted(kept - judged)


def _warnings(setting: Setting, plan: ParPlan) -> list[str]:
    said = []
    if plan.readiness - plan.first_choice > _LEANS:
        said.append(
            f"These levels lean on alternates: the first choice is there in "
            f"{100 * plan.first_choice:.0f} of 100 cases, some construct in "
            f"{100 * plan.readiness:.0f}. The true readiness is lower than computed."
        )
    said += [
        f"{count} past cases ({kind}) have no plan to stand for them: they are left out."
        for kind, count in sorted(setting.mix.missing.items())
    ]
    if setting.mix.unsized:
        said.append(f"{setting.mix.unsized} plans cannot be sized: they are left out.")
    if setting.shelf.left:
        said.append(
            f"{len(setting.shelf.left)} items are taken as always there; the list says why."
        )
    unknown = sum(1 for kept in setting.shelf.kept if kept.shelf_life_days is None)
    if unknown:
        said.append(
            f"How long {unknown} of {len(setting.shelf.kept)} items keep is not known: no lot was "
            "received through the ledger yet. What expires of them is not in the cost."
        )
    return said


def _sets(unit: Unit, setting: Setting) -> list[SetOut]:
    """Say how often a case comes while all copies of its set are away: Erlang's loss formula."""
    minutes = catalogue.turnarounds(unit.session)
    copies = planner_of(unit).usable_sets
    found = []
    for ref, chance in sorted(setting.sets.items()):
        away = setting.mix.minutes + minutes.get(ref, 0)
        per_day = setting.arrivals_per_day * chance
        found.append(
            SetOut(
                ref=ref,
                copies=copies.get(ref, 0),
                cases_per_year=per_day * DAYS_PER_YEAR,
                minutes_away=away,
                none_free=erlang_b(copies.get(ref, 0), per_day * away / _MINUTES_PER_DAY),
            )
        )
    return found
