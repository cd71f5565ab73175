"""Whether a scanner that types like a keyboard is set up right: what arrived against what was sent.

A scanner in keyboard mode presses keys; the computer turns keys into characters by its own layout.
When the two layouts differ, letters change places and nobody is told. The separator (U+001D)
between fields of varying length has no key at all and is easily lost.
"""

from collections.abc import Mapping
from dataclasses import dataclass

SEPARATOR = "\x1d"


#: What scanners may send before a code to name its kind. Source: ISO/IEC 15424, symbology
#: identifiers of GS1 DataMatrix, GS1-128 and GS1 QR.
_PREFIXES = ("]d2", "]C1", "]Q3")


@dataclass(frozen=True, slots=True)
class KnownCode:
    """A code made for the check.

    Parameters
    ----------
    bracketed
        Its fields as they stand in print, ``(01)…``.
    keyed
        What a scanner types that is set up right, without the key that ends it.
    """

    bracketed: str
    keyed: str


_GTIN, _LOT, _SERIAL = "02919999999999", "AaQqWwZzYyMm", "-/_+:;?=&%"


#: Every letter that changes places between common layouts, digits, signs, and one separator.
CHECK_CODE = KnownCode(
    f"(01){_GTIN}(17)391231(10){_LOT}(21){_SERIAL}",
    f"01{_GTIN}17391231" + f"10{_LOT}{SEPARATOR}21{_SERIAL}",
)


@dataclass(frozen=True, slots=True)
class ScannerInput:
    """What came in from the keyboard.

    Parameters
    ----------
    text
        The characters, without the key that ended them.
    ended_by
        ``Enter``, ``Tab``, ``nothing``, or empty when the page could not see it.
    caps_lock
        Whether Caps Lock was on.
    was_scanned
        Whether it came as fast as a scanner types, as far as the page could see it.
    """

    text: str
    ended_by: str = ""
    caps_lock: bool = False
    was_scanned: bool = True


@dataclass(frozen=True, slots=True)
class ScannerFinding:
    """What is wrong with the set-up, and what to change; nothing is wrong when both are empty.

    Parameters
    ----------
    faults
        What was found, each a sentence.
    remedies
        What to set, each a sentence; in the order of the faults.
    """

    faults: tuple[str, ...] = ()
    remedies: tuple[str, ...] = ()

    @property
    def is_right(self) -> bool:
        """Whether the scanner can be relied on."""
        return not self.faults


def check_scanner(arrived: ScannerInput, expected: str = CHECK_CODE.keyed) -> ScannerFinding:
    """Compare what arrived with the test code.

    Parameters
    ----------
    arrived
        What came in.
    expected
        What a scanner types that is set up right.

    Returns
    -------
    ScannerFinding
        Faults and remedies. Letters that change places name the layout: y and z German, a and q
        with z and w French. Source: the layouts QWERTY, QWERTZ and AZERTY.

    Examples
    --------
    >>> check_scanner(ScannerInput(CHECK_CODE.keyed, ended_by="Enter")).is_right
    True
    >>> check_scanner(ScannerInput(CHECK_CODE.keyed.replace(SEPARATOR, ""))).faults
    ('The separator between the fields is lost.',)
    """
    text = arrived.text.strip(" ")
    for prefix in _PREFIXES:
        text = text.removeprefix(prefix)
    found = [
        one
        for one in (_text_fault(text, expected, caps_lock=arrived.caps_lock), _end_fault(arrived))
        if one is not None
    ]
    return ScannerFinding(tuple(one[0] for one in found), tuple(one[1] for one in found))


_NO_END = (
    "No Enter or Tab was received after the code.",
    "Set the scanner to send Enter (carriage return) after each code.",
)


_NOTHING = ("Nothing was received.", "Click into the field, then scan the code again.")


_HOW_TO_SEND = (
    "Set the scanner to send the separator (GS, U+001D) as Ctrl+] or as the character itself"
)


_LOST = ("The separator between the fields is lost.", f"{_HOW_TO_SEND}.")


_CAPITALS = (
    "All letters were received as capitals.",
    "Set the scanner to keep upper and lower case as in the code.",
)


_LAYOUT_REMEDY = (
    "Set the scanner's keyboard layout to the one this computer uses, or scan its setting "
    "'keyboard layout independent' if it has one."
)


_PAUSE = "Set a longer pause between characters on the scanner (inter-character delay)."


_NO_MORE = "Switch off anything the scanner adds before or after a code, except Enter."


def _end_fault(arrived: ScannerInput) -> tuple[str, str] | None:
    return _NO_END if arrived.ended_by == "nothing" else None


def _text_fault(text: str, expected: str, *, caps_lock: bool) -> tuple[str, str] | None:
    if text == expected:
        return None
    bare = expected.replace(SEPARATOR, "")
    known = {"": _NOTHING, bare: _LOST, expected.upper(): _CAPITALS, bare.upper(): _CAPITALS}
    if text in known:
        return known[text]
    if text.replace(SEPARATOR, "") == bare.swapcase():
        seen = "Caps Lock is on" if caps_lock else "It looks as if Caps Lock is on"
        says = f"Capital and small letters are swapped. {seen}."
        return says, "Switch Caps Lock off and scan again."
    if len(text) in {len(expected), len(bare)}:
        return _layout_fault(text, expected)
    if len(text) < len(bare):
        return f"Only {len(text)} of {len(expected)} characters were received.", _PAUSE
    return f"{len(text)} characters were received instead of {len(expected)}.", _NO_MORE


#: Letters that change places, by the layout of keys that does it.
_LAYOUTS: Mapping[str, Mapping[str, str]] = {
    "a German keyboard (QWERTZ)": {"y": "z", "z": "y", "Y": "Z", "Z": "Y"},
    "a French keyboard (AZERTY)": {
        "a": "q", "q": "a", "w": "z", "z": "w", "A": "Q", "Q": "A", "W": "Z", "Z": "W",
    },
}  # fmt: skip


def _layout_fault(text: str, expected: str) -> tuple[str, str]:
    """Name the layout by the characters that changed."""
    kept = expected if len(text) == len(expected) else expected.replace(SEPARATOR, "")
    changed = {want: got for want, got in zip(kept, text, strict=True) if want != got}
    letters = {want: got for want, got in changed.items() if want.isalpha() and want not in "mM"}
    if set(changed) == {SEPARATOR}:
        return f"The separator is received as '{changed[SEPARATOR]}'.", f"{_HOW_TO_SEND}."
    shown = ", ".join(f"{want} was received as {got}" for want, got in list(changed.items())[:6])
    shown = shown.replace(SEPARATOR, "the separator")
    name = next((name for name, swaps in _LAYOUTS.items() if letters == swaps), "")
    what = f"as on {name}" if name else "so the two use different keyboard layouts"
    return f"Characters were swapped: {shown}, {what}.", _LAYOUT_REMEDY
