"""What the fields of forms are called, on the form and in what is said about them."""

from collections.abc import Iterable

from service.errors import FieldFault

#: Label by the name a form sends.
FIELD_LABELS = {
    "reference": "Local reference",
    "list_date": "List day",
    "theatre": "Theatre",
    "starts": "Starts",
    "ends": "Ends",
    "twice": "If the clock shows it twice",
    "position": "List order",
    "side": "Side",
    "sex": "Sex",
    "fracture_class": "AO/OTA class",
    "class_year": "Year of the classification",
    "lateral_wall_mm": "Lateral wall thickness, mm",
    "lateral_wall": "Lateral wall",
    "medial_fragment": "Medial fragment",
    "coronal_fragment": "Coronal fragment",
    "pattern": "Pattern",
    "bone_quality": "Bone",
    "existing_metal": "Metal in situ",
    "shaft_extension": "Extension into the shaft",
    "neck_film_mm": "Lag screw path on the film",
    "canal_film_mm": "Canal on the film",
    "nail_length_mm": "Long nail, true length on the patient",
    "marker_film_mm": "Marker on the film",
    "marker_true_mm": "Marker, true size",
    "primary": "Planned construct",
    "alternates": "Backups",
    "near": "Have available",
    "value": "Value",
    "source": "Source",
    "quantity": "How many",
    "counted": "Counted",
    "reason": "Why",
    "to_store": "To store",
    "to": "To shelf",
    "ref": "REF",
    "lot": "Lot",
    "serial": "Serial",
    "supplier": "Supplier",
    "notice": "The supplier's notice",
    "site": "Site",
    "units": "Which units go",
    "expected_at": "Expected there",
    "condition": "Condition on arrival",
    "days": "Days from today",
    "kind": "Order type",
    "price": "Unit price",
    "unit_price_minor": "Unit price",
    "currency": "Currency",
    "note": "Note to the supplier",
    "wanted_for": "Wanted for",
    "return_by": "Return by",
    "due_at": "Due",
    "use_by": "Use by",
    "sterile_until": "Sterile until (optional)",
    "cycle": "Steriliser, cycle, load",
    "surplus": "Accept the extra",
    "although": "Reason for accepting",
    "back": "Returned",
    "missing": "Missing",
    "minimum_order": "Minimum order",
    "works_on": "Working days",
    "cut_off": "Order cut-off",
    "country": "Country",
    "endpoint_id": "Electronic address",
    "endpoint_scheme": "Address scheme",
    "day": "Day",
    "holiday": "Name of the day",
    "buyer_legal_name": "Legal name",
    "buyer_endpoint_id": "Our electronic address",
    "buyer_endpoint_scheme": "Our address scheme",
    "level": "Par level",
    "why": "Why",
    "again": "Why it is decided again",
    "target": "Target (%)",
    "budget": "Or budget",
    "arrivals_per_day": "Cases a day",
    "name": "Name",
    "sign_in": "Sign-in name",
    "password": "First password",
    "pin": "PIN",
}


def plain(name: str) -> str:
    """Say a name from the data in plain words."""
    return name.replace("_", " ").replace("-", " ")


