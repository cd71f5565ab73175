"""People, sign-in and tokens in and out."""

from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from service.schemas.base import SIGN_IN, Body, Name, Out, pattern

Role = Literal["nurse", "surgeon", "storekeeper", "administrator"]


Roles = Annotated[list[Role], Field(min_length=1, max_length=4)]


SignInName = Annotated[str, StringConstraints(pattern=SIGN_IN)]


Password = Annotated[str, StringConstraints(min_length=1, max_length=200, strip_whitespace=False)]


Pin = Annotated[
    str,
    StringConstraints(pattern=pattern(r"^[0-9]{6,12}$", "enter 6 to 12 digits, such as 283105")),
]


class PersonBody(Body):
    """An account: a role and a site; the name is how the department knows the person."""

    sign_in: SignInName
    name: Name
    roles: Roles
    password: Password


class PersonChange(Body):
    """What an administrator changes about an account."""

    name: Name
    roles: Roles
    is_active: bool


class PasswordBody(Body):
    """A new password; every session and token of the person ends."""

    password: Password


class PinBody(Body):
    """A PIN for coming back to a session on a shared computer."""

    pin: Pin


class PersonOut(Out):
    """An account as it is answered; ``version`` is also its ETag."""

    sign_in: str
    name: str
    roles: list[str]
    is_active: bool
    has_pin: bool
    version: int


class People(Out):
    """Every account of the site."""

    people: list[PersonOut]


class Me(Out):
    """Who is signed in."""

    name: str
    roles: list[str]


class TokenBody(Body):
    """A token for a program: what it may do and how long."""

    name: Name
    sign_in: SignInName
    scopes: Roles
    days: Annotated[int, Field(ge=1, le=366)] = 90


class TokenOut(Out):
    """A token without its secret."""

    id: int
    name: str
    sign_in: str
    scopes: list[str]
    made_at: datetime
    ends_at: datetime
    is_revoked: bool


class MadeToken(TokenOut):
    """A token as it is shown once, and never again."""

    token: str


class Tokens(Out):
    """Every token of the site."""

    tokens: list[TokenOut]
