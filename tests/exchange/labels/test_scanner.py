"""The scanner check: each wrong set-up is named by what it does to the keys.

Layouts: on QWERTZ y and z change places, on AZERTY a and q, z and w (ISO/IEC 9995 keyboards as
sold in Germany and France). Characters of GS1 fields: GS1 General Specifications, 7.11, set 82.
"""

import string

import pytest

from service.exchange.labels.read import read_scan
from service.exchange.labels.scanner import CHECK_CODE, SEPARATOR, ScannerInput, check_scanner
from tests.conftest import NOW

SET_82 = set(string.ascii_letters + string.digits + "!\"%&'()*+,-./:;<=>?_")


def test_the_code_of_the_check_is_a_good_gs1_code() -> None:
    scan = read_scan(CHECK_CODE.keyed, today=NOW.date())
    assert scan.problem is None
    assert scan.lot is not None
    assert scan.serial is not None
    # A lot and a serial have 20 characters at most (GS1 General Specifications, 3.4.1 and 3.5.1).
    assert max(len(scan.lot), len(scan.serial)) <= 20
    assert set(scan.lot + scan.serial) <= SET_82
    # Without the separator the serial runs into the lot: that is what the check is there to find.
    lost = read_scan(CHECK_CODE.keyed.replace(SEPARATOR, ""), today=NOW.date())
    assert lost.serial is None


def test_the_printed_text_and_the_keys_say_the_same() -> None:
    scan = read_scan(CHECK_CODE.bracketed, today=NOW.date())
    keyed = read_scan(CHECK_CODE.keyed, today=NOW.date())
    assert (scan.gtin, scan.lot, scan.serial, scan.use_by) == (
        keyed.gtin,
        keyed.lot,
        keyed.serial,
        keyed.use_by,
    )


@pytest.mark.parametrize("prefix", ["", "]d2", "]C1"])
@pytest.mark.parametrize("end", ["Enter", "Tab", ""])
def test_a_scanner_that_is_set_up_right_passes(prefix: str, end: str) -> None:
    assert check_scanner(ScannerInput(prefix + CHECK_CODE.keyed, ended_by=end)).is_right


def _swapped(pairs: list[tuple[str, str]], also: dict[str, str] | None = None) -> str:
    table: dict[str, str | int | None] = {
        **dict(pairs),
        **{other: one for one, other in pairs},
        **(also or {}),
    }
    return CHECK_CODE.keyed.translate(str.maketrans(table))


_QWERTZ = [("y", "z"), ("Y", "Z")]


_AZERTY = [("a", "q"), ("A", "Q"), ("w", "z"), ("W", "Z")]


_AZERTY_DIGITS = dict(zip("1234567890", "&é\"'(-è_çà", strict=True))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (_swapped(_QWERTZ), "a German keyboard (QWERTZ)"),
        (_swapped(_QWERTZ, {"-": "ß", "/": "-", "_": "?", "?": "_"}), "a German keyboard"),
        (_swapped(_AZERTY, {"m": ",", "M": "?", **_AZERTY_DIGITS}), "a French keyboard"),
        (CHECK_CODE.keyed.replace("/", "#"), "/ was received as #, so the two use different"),
        (CHECK_CODE.keyed.replace(SEPARATOR, "~"), "The separator is received as '~'"),
        (CHECK_CODE.keyed.replace(SEPARATOR, ""), "The separator between the fields is lost"),
        (CHECK_CODE.keyed.swapcase(), "It looks as if Caps Lock is on"),
        (CHECK_CODE.keyed.upper(), "All letters were received as capitals"),
        (CHECK_CODE.keyed[:-5], "Only 46 of 51 characters were received"),
        (CHECK_CODE.keyed + "12", "53 characters were received instead of 51"),
        ("", "Nothing was received"),
    ],
)
def test_what_is_set_wrong_is_named(text: str, says: str) -> None:
    found = check_scanner(ScannerInput(text, ended_by="Enter"))
    assert len(found.faults) == len(found.remedies) == 1
    assert says in found.faults[0]


def test_a_missing_enter_is_told_beside_another_fault() -> None:
    text = CHECK_CODE.keyed.swapcase()
    found = check_scanner(ScannerInput(text, ended_by="nothing", caps_lock=True))
    assert len(found.faults) == 2
    assert "Caps Lock is on" in found.faults[0]
    assert "No Enter or Tab" in found.faults[1]
