"""Days, amounts and chances have one form on every page."""

from datetime import UTC, date, datetime

import pytest

from web.formats import (
    day,
    full_day,
    full_stamp,
    in_unit,
    money,
    on_day,
    percent,
    refs,
    said,
    stamp,
)


def test_a_day_has_its_year_only_where_it_is_not_this_one() -> None:
    with on_day(date(2026, 11, 27)):
        assert day(date(2026, 11, 28)) == "Sat 28 Nov"
        assert day(date(2027, 1, 2)) == "Sat 2 Jan 2027"
        assert stamp(datetime(2026, 11, 27, 8, 5, tzinfo=UTC)) == "Fri 27 Nov, 08:05"


def test_paper_and_use_by_dates_keep_the_year() -> None:
    with on_day(date(2026, 11, 27)):
        assert full_day(date(2026, 11, 28)) == "Sat 28 Nov 2026"
        assert full_stamp(datetime(2026, 11, 27, 8, 5, tzinfo=UTC)) == "Fri 27 Nov 2026, 08:05"


def test_a_day_has_its_year_where_it_is_not_known_what_day_it_is() -> None:
    with on_day(date(2026, 11, 27)):
        pass
    assert day(date(2026, 11, 28)) == "Sat 28 Nov 2026"


# Groups of three figures, the sign in front: worked by hand. Decimals: ISO 4217, list one.
@pytest.mark.parametrize(
    ("minor", "currency", "words"),
    [
        (1567240, "GBP", "£15,672.40"),
        (5, "EUR", "€0.05"),
        (-123456789, "GBP", "−£1,234,567.89"),
        (90000, "JPY", "JPY\u00a090,000"),
        (1234567, "KWD", "KWD\u00a01,234.567"),
    ],
)
def test_money_stands_with_its_currency_in_groups_of_three(
    minor: int, currency: str, words: str
) -> None:
    assert money(minor, currency) == words


def test_a_number_is_not_torn_from_its_per_cent_sign() -> None:
    assert percent(0.9213) == "92\u00a0%"
    assert percent(0.9999) == "more than 99\u00a0%"


def test_a_reference_in_a_sentence_is_kept_whole_and_markup_stays_text() -> None:
    assert refs("<b> the last is promised to HAR-0711.") == (
        '&lt;b&gt; the last is promised to <span class="ref">HAR-0711</span>.'
    )
    assert refs("a two-part nail, CT-scanned") == "a two-part nail, CT-scanned"
    with on_day(date(2031, 3, 3)):
        assert refs("back at 14:00 on 2031-03-04") == "back at 14:00 on Tue 4 Mar"


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (1.2, "ratio", "× 1.2"),
        (0.95, "ratio", "95\u00a0%"),
        (0.04, "ratio", "4\u00a0%"),
        (1, "days", "1 day"),
        (2, "days", "2 days"),
        (1, "sizes", "1 size"),
        (-5, "mm", "−5 mm"),
        (20.5, "mm", "20.5 mm"),
        (48, "hours", "48 hours"),
    ],
)
def test_a_figure_stands_with_its_unit_in_the_right_number(
    value: float, unit: str, shown: str
) -> None:
    assert in_unit(value, unit) == shown


# 4 March 2031 is a Tuesday, 2 January 2032 a Friday: counted from Thursday, 1 January 2026.
@pytest.mark.parametrize(
    ("sentence", "shown"),
    [
        ("usable from 2031-03-04 14:00: late", "usable from Tue 4 Mar, 14:00: late"),
        ("back at 14:00 on 2031-03-04; wait?", "back at 14:00 on Tue 4 Mar; wait?"),
        ("lot D2 expires (2032-01-02)", "lot D2 expires (Fri 2 Jan 2032)"),
        ("below the 1750.00 GBP; 2 lines", "below the £1,750.00; 2 lines"),
        ("PO-2031-0001, 2031-02-30, 1 AMB-L", "PO-2031-0001, 2031-02-30, 1 AMB-L"),
        ("12.500 EUR in 3 ABC", "12.500 EUR in 3 ABC"),
    ],
)
def test_days_and_amounts_within_a_sentence_have_the_form_of_the_page(
    sentence: str, shown: str
) -> None:
    with on_day(date(2031, 3, 3)):
        assert said(sentence) == shown
