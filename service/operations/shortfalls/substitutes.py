"""The questions a surgeon could be asked about something missing."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from service.core.catalogue import ItemFacts, describe_size
from service.core.constructs.kit_lines import FIRST_USE, INSTRUMENT_SET
from service.core.constructs.planned import read_planned
from service.core.constructs.roles import PartSizing
from service.core.shortfalls.shortages import NEAR, MissingLine, Shortage
from service.core.shortfalls.substitutes import (
    SubstituteQuestion,
    adjacent_sizes,
    nearest_made,
    other_constructs,
    wait_questions,
)
from service.operations.cover.requirements import CaseRequirements
from service.operations.planner import PlannerContext
from service.operations.shortfalls.sources import RemainingStock
from service.operations.work import Unit

Named = Mapping[str, Sequence[tuple[str, str]]]


@dataclass(frozen=True, slots=True)
class SubstituteFinder:
    """What questions are made from, read once for all shortages.

    Parameters
    ----------
    prepared
        The cases by reference.
    covered, suggested
        By case, the constructs that stand by and are covered, and those only suggested, each as
        written and by name.
    """

    unit: Unit
    planner: PlannerContext
    prepared: Mapping[str, CaseRequirements]
    covered: Named
    suggested: Named

    def sizes_wanted(self, shortages: Sequence[Shortage]) -> set[str]:
        """Return the references whose free units will be asked for."""
        return {
            item.ref for one in shortages for missing in one.missing for item in self._near(missing)
        }

    def questions(self, shortage: Shortage, room: RemainingStock) -> list[SubstituteQuestion]:
        """Return what could be asked: another size, another construct, another time."""
        return [
            *self._sizes(shortage, room),
            *wait_questions(shortage.missing, self._back(shortage)),
            *other_constructs(shortage.missing, self.covered, self.suggested),
        ]

    def _sizes(self, shortage: Shortage, room: RemainingStock) -> Iterator[SubstituteQuestion]:
        asked: set[tuple[str, str]] = set()
        for one in shortage.missing:
            case = one.case
            for item in self._near(one):
                free = room.free(case, item.ref, stays=one.line.place == FIRST_USE)
                if (case.case, item.ref) in asked or (shortage.refs and not free):
                    continue
                asked.add((case.case, item.ref))
                says = f"{case.case}: could {describe_size(item)} ({item.ref}) be used? "
                says += f"{free or 'None'} free at this site on {case.list_date}."
                yield SubstituteQuestion("size", case.case, says, ref=item.ref, free=free)

    def _near(self, one: MissingLine) -> Sequence[ItemFacts]:
        """Return the nearest sizes to what is missing that the construct does not ask for."""
        line = one.line
        if line.what == INSTRUMENT_SET or not line.is_sized or one.place == NEAR:
            return ()
        if not line.refs:
            return self._nearest_made(one)
        (item,) = [each for each in self._alike(line.refs[0]) if each.ref == line.refs[0]]
        own = {ref for each in one.case.constructs[one.place].lines for ref in each.refs}
        found = adjacent_sizes(item, self._alike(item.ref))
        return [each for each in found if each.ref not in own]

    def _alike(self, ref: str) -> Sequence[ItemFacts]:
        catalogue = self.planner.catalogue
        return catalogue.by_kind[catalogue.by_ref[ref].kind]

    def _nearest_made(self, one: MissingLine) -> Sequence[ItemFacts]:
        part = next(
            each for each in read_planned(one.construct).parts if each.template == one.line.part
        )
        roles = {role.role: role for role in self.planner.templates[part.template].roles}
        prepared = self.prepared[one.case.case]
        setting = PartSizing(
            part,
            roles,
            prepared.row.side,
            self.planner.catalogue.by_kind,
            prepared.dimensions,
            self.planner.values,
        )
        return nearest_made(one.line.role, setting)

    def _back(self, shortage: Shortage) -> dict[str, str]:
        """Say for each case when a set that is in use before it is back."""
        found: dict[str, str] = {}
        for one in shortage.missing:
            for reason in one.gap.reasons:
                if reason.because == "instrument_set_in_use" and reason.when is not None:
                    when = self.unit.local(reason.when)
                    found.setdefault(one.case.case, f"{when:%H:%M} on {when.date()}")
        return found
