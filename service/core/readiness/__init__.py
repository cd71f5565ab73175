"""Readiness: the probability that each case of a list can be completed from what will be there."""

from service.core.readiness.problem import (
    Answer,
    Case,
    CaseAnswer,
    Construct,
    Demand,
    Estimate,
    Factor,
    InstrumentSet,
    Need,
    Parcel,
    Problem,
    ProblemError,
    Take,
)
from service.core.readiness.solve import answer_to_json, solve

__all__ = [
    "Answer",
    "Case",
    "CaseAnswer",
    "Construct",
    "Demand",
    "Estimate",
    "Factor",
    "InstrumentSet",
    "Need",
    "Parcel",
    "Problem",
    "ProblemError",
    "Take",
    "answer_to_json",
    "solve",
]
