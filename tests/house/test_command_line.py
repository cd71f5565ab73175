"""The command line: what it prints, and with what it ends."""

import json
import os
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from service.operations.demo import load_demo
from service.operations.work import Work
from service.settings import Settings

ROOT = Path(__file__).parents[2]


Run = Callable[..., "subprocess.CompletedProcess[str]"]


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """Run the command line as a person does, on a database of its own."""

    def command(*words: str, **settings: str) -> "subprocess.CompletedProcess[str]":
        environment = {
            **{name: value for name, value in os.environ.items() if "TRAYWRIGHT" not in name},
            "TRAYWRIGHT_DATABASE_URL": f"sqlite:///{tmp_path / 'cli.db'}",
            **{f"TRAYWRIGHT_{name.upper()}": value for name, value in settings.items()},
        }
        return subprocess.run(  # noqa: S603 - our own interpreter and our own words
            [sys.executable, "-m", "service", *words],
            cwd=ROOT,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
            timeout=60,
        )

    return command


def _refused(done: "subprocess.CompletedProcess[str]", *says: str) -> None:
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    for words in says:
        assert words in done.stderr
    assert done.stdout == ""


def test_a_check_names_the_planted_trouble_and_ends_with_1(tmp_path: Path, run: Run) -> None:
    """The demo's lists follow the day it is loaded, so the second day after has two troubles."""
    work = Work(Settings(database_url=f"sqlite:///{tmp_path / 'cli.db'}"))
    work.prepare()
    work.write(lambda unit: load_demo(unit, work.settings.seed_folder))
    work.close()
    today = datetime.now(UTC).date()
    troubled, clear = (str(today + timedelta(days=ahead)) for ahead in (2, 8))

    checked = run("check", troubled, "--json")
    assert checked.returncode == 1, checked.stderr
    answer = json.loads(checked.stdout)
    named = {(one["case"], one["because"]) for one in answer["troubles"]}
    # From seed_data/planted.csv, the second list day.
    assert named == {("HAR-0714", "expires"), ("HAR-0716", "not_here_in_time")}

    said = run("check", troubled)
    assert said.returncode == 1
    assert "HAR-0714" in said.stdout
    assert "A planning aid" in said.stdout

    nothing_missing = run("check", clear, "--json")
    assert nothing_missing.returncode == 0, nothing_missing.stdout
    answer = json.loads(nothing_missing.stdout)
    assert answer["troubles"] == []
    assert answer["lists"]


def test_a_day_that_is_none_or_past_is_a_sentence_and_ends_with_2(run: Run) -> None:
    _refused(
        run("check", "tomorrow"), "'tomorrow' is not a date. Use YYYY-MM-DD, such as 2031-03-04."
    )
    _refused(run("check", "2001-01-01"), "is in the past")


def test_a_file_is_imported_and_says_what_it_changed(run: Run) -> None:
    done = run("import", "catalogue", "seed_data/catalogue.csv", "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["added"] == 599
    again = run("import", "catalogue", "seed_data/catalogue.csv")
    assert again.returncode == 0
    assert "0 new, 0 changed, 599 unchanged." in again.stdout


def test_a_faulty_file_is_named_by_row_and_column_and_ends_with_2(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "take.csv"
    file.write_text("ref,lot,use_by,quantity,store,shelf\nNONE,L,2033-01-01,1,S,1\n")
    _refused(
        run("import", "stock-take", str(file)),
        "The file has 1 error; nothing was saved.",
        "row 2, column ref: REF NONE is not in the catalogue",
    )
    left_out = run("import", "stock-take", str(file), "--good-rows")
    assert left_out.returncode == 0
    assert "skipped: row 2, ref" in left_out.stdout


@pytest.mark.parametrize(
    ("kind", "named", "content", "says"),
    [
        ("holiday-snaps", "a.csv", "a,b\n", "Unknown file type"),
        ("sizing", "a.toml", "= nothing", "is not valid TOML at line 1"),
        ("constructs", "a.toml", "[[construct]]\ncode = 'x'\n", "/construct/0"),
        ("catalogue", "a.pdf", "%PDF-1.7", "csv"),
    ],
)
def test_a_file_of_the_wrong_kind_is_a_sentence_and_ends_with_2(
    request: pytest.FixtureRequest, kind: str, named: str, content: str, says: str
) -> None:
    file: Path = request.getfixturevalue("tmp_path") / named
    file.write_text(content)
    run: Run = request.getfixturevalue("run")
    _refused(run("import", kind, str(file)), says)


def test_a_file_that_is_not_there_ends_with_2(run: Run) -> None:
    _refused(run("import", "catalogue", "no-such-file.csv"), "does not exist")


@pytest.mark.parametrize(
    ("setting", "value", "says"),
    [
        ("timezone", "Mars/Base", "TRAYWRIGHT_TIMEZONE: 'Mars/Base' is not an IANA time zone"),
        ("port", "99999", "TRAYWRIGHT_PORT"),
        ("upload_limit_bytes", "0", "TRAYWRIGHT_UPLOAD_LIMIT_BYTES"),
        ("database_url", "over there", "TRAYWRIGHT_DATABASE_URL: use a form such as sqlite:///"),
        ("database_url", "mysql://host/name", "'mysql' is not supported"),
        ("database_url", "sqlite:////proc/none/none.db", "cannot be created"),
        ("database_url", "postgresql://nobody@127.0.0.1:9/none", "cannot be reached"),
    ],
)
def test_a_wrong_setting_is_a_sentence_and_ends_with_2(
    run: Run, setting: str, value: str, says: str
) -> None:
    _refused(run("migrate", **{setting: value}), says)


def test_the_demo_goes_into_an_empty_database_only(run: Run) -> None:
    loaded = run("demo", "--json")
    assert loaded.returncode == 0, loaded.stderr
    assert json.loads(loaded.stdout)["lists.csv"] == 52
    _refused(run("demo"), "empty database")
