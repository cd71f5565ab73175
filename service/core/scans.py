"""Is the pack in my hand the right one? One verdict, the most dangerous first, and what to do.

The rules are tried in a fixed order, safety before order on the shelf: what must not be used at
all is said before what belongs to somebody else. The first rule that has something to say gives
the verdict. What cannot be known from the code and the records is said beside it, never assumed.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date

from service.core.catalogue import ItemFacts, describe_size
from service.core.cover.units import StockUnits, unusable_reasons


@dataclass(frozen=True, slots=True)
class ExpectedLine:
    """One line of the case's pick list with every item that may fill it."""

    role: str
    label: str
    place: str
    why: str
    items: tuple[ItemFacts, ...]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the pack is, and what to do with it.

    Parameters
    ----------
    verdict
        One of ``VERDICTS``.
    says, what_to_do
        Sentences for a person.
    fills
        The line of the pick list it fills; for ``right`` only.
    """

    verdict: str
    says: str
    what_to_do: str
    fills: ExpectedLine | None = None


@dataclass(frozen=True, slots=True)
class PackLabel:
    """What the code on the pack said.

    Parameters
    ----------
    problem
        Why the code was refused; ``None`` when it was read.
    is_secondary
        It says a lot or a date but not of which item.
    lot, serial
        As printed; empty when the code does not carry them.
    use_by
        Last day of use, when the code carries it.
    """

    problem: str | None = None
    is_secondary: bool = False
    lot: str = ""
    serial: str = ""
    use_by: date | None = None


@dataclass(frozen=True, slots=True)
class HoldingCase:
    """Another case that the units are promised to, or on whose tray they lie."""

    case: str
    list_date: date
    theatre: str


@dataclass(frozen=True, slots=True)
class RecordedUnits:
    """What is on record here of the lot or serial that the label names.

    Parameters
    ----------
    use_by
        Every use-by date on record for it, in order; usually one.
    is_sterile
        Whether every unit of it is on record as sterile.
    usable, quarantined
        Units here outside quarantine, and in it; 0 or more.
    in_transit
        Units that another site has sent and nobody has received; 0 or more.
    free
        Units nobody is promised and that lie on no tray; what the case itself holds is not in it.
    taken
        Units of it scanned to this case's tray and neither put back nor wasted; what was implanted
        still fills its line.
    expected
        Units of it that the pick list or the holds of this case name.
    is_promised
        Whether the pick list or the holds of this case name it.
    return_by
        Every day on which a loan of it goes back.
    tray_of
        The other case on whose tray all its units here lie, ``None`` when some lie elsewhere.
    holders
        The other cases that hold it, in order of list day.
    """

    use_by: tuple[date, ...] = ()
    is_sterile: bool = True
    usable: int = 0
    quarantined: int = 0
    in_transit: int = 0
    free: int = 0
    taken: int = 0
    expected: int = 0
    is_promised: bool = False
    return_by: tuple[date, ...] = ()
    tray_of: str | None = None
    holders: tuple[HoldingCase, ...] = ()


@dataclass(frozen=True, slots=True)
class CaseFacts:
    """The case the pack was scanned for.

    Parameters
    ----------
    side
        ``left`` or ``right``: the side operated on.
    wanted
        Every line of its pick list, the line that this pack fills best first.
    no_pick_list
        Why there is no pick list, such as a case not planned; empty when there is one.
    """

    case: str
    list_date: date
    side: str
    wanted: tuple[ExpectedLine, ...] = ()
    no_pick_list: str = ""


@dataclass(frozen=True, slots=True)
class ScannedPack:
    """Everything known of one scanned pack.

    Parameters
    ----------
    today
        The date at the site.
    item
        The catalogue line the code names, ``None`` when no item has the code.
    record
        What is on record of its lot, ``None`` when the lot is not on record here.
    recall
        The sentence of a recall that covers the pack; empty when none does.
    doubt
        The sentence of a recall that may cover it: it names what this code does not carry.
    case
        The case it was scanned for, ``None`` when only its name was asked.
    """

    today: date
    label: PackLabel
    item: ItemFacts | None = None
    record: RecordedUnits | None = None
    recall: str = ""
    doubt: str = ""
    case: CaseFacts | None = None

    @property
    def units(self) -> StockUnits:
        """The unit in somebody's hand; of what it may be by its label, the worst."""
        record = self.record or RecordedUnits()
        blocked = {
            "recalled": bool(self.recall),
            "quarantined": record.quarantined > 0 and not record.usable,
            "unsterile": not record.is_sterile,
        }
        return StockUnits(
            key="in hand",
            ref=self.item.ref if self.item is not None else "",
            quantity=1,
            lot=self.label.lot,
            serial=self.label.serial,
            use_by=self.use_by,
            blocked=tuple(word for word, applies in blocked.items() if applies),
            return_by=min(record.return_by, default=None),
            tray_of=record.tray_of,
        )

    @property
    def use_by(self) -> date | None:
        """The use-by date of the label, or the earliest on record; ``None``: not known."""
        known = self.record.use_by if self.record is not None else ()
        return self.label.use_by or min(known, default=None)


