"""Prices as typed, exact, in the minor unit of their currency."""

import re
from decimal import Decimal

from service.core.catalogue import CURRENCIES_WITHOUT_MINOR
from service.exchange.sheets.cells import CellProblem
from service.exchange.sheets.workbook import Cell

# Currencies in use, ISO 4217 list one; precious metals, funds and test codes are left out.
_CODES = (
    "AED AFN ALL AMD AOA ARS AUD AWG AZN BAM BBD BDT BGN BHD BIF BMD BND BOB BRL BSD BTN BWP "
    "BYN BZD CAD CDF CHF CLF CLP CNY COP CRC CUP CVE CZK DJF DKK DOP DZD EGP ERN ETB EUR FJD "
    "FKP GBP GEL GHS GIP GMD GNF GTQ GYD HKD HNL HTG HUF IDR ILS INR IQD IRR ISK JMD JOD JPY "
    "KES KGS KHR KMF KPW KRW KWD KYD KZT LAK LBP LKR LRD LSL LYD MAD MDL MGA MKD MMK MNT MOP "
    "MRU MUR MVR MWK MXN MYR MZN NAD NGN NIO NOK NPR NZD OMR PAB PEN PGK PHP PKR PLN PYG QAR "
    "RON RSD RUB RWF SAR SBD SCR SDG SEK SGD SHP SLE SOS SRD SSP STN SVC SYP SZL THB TJS TMT "
    "TND TOP TRY TTD TWD TZS UAH UGX USD UYI UYU UYW UZS VED VES VND VUV WST XAF XCD XOF XPF "
    "YER ZAR ZMW ZWG"
)


#: What a price may be in.
CURRENCIES = frozenset(_CODES.split())


_DECIMALS = {
    **dict.fromkeys(CURRENCIES_WITHOUT_MINOR, 0),
    **dict.fromkeys(("BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND"), 3),
    **dict.fromkeys(("CLF", "UYW"), 4),
}


_USUAL_DECIMALS = 2


#: The largest price both databases keep in a whole-number column.
MOST_MINOR_UNITS = 2_000_000_000


_PRICE = re.compile(r"\d{1,9}(\.\d{1,9})?", re.ASCII)


def unknown_currency(code: str) -> str:
    """Say of a code that it is no currency's."""
    return f"'{code}' is not an ISO 4217 currency, such as GBP"


def currency(cell: Cell) -> object:
    """Read the three capital letters of a currency (ISO 4217)."""
    value = cell.strip() if isinstance(cell, str) else ""
    return value if value in CURRENCIES else CellProblem(unknown_currency(str(cell)[:40]))


def price(cell: Cell) -> object:
    """Read an amount of money exactly, without sign, currency or thousands mark."""
    if isinstance(cell, bool) or not isinstance(cell, str | int | float):
        return CellProblem("not an amount, such as 1234.50")
    # The shortest text of a number cell is the amount that was typed into it.
    value = cell.strip() if isinstance(cell, str) else repr(cell)
    if not _PRICE.fullmatch(value):
        return CellProblem(
            f"'{value[:40]}' is not an amount such as 1234.50, without thousands separators"
        )
    return Decimal(value)


def minor_units(amount: Decimal, code: str) -> int | CellProblem:
    """Turn an amount into whole minor units of its currency.

    Parameters
    ----------
    amount
        The amount as written, in the major unit.
    code
        A currency of `CURRENCIES`.

    Returns
    -------
    int or CellProblem
        Minor units (cents); a problem if more decimals are written than the currency has, even
        zeros: 12.500 may mean twelve thousand five hundred; or if it is too much to be kept.

    Examples
    --------
    >>> minor_units(Decimal("1234.50"), "EUR"), minor_units(Decimal("900"), "JPY")
    (123450, 900)
    """
    decimals = _DECIMALS.get(code, _USUAL_DECIMALS)
    written = -int(amount.as_tuple().exponent)
    if written > decimals:
        return CellProblem(f"{amount} has {written} decimals; {code} has {decimals}")
    minor = int(amount.scaleb(decimals))
    if minor > MOST_MINOR_UNITS:
        return CellProblem(f"{amount} {code} is more than the largest price allowed")
    return minor


def amount_text(minor: int, code: str) -> str:
    """Write minor units as an amount in the major unit, exact and without thousands marks.

    Parameters
    ----------
    minor
        Whole minor units (cents).
    code
        A currency of `CURRENCIES`.

    Examples
    --------
    >>> amount_text(123450, "EUR"), amount_text(900, "JPY"), amount_text(5, "KWD")
    ('1234.50', '900', '0.005')
    """
    return str(Decimal(minor).scaleb(-_DECIMALS.get(code, _USUAL_DECIMALS)))
