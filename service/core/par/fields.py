"""Reads fields out of plain dicts and lists, keeping every fault with its JSON pointer."""

import math
from collections.abc import Iterable, Mapping, Sequence


def step_into(pointer: str, key: str | int) -> str:
    """Return the JSON pointer of a member of what `pointer` names.

    Parameters
    ----------
    pointer
        The pointer of the object or list.
    key
        A member's name or position.

    Returns
    -------
    str
        The pointer with one more token, ``~`` and ``/`` escaped. Source: RFC 6901, section 3.

    Examples
    --------
    >>> step_into("/levels", "screw 4.5/40")
    '/levels/screw 4.5~140'
    """
    return f"{pointer}/{str(key).replace('~', '~0').replace('/', '~1')}"


class Fields:
    """Reads values of stated types and collects what is wrong instead of stopping at once.

    After a fault the reader hands back a harmless value, so that reading can go on and name the
    other faults too; nothing read may be used while `faults` is not empty.

    Examples
    --------
    >>> fields = Fields()
    >>> fields.number(-1, "/lead_time_days", low=0)
    0.0
    >>> fields.faults
    [('/lead_time_days', 'This must be a number of at least 0.')]
    """

    def __init__(self) -> None:
        self.faults: list[tuple[str, str]] = []

    def fault(self, pointer: str, sentence: str) -> None:
        """Keep one fault."""
        self.faults.append((pointer, sentence))

    def members(
        self, raw: object, pointer: str, required: Iterable[str], optional: Iterable[str] = ()
    ) -> Mapping[str, object]:
        """Return an object's members; absent required and unknown ones are faults."""
        if not isinstance(raw, Mapping):
            self.fault(pointer, "This must be an object.")
            return {}
        needed = list(required)
        for name in needed:
            if name not in raw:
                self.fault(step_into(pointer, name), "This is required.")
        known = {*needed, *optional}
        for name in raw:
            if name not in known:
                self.fault(step_into(pointer, str(name)), "There is no field of this name here.")
        return raw

    def listed(self, raw: object, pointer: str) -> list[tuple[str, object]]:
        """Return a list's members, each with its pointer."""
        if not isinstance(raw, Sequence) or isinstance(raw, str | bytes):
            self.fault(pointer, "This must be a list.")
            return []
        return [(step_into(pointer, position), member) for position, member in enumerate(raw)]

    def text(self, raw: object, pointer: str) -> str:
        """Return a string that is not empty."""
        if isinstance(raw, str) and raw:
            return raw
        self.fault(pointer, "This must be a string that is not empty.")
        return ""

    def number(
        self, raw: object, pointer: str, *, low: float = 0.0, high: float = math.inf
    ) -> float:
        """Return a finite number between two bounds, ends included."""
        if isinstance(raw, int | float) and not isinstance(raw, bool):
            finite = isinstance(raw, int) or math.isfinite(raw)
            if finite and low <= raw <= high:
                return float(raw)
        bounds = f"of at least {low:g}" if high == math.inf else f"from {low:g} to {high:g}"
        self.fault(pointer, f"This must be a number {bounds}.")
        return float(low)

    def whole(self, raw: object, pointer: str, *, high: int) -> int:
        """Return a whole number from 0 to `high`."""
        if isinstance(raw, int | float) and not isinstance(raw, bool):
            whole = isinstance(raw, int) or raw.is_integer()
            if whole and 0 <= raw <= high:
                return int(raw)
        self.fault(pointer, f"This must be a whole number from 0 to {high}.")
        return 0

    def names(self, members: Sequence[tuple[str, str]]) -> dict[str, int]:
        """Return the position of each name; a name given twice is a fault."""
        positions: dict[str, int] = {}
        for position, (pointer, name) in enumerate(members):
            if name and name in positions:
                self.fault(pointer, f"There are two of the name {name!r} here.")
            positions.setdefault(name, position)
        return positions

    def sums_to_one(self, probabilities: Sequence[float], pointer: str) -> None:
        """Check that probabilities sum to 1 within 1e-9, which rounding cannot break."""
        total = math.fsum(probabilities)
        if abs(total - 1.0) > 1e-9:  # noqa: PLR2004 - the contract states this tolerance
            self.fault(pointer, f"The probabilities must sum to 1; these sum to {total:.12g}.")
