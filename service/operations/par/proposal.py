"""Proposals for par levels: made from the site's own data, stored, and changing nothing."""

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Row

from service.core.constructs.templates import Template
from service.core.par import ParError, ParPlan, erlang_b
from service.core.readiness.words import percent
from service.errors import BadInput, Conflict, FieldFault, NotFound
from service.operations.cases.plans import construct_name
from service.operations.constructs import all_templates
from service.operations.demand import DAYS_PER_YEAR, rate_per_year
from service.operations.long_work import Report, no_report
from service.operations.par.basis import (
    LevelEvaluator,
    ParBasis,
    StockedItem,
    items_of,
    plan_levels,
    read_par_basis,
    split_level,
)
from service.operations.par.case_mix import CaseMix
from service.operations.par.levels import put_level
from service.operations.people.audit import note
from service.operations.readiness import par_refusal
from service.operations.stock_units import sets_that_count
from service.operations.work import Unit
from service.schemas.par import (
    ConstructUse,
    CurveOut,
    DecisionBody,
    DecisionsBody,
    KindOut,
    LeftOut,
    OnShelf,
    ProposalAnswer,
    ProposalBody,
    ProposalLineOut,
    ProposalLinesOut,
    ProposalList,
    ProposalOut,
    ProposalSummary,
    SetOut,
    WhyOut,
)
from service.storage.queries import catalogue
from service.storage.queries import par as queries
from service.storage.tables import ParLevel, ParProposal, ParProposalLine

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
    "The budget does not cover planned items being in stock for 98 % of cases; one each is kept.",
    "The budget does not cover one of every planned item; no minimum is kept.",
)


_ASSUMES = (
    "Cases arrive at random, day and night alike; what one uses is reordered at once.",
    (
        "Items on order are taken as independent of each other; items used together run out "
        "together, so the true chance is usually a little higher."
    ),
    "A case uses its planned construct, even where a backup stands in for it.",
)


@dataclass(frozen=True, slots=True)
class ProposedLine:
    """One item of a proposal, before it is stored."""

    ref: str
    today: int
    proposed: int
    why: WhyOut


@dataclass(frozen=True, slots=True)
class ComputedProposal:
    """A proposal that has been worked out and is not stored yet."""

    asked: dict[str, Any]
    answer: ProposalAnswer
    lines: tuple[ProposedLine, ...]


def compute_proposal(
    unit: Unit, body: ProposalBody, report: Report = no_report
) -> ComputedProposal:
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
    report("reading plans, usage and stock", 0, STEPS)
    setting = read_par_basis(unit, body.arrivals_per_day, keep_first=body.keep_first_choices)
    reckoning = LevelEvaluator(setting)
    reachable = float(setting.model.readiness.value(setting.model.tops))
    _require_reachable(setting, body, reachable)
    report("choosing levels", 1, STEPS)
    try:
        plan, floors = plan_levels(setting, body.target_readiness, body.budget_minor)
    except ParError as error:
        raise par_refusal(error) from error
    report("comparing with current levels, item by item", 2, STEPS)
    answer = _answer(unit, setting, reckoning, plan, reachable)
    answer.warnings[:0] = _about_money(body, plan, floors)
    chance = min(body.target_readiness or plan.readiness, _SUREST)
    chosen = ChosenLevels(dict(plan.levels), setting.minimums[floors], chance)
    lines = make_lines(setting, reckoning, chosen, all_templates(unit))
    return ComputedProposal(body.model_dump(mode="json"), answer, tuple(lines))


def store_proposal(unit: Unit, worked: ComputedProposal) -> ProposalOut:
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
        return ["These levels cost less than the budget: more would add almost nothing."]
    return []


def _require_reachable(setting: ParBasis, body: ProposalBody, reachable: float) -> None:
    if body.target_readiness is None or body.target_readiness <= reachable - _ROUNDING:
        return
    unanswered = _unanswered(setting)
    reason = f"the most stock can reach is {percent(reachable)}"
    if unanswered:
        reason += f"; most of the rest takes a plan, not stock: {unanswered[0]}"
    raise BadInput(
        "The target is out of reach.",
        faults=[FieldFault("/target_readiness", reason)],
        facts={"reachable": reachable},
    )


