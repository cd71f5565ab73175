"""A walk by chance: people do what people do, and nothing that reads 'covered' may be untrue."""

import random
from collections import Counter
from collections.abc import Callable
from dataclasses import replace

from service.errors import ServiceError
from service.operations.cover.check import check_day
from tests.safety.words import Department, carry_out
from tests.safety.world import Case, Copy, World
from tests.small_theatre import next_day

SHELVES = ("shelf A", "shelf B")


PLANS = ("a nail", "a nail", "a cap", "two caps")


#: How many cases are to come at once, at most.
MOST_CASES = 5


class Walk:
    """Random acts, told to the service and, when it lets them happen, to the world."""

    def __init__(self, department: Department, luck: random.Random) -> None:
        self.department, self.luck = department, luck
        self.world = World()
        self.story: list[str] = []
        self.notices: dict[str, tuple[str, str]] = {}
        self.told = 0
        self.verdicts: Counter[str] = Counter()
        self.refused: Counter[str] = Counter()
        self.serials = 0

    def go(self, steps: int) -> None:
        """Take some steps, and look at every verdict after each."""
        acts: list[tuple[int, Callable[[], None]]] = [
            (4, self.time_passes),
            (6, self.something_comes_in),
            (4, self.somebody_is_planned),
            (2, self.a_plan_changes),
            (2, self.a_case_moves),
            (1, self.a_case_is_cancelled),
            (6, self.something_goes_to_a_tray),
            (2, self.a_case_starts),
            (7, self.something_is_accounted_for),
            (3, self.a_case_is_closed),
            (3, self.a_set_is_sterilised),
            (2, self.something_is_quarantined),
            (2, self.something_is_released),
            (2, self.something_is_moved),
            (2, self.something_is_counted),
            (1, self.something_is_lost_in_quarantine),
            (1, self.a_notice_comes),
            (2, self.a_notice_is_lifted),
            (1, self.a_loan_goes_back),
        ]
        weights = [weight for weight, _ in acts]
        for item in ("set", "set", "nail", "nail", "nail", "cap", "cap", "cap", "cap"):
            self._comes_in(item)
        for _ in range(steps):
            (act,) = self.luck.choices([one for _, one in acts], weights)
            act()
            self.look()

    def say(self, sentence: str) -> bool:
        """Tell the service of an act; gives whether it let it happen."""
        try:
            carry_out(self.department, sentence)
        except ServiceError:
            self.story.append(f"Refused: {sentence}")
            self.refused[sentence.split(maxsplit=1)[0]] += 1
            return False
        self.story.append(sentence)
        return True

    def look(self) -> None:
        """Compare what is said of every case to come with what can be done.

        Raises
        ------
        AssertionError
            When something reads 'covered' that cannot be done, or lacks a reason when it does not;
            it carries the story so far.
        """
        cases = [one for one in self.world.cases.values() if self._is_looked_at(one)]
        days = [next_day(day - 1) for day in sorted({one.day for one in cases})]
        told = self.department.work.read(lambda unit: [check_day(unit, day) for day in days])
        by_name = {case.case: case for check in told for one in check.lists for case in one.cases}
        found = [(one, by_name[one.name]) for one in cases]
        self.verdicts.update(check.state for _, check in found)
        green = [one for one, check in found if check.constructs[0].state == "covered"]
        if not self.world.can_be_done(green):
            self._contradict(f"all of {[one.name for one in green]} cannot be done")
        for one, check in found:
            if check.state == "covered" and one.backup is not None:
                before = [other for other in green if other.day < one.day or other is one]
                if not self.world.can_be_done(before, backup_of=one):
                    self._contradict(f"{one.name} cannot turn to its backup")
            if check.state != "covered" and not check.says.strip():
                self._contradict(f"{one.name} is {check.state} and nobody says why")

    def _is_looked_at(self, case: Case) -> bool:
        return case.is_to_come and case.day >= self.world.today

    def _contradict(self, what: str) -> None:
        raise AssertionError("\n".join([*self.story, f"-- {what}"]))

    def _clock(self, minute: int) -> str:
        return f"{minute // 60 % 24:02}:{minute % 60:02}"

    def time_passes(self) -> None:
        self.world.minute += self.luck.choice([15, 30, 60, 60, 120, 240])
        self.say(f"It is day {self.world.today}, {self._clock(self.world.minute)}.")

    def something_comes_in(self) -> None:
        self._comes_in(self.luck.choice(["nail", "cap", "cap", "set"]))

    def _comes_in(self, item: str) -> None:
        copy = Copy(item, self.luck.choice(["L1", "L2"]), home=self.luck.choice(SHELVES))
        copy.place = copy.home
        words = ""
        if item == "set":
            if sum(one.item == "set" and not one.is_unfit for one in self.world.copies) >= 3:
                return
            self.serials += 1
            copy.lot, copy.serial = "", f"S{self.serials}"
            copy.is_sterile = self.luck.random() < 0.8
            words += "" if copy.is_sterile else ", not sterile"
        elif self.luck.random() < 0.5:
            # The date and the lender go with the lot: packs of one lot are alike.
            copy.use_by = self.world.today + self.luck.randint(0, 3)
            copy.lot = f"U{copy.use_by}"
            words += f", use by day {copy.use_by}"
        elif self.luck.random() < 0.3:
            copy.until = self.world.today + self.luck.randint(1, 4)
            copy.lot, copy.is_loan = f"B{copy.until}", True
            words += f", on loan until day {copy.until}"
        if self.say(f"{copy.name} comes in{words}, to {copy.place}."):
            self.world.copies.append(copy)

    def _to_come(self) -> list[Case]:
        return [one for one in self.world.cases.values() if self._is_looked_at(one)]

    def _times(self) -> tuple[int, int, int, int]:
        day = self.world.today + self.luck.randint(0, 2)
        start = self.luck.choice([8, 10, 14, 16, 20]) * 60
        return day, start, start + self.luck.choice([45, 60, 120]), self.luck.choice([1, 2])

    def _when(self, day: int, start: int, end: int, theatre: int) -> str:
        return f"day {day}, {self._clock(start)} to {self._clock(end)}, theatre {theatre}"

    def somebody_is_planned(self) -> None:
        if len(self._to_come()) >= MOST_CASES:
            return
        times, first = self._times(), self.luck.choice(PLANS)
        backup = self.luck.choice([None, *(one for one in sorted(set(PLANS)) if one != first)])
        case = Case(f"K{len(self.world.cases) + 1}", *times, first, backup)
        more = "" if backup is None else f", {backup} as backup"
        if self.say(f"{case.name} is on {self._when(*times)}: {first}{more}."):
            self.world.cases[case.name] = case

    def a_plan_changes(self) -> None:
        if not (cases := self._to_come()):
            return
        case, first = self.luck.choice(cases), self.luck.choice(PLANS)
        backup = self.luck.choice([None, *(one for one in sorted(set(PLANS)) if one != first)])
        more = "" if backup is None else f", {backup} as backup"
        if self.say(f"{case.name} is planned again: {first}{more}."):
            case.first, case.backup = first, backup

    def a_case_moves(self) -> None:
        if not (cases := self._to_come()):
            return
        case, times = self.luck.choice(cases), self._times()
        if self.say(f"{case.name} moves to {self._when(*times)}."):
            case.day, case.start, case.end, case.theatre = times

    def a_case_is_cancelled(self) -> None:
        if not (cases := self._to_come()):
            return
        case = self.luck.choice(cases)
        if self.say(f"{case.name} is cancelled."):
            case.status = "cancelled"

    def something_goes_to_a_tray(self) -> None:
        cases = [one for one in self._to_come() if one.day == self.world.today] or self._to_come()
        lying = [one for one in self.world.copies if one.place in SHELVES]
        if not cases or not lying:
            return
        case, copy = self.luck.choice(cases), self.luck.choice(lying)
        if any(
            (one.name, one.place) == (copy.name, case.name) and one.home != copy.place
            for one in self.world.copies
        ):
            # Two packs of one lot from two shelves could not be told apart on the tray.
            return
        if self.say(f"{copy.name} goes from {copy.place} to the tray of {case.name}."):
            copy.home, copy.place = copy.place, case.name
            case.status = "prepared"

    def a_case_starts(self) -> None:
        if not (cases := [one for one in self._to_come() if one.day == self.world.today]):
            return
        case = self.luck.choice(cases)
        if self.say(f"{case.name} starts."):
            case.status = "in theatre"

    def something_is_accounted_for(self) -> None:
        if not (lying := [one for one in self.world.copies if one.place in self.world.cases]):
            return
        copy = self.luck.choice(lying)
        case = self.world.cases[copy.place]
        opened = "sent to be reprocessed" if copy.item == "set" else "implanted"
        outcome = self.luck.choice([opened, "back unopened"])
        if outcome == "implanted" and case.status != "in theatre":
            outcome = "wasted"
        if self.say(f"In {case.name}, {copy.name} is {outcome}."):
            copy.place = copy.home if outcome == "back unopened" else "gone"
            if copy.item == "set" and copy.place == "gone":
                copy.place, copy.is_sterile = "sterile services", False

    def a_case_is_closed(self) -> None:
        cases = [one for one in self.world.cases.values() if one.status == "in theatre"]
        if not cases:
            return
        case = self.luck.choice(cases)
        if self.say(f"{case.name} is closed."):
            case.status = "closed"

    def a_set_is_sterilised(self) -> None:
        dirty = [one for one in self.world.copies if one.item == "set" and not one.is_sterile]
        if not dirty:
            return
        copy = self.luck.choice(dirty)
        if self.say(f"{copy.name} comes out of sterilisation."):
            copy.is_sterile = True
            if copy.place == "sterile services":
                copy.place = copy.home

    def something_is_quarantined(self) -> None:
        if not (lying := [one for one in self.world.copies if one.place in SHELVES]):
            return
        copy = self.luck.choice(lying)
        if self.say(f"{copy.name} is put into quarantine from {copy.place}."):
            copy.place, copy.is_unfit = "quarantine", True

    def something_is_released(self) -> None:
        if not (lying := [one for one in self.world.copies if one.place == "quarantine"]):
            return
        copy, shelf = self.luck.choice(lying), self.luck.choice(SHELVES)
        if self.say(f"{copy.name} is released to {shelf}."):
            copy.place, copy.is_unfit = shelf, False

    def something_is_moved(self) -> None:
        lying = [one for one in self.world.copies if one.place in {*SHELVES, "quarantine"}]
        if not lying:
            return
        copy, shelf = self.luck.choice(lying), self.luck.choice(SHELVES)
        if self.say(f"{copy.name} is moved from {copy.place} to {shelf}."):
            # Carrying a thing elsewhere makes it no better than it was.
            copy.place = shelf

    def something_is_counted(self) -> None:
        if not self.world.copies:
            return
        copy, shelf = self.luck.choice(self.world.copies), self.luck.choice(SHELVES)
        there = [one for one in self.world.copies if (one.name, one.place) == (copy.name, shelf)]
        number = self.luck.choice([0, len(there), 1])
        if copy.item == "set" and number > len(there) and copy.place != "lost":
            # There is one copy of it, and it is not here.
            self.say(f"{number} {copy.name} is counted on {shelf}.")
            return
        if self.say(f"{number} {copy.name} is counted on {shelf}."):
            for one in there[number:]:
                one.place = "lost"
            lost = [
                one for one in self.world.copies if (one.name, one.place) == (copy.name, "lost")
            ]
            # What had been lost turns up first, in whatever state it is; of unfit ones the worst.
            lost.sort(key=lambda one: not one.is_unfit)
            found = number - len(there)
            for one in lost[: max(found, 0)]:
                one.place = shelf
            for _ in range(found - len(lost)):
                # It had lain there all the time and was in no book.
                self.world.copies.append(replace(copy, place=shelf, home=shelf, is_unfit=False))

    def something_is_lost_in_quarantine(self) -> None:
        if not (lying := [one for one in self.world.copies if one.place == "quarantine"]):
            return
        copy = self.luck.choice(lying)
        if self.say(f"0 {copy.name} is counted in quarantine."):
            for one in self.world.copies:
                if (one.name, one.place) == (copy.name, "quarantine"):
                    one.place = "lost"

    def a_notice_comes(self) -> None:
        packs = [one for one in self.world.copies if one.item != "set"]
        if not packs:
            return
        copy = self.luck.choice(packs)
        self.told += 1
        notice = f"N{self.told}"
        written = self.luck.choice([copy.lot, copy.lot.lower(), f"{copy.lot[0]} {copy.lot[1:]}"])
        if self.say(f'Notice {notice} recalls lot "{written}" of {copy.item}s.'):
            self.notices[notice] = copy.item, copy.lot
            self.world.recalled = set(self.notices.values())

    def a_notice_is_lifted(self) -> None:
        if not self.notices:
            return
        notice = self.luck.choice(sorted(self.notices))
        if self.say(f"Notice {notice} is lifted."):
            del self.notices[notice]
            self.world.recalled = set(self.notices.values())

    def a_loan_goes_back(self) -> None:
        loans = [one for one in self.world.copies if one.is_loan and one.place in SHELVES]
        if not loans:
            return
        copy = self.luck.choice(loans)
        if self.say(f"Loan {copy.name} goes back to its lender from {copy.place}."):
            copy.place = "gone"
