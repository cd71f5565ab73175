"""What a scanner may send: labels to refuse, and text of any kind, which must not raise."""

import string
from datetime import date
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.exchange.labels.hibc import check_character, join_hibc
from service.exchange.labels.read import LONGEST_SCAN, read_scan
from service.exchange.labels.scan import Scan

TODAY = date(2031, 3, 1)


GTIN = "51022222233336"


GS = "\x1d"


def read(raw: str) -> Scan:
    return read_scan(raw, today=TODAY)


def test_a_bare_gtin_says_the_product_and_nothing_more() -> None:
    scan = read(GTIN)
    assert (scan.kind, scan.gtin, scan.lot, scan.use_by) == ("gtin", GTIN, None, None)


def test_thirteen_digits_from_an_ean_13_symbol_are_that_gtin() -> None:
    # The manual of biip: 7032069804988 is the GTIN-14 07032069804988.
    assert read("]E07032069804988").gtin == "07032069804988"
    assert read("7032069804988").gtin == "07032069804988"


def test_eight_bare_digits_are_a_gtin_only_if_the_symbol_says_so() -> None:
    # The manual of biip: 96385074 is a valid GTIN-8.
    assert read("]E496385074").gtin == "00000096385074"
    assert read("96385074").refused


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        ("", "nothing"),
        ("   ", "nothing"),
        ("hello", "not a GS1 code"),
        ("https://example.test/01/51022222233336", "web address"),
        ("]C0" + GTIN, "neither a GS1"),
        ("]E0" + GTIN, "13 digits"),
        ("x" * (LONGEST_SCAN + 1), "longer"),
        ("01\u0660" + GTIN, "U+0660"),
        ("\ud800", "U+D800"),
        (f"01{GTIN}10{GS}21A", "empty"),
        (f"01{GTIN}10A{GS}{GS}21B", "empty element"),
        (f"(01){GTIN}(10)", "empty"),
        (f"(01){GTIN}(10)A(10)B", "twice"),
        (f"01{GTIN}10A{GS}10B", "twice"),
        (f"(01){GTIN}(02){GTIN}(37)5", "(02)"),
        (f"(01){GTIN}(05)1", "known application identifier"),
        (f"(01){GTIN}(10)A(B)C", "brackets"),
        (f"(01){GTIN}(10)A)", "brackets"),
        (f"(01){GTIN}(17)310231", "not a valid use-by date"),
        (f"(01){GTIN}(17)310001", "not a valid use-by date"),
        (f"(01){GTIN}(11)310431", "not a valid production date"),
        (f"(01){GTIN}(17)310401(7003)3105010800", "different use-by"),
        (f"(01){GTIN}(10){'L' * 21}", "(10) cannot hold"),
        (f"01{GTIN}10{'L' * 21}", "longer than allowed"),
        (f"01{GTIN}10{'L' * 20}17310401", "longer than allowed"),
        (f"01{GTIN}99" + "9" * 91, "longer than allowed"),
    ],
)
def test_a_label_that_cannot_be_relied_on_is_refused_with_a_reason(raw: str, says: str) -> None:
    scan = read(raw)
    assert says in str(scan.problem)
    assert (scan.gtin, scan.lot, scan.serial, scan.use_by) == (None, None, None, None)


@pytest.mark.parametrize(
    "tail", ["10LOT717310401", "21SER117310401", "10LOT71731040121S1", "10LOT711300401"]
)
def test_a_lot_that_seems_to_have_swallowed_a_date_is_refused(tail: str) -> None:
    assert "seems to include" in str(read(f"01{GTIN}{tail}").problem)


@pytest.mark.parametrize(
    ("raw", "lot"),
    [
        # The date is there in its own right, so the lot swallowed none.
        (f"01{GTIN}1731040110LOT717310401", "LOT717310401"),
        # Brackets say where the lot ends.
        (f"(01){GTIN}(10)LOT717310401", "LOT717310401"),
        # No such day, so it never was a date.
        (f"01{GTIN}10LOT717310431", "LOT717310431"),
        # A lost separator before a serial leaves no trace; the standard cannot tell.
        (f"01{GTIN}10LOT721SER1", "LOT721SER1"),
    ],
)
def test_a_lot_without_a_trace_of_a_lost_separator_is_read(raw: str, lot: str) -> None:
    assert (read(raw).problem, read(raw).lot) == (None, lot)


def test_a_leading_and_a_closing_separator_are_no_elements() -> None:
    assert read(f"]C1{GS}01{GTIN}10A{GS}").lot == "A"


def test_spaces_in_the_printed_form_mean_nothing() -> None:
    scan = read(f" (01) {GTIN} (10) A213B1 ")
    assert (scan.problem, scan.lot) == (None, "A213B1")


def test_upper_and_lower_case_of_a_lot_are_kept() -> None:
    assert read(f"(01){GTIN}(10)aB9").lot == "aB9"


def test_an_expiry_with_a_time_of_day_gives_its_day() -> None:
    assert read(f"(01){GTIN}(7003)3104010800").use_by == date(2031, 4, 1)


def test_a_count_in_the_label_is_the_quantity() -> None:
    assert read(f"(01){GTIN}(30)12").quantity == 12


