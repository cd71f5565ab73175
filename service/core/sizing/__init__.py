"""Sizing in one place: film to true length, length to size, sizes to probabilities.

The parts live beside this file: `film` (scaling, tip-apex distance), `rules` (which size a length
calls for, and what to bring), `distribution` (how probable each size is), `sizes_held` (how
probable it is that the size needed is there), `sizes_listed` (the fewest packs for it) and
`figures` (the numbers).

Examples
--------
>>> lag = true_size(120, marker_true_mm=25, marker_film_mm=30, sd_mm=4.5, uncalibrated_sd_mm=0)
>>> likely = size_distribution(lag, SizeRule(offset_mm=-5), range(70, 125, 5))
>>> sizes_to_bring(95, range(70, 125, 5), 1)
(90.0, 95.0, 100.0)
>>> round(cover_probability(likely, (90, 95, 100)), 4)
0.9044
"""

from service.core.sizing.distribution import (
    SizedRole,
    SizeOutcome,
    joint_outcomes,
    size_distribution,
)
from service.core.sizing.figures import SizingFigure, defaults_from
from service.core.sizing.film import (
    LengthEstimate,
    SizingError,
    View,
    magnification_sd_mm,
    tip_apex_distance_mm,
    true_size,
)
from service.core.sizing.rules import (
    SizeBand,
    SizeRule,
    break_points,
    chosen_size,
    cover_probability,
    followed_size,
    sizes_to_bring,
)
from service.core.sizing.sizes_held import (
    LinkedLengths,
    SizedImplant,
    SizedLength,
    SizesNeeded,
    held_probability,
    linked_groups,
    linked_lengths,
)
from service.core.sizing.sizes_listed import fewest_packs

__all__ = [
    "LengthEstimate",
    "LinkedLengths",
    "SizeBand",
    "SizeOutcome",
    "SizeRule",
    "SizedImplant",
    "SizedLength",
    "SizedRole",
    "SizesNeeded",
    "SizingError",
    "SizingFigure",
    "View",
    "break_points",
    "chosen_size",
    "cover_probability",
    "defaults_from",
    "fewest_packs",
    "followed_size",
    "held_probability",
    "joint_outcomes",
    "linked_groups",
    "linked_lengths",
    "magnification_sd_mm",
    "size_distribution",
    "sizes_to_bring",
    "tip_apex_distance_mm",
    "true_size",
]
