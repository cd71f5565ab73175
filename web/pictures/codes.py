"""Label codes as crisp SVG: GS1 DataMatrix and GS1-128, and plain Code 128.

Black on white in every theme, with the quiet zone that the symbology asks for, so that a scanner
reads them from paper and from a screen in the dark.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Literal

import numpy as np
import zxingcpp
from numpy.typing import NDArray

from service.exchange.labels.gs1 import bracketed, gtin_problem
from web.pictures.svg import Picture, element, number, picture

Symbology = Literal["gs1-datamatrix", "gs1-128", "code-128"]


_FORMATS: Mapping[Symbology, zxingcpp.BarcodeFormat] = {
    "gs1-datamatrix": zxingcpp.BarcodeFormat.DataMatrix,
    "gs1-128": zxingcpp.BarcodeFormat.Code128,
    "code-128": zxingcpp.BarcodeFormat.Code128,
}


#: How wide a module is printed, in mm, and how high the bars of a linear code are, in modules.
#: GS1 General Specifications, table for healthcare items: DataMatrix 0.254 to 0.990, linear 0.170
#: to 0.660 (from memory); these are large enough for a cheap reader.
_MODULE_MM: Mapping[Symbology, float] = {
    "gs1-datamatrix": 0.6,
    "gs1-128": 0.3,
    "code-128": 0.3,
}


_BAR_MODULES = 44


_GTIN = re.compile(r"\(01\)([^()]*)")


#: The quiet zone in modules: 10 beside a linear code, 1 around a DataMatrix at the least; here 2.
_QUIET: Mapping[Symbology, tuple[int, int]] = {
    "gs1-datamatrix": (2, 2),
    "gs1-128": (10, 2),
    "code-128": (10, 2),
}


def symbol_text(elements: Sequence[tuple[str, str]]) -> str:
    """Write GS1 elements the way they stand under a code.

    Parameters
    ----------
    elements
        Application identifier and value.

    Returns
    -------
    str
        ``(01)05012345678900(17)310331(10)A1``.

    Raises
    ------
    ValueError
        When a value is empty or holds a bracket: the text could not be read back.
    """
    for identifier, value in elements:
        if not value or not set("()").isdisjoint(value):
            message = f"({identifier}) cannot be written: '{value}' is empty or holds a bracket"
            raise ValueError(message)
    return bracketed(elements)


def modules_of(content: str, symbology: Symbology) -> NDArray[np.bool_]:
    """Encode a content.

    Parameters
    ----------
    content
        Bracketed elements for a GS1 code, else plain text.
    symbology
        Which code.

    Returns
    -------
    array of bool, shape (rows, columns)
        True where it is black, without a quiet zone; a linear code has one row.

    Raises
    ------
    ValueError
        When the content cannot be written in that code: empty, a wrong check digit, a character
        or element that does not exist.
    """
    if not content:
        raise ValueError("there is nothing to write as a code")
    wrong = None if symbology == "code-128" else _wrong_gtin(content)
    if wrong is not None:
        raise ValueError(wrong)
    if symbology == "code-128":
        code = zxingcpp.create_barcode(content, _FORMATS[symbology])
    else:
        code = zxingcpp.create_barcode(content, _FORMATS[symbology], gs1=True, force_square=True)
    pixels = np.asarray(code.to_image(scale=1, add_quiet_zones=False))
    black = pixels < 128  # noqa: PLR2004 - the middle of grey
    return black if symbology == "gs1-datamatrix" else black[:1]


def _wrong_gtin(content: str) -> str | None:
    """Say what is wrong with the GTIN: the encoder counts its digits and believes the last."""
    found = _GTIN.search(content)
    return None if found is None else gtin_problem(found[1])


def label_code(content: str, symbology: Symbology, *, prefix: str, title: str) -> Picture:
    """Draw a code.

    Parameters
    ----------
    content
        Bracketed elements (``symbol_text``) for a GS1 code, else plain text.
    symbology
        Which code.
    prefix
        Unique on the page.
    title
        What the code is on: the item.

    Returns
    -------
    Picture
        One unit is one module, and the picture's own size is that of the print in mm.

    Raises
    ------
    ValueError
        When the content cannot be written in that code.
    """
    black = modules_of(content, symbology)
    beside, above = _QUIET[symbology]
    high = black.shape[0] if symbology == "gs1-datamatrix" else _BAR_MODULES
    wide, tall = black.shape[1] + 2 * beside, high + 2 * above
    module = _MODULE_MM[symbology]
    path = "".join(_runs(black, beside, above, high // black.shape[0]))
    return picture(
        (0, 0, wide, tall),
        [
            element("rect", width=wide, height=tall, fill="#fff"),
            element("path", d=path, fill="#000"),
        ],
        prefix=prefix,
        title=title,
        sentences=[content],
        class_="pic-code",
        size_mm=(wide * module, tall * module),
    )


def _runs(black: NDArray[np.bool_], left: int, top: int, high: int) -> Iterator[str]:
    """Write each run of black modules in a row as one rectangle."""
    for row, line in enumerate(black):
        edges = np.flatnonzero(np.diff(np.concatenate(([False], line, [False])).astype(np.int8)))
        for start, end in edges.reshape(-1, 2):
            x, y = number(left + float(start)), number(top + float(row * high))
            yield f"M{x} {y}h{end - start}v{high}h-{end - start}z"
