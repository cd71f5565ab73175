"""Sizing in one place: film to true length, length to size, sizes to probabilities.

The parts live beside this file: `film` (scaling, tip-apex distance), `size_rules` (which size a
length calls for), `size_outcomes` (how probable each size is), `size_cover` (what to bring) and
`sizing_defaults` (the numbers).

Examples
--------
>>> lag = true_size(120, marker_true_mm=25, marker_film_mm=30, sd_mm=4.5, uncalibrated_sd_mm=0)
>>> likely = size_distribution(lag, SizeRule(offset_mm=-5), range(70, 125, 5))
>>> nominal(likely), cover(95, range(70, 125, 5), 1)
(95.0, (90.0, 95.0, 100.0))
>>> round(cover_probability(likely, (90, 95, 100)), 4)
0.9044
"""

from service.core.film import (
    Estimate,
    SizingError,
    View,
    magnification_sd_mm,
    tip_apex_distance_mm,
    true_size,
)
from service.core.size_cover import cover, cover_probability, nominal
from service.core.size_outcomes import Outcome, SizedRole, joint_outcomes, size_distribution
from service.core.size_rules import Band, SizeRule, break_points, choose, follow
from service.core.sizing_defaults import Default, defaults_from

__all__ = [
    "Band",
    "Default",
    "Estimate",
    "Outcome",
    "SizeRule",
    "SizedRole",
    "SizingError",
    "View",
    "break_points",
    "choose",
    "cover",
    "cover_probability",
    "defaults_from",
    "follow",
    "joint_outcomes",
    "magnification_sd_mm",
    "nominal",
    "size_distribution",
    "tip_apex_distance_mm",
    "true_size",
]
