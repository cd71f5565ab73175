"""What happens in the demo after its lists: loaded after them, refused with the file's name."""

import shutil
from pathlib import Path

import pytest

from service.errors import BadInput, NotFound
from service.operations.backup import verify
from service.operations.cover.check import check_day
from service.operations.demo import load_demo
from service.operations.work import Work
from tests.operations.test_demo import DAYS, planted
from tests.operations.trays.packs import SEED


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the demo's files to spoil."""
    copy = tmp_path / "seed"
    shutil.copytree(SEED, copy)
    return copy


def spoil(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new), encoding="utf-8")


def test_the_scenes_are_counted_with_the_other_files(work: Work) -> None:
    taken = work.write(lambda unit: load_demo(unit, SEED), "demo")
    assert (taken["confirmations.csv"], taken["changes.csv"]) == (2, 1)
    assert work.read(verify).disagree == []


def test_a_folder_without_scenes_is_loaded_as_it_is(work: Work, folder: Path) -> None:
    (folder / "confirmations.csv").unlink()
    (folder / "changes.csv").unlink()
    work.write(lambda unit: load_demo(unit, folder), "demo")
    check = work.read(lambda unit: check_day(unit, DAYS[0]))
    cases = [case for one in check.lists for case in one.cases]
    assert [case.confirmation for case in cases] == [None] * len(cases)
    # The screw that the count does not find is there, so its trouble is not.
    named = {(one.case, one.because) for one in check.troubles}
    expected = {(case, because) for case, because, _ in planted()[DAYS[0]]}
    assert named == expected - {("HAR-0712", "none_in_stock")}


@pytest.mark.parametrize(
    ("name", "change", "said"),
    [
        ("confirmations.csv", ("confirmed_by", "surgeon"), "confirmations.csv, row 1"),
        ("changes.csv", ("F29M0901", "F29M0999"), "changes.csv"),
        ("changes.csv", (",0,", ",-1,"), "changes.csv, row 2, column quantity"),
    ],
)
def test_a_fault_in_a_scene_names_the_file_and_nothing_is_loaded(
    work: Work, folder: Path, name: str, change: tuple[str, str], said: str
) -> None:
    spoil(folder / name, *change)
    with pytest.raises(BadInput) as refusal:
        work.write(lambda unit: load_demo(unit, folder), "demo")
    assert said in refusal.value.faults[0].pointer
    assert work.read(lambda unit: check_day(unit, DAYS[0])).lists == []


def test_a_confirmation_of_a_case_that_is_not_there_is_refused(work: Work, folder: Path) -> None:
    spoil(folder / "confirmations.csv", "HAR-0712", "HAR-9999")
    with pytest.raises(NotFound, match="HAR-9999"):
        work.write(lambda unit: load_demo(unit, folder), "demo")
