"""Proposals as they are answered."""

from typing import Any

from sqlalchemy import Row

from service.errors import NotFound
from service.operations.schemas.par import (
    LineOut,
    ProposalAnswer,
    ProposalList,
    ProposalOut,
    ProposalSummary,
    WhyOut,
)
from service.operations.unit import Unit
from service.storage.queries import par as queries
from service.storage.tables import ParProposal, ParProposalLine

__all__ = ["get_proposal", "line_out", "list_proposals", "proposal_out", "the_proposal"]


def list_proposals(unit: Unit, limit: int) -> ProposalList:
    """Give the site's proposals, the newest first, without their lines."""
    rows = queries.proposals(unit.session, unit.site_id, limit)
    counts = queries.open_lines(unit.session, [row.id or 0 for row in rows])
    return ProposalList(
        proposals=[_summary(unit, row, *counts.get(row.id or 0, (0, 0))) for row in rows]
    )


def get_proposal(unit: Unit, key: int) -> ProposalOut:
    """Give one proposal with its lines."""
    return proposal_out(unit, the_proposal(unit, key))


def the_proposal(unit: Unit, key: int) -> ParProposal:
    """Give a proposal's row, or say that the site has none of this number."""
    row = unit.session.get(ParProposal, key)
    if row is None or row.site_id != unit.site_id:
        raise NotFound(f"There is no proposal {key}.")
    return row


def proposal_out(unit: Unit, row: ParProposal) -> ProposalOut:
    """Give a proposal as it is answered."""
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


def line_out(unit: Unit, line: ParProposalLine, facts: Row[Any]) -> LineOut:
    """Give a line as it is answered."""
    return LineOut.model_validate(
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
