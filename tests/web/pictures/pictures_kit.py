"""What the tests of the pictures share: constructs, and a reader of SVG that knows no picture."""

import re
from collections.abc import Iterator
from dataclasses import replace
from xml.etree.ElementTree import Element, fromstring

from web.pictures.femur.bone import Femur
from web.pictures.femur.implants import Implant, PicturedConstruct

SVG = "{http://www.w3.org/2000/svg}"


NAIL = Implant("nail", "Demo nail", 1, 180, 11, 130)


LAG = Implant("lag screw", "Demo lag screw", 1, 95, 10.5)


LOCK = Implant("distal locking screw", "Demo distal locking screw", 1, 38, 5)


CAP = Implant("end cap", "Demo end cap")


SHORT = PicturedConstruct(
    "Short nail, one lag screw", (NAIL, LAG, Implant("set screw", "Set"), CAP, LOCK)
)


TWO_SCREWS = PicturedConstruct(
    "Short nail, two headed screws",
    (
        NAIL,
        replace(LAG, diameter_mm=8.5, head_design="headed"),
        Implant("antirotation screw", "Antirotation", 1, 80, 6.5, head_design="headless"),
        CAP,
        LOCK,
    ),
)


BLADE = PicturedConstruct(
    "Short nail, helical blade",
    (replace(NAIL, angle_deg=125), Implant("helical blade", "Blade", 1, 95, 10.5), CAP, LOCK),
)


LONG = PicturedConstruct(
    "Long nail with cables",
    (
        replace(NAIL, length_mm=340),
        LAG,
        CAP,
        replace(LOCK, quantity=2),
        Implant("cerclage cable", "Cable", 2, diameter_mm=1.7),
    ),
)


PLATE = PicturedConstruct(
    "Sliding hip screw",
    (
        replace(LAG, diameter_mm=12.5, head_design="headed"),
        Implant("side plate", "Side plate", 1, angle_deg=135, holes=4, barrel_mm=38),
        Implant("cortical screw", "Cortical", 4, 38, 4.5),
        Implant("compression screw", "Compression"),
    ),
)


BUTTRESS = PicturedConstruct(
    "Sliding hip screw with buttress plate",
    (
        *PLATE.implants,
        Implant("buttress plate", "Buttress", 1, holes=4),
        Implant("buttress screw", "Buttress screw", 2, 38, 3.5),
        Implant("cerclage wire", "Wire", 1, diameter_mm=1.25),
    ),
)


SCREWS = PicturedConstruct(
    "Short nail with cancellous screws",
    (
        *SHORT.implants,
        Implant("cancellous screw", "Cancellous", 2, 85, 6.5, thread="partly"),
        Implant("washer", "Washer", 2, diameter_mm=13),
    ),
)


CONSTRUCTS = (SHORT, TWO_SCREWS, BLADE, LONG, PLATE, BUTTRESS, SCREWS)


FEMUR = Femur("right", neck_path_mm=100, canal_mm=13)


_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


_COMMAND = re.compile(r"([MLCAhvz])([^MLCAhvzZ]*)", re.IGNORECASE)


def parsed(svg: str) -> Element:
    return fromstring(svg)  # noqa: S314 - what our own program has drawn


def box_of(root: Element) -> tuple[float, float, float, float]:
    left, top, width, height = (float(value) for value in root.get("viewBox", "").split())
    return left, top, width, height


def texts_of(root: Element) -> Iterator[Element]:
    return root.iter(f"{SVG}text")


def points_of(root: Element) -> Iterator[tuple[float, float]]:
    """Give every point an element names; of a curve its control points, too: it lies among them."""
    for one in root.iter():
        get = {name: float(value) for name, value in one.items() if _NUMBER.fullmatch(value)}
        if one.tag == f"{SVG}line":
            yield from ((get["x1"], get["y1"]), (get["x2"], get["y2"]))
        elif one.tag == f"{SVG}circle":
            yield from ((get["cx"] + by * get["r"], get["cy"] + by * get["r"]) for by in (-1, 1))
        elif one.tag == f"{SVG}rect":
            left, top = get.get("x", 0.0), get.get("y", 0.0)
            yield from ((left, top), (left + get["width"], top + get["height"]))
        elif one.tag == f"{SVG}text":
            yield get["x"], get["y"]
        elif one.tag == f"{SVG}path":
            yield from _path_points(one.get("d", ""))


def _path_points(data: str) -> Iterator[tuple[float, float]]:
    x = y = 0.0
    for command, rest in _COMMAND.findall(data):
        numbers = [float(value) for value in _NUMBER.findall(rest)]
        if command == "h":
            x += numbers[0]
        elif command == "v":
            y += numbers[0]
        elif command == "A":
            x, y = numbers[5:]
        elif command in "MLC":
            pairs = list(zip(numbers[::2], numbers[1::2], strict=True))
            yield from pairs
            x, y = pairs[-1]
        yield x, y
