"""GS1 element strings: what `biip` reads, and the checks it leaves out.

What can and cannot be known. An element of variable length (lot 10, serial 21) ends at a separator
or at the end of the code. When a printer or a scanner set-up loses the separator, what follows is
read as part of the lot, and nothing in the standard marks the error. Two traces give it away and
are refused here: the element runs past its longest length, or it holds a well-formed date element
(11 or 17 with a real date, followed by the end or by another identifier) that the code does not
carry elsewhere. A lost separator before a serial (``21…``) leaves no such trace, because any lot
may contain those digits: that is why a person compares the lot read with the lot printed. A true
lot that looks like a swallowed date is refused too, and is typed in by hand.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

from biip import ParseConfig, ParseError
from biip.checksums import gs1_standard_check_digit
from biip.gs1_application_identifiers import GS1ApplicationIdentifier
from biip.gs1_element_strings import GS1ElementString

from service.exchange.labels.scan import Scan, label_date, label_year, refuse

SEPARATOR = "\x1d"


# Dates are read here: biip would take the century from its own clock.
_CONFIG = ParseConfig(gs1_element_strings_verify_date=False, separator_chars=(SEPARATOR,))


_BRACKETED = re.compile(r"\((\d{2,4})\)([^()]*)")


_HIDDEN_DATE = re.compile(r"(?=(1[17])(\d{6})(?:$|1[017]|21))")


_DATES = {"11": "production date", "17": "use-by date", "7003": "use-by date and time"}


@dataclass(slots=True)
class _Elements:
    """Values by application identifier, or the reason they could not be read."""

    values: dict[str, str] = field(default_factory=dict)
    problem: str | None = None

    def add(self, identifier: str, value: str) -> None:
        """Keep a value; a second, different one for the same identifier is a problem."""
        if not value:
            self.problem = f"({identifier}) is empty"
        elif self.values.setdefault(identifier, value) != value:
            self.problem = (
                f"({identifier}) appears twice with different values: {self.values[identifier]} "
                f"and {value}"
            )


def read_gs1(text: str, *, raw: str, today: date) -> Scan:
    """Read a GS1 element string, as scanned or in its bracketed, printed form.

    Parameters
    ----------
    text
        The data after any symbology identifier: ASCII, separators as U+001D.
    raw
        What the scanner sent, kept in the answer.
    today
        The date of reading, for two-digit years.

    Returns
    -------
    Scan
        The facts, or the reason for refusal: an unknown or empty element, one element with two
        values, a wrong check digit, an impossible date, no GTIN (01) beside them, or a sign that
        a separator was lost (see the module).

    Notes
    -----
    Source: GS1 General Specifications, sections 3.2 (elements), 4.13 (elements that need 01
    beside them, and pairs that exclude each other) and 7.8 (separators).

    Examples
    --------
    >>> read_gs1("(01)51022222233336(17)150707(10)A213B1", raw="", today=date(2014, 1, 1)).use_by
    datetime.date(2015, 7, 7)
    """
    bracketed = text.startswith("(")
    elements = _read_bracketed(text) if bracketed else _read_plain(text)
    values = elements.values
    problem = elements.problem or _association(values) or _bad_date(values, today)
    if problem is None and not bracketed:
        problem = _swallowed(values, today)
    if problem is not None:
        return refuse("gs1", raw, problem)
    use_by = values.get("17") or values.get("7003")
    made_on = values.get("11")
    return Scan(
        kind="gs1",
        raw=raw,
        gtin=values["01"],
        lot=values.get("10"),
        serial=values.get("21"),
        use_by=_date(use_by, today) if use_by else None,
        made_on=_date(made_on, today) if made_on else None,
        quantity=int(values["30"]) if "30" in values else None,
    )


def _read_plain(text: str) -> _Elements:
    # Some scanners pass on the leading FNC1, and some labels end with one.
    elements, rest = _Elements(), text.removeprefix(SEPARATOR).removesuffix(SEPARATOR)
    while rest and elements.problem is None:
        if rest.startswith(SEPARATOR):
            elements.problem = "there is an empty element between two separators"
            break
        try:
            element = GS1ElementString.extract(rest, config=_CONFIG)
        except ParseError:
            elements.problem = _unreadable(rest)
            break
        elements.add(element.ai.ai, element.value)
        rest = rest[len(element) :]
        if rest and element.ai.separator_required and not rest.startswith(SEPARATOR):
            elements.problem = (
                f"({element.ai.ai}) is longer than allowed: a separator was probably lost and "
                "other elements read as part of it"
            )
        rest = rest.removeprefix(SEPARATOR)
    return elements


def _read_bracketed(text: str) -> _Elements:
    elements = _Elements()
    if _BRACKETED.sub("", text).strip():
        elements.problem = (
            "the brackets do not match as (identifier)value; scan a value that contains brackets "
            "instead of typing it"
        )
    for identifier, typed in _BRACKETED.findall(text):
        if elements.problem is not None:
            break
        value = typed.strip()
        try:
            element = GS1ElementString.parse(identifier + value, config=_CONFIG)
        except ParseError:
            elements.problem = _unreadable(identifier + value)
            break
        if element.ai.ai != identifier:
            elements.problem = f"({identifier}) is not a known application identifier"
        else:
            elements.add(identifier, value)
    return elements


def _unreadable(rest: str) -> str:
    shown = rest.split(SEPARATOR, 1)[0][:24]
    try:
        identifier = GS1ApplicationIdentifier.extract(rest).ai
    except ParseError:
        return (
            f"'{shown}' does not start with a known application identifier: a separator may be lost"
        )
    if shown == identifier:
        return f"({identifier}) is empty"
    return f"({identifier}) cannot hold '{shown[len(identifier) :]}'"


def _association(values: Mapping[str, str]) -> str | None:
    if "01" not in values:
        return "no GTIN (01): a lot, serial or date alone does not say which product it belongs to"
    for other in ("02", "37"):
        if other in values:
            return f"({other}) describes the content of a shipment and cannot be used with (01)"
    problem = gtin_problem(values["01"])
    return f"(01): {problem}" if problem else None


def _bad_date(values: Mapping[str, str], today: date) -> str | None:
    for identifier, name in _DATES.items():
        if identifier in values and _date(values[identifier], today) is None:
            return f"({identifier}) {values[identifier]} is not a valid {name}"
    if "17" in values and "7003" in values and values["7003"][:6] != values["17"]:
        return "(17) and (7003) give different use-by dates"
    return None


def _swallowed(values: Mapping[str, str], today: date) -> str | None:
    for identifier, name in (("10", "lot"), ("21", "serial")):
        value = values.get(identifier, "")
        for match in _HIDDEN_DATE.finditer(value, 1):
            if match[1] not in values and _date(match[2], today) is not None:
                return (
                    f"the {name} '{value}' seems to include ({match[1]}){match[2]}: a separator "
                    "was probably lost; compare with the label and type in the right value"
                )
    return None


def _date(value: str, today: date) -> date | None:
    """Read YYMMDD and ignore what follows (the time of day of 7003)."""
    year, month, day = int(value[:2]), int(value[2:4]), int(value[4:6])
    return label_date(label_year(year, today), month, day)


def gs1_elements(
    *,
    gtin: str,
    lot: str = "",
    serial: str = "",
    use_by: date | None = None,
    made_on: date | None = None,
) -> tuple[tuple[str, str], ...]:
    """Name a pack by GS1 application identifiers, as far as known.

    Parameters
    ----------
    gtin
        14 digits.
    lot, serial
        As printed; empty when there is none.
    use_by, made_on
        Days, left out when not known.

    Returns
    -------
    tuple of pairs of str
        Application identifier and value: 01, 11, 17, 10, 21 in the regulator's order.

    Notes
    -----
    Source: GS1 General Specifications, 3.2 (elements); FDA, "Unique Device Identifier formats by
    FDA-accredited issuing agency" (order).
    """
    parts = (
        ("01", gtin),
        ("11", f"{made_on:%y%m%d}" if made_on else ""),
        ("17", f"{use_by:%y%m%d}" if use_by else ""),
        ("10", lot),
        ("21", serial),
    )
    return tuple((identifier, value) for identifier, value in parts if value)


def bracketed(elements: Sequence[tuple[str, str]]) -> str:
    """Write elements with their identifiers in brackets, as under a code.

    Examples
    --------
    >>> bracketed([("01", "05012345678900"), ("17", "310331"), ("10", "A1")])
    '(01)05012345678900(17)310331(10)A1'
    """
    return "".join(f"({identifier}){value}" for identifier, value in elements)


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
    'the check digit of 12345678901234 is 4 but should be 1: one digit is wrong'
    """
    if not (text.isascii() and text.isdecimal()):
        return _not_digits(text)
    if len(text) != _DIGITS:
        return _wrong_length(text)
    if not text.strip("0"):
        return "14 zeros are not a GTIN"
    expected = gs1_standard_check_digit(text[:-1])
    if int(text[-1]) != expected:
        return (
            f"the check digit of {text} is {text[-1]} but should be {expected}: one digit is wrong"
        )
    return None


def _not_digits(text: str) -> str:
    if _MANGLED.fullmatch(text):
        return (
            f"'{text}' was changed by a spreadsheet: digits are lost; format the column as text "
            "and enter the 14 digits again"
        )
    return f"'{text[:40]}' is not 14 digits"


def _wrong_length(text: str) -> str:
    count = len(text)
    if count == _DIGITS - 1:
        return (
            "13 digits where 14 are needed: a spreadsheet may have dropped a leading zero; if the "
            "label shows 13 digits, add a 0 in front"
        )
    if count in _SHORTER:
        return (
            f"{count} digits where 14 are needed: leading zeros may be lost; if the label shows "
            f"{count} digits ({_SHORTER[count]}), add zeros in front"
        )
    return f"{count} digits where 14 are needed"
