"""Operating lists as files: one row a case, with what is known from the film and the plan."""

from dataclasses import dataclass
from datetime import date, time
from typing import get_args

from service.core.findings import (
    BoneQuality,
    CoronalFragment,
    ExistingMetal,
    MedialFragment,
    Pattern,
)
from service.core.fracture_classes import FractureError, read_class
from service.core.fractures import WALL_STATES
from service.exchange import row_checks as cells
from service.exchange.row_checks import NAME_LENGTH, REF_LENGTH
from service.exchange.row_tables import Column, Complaint, Format, Parsed, Unique, parse_rows
from service.exchange.spreadsheets import Sheet

__all__ = ["OperatingListRow", "read_operating_lists"]


@dataclass(frozen=True, slots=True)
class OperatingListRow:
    """One case of a list: date and times local to the site, sizes as measured on the film in mm.

    ``None`` and ``unknown`` both say that nobody has said; neither says no.
    """

    list_date: date
    theatre: str
    starts: time
    ends: time
    case_reference: str
    position: int
    side: str
    sex: str
    fracture_class: str | None
    class_year: int | None
    neck_film_mm: float | None
    canal_film_mm: float | None
    nail_length_mm: float | None
    marker_film_mm: float | None
    marker_true_mm: float | None
    lateral_wall_mm: float | None
    lateral_wall: str
    medial_fragment: str
    coronal_fragment: str
    pattern: str
    bone_quality: str
    existing_metal: str
    primary: str | None
    alternates: tuple[str, ...]


def _check(row: OperatingListRow) -> list[Complaint]:
    complaints = _class_problem(row)
    if row.ends <= row.starts:
        complaints.append(("ends", "is not after the start"))
    if (row.fracture_class is None) != (row.class_year is None):
        complaints.append(
            ("class_year", "a class means something only with its year: give both or neither")
        )
    if (row.marker_film_mm is None) != (row.marker_true_mm is None):
        complaints.append(
            ("marker_true_mm", "a marker is measured against its true size: give both or neither")
        )
    if row.primary is None and row.alternates:
        complaints.append(("primary", "there are alternates to no primary construct"))
    if row.primary in row.alternates:
        complaints.append(("alternates", f"{row.primary} is the primary construct already"))
    return complaints


def _class_problem(row: OperatingListRow) -> list[Complaint]:
    if row.fracture_class is None or row.class_year is None:
        return []
    try:
        read_class(row.fracture_class, row.class_year)
    except FractureError as error:
        return [("fracture_class", error.reason)]
    return []


def _finding(name: str, words: tuple[str, ...]) -> Column:
    return Column(name, cells.choice(words), default="unknown")


_FORMAT = Format(
    columns=(
        Column("list_date", cells.iso_date, required=True),
        Column("theatre", cells.code(NAME_LENGTH), required=True),
        Column("starts", cells.clock, required=True),
        Column("ends", cells.clock, required=True),
        Column("case_reference", cells.code(REF_LENGTH), required=True),
        Column("position", cells.whole(1, 100), required=True),
        Column("side", cells.choice(("left", "right")), required=True),
        Column("sex", cells.choice(("F", "M", "unknown")), default="unknown"),
        Column("fracture_class", cells.code(20)),
        Column("class_year", cells.whole(1980, 2100)),
        Column("neck_film_mm", cells.size_mm),
        Column("canal_film_mm", cells.size_mm),
        Column("nail_length_mm", cells.size_mm),
        Column("marker_film_mm", cells.size_mm),
        Column("marker_true_mm", cells.size_mm),
        Column("lateral_wall_mm", cells.size_mm),
        _finding("lateral_wall", WALL_STATES),
        _finding("medial_fragment", get_args(MedialFragment)),
        _finding("coronal_fragment", get_args(CoronalFragment)),
        _finding("pattern", get_args(Pattern)),
        _finding("bone_quality", get_args(BoneQuality)),
        _finding("existing_metal", get_args(ExistingMetal)),
        Column("primary", cells.planned),
        Column("alternates", cells.planned_list, default=()),
    ),
    build=lambda values: OperatingListRow(**values),  # type: ignore[arg-type]  # typed by readers
    check=_check,
    unique=(
        Unique("case_reference", "this case", lambda row: row.case_reference),
        Unique(
            "position",
            "this position of the same list",
            lambda row: (row.list_date, row.theatre, row.position),
        ),
    ),
)


def read_operating_lists(sheet: Sheet) -> Parsed[OperatingListRow]:
    """Read operating lists; a case stands in one place only, a position holds one case."""
    return parse_rows(sheet, _FORMAT)
