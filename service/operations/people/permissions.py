"""What people may do: the permissions, and which roles have each.

A route names its permission beside its declaration, with ``requires``; the start of the service
fails when one names none. Pages ask ``may`` by the same names before they offer something.
"""

from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import TypeVar

from service.errors import Forbidden
from service.operations.work import Caller

NURSE, SURGEON, STOREKEEPER, ADMINISTRATOR = "nurse", "surgeon", "storekeeper", "administrator"


ROLES = (NURSE, SURGEON, STOREKEEPER, ADMINISTRATOR)


Handler = TypeVar("Handler", bound=Callable[..., object])


@dataclass(frozen=True, slots=True)
class Permission:
    """Something people may be allowed to do.

    Parameters
    ----------
    name
        Its name in this module and in templates.
    roles
        Who may; empty for anybody, signed in or not.
    lets
        What it lets them do, in one sentence.
    in_person
        Whether only somebody signed in may, and no program with a token: who keeps accounts can
        make a token in anybody's name.
    """

    name: str
    roles: frozenset[str]
    lets: str
    in_person: bool = False


_EVERYONE = frozenset(ROLES)


_STORE = frozenset({STOREKEEPER})


ANYBODY = Permission(
    "ANYBODY",
    frozenset(),
    "Sign in, check that the service is running, and look up what its errors mean.",
)


READ = Permission(
    "READ", _EVERYONE, "View everything at the site, calculate, and try changes without saving."
)


FOLLOW = Permission(
    "FOLLOW",
    _EVERYONE,
    "Follow changes, as an open page does by itself: this does not keep a session unlocked.",
)


OWN_ACCOUNT = Permission(
    "OWN_ACCOUNT", _EVERYONE, "View their own account, set its PIN, and sign out."
)


KEEP_CASES = Permission(
    "KEEP_CASES",
    frozenset({NURSE, SURGEON}),
    "Enter, change and cancel cases, and reserve units for them.",
)


PLAN = Permission(
    "PLAN", frozenset({SURGEON}), "Choose the planned construct and the backups of a case."
)


CONFIRM = Permission(
    "CONFIRM",
    frozenset({SURGEON}),
    "Confirm the backups of a plan, signed in with their own account: a token cannot.",
    in_person=True,
)


PREPARE_TRAYS = Permission(
    "PREPARE_TRAYS",
    frozenset({NURSE}),
    "Scan packs to a tray, record what happened to each, and update the status of the tray.",
)


MOVE_STOCK = Permission(
    "MOVE_STOCK",
    frozenset({NURSE, STOREKEEPER}),
    "Move and quarantine units, record sterilisation, and link a code to an item.",
)


KEEP_STOCK = Permission(
    "KEEP_STOCK",
    _STORE,
    "Maintain catalogue, shelves and ledger, start and lift recalls, and request units from other "
    "sites.",
)


# In a department of one the storekeeper approves, too; who did stands on the order.
ORDER = Permission(
    "ORDER",
    _STORE,
    "Draft, approve, send, receive and cancel orders, return loans, and maintain suppliers.",
)


SET_LEVELS = Permission(
    "SET_LEVELS", _STORE, "Request par level proposals, decide on them, and set levels."
)


SET_UP = Permission(
    "SET_UP",
    frozenset({STOREKEEPER, ADMINISTRATOR}),
    "Import files, and set the site's details on electronic orders.",
)


KEEP_FIGURES = Permission(
    "KEEP_FIGURES",
    frozenset({ADMINISTRATOR}),
    "Change the sizing assumptions, constructs and guidance rules.",
)


KEEP_PEOPLE = Permission(
    "KEEP_PEOPLE",
    frozenset({ADMINISTRATOR}),
    "Manage accounts and tokens, and read the audit trail.",
)


