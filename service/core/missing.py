"""Find out why units are missing: who has them, and what stands in the way of the rest."""

from collections.abc import Sequence
from datetime import datetime

from service.core.gaps import Gap, explain
from service.core.lines import INSTRUMENT_SET, Line
from service.core.turn import Turn, first_expired
from service.core.units import Reason, StockUnits

__all__ = ["gap_of"]


def gap_of(line: Line, missing: int, turn: Turn, *, is_primary: bool) -> Gap:
    """Say why units of a line are missing.

    Parameters
    ----------
    line
        What was wanted.
    missing
        How many units were not found, at least 1.
    turn
        The case's turn, with everything claimed so far.
    is_primary
        Whether the line belongs to the primary, whose instrument sets are away for a turnaround.

    Returns
    -------
    Gap
        With every reason found.

    Examples
    --------
    >>> from datetime import UTC, date, datetime
    >>> from service.core.case_checks import CaseToCheck
    >>> from service.core.shelf import Shelf
    >>> moment = datetime(2031, 3, 3, tzinfo=UTC)
    >>> case = CaseToCheck("K1", date(2031, 3, 3), moment, moment, ())
    >>> turn = Turn(case, Shelf.of([], []), {}, UTC)
    >>> line = Line("screw", "screw 95 mm", ("A",), 1, "nominal", "first use")
    >>> gap_of(line, 1, turn, is_primary=True).because
    'none_in_stock'
    """
    reasons: list[Reason] = []
    stock = [parcel for ref in line.refs for parcel in turn.shelf.parcels.get(ref, ())]
    for parcel in sorted(stock, key=first_expired):
        reason = turn.why_not(parcel)
        if reason is not None:
            reasons.append(reason)
        elif line.what == INSTRUMENT_SET:
            reasons += _set_in_use(parcel, turn, turn.set_until(parcel, is_primary=is_primary))
        else:
            reasons += _promised(parcel, turn)
    others = {
        "wrong_side": _free(line.other_side, turn),
        "head_design": _free(line.other_head, turn),
    }
    has_some = any(turn.held(parcel) for parcel in stock)
    return explain(line, missing, reasons, others, turn.zone, case_has_some=has_some)


def _free(refs: Sequence[str], turn: Turn) -> list[StockUnits]:
    day = turn.case.list_date
    return [one for one in turn.usable(refs) if turn.shelf.free(one, day, stays=False) > 0]


def _set_in_use(parcel: StockUnits, turn: Turn, until: datetime) -> list[Reason]:
    case = turn.case
    spans = [
        span
        for span in turn.shelf.overlapping(parcel, case.starts, until)
        if span.case != case.case
    ]
    away = [span for span in spans if span.starts is not None and span.starts < case.ends]
    if away:
        names = tuple(sorted({span.case for span in away}))
        return [Reason("instrument_set_in_use", parcel, away[0].until, names)]
    # It is here for the case, but would not be back for one that has it promised.
    names = tuple(sorted({span.case for span in spans}))
    return [Reason("promised", units=parcel, cases=names)] if names else []


def _promised(parcel: StockUnits, turn: Turn) -> list[Reason]:
    names = turn.shelf.others(parcel, turn.case.case, turn.case.list_date)
    return [Reason("promised", units=parcel, cases=names)] if names else []