def judge_pack(pack: ScannedPack) -> Verdict:
    """Decide what to do with a pack.

    Parameters
    ----------
    pack
        Everything known of it.

    Returns
    -------
    Verdict
        The first of ``VERDICTS`` that applies. Without a case only what the pack itself tells is
        judged, and a pack in order is ``known``.

    Notes
    -----
    Type, size, side, system, use-by date and sterility are compared before a pack is opened.
    Source: NatSSIPs 2015, 4.10.2 (prosthesis verification). That a recall and an expired date go
    before everything else is common practice, no source.

    Examples
    --------
    >>> from datetime import date
    >>> from service.core.scans import PackLabel
    >>> judge_pack(ScannedPack(date(2031, 3, 3), PackLabel(problem="nothing was scanned"))).verdict
    'unreadable'
    """
    for name, rule in _RULES.items():
        said = rule(pack)
        if said is not None:
            return Verdict(name, said, _WHAT_TO_DO[name])
    if pack.case is None:
        return Verdict("known", _with_doubts(f"{_named(pack)}.", pack), _WHAT_TO_DO["known"])
    line = _line_of(pack)
    if line is None:
        message = "a pack no line wants has been refused by a rule above"
        raise AssertionError(message)
    says = f"{_named(pack)}, for {line.label} ({line.why})."
    return Verdict("right", _with_doubts(says, pack), _PLACES[line.place], line)


def _unreadable(pack: ScannedPack) -> str | None:
    problem = pack.label.problem
    return None if problem is None else f"This code cannot be used: {problem}."


def _needs_primary(pack: ScannedPack) -> str | None:
    if not pack.label.is_secondary:
        return None
    return "This code gives a lot or a date but not the item."


def _unknown(pack: ScannedPack) -> str | None:
    if pack.item is not None:
        return None
    return "Code scanned, but not in the catalogue."


def _recalled(pack: ScannedPack) -> str | None:
    return f"{_named(pack)}: {pack.recall}" if _is_because("recalled", pack, pack.today) else None


def _label_differs(pack: ScannedPack) -> str | None:
    known = pack.record.use_by if pack.record is not None else ()
    if pack.label.use_by is None or not known or known == (pack.label.use_by,):
        return None
    dates = " or ".join(str(day) for day in known)
    return (
        f"{_named(pack)}: the label says use by {pack.label.use_by}, the stock record says {dates}."
    )


def _expired(pack: ScannedPack) -> str | None:
    if not _is_because("expires", pack, pack.today):
        return None
    return f"{_named(pack)} expired: the use-by date was {pack.use_by}."


def _quarantined(pack: ScannedPack) -> str | None:
    if not _is_because("quarantined", pack, pack.today):
        return None
    return f"{_named(pack)} is in quarantine."


def _not_sterile(pack: ScannedPack) -> str | None:
    if not _is_because("unsterile", pack, pack.today):
        return None
    return f"{_named(pack)} is recorded as not sterile."


def _expires_before_list_day(pack: ScannedPack) -> str | None:
    if pack.case is None or not _is_because("expires", pack, pack.case.list_date):
        return None
    return (
        f"{_named(pack)}: use by {pack.use_by}; case {pack.case.case} is on {pack.case.list_date}."
    )


def _goes_back(pack: ScannedPack) -> str | None:
    day = pack.today if pack.case is None else max(pack.case.list_date, pack.today)
    if not _is_because("return_due", pack, day):
        return None
    says = f"{_named(pack)} is a loan due back on {pack.units.return_by}"
    return f"{says}." if pack.case is None else f"{says}; case {pack.case.case} is on {day}."


