"""Shortfalls as a storekeeper works through them: by the moment that passes first."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.operations.schemas.shortfalls import ItemShortOut, ShortfallOut, Shortfalls, WayOut

__all__ = ["Call", "Group", "Short", "ShownWay", "calls_of", "groups_of"]

#: What a way that a supplier carries out is as an order.
ORDER_KINDS = {"order": "purchase", "loan": "loan", "call_off": "call_off"}
_WEEK = timedelta(days=7)
#: Key, heading, and what to do there.
_GROUPS = (
    ("today", "Do today", "A way to cover these closes before the day ends."),
    ("unknown", "Ask today", "Until when these can be got is not known here: ask the supplier."),
    ("week", "This week", "A way to cover these closes within seven days."),
    ("later", "Later", "There is time; a way closes after the coming seven days."),
    (
        "late",
        "Too late to order: other ways",
        "Nothing that could be sent for is here in time. Ask the surgeon, or move the case.",
    ),
)


@dataclass(frozen=True, slots=True)
class ShownWay:
    """A way with its name in the form.

    Parameters
    ----------
    key
        Names its row in the form.
    kind
        What it is as an order; empty when it is none.
    is_open
        Whether it still helps a case; ``None`` when that is not known.
    """

    key: str
    kind: str
    way: WayOut
    is_open: bool | None

    @property
    def is_gone(self) -> bool:
        """Whether it helps no case any more."""
        return self.is_open is False


@dataclass(frozen=True, slots=True)
class Short:
    """A shortfall with its ways, the one that closes first standing first.

    Parameters
    ----------
    number
        Names it on the page.
    closes
        The first moment at which something can be missed; ``None`` when none is known.
    """

    number: int
    one: ShortfallOut
    ways: list[ShownWay]
    closes: datetime | None
    group: str


@dataclass(frozen=True, slots=True)
class Group:
    """Shortfalls with the same urgency."""

    key: str
    heading: str
    says: str
    shorts: list[Short]


@dataclass(frozen=True, slots=True)
class Call:
    """What one supplier is telephoned about, on paper."""

    who: str
    lines: list[tuple[Short, WayOut, ItemShortOut]]


def groups_of(found: Shortfalls, case: str = "") -> list[Group]:
    """Give the shortfalls by urgency, of every case or of one; what needs doing first leads."""
    shorts = [_short(number, one, found) for number, one in enumerate(found.shortfalls, 1)]
    if case:
        shorts = [one for one in shorts if any(each.case == case for each in one.one.missing)]
    groups = []
    for key, heading, says in _GROUPS:
        inside = [one for one in shorts if one.group == key]
        inside.sort(key=lambda one: (one.closes or one.one.needed_at, one.number))
        if inside:
            groups.append(Group(key, heading, says, inside))
    return groups


def _short(number: int, one: ShortfallOut, found: Shortfalls) -> Short:
    ways = [
        ShownWay(f"{number}-{place}", ORDER_KINDS.get(way.way, ""), way, _is_open(way))
        for place, way in enumerate(one.ways)
    ]
    ways.sort(key=_closing)
    moments = [each.way.last_moment for each in ways if each.is_open and each.way.last_moment]
    # A moment that has passed for the first list may still help a later one: it closes now.
    closes = max(min(moments), found.checked_at) if moments else None
    return Short(number, one, ways, closes, _group(ways, closes, found.checked_at))


def _closing(each: ShownWay) -> tuple[bool, bool, float]:
    """Order ways: open ones by their moment, then what is not known, then what has passed."""
    moment = each.way.last_moment
    return each.is_gone, moment is None, 0.0 if moment is None else moment.timestamp()


def _is_open(way: WayOut) -> bool | None:
    if way.has_passed is None:
        return None
    return not way.has_passed or bool(way.in_time_for)


def _group(ways: Sequence[ShownWay], closes: datetime | None, now: datetime) -> str:
    if closes is None:
        return "unknown" if any(each.is_open is None for each in ways) else "late"
    if closes.date() <= now.date():
        return "today"
    return "week" if closes - now <= _WEEK else "later"


def calls_of(groups: Sequence[Group]) -> list[Call]:
    """Give what could be ordered or borrowed, by supplier: a sheet for the telephone."""
    calls: dict[str, Call] = {}
    for group in groups:
        for short in group.shorts:
            items = {item.ref: item for item in short.one.items}
            for each in short.ways:
                if each.kind and each.way.ref in items:
                    call = calls.setdefault(each.way.source, Call(each.way.source, []))
                    call.lines.append((short, each.way, items[each.way.ref]))
    return sorted(calls.values(), key=lambda call: call.who)
