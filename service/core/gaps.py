"""Why something is missing, in words a nurse can act on."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, tzinfo

from service.core.requirements import Line

__all__ = ["BECAUSE", "Gap", "Parcel", "Reason", "explain"]

#: Every reason a gap may have, strongest first: the first that applies is the gap's reason.
BECAUSE = (
    "not_made",
    "instrument_set_in_use",
    "promised",
    "expires",
    "quarantined",
    "unsterile",
    "return_due",
    "not_here_in_time",
    "not_here_yet",
    "wrong_side",
    "head_design",
    "none_in_stock",
)


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason why one parcel does not serve a case."""

    because: str
    parcel: "Parcel | None" = None
    when: datetime | None = None
    cases: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Parcel:
    """Units of one lot in one place, or on their way.

    Parameters
    ----------
    key
        Unique among parcels.
    quantity
        Units not promised to anyone by a hold.
    held
        Further units there that a hold has promised to someone.
    use_by
        Last day of use; ``None`` when it does not expire.
    blocked
        ``quarantined`` or ``unsterile``, or ``None`` when neither.
    return_by
        The day a loan leaves; it counts before that day only.
    usable_from
        For what is on its way: when it can be used, an aware moment.
    """

    key: str
    ref: str
    quantity: int
    lot: str = ""
    serial: str = ""
    store: str = ""
    shelf: str = ""
    use_by: date | None = None
    ownership: str = "owned"
    blocked: str | None = None
    return_by: date | None = None
    due_at: datetime | None = None
    usable_from: datetime | None = None
    held: int = 0

    def why_not(self, list_date: date, starts: datetime) -> Reason | None:
        """Say why this parcel does not count for a case, or ``None`` when it does.

        What is on its way never counts as there, even when it is due in time.
        """
        because = None
        if self.blocked is not None:
            because = self.blocked
        elif self.use_by is not None and self.use_by < list_date:
            because = "expires"
        elif self.return_by is not None and self.return_by <= list_date:
            because = "return_due"
        elif self.usable_from is not None:
            because = "not_here_yet" if self.usable_from <= starts else "not_here_in_time"
        return None if because is None else Reason(because, self, self.usable_from)


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
    is_spare: bool = False


def explain(
    line: Line,
    missing: int,
    reasons: Sequence[Reason],
    others: Mapping[str, Sequence[Parcel]],
    zone: tzinfo = UTC,
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

    Returns
    -------
    Gap
        Its reason is the first of ``BECAUSE`` that applies.

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
    found.sort(key=lambda reason: BECAUSE.index(reason.because))
    first = found[0]
    return Gap(
        line.role,
        line.label,
        _what(line, first.because),
        first.because,
        missing,
        f"{line.label}: {_sentence(first, zone)}.",
        tuple(found[:-1]),
        line.is_spare,
    )


def _what(line: Line, because: str) -> str:
    if line.what != "implant":
        return line.what
    if because == "wrong_side":
        return "side"
    if because == "head_design":
        return "head design"
    return "size" if line.is_sized else "implant"


def _sentence(reason: Reason, zone: tzinfo) -> str:
    parcel, cases = reason.parcel, ", ".join(reason.cases)
    where = f"lot {parcel.lot or parcel.serial}" if parcel is not None else "the lot"
    use_by = f" ({parcel.use_by})" if parcel is not None and parcel.use_by else ""
    back = "later" if reason.when is None else f"{reason.when.astimezone(zone):%H:%M}"
    moment = "a day not given"
    if reason.when is not None:
        moment = f"{reason.when.astimezone(zone):%Y-%m-%d %H:%M}"
    sentences = {
        "not_made": "this size is not in the catalogue",
        "instrument_set_in_use": f"in use or in turnaround until {back}",
        "promised": "the last is promised to " + (cases or "another case"),
        "expires": f"{where} expires before the list day{use_by}",
        "quarantined": f"{where} is in quarantine",
        "unsterile": f"{where} is not sterile",
        "return_due": f"{where} is a loan that goes back by then",
        "not_here_in_time": f"on its way, usable from {moment}: not before the case",
        "not_here_yet": f"not here yet; usable from {moment} if it comes as promised",
        "wrong_side": "only the other side is in stock",
        "head_design": "only the other head design is in stock",
        "none_in_stock": "none in stock",
    }
    sentence = sentences[reason.because]
    if reason.because == "instrument_set_in_use" and cases:
        sentence += f", for {cases}"
    return sentence
