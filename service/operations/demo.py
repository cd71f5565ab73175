"""Load the demo hospital, or a department's own files in its place.

The files are written as if loaded on the day that ``demo.toml`` names; every date in them is
moved by the same number of days, so that the lists fall on the days after loading.
"""

import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar

from service.errors import BadInput, Conflict, FieldFault
from service.exchange.sheets import cells
from service.exchange.sheets.cells import NAME_LENGTH, REF_LENGTH
from service.exchange.sheets.columns import StockRow, read_stock_take
from service.exchange.sheets.tables import Column, Format, Parsed, parse_rows
from service.exchange.sheets.workbook import Sheet, read_sheet
from service.operations.cases.lookup import get_case
from service.operations.constructs import load_constructs
from service.operations.guidance import load_guidance
from service.operations.imports.run import FORMATS, import_rows
from service.operations.people.accounts import add_person
from service.operations.people.permissions import ROLES
from service.operations.planning.confirm import confirm_plan_backups
from service.operations.sizing import load_defaults
from service.operations.stock.movements import record_movement
from service.operations.work import Unit
from service.schemas.people import PersonBody
from service.schemas.stock import CountBody, LocationBody
from service.storage.queries import catalogue
from service.storage.tables import Site

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
        raise Conflict(
            "This database already has a catalogue. Load the demo into an empty database."
        )
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
    except tomllib.TOMLDecodeError as error:
        # Its message ends with the place: "… (at line 3, column 5)".
        place = str(error).rpartition("(at ")[2].rstrip(")")
        raise BadInput(f"{path.name} is not valid TOML at {place}. Nothing was saved.") from error
    except UnicodeDecodeError as error:
        raise BadInput(f"{path.name} is not UTF-8 text. Nothing was saved.") from error


@dataclass(frozen=True, slots=True)
class ConfirmationRow:
    """A case whose backups somebody has confirmed."""

    case_reference: str
    confirmed_by: str


def _confirmation(values: Mapping[str, object]) -> ConfirmationRow:
    return ConfirmationRow(str(values["case_reference"]), str(values["confirmed_by"]))


_CONFIRMATIONS = Format(
    columns=(
        Column("case_reference", cells.code(REF_LENGTH), required=True),
        Column("confirmed_by", cells.code(NAME_LENGTH), required=True),
    ),
    build=_confirmation,
    check=lambda _row: [],
    unique=(),
)


def read_confirmations(sheet: Sheet) -> Parsed[ConfirmationRow]:
    """Read which cases are confirmed, and by whom."""
    return parse_rows(sheet, _CONFIRMATIONS)


def confirm_cases(unit: Unit, rows: Sequence[ConfirmationRow]) -> None:
    """Confirm the backups of cases as they are checked now, in their current revision."""
    for row in rows:
        case = get_case(unit, row.case_reference)
        revision = case.plan.revision if case.plan is not None else 0
        surgeon = replace(unit, actor=row.confirmed_by)
        confirm_plan_backups(surgeon, row.case_reference, revision, case.version)


def count_again(unit: Unit, rows: Sequence[StockRow]) -> None:
    """Count lots on their shelves; what is promised of units that are gone is given up."""
    for row in rows:
        body = CountBody.model_validate(
            {
                "kind": "count",
                "ref": row.ref,
                "lot": row.lot,
                "serial": row.serial,
                "ownership": row.ownership,
                "at": LocationBody(store=row.store, shelf=row.shelf),
                "counted": row.quantity,
                "reason": "counted again",
            }
        )
        record_movement(unit, body)


#: Files that tell what happened next, in order: how each is read, and what is done with its rows.
SCENES: tuple[tuple[str, Callable[[Sheet], Parsed[Any]], Callable[[Unit, Any], None]], ...] = (
    ("confirmations.csv", read_confirmations, confirm_cases),
    ("changes.csv", read_stock_take, count_again),
)
