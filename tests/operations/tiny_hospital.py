"""A hospital with a handful of items, small enough to be worked by hand."""

from datetime import date
from typing import Any

from service.operations.catalogue import add_item
from service.operations.constructs import load_constructs
from service.operations.demo import read_toml
from service.operations.locations import add_location
from service.operations.planning.case_changes import add_case, make_plan
from service.operations.sizing import load_defaults
from service.operations.stock.movements import record_movement
from service.operations.work import Unit, Work
from service.schemas.cases import CaseBody, PlanBody
from service.schemas.catalogue import ItemBody
from service.schemas.stock import LocationBody, ReceiveBody
from tests.operations.trays.packs import SEED

#: The second day after the tests' clock.
DAY = date(2031, 3, 5)


SHELF = LocationBody(store="Theatre store", shelf="A-1")


#: Nail: canal − 1 mm, at most that. Lag screw: neck − 5 mm, nearest. Wires: one or two.
CONSTRUCTS: dict[str, Any] = {
    "construct": [
        {
            "code": "tiny-nail",
            "name": "Nail",
            "part": "base",
            "roles": [
                {
                    "role": "nail",
                    "kinds": ["single_lag_screw_nail"],
                    "match": ["system", "angle", "side"],
                    "sizes": [
                        {
                            "field": "diameter_mm",
                            "dimension": "canal",
                            "offset_mm": -1,
                            "fit": "at_most",
                            "step_mm": 1,
                        }
                    ],
                },
                {
                    "role": "lag screw",
                    "kinds": ["lag_screw"],
                    "match": ["system"],
                    "sizes": [
                        {
                            "field": "length_mm",
                            "dimension": "neck",
                            "offset_mm": -5,
                            "fit": "nearest",
                            "step_mm": 5,
                        }
                    ],
                },
                {
                    "role": "nail instrument set",
                    "kinds": ["nail_instrument_set"],
                    "match": ["system"],
                },
            ],
        },
        {
            "code": "tiny-wire",
            "name": "Wire",
            "part": "add_on",
            "roles": [
                {
                    "role": "cerclage wire",
                    "kinds": ["cerclage_wire"],
                    "quantity": {"1": 0.6, "2": 0.4},
                }
            ],
        },
    ]
}


def _sized(ref: str, kind: str, system: str, **facts: float | str) -> dict[str, Any]:
    return {
        "ref": ref,
        "kind": kind,
        "system": system,
        "description": ref,
        "supplier": "Test supply",
        "supplied_sterile": True,
        **facts,
    }


def _items() -> list[dict[str, Any]]:
    items = []
    for system, sizes in (("P", (90, 95, 100)), ("Q", (88, 92, 96, 100, 104))):
        items += [_sized(f"{system}-L{mm}", "lag_screw", system, length_mm=mm) for mm in sizes]
        items += [
            _sized(
                f"{system}-N{mm}",
                "single_lag_screw_nail",
                system,
                diameter_mm=mm,
                length_mm=180,
                angle_deg=130,
                side="either",
            )
            for mm in (10, 11, 12)
        ]
        items.append(
            {
                **_sized(f"{system}-IS", "nail_instrument_set", system),
                "supplied_sterile": False,
                "reusable": True,
                "turnaround_minutes": 240,
            }
        )
    wire = _sized("W", "cerclage_wire", "", diameter_mm=1.25)
    return [*items, {**wire, "system": None}]


def build(work: Work, stock: dict[str, int], *, dropped: float) -> None:
    """Set up catalogue, constructs and stock; lots last for years."""

    def write(unit: Unit) -> None:
        defaults = read_toml(SEED / "sizing.toml")
        for one in defaults["default"]:
            if one["key"] == "dropped_pack_probability":
                one["value"] = dropped
        load_defaults(unit, defaults)
        for item in _items():
            add_item(unit, ItemBody.model_validate(item))
        load_constructs(unit, CONSTRUCTS)
        add_location(unit, SHELF)
        for ref, quantity in stock.items():
            receive(unit, ref, quantity)

    work.write(write, "tester")


def receive(unit: Unit, ref: str, quantity: int, lot: str = "1") -> None:
    """Receive units of a lot; copies of a set one by one, each with its serial."""
    is_set = ref.endswith("-IS")
    for number in range(quantity if is_set else 1):
        body: dict[str, Any] = {"kind": "receive", "ref": ref, "to": SHELF, "quantity": 1}
        if is_set:
            body |= {"serial": f"{ref}-{lot}-{number}", "sterility": "sterile"}
        else:
            body |= {"lot": f"{ref}-{lot}", "quantity": quantity, "use_by": date(2035, 1, 1)}
        record_movement(unit, ReceiveBody.model_validate(body))


def operate(
    work: Work,
    reference: str,
    times: tuple[str, str],
    neck_and_canal_mm: tuple[float, float],
    plan: dict[str, Any],
) -> None:
    """Put a case on the list, measured beside a marker at its true size, and plan it."""
    neck, canal = neck_and_canal_mm
    body = CaseBody.model_validate(
        {
            "reference": reference,
            "list_date": DAY,
            "theatre": "Theatre 1",
            "starts": times[0],
            "ends": times[1],
            "position": 1,
            "side": "left",
            "measurements": {
                "neck_film_mm": neck,
                "canal_film_mm": canal,
                "marker_film_mm": 25,
                "marker_true_mm": 25,
            },
        }
    )

    def write(unit: Unit) -> None:
        version = add_case(unit, body).version
        make_plan(unit, reference, PlanBody.model_validate(plan), version)

    work.write(write, "tester")
