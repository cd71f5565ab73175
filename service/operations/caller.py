"""Who is asking: the person behind a request, what they may do, and from where they ask."""

from dataclasses import dataclass

__all__ = ["SYSTEM", "Caller", "Here"]


@dataclass(frozen=True, slots=True)
class Here:
    """The site an operation acts at."""

    id: int
    name: str
    timezone: str
    is_demo: bool


@dataclass(frozen=True, slots=True)
class Caller:
    """Somebody signed in, or a program with a token, or the service itself.

    Parameters
    ----------
    name
        Written beside every change.
    person_id, site_id
        The account and its site; ``None`` for the service itself, which acts at the first site.
    roles
        What gives the person permissions; see ``rules``.
    operation, subject
        What is asked for: the name of its handler, and the path it is asked of.
    address
        Where the request comes from.
    form_token
        The token that forms of this session carry; empty for a program.
    here
        The person's site, where it is known already.
    """

    name: str
    person_id: int | None = None
    site_id: int | None = None
    roles: frozenset[str] = frozenset()
    operation: str = ""
    subject: str = ""
    address: str = ""
    form_token: str = ""
    here: Here | None = None


#: The service itself: the command line, migrations, the demo.
SYSTEM = Caller("the service")
