"""What a scanner sends: a GS1 element string, an HIBC code or a bare GTIN."""

import re
from datetime import date

from service.exchange.labels.gs1 import SEPARATOR, gtin_problem, read_gs1
from service.exchange.labels.hibc import read_hibc
from service.exchange.labels.scan import Scan, refuse

#: Longer than any label of either standard (a full GS1 or HIBC identifier is below 100).
LONGEST_SCAN = 500


#: Symbology identifiers that promise GS1 element strings (ISO/IEC 15424; GS1-128, GS1 DataMatrix,
#: GS1 QR Code, GS1 DataBar, GS1 DotCode).
_GS1_SYMBOLS = frozenset({"]C1", "]d2", "]Q3", "]e0", "]J1"})


#: Symbology identifiers of a bare GTIN and its number of digits (EAN-13 and UPC, EAN-8, ITF-14).
_GTIN_SYMBOLS = {"]E0": 13, "]E4": 8, "]I1": 14}


_STRANGE = re.compile(rf"[^ -~{SEPARATOR}]")


_BARE_GTIN = re.compile(r"\d{12,14}")


def read_scan(raw: str, *, today: date) -> Scan:
    """Read whatever a scanner sent; no text whatever makes it raise.

    Parameters
    ----------
    raw
        The scanned text, with or without a symbology identifier, or the bracketed form printed
        below a GS1 code.
    today
        The date of reading, local to the site, for two-digit years.

    Returns
    -------
    Scan
        Facts, or `Scan.problem` and no fact at all.

    Notes
    -----
    Twelve or thirteen bare digits are a GTIN as its bar code holds it and get leading zeros; that
    repairs nothing, their check digit must be right. Eight bare digits are taken for a GTIN only
    when the scanner says so (``]E4``): a lot or a local number passes the check digit one time in
    ten. Trailing spaces matter in HIBC, where the check character may be one.

    Examples
    --------
    >>> read_scan("]C10151022222233336", today=date(2026, 1, 1)).gtin
    '51022222233336'
    >>> read_scan("hello", today=date(2026, 1, 1)).problem
    'this is not a GS1 code, an HIBC code or a GTIN'
    """
    kept, text = raw[:LONGEST_SCAN], raw.lstrip(" \t\r\n").rstrip("\t\r\n")
    if len(text) > LONGEST_SCAN:
        return refuse(
            "unknown", kept, (f"longer than {LONGEST_SCAN} characters: too long for a label")
        )
    strange = _STRANGE.search(text)
    if strange is not None:
        return refuse(
            "unknown",
            kept,
            f"it contains U+{ord(strange[0]):04X}, a character that labels do not use",
        )
    symbology, data = (text[:3], text[3:]) if text.startswith("]") else ("", text)
    if data.startswith(("+", "*+")):
        return read_hibc(data, raw=kept, today=today)
    data = data.rstrip(" ")
    if not data:
        return refuse("unknown", kept, "nothing was scanned")
    return _symbol(symbology, data, kept, today) if symbology else _bare(data, kept, today)


def _symbol(symbology: str, data: str, raw: str, today: date) -> Scan:
    if symbology in _GS1_SYMBOLS:
        return read_gs1(data, raw=raw, today=today)
    digits = _GTIN_SYMBOLS.get(symbology)
    if digits is None:
        return refuse("unknown", raw, f"{symbology} is neither a GS1 nor an HIBC code")
    if len(data) != digits:
        return refuse("gtin", raw, f"{symbology} must have {digits} digits, not {len(data)}")
    return _gtin(data, raw)


def _bare(data: str, raw: str, today: date) -> Scan:
    if _BARE_GTIN.fullmatch(data):
        return _gtin(data, raw)
    if data[0] in f"({SEPARATOR}" or data[0].isdecimal():
        return read_gs1(data, raw=raw, today=today)
    if data.casefold().startswith(("http:", "https:")):
        return refuse("unknown", raw, "this is a web address: scan the pack's product code instead")
    return refuse("unknown", raw, "this is not a GS1 code, an HIBC code or a GTIN")


def _gtin(data: str, raw: str) -> Scan:
    problem = gtin_problem(data.zfill(14)) if data.isdecimal() else f"'{data}' is not all digits"
    if problem is not None:
        return refuse("gtin", raw, problem)
    return Scan("gtin", raw, gtin=data.zfill(14))