def _unanswered(setting: ParBasis) -> list[str]:
    """Say which needs have no backup in any plan, and in how many cases they arise."""
    shares: dict[str, float] = {}
    for weight, case in setting.mix.entries:
        for need in case["needs"]:
            if not need["constructs"]:
                shares[need["need"]] = shares.get(need["need"], 0.0) + weight * need["probability"]
    return [
        f"no backup for '{need}', needed in {percent(share)} of cases"
        for need, share in sorted(shares.items(), key=lambda pair: (-pair[1], pair[0]))
        if share > 0.0
    ]


def _answer(
    unit: Unit, setting: ParBasis, reckoning: LevelEvaluator, plan: ParPlan, reachable: float
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
            LeftOut(ref=left.ref, why=f"taken as always in stock: {left.why}")
            for left in shelf.left
        ],
        not_judged=_not_judged(setting),
        sets=_sets(unit, setting),
        warnings=_warnings(setting, plan),
        assumes=list(_ASSUMES),
    )


def _not_judged(setting: ParBasis) -> list[str]:
    """Name what is kept here and no plan of the mix takes: its level is not looked at."""
    judged = {ref for kept in setting.shelf.kept for ref in kept.refs}
    judged |= {left.ref for left in setting.shelf.left}
    kept = {*setting.shelf.levels, *setting.shelf.on_shelf} & set(setting.seen.items)
    return sorted(kept - judged)


def _warnings(setting: ParBasis, plan: ParPlan) -> list[str]:
    said = []
    if plan.readiness - plan.first_choice > _LEANS:
        said.append(
            f"These levels rely on backups: the planned construct is in stock for "
            f"{percent(plan.first_choice)} of cases, some construct for "
            f"{percent(plan.readiness)}. The true chance is lower than computed."
        )
    said += [
        f"{count} past {'case' if count == 1 else 'cases'} left out, no matching plan: {kind}."
        for kind, count in sorted(setting.mix.missing.items())
    ]
    if setting.mix.unsized:
        said.append(f"Plans left out, without sizes: {setting.mix.unsized}.")
    if setting.shelf.left:
        said.append(
            f"Items taken as always in stock: {len(setting.shelf.left)}; listed with the reason."
        )
    unknown = sum(1 for kept in setting.shelf.kept if kept.shelf_life_days is None)
    if unknown:
        said.append(
            f"Shelf life unknown for {unknown} of {len(setting.shelf.kept)} items: expiry is not "
            "costed for them."
        )
    return said


def _sets(unit: Unit, setting: ParBasis) -> list[SetOut]:
    """Say how often a case comes while all copies of its set are away: Erlang's loss formula."""
    minutes = catalogue.turnarounds(unit.session)
    # A copy that is away is one all the same: that it is away is what is reckoned here.
    copies = sets_that_count(unit, unit.today, lambda _row: True)
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


Found = tuple[ParProposalLine, Row[Any]]


#: So many decisions are told one by one in the audit trail; more are counted.
_MOST_TOLD = 200


