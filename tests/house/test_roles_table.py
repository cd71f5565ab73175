"""The table of permissions in DEVELOPERS.md is what the routes require.

``python -m tests.house.test_roles_table`` writes it again.
"""

from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

from fastapi.routing import APIRoute, iter_route_contexts

from service.main import create_app
from service.operations.people.permissions import (
    ANYBODY,
    EFFECT_PERMISSIONS,
    PERMISSIONS,
    ROLES,
    Permission,
    permission_of,
)
from service.settings import Settings

FILE = Path(__file__).parents[2] / "DEVELOPERS.md"


START, END = "<!-- roles -->\n", "<!-- /roles -->"


def _who(permission: Permission) -> str:
    if permission == ANYBODY:
        return "anybody, signed in or not"
    if permission.roles == frozenset(ROLES):
        return "everybody signed in"
    return ", ".join(role for role in ROLES if role in permission.roles)


def _required() -> Iterator[tuple[Permission | None, str, str]]:
    """Walk what requires a permission: the permission, the place, the name there."""
    for route in iter_route_contexts(create_app(Settings(database_url="sqlite://")).routes):
        handler = route.endpoint
        if isinstance(route.original_route, APIRoute) and handler is not None:
            folder, _, module = handler.__module__.rpartition(".")
            place = f"API {module}" if folder == "service.api" else f"page {module}"
            yield permission_of(handler), place, handler.__name__
    for effect, permission in EFFECT_PERMISSIONS.items():
        yield permission, "what is done to units", effect


def written() -> str:
    """Write the table: each permission, who has it, what it lets them do, and what requires it."""
    found: dict[Permission | None, dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
    for permission, place, name in _required():
        found[permission][place].append(name)
    lines = ["| permission | who | what it lets them do | handlers |", "|---|---|---|---|"]
    for permission in PERMISSIONS:
        handlers = "; ".join(
            f"{place}: {', '.join(f'`{name}`' for name in sorted(found[permission][place]))}"
            for place in sorted(found[permission])
        )
        who = _who(permission)
        lines.append(f"| **{permission.name}** | {who} | {permission.lets} | {handlers} |")
    return "\n".join(lines) + "\n"


def _parts(text: str) -> tuple[str, str, str]:
    before, found, rest = text.partition(START)
    table, closed, after = rest.partition(END)
    assert found, "DEVELOPERS.md has lost the mark before its table of roles"
    assert closed, "DEVELOPERS.md has lost the mark after its table of roles"
    return before, table, after


def test_the_table_of_roles_says_what_the_routes_require() -> None:
    _, table, _ = _parts(FILE.read_text(encoding="utf-8"))
    assert table == written(), "run: .venv/bin/python -m tests.house.test_roles_table"


def test_the_table_of_roles_names_every_handler_once() -> None:
    named = [word for line in written().splitlines() for word in line.split("`")[1::2]]
    assert len(named) == len(list(_required()))


if __name__ == "__main__":
    start, _, end = _parts(FILE.read_text(encoding="utf-8"))
    FILE.write_text(f"{start}{START}{written()}{END}{end}", encoding="utf-8")
