"""Sentences that stand on every page and print with sizes or constructs."""

__all__ = ["CAUTION"]

CAUTION = (
    "A planning aid: film sizes are estimates, confirmed in theatre. The surgeon decides; "
    "instructions for use and local policy come first."
)
