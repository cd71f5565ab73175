"""Money against the minor units of ISO 4217."""

from decimal import Decimal

import pytest

from service.exchange.sheets.money import minor_units


@pytest.mark.parametrize(
    ("amount", "code", "expected"),
    [
        # ISO 4217 list one, exponents 2, 0, 3 and 4.
        ("1234.50", "EUR", 123450),
        ("900", "JPY", 900),
        ("1.234", "KWD", 1234),
        ("1.2345", "CLF", 12345),
        ("0.29", "GBP", 29),
    ],
)
def test_money_is_exact_in_the_minor_unit_of_its_currency(
    amount: str, code: str, expected: int
) -> None:
    assert minor_units(Decimal(amount), code) == expected