def decide_lines(unit: Unit, key: int, body: DecisionsBody) -> ProposalLinesOut:
    """Accept, change or refuse lines; accepted and changed ones set the par level of their item.

    Raises
    ------
    BadInput
        When the proposal has no such line, or a line is named twice.
    Conflict
        When a line has been decided, or its level was set by somebody since, and the decision
        does not say why it is made again.
    """
    proposal = require_proposal(unit, key)
    # One decision after the other, so that none overtakes what the other has just settled.
    unit.session.refresh(proposal, with_for_update=True)
    lines = {facts.ref: (line, facts) for line, facts in queries.lines_of(unit.session, key)}
    _require_lines(lines, body)
    _require_open(unit, proposal, lines, body)
    told = [_carry_out(unit, proposal, *lines[one.ref], one) for one in body.decisions]
    undecided = sum(1 for line, _ in lines.values() if line.decision == "open")
    if not undecided and proposal.closed_at is None:
        proposal.closed_at, proposal.closed_by = unit.now, unit.actor
    unit.session.flush()
    facts: dict[str, Any] = {"proposal": key}
    if len(told) > _MOST_TOLD:
        facts["decisions_counted"] = len(told)
        told = [one for one in told if "before" in one]
    note(unit, unit.caller, "done", {**facts, "decisions": told})
    return ProposalLinesOut(
        lines=[line_out(unit, *lines[one.ref]) for one in body.decisions], undecided=undecided
    )


def _require_lines(lines: Mapping[str, Found], body: DecisionsBody) -> None:
    faults = []
    named: set[str] = set()
    for number, one in enumerate(body.decisions):
        pointer = f"/decisions/{number}/ref"
        if one.ref not in lines:
            faults.append(FieldFault(pointer, f"{one.ref} is not in this proposal"))
        elif one.ref in named:
            faults.append(FieldFault(pointer, f"{one.ref} is decided twice"))
        named.add(one.ref)
    if faults:
        raise BadInput("Nothing was saved.", faults=faults)


def _require_open(
    unit: Unit, proposal: ParProposal, lines: Mapping[str, Found], body: DecisionsBody
) -> None:
    faults = []
    for number, one in enumerate(body.decisions):
        reason = _settled(unit, proposal, lines[one.ref][0])
        if reason is not None and one.again is None:
            pointer = f"/decisions/{number}/again"
            faults.append(
                FieldFault(pointer, f"{one.ref}: {reason}; enter why the decision is changed")
            )
    if faults:
        raise Conflict("Some lines have already been decided; nothing was saved.", faults=faults)


def _settled(unit: Unit, proposal: ParProposal, line: ParProposalLine) -> str | None:
    """Say what somebody has settled about a line since it was proposed, or give None."""
    if line.decision != "open":
        when = unit.local(line.decided_at or proposal.made_at)
        return f"{line.decision} by {line.decided_by} on {when:%Y-%m-%d %H:%M}"
    level = unit.session.get(ParLevel, (unit.site_id, line.item_id))
    if level is not None and level.level != line.today:
        return f"its level is now {level.level}, set by {level.actor}"
    return None


def _carry_out(
    unit: Unit,
    proposal: ParProposal,
    line: ParProposalLine,
    facts: Row[Any],
    decision: DecisionBody,
) -> dict[str, Any]:
    """Decide a line, set the level it comes to, and give what the audit trail says of it."""
    told: dict[str, Any] = {"ref": facts.ref, "decision": decision.decision}
    if line.decision != "open":
        told["before"] = {"decision": line.decision, "level": line.chosen}
    if decision.again is not None:
        told["again"] = decision.again
    line.chosen = {"accepted": line.proposed, "changed": decision.level}.get(decision.decision)
    line.decision, line.decided_why = decision.decision, decision.again or decision.why
    line.decided_at, line.decided_by = unit.now, unit.actor
    if line.chosen is not None:
        own = f": {line.decided_why}" if line.decided_why else ""
        why = f"proposal {proposal.id} {decision.decision}{own}"
        put_level(unit, line.item_id, line.chosen, why)
        told["level"] = line.chosen
    return told


_MOST_NAMED = 6


@dataclass(frozen=True, slots=True)
class ChosenLevels:
    """The levels a proposal comes to.

    Parameters
    ----------
    levels
        By the name of the item in the case mix.
    minimums
        The floors they were chosen above.
    chance
        The readiness asked for, or reached, that an item by itself is compared with.
    """

    levels: Mapping[str, int]
    minimums: Mapping[str, int]
    chance: float


