"""Fracture classes against the published tables; sources stand beside them in the JSON file."""

import json
from pathlib import Path
from typing import Any

import pytest

from service.core.fractures.classification import FractureError, lateral_wall, read_class

TABLES: dict[str, Any] = json.loads(
    (Path(__file__).parent / "fracture_classes.json").read_text(encoding="utf-8")
)


def codes(field: str) -> list[tuple[str, int]]:
    return [(code, row["year"]) for row in TABLES["classes"] for code in row[field]]


@pytest.mark.parametrize(("code", "year"), codes("exist"))
def test_a_class_of_its_year_is_read_as_it_stands(code: str, year: int) -> None:
    read = read_class(code, year)
    assert (read.code, read.year) == (code, year)


@pytest.mark.parametrize(("code", "year"), codes("absent"))
def test_a_class_that_its_year_does_not_have_is_refused(code: str, year: int) -> None:
    with pytest.raises(FractureError) as refused:
        read_class(code, year)
    assert refused.value.pointer == "/code"
    assert len(refused.value.reason.split()) > 5


def test_the_refusal_of_31a2_1_in_2018_says_what_it_became() -> None:
    # AO/OTA 2018: what 2007 called A2.1 is about A1.3.
    with pytest.raises(FractureError, match=r"2007 called 31A2\.1 is roughly 31A1\.3"):
        read_class("31A2.1", 2018)


@pytest.mark.parametrize("row", TABLES["walls"], ids=lambda row: row["source"])
def test_the_wall_is_thin_at_the_published_threshold_and_below(row: dict[str, Any]) -> None:
    assert lateral_wall(row["thickness_mm"], "unknown").state == row["state"]


def test_the_class_says_what_the_2018_table_says_of_the_wall() -> None:
    # AO/OTA 2018: 31A2 is named by the incompetent wall, 31A1.3 by the intact one; in 2007
    # the wall was no criterion.
    assert read_class("31A2.2", 2018).lateral_wall_incompetent_by_class
    assert not read_class("31A1.3", 2018).lateral_wall_incompetent_by_class
    assert read_class("31A1.3", 2018).lateral_wall_intact_by_class
    assert not read_class("31A2.2", 2007).lateral_wall_incompetent_by_class
    assert not read_class("31A1.3", 2007).lateral_wall_intact_by_class


@pytest.mark.parametrize("row", TABLES["stability"], ids=lambda row: row["source"])
def test_a_class_is_stable_as_its_year_counts_it(row: dict[str, Any]) -> None:
    assert [read_class(code, row["year"]).stable for code in row["stable"]] == [True] * len(
        row["stable"]
    )
    assert [read_class(code, row["year"]).stable for code in row["unstable"]] == [False] * len(
        row["unstable"]
    )
