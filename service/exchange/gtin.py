"""GTIN-14 as typed or imported: checked by its check digit, refused and never repaired."""

import re

from biip.checksums import gs1_standard_check_digit

__all__ = ["gtin_problem"]

_DIGITS = 14
_MANGLED = re.compile(r"-?\d([.,]\d+)?[eE]\+?\d+|\d+\.0+")
_SHORTER = {8: "GTIN-8", 12: "GTIN-12", 13: "GTIN-13"}


def gtin_problem(text: str) -> str | None:
    """Say what is wrong with a GTIN-14, or ``None`` when nothing is.

    Parameters
    ----------
    text
        The GTIN as given, without spaces around it.

    Returns
    -------
    str or None
        A sentence for a person, or ``None``. Nothing is padded or corrected: a number that lost a
        digit may be another product's number.

    Notes
    -----
    Weights 3, 1, 3, … from the left over 13 digits; the check digit makes the sum a multiple
    of ten. Source: GS1 General Specifications, section 7.9 (standard check digit), by ``biip``.

    Examples
    --------
    >>> gtin_problem("51022222233336")
    >>> gtin_problem("12345678901234")
    'the check digit of 12345678901234 is 4, its other digits ask for 1: one of them is wrong'
    """
    if not (text.isascii() and text.isdecimal()):
        return _not_digits(text)
    if len(text) != _DIGITS:
        return _wrong_length(text)
    if not text.strip("0"):
        return "14 zeros are no GTIN"
    expected = gs1_standard_check_digit(text[:-1])
    if int(text[-1]) != expected:
        return (
            f"the check digit of {text} is {text[-1]}, its other digits ask for {expected}: "
            "one of them is wrong"
        )
    return None


def _not_digits(text: str) -> str:
    if _MANGLED.fullmatch(text):
        return (
            f"'{text}' is a number a spreadsheet has rewritten: digits are lost; format the "
            "column as text and enter the 14 digits again"
        )
    return f"'{text[:40]}' is not 14 digits"


def _wrong_length(text: str) -> str:
    count = len(text)
    if count == _DIGITS - 1:
        return (
            "13 digits where 14 are needed: a spreadsheet may have dropped a leading zero; if the "
            "label itself shows 13, write a 0 before them"
        )
    if count in _SHORTER:
        return (
            f"{count} digits where 14 are needed: leading zeros may be lost; if the label itself "
            f"shows {count} ({_SHORTER[count]}), write zeros before them"
        )
    return f"{count} digits where 14 are needed"
