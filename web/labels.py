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
    "kind": "What it is",
    "price": "Price of one",
    "unit_price_minor": "Price of one",
    "currency": "Currency",
    "note": "Note to the supplier",
    "wanted_for": "Wanted for",
    "return_by": "Goes back by",
    "due_at": "Due",
    "use_by": "Use by",
    "sterile_until": "Sterile until (optional)",
    "cycle": "Steriliser, cycle, load",
    "surplus": "Take the surplus",
    "although": "Why it is taken all the same",
    "back": "Go back",
    "missing": "Missing",
    "minimum_order": "Least order value",
    "works_on": "Works on",
    "cut_off": "Orders count until",
    "country": "Country",
    "endpoint_id": "Electronic address",
    "endpoint_scheme": "Scheme of the address",
    "day": "Day",
    "holiday": "What the day is called",
    "buyer_legal_name": "Legal name",
    "buyer_endpoint_id": "Our electronic address",
    "buyer_endpoint_scheme": "Scheme of our address",
    "level": "Par level",
    "why": "Why",
    "again": "Why it is decided again",
    "target": "Target (%)",
    "budget": "Or budget",
    "arrivals_per_day": "Cases a day",
    "name": "Name",
    "sign_in": "Signs in as",
    "password": "First password",
    "pin": "PIN",
}


def plain(name: str) -> str:
    """Say a name from the data in plain words."""
    return name.replace("_", " ").replace("-", " ")


def figure_name(key: str) -> str:
    """Say a figure's name without its unit, which stands beside it."""
    for unit in ("_mm", "_hours", "_days"):
        key = key.removesuffix(unit)
    words = plain(key).replace(" sd", " standard deviation")
    return words[:1].upper() + words[1:]


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
