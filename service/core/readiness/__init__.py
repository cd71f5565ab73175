"""Readiness: the probability that each case of a list can be completed from what will be there."""

from service.core.readiness.problem import (
    Arrival,
    Case,
    CaseAnswer,
    Construct,
    DatedStock,
    Demand,
    Factor,
    InstrumentSet,
    Need,
    ProbabilityEstimate,
    ProblemError,
    ReadinessAnswer,
    ReadinessProblem,
    Take,
)
from service.core.readiness.solve import answer_to_json, solve

__all__ = [
    "Arrival",
    "Case",
    "CaseAnswer",
    "Construct",
    "DatedStock",
    "Demand",
    "Factor",
    "InstrumentSet",
    "Need",
    "ProbabilityEstimate",
    "ProblemError",
    "ReadinessAnswer",
    "ReadinessProblem",
    "Take",
    "answer_to_json",
    "solve",
]
