"""Bar codes against the examples of the standards; sources stand in barcodes.json and here."""

import json
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from service.exchange.labels.hibc import check_character, join_hibc
from service.exchange.labels.read import read_scan

PUBLISHED: dict[str, Any] = json.loads(Path(__file__).with_name("barcodes.json").read_text())


GS1 = PUBLISHED["gs1"]


THEN = date(2015, 1, 1)


TABLE_F1 = PUBLISHED["hibc_secondary"]["rows"]


ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"


def day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


def test_the_gs1_example_of_the_regulator_is_read() -> None:
    scan = read_scan(GS1["text"], today=THEN)
    assert scan.problem is None
    assert (scan.kind, scan.gtin, scan.lot, scan.serial) == (
        "gs1",
        GS1["gtin"],
        GS1["lot"],
        GS1["serial"],
    )
    assert (scan.made_on, scan.use_by) == (day(GS1["made_on"]), day(GS1["use_by"]))


@pytest.mark.parametrize("symbology", ["", "]C1", "]d2", "]Q3", "]e0"])
def test_the_same_example_as_scanned_reads_the_same(symbology: str) -> None:
    scanned = symbology + "0151022222233336111412311715070710A213B1\x1d211234"
    printed = read_scan(GS1["text"], today=THEN)
    scan = read_scan(scanned, today=THEN)
    facts = (scan.gtin, scan.made_on, scan.use_by, scan.lot, scan.serial, scan.problem)
    assert facts == (
        printed.gtin,
        printed.made_on,
        printed.use_by,
        printed.lot,
        printed.serial,
        None,
    )


def test_a_gtin_with_a_wrong_check_digit_is_refused() -> None:
    # The check digit over 1234567890123 with weights 3, 1, 3, … is 1, not 4 (GS1 General
    # Specifications, section 7.9; worked by hand: 3+2+9+4+15+6+21+8+27+0+3+2+9 = 109).
    assert "check digit" in str(read_scan("0112345678901234", today=THEN).problem)


def test_a_gtin_element_shorter_than_14_digits_is_refused() -> None:
    # GS1 General Specifications, section 3.3.2: AI 01 is N2+N14.
    assert "(01)" in str(read_scan("(01)5102222223333", today=THEN).problem)
    assert read_scan("015102222223333", today=THEN).refused


@pytest.mark.parametrize("element", ["(10)A213B1", "(11)141231", "(17)150707", "(21)1234"])
def test_an_element_that_needs_a_gtin_beside_it_is_refused_alone(element: str) -> None:
    # GS1 General Specifications, section 4.13, mandatory associations.
    assert "no GTIN (01)" in str(read_scan(element, today=THEN).problem)


@pytest.mark.parametrize(
    ("yymmdd", "expected"),
    [
        # GS1 General Specifications, section 3.4: day 00 means the last day of the month.
        ("310200", date(2031, 2, 28)),
        ("280200", date(2028, 2, 29)),
        ("310400", date(2031, 4, 30)),
        ("311200", date(2031, 12, 31)),
    ],
)
def test_day_zero_is_the_last_day_of_the_month(yymmdd: str, expected: date) -> None:
    scan = read_scan(f"(01){GS1['gtin']}(17){yymmdd}", today=date(2026, 6, 1))
    assert scan.use_by == expected


@pytest.mark.parametrize(
    ("this_year", "two_digits", "expected"),
    [
        # GS1 General Specifications, section 7.12: 51 to 99 ahead is the last century, 50 to 99
        # behind is the next one, the rest is this century.
        (2026, "76", 2076),
        (2026, "77", 1977),
        (2026, "00", 2000),
        (2060, "10", 2110),
        (2060, "11", 2011),
        (1997, "02", 2002),
    ],
)
def test_a_two_digit_year_lies_in_the_window_around_today(
    this_year: int, two_digits: str, expected: int
) -> None:
    scan = read_scan(f"(01){GS1['gtin']}(17){two_digits}0615", today=date(this_year, 6, 1))
    assert scan.use_by == date(expected, 6, 15)


@pytest.mark.parametrize("code", PUBLISHED["hibc_check_characters"]["codes"])
def test_the_check_character_of_each_hibc_example_is_right(code: str) -> None:
    assert check_character(code[:-1]) == code[-1]
    assert read_scan(code, today=THEN).problem is None


@pytest.mark.parametrize("code", PUBLISHED["hibc_check_characters"]["codes"])
def test_every_other_check_character_is_refused(code: str) -> None:
    wrong = [code[:-1] + other for other in ALPHABET if other != code[-1]]
    assert len(wrong) == 42
    assert all(read_scan(text, today=THEN).refused for text in wrong)


def test_the_hibc_primary_example_is_read() -> None:
    # ANSI/HIBC 2.6, appendix B.2.0: labeler A123, product BJC5D6E7, unit of measure 1.
    scan = read_scan("+A123BJC5D6E71G", today=THEN)
    assert (scan.kind, scan.lic, scan.product, scan.unit, scan.link) == (
        "hibc_primary",
        "A123",
        "BJC5D6E7",
        "1",
        "G",
    )


def test_the_hibc_secondary_example_is_read_and_asks_for_its_primary() -> None:
    # ANSI/HIBC 2.6, section 4.3.2: day 015 of 2020, lot 10X3, link character G.
    scan = read_scan("+$$52001510X3GD", today=THEN)
    assert (scan.kind, scan.use_by, scan.lot, scan.link) == (
        "hibc_secondary",
        date(2020, 1, 15),
        "10X3",
        "G",
    )
    assert scan.needs_primary
    joined = join_hibc(read_scan("+A123BJC5D6E71G", today=THEN), scan)
    assert (joined.problem, joined.lic, joined.lot) == (None, "A123", "10X3")


def test_the_hibc_combined_example_is_read() -> None:
    # ANSI/HIBC 2.6, section 2.3.2.
    scan = read_scan("+A99912345/$$52001510X3/16D20111212/S77DEFG457", today=THEN)
    assert (scan.kind, scan.lic, scan.product, scan.unit) == ("hibc_combined", "A999", "1234", "5")
    assert (scan.lot, scan.serial, scan.use_by, scan.made_on) == (
        "10X3",
        "77DEFG45",
        date(2020, 1, 15),
        date(2011, 12, 12),
    )


def test_the_hibc_quantity_example_is_read() -> None:
    # ANSI/HIBC 2.6, section 2.3.2.4.
    scan = read_scan("+A99912349/$10X3/16D20111231/14D20200131/Q500Z", today=THEN)
    assert (scan.lot, scan.quantity, scan.use_by) == ("10X3", 500, date(2020, 1, 31))


@pytest.mark.parametrize(("code", "use_by", "lot", "serial", "quantity"), TABLE_F1)
def test_each_secondary_format_of_table_f1_is_read(
    code: str, use_by: str | None, lot: str | None, serial: str | None, quantity: int | None
) -> None:
    # Month and year alone (0905) mean the last day of the month: common practice, no source.
    weights = {character: value for value, character in enumerate(ALPHABET)}
    check = ALPHABET[sum(weights[character] for character in code) % 43]
    scan = read_scan(code + check, today=date(2006, 1, 1))
    assert scan.problem is None
    assert (scan.use_by, scan.lot, scan.serial, scan.quantity, scan.link) == (
        day(use_by),
        lot,
        serial,
        quantity,
        "L",
    )