def checked(body: str) -> str:
    return body + str(check_character(body))


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ("+A123BJC5D6E7X", "primary code"),
        ("+1", "not a lot"),
        ("+A99912345/", "not a lot"),
        ("+A99912345/17D20310101", "not a lot"),
        ("+A99912345/16D20310230", "not a valid date"),
        ("+A99912345/14D20310200", "not a valid date"),
        ("+A99912345/$$5313661", "not a valid use-by date"),
        ("+A99912345/$$31310X3", "not a valid use-by date"),
        ("+A99912345/$$4310401243C", "not a valid use-by date"),
        ("+A99912345/$$13313C", "not a valid use-by date"),
        ("+A99912345/$$A", "not a date format"),
        ("+A99912345/$$", "not a date format"),
        ("+A99912345/$$7ABCDEFGHIJKLMNOPQRS", "at most 18"),
        ("+A99912345/$A/$B", "two different"),
        ("+A99912345/$$33104011A/14D20310402", "two different"),
    ],
)
def test_an_hibc_code_that_cannot_be_relied_on_is_refused(body: str, says: str) -> None:
    scan = read(checked(body))
    assert says in str(scan.problem)
    assert (scan.lic, scan.lot, scan.use_by) == (None, None, None)


def test_lower_case_is_no_hibc() -> None:
    assert "not allowed in HIBC" in str(read("+a123bjc5d6e71g").problem)


def test_the_printed_form_between_asterisks_is_read() -> None:
    assert read("*+A123BJC5D6E71G*").product == "BJC5D6E7"


def test_a_check_character_that_is_a_space_survives_and_may_be_printed_as_an_underscore() -> None:
    bodies = (f"+A123{letter}1" for letter in string.ascii_uppercase + string.digits)
    body = next(body for body in bodies if check_character(body) == " ")
    assert read(body + " \r\n").problem is None
    assert read(f"*{body}_*").problem is None
    assert read(body).refused


def test_a_secondary_code_of_another_pack_is_not_joined() -> None:
    primary = read("+A123BJC5D6E71G")
    other = read(checked("+$$52001510X3H"))
    assert other.problem is None
    assert "different packs" in str(join_hibc(primary, other).problem)
    assert "one primary" in str(join_hibc(primary, primary).problem)
    assert join_hibc(read("+A123BJC5D6E71X"), other).refused


def consistent(scan: Scan) -> bool:
    """Facts or a reason, and never a fact beside a reason."""
    facts = (scan.gtin, scan.lic, scan.product, scan.lot, scan.serial, scan.use_by, scan.made_on)
    return scan.problem is None or (bool(scan.problem) and facts == (None,) * len(facts))


PIECES = (
    *("01", "10", "11", "17", "21", "30", "37", "02", "7003", "8008", "4326", "7007", "3922"),
    *("(01)", "(10)", "(17)", "(21)", "(8008)", GTIN, GS, "]C1", "]d2", "]E0", "]", "310401"),
    *("000000", "999999", "+", "*+", "$", "$$", "$$+", "$$8", "$$9", "/", "/16D", "/14D", "/S"),
    *("/Q", "A123", "+A123BJC5D6E71G", "20310401", "*", "_", " ", "\r\n", "(", ")", "http://"),
)


CHARACTERS = string.printable + GS + "\0\u0660\u200bé\ud800😀"


HIBC_PIECES = ("$", "$$", "$$+", "$$8", "$$9", "/", "/16D", "/14D", "/S", "/Q", "A123", "310401")


HIBC_CHARACTERS = "0123456789ABCXYZ-. $/+%"


def labellike(rng: Random) -> str:
    """Put together text that goes far into the readers: marks of the formats, and noise."""
    style = rng.randrange(4)
    if style == 0:
        return "".join(rng.choices(CHARACTERS, k=rng.randrange(30)))
    if style == 1:
        return "".join(rng.choices(PIECES, k=rng.randrange(9)))
    if style == 2:
        noise = "".join(rng.choices(HIBC_CHARACTERS, k=rng.randrange(12)))
        return checked("+" + "".join(rng.choices(HIBC_PIECES, k=rng.randrange(6))) + noise)
    identifier = str(rng.randrange(10_000)).zfill(rng.randrange(2, 5))
    value = "".join(rng.choices(string.digits + "Az/", k=rng.randrange(24)))
    brackets = rng.random() < 0.5
    return f"(01){GTIN}({identifier}){value}" if brackets else f"01{GTIN}{identifier}{value}"


@settings(max_examples=250, deadline=None)
@given(st.integers(0, 2**64))
def test_no_text_of_a_hundred_thousand_like_labels_makes_the_reader_raise(seed: int) -> None:
    rng = Random(seed)  # noqa: S311 - test data
    texts = [labellike(rng) for _ in range(440)]  # 250 examples of 440 are 110,000
    assert all(consistent(read(text)) for text in texts)


@settings(max_examples=1000, deadline=None)
@given(st.one_of(st.text(), st.lists(st.sampled_from(PIECES) | st.text(max_size=3)).map("".join)))
def test_no_text_whatever_makes_the_reader_raise(text: str) -> None:
    assert consistent(read(text))


def test_no_known_element_makes_the_reader_raise() -> None:
    # Every identifier biip knows, with values of every length that are dates and times or not.
    values = ("0" * 30, "9" * 30, "310229256199" * 3, "A" * 30, "/" * 30)
    texts = [
        f"01{GTIN}{identifier:0{width}d}{value[:length]}"
        for width in (2, 3, 4)
        for identifier in range(10**width)
        for value in values
        for length in ((6,) if width == 4 else (2, 6, 12))
    ]
    assert all(consistent(read(text)) for text in texts)


@settings(max_examples=300, deadline=None)
@given(
    lot=st.text(string.ascii_uppercase, min_size=1, max_size=20),
    serial=st.text(string.ascii_lowercase, min_size=1, max_size=20),
    use_by=st.dates(date(2000, 1, 1), date(2070, 12, 31)),
)
def test_what_is_written_by_the_rules_is_read_back(lot: str, serial: str, use_by: date) -> None:
    text = f"]d201{GTIN}17{use_by:%y%m%d}10{lot}{GS}21{serial}"
    scan = read(text)
    assert (scan.problem, scan.lot, scan.serial, scan.use_by) == (None, lot, serial, use_by)
