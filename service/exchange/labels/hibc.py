"""HIBC supplier labels (ANSI/HIBC 2.6): primary, secondary and combined codes.

Read by hand: the general-purpose barcode library here reads GS1 only. Every code ends with a check
character (modulo 43), so a misread character is caught in 42 of 43 cases; a code that fails is
refused, never corrected.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from types import MappingProxyType

from service.exchange.labels.scan import Scan, ScanKind, day_of_year, label_date, label_year, refuse

_ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"


_VALUES = MappingProxyType({character: value for value, character in enumerate(_ALPHABET)})


_PRIMARY = re.compile(r"([A-Z][A-Z0-9]{3})([A-Z0-9]{1,18})([0-9])")


_JULIAN = re.compile(r"(\d{5})([A-Z0-9]{0,18})")


_PLAIN = re.compile(r"\$(\+?)([A-Z0-9]{1,18})")


_DATED = re.compile(r"\$\$(\+?)(?:8(\d{2})|9(\d{5}))?(.*)")


_NAME = re.compile(r"[A-Z0-9]{0,18}")


_SUPPLEMENT = re.compile(
    r"(?:16D(?P<made>\d{8})|14D(?P<use>\d{8})|S(?P<serial>[A-Z0-9]{1,18})"
    r"|Q(?P<count>\d{1,5}))"
)


def check_character(text: str) -> str | None:
    """Return the modulo 43 check character of HIBC data.

    Parameters
    ----------
    text
        The data from the ``+`` on, without its check character.

    Returns
    -------
    str or None
        The check character, or ``None`` if the data hold a character HIBC does not have.
        Source: ANSI/HIBC 2.6, appendix B: sum of character values modulo 43.

    Examples
    --------
    >>> check_character("+A123BJC5D6E71")
    'G'
    """
    values = [_VALUES.get(character) for character in text]
    known = [value for value in values if value is not None]
    return _ALPHABET[sum(known) % len(_ALPHABET)] if len(known) == len(values) else None


@dataclass(slots=True)
class _Facts:
    """Facts found so far; a second, different one of the same name is a problem."""

    found: dict[str, str | int | date] = field(default_factory=dict)
    problem: str | None = None

    def add(self, name: str, value: str | int | date) -> None:
        if self.found.setdefault(name, value) != value:
            self.problem = f"two different values of {name.replace('_', ' ')} in one code"


def read_hibc(text: str, *, raw: str, today: date) -> Scan:
    """Read one HIBC code.

    Parameters
    ----------
    text
        The code from its ``+`` on, check character last; the printed form ``*+…*`` is taken too
        (there ``_`` stands for a check character that is a space).
    raw
        What the scanner sent, kept in the answer.
    today
        The date of reading, for two-digit years.

    Returns
    -------
    Scan
        Facts or a refusal. A secondary code on its own carries ``link``, the check character of
        its primary code, and needs it (`Scan.needs_primary`, `join_hibc`). Where an hour of
        expiry is given only its day is kept.

    Notes
    -----
    Source: ANSI/HIBC 2.6, sections 2.2, 2.3 and appendices B and F; quantities after ``$$8`` and
    ``$$9`` are from earlier editions and still on labels. The window for two-digit years is that
    of GS1: HIBC names none (from memory).

    Examples
    --------
    >>> scan = read_hibc("+A123BJC5D6E71G", raw="", today=date(2026, 1, 1))
    >>> scan.lic, scan.product, scan.unit
    ('A123', 'BJC5D6E7', '1')
    """
    code = _unframed(text)
    body, check = code[:-1], code[-1:]
    kind: ScanKind = "hibc_secondary" if re.match(r"\+[$\d]", body) else "hibc_primary"
    expected = check_character(body)
    if expected is None or check not in _VALUES:
        return refuse(kind, raw, "it contains a character that is not allowed in HIBC codes")
    if check != expected:
        return refuse(kind, raw, f"the check character is '{check}' but should be '{expected}'")
    return _secondary(body, raw, today) if kind == "hibc_secondary" else _named(body, raw, today)


def join_hibc(primary: Scan, secondary: Scan) -> Scan:
    """Put a secondary code together with the primary code it belongs to.

    Parameters
    ----------
    primary
        A scan of kind ``hibc_primary``.
    secondary
        A scan of kind ``hibc_secondary``.

    Returns
    -------
    Scan
        Kind ``hibc_combined`` with the facts of both; refused if either was, if the kinds are
        others, or if the link character is not the primary's check character. One primary in 43
        shares a link by chance, so a match is needed and is no proof.

    Examples
    --------
    >>> day = date(2019, 1, 1)
    >>> primary = read_hibc("+A123BJC5D6E71G", raw="", today=day)
    >>> join_hibc(primary, read_hibc("+$$52001510X3GD", raw="", today=day)).lot
    '10X3'
    """
    raw = f"{primary.raw} {secondary.raw}"
    for scan in (primary, secondary):
        if scan.problem is not None:
            return refuse("hibc_combined", raw, scan.problem)
    if (primary.kind, secondary.kind) != ("hibc_primary", "hibc_secondary"):
        return refuse("hibc_combined", raw, "scan one primary and one secondary code of the pack")
    if primary.link != secondary.link:
        return refuse(
            "hibc_combined",
            raw,
            f"the secondary code belongs to a primary ending in '{secondary.link}', "
            f"this one ends in '{primary.link}': they are from different packs",
        )
    return replace(
        secondary,
        kind="hibc_combined",
        raw=raw,
        lic=primary.lic,
        product=primary.product,
        unit=primary.unit,
    )


def _unframed(text: str) -> str:
    if len(text) > 1 and text.startswith("*") and text.endswith("*"):
        inner = text[1:-1]
        return inner[:-1] + " " if inner.endswith("_") else inner
    return text


def _named(body: str, raw: str, today: date) -> Scan:
    """Read a primary code, or a combined one: the same with `/` and secondary data behind it."""
    head, *segments = body[1:].split("/")
    kind: ScanKind = "hibc_combined" if segments else "hibc_primary"
    match = _PRIMARY.fullmatch(head)
    if match is None:
        return refuse(
            kind,
            raw,
            "a primary code is a labeler (a letter and three characters), a product number of 1 "
            "to 18 characters and a digit for the unit",
        )
    facts = _read_segments(segments, today)
    if facts.problem is not None:
        return refuse(kind, raw, facts.problem)
    lic, product, unit = match.groups()
    link = None if segments else check_character(body)
    return _scan(Scan(kind, raw, lic=lic, product=product, unit=unit, link=link), facts.found)


def _secondary(body: str, raw: str, today: date) -> Scan:
    segments, link = body[1:-1].split("/"), body[-1]
    facts = _read_segments(segments, today)
    if facts.problem is not None:
        return refuse("hibc_secondary", raw, facts.problem)
    return _scan(Scan("hibc_secondary", raw, link=link), facts.found)


def _scan(scan: Scan, found: Mapping[str, str | int | date]) -> Scan:
    return replace(scan, **found)  # type: ignore[arg-type]  # names and types are set by _Facts.add


def _read_segments(segments: list[str], today: date) -> _Facts:
    facts = _Facts()
    for segment in segments:
        if facts.problem is None:
            _read_segment(segment, facts, today)
    return facts


def _read_segment(segment: str, facts: _Facts, today: date) -> None:
    if match := _SUPPLEMENT.fullmatch(segment):
        _supplement(match, facts)
    elif match := _PLAIN.fullmatch(segment):
        facts.add("serial" if match[1] else "lot", match[2])
    elif match := _DATED.fullmatch(segment):
        _dated(match, facts, today)
    elif match := _JULIAN.fullmatch(segment):
        _dated_value("5" + match[0], "lot", facts, today)
    else:
        facts.problem = f"'{segment}' is not a lot, serial, date or quantity in HIBC 2.6"


def _supplement(match: re.Match[str], facts: _Facts) -> None:
    for name, digits in (("made_on", match["made"]), ("use_by", match["use"])):
        if digits is not None:
            day = label_date(int(digits[:4]), int(digits[4:6]), int(digits[6:]) or -1)
            if day is None:
                facts.problem = f"{digits} is not a valid date"
            else:
                facts.add(name, day)
    if match["serial"] is not None:
        facts.add("serial", match["serial"])
    if match["count"] is not None:
        facts.add("quantity", int(match["count"]))


def _dated(match: re.Match[str], facts: _Facts, today: date) -> None:
    sign, few, many, rest = match.groups()
    count = few or many
    if count is not None:
        facts.add("quantity", int(count))
    if rest or count is None:
        _dated_value(rest, "serial" if sign else "lot", facts, today)


def _month_year(digits: str, today: date) -> date | None:
    return label_date(label_year(int(digits[2:4]), today), int(digits[:2]), 0)


def _month_day_year(digits: str, today: date) -> date | None:
    return label_date(label_year(int(digits[4:6]), today), int(digits[:2]), int(digits[2:4]) or -1)


def _year_month_day(digits: str, today: date) -> date | None:
    return label_date(label_year(int(digits[:2]), today), int(digits[2:4]), int(digits[4:6]) or -1)


def _julian(digits: str, today: date) -> date | None:
    return day_of_year(label_year(int(digits[:2]), today), int(digits[2:5]))


@dataclass(frozen=True, slots=True)
class _DateFormat:
    """How a date is written: digits to skip and to take, where the hour is, how to read it."""

    skip: int
    length: int
    hour_at: int | None
    read: Callable[[str, date], date | None]


_MONTH_FIRST = _DateFormat(0, 4, None, _month_year)


#: By the character after ``$$``; a month starts with 0 or 1 and is its own flag.
_FORMATS: Mapping[str, _DateFormat] = MappingProxyType(
    {
        "0": _MONTH_FIRST,
        "1": _MONTH_FIRST,
        "2": _DateFormat(1, 6, None, _month_day_year),
        "3": _DateFormat(1, 6, None, _year_month_day),
        "4": _DateFormat(1, 8, 6, _year_month_day),
        "5": _DateFormat(1, 5, None, _julian),
        "6": _DateFormat(1, 7, 5, _julian),
    }
)


def _dated_value(rest: str, name: str, facts: _Facts, today: date) -> None:
    """Read the date that the first character announces, then the lot or the serial behind it."""
    form = _FORMATS.get(rest[:1])
    if form is not None:
        _take_date(rest[form.skip : form.skip + form.length], form, facts, today)
        value = rest[form.skip + form.length :]
    elif rest.startswith("7"):
        value = rest[1:]
    else:
        facts.problem = f"'{rest[:8]}' is not a date format of HIBC 2.6"
        return
    if facts.problem is None and not _NAME.fullmatch(value):
        facts.problem = f"'{value}' is not a {name} of at most 18 letters and digits"
    if facts.problem is None and value:
        facts.add(name, value)


def _take_date(taken: str, form: _DateFormat, facts: _Facts, today: date) -> None:
    whole = len(taken) == form.length and taken.isdecimal()
    day = form.read(taken, today) if whole else None
    hour = "00" if form.hour_at is None else taken[form.hour_at :]
    if day is None or hour > "23":
        facts.problem = f"'{taken}' is not a valid use-by date"
    else:
        facts.add("use_by", day)