@dataclass(frozen=True, slots=True)
class _Takers:
    """Who takes an item: constructs with how many plans, which of them first, and kinds."""

    constructs: Mapping[str, int]
    firsts: frozenset[str]
    kinds: tuple[str, ...]


def make_lines(
    setting: ParBasis,
    reckoning: LevelEvaluator,
    chosen: ChosenLevels,
    templates: Mapping[str, Template],
) -> list[ProposedLine]:
    """Write a line for every reference whose level is judged."""
    takers = _takers(setting.mix)
    ready = reckoning.readiness(chosen.levels)
    lines: list[ProposedLine] = []
    for kept in setting.shelf.kept:
        common = _common(setting, reckoning, kept, chosen)
        common["readiness_added"] = ready - common["readiness_if_left_as_today"]
        common |= _taken_by(takers[kept.name], templates)
        lines += _lines_of(setting, kept, chosen.levels[kept.name], common)
    return lines


def _taken_by(takers: _Takers, templates: Mapping[str, Template]) -> dict[str, Any]:
    constructs = [
        ConstructUse(
            planned=planned,
            name=construct_name(planned, templates),
            first_choice=planned in takers.firsts,
            plans=count,
        )
        for planned, count in takers.constructs.items()
    ]
    return {"constructs": constructs, "kinds": list(takers.kinds)}


def _common(
    setting: ParBasis, reckoning: LevelEvaluator, kept: StockedItem, chosen: ChosenLevels
) -> dict[str, Any]:
    """Return what the references that stand for each other have in common."""
    level = chosen.levels[kept.name]
    per_day = reckoning.per_case(kept.name) * setting.arrivals_per_day
    return {
        "expected_per_year": per_day * DAYS_PER_YEAR,
        "lead_time_days": kept.lead_time_days,
        "unit_price_minor": kept.unit_price_minor,
        "shelf_life_days": kept.shelf_life_days,
        "minimum": chosen.minimums[kept.name],
        "alone": reckoning.alone(kept, chosen.chance),
        "expected_short_today": reckoning.short(kept, kept.level_today),
        "expected_short_proposed": reckoning.short(kept, level),
        "readiness_if_left_as_today": reckoning.left_as(chosen.levels, kept.name, kept.level_today),
    }


def _lines_of(
    setting: ParBasis, kept: StockedItem, level: int, common: Mapping[str, Any]
) -> Iterator[ProposedLine]:
    split = split_level(kept, level)
    for ref in kept.refs:
        one = setting.seen.items.get(ref)
        own = {
            "used": 0 if one is None else one.used,
            "wasted": 0 if one is None else one.wasted,
            "per_year": None if one is None else rate_per_year(one.rate),
            "stands_with": [other for other in kept.refs if other != ref],
            "on_shelf": setting.shelf.on_shelf.get(ref, OnShelf(owned=0, consigned=0)),
            "today_from": "level set" if ref in setting.shelf.levels else "units on the shelf",
        }
        why = WhyOut.model_validate({**common, **own, "says": ""})
        today, wanted = kept.today[ref], split[ref]
        says = _says(why, wanted - today)
        yield ProposedLine(ref, today, wanted, why.model_copy(update={"says": says}))


def _says(why: WhyOut, change: int) -> str:
    """Say in sentences what makes the level."""
    use = f"Upcoming cases use about {why.expected_per_year:.1f} a year"
    if why.per_year is not None:
        rate = why.per_year
        use += f" (used: {rate.mean:.1f}, between {rate.lower:.1f} and {rate.upper:.1f})"
    words = [f"{use}; lead time {why.lead_time_days} days."]
    if change:
        more = f"{abs(change)} {'more' if change > 0 else 'fewer'}"
        cases = abs(1000 * why.readiness_added)
        effect = "saves" if why.readiness_added > 0 else "loses"
        words.append(
            f"{more.capitalize()} {effect} {cases:.1f} cases per 1,000."
            if cases >= 0.05  # noqa: PLR2004 - less rounds to nothing
            else f"{more.capitalize()} changes fewer than 0.1 cases per 1,000."
        )
    if why.minimum:
        words.append(f"At least {why.minimum}: planned constructs use it.")
    if not any(use.first_choice for use in why.constructs):
        words.append("Used by backups only.")
    if why.stands_with:
        words.append(f"Meets the same need as {', '.join(why.stands_with)}.")
    return " ".join(words)


