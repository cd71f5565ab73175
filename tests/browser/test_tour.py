"""README.md shows pages that exist, in pictures that exist."""

import re

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import OpenPage
from tests.browser.tour import FOLDER, TOUR

README = FOLDER.parents[2] / "README.md"
MOST_BYTES = 150_000


@pytest.mark.parametrize("name", TOUR)
def test_the_page_of_a_picture_still_exists(open_page: OpenPage, demo_site: str, name: str) -> None:
    path, _ = TOUR[name]
    page = open_page(demo_site + path)
    expect(page.get_by_role("heading", level=1)).to_be_visible()
    expect(page.get_by_role("alert")).to_have_count(0)


def test_the_readme_shows_every_picture_with_words_for_it() -> None:
    shown = re.findall(r"!\[([^\]]+)\]\(web/static/tour/([a-z-]+)\.png\)", README.read_text())
    assert {name for _, name in shown} == set(TOUR)
    assert all(len(words.split()) >= 6 for words, _ in shown)


def test_the_pictures_are_there_and_small() -> None:
    sizes = {path.stem: path.stat().st_size for path in FOLDER.glob("*.png")}
    assert set(sizes) == set(TOUR)
    assert all(size < MOST_BYTES for size in sizes.values())
