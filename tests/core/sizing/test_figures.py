"""The table of sizing figures: whole, with a source each, refused where it is wrong."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

from service.core.sizing import SizingError, defaults_from
from service.core.sizing.figures import NEEDED_KEYS

SEED = Path(__file__).parents[3] / "seed_data" / "sizing.toml"


def table() -> dict[str, Any]:
    return tomllib.loads(SEED.read_text(encoding="utf-8"))


def test_the_seeded_table_is_whole() -> None:
    defaults = defaults_from(table())
    assert defaults.keys() >= NEEDED_KEYS
    assert all(default.key == key for key, default in defaults.items())


def test_a_guess_is_called_an_assumption() -> None:
    defaults = defaults_from(table())
    for key in ("neck_sd_mm", "uncalibrated_magnification_sd", "long_nail_without_measure_f_mm"):
        assert "assumption" in defaults[key].source


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"value": "wide"}, "/default/0/value"),
        ({"value": True}, "/default/0/value"),
        ({"value": float("nan")}, "/default/0/value"),
        ({"value": -1}, "/default/0/value"),
        ({"unit": "inch"}, "/default/0/unit"),
        ({"source": " "}, "/default/0/source"),
        ({"key": 7}, "/default/0/key"),
        ({"key": "neck_sd_mm"}, "/default/5/key"),
        ({"key": "neck_sd"}, "/default"),
        ({"colour": "red"}, "/default/0/colour"),
        ({"note": ""}, "/default/0/note"),
    ],
)
def test_a_faulty_row_is_refused_where_it_stands(change: dict[str, Any], pointer: str) -> None:
    data = table()
    data["default"][0] |= change
    with pytest.raises(SizingError) as refused:
        defaults_from(data)
    assert refused.value.pointer == pointer


@pytest.mark.parametrize("data", [{}, {"default": {}}, {"default": []}, {"default": ["x"]}])
def test_a_table_without_rows_is_refused(data: dict[str, Any]) -> None:
    with pytest.raises(SizingError):
        defaults_from(data)
