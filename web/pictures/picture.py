"""What every picture is: SVG, its title and the same facts in sentences."""

from dataclasses import dataclass

from markupsafe import Markup

__all__ = ["Picture"]


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture and its text equivalent.

    Parameters
    ----------
    svg
        The picture, ready for a template; its ids begin with the prefix it was asked with.
    title
        What it shows, as its ``<title>`` says.
    sentences
        The same facts in words: every number that is drawn.
    """

    svg: Markup
    title: str
    sentences: tuple[str, ...]
