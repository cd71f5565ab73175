"""The comparable form of lots and serials: what must not matter does not, and nothing else goes.

Sources: Unicode Standard Annex #15 (NFKC); the Unicode Character Database, PropList, property Dash.
That spaces and hyphens do not matter in a lot number is common practice, no source.
"""

import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from service.core.recalls import comparable, is_named, may_be_named

#: Unicode Character Database 15.0, PropList.txt, property Dash; from memory.
DASHES = (
    "\u002d\u058a\u05be\u1400\u1806\u2010\u2011\u2012\u2013\u2014\u2015\u2053\u207b\u208b\u2212"
    "\u2e17\u2e1a\u2e3a\u2e3b\u2e40\u2e5d\u301c\u3030\u30a0\ufe31\ufe32\ufe58\ufe63\uff0d\U00010ead"
)


#: White space, and what has no width: joiners, marks of direction, the soft hyphen, the BOM.
BLANKS = (
    " \t\u00a0\u1680\u2000\u2003\u2007\u2009\u200a\u202f\u205f\u3000"
    "\u200b\u200c\u200d\u200e\u2060\ufeff\u00ad\ufe0f\u034f"
)


NUMBERS = st.text("ABCXYZ0123456789", min_size=1, max_size=12)


TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)


@given(NUMBERS, st.lists(st.tuples(st.integers(0, 12), st.sampled_from(DASHES + BLANKS))))
def test_dashes_and_blanks_anywhere_do_not_matter(
    number: str, strewn: list[tuple[int, str]]
) -> None:
    text = number
    for place, one in strewn:
        text = text[:place] + one + text[place:]
    assert comparable(text) == comparable(number)


@given(NUMBERS)
def test_case_and_width_do_not_matter(number: str) -> None:
    # Full-width forms stand at the same distance from ASCII, U+FF01 to U+FF5E.
    wide = "".join(chr(ord(one) + 0xFEE0) for one in number)
    assert comparable(number.lower()) == comparable(wide) == comparable(number)


@given(NUMBERS, NUMBERS)
def test_numbers_that_differ_stay_different(one: str, other: str) -> None:
    assert (comparable(one) == comparable(other)) is (one == other)


@given(TEXTS)
def test_composed_and_decomposed_forms_are_the_same(text: str) -> None:
    for form in ("NFC", "NFD", "NFKC", "NFKD"):
        assert comparable(unicodedata.normalize(form, text)) == comparable(text)


@given(TEXTS)
def test_the_form_of_a_form_is_itself(text: str) -> None:
    assert comparable(comparable(text)) == comparable(text)


@given(TEXTS, TEXTS)
def test_what_a_notice_names_it_may_name(theirs: str, ours: str) -> None:
    pairs = ((theirs, ours),)
    assert may_be_named(pairs) or not is_named(pairs)


def test_what_is_not_known_is_in_doubt_and_what_is_known_is_not() -> None:
    assert may_be_named((("L1", ""), ("S1", "s-1")))
    assert not is_named((("L1", ""), ("S1", "s-1")))
    assert not may_be_named((("L1", ""), ("S1", "S2")))
