"""Points of a plane in millimetres: x to the right, y down, as SVG counts them."""

import math
from collections.abc import Sequence

import numpy as np

Point = tuple[float, float]


#: Three control points and the end of each Bézier piece, from where the piece before ended.
Piece = tuple[Point, Point, Point]


def direction(angle_deg: float) -> Point:
    """Return the unit vector at an angle to a shaft that points straight down.

    Parameters
    ----------
    angle_deg
        The angle between the vector and the shaft below: 130 points up and to the right.

    Returns
    -------
    Point
        The vector.
    """
    turn = math.radians(angle_deg)
    return math.sin(turn), math.cos(turn)


def along(start: Point, towards: Point, distance_mm: float) -> Point:
    """Go a distance along a unit vector."""
    return start[0] + distance_mm * towards[0], start[1] + distance_mm * towards[1]


def beside(start: Point, towards: Point, distance_mm: float) -> Point:
    """Go a distance to the left of a unit vector as one looks along it on the page."""
    return start[0] + distance_mm * towards[1], start[1] - distance_mm * towards[0]


def distance(one: Point, other: Point) -> float:
    """Tell how far two points lie apart, in mm."""
    return math.dist(one, other)


def mirrored(points: Sequence[Point]) -> tuple[Point, ...]:
    """Mirror points at the line x = 0."""
    return tuple((-x, y) for x, y in points)


def spline(points: Sequence[Point]) -> tuple[Piece, ...]:
    """Lay a smooth curve through points.

    Returns
    -------
    tuple of Piece
        Cubic Bézier pieces, one for each step from a point to the next.

    Notes
    -----
    A Catmull-Rom spline, whose tangent at a point is half the step from its neighbour before to
    its neighbour after; the first and the last point are their own outer neighbours.
    """
    closed = [points[0], *points, points[-1]]
    pieces = []
    for before, start, end, after in zip(closed, closed[1:], closed[2:], closed[3:], strict=False):
        first = start[0] + (end[0] - before[0]) / 6, start[1] + (end[1] - before[1]) / 6
        second = end[0] - (after[0] - start[0]) / 6, end[1] - (after[1] - start[1]) / 6
        pieces.append((first, second, end))
    return tuple(pieces)


def sampled(points: Sequence[Point], steps: int = 6) -> tuple[Point, ...]:
    """List points of the curve that ``spline`` lays, the given ones among them."""
    found, start = [points[0]], points[0]
    for first, second, end in spline(points):
        for step in range(1, steps + 1):
            t = step / steps
            weights = ((1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t * t * (1 - t), t**3)
            corners = (start, first, second, end)
            x = math.fsum(w * p[0] for w, p in zip(weights, corners, strict=True))
            y = math.fsum(w * p[1] for w, p in zip(weights, corners, strict=True))
            found.append((x, y))
        start = end
    return tuple(found)


def contains(polygon: Sequence[Point], points: Sequence[Point]) -> bool:
    """Tell whether all points lie inside a closed polygon.

    A ray from a point within crosses the sides an odd number of times.
    """
    x, y = np.asarray(points, dtype=float).T[:, :, np.newaxis]
    x1, y1 = np.asarray(polygon, dtype=float).T
    x2, y2 = np.roll(x1, -1), np.roll(y1, -1)
    straddles = (y1 > y) != (y2 > y)
    # A level side is never straddled, so what is divided by there does not matter.
    rise = np.where(y1 == y2, 1.0, y2 - y1)
    met = straddles & (x < (x2 - x1) * (y - y1) / rise + x1)
    return bool(np.all(np.count_nonzero(met, axis=1) % 2 == 1))


def crossing(polygon: Sequence[Point], inner: Point, towards: Point) -> Point | None:
    """Find where a ray from a point inside a polygon first leaves it.

    Returns
    -------
    Point or None
        The nearest crossing; None when the ray meets no side.
    """
    nearest: float | None = None
    for (x1, y1), (x2, y2) in zip(polygon, [*polygon[1:], polygon[0]], strict=True):
        side = (x2 - x1, y2 - y1)
        across = towards[0] * side[1] - towards[1] * side[0]
        if abs(across) < 1e-12:  # noqa: PLR2004 - parallel, but for rounding
            continue
        gap = (x1 - inner[0], y1 - inner[1])
        reach = (gap[0] * side[1] - gap[1] * side[0]) / across
        share = (gap[0] * towards[1] - gap[1] * towards[0]) / across
        if 0 <= share <= 1 and reach > 0 and (nearest is None or reach < nearest):
            nearest = reach
    return None if nearest is None else along(inner, towards, nearest)
