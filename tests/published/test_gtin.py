"""GTIN-14 against values from outside; the source stands beside each."""

import pytest

from service.exchange.labels.gs1 import gtin_problem


@pytest.mark.parametrize(
    "gtin",
    [
        "51022222233336",  # FDA, UDI formats by issuing agency, version 1.3 (2017), GS1 example
        "07032069804988",  # the manual of biip (module biip.gs1_messages), check digit by GS1
        "06291041500213",  # GS1 guide to check digits, GTIN-13 6291041500213 (from memory)
    ],
)
def test_a_published_gtin_has_nothing_wrong(gtin: str) -> None:
    assert gtin_problem(gtin) is None


def test_every_other_check_digit_of_a_published_gtin_is_refused() -> None:
    stem, right = "5102222223333", "6"
    refused = [digit for digit in "0123456789" if gtin_problem(stem + digit) is not None]
    assert refused == [digit for digit in "0123456789" if digit != right]


@pytest.mark.parametrize("at", range(14))
def test_any_single_wrong_digit_of_a_published_gtin_is_refused(at: int) -> None:
    # A property of the modulo 10 check with weights 3 and 1, both prime to 10: every single
    # wrong digit shows (GS1 General Specifications, section 7.9).
    gtin = "51022222233336"
    wrong = [gtin[:at] + digit + gtin[at + 1 :] for digit in "0123456789" if digit != gtin[at]]
    assert all(gtin_problem(text) is not None for text in wrong)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("12345678901234", "check digit"),
        ("6291041500213", "leading zero"),
        ("629104150021", "12 digits"),
        ("96385074", "8 digits"),
        ("5.10222E+13", "changed by a spreadsheet"),
        ("5,10222E+13", "changed by a spreadsheet"),
        ("51022222233336.0", "changed by a spreadsheet"),
        ("00000000000000", "zeros"),
        ("5102222223333X", "not 14 digits"),
        ("٥١٠٢٢٢٢٢٢٣٣٣٣٦", "not 14 digits"),
        ("", "not 14 digits"),
    ],
)
def test_a_gtin_a_spreadsheet_or_a_finger_spoiled_is_refused_with_its_reason(
    text: str, says: str
) -> None:
    problem = gtin_problem(text)
    assert problem is not None
    assert says in problem