PERMISSIONS = (
    ANYBODY,
    READ,
    FOLLOW,
    OWN_ACCOUNT,
    KEEP_CASES,
    PLAN,
    CONFIRM,
    PREPARE_TRAYS,
    MOVE_STOCK,
    KEEP_STOCK,
    ORDER,
    SET_LEVELS,
    SET_UP,
    KEEP_FIGURES,
    KEEP_PEOPLE,
)


def requires(permission: Permission) -> Callable[[Handler], Handler]:
    """Name the permission that a route's handler requires.

    Parameters
    ----------
    permission
        What who calls the route must be allowed to do.

    Returns
    -------
    Callable[[Handler], Handler]
        Marks a handler, and returns it.
    """

    def mark(handler: Handler) -> Handler:
        handler.__dict__["permission"] = permission
        return handler

    return mark


def permission_of(handler: object) -> Permission | None:
    """Return the permission that ``requires`` named for a handler; ``None`` when it named none."""
    permission = getattr(handler, "permission", None)
    return permission if isinstance(permission, Permission) else None


def may(roles: Collection[str], permission: Permission) -> bool:
    """Tell whether somebody with these roles has a permission."""
    return permission == ANYBODY or not permission.roles.isdisjoint(roles)


#: What a line of the ledger does to units, and what it requires. Whatever writes a line asks here:
#: who may move units but not release them does not reach a release by a move.
EFFECT_PERMISSIONS = {
    "bring_in": KEEP_STOCK,
    "take_off": KEEP_STOCK,
    "let_out_of_quarantine": KEEP_STOCK,
    "move_about": MOVE_STOCK,
    "use_for_a_case": PREPARE_TRAYS,
}


def effect_of(origin: str | None, target: str | None, *, for_case: bool = False) -> str:
    """Name what a line of the ledger does to units.

    Parameters
    ----------
    origin, target
        The kinds of the places they leave and come to, such as ``shelf``; ``None`` when they come
        from nowhere, or go for good.
    for_case
        Whether a case has them: brings them to its tray, uses them, gives them back.

    Returns
    -------
    str
        A key of ``EFFECT_PERMISSIONS``.

    Examples
    --------
    >>> effect_of("shelf", "quarantine"), effect_of("quarantine", "theatre")
    ('move_about', 'let_out_of_quarantine')
    """
    # What is in transit is in nobody's house: it leaves one for good and comes into the other.
    origin = None if origin == "transit" else origin
    target = None if target == "transit" else target
    if origin == "quarantine" and target not in {None, "quarantine"}:
        return "let_out_of_quarantine"
    if for_case:
        return "use_for_a_case"
    if origin is None:
        return "bring_in"
    return "take_off" if target is None else "move_about"


def require_effect(
    caller: Caller, origin: str | None, target: str | None, *, for_case: bool = False
) -> None:
    """Refuse a caller who may not do to units what a line of the ledger would do.

    Parameters
    ----------
    origin, target, for_case
        As for ``effect_of``.

    Raises
    ------
    Forbidden
        Names the roles that may.
    """
    require(caller, EFFECT_PERMISSIONS[effect_of(origin, target, for_case=for_case)])


def _anyone_of(roles: Collection[str]) -> str:
    return " or ".join(f"{'an' if role == ADMINISTRATOR else 'a'} {role}" for role in sorted(roles))


def require(caller: Caller, permission: Permission) -> None:
    """Refuse a caller whose roles lack a permission; the service itself may do anything.

    Raises
    ------
    Forbidden
        Names the roles that may, or says that a program may not.
    """
    if caller.person_id is None and not caller.operation:
        return
    if permission.in_person and not caller.is_signed_in:
        raise Forbidden(
            f"Only {_anyone_of(permission.roles)} can do this, signed in with their own account; a "
            "token cannot."
        )
    if not may(caller.roles, permission):
        raise Forbidden(
            f"Only {_anyone_of(permission.roles)} can do this; you are signed in as "
            f"{' and '.join(sorted(caller.roles)) or 'no role'}."
        )
