"""Load the demo hospital, or a department's own files in its place.

The files are written as if loaded on the day that ``demo.toml`` names; every date in them is
moved by the same number of days, so that the lists fall on the days after loading.
"""

import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import fields, is_dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar

from service.errors import BadInput, Conflict, FieldFault
from service.exchange.rows import Parsed
from service.exchange.spreadsheets import read_sheet
from service.operations.accounts import add_person
from service.operations.constructs import load_constructs
from service.operations.demo_scenes import SCENES
from service.operations.guidance import load_guidance
from service.operations.imports.run import FORMATS, import_rows
from service.operations.rules import ROLES
from service.operations.schemas.people import PersonBody
from service.operations.sizing import load_defaults
from service.operations.unit import Unit
from service.storage.queries import catalogue
from service.storage.tables import Site

__all__ = ["is_loaded", "load_demo", "moved_by", "read_toml"]

Row = TypeVar("Row")

#: Of every account of the demo, and of no other.
DEMO_PASSWORD = "demo"  # noqa: S105 - it is printed on the demo's sign-in page

#: Files in the order in which they build on each other.
_TABLES = (
    ("catalogue.csv", "catalogue"),
    ("suppliers.csv", "suppliers"),
    ("holidays.csv", "holidays"),
    ("stock.csv", "stock-take"),
    ("deliveries.csv", "deliveries"),
    ("usage.csv", "usage"),
    ("lists.csv", "lists"),
)

#: Without them every day is a working day and no order has a cut-off.
_MAY_BE_ABSENT = frozenset({"suppliers.csv", "holidays.csv"})


def is_loaded(unit: Unit) -> bool:
    """Tell whether there is a catalogue already, the demo's or the department's own."""
    return bool(catalogue.ids_by_ref(unit.session))


def load_demo(unit: Unit, folder: Path) -> dict[str, int]:
    """Load every file of a folder into an empty database; all of them, or none.

    Returns
    -------
    dict of str to int
        How many lines of each file were taken.

    Raises
    ------
    Conflict
        When there is a catalogue already: demo stock must never mix with real stock.
    BadInput
        Names file, row and column of every fault.
    """
    if is_loaded(unit):
        raise Conflict("There is a catalogue here already; the demo goes into an empty database.")
    facts = read_toml(folder / "demo.toml")
    shift = timedelta(days=(unit.today - facts["written_for"]).days)
    _name_site(unit, facts["site"])
    if facts["site"].get("invented", False):
        _add_accounts(unit)
    taken = {}
    for name, form in _TABLES:
        if name in _MAY_BE_ABSENT and not (folder / name).exists():
            continue
        taken[name] = _load_table(unit, folder / name, form, shift)
        if form == "catalogue":
            taken["sizing.toml"] = load_defaults(unit, read_toml(folder / "sizing.toml"))
            taken["constructs.toml"] = load_constructs(unit, read_toml(folder / "constructs.toml"))
            taken["guidance.toml"] = load_guidance(unit, read_toml(folder / "guidance.toml"))
    # A department's own folder has no scenes: what happens next happens in the program.
    for name, read, play in SCENES:
        path = folder / name
        if path.exists():
            with _naming(path):
                rows = [
                    moved_by(row, shift)
                    for _, row in read(read_sheet(path.read_bytes(), name)).all_or_refuse()
                ]
                play(unit, rows)
            taken[name] = len(rows)
    return taken


def _add_accounts(unit: Unit) -> None:
    """Add an account for each role, whose password everybody knows: a real site refuses them."""
    for sign_in, roles in (*((role, (role,)) for role in ROLES), ("everybody", ROLES)):
        body = PersonBody.model_validate(
            {
                "sign_in": sign_in,
                "name": f"demo {sign_in}",
                "roles": list(roles),
                "password": DEMO_PASSWORD,
            }
        )
        add_person(unit, body, is_demo=True)


def _load_table(unit: Unit, path: Path, form: str, shift: timedelta) -> int:
    read, _ = FORMATS[form]
    with _naming(path):
        parsed = read(read_sheet(path.read_bytes(), path.name))
        moved = Parsed(
            [(number, moved_by(row, shift)) for number, row in parsed.good],
            parsed.faults,
            parsed.more_faults,
        )
        return import_rows(unit, form, moved, take_good_rows=False).added


@contextmanager
def _naming(path: Path) -> Iterator[None]:
    """Name the file in every fault."""
    try:
        yield
    except BadInput as error:
        faults = [FieldFault(f"{path.name}, {one.pointer}", one.reason) for one in error.faults]
        raise BadInput(f"{path.name}: {error.detail}", faults=faults) from error


def moved_by(row: Row, shift: timedelta) -> Row:
    """Move every date of a row by the same number of days."""
    if not is_dataclass(row) or isinstance(row, type):
        message = "a row is a dataclass value"
        raise TypeError(message)
    moved: dict[str, Any] = {
        field.name: getattr(row, field.name) + shift
        for field in fields(row)
        if isinstance(getattr(row, field.name), date | datetime)
    }
    return replace(row, **moved)


def _name_site(unit: Unit, facts: dict[str, Any]) -> None:
    site = unit.session.get_one(Site, unit.site_id)
    site.code, site.name, site.timezone = facts["code"], facts["name"], facts["timezone"]
    site.is_demo = bool(facts.get("invented", False))


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file, or say where it is wrong."""
    try:
        with path.open("rb") as file:
            return tomllib.load(file)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BadInput(f"{path.name} is not TOML: {error}. Nothing was saved.") from error
