"""The sizing assumptions stand in groups, each under a name and with its unit."""

from html import unescape

from fastapi.testclient import TestClient

from service.core.sizing.figures import NEEDED_KEYS, USUAL_FIGURES
from web.labels import FIGURE_GROUPS

HTML = {"Accept": "text/html"}


def test_every_figure_has_its_name_in_one_group() -> None:
    named = [key for names in FIGURE_GROUPS.values() for key in names]
    assert sorted(named) == sorted(NEEDED_KEYS | USUAL_FIGURES.keys())


def test_a_figure_that_was_set_is_said_to_be_saved(demo_client: TestClient) -> None:
    known = demo_client.get("/api/v1/sizing_defaults").json()["defaults"]
    (offset,) = [one for one in known if one["key"] == "lag_offset_mm"]
    values = {"value": "-4", "source": "our own films", "note": "", "version": offset["version"]}
    answer = demo_client.post("/figures/lag_offset_mm", data=values, headers=HTML)
    text = unescape(answer.text)
    assert answer.status_code == 200
    assert "Lag screw offset is saved." in text
    assert "−4 mm" in text
    assert "Other:" not in text
