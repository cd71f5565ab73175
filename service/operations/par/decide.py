"""Decisions about the lines of a proposal: the only way in which a proposal changes a level."""

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Row

from service.errors import BadInput, Conflict, FieldFault
from service.operations.audit import note
from service.operations.par.levels import put_level
from service.operations.par.read import line_out, the_proposal
from service.operations.schemas.par import DecisionBody, DecisionsBody, ProposalLinesOut
from service.operations.unit import Unit
from service.storage.queries import par as queries
from service.storage.tables import ParLevel, ParProposal, ParProposalLine

__all__ = ["decide"]

Found = tuple[ParProposalLine, Row[Any]]

#: So many decisions are told one by one in the audit trail; more are counted.
_MOST_TOLD = 200


def decide(unit: Unit, key: int, body: DecisionsBody) -> ProposalLinesOut:
    """Accept, change or refuse lines; accepted and changed ones set the par level of their item.

    Raises
    ------
    BadInput
        When the proposal has no such line, or a line is named twice.
    Conflict
        When a line has been decided, or its level was set by somebody since, and the decision
        does not say why it is made again.
    """
    proposal = the_proposal(unit, key)
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
            faults.append(FieldFault(pointer, f"the proposal has no line for {one.ref}"))
        elif one.ref in named:
            faults.append(FieldFault(pointer, f"{one.ref} is decided twice here"))
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
            faults.append(FieldFault(pointer, f"{one.ref}: {reason}; say why it is decided again"))
    if faults:
        raise Conflict("Some lines are settled already; nothing was saved.", faults=faults)


def _settled(unit: Unit, proposal: ParProposal, line: ParProposalLine) -> str | None:
    """Say what somebody has settled about a line since it was proposed, or give None."""
    if line.decision != "open":
        when = unit.local(line.decided_at or proposal.made_at)
        return f"{line.decision} by {line.decided_by} on {when:%Y-%m-%d %H:%M}"
    level = unit.session.get(ParLevel, (unit.site_id, line.item_id))
    if level is not None and level.level != line.today:
        return f"its level is {level.level} by now, set by {level.actor}"
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
