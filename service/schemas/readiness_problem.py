"""A readiness or kit problem as it is sent: shape, limits, and what must agree across it."""

import math
from collections.abc import Collection, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from typing import Annotated, NamedTuple, Self

from pydantic import Field, PlainValidator, ValidationError, model_validator
from pydantic import StringConstraints as Text
from pydantic_core import PydanticCustomError

from service.core.readiness import kit
from service.core.readiness import problem as core
from service.schemas.base import NOT_BLANK
from service.schemas.faults import problem_faults
from service.schemas.problem import (
    Chance,
    Fault,
    Part,
    Place,
    checked,
    off_one,
    take_faults,
    twice,
    unnamed,
)

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


_MICROSECOND = timedelta(microseconds=1)


_MICROSECONDS_PER_MINUTE = 60_000_000


_MANY_FAULTS = 50


class Moment(NamedTuple):
    """A point in time: microseconds since the epoch, and whether an offset was given."""

    us: int
    aware: bool


def _moment(value: object) -> Moment:
    if not isinstance(value, str):
        sentence = "Enter a date and time as text, such as 2031-03-03T08:30."
        raise PydanticCustomError("moment", sentence)
    try:
        when = datetime.fromisoformat(value)
    except ValueError as error:
        sentence = "Enter a date and time, such as 2031-03-03T08:30."
        raise PydanticCustomError("moment", sentence) from error
    aware = when.utcoffset() is not None
    epoch = _EPOCH if aware else _EPOCH.replace(tzinfo=None)
    return Moment((when - epoch) // _MICROSECOND, aware)


Name = Annotated[str, Text(strict=True, max_length=core.MAX_NAME_CHARACTERS, pattern=NOT_BLANK)]


Quantity = Annotated[int, Field(strict=True, ge=0, le=core.MAX_QUANTITY)]


Minutes = Annotated[
    float, Field(strict=True, ge=0, le=core.MAX_TURNAROUND_MINUTES, allow_inf_nan=False)
]


Time = Annotated[Moment, PlainValidator(_moment)]


class ParcelIn(Part):
    """Units of one item, when they may be used, and the arrival they come with, if any."""

    item: Name
    quantity: Quantity
    begin: Time | None = Field(default=None, alias="from")
    until: Time | None = None
    arrival: Name | None = Field(default=None, alias="with")


class ComingIn(Part):
    """Further copies of a set, from or until a moment, or with an arrival."""

    quantity: Quantity
    begin: Time | None = Field(default=None, alias="from")
    until: Time | None = None
    arrival: Name | None = Field(default=None, alias="with")


class SetIn(Part):
    """Copies of one returning set."""

    item: Name
    quantity: Quantity
    turnaround_minutes: Minutes
    coming: Annotated[list[ComingIn], Field(max_length=core.MAX_SETS)] | None = None

    def to_set(self) -> core.InstrumentSet:
        """Return the set as frozen values."""
        return core.InstrumentSet(
            self.item,
            self.quantity,
            round(self.turnaround_minutes * _MICROSECONDS_PER_MINUTE),
            tuple(
                core.DatedStock(
                    self.item, each.quantity, _us(each.begin), _us(each.until), each.arrival
                )
                for each in self.coming or ()
            ),
        )


class ArrivalIn(Part):
    """Something that is expected, and how likely it happens."""

    arrival: Name
    probability: Chance


class FactorIn(Part):
    """Something not known until the operation."""

    name: Name
    probabilities: Annotated[list[Chance], Field(max_length=core.MAX_OUTCOMES)]

    @model_validator(mode="after")
    def _sums_to_one(self) -> Self:
        return checked(self, off_one(("probabilities",), self.probabilities))


class TakeIn(Part):
    """What is taken for each joint outcome of the factors."""

    factors: Annotated[list[Name], Field(max_length=core.MAX_FACTORS)] | None = None
    items: Annotated[list[dict[Name, Quantity] | None], Field(max_length=core.MAX_ENTRIES)]


class ConstructIn(Part):
    """One way to fix the fracture."""

    name: Name = Field(alias="construct")
    takes: Annotated[list[TakeIn], Field(max_length=core.MAX_TAKES)]


class NeedIn(Part):
    """What the fracture may turn out to need."""

    need: Name
    probability: Chance
    constructs: Annotated[list[Name], Field(max_length=core.MAX_CONSTRUCTS)]


class CaseIn(Part):
    """One operation."""

    case: Name
    starts: Time | None = None
    ends: Time | None = None
    factors: Annotated[list[FactorIn], Field(max_length=core.MAX_FACTORS)] | None = None
    constructs: Annotated[list[ConstructIn], Field(max_length=core.MAX_CONSTRUCTS)]
    needs: Annotated[list[NeedIn], Field(max_length=core.MAX_NEEDS)]

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        return checked(self, self._faults())

    def _faults(self) -> Iterator[Fault]:
        factors, named = self.factors or [], [each.name for each in self.constructs]
        sizes = {factor.name: len(factor.probabilities) for factor in factors}
        yield from twice(("factors",), "name", [factor.name for factor in factors])
        yield from twice(("constructs",), "construct", named)
        yield from twice(("needs",), "need", [need.need for need in self.needs])
        for index, construct in enumerate(self.constructs):
            for place, take in enumerate(construct.takes):
                inside = ("constructs", index, "takes", place)
                yield from take_faults(inside, take.factors or [], len(take.items), sizes)
        yield from _linked_faults(self.constructs, sizes)
        for index, need in enumerate(self.needs):
            at = ("needs", index, "constructs")
            yield from twice(at, None, need.constructs)
            yield from unnamed(at, need.constructs, named, "construct")
        yield from off_one(("needs",), [need.probability for need in self.needs])
        if self.starts is not None and self.ends is not None and self.ends.us < self.starts.us:
            yield ("ends",), "The case ends before it starts."

    def to_case(self) -> core.Case:
        """Return the case as frozen values, probabilities scaled to sum to one exactly."""
        factors = self.factors or []
        factor_at = {factor.name: index for index, factor in enumerate(factors)}
        construct_at = {each.name: index for index, each in enumerate(self.constructs)}
        chances = _scaled([need.probability for need in self.needs])
        return core.Case(
            self.case,
            _us(self.starts),
            _us(self.ends),
            tuple(core.Factor(each.name, _scaled(each.probabilities)) for each in factors),
            tuple(
                core.Need(need.need, chance, tuple(construct_at[name] for name in need.constructs))
                for need, chance in zip(self.needs, chances, strict=True)
            ),
            tuple(
                core.Construct(
                    each.name,
                    tuple(
                        core.Take(
                            tuple(factor_at[name] for name in take.factors or ()),
                            tuple(_demand(entry) for entry in take.items),
                        )
                        for take in each.takes
                    ),
                )
                for each in self.constructs
            ),
        )


class _Supplied(Part):
    """Stock and sets, and what cases need because of them."""

    stock: Annotated[list[ParcelIn], Field(max_length=core.MAX_PARCELS)]
    sets: Annotated[list[SetIn], Field(max_length=core.MAX_SETS)] | None = None

    def parcels(self) -> tuple[core.DatedStock, ...]:
        return tuple(
            core.DatedStock(
                each.item, each.quantity, _us(each.begin), _us(each.until), each.arrival
            )
            for each in self.stock
        )

    def instrument_sets(self) -> tuple[core.InstrumentSet, ...]:
        return tuple(each.to_set() for each in self.sets or ())

    def _coming(self) -> Iterator[tuple[Place, ParcelIn | ComingIn]]:
        for index, parcel in enumerate(self.stock):
            yield ("stock", index), parcel
        for index, each in enumerate(self.sets or ()):
            for place, coming in enumerate(each.coming or ()):
                yield ("sets", index, "coming", place), coming

    def _arrival_faults(self, arrivals: Collection[str]) -> Iterator[Fault]:
        for at, one in self._coming():
            if one.arrival is not None and one.arrival not in arrivals:
                yield (*at, "with"), f"There is no arrival {one.arrival!r}."

    def _supply_faults(
        self, cases: list[tuple[Place, CaseIn]], arrivals: Collection[str] = ()
    ) -> Iterator[Fault]:
        sets, stocked = self.sets or [], {parcel.item for parcel in self.stock}
        yield from self._arrival_faults(arrivals)
        yield from twice(("sets",), "item", [each.item for each in sets])
        yield from self._clock_faults(cases)
        for index, each in enumerate(sets):
            if each.item in stocked:
                sentence = f"{each.item!r} is in the stock too; a set cannot be both."
                yield ("sets", index, "item"), sentence
        dated = any(each.begin is not None or each.until is not None for each in self.stock)
        why = "sets are used" if sets else "the stock is dated"
        for at, case in cases:
            if case.starts is None and (dated or sets):
                yield (*at, "starts"), f"A start is needed because {why}."
            if case.ends is None and sets:
                yield (*at, "ends"), f"An end is needed because {why}."

    def _clock_faults(self, cases: list[tuple[Place, CaseIn]]) -> Iterator[Fault]:
        times: list[tuple[Place, Moment | None]] = [
            ((*at, name), moment)
            for at, each in self._coming()
            for name, moment in (("from", each.begin), ("until", each.until))
        ]
        times += [
            ((*at, name), moment)
            for at, case in cases
            for name, moment in (("starts", case.starts), ("ends", case.ends))
        ]
        given = [(at, moment.aware) for at, moment in times if moment is not None]
        odd = next((at for at, aware in given if aware != given[0][1]), None)
        if odd is not None:
            yield odd, "Some times have a UTC offset and some do not."


class ReadinessProblem(_Supplied):
    """Stock, sets and cases in the order they run, and how to answer."""

    cases: Annotated[list[CaseIn], Field(max_length=core.MAX_CASES)]
    samples: Annotated[int, Field(strict=True, ge=core.MIN_SAMPLES, le=core.MAX_SAMPLES)] | None = (
        None
    )
    seed: Annotated[int, Field(strict=True, ge=0, le=core.MAX_SEED)] | None = None
    method: core.Method | None = None
    gains: Annotated[int, Field(strict=True, ge=0, le=core.MAX_GAINS)] | None = None
    arrivals: Annotated[list[ArrivalIn], Field(max_length=core.MAX_ARRIVALS)] | None = None

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        return checked(self, self._faults())

    def _faults(self) -> Iterator[Fault]:
        if not self.cases:
            yield ("cases",), "There are no cases."
        yield from twice(("cases",), "case", [case.case for case in self.cases])
        arrivals = [each.arrival for each in self.arrivals or ()]
        yield from twice(("arrivals",), "arrival", arrivals)
        yield from self._supply_faults(
            [(("cases", n), case) for n, case in enumerate(self.cases)], arrivals
        )

    def to_problem(self) -> core.ReadinessProblem:
        """Return the problem as frozen values."""
        return core.ReadinessProblem(
            self.parcels(),
            self.instrument_sets(),
            tuple(case.to_case() for case in self.cases),
            samples=core.DEFAULT_SAMPLES if self.samples is None else self.samples,
            seed=core.DEFAULT_SEED if self.seed is None else self.seed,
            method=self.method or "auto",
            gains=core.DEFAULT_GAINS if self.gains is None else self.gains,
            arrivals=tuple(
                core.Arrival(each.arrival, each.probability) for each in self.arrivals or ()
            ),
        )


class KitProblem(_Supplied):
    """One case, what there is for it, the readiness wanted, and what each pack costs to bring."""

    case: CaseIn
    costs: dict[Name, Annotated[int, Field(strict=True, ge=0, le=kit.MAX_COST)]] | None = None
    target: Chance

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        return checked(self, self._supply_faults([(("case",), self.case)]))

    def to_problem(self) -> kit.KitProblem:
        """Return the problem as frozen values."""
        case, stock, sets = self.case.to_case(), self.parcels(), self.instrument_sets()
        return kit.KitProblem(case, stock, sets, self.target, self.costs or {})


def problem_from(data: Mapping[str, object]) -> core.ReadinessProblem:
    """Read a readiness problem.

    Raises
    ------
    ProblemError
        With a JSON pointer and a sentence for each fault found (the first fifty).

    Examples
    --------
    >>> case = {"case": "K1", "needs": [{"need": "n", "probability": 1, "constructs": ["c"]}],
    ...         "constructs": [{"construct": "c", "takes": [{"factors": [], "items": [{"x": 1}]}]}]}
    >>> problem_from({"stock": [{"item": "x", "quantity": 1}], "cases": [case]}).cases[0].name
    'K1'
    """
    try:
        return ReadinessProblem.model_validate(data).to_problem()
    except ValidationError as error:
        raise core.ProblemError(problem_faults(error)[:_MANY_FAULTS]) from error


def kit_problem_from(data: Mapping[str, object]) -> kit.KitProblem:
    """Read a kit problem.

    Raises
    ------
    ProblemError
        With a JSON pointer and a sentence for each fault found (the first fifty).
    """
    try:
        return KitProblem.model_validate(data).to_problem()
    except ValidationError as error:
        raise core.ProblemError(problem_faults(error)[:_MANY_FAULTS]) from error


def _linked_faults(constructs: list[ConstructIn], sizes: Mapping[str, int]) -> Iterator[Fault]:
    groups: list[set[str]] = []
    for take in (take for construct in constructs for take in construct.takes):
        factors = set(take.factors or ()) & sizes.keys()
        joined = factors.union(*(group for group in groups if group & factors))
        groups = [group for group in groups if not group & joined] + [joined]
    for group in groups:
        size = math.prod(sizes[name] for name in group)
        if size > core.MAX_LINKED_OUTCOMES:
            sentence = (
                f"Takes that share factors have {size} outcomes together; "
                f"at most {core.MAX_LINKED_OUTCOMES} are allowed."
            )
            yield ("constructs",), sentence


def _scaled(chances: list[float]) -> tuple[float, ...]:
    total = math.fsum(chances)
    return tuple(chance / total for chance in chances)


def _demand(entry: Mapping[str, int] | None) -> core.Demand | None:
    if entry is None:
        return None
    return tuple(sorted((item, quantity) for item, quantity in entry.items() if quantity))


def _us(moment: Moment | None) -> int | None:
    return None if moment is None else moment.us
