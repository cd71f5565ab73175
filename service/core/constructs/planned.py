"""How a plan names a construct: template codes with system and angle, joined by plus signs."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from service.core.catalogue import ColumnFault


class ConstructError(ValueError):
    """A construct that cannot be read; carries where and why."""

    def __init__(self, faults: Sequence[ColumnFault]) -> None:
        super().__init__("; ".join(f"{fault.field}: {fault.reason}" for fault in faults))
        self.faults = tuple(faults)


@dataclass(frozen=True, slots=True)
class ConstructPart:
    """One template of a planned construct, with the system and angle it is planned in."""

    template: str
    system: str | None = None
    angle_deg: float | None = None

    def __str__(self) -> str:
        """Write the part as it is read: ``code@System/130``."""
        text = self.template
        if self.system is not None:
            text += f"@{self.system}"
        if self.angle_deg is not None:
            # An angle of more digits than :g writes must be read back as the same angle.
            short = f"{self.angle_deg:g}"
            text += "/" + (short if float(short) == self.angle_deg else repr(self.angle_deg))
        return text


@dataclass(frozen=True, slots=True)
class PlannedConstruct:
    """A base and its add-ons, as one plan names them."""

    parts: tuple[ConstructPart, ...]

    def __str__(self) -> str:
        """Write the construct as it is read: parts joined by ``+``."""
        return "+".join(str(part) for part in self.parts)


def parts_in_all(constructs: Sequence[PlannedConstruct]) -> frozenset[ConstructPart]:
    """Return the parts that every construct of a plan stands on: no alternate replaces them.

    Parameters
    ----------
    constructs
        The primary and its alternates.

    Returns
    -------
    frozenset of ConstructPart
        A part in another system or at another angle is another part: it is a complete alternate.

    Notes
    -----
    Source: common practice, as for ``construct_lines``.

    Examples
    --------
    >>> nail, wire = ConstructPart("nail"), ConstructPart("wire")
    >>> parts_in_all([PlannedConstruct((nail,)), PlannedConstruct((nail, wire))]) == {nail}
    True
    """
    return frozenset.intersection(*(frozenset(one.parts) for one in constructs))


_CODE = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")


def is_code(text: str) -> bool:
    """Tell whether a text has the shape of a template's code; the template need not exist.

    Parameters
    ----------
    text
        The text.

    Returns
    -------
    bool
        True for words of lower-case letters and digits joined by hyphens.

    Notes
    -----
    Source: none needed.

    Examples
    --------
    >>> is_code("two-screw-nail"), is_code("Two screw nail")
    (True, False)
    """
    return _CODE.fullmatch(text) is not None


def read_planned(text: str) -> PlannedConstruct:
    """Read a planned construct written as ``code@System/130+code``.

    Parameters
    ----------
    text
        Template codes joined by ``+``; each may carry ``@System`` and ``/angle`` in degrees.

    Returns
    -------
    PlannedConstruct
        The parts in the order written, the base first.

    Raises
    ------
    ConstructError
        When a part has no template code, is named twice, or its angle is no number from 90 to 160.

    Examples
    --------
    >>> str(read_planned("short-single-lag-nail@Demo/130 + cerclage-wire"))
    'short-single-lag-nail@Demo/130+cerclage-wire'
    """
    parts: list[ConstructPart] = []
    for piece in text.split("+"):
        part = _read_part(piece.strip())
        if part.template in {known.template for known in parts}:
            reason = f"{part.template} is named twice in '{text}'"
            raise ConstructError([ColumnFault("construct", reason)])
        parts.append(part)
    return PlannedConstruct(tuple(parts))


_SMALLEST_ANGLE_DEG, _LARGEST_ANGLE_DEG = 90.0, 160.0


_EXAMPLE = "short-single-lag-nail@Demo/130"


def _read_part(piece: str) -> ConstructPart:
    rest, slash, angle_text = piece.partition("/")
    code, at, system = (word.strip() for word in rest.partition("@"))
    if not code or (at and not system) or (slash and not angle_text.strip()):
        raise ConstructError(
            [ColumnFault("construct", f"write '{piece}' as code@System/angle, such as {_EXAMPLE}")]
        )
    if not is_code(code):
        reason = f"'{code}' is not a construct code: use lower-case letters, digits and hyphens"
        raise ConstructError([ColumnFault("construct", reason)])
    angle = None
    if slash:
        try:
            angle = float(angle_text)
        except ValueError:
            angle = -1.0
        if not _SMALLEST_ANGLE_DEG <= angle <= _LARGEST_ANGLE_DEG:
            reason = f"the angle '{angle_text}' is not a number from 90 to 160 degrees"
            raise ConstructError([ColumnFault("construct", reason)])
    return ConstructPart(code, system or None, angle)
