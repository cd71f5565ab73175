"""A case as a form's fields: filled from what is known, read back, compared with what is stored."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from service.core.fracture_classes import CODES
from service.operations.schemas.cases import CaseOut, FindingsBody, ListOut, MeasurementsBody
from web.labels import FIELD_LABELS, plain

__all__ = [
    "CLASS_CHOICES",
    "FINDINGS",
    "FRACTURE_FIELDS",
    "MEASUREMENTS",
    "Difference",
    "differences",
    "fracture_facts",
    "new_values",
    "values_of",
]

FINDINGS = tuple(FindingsBody.model_fields)
MEASUREMENTS = tuple(MeasurementsBody.model_fields)

#: What a form says of the fracture, beside which list the case is on.
FRACTURE_FIELDS = ("side", "sex", "fracture_class", *FINDINGS, *MEASUREMENTS)

#: Every class with the year of its classification, the newest first: value and words.
CLASS_CHOICES = tuple(
    (year, tuple((f"{code} {year}", f"{code} ({year})") for code in CODES[year]))
    for year in sorted(CODES, reverse=True)
)

#: How long a case is taken to last until somebody says otherwise: common practice, no source.
USUAL_LENGTH = timedelta(minutes=90)


@dataclass(frozen=True, slots=True)
class Difference:
    """A field that is stored otherwise than it was typed."""

    label: str
    stored: str
    typed: str


def values_of(case: CaseOut) -> dict[str, str]:
    """Give a case as the text of a form's fields; what is not known is empty."""
    known = case.model_dump(exclude={"findings", "measurements", "plan", "fracture_class"})
    known |= case.findings.model_dump() | case.measurements.model_dump()
    known |= {"starts": f"{case.starts_at:%H:%M}", "ends": f"{case.ends_at:%H:%M}"}
    known["fracture_class"] = (
        f"{case.fracture_class} {case.class_year}" if case.fracture_class else ""
    )
    return {name: _text(value) for name, value in known.items()}


def _text(value: object) -> str:
    if value is None:
        return ""
    return f"{value:g}" if isinstance(value, float) else str(value)


def fracture_facts(values: Mapping[str, str]) -> dict[str, object]:
    """Read what a form says of the fracture, as the body of a case has it; empty is unknown."""
    given = {name: values[name] for name in FRACTURE_FIELDS if values.get(name, "") != ""}
    facts: dict[str, object] = {name: given[name] for name in ("side", "sex") if name in given}
    if "fracture_class" in given:
        code, _, year = given["fracture_class"].rpartition(" ")
        facts |= {"fracture_class": code, "class_year": year}
    facts["findings"] = {name: given[name] for name in FINDINGS if name in given}
    facts["measurements"] = {name: given[name] for name in MEASUREMENTS if name in given}
    return facts


def differences(typed: Mapping[str, str], case: CaseOut, names: Sequence[str]) -> list[Difference]:
    """Give the fields whose stored value is not what was typed, in the order of the form."""
    stored = values_of(case)
    return [
        Difference(FIELD_LABELS.get(name, plain(name)), _said(stored.get(name)), _said(value))
        for name in names
        if (value := typed.get(name)) is not None and not _alike(value, stored.get(name, ""))
    ]


def _said(value: str | None) -> str:
    return plain(value) if value else "nothing"


def _alike(typed: str, stored: str) -> bool:
    if typed.strip() == stored:
        return True
    try:
        return float(typed) == float(stored)
    except ValueError:
        return False


def new_values(lists: Sequence[ListOut], day: date) -> dict[str, str]:
    """Fill the form of a new case as far as its day foretells: after the last case of a theatre."""
    values = {"list_date": str(day), "position": "1"}
    known = [one for one in lists if one.cases]
    if not known:
        return values | {"theatre": lists[0].theatre if lists else ""}
    last = max(
        (case for one in known for case in one.cases), key=lambda case: (case.ends_at, case.theatre)
    )
    ends = last.ends_at + USUAL_LENGTH
    values |= {
        "theatre": last.theatre,
        "position": str(1 + max(case.position for case in _of(known, last.theatre))),
    }
    if ends.date() == last.ends_at.date():
        values |= {"starts": _clock(last.ends_at), "ends": _clock(ends)}
    return values


def _of(lists: Sequence[ListOut], theatre: str) -> list[CaseOut]:
    return [case for one in lists if one.theatre == theatre for case in one.cases]


def _clock(moment: datetime) -> str:
    return f"{moment:%H:%M}"
