"""Substitutes in a readiness problem, against brute force over every way to hand packs out."""

import random
from itertools import product

import pytest

from service.core.cover.units import StockUnits
from service.core.readiness import solve
from service.core.readiness.from_plans import ItemClasses
from service.schemas.readiness_problem import problem_from

Group = tuple[str, ...]


def served(groups: list[Group], stock: dict[str, int]) -> bool:
    """Tell whether every group can be given one pack of its own, trying every choice."""
    for choice in product(*groups):
        if all(choice.count(ref) <= stock.get(ref, 0) for ref in choice):
            return True
    return False


def answer(groups: list[Group], cases: list[list[Group]], stock: dict[str, int]) -> list[float]:
    parcels = [StockUnits(f"p {ref}", ref, quantity) for ref, quantity in stock.items()]
    classes = ItemClasses(groups, parcels)
    lines: dict[str, int] = {}
    for ref, quantity in stock.items():
        name = classes.class_of(ref)
        if name is not None:
            lines[name] = lines.get(name, 0) + quantity
    problem = {
        "stock": [{"item": name, "quantity": quantity} for name, quantity in lines.items()],
        "cases": [
            {
                "case": f"K{number}",
                "needs": [{"need": "n", "probability": 1, "constructs": ["c"]}],
                "constructs": [
                    {
                        "construct": "c",
                        "takes": [
                            {"factors": [], "items": [{classes.name(one): 1}]} for one in own
                        ],
                    }
                ],
            }
            for number, own in enumerate(cases)
        ],
    }
    return [case.readiness.value for case in solve(problem_from(problem)).cases]


def test_references_that_serve_together_are_one_item_with_the_stock_of_all() -> None:
    classes = ItemClasses([("B", "A"), ("A", "B"), ("C",)], [])
    assert classes.name(("A", "B")) == classes.name(("B", "A")) == classes.class_of("A")
    assert classes.class_of("A") == classes.class_of("B") != classes.class_of("C")
    assert classes.class_of("D") is None
    assert answer([("A", "B")], [[("A", "B")], [("A", "B")]], {"A": 1, "B": 1}) == [1.0, 1.0]


def test_a_mixed_group_is_held_to_the_reference_with_the_most_stock() -> None:
    parcels = [
        StockUnits("1", "A", 1),
        StockUnits("2", "B", 2),
        StockUnits("3", "B", 2),
        StockUnits("4", "C", 3),
    ]
    classes = ItemClasses([("A", "B"), ("B", "C")], parcels)
    assert classes.name(("A", "B")) == "B"
    assert classes.name(("B", "C")) == "B"


@pytest.mark.parametrize("seed", range(300))
def test_substitutes_never_count_for_more_than_packs_could_be_handed_out(seed: int) -> None:
    draw = random.Random(seed)  # noqa: S311 - test data, nothing secret
    refs = "ABCD"
    groups = [tuple(draw.sample(refs, draw.randint(1, 3))) for _ in range(draw.randint(1, 4))]
    stock = {ref: draw.randint(0, 3) for ref in refs}
    cases = [[draw.choice(groups) for _ in range(draw.randint(1, 2))] for _ in range(3)]
    values = answer(groups, cases, stock)
    assert set(values) <= {0.0, 1.0}
    got = [one for case, value in zip(cases, values, strict=True) if value for one in case]
    assert served(got, stock)


@pytest.mark.parametrize("seed", range(200))
def test_groups_without_a_reference_in_common_count_for_all_that_is_there(seed: int) -> None:
    draw = random.Random(seed)  # noqa: S311 - test data, nothing secret
    refs = list("ABCDEF")
    draw.shuffle(refs)
    cuts = sorted(draw.sample(range(1, 6), 2))
    groups = [tuple(refs[: cuts[0]]), tuple(refs[cuts[0] : cuts[1]]), tuple(refs[cuts[1] :])]
    stock = {ref: draw.randint(0, 2) for ref in refs}
    wanted = [[draw.choice(groups) for _ in range(draw.randint(1, 3))]]
    assert answer(groups, wanted, stock) == [float(served(wanted[0], stock))]


def test_many_substitutes_still_have_a_name_a_problem_can_carry() -> None:
    group = tuple(f"SUPPLIER-PART-{number:06d}" for number in range(40))
    classes = ItemClasses([group, ("X",)], [])
    name = classes.name(group)
    assert len(name) <= 200
    assert name.startswith("SUPPLIER-PART-000000|SUPPLIER-PART-000001|")
    assert {classes.class_of(ref) for ref in group} == {name}
