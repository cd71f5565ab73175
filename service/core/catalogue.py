"""What a catalogue line may be: kinds, the words its columns take, and rules across columns.

The kinds are generic trade classes. To add one, add it to the family it belongs to here; the
catalogue, the imports and the construct templates read these sets and nothing else.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

NAIL_KINDS = frozenset({"single_lag_screw_nail", "two_screw_nail", "helical_blade_nail"})


IMPLANT_KINDS = NAIL_KINDS | frozenset(
    {
        "side_plate",
        "buttress_plate",
        "lag_screw",
        "antirotation_screw",
        "helical_blade",
        "set_screw",
        "compression_screw",
        "end_cap",
        "distal_locking_screw",
        "cortical_screw",
        "cancellous_screw",
        "washer",
        "cerclage_wire",
        "cerclage_cable",
    }
)


INSTRUMENT_SET_KINDS = frozenset(
    {
        "nail_instrument_set",
        "plate_instrument_set",
        "screw_instrument_set",
        "cerclage_instrument_set",
        "reamer_set",
        "extraction_set",
        "broken_screw_set",
    }
)


#: What takes out metal that is in the bone already.
EXTRACTION_KINDS = frozenset({"extraction_set", "broken_screw_set"})


CONSUMABLE_KINDS = frozenset({"guide_wire", "ball_tip_guide_wire", "drill_bit"})


ITEM_KINDS = IMPLANT_KINDS | INSTRUMENT_SET_KINDS | CONSUMABLE_KINDS


SIDES = frozenset({"left", "right", "either"})


HEAD_DESIGNS = frozenset({"headed", "headless"})


THREADS = frozenset({"partly", "fully"})


SCREW_TYPES = frozenset({"lag", "antirotation", "blade", "locking", "cortical", "cancellous"})


OWNERSHIPS = frozenset({"owned", "consigned", "loan"})


STERILITIES = frozenset({"sterile", "unsterile"})


#: Numeric columns a size rule may choose by.
SIZE_FIELDS = ("length_mm", "diameter_mm", "angle_deg", "thread_length_mm", "holes", "barrel_mm")


#: From this length on a femoral nail is bowed to its side (common practice: short and
#: intermediate nails end by about 260 mm and serve both sides; long ones start near 280 mm).
LONG_NAIL_FROM_MM = 280.0


#: ISO 4217 currencies whose minor unit is the unit itself (ISO 4217 list one, exponent 0).
CURRENCIES_WITHOUT_MINOR = frozenset(
    {
        *("BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW", "PYG"),
        *("RWF", "UGX", "UYI", "VND", "VUV", "XAF", "XOF", "XPF"),
    }
)


#: Columns a kind cannot do without: nothing could be sized or matched otherwise.
_NEEDED: Mapping[str, tuple[str, ...]] = {
    **dict.fromkeys(NAIL_KINDS, ("length_mm", "diameter_mm", "angle_deg", "side", "system")),
    "side_plate": ("angle_deg", "holes", "barrel_mm", "side", "system"),
    "buttress_plate": ("side", "system"),
    "lag_screw": ("length_mm", "system"),
    "antirotation_screw": ("length_mm", "system"),
    "helical_blade": ("length_mm", "system"),
    "set_screw": ("system",),
    "compression_screw": ("system",),
    "end_cap": ("system",),
    "distal_locking_screw": ("length_mm", "diameter_mm", "system"),
    "cortical_screw": ("length_mm", "diameter_mm"),
    "cancellous_screw": ("length_mm", "diameter_mm", "thread"),
    "cerclage_wire": ("diameter_mm",),
    "cerclage_cable": ("diameter_mm",),
    "nail_instrument_set": ("system",),
    "plate_instrument_set": ("system",),
}


#: What no femoral implant exceeds; a figure beyond is a slip of the unit or the column.
_LARGEST = {
    "length_mm": 600.0,
    "diameter_mm": 30.0,
    "angle_deg": 180.0,
    "thread_length_mm": 300.0,
    "holes": 30.0,
    "barrel_mm": 80.0,
    "bow_radius_mm": 5000.0,
}


@dataclass(frozen=True, slots=True)
class ColumnFault:
    """One wrong column of an item and why."""

    field: str
    reason: str


@dataclass(frozen=True, slots=True)
class ItemFacts:
    """A catalogue line as the planner sees it; lengths in mm, angles in degrees.

    Parameters
    ----------
    ref
        The catalogue reference, unique in the catalogue.
    kind
        One of ``ITEM_KINDS``.
    system
        The implant system it belongs to, ``None`` where it serves any.
    """

    ref: str
    kind: str
    description: str = ""
    system: str | None = None
    length_mm: float | None = None
    diameter_mm: float | None = None
    angle_deg: float | None = None
    side: str | None = None
    screw_type: str | None = None
    head_design: str | None = None
    thread: str | None = None
    thread_length_mm: float | None = None
    holes: int | None = None
    barrel_mm: float | None = None
    bow_radius_mm: float | None = None
    supplied_sterile: bool = True
    reusable: bool = False
    turnaround_minutes: int | None = None


def check_item(facts: Mapping[str, object]) -> list[ColumnFault]:
    """Say what is wrong with a catalogue line across its columns.

    Parameters
    ----------
    facts
        Columns by name, already of the right type; absent columns may be missing or ``None``.

    Returns
    -------
    list of ColumnFault
        Every fault, in the order of the rules; empty when the line can be used.

    Notes
    -----
    A long nail has a side: it is bowed, and the wrong side does not fit. Source: common practice.

    Examples
    --------
    >>> nail = {"kind": "single_lag_screw_nail", "system": "Demo", "length_mm": 340.0,
    ...         "diameter_mm": 11.0, "angle_deg": 130.0, "side": "either"}
    >>> [fault.field for fault in check_item(nail)]
    ['side']
    """
    kind = facts.get("kind")
    if kind not in ITEM_KINDS:
        return [
            ColumnFault("kind", f"'{kind}' is not a kind of item; use one of {_words(ITEM_KINDS)}")
        ]
    return [
        *_missing(str(kind), facts),
        *_out_of_range(facts),
        *_nail_side(str(kind), facts),
        *_instruments(str(kind), facts),
    ]


def _words(values: frozenset[str]) -> str:
    return ", ".join(sorted(values))


def _missing(kind: str, facts: Mapping[str, object]) -> list[ColumnFault]:
    return [
        ColumnFault(field, f"{kind} needs {field}: without it the item cannot be sized or matched")
        for field in _NEEDED.get(kind, ())
        if facts.get(field) in (None, "")
    ]


def _out_of_range(facts: Mapping[str, object]) -> list[ColumnFault]:
    faults = []
    for field, largest in _LARGEST.items():
        value = facts.get(field)
        if isinstance(value, int | float) and not 0 < value <= largest:
            faults.append(ColumnFault(field, f"{value:g} is outside 0 to {largest:g}"))
    return faults


def _nail_side(kind: str, facts: Mapping[str, object]) -> list[ColumnFault]:
    length = facts.get("length_mm")
    if kind not in NAIL_KINDS or not isinstance(length, int | float):
        return []
    if length >= LONG_NAIL_FROM_MM and facts.get("side") == "either":
        return [
            ColumnFault(
                "side",
                f"a nail of {length:g} mm is bowed and side-specific: enter left or right, not "
                "either",
            )
        ]
    return []


def _instruments(kind: str, facts: Mapping[str, object]) -> list[ColumnFault]:
    is_set = kind in INSTRUMENT_SET_KINDS
    turnaround = facts.get("turnaround_minutes")
    if is_set and turnaround is None:
        return [
            ColumnFault(
                "turnaround_minutes", "an instrument set needs its turnaround time (local figure)"
            )
        ]
    if not is_set and turnaround is not None:
        return [ColumnFault("turnaround_minutes", "only an instrument set has a turnaround time")]
    if is_set and not facts.get("reusable"):
        return [ColumnFault("reusable", "an instrument set is reusable: enter yes")]
    if not is_set and facts.get("reusable"):
        return [
            ColumnFault(
                "reusable",
                "only an instrument set can be reusable: it must be tracked through its "
                "reprocessing and out of it",
            )
        ]
    return []


#: What `describe_size` says, by column.
_SAID_OF_SIZE = (
    *("diameter_mm", "length_mm", "angle_deg", "holes", "barrel_mm"),
    *("side", "thread", "head_design"),
)


def describe_shared_size(items: Sequence[ItemFacts]) -> str:
    """Name what items of one kind have in common, for a line that any of them serves.

    Parameters
    ----------
    items
        Catalogue lines, at least one.

    Returns
    -------
    str
        As `describe_size`, without what differs from one to another.

    Examples
    --------
    >>> describe_shared_size([
    ...     ItemFacts("A", "side_plate", angle_deg=135, holes=4, barrel_mm=38),
    ...     ItemFacts("B", "side_plate", angle_deg=135, holes=5, barrel_mm=38)])
    '135°, 38 mm barrel'
    """
    first = items[0]
    differs: dict[str, Any] = {
        column: None
        for column in _SAID_OF_SIZE
        if any(getattr(one, column) != getattr(first, column) for one in items)
    }
    return describe_size(replace(first, **differs) if differs else first)


def describe_size(item: ItemFacts) -> str:
    """Name an item's size the way it is said in theatre.

    Parameters
    ----------
    item
        The catalogue line.

    Returns
    -------
    str
        Diameter, length, angle, holes, side, thread and head design, as far as they apply.

    Examples
    --------
    >>> describe_size(ItemFacts("X", "single_lag_screw_nail", length_mm=340, diameter_mm=11,
    ...                         angle_deg=130, side="left"))
    '11 × 340 mm, 130°, left'
    """
    across, along = item.diameter_mm, item.length_mm
    parts = []
    if across is not None and along is not None:
        parts.append(f"{across:g} × {along:g} mm")
    elif across is not None or along is not None:
        parts.append(f"{across if along is None else along:g} mm")
    if item.angle_deg is not None:
        parts.append(f"{item.angle_deg:g}°")
    if item.holes is not None:
        parts.append(f"{item.holes} holes")
    if item.barrel_mm is not None:
        parts.append(f"{item.barrel_mm:g} mm barrel")
    if item.side in ("left", "right"):
        parts.append(item.side)
    if item.thread is not None:
        parts.append(f"{item.thread} threaded")
    if item.head_design is not None:
        parts.append(item.head_design)
    return ", ".join(parts)
