"""The guides that come with the program are shown whole, and only those."""

import re

import pytest
from fastapi.testclient import TestClient

from web.pages.guides import FOLDER, GUIDES

HTML = {"Accept": "text/html"}


@pytest.mark.parametrize("name", GUIDES)
def test_a_guide_is_shown_with_every_heading_of_its_file(client: TestClient, name: str) -> None:
    text = (FOLDER / f"{name}.md").read_text(encoding="utf-8")
    written = re.findall(r"^#+ (.+)$", text, re.MULTILINE)
    shown = client.get(f"/guides/{name}", headers=HTML)
    assert shown.status_code == 200
    assert written
    assert re.findall(r"<h\d>(.+?)</h\d>", shown.text) == written


def test_every_guide_has_its_address() -> None:
    assert {file.stem for file in FOLDER.glob("*.md")} == set(GUIDES)


def test_what_is_no_guide_is_not_found(client: TestClient) -> None:
    assert client.get("/guides/..%2Fapp", headers=HTML).status_code == 404
    assert client.get("/guides/nothing", headers=HTML).status_code == 404