def _is_because(because: str, pack: ScannedPack, day: date) -> bool:
    """Tell whether something stands in the way of a pack on a day."""
    case = None if pack.case is None else pack.case.case
    return any(one.because == because for one in unusable_reasons(pack.units, day, case=case))


def _no_pick_list(pack: ScannedPack) -> str | None:
    if pack.case is None or not pack.case.no_pick_list:
        return None
    return f"Case {pack.case.case} has no pick list: {pack.case.no_pick_list}"


def _wrong_side(pack: ScannedPack) -> str | None:
    case, item = _unwanted(pack)
    if case is None or item is None or not _of_kind(case, item):
        return None
    if item.side not in {"left", "right"} or item.side == case.side:
        return None
    return f"{_named(pack)} is for the {item.side}; case {case.case} is the {case.side} side."


def _wrong_system(pack: ScannedPack) -> str | None:
    case, item = _unwanted(pack)
    if case is None or item is None:
        return None
    wanted = {str(one.system) for one in _of_kind(case, item) if one.system is not None}
    if not wanted or item.system in wanted or item.system is None:
        return None
    systems = " or ".join(sorted(wanted))
    return f"{_named(pack)} belongs to {item.system}; case {case.case} is planned with {systems}."


def _wrong_size(pack: ScannedPack) -> str | None:
    case, item = _unwanted(pack)
    if case is None or item is None or not _of_kind(case, item):
        return None
    labels = dict.fromkeys(
        line.label
        for line in case.wanted
        if any(one.kind == item.kind and one.system == item.system for one in line.items)
    )
    if not labels:
        return None
    return (
        f"{_named(pack)} is not a size on the pick list of case {case.case}: {'; '.join(labels)}."
    )


def _wrong_item(pack: ScannedPack) -> str | None:
    case, item = _unwanted(pack)
    if case is None or item is None:
        return None
    return f"{_named(pack)} is not on the pick list of case {case.case}."


def _needs_lot(pack: ScannedPack) -> str | None:
    if pack.case is None or pack.label.lot or pack.label.serial:
        return None
    says = f"{_named(pack)}: this code has no lot or serial, so the pack has not been checked."
    return _with_doubts(says, pack, about_date=False)


def _already_scanned(pack: ScannedPack) -> str | None:
    record = pack.record
    if pack.case is None or record is None or not record.taken:
        return None
    if record.taken < max(1, record.expected or record.usable):
        return None
    return f"{_named(pack)}: {record.taken} already on the tray of case {pack.case.case}."


def _held_for_another_case(pack: ScannedPack) -> str | None:
    record = pack.record
    if pack.case is None or record is None or not record.usable:
        return None
    if _is_because("promised", pack, pack.case.list_date):
        return f"{_named(pack)} is on the tray of case {record.tray_of}."
    if not record.holders:
        return None
    if record.free > 0 or record.is_promised:
        return None
    holder = record.holders[0]
    return (
        f"{_named(pack)} is reserved for case {holder.case}, {holder.theatre} on "
        f"{holder.list_date}."
    )


def _not_in_stock(pack: ScannedPack) -> str | None:
    if pack.case is None:
        return None
    if pack.record is None:
        return f"{_named(pack)} is not in the stock records."
    if pack.record.usable:
        return None
    if pack.record.in_transit:
        return f"{_named(pack)} is in transit from another site and has not been received."
    return f"{_named(pack)}: none left in stock."


_RULES: Mapping[str, Callable[[ScannedPack], str | None]] = {
    "unreadable": _unreadable,
    "needs_primary": _needs_primary,
    "unknown": _unknown,
    "recalled": _recalled,
    "label_differs": _label_differs,
    "expired": _expired,
    "quarantined": _quarantined,
    "not_sterile": _not_sterile,
    "expires_before_list_day": _expires_before_list_day,
    "goes_back": _goes_back,
    "no_pick_list": _no_pick_list,
    "wrong_side": _wrong_side,
    "wrong_system": _wrong_system,
    "wrong_size": _wrong_size,
    "wrong_item": _wrong_item,
    "needs_lot": _needs_lot,
    "already_scanned": _already_scanned,
    "held_for_another_case": _held_for_another_case,
    "not_in_stock": _not_in_stock,
}


