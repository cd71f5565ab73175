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
    "Sign in, and ask whether the service lives and what its problems mean.",
)


READ = Permission("READ", _EVERYONE, "See all there is at the site, reckon, and try things out.")


FOLLOW = Permission(
    "FOLLOW",
    _EVERYONE,
    "Hear of changes, which an open page does by itself: it keeps no session from being locked.",
)


OWN_ACCOUNT = Permission("OWN_ACCOUNT", _EVERYONE, "See one's account, set its PIN, and sign out.")


KEEP_CASES = Permission(
    "KEEP_CASES",
    frozenset({NURSE, SURGEON}),
    "Enter, change and cancel cases, and promise units to them.",
)


PLAN = Permission("PLAN", frozenset({SURGEON}), "Choose a case's construct and its alternates.")


CONFIRM = Permission(
    "CONFIRM",
    frozenset({SURGEON}),
    "Confirm the backups of a plan, signed in under their own account: no token can.",
    in_person=True,
)


PREPARE_TRAYS = Permission(
    "PREPARE_TRAYS",
    frozenset({NURSE}),
    "Scan packs to a tray, say what became of them, and how far the tray is.",
)


MOVE_STOCK = Permission(
    "MOVE_STOCK",
    frozenset({NURSE, STOREKEEPER}),
    "Move and quarantine units, note that they were sterilised, and say which item a code is for.",
)


KEEP_STOCK = Permission(
    "KEEP_STOCK",
    _STORE,
    "Keep catalogue, shelves and ledger, start and lift recalls, and ask other sites for units.",
)


# In a department of one the storekeeper approves, too; who did stands on the order.
ORDER = Permission(
    "ORDER",
    _STORE,
    "Draft, approve, send, receive and cancel orders, give loans back, and keep the suppliers.",
)


SET_LEVELS = Permission("SET_LEVELS", _STORE, "Ask for par levels, decide on them, and set them.")


SET_UP = Permission(
    "SET_UP",
    frozenset({STOREKEEPER, ADMINISTRATOR}),
    "Bring files, and say who the site is on electronic orders.",
)


KEEP_FIGURES = Permission(
    "KEEP_FIGURES",
    frozenset({ADMINISTRATOR}),
    "Set the figures, and keep constructs and the rules of guidance.",
)


KEEP_PEOPLE = Permission(
    "KEEP_PEOPLE",
    frozenset({ADMINISTRATOR}),
    "Keep accounts and tokens, and read the audit trail.",
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
            f"A {' or '.join(sorted(permission.roles))} does this signed in under their own "
            "account; a token cannot."
        )
    if not may(caller.roles, permission):
        raise Forbidden(
            f"This is for {' or '.join(sorted(permission.roles))}; you are signed in as "
            f"{' and '.join(sorted(caller.roles)) or 'nobody in particular'}."
        )
