"""Days, amounts and chances, each in the one form that every page gives it."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import date, datetime
from decimal import Decimal

from markupsafe import Markup, escape

from service.core.readiness import words
from service.exchange.sheets.money import CURRENCIES, amount_text, minor_units

_TODAY: ContextVar[date | None] = ContextVar("today", default=None)

_NO_BREAK = "\u00a0"


@contextmanager
def on_day(today: date) -> Iterator[None]:
    """Say days as somebody says them on a day; on none, every day has its year."""
    token = _TODAY.set(today)
    try:
        yield
    finally:
        _TODAY.reset(token)


def day(value: date) -> str:
    """Write a day as ``Fri 27 Nov``; with its year where that is not the page's."""
    today = _TODAY.get()
    is_this_year = today is not None and value.year == today.year
    return f"{value:%a} {value.day} {value:%b}" if is_this_year else full_day(value)


def full_day(value: date) -> str:
    """Write a day as ``Fri 27 Nov 2026``, for paper and for use-by dates."""
    return f"{value:%a} {value.day} {value:%b %Y}"


def clock(value: datetime) -> str:
    """Write a time of day."""
    return f"{value:%H:%M}"


def stamp(value: datetime) -> str:
    """Write a day and a time."""
    return f"{day(value)}, {clock(value)}"


def full_stamp(value: datetime) -> str:
    """Write a day with its year, and a time."""
    return f"{full_day(value)}, {clock(value)}"


def percent(probability: float) -> str:
    """Say a chance; the number is not torn from its sign."""
    return words.percent(probability).replace(" %", f"{_NO_BREAK}%")


#: Signs that mean one currency here; any other stands by its ISO 4217 code.
_SIGNS = {"GBP": "£", "EUR": "€"}


def money(minor: int, currency: str) -> str:
    """Write an amount with its currency, in groups of three figures.

    Parameters
    ----------
    minor
        Whole minor units (pence); below zero with a minus sign.
    currency
        ISO 4217 code.

    Examples
    --------
    >>> money(1567240, "GBP"), money(-90000, "JPY").replace(chr(160), " ")
    ('£15,672.40', '−JPY 90,000')
    """
    amount = f"{Decimal(amount_text(abs(minor), currency)):,}"
    return f"{'−' if minor < 0 else ''}{sign_of(currency)}{amount}"


def whole_money(minor: int, currency: str) -> str:
    """Write a sum of many amounts in whole units of its currency.

    Examples
    --------
    >>> whole_money(21929980, "GBP"), whole_money(-49, "GBP")
    ('£219,300', '£0')
    """
    amount = round(Decimal(amount_text(abs(minor), currency)))
    return f"{'−' if minor < 0 and amount else ''}{sign_of(currency)}{amount:,}"


def sign_of(currency: str) -> str:
    """Return what stands before an amount: the currency's sign, or its code."""
    return _SIGNS.get(currency) or f"{currency}{_NO_BREAK}"


#: A reference of a case, an order or an item: capitals and figures, joined by hyphens.
_REFERENCE = re.compile(r"\b[A-Z][A-Z0-9]*(?:-[A-Z0-9]+)+\b")


def refs(sentence: str) -> Markup:
    """Write a sentence as `said` does, with its references marked so that none is torn."""
    marked = _REFERENCE.sub(
        lambda found: f'<span class="ref">{found[0]}</span>', escape(said(sentence))
    )
    return Markup(marked)  # noqa: S704 - the sentence is escaped, and what was put in is ours


def in_unit(value: float, unit: str) -> str:
    """Write a figure with its unit; a share is written in per cent, a factor with its sign.

    Examples
    --------
    >>> [in_unit(*one) for one in ((1.2, "ratio"), (1, "days"), (-15, "mm"))]
    ['× 1.2', '1 day', '−15 mm']
    """
    if unit == "ratio":
        return f"× {value:g}" if value >= 1 else f"{100 * value:g}{_NO_BREAK}%"
    sign = "−" if value < 0 else ""
    return f"{sign}{abs(value):g} {unit.removesuffix('s') if value == 1 else unit}"


_DAY_SAID = re.compile(r"(?<![\w-])(\d{4}-\d\d-\d\d)(?: (\d\d:\d\d))?(?![\w-])", re.ASCII)


_AMOUNT_SAID = re.compile(r"(?<![\w.,])(\d+(?:\.\d+)?) ([A-Z]{3})\b", re.ASCII)


def said(sentence: str) -> str:
    """Write the days, times and amounts within a sentence of the program as pages write them.

    Programs read the same sentences through the API, where a day is unambiguous: ``2031-03-04``.

    Examples
    --------
    >>> said("due 2031-03-04 14:00, below the 1750.00 GBP")
    'due Tue 4 Mar 2031, 14:00, below the £1,750.00'
    """
    return _AMOUNT_SAID.sub(_amount_said, _DAY_SAID.sub(_day_said, sentence))


def _day_said(found: re.Match[str]) -> str:
    try:
        words_of_day = day(date.fromisoformat(found[1]))
    except ValueError:
        return found[0]
    return words_of_day if found[2] is None else f"{words_of_day}, {found[2]}"


def _amount_said(found: re.Match[str]) -> str:
    if found[2] not in CURRENCIES:
        return found[0]
    minor = minor_units(Decimal(found[1]), found[2])
    return money(minor, found[2]) if isinstance(minor, int) else found[0]