#: Every verdict there is, in the order in which they are tried.
VERDICTS = (*_RULES, "right", "known")


_WHAT_TO_DO: Mapping[str, str] = {
    "unreadable": "Scan it again, or scan another code on the pack. If that fails, compare REF, "
    "lot and use-by date by eye and type them in.",
    "needs_primary": "Scan the other code on the same pack as well.",
    "unknown": "Compare the REF on the pack with the catalogue; if it is the same item, link this "
    "code to the REF, then scan again.",
    "recalled": "Do not use it: put it in quarantine and tell the storekeeper.",
    "label_differs": "Do not use it yet: read the date printed on the pack and ask the storekeeper "
    "to correct the record.",
    "expired": "Do not use it: take it off the shelf and write it off.",
    "quarantined": "Do not use it: put it back in quarantine and take another.",
    "not_sterile": "Do not open it for this case: send it to be sterilised, or take a sterile one.",
    "expires_before_list_day": "Put it back for an earlier case and take a pack with a later "
    "use-by date.",
    "goes_back": "Put it with the loans to be returned and take a pack that is not on loan.",
    "no_pick_list": "Plan the case first, then scan the pack again.",
    "wrong_side": "Put it back: it is for the other side. Take the pack for the operated side.",
    "wrong_system": "Put it back: do not mix parts of different systems.",
    "wrong_size": "Put it back and take a size on the pick list.",
    "wrong_item": "Put it back where it came from: it is not needed for this case.",
    "needs_lot": "Scan the code with the lot and use-by date, often the second one on the pack.",
    "already_scanned": "If it is the same pack, leave it on the tray. Put any extra pack back.",
    "held_for_another_case": "Put it back: take another lot, or ask for the reservation to be "
    "moved to this case.",
    "not_in_stock": "Receive it into stock first, then scan it again.",
    "known": "No action: no case selected.",
}


_PLACES: Mapping[str, str] = {
    "first use": "Put it on the tray: open first.",
    "in the room": "Take it into the room, unopened.",
    "on its shelf": "Leave it on the shelf; know where it is.",
}


def _line_of(pack: ScannedPack) -> ExpectedLine | None:
    """Return the line that the pack fills; the caller has put the best one first."""
    if pack.case is None or pack.item is None:
        return None
    ref = pack.item.ref
    lines = (line for line in pack.case.wanted if any(one.ref == ref for one in line.items))
    return next(lines, None)


def _unwanted(pack: ScannedPack) -> tuple[CaseFacts | None, ItemFacts | None]:
    """Return case and item when no line of the case takes the item; otherwise neither."""
    if pack.case is None or pack.item is None or _line_of(pack) is not None:
        return None, None
    return pack.case, pack.item


def _of_kind(case: CaseFacts, item: ItemFacts) -> list[ItemFacts]:
    return [one for line in case.wanted for one in line.items if one.kind == item.kind]


def _named(pack: ScannedPack) -> str:
    item, label = pack.item, pack.label
    if item is None:
        message = "a pack without an item has been given its verdict by a rule before"
        raise AssertionError(message)
    parts = [f"{item.description or item.kind.replace('_', ' ')} {describe_size(item)}".strip()]
    parts.append(item.ref)
    parts += [f"lot {label.lot}"] if label.lot else []
    parts += [f"serial {label.serial}"] if label.serial else []
    return ", ".join(parts)


def _with_doubts(says: str, pack: ScannedPack, *, about_date: bool = True) -> str:
    return " ".join([says, *_doubts(pack, about_date=about_date)])


def _doubts(pack: ScannedPack, *, about_date: bool) -> Iterator[str]:
    """Say what neither code nor record tells."""
    if pack.doubt:
        yield pack.doubt
    if about_date and pack.use_by is None:
        yield "No use-by date in the code or the stock record: read the pack."
    record = pack.record
    if record is not None and record.quarantined and record.usable:
        yield f"{record.quarantined} of this lot in quarantine: check that this is not one of them."
    if record is not None and record.in_transit and (record.usable or pack.case is None):
        yield f"{record.in_transit} of this lot in transit to this site: receive them before use."
    if pack.case is None and record is None and (pack.label.lot or pack.label.serial):
        yield "This lot is not in the stock records."
