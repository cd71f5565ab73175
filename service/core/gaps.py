"""Why something is missing, in words a nurse can act on."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from service.core.lines import IMPLANT, Line
from service.core.units import BECAUSE, Reason, StockUnits

__all__ = ["Gap", "explain"]


@dataclass(frozen=True, slots=True)
class Gap:
    """Something missing for a line.

    Parameters
    ----------
    what
        ``size``, ``side``, ``head design``, ``instrument set``, ``consumable`` or ``implant``.
    because
        One of ``BECAUSE``.
    missing
        How many units are missing.
    reasons
        Everything that was found in the way, for the sentence and for who wants to know more.
    """

    role: str
    label: str
    what: str
    because: str
    missing: int
    sentence: str
    reasons: tuple[Reason, ...]


def explain(
    line: Line,
    missing: int,
    reasons: Sequence[Reason],
    others: Mapping[str, Sequence[StockUnits]],
    zone: tzinfo = UTC,
    *,
    case_has_some: bool = False,
) -> Gap:
    """Turn what stands in the way into one gap with one sentence.

    Parameters
    ----------
    line
        What was wanted.
    missing
        How many units of it are missing, at least 1.
    reasons
        Why each parcel of the right item does not serve.
    others
        Usable parcels of the wrong side (``wrong_side``) or head design (``head_design``).
    zone
        The time zone in which moments are said.
    case_has_some
        Whether the case has units of it on other lines: then there are no more, not none.

    Returns
    -------
    Gap
        Its reason is the first of ``BECAUSE`` that applies; of equals, the earliest moment, then
        the order given.

    Examples
    --------
    >>> explain(Line("lag screw", "lag screw 95 mm", ("L95",), 1, "nominal", "first use"), 1, [],
    ...         {}).sentence
    'lag screw 95 mm: none in stock.'
    """
    found = list(reasons)
    if not line.refs:
        found.append(Reason("not_made"))
    found += [Reason(name, parcel) for name, parcels in others.items() for parcel in parcels[:1]]
    found.append(Reason("none_in_stock"))
    found.sort(key=_strongest_first)
    first = found[0]
    words = _sentence(first, found, zone)
    if first.because == "none_in_stock" and (case_has_some or missing < line.quantity):
        words = "no more in stock"
    if first.because == "not_made" and line.is_sized:
        words = "this size is not in the catalogue"
    if missing < line.quantity:
        words = f"{line.quantity - missing} of {line.quantity} found; {words}"
    return Gap(
        line.role,
        line.label,
        _what(line, first.because),
        first.because,
        missing,
        f"{line.label}: {words}.",
        tuple(found[:-1]),
    )


def _strongest_first(reason: Reason) -> tuple[int, datetime]:
    return BECAUSE.index(reason.because), reason.when or datetime.max.replace(tzinfo=UTC)


def _what(line: Line, because: str) -> str:
    if line.what != IMPLANT:
        return line.what
    if because == "wrong_side":
        return "side"
    if because == "head_design":
        return "head design"
    return "size" if line.is_sized else "implant"


def _sentence(reason: Reason, found: Sequence[Reason], zone: tzinfo) -> str:
    pack, moment = _pack(reason.units), _moment(reason.when, zone)
    sentences = {
        "not_made": "not in the catalogue",
        "instrument_set_in_use": f"in use or in turnaround until {moment}{_for(reason.cases)}",
        "promised": f"the last is promised to {_promised_to(found)}",
        "recalled": f"{pack} is recalled",
        "expires": f"{pack} expires before the list day{_day(reason, 'use_by')}",
        "quarantined": f"{pack} is in quarantine",
        "unsterile": f"{pack} is not sterile",
        "return_due": f"{pack} is a loan that goes back by then{_day(reason, 'return_by')}",
        "not_here_yet": f"{pack} is not here yet; usable from {moment} if it comes as promised",
        "not_here_in_time": f"{pack} is on its way, usable from {moment}: not before the case",
        "wrong_side": f"only the other side is in stock ({pack})",
        "head_design": f"only the other head design is in stock ({pack})",
        "none_in_stock": "none in stock",
    }
    return sentences[reason.because]


def _pack(parcel: StockUnits | None) -> str:
    if parcel is None or not (parcel.lot or parcel.serial):
        return "the pack"
    if parcel.usable_from is not None:
        # What is on its way is known by its delivery; its lot is read when it comes.
        return parcel.lot or parcel.serial
    return f"lot {parcel.lot}" if parcel.lot else f"serial {parcel.serial}"


def _moment(when: datetime | None, zone: tzinfo) -> str:
    return "a day not given" if when is None else f"{when.astimezone(zone):%Y-%m-%d %H:%M}"


def _day(reason: Reason, field: str) -> str:
    day = getattr(reason.units, field, None)
    return "" if day is None else f" ({day})"


def _for(cases: Sequence[str]) -> str:
    return f", for {', '.join(cases)}" if cases else ""


def _promised_to(found: Sequence[Reason]) -> str:
    """Name everyone who has a pack of it: any of them may be asked."""
    names = dict.fromkeys(
        name for reason in found if reason.because == "promised" for name in reason.cases
    )
    return ", ".join(names) or "another case"
