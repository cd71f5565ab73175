"""The stories, one test each and database; every one was written from what is physically true."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

from service.operations.work import Work
from tests.safety.words import Department, tell
from tests.small_theatre import assert_true

FOLDER = Path(__file__).parent / "stories"


def stories(subject: str = "*") -> list[tuple[str, str]]:
    """Give the name and the lines of every story, or of those about one subject."""
    found: list[tuple[str, str]] = []
    for path in sorted(FOLDER.glob(f"{subject}.toml")):
        book: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
        found += [(one["name"], one["steps"]) for one in book["story"]]
    return found


@pytest.mark.parametrize(("name", "steps"), [pytest.param(*one, id=one[0]) for one in stories()])
def test_what_is_said_is_what_is_true(work: Work, name: str, steps: str) -> None:
    assert name
    tell(Department(work), steps)
    assert_true(work)


def test_there_are_a_hundred_stories_and_none_is_told_twice() -> None:
    told = stories()
    assert len(told) >= 100
    assert len({name for name, _ in told}) == len(told)
    assert len({steps for _, steps in told}) == len(told)


def test_each_story_ends_with_what_may_be_said() -> None:
    endings = (" covered", "covered:", "planned:", "confirmation of", "Refused:", "counts on")
    for name, steps in stories():
        last = steps.strip().splitlines()[-1]
        assert any(one in last for one in endings) or "covered [" in last, name
