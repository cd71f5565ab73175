"""The pictures README.md shows are taken here, of the demo.

``TRAYWRIGHT_TAKE_TOUR=yes bash tests/run tests/browser/test_tour.py`` keeps what it takes.
"""

import os
import re
import shutil
import struct
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.browser.tour import FOLDER, TOUR, WIDTH, take_picture

README = FOLDER.parents[2] / "README.md"


MOST_BYTES = 300_000


KEEP = os.environ.get("TRAYWRIGHT_TAKE_TOUR") == "yes"


def size_of(file: Path) -> tuple[int, int]:
    """Give the width and height a PNG says it has (PNG specification, 11.2.2 IHDR)."""
    start = file.read_bytes()[:24]
    assert start[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", start[16:24])
    return width, height


@pytest.mark.parametrize("name", TOUR)
def test_a_picture_is_taken_of_the_demo(
    browser: Browser, demo_site: str, tmp_path: Path, name: str
) -> None:
    file = tmp_path / f"{name}.png"
    assert take_picture(browser, demo_site, name, file) == []
    if KEEP:
        shutil.copy(file, FOLDER)
    # Pixels differ with the fonts of a machine; what is shown and how much of it does not.
    assert size_of(file) == size_of(FOLDER / file.name) == (WIDTH, TOUR[name][1])
    assert file.stat().st_size < MOST_BYTES


def test_the_readme_shows_every_picture_with_words_for_it() -> None:
    shown = re.findall(r"!\[([^\]]+)\]\(web/static/tour/([a-z-]+)\.png\)", README.read_text())
    assert {name for _, name in shown} == set(TOUR) == {one.stem for one in FOLDER.glob("*.png")}
    assert all(len(words.split()) >= 6 for words, _ in shown)
