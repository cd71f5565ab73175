"""The pick list on paper: A4, numbered pages, and what must stand on a sheet of its own."""

import shutil
import subprocess
from pathlib import Path

import pytest

from tests.browser.conftest import OpenPage

#: A4 in PostScript points (ISO 216: 210 x 297 mm; 72 points to 25.4 mm).
A4_POINTS = (595.3, 841.9)


def _tool(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        pytest.fail(f"{name} is not installed; 'bash tests/run' installs poppler-utils")
    return found


def _read(tool: str, pdf: Path, *after: str) -> str:
    command = [_tool(tool), *(("-layout",) if tool == "pdftotext" else ()), str(pdf), *after]
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout  # noqa: S603 - both are ours


@pytest.fixture
def printed(open_page: OpenPage, demo_site: str, tmp_path: Path) -> Path:
    target = tmp_path / "case.pdf"
    page = open_page(demo_site + "/cases/HAR-0712")
    page.pdf(path=target, prefer_css_page_size=True)
    return target


def test_the_sheets_are_a4_and_few(printed: Path) -> None:
    facts = dict(
        line.split(":", 1) for line in _read("pdfinfo", printed).splitlines() if ":" in line
    )
    width, _, height = facts["Page size"].split()[:3]
    assert (float(width), float(height)) == pytest.approx(A4_POINTS, abs=1)
    assert 1 <= int(facts["Pages"]) <= 4


def test_every_sheet_carries_its_number(printed: Path) -> None:
    sheets = _read("pdftotext", printed, "-").rstrip("\f").split("\f")
    for number, sheet in enumerate(sheets, 1):
        assert f"page {number} of {len(sheets)}" in sheet


def test_every_sheet_with_packs_names_case_side_and_revision(printed: Path) -> None:
    sheets = _read("pdftotext", printed, "-").rstrip("\f").split("\f")
    with_packs = [sheet for sheet in sheets if "Shelf" in sheet]
    assert with_packs
    for sheet in with_packs:
        assert "Case HAR-0712, left, plan revision 1" in sheet


def test_the_print_says_when_it_was_made_and_what_it_is(printed: Path) -> None:
    text = " ".join(_read("pdftotext", printed, "-").split())
    assert "Printed Mon 3 Mar 2031, 07:00." in text
    assert "film sizes are estimates, confirmed in theatre" in text
    assert "The surgeon decides" in text
    assert "Change the plan" not in text
    assert "Cancel this case" not in text
