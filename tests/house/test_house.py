"""The house keeps its own rules: what lies where, how long files are, where figures are from."""

import ast
import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


TOP = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "pyproject.toml",
    "service",
    "web",
    "tests",
    "seed_data",
}


MOST_LINES = 700


WRITTEN = {".py", ".html", ".css", ".js", ".mjs"}


def _tracked() -> list[Path]:
    """Name every file that is, or would be, in the repository."""
    command = ["git", "ls-files", "--cached", "--others", "--exclude-standard"]
    named = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout  # noqa: S603 - a fixed command of our own
    files = [ROOT / name for name in named.splitlines()]
    assert files, "a check of no files checks nothing"
    return [file for file in files if file.is_file()]


def test_the_top_level_holds_what_was_agreed_and_nothing_else() -> None:
    found = {file.relative_to(ROOT).parts[0] for file in _tracked()}
    assert {name for name in found if not name.startswith(".")} <= TOP


def test_no_source_file_is_too_long_to_read() -> None:
    long = {
        str(file.relative_to(ROOT)): count
        for file in _tracked()
        if file.suffix in WRITTEN
        and file.relative_to(ROOT).parts[0] in {"service", "web"}
        and "migrations" not in file.parts
        and (count := len(file.read_text(encoding="utf-8").splitlines())) >= MOST_LINES
    }
    assert long == {}


def test_every_module_says_what_it_is_for() -> None:
    silent = [
        str(file.relative_to(ROOT))
        for file in _tracked()
        if file.suffix == ".py"
        and (file.stat().st_size > 0 or file.relative_to(ROOT).parts[0] in {"service", "web"})
        and (ast.get_docstring(ast.parse(file.read_text(encoding="utf-8"))) or "TODO") == "TODO"
    ]
    assert silent == []


#: What a test that can fail holds: an assertion, or a helper that asserts at every step.
SIGNS = (
    *("assert", "raises", "check", "expect", "state_machine"),
    *("_refused(", "drive(", "look(", "_slow_and_quick("),
)


def test_every_test_has_something_that_can_fail() -> None:
    """A test needs an assert, an expected error, or a helper that asserts, by its name."""
    empty = []
    for file in _tracked():
        if not (file.name.startswith("test_") and file.suffix == ".py"):
            continue
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                text = ast.unparse(node)
                if not any(sign in text for sign in SIGNS):
                    empty.append(f"{file.name}: {node.name}")
    assert empty == []


def test_every_name_a_module_offers_is_there() -> None:
    missing = []
    for file in _tracked():
        if file.suffix != ".py" or file.relative_to(ROOT).parts[0] not in {"service", "web"}:
            continue
        tree = ast.parse(file.read_text(encoding="utf-8"))
        missing += [f"{file.relative_to(ROOT)}: {name}" for name in _offered(tree) - _defined(tree)]
    assert missing == []


def _offered(tree: ast.Module) -> set[str]:
    for node in tree.body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return set(ast.literal_eval(node.value))
    return set()


def _defined(tree: ast.Module) -> set[str]:
    names: set[str] = set()
    for node in tree.body:
        if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            names.add(node.name)
        elif isinstance(node, ast.Import | ast.ImportFrom):
            names |= {alias.asname or alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            names |= {
                part.id for one in targets for part in ast.walk(one) if isinstance(part, ast.Name)
            }
    return names


def _unused(*folders: Path) -> str:
    """Say what vulture finds that nothing uses, one finding a line."""
    command = [sys.executable, "-m", "vulture", "--min-confidence", "80", *map(str, folders)]
    done = subprocess.run(command, cwd=ROOT, check=False, capture_output=True, text=True)  # noqa: S603 - a fixed command of our own
    assert done.returncode in {0, 3}, done.stderr
    return done.stdout


def test_the_program_holds_nothing_that_nothing_uses() -> None:
    assert _unused(ROOT / "service", ROOT / "web") == ""


def test_what_nothing_uses_would_be_found(tmp_path: Path) -> None:
    """The control of the test above: it can fail."""
    (tmp_path / "idle.py").write_text("import math\n", encoding="utf-8")
    assert "unused import 'math'" in _unused(tmp_path)


PUBLISHED = sorted((ROOT / "tests" / "published").glob("*.json"))


@pytest.mark.parametrize("file", PUBLISHED, ids=lambda file: file.name)
def test_every_published_value_names_its_source(file: Path) -> None:
    """Each entry, or the group it stands in, has a source that is a sentence and not a stub."""
    entries = _entries(json.loads(file.read_text(encoding="utf-8")), None)
    assert entries, "a file of published values holds some"
    assert [where for where, source in entries if not source or len(source) < 8] == []


def _entries(node: object, source: str | None, where: str = "") -> list[tuple[str, str | None]]:
    if isinstance(node, dict):
        own = node.get("source", source)
        source = own if isinstance(own, str) else source
        inner = {key: value for key, value in node.items() if key != "source"}
        nested = {key: value for key, value in inner.items() if isinstance(value, dict | list)}
        if not nested:
            return [(where, source)]
        return [
            entry
            for key, value in nested.items()
            for entry in _entries(value, source, f"{where}/{key}")
        ]
    if isinstance(node, list) and any(isinstance(value, dict) for value in node):
        return [
            entry
            for place, value in enumerate(node)
            for entry in _entries(value, source, f"{where}/{place}")
        ]
    return [(where, source)]


def test_no_file_holds_what_only_its_author_can_reach() -> None:
    words = ("/wo" + "rk/", "/tm" + "p/", "local" + "host:")
    bad = []
    for file in _tracked():
        if file.suffix in {".py", ".toml", ".md", ".html", ".csv", ".json"}:
            text = file.read_text(encoding="utf-8")
            bad += [f"{file.relative_to(ROOT)}: {word}" for word in words if word in text]
    assert bad == []


#: How many pairs of rooms directly inside operations may know each other: a file is a room, and so
#: is a folder with all that is in it.
MOST_PAIRS = 120


def test_the_rooms_of_operations_know_few_others() -> None:
    rooms = ROOT / "service" / "operations"
    pairs = set()
    for file in rooms.rglob("*.py"):
        room = file.relative_to(rooms).with_suffix("").parts[0]
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module is not None:
                names = [f"{node.module}.{alias.name}" for alias in node.names]
                pairs |= {
                    (room, name.split(".")[2])
                    for name in names
                    if name.startswith("service.operations.")
                }
    between = {(one, other) for one, other in pairs if one not in (other, "__init__")}
    assert 50 < len(between) <= MOST_PAIRS, sorted(between)