def _takers(mix: CaseMix) -> dict[str, _Takers]:
    """Give, for each item, the constructs and kinds of case that may take it."""
    constructs: dict[str, Counter[str]] = defaultdict(Counter)
    firsts: dict[str, set[str]] = defaultdict(set)
    kinds: dict[str, set[str]] = defaultdict(set)
    for _, case in mix.entries:
        chosen = {need["constructs"][0] for need in case["needs"] if need["constructs"]}
        for construct in case["constructs"]:
            planned = str(construct["construct"])
            for name in items_of({"constructs": [construct]}):
                constructs[name][planned] += 1
                kinds[name].add(mix.kind_of[case["case"]])
                if planned in chosen:
                    firsts[name].add(planned)
    return {
        name: _Takers(
            dict(counts.most_common(_MOST_NAMED)),
            frozenset(firsts[name]),
            tuple(sorted(kinds[name])),
        )
        for name, counts in constructs.items()
    }


def list_proposals(unit: Unit, limit: int) -> ProposalList:
    """Return the site's proposals, the newest first, without their lines."""
    rows = queries.proposals(unit.session, unit.site_id, limit)
    counts = queries.open_lines(unit.session, [row.id or 0 for row in rows])
    return ProposalList(
        proposals=[_summary(unit, row, *counts.get(row.id or 0, (0, 0))) for row in rows]
    )


def get_proposal(unit: Unit, key: int) -> ProposalOut:
    """Return one proposal with its lines."""
    return proposal_out(unit, require_proposal(unit, key))


def require_proposal(unit: Unit, key: int) -> ParProposal:
    """Return a proposal's row, or say that the site has none of this number."""
    row = unit.session.get(ParProposal, key)
    if row is None or row.site_id != unit.site_id:
        raise NotFound(f"Proposal {key} was not found.")
    return row


def proposal_out(unit: Unit, row: ParProposal) -> ProposalOut:
    """Return a proposal as it is answered."""
    lines = queries.lines_of(unit.session, row.id or 0)
    return ProposalOut(
        id=row.id or 0,
        made_at=unit.local(row.made_at),
        made_by=row.made_by,
        asked=row.asked,
        answer=ProposalAnswer.model_validate(row.answer),
        lines=[line_out(unit, line, facts) for line, facts in lines],
        closed_at=None if row.closed_at is None else unit.local(row.closed_at),
        closed_by=row.closed_by,
    )


def line_out(unit: Unit, line: ParProposalLine, facts: Row[Any]) -> ProposalLineOut:
    """Return a line as it is answered."""
    return ProposalLineOut.model_validate(
        {
            "ref": facts.ref,
            "description": facts.description,
            "today": line.today or 0,
            "proposed": line.proposed,
            "why": WhyOut.model_validate(line.why),
            "decision": line.decision,
            "chosen": line.chosen,
            "decided_at": None if line.decided_at is None else unit.local(line.decided_at),
            "decided_by": line.decided_by,
            "decided_why": line.decided_why,
        }
    )


def _summary(unit: Unit, row: ParProposal, lines: int, undecided: int) -> ProposalSummary:
    answer = row.answer
    return ProposalSummary(
        id=row.id or 0,
        made_at=unit.local(row.made_at),
        made_by=row.made_by,
        asked=row.asked,
        readiness_today=answer["today"]["value"],
        readiness_proposed=answer["proposed"]["value"],
        cost_minor=answer["proposed"]["cost_minor"],
        currency=answer["currency"],
        lines=lines,
        undecided=undecided,
        closed_at=None if row.closed_at is None else unit.local(row.closed_at),
        closed_by=row.closed_by,
    )
