"""How rods look: each kind by its shape, not by its colour."""

import math
from collections.abc import Iterator

from markupsafe import Markup

from web.pictures.layout import Rod
from web.pictures.plane import Point, along, beside
from web.pictures.svg import circle, element, group, path_of, polygon

__all__ = ["draw_rod"]

#: A thread's spacing, its depth as a share of the diameter, and the width of the plain shaft.
_PITCH_MM, _ROOT, _SHAFT = 2.8, 0.70, 0.80
#: A lag screw for a barrel is this wide or wider; its shaft is slender, to slide in the barrel.
_BARREL_SCREW_MM, _SLENDER = 11.0, 0.62
_HEAD_MM, _SMALL_MM = 3.0, 6.0
_WASHER_MM = (13.0, 1.6)


def draw_rod(rod: Rod) -> Markup:
    """Draw a screw, blade, barrel or cap."""
    if rod.kind == "helical blade":
        return group("pic-screw", _blade(rod))
    if rod.kind in ("barrel", "end cap"):
        return group("pic-barrel" if rod.kind == "barrel" else "pic-cap", [_box(rod)])
    return group("pic-set" if rod.kind == "set screw" else "pic-screw", _screw(rod))


def _at(rod: Rod, ahead: float, up: float) -> Point:
    return beside(along(rod.back, rod.towards, ahead), rod.towards, up)


def _box(rod: Rod) -> Markup:
    half, far = rod.diameter_mm / 2, rod.length_mm
    return polygon(
        [_at(rod, a, u) for a, u in ((0, half), (far, half), (far, -half), (0, -half))], ""
    )


def _shaft(rod: Rod) -> float:
    slides = rod.kind == "lag screw" and rod.diameter_mm >= _BARREL_SCREW_MM
    return _SLENDER if slides else _SHAFT


def _screw(rod: Rod) -> Iterator[Markup]:
    edge = [(0.0, rod.diameter_mm / 2 * _shaft(rod)), *_thread_edge(rod)]
    outline = [_at(rod, ahead, up) for ahead, up in edge]
    outline += [_at(rod, ahead, -up) for ahead, up in reversed(edge)]
    yield polygon(outline, "")
    if rod.headed:
        half = rod.diameter_mm * _flange(rod)
        corners = (
            (-1.0, half * 0.7),
            (0.6, half),
            (_HEAD_MM, half),
            (_HEAD_MM, -half),
            (0.6, -half),
        )
        yield polygon([_at(rod, a, u) for a, u in (*corners, (-1.0, -half * 0.7))], "")
    if rod.kind == "cancellous screw":
        half, thick = _WASHER_MM[0] / 2, _WASHER_MM[1]
        near, far = _HEAD_MM, _HEAD_MM + thick
        washer = ((near, half), (far, half), (far, -half), (near, -half))
        yield polygon([_at(rod, a, u) for a, u in washer], "")


def _flange(rod: Rod) -> float:
    """Give half a head's width as a share of the diameter: small screws have the wider heads."""
    if _shaft(rod) == _SLENDER:
        return 0.44
    return 0.68 if rod.diameter_mm > _SMALL_MM else 0.85


def _thread_edge(rod: Rod) -> Iterator[tuple[float, float]]:
    """Give the upper edge of the threaded part: teeth as wide as the screw's diameter."""
    half, start = rod.diameter_mm / 2, rod.length_mm - rod.thread_mm
    yield start, half * _shaft(rod)
    pitch = _PITCH_MM if rod.diameter_mm > _SMALL_MM else 2.0
    teeth = max(int((rod.thread_mm - 1.5) / pitch), 1)
    for tooth in range(teeth):
        base = start + tooth * pitch
        yield base, half * _ROOT
        yield base + pitch * 0.6, half
        yield base + pitch, half * _ROOT
    yield rod.length_mm, half * 0.35


def _blade(rod: Rod) -> Iterator[Markup]:
    """Draw a plain shaft and, in front of it, flanges that turn about the axis."""
    half, far = rod.diameter_mm / 2, rod.length_mm
    start = far * 0.5
    corners = (
        (0.0, half * _SHAFT),
        (start, half * _SHAFT),
        (start, -half * _SHAFT),
        (0.0, -half * _SHAFT),
    )
    yield polygon([_at(rod, a, u) for a, u in corners], "")
    steps = 48
    marks = [start + (far - start) * step / steps for step in range(steps + 1)]
    reach = [half * (1.0 if mark < far - 4 else 0.45 + 0.55 * (far - mark) / 4) for mark in marks]
    turns = [math.pi * 1.5 * step / steps for step in range(steps + 1)]
    # Four flanges a quarter turn apart: seen from the side they are two pairs of mirrored waves.
    upper = [
        (mark, width * max(abs(math.cos(turn)), abs(math.sin(turn))))
        for mark, width, turn in zip(marks, reach, turns, strict=True)
    ]
    outline = [_at(rod, a, u) for a, u in upper] + [_at(rod, a, -u) for a, u in reversed(upper)]
    yield polygon(outline, "")
    for phase in (0.0, math.pi / 2):
        for sign in (1, -1):
            wave = [
                _at(rod, mark, sign * width * math.cos(turn + phase))
                for mark, width, turn in zip(marks, reach, turns, strict=True)
            ]
            yield element("path", d=path_of(wave), class_="pic-edge")
    if rod.headed:
        yield circle(rod.back, half, "")
