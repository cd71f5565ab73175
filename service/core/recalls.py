"""Whether a notice names a pack: what people print, read and type in many forms is the same."""

import unicodedata
from collections.abc import Iterable

#: Spaces, dashes, control and format characters; zero-width ones are format characters.
_LEFT_OUT_CATEGORIES = frozenset({"Zs", "Zl", "Zp", "Pd", "Cc", "Cf"})


#: Dashes and joiners that the Unicode categories count as something else: minus sign, swung dash,
#: hyphen bullet, modifier minus, the combining grapheme joiner, and the blank Hangul fillers.
_LEFT_OUT = frozenset("\u2212\u2053\u2043\u02d7\u034f\u115f\u1160\u3164\uffa0")


#: Variation selectors: they ask for another drawing of the character before them.
_VARIATION_SELECTORS = (range(0xFE00, 0xFE10), range(0xE0100, 0xE01F0), range(0x180B, 0x1810))


def comparable(text: str) -> str:
    """Return the form in which two lots, serials or suppliers that read the same are equal.

    Parameters
    ----------
    text
        As printed or typed.

    Returns
    -------
    str
        Empty when there is nothing in it that tells one pack from another.

    Notes
    -----
    Compatible characters are made one by Unicode Standard Annex #15, NFKC. Letters are compared by
    the Unicode Standard, 3.13, default caseless matching. That spaces and hyphens do not matter in
    a lot number is common practice, no source.

    Examples
    --------
    >>> comparable("l-28 f") == comparable("L28\u2011F")
    True
    >>> comparable(" - ")
    ''
    """
    former = None
    # What is left out may have kept two characters apart that are one when they meet.
    while text != former:
        former, folded = text, unicodedata.normalize("NFKC", text).casefold()
        text = "".join(one for one in folded if not _is_left_out(one))
    return text


def _is_left_out(one: str) -> bool:
    return (
        unicodedata.category(one) in _LEFT_OUT_CATEGORIES
        or one in _LEFT_OUT
        or any(ord(one) in selectors for selectors in _VARIATION_SELECTORS)
    )


def is_named(pairs: Iterable[tuple[str, str]]) -> bool:
    """Tell whether a notice names a pack for certain.

    Parameters
    ----------
    pairs
        What the notice says and what the pack says, of lot, serial and the like; a notice that
        leaves one empty means any.

    Returns
    -------
    bool
        Whether everything the notice says is on the pack.

    Examples
    --------
    >>> is_named([("L1", "l 1"), ("", "S7")]), is_named([("L1", "")])
    (True, False)
    """
    return all(not theirs or comparable(theirs) == comparable(ours) for theirs, ours in pairs)


def may_be_named(pairs: Iterable[tuple[str, str]]) -> bool:
    """Tell whether a notice names a pack, or only what nobody knows of the pack keeps it from it.

    Parameters
    ----------
    pairs
        As for ``is_named``; what is not known of the pack is empty.

    Returns
    -------
    bool
        Whether nothing the notice says is otherwise on the pack.

    Examples
    --------
    >>> may_be_named([("L1", "")]), may_be_named([("L1", "L2")])
    (True, False)
    """
    return is_named((theirs, ours) for theirs, ours in pairs if comparable(ours))