#: What each figure is called, by what it serves.
FIGURE_GROUPS = {
    "Films": {
        "marker_true_mm": "Marker, true size",
        "assumed_magnification": "Magnification without a marker",
        "uncalibrated_magnification_sd": "Magnification without a marker, spread",
    },
    "Lag screws and blades": {
        "lag_offset_mm": "Lag screw offset",
        "neck_sd_mm": "Path measured on a film, spread",
        "neck_path_without_film_f_mm": "Path without a film, women",
        "neck_path_without_film_f_sd_mm": "Path without a film, women, spread",
        "neck_path_without_film_m_mm": "Path without a film, men",
        "neck_path_without_film_m_sd_mm": "Path without a film, men, spread",
        "antirotation_offset_mm": "Anti-rotation screw offset",
        "antirotation_within_mm": "Anti-rotation screw, tolerance",
        "tip_apex_target_mm": "Tip-apex distance, limit",
        "lateral_wall_threshold_mm": "Lateral wall, threshold",
        "barrel_short_up_to_mm": "Short barrel, longest lag screw",
    },
    "Nails": {
        "nail_diameter_offset_mm": "Nail diameter offset",
        "canal_sd_mm": "Canal measured on a film, spread",
        "canal_without_film_mm": "Canal without a film",
        "canal_without_film_sd_mm": "Canal without a film, spread",
        "long_nail_sd_mm": "Long nail measured, spread",
        "long_nail_without_measure_f_mm": "Long nail not measured, women",
        "long_nail_without_measure_m_mm": "Long nail not measured, men",
        "long_nail_without_measure_sd_mm": "Long nail not measured, spread",
        "long_nail_step_mm": "Long nail, step between sizes",
    },
    "Locking and shaft screws": {
        "distal_screws_at_least": "Distal screws, fewest",
        "distal_screws_at_most": "Distal screws, most",
        "distal_screw_mean_mm": "Distal screw, usual length",
        "distal_screw_sd_mm": "Distal screw, spread",
        "distal_screw_smallest_mm": "Distal screw, shortest",
        "distal_screw_largest_mm": "Distal screw, longest",
        "shaft_screw_mean_mm": "Shaft screw, usual length",
        "shaft_screw_sd_mm": "Shaft screw, spread",
    },
    "Sizes to pick, and cover": {
        "sizes_either_side_calibrated": "Sizes either side, calibrated film",
        "sizes_either_side_uncalibrated": "Sizes either side, no marker",
        "sizes_added_at_most": "Further sizes, most",
        "sizes_listed_probability": "Chance that the size needed is listed",
        "sizes_covered_probability": "Least chance to count as covered",
        "dropped_pack_probability": "Chance of a dropped or wrongly opened pack",
    },
    "Orders, loans and transfers": {
        "delivery_receiving_hours": "Booking in a delivery",
        "loan_reprocessing_hours": "Reprocessing a loan",
        "store_transfer_hours": "Transfer between stores",
        "site_transfer_hours": "Transfer from another site",
        "loan_lead_days": "Loan, lead time",
        "call_off_days": "Call-off, lead time",
        "short_dated_days": "Short-dated, shorter than",
        "delivery_in_time_probability": "Chance that a delivery is on time",
        "set_in_time_probability": "Chance that a set is back on time",
    },
}


def figure_name(key: str) -> str:
    """Say a figure's name without its unit, which stands beside it."""
    for names in FIGURE_GROUPS.values():
        if key in names:
            return names[key]
    for unit in ("_mm", "_hours", "_days"):
        key = key.removesuffix(unit)
    return plain(key).capitalize()


def field_of(pointer: str) -> str:
    """Return the name of the form's field a JSON pointer means; empty when it means none."""
    names = [part for part in pointer.split("/") if part in FIELD_LABELS]
    return names[-1] if pointer.startswith("/") and names else ""


def field_name(pointer: str) -> str:
    """Say where a fault is: the field's label, or row and column of a file."""
    if not pointer.startswith("/"):
        return pointer
    known = FIELD_LABELS.get(field_of(pointer))
    return known or ", ".join(plain(part) for part in pointer.strip("/").split("/")) or "the form"


def fault_of(faults: Iterable[FieldFault], name: str) -> str:
    """Say what is wrong with a field; empty when nothing is."""
    return "; ".join(fault.reason for fault in faults if field_of(fault.pointer) == name)


def item_name(system: str | None, description: str) -> str:
    """Name an item with its system, once: some descriptions begin with it."""
    if system is None or system.lower() in description.lower():
        return description
    return f"{system} {description[:1].lower()}{description[1:]}"


def pack_name(system: str | None, description: str, size: str) -> str:
    """Name a pack with its system and its size, each once."""
    name = item_name(system, description)
    return name if not size or size in name else f"{name} {size}"


#: What can be done with units in one place: the movement, and its name.
ACTIONS = {
    "move": "Move",
    "count": "Count",
    "quarantine": "Quarantine",
    "write_off": "Write off",
    "release": "Release",
    "reprocess": "Not sterile",
}
