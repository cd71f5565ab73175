"""Label codes, read back by a decoder from the SVG as it is drawn."""

import re
from datetime import date

import numpy as np
import pytest
import zxingcpp
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from service.exchange.labels.gs1 import gs1_elements
from tests.web.pictures.pictures_kit import SVG, box_of, parsed
from web.pictures.codes import Symbology, label_code, symbol_text
from web.pictures.svg import Picture

#: U.S. FDA, "UDI formats by FDA-accredited issuing agency": GS1's example.
FDA_EXAMPLE = "(01)51022222233336(11)141231(17)150707(10)A213B1(21)1234"


_RECTANGLE = re.compile(r"M(\d+) (\d+)h(\d+)v(\d+)h-(\d+)z")


def bitmap(picture: Picture, scale: int = 4) -> NDArray[np.uint8]:
    """Paint the SVG's rectangles into pixels, on the box's own white."""
    root = parsed(picture.svg)
    _, _, width, height = box_of(root)
    pixels = np.zeros((int(height) * scale, int(width) * scale), dtype=np.uint8)
    ground = next(one for one in root.iter(f"{SVG}rect"))
    assert ground.get("fill") == "#fff"
    pixels[: int(ground.get("height", "")) * scale, : int(ground.get("width", "")) * scale] = 255
    path = next(one for one in root.iter(f"{SVG}path"))
    assert path.get("fill") == "#000"
    data = path.get("d") or ""
    assert _RECTANGLE.sub("", data) == ""
    for found in _RECTANGLE.finditer(data):
        x, y, wide, tall, back = (int(value) * scale for value in found.groups())
        assert back == wide
        pixels[y : y + tall, x : x + wide] = 0
    return pixels


def read(picture: Picture) -> zxingcpp.Barcode:
    (code,) = zxingcpp.read_barcodes(bitmap(picture))
    return code


def test_a_gs1_datamatrix_reads_back_with_its_separators() -> None:
    code = read(label_code(FDA_EXAMPLE, "gs1-datamatrix", prefix="c", title="Code"))
    assert code.format == zxingcpp.BarcodeFormat.DataMatrix
    # ISO/IEC 15424: ]d2 is a DataMatrix with FNC1 in the first place, which is GS1's.
    assert code.symbology_identifier == "]d2"
    # GS1 General Specifications 7.8: a lot ends at a separator unless it is the last element.
    assert code.bytes == b"01510222222333361114123117150707" + b"10A213B1\x1d211234"


def test_a_gs1_128_code_reads_back_with_its_separators() -> None:
    code = read(label_code(FDA_EXAMPLE, "gs1-128", prefix="c", title="Code"))
    # ISO/IEC 15424: ]C1 is a Code 128 with FNC1 in the first place.
    assert code.symbology_identifier == "]C1"
    assert code.bytes == b"01510222222333361114123117150707" + b"10A213B1\x1d211234"


def test_a_plain_code_128_reads_back() -> None:
    code = read(label_code("TRAY-0711", "code-128", prefix="c", title="Tray"))
    assert (code.symbology_identifier, code.text) == ("]C0", "TRAY-0711")


@pytest.mark.parametrize("content", [FDA_EXAMPLE, FDA_EXAMPLE.replace("(11)141231", "")])
def test_a_datamatrix_is_square_and_has_room_around_it(content: str) -> None:
    picture = label_code(content, "gs1-datamatrix", prefix="c", title="Code")
    root = parsed(picture.svg)
    _, _, width, height = box_of(root)
    assert width == height
    pixels = bitmap(picture, scale=1)
    # ISO/IEC 16022: a quiet zone of one module at least on each side.
    for edge in (pixels[:1], pixels[-1:], pixels[:, :1], pixels[:, -1:]):
        assert edge.min() == 255
    # Left and lower side are the solid finder.
    black = pixels < 128
    rows, columns = np.flatnonzero(black.any(axis=1)), np.flatnonzero(black.any(axis=0))
    assert black[rows[0] : rows[-1] + 1, columns[0]].all()
    assert black[rows[-1], columns[0] : columns[-1] + 1].all()


def test_a_linear_code_has_ten_modules_beside_it() -> None:
    # ISO/IEC 15417: a quiet zone of ten modules on both sides.
    pixels = bitmap(label_code(FDA_EXAMPLE, "gs1-128", prefix="c", title="Code"), scale=1)
    assert pixels[:, :10].min() == 255
    assert pixels[:, -10:].min() == 255


@pytest.mark.parametrize(("symbology", "module_mm"), [("gs1-datamatrix", 0.6), ("gs1-128", 0.3)])
def test_a_code_has_its_printed_size_in_millimetres(symbology: Symbology, module_mm: float) -> None:
    root = parsed(label_code(FDA_EXAMPLE, symbology, prefix="c", title="Code").svg)
    _, _, width, _ = box_of(root)
    assert root.get("width") == f"{width * module_mm:.2f}".rstrip("0").rstrip(".") + "mm"
    assert root.get("shape-rendering") == "crispEdges"


LOTS = st.text("ABCDEFGHJKLMNPQRSTUVWXYZ0123456789-/.", min_size=1, max_size=20)


@settings(max_examples=40, deadline=None)
@given(LOTS, LOTS, st.dates(date(2026, 1, 1), date(2049, 12, 31)))
def test_any_lot_serial_and_date_read_back(lot: str, serial: str, use_by: date) -> None:
    elements = gs1_elements(gtin="51022222233336", lot=lot, serial=serial, use_by=use_by)
    picture = label_code(symbol_text(elements), "gs1-datamatrix", prefix="c", title="Code")
    expected = "0151022222233336" + f"17{use_by:%y%m%d}10{lot}\x1d21{serial}"
    assert read(picture).bytes == expected.encode()
    assert picture.sentences == (symbol_text(elements),)


def test_elements_are_written_as_they_stand_under_a_code() -> None:
    elements = gs1_elements(gtin="51022222233336", lot="A213B1", use_by=date(2015, 7, 7))
    assert symbol_text(elements) == "(01)51022222233336(17)150707(10)A213B1"
    assert symbol_text(gs1_elements(gtin="51022222233336")) == "(01)51022222233336"


def test_an_element_that_could_not_be_read_back_is_refused() -> None:
    for value in ("", "A(1)"):
        with pytest.raises(ValueError, match=r"\(10\) cannot be written"):
            symbol_text([("10", value)])


@pytest.mark.parametrize(
    "content",
    [
        "",
        "(01)51022222233337",  # a wrong check digit
        "(01)5102222223333",  # 13 digits
        "(10)ÄÖ",  # no character of GS1's set
        "no brackets at all",
    ],
)
def test_what_gs1_does_not_allow_is_refused(content: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        label_code(content, "gs1-datamatrix", prefix="c", title="Code")
