"""Answers a par problem that somebody sends; nothing is read from the database or stored."""

from service.core.par import ParError, ParTooLarge, answer_par
from service.errors import BadInput, FieldFault, TooLarge

__all__ = ["answer", "refusal"]


def answer(data: object) -> dict[str, object]:
    """Evaluate levels, reach a target readiness at least cost, or make the best use of a budget.

    Raises
    ------
    BadInput
        Names the place of every fault.
    TooLarge
        When the answer would take too long; names the limit.
    """
    try:
        return answer_par(data)
    except ParError as error:
        raise refusal(error) from error


def refusal(error: ParError) -> BadInput | TooLarge:
    """Turn the core's refusal into the service's."""
    faults = [FieldFault(pointer, sentence) for pointer, sentence in error.faults]
    if isinstance(error, ParTooLarge):
        return TooLarge("The problem is beyond what is answered here.", faults=faults)
    return BadInput("The problem cannot be answered as it stands.", faults=faults)
