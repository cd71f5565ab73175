"""Say in words how far a construct is covered: sizes first, probability later."""

from collections.abc import Mapping

from service.core.case_checks import ConstructCheck, LineCheck

__all__ = ["cover_words"]


def cover_words(check: ConstructCheck, lengths_mm: Mapping[str, float]) -> str:
    """Say what a construct has, or what it lacks.

    Parameters
    ----------
    check
        A construct checked against stock.
    lengths_mm
        Length of every item that has one, in mm, by reference.

    Returns
    -------
    str
        ``every lag screw 85–105 mm covered``, or each gap in its own sentence; packs that an
        earlier or later case of the list counts on too are named.

    Examples
    --------
    >>> cover_words(ConstructCheck("c", "covered", ()), {})
    'everything it takes is there'
    """
    if check.gaps:
        return " ".join(dict.fromkeys(gap.sentence for gap in check.gaps))
    said = [
        f"every {role} {low:g}–{high:g} mm covered" if low < high else f"{role} {low:g} mm covered"
        for role, (low, high) in _ranges(check, lengths_mm).items()
    ]
    sharers = sorted(
        {name for line in check.lines for pick in line.picks for name in pick.shared_with}
    )
    if sharers:
        said.append(f"a pack is shared with {', '.join(sharers)}")
    return ", ".join(said) or "everything it takes is there"


def _ranges(
    check: ConstructCheck, lengths_mm: Mapping[str, float]
) -> dict[str, tuple[float, float]]:
    """Give smallest and largest length found for each role that was brought in several sizes."""
    ranges: dict[str, tuple[float, float]] = {}
    for line in check.lines:
        length = _length(line, lengths_mm)
        if length is not None:
            low, high = ranges.get(line.line.role, (length, length))
            ranges[line.line.role] = (min(low, length), max(high, length))
    return ranges


def _length(line: LineCheck, lengths_mm: Mapping[str, float]) -> float | None:
    if not line.line.is_sized or not line.picks:
        return None
    return lengths_mm.get(line.picks[0].parcel.ref)
