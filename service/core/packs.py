"""A scanned pack: what its label says, what is on record of it, and the case it is meant for."""

from dataclasses import dataclass
from datetime import date

from service.core.items import ItemFacts
from service.core.units import StockUnits

__all__ = ["CaseFacts", "Holder", "Label", "OnRecord", "Pack", "Wanted"]


@dataclass(frozen=True, slots=True)
class Label:
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
class Holder:
    """Another case that the units are promised to, or on whose tray they lie."""

    case: str
    list_date: date
    theatre: str


@dataclass(frozen=True, slots=True)
class OnRecord:
    """What is on record here of the lot or serial that the label names.

    Parameters
    ----------
    use_by
        Every use-by date on record for it, in order; usually one.
    is_sterile
        Whether every unit of it is on record as sterile.
    usable, quarantined
        Units here outside quarantine, and in it; 0 or more.
    free
        Units nobody is promised and that lie on no tray; what the case itself holds is not in it.
    taken
        Units of it scanned to this case's tray and not put back.
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
    free: int = 0
    taken: int = 0
    expected: int = 0
    is_promised: bool = False
    return_by: tuple[date, ...] = ()
    tray_of: str | None = None
    holders: tuple[Holder, ...] = ()


@dataclass(frozen=True, slots=True)
class Wanted:
    """One line of the case's pick list with every item that may fill it."""

    role: str
    label: str
    place: str
    why: str
    items: tuple[ItemFacts, ...]


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
    wanted: tuple[Wanted, ...] = ()
    no_pick_list: str = ""


@dataclass(frozen=True, slots=True)
class Pack:
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
    label: Label
    item: ItemFacts | None = None
    record: OnRecord | None = None
    recall: str = ""
    doubt: str = ""
    case: CaseFacts | None = None

    @property
    def units(self) -> StockUnits:
        """The unit in somebody's hand; of what it may be by its label, the worst."""
        record = self.record or OnRecord()
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
