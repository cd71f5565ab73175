"""The table of roles in DEVELOPERS.md is the table the service goes by.

``python -m tests.house.test_roles_table`` writes it again.
"""

from collections import defaultdict
from pathlib import Path

from service.operations.rules import ANYONE, EVERYONE, ROLES, RULES

FILE = Path(__file__).parents[2] / "DEVELOPERS.md"
START, END = "<!-- roles -->\n", "<!-- /roles -->"


def _who(rule: frozenset[str]) -> str:
    if rule == ANYONE:
        return "anybody, signed in or not"
    if rule == EVERYONE:
        return "everybody signed in"
    return ", ".join(role for role in ROLES if role in rule)


def _place(operation: str) -> tuple[str, str]:
    """Give where an operation stands and its bare name."""
    if operation.startswith("movement "):
        return "movements", operation.removeprefix("movement ")
    module, _, name = operation.rpartition(".")
    return module.removeprefix("web.").replace("api.", "API: ").replace("pages.", "page: "), name


def written() -> str:
    """Write the table: for each group of people, what is for them and for nobody else."""
    found: dict[frozenset[str], dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
    for operation, rule in RULES.items():
        place, name = _place(operation)
        found[rule][place].append(name)
    lines = ["| who may | where | what |", "|---|---|---|"]
    for rule in sorted(found, key=lambda one: (one != ANYONE, -len(one), _who(one))):
        who = f"**{_who(rule)}**"
        for place in sorted(found[rule]):
            names = ", ".join(f"`{name}`" for name in sorted(found[rule][place]))
            lines.append(f"| {who} | {place} | {names} |")
            who = ""
    return "\n".join(lines) + "\n"


def _parts(text: str) -> tuple[str, str, str]:
    before, found, rest = text.partition(START)
    table, closed, after = rest.partition(END)
    assert found, "DEVELOPERS.md has lost the mark before its table of roles"
    assert closed, "DEVELOPERS.md has lost the mark after its table of roles"
    return before, table, after


def test_the_table_of_roles_says_what_the_rules_say() -> None:
    _, table, _ = _parts(FILE.read_text(encoding="utf-8"))
    assert table == written(), "run: .venv/bin/python -m tests.house.test_roles_table"


def test_the_table_of_roles_names_every_rule_once() -> None:
    named = [word for line in written().splitlines() for word in line.split("`")[1::2]]
    assert len(named) == len(RULES)


if __name__ == "__main__":
    start, _, end = _parts(FILE.read_text(encoding="utf-8"))
    FILE.write_text(f"{start}{START}{written()}{END}{end}", encoding="utf-8")
