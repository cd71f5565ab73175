"""The words of the stories: each sentence is one act of the department, or what may be said.

A story is read line by line. The first pattern that fits a line is carried out; a line that fits
none is an error. ``Refused:`` before an act says that the service must not let it happen. Items
are those of ``tests/small_theatre.py``, in a nurse's words: nails, caps, and sets with a serial.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from functools import cached_property
from typing import Any

from service.errors import Conflict, ServiceError
from service.operations.catalogue import get_item
from service.operations.constructs import load_constructs
from service.operations.cover.check import check_case
from service.operations.planning import case_changes
from service.operations.planning.confirm import confirm_plan_backups
from service.operations.planning.item_edits import edit_item
from service.operations.planning.lot_edits import correct_use_by
from service.operations.recalls.start import lift_recall, start_recall
from service.operations.stock import transfers
from service.operations.stock.reprocessing import make_sterile
from service.operations.work import Work
from service.schemas.cases import CaseBody, CaseFields
from service.schemas.catalogue import ItemBody
from service.schemas.cover import CaseCheckOut
from service.schemas.orders import SteriliseBody
from service.schemas.recalls import LiftBody, RecallBody
from service.schemas.stock import AnswerBody, ArrivalBody, AskBody, UseByBody
from tests.conftest import NOW
from tests.small_theatre import (
    CONSTRUCTS,
    OTHER_SHELF,
    QUARANTINE,
    SHELF,
    USE_BY,
    Theatre,
    furnish,
    next_day,
)
from tests.two_sites import OTHER_CODE, add_site, furnish_other, work_at

#: The words for items, and the catalogue's.
REFS = {"nail": "NAIL", "nails": "NAIL", "cap": "CAP", "caps": "CAP", "set": "SET", "sets": "SET"}


#: The words for plans; a pair is a nail that takes two caps.
PLANS = {"a nail": "nail@Testfield", "a cap": "cap@Testfield", "two caps": "pair@Testfield"}


PLACES = {
    "shelf A": SHELF,
    "shelf B": OTHER_SHELF,
    "quarantine": QUARANTINE,
    "sterile services": {"store": "Sterile services", "shelf": "Reprocessing"},
}


OUTCOMES = {
    "implanted": "implant",
    "wasted": "waste",
    "back unopened": "return",
    "sent to be reprocessed": "reprocess",
}


_UNITS = (
    r"(?:(?P<number>\d+) )?(?P<item>nails?|caps?|set)"
    r"(?: lot (?P<lot>\w+))?(?: (?P<serial>S\d+))?"
)


_CASE = r"(?P<case>K\d+)"


_TIMES = (
    r"day (?P<day>\d+), (?P<start>\d\d:\d\d) to (?P<end>\d\d:\d\d)(?:, theatre (?P<theatre>\d))?"
)


_PLAN = r"(?P<first>a nail|a cap|two caps)(?:, (?P<backup>a nail|a cap|two caps) as backup)?"


_PLACE = r"(?P<place>shelf [AB]|quarantine|sterile services)"


_FROM = f"(?: from {_PLACE})?"


@dataclass(frozen=True)
class Units:
    """Units that a sentence names: some of an item, of a lot, or a set by its serial."""

    ref: str
    quantity: int
    lot: str | None
    serial: str | None

    @classmethod
    def read(cls, words: dict[str, str | None]) -> "Units":
        """Take what names units out of the words of a sentence; lot L1 where none is said."""
        serial, lot = words.pop("serial"), words.pop("lot")
        number, item = words.pop("number"), words.pop("item")
        lot = lot if serial else lot or "L1"
        return cls(REFS[item or ""], int(number or 1), lot, serial)

    def facts(self) -> dict[str, Any]:
        return {"ref": self.ref, "lot": self.lot, "serial": self.serial}


@dataclass
class Department:
    """A small department, and the time on its clock."""

    work: Work
    now: datetime = NOW
    owners: dict[tuple[str, str | None, str | None], str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        furnish(self.work)
        nail = CONSTRUCTS["construct"][0]
        caps = {
            "role": "end cap",
            "kinds": ["end_cap"],
            "match": ["system"],
            "quantity": {"2": 1.0},
        }
        pair = {"code": "pair", "name": "Nail, two caps", "part": "base"}
        pair["roles"] = [*nail["roles"], caps]  # type: ignore[assignment] # a table of a file
        self.work.write(lambda unit: load_constructs(unit, {"construct": [pair]}), "furnisher")
        self.work.clock = lambda: self.now
        self.theatre = Theatre(self.work)

    @cached_property
    def north(self) -> Theatre:
        """The other hospital, with a shelf; it keeps the same clock."""
        made = Theatre(work_at(self.work, add_site(self.work)))
        made.work.clock = lambda: self.now
        furnish_other(made.work, SHELF)
        return made

    def check(self, case: str) -> CaseCheckOut:
        return self.work.read(lambda unit: check_case(unit, case))

    def facts(self, units: Units) -> dict[str, Any]:
        """Name units as the service wants it: nobody in theatre has to say whose they are."""
        owner = self.owners.get((units.ref, units.lot, units.serial), "owned")
        return {**units.facts(), "ownership": owner}


Act = Callable[..., None]


ACTS: list[tuple[re.Pattern[str], Act]] = []


def act(pattern: str) -> Callable[[Act], Act]:
    """Carry a function out for each line that fits; its named groups are the arguments."""

    def note(function: Act) -> Act:
        ACTS.append((re.compile(pattern), function))
        return function

    return note


def tell(department: Department, story: str) -> None:
    """Carry a story out, line by line.

    Raises
    ------
    AssertionError
        At the first line that does not hold; the line is named.
    """
    for line in story.strip().splitlines():
        sentence = line.strip()
        asked = sentence.removeprefix("Refused: ")
        refusal: ServiceError | None = None
        try:
            carry_out(department, asked)
        except AssertionError as error:
            raise AssertionError(f"'{sentence}': {error}") from error
        except ServiceError as error:
            refusal = error
        if (refusal is not None) != (asked != sentence):
            faults = "" if refusal is None else f"{refusal} {refusal.faults}"
            raise AssertionError(f"'{sentence}': {faults or 'it was let happen'}")


def carry_out(department: Department, sentence: str) -> None:
    """Do what one sentence says, or look whether it holds."""
    for pattern, function in ACTS:
        found = pattern.fullmatch(sentence)
        if found is None:
            continue
        words: dict[str, Any] = found.groupdict()
        if "number" in words:
            words["units"] = Units.read(words)
        function(department, **words)
        return
    raise ValueError(f"no words for '{sentence}'")


def _day(text: str) -> date:
    return next_day(int(text) - 1)


def _times(day: str, start: str, end: str, theatre: str | None) -> dict[str, object]:
    facts = {"theatre": f"T{theatre or 1}", "starts": start, "ends": end}
    return {**facts, "list_date": _day(day), "position": 1, "side": "left"}


@act(r"It is day (?P<day>\d+), (?P<time>\d\d:\d\d)\.")
def set_clock(department: Department, day: str, time: str) -> None:
    department.now = _moment(day, time)


def _moment(day: str, time: str) -> datetime:
    hour, minute = (int(part) for part in time.split(":"))
    on = _day(day)
    return datetime(on.year, on.month, on.day, hour, minute, tzinfo=UTC)


@act(
    _UNITS + r" comes? in(?P<unsterile>, not sterile)?(?:, use by day (?P<use_by>\d+))?"
    r"(?:, on loan until day (?P<until>\d+))?(?:, to (?P<place>shelf [AB]))?\."
)
def receive(  # noqa: PLR0917 - the words of one sentence
    department: Department,
    units: Units,
    unsterile: str | None,
    use_by: str | None,
    until: str | None,
    place: str | None,
) -> None:
    facts = {**units.facts(), "quantity": units.quantity, "to": PLACES[place or "shelf A"]}
    if units.ref != "SET" or use_by:
        facts["use_by"] = _day(use_by) if use_by else USE_BY
    facts["sterility"] = "unsterile" if unsterile else "sterile"
    if until:
        facts |= {"ownership": "loan", "return_by": _day(until)}
        department.owners[units.ref, units.lot, units.serial] = "loan"
    department.theatre.record("receive", **facts)


@act(_CASE + " is on " + _TIMES + ": " + _PLAN + r"\.")
def add_case(  # noqa: PLR0917 - the words of one sentence
    department: Department,
    case: str,
    first: str,
    backup: str | None,
    day: str,
    start: str,
    end: str,
    theatre: str | None,
) -> None:
    times = _times(day, start, end, theatre)
    body = CaseBody.model_validate({"reference": case, **times})
    department.work.write(lambda unit: case_changes.add_case(unit, body), "nurse")
    plan(department, case, first, backup)


@act(_CASE + r" is planned again: " + _PLAN + r"\.")
def plan(department: Department, case: str, first: str, backup: str | None) -> None:
    department.theatre.plan(case, PLANS[first], *([PLANS[backup]] if backup else []))


@act(_CASE + " moves to " + _TIMES + r"\.")
def move_case(  # noqa: PLR0917 - the words of one sentence
    department: Department, case: str, day: str, start: str, end: str, theatre: str | None
) -> None:
    body = CaseFields.model_validate(_times(day, start, end, theatre))
    version = department.theatre.case(case).version
    department.work.write(lambda unit: case_changes.change_case(unit, case, body, version), "nurse")


@act(_CASE + r" is cancelled\.")
def cancel(department: Department, case: str) -> None:
    department.theatre.cancel(case)


@act(_CASE + r" starts\.")
def start(department: Department, case: str) -> None:
    if department.theatre.case(case).status == "planned":
        department.theatre.status(case, "prepared")
    department.theatre.status(case, "in_theatre")


@act(_CASE + r" is closed\.")
def close(department: Department, case: str) -> None:
    department.theatre.status(case, "closed")


@act(_UNITS + " (?:goes|go)(?: from (?P<place>shelf [AB]))? to the tray of " + _CASE + r"\.")
def bring(department: Department, units: Units, place: str | None, case: str) -> None:
    facts = {**department.facts(units), "at": PLACES[place] if place else None}
    department.theatre.pick(case, facts.pop("ref"), units.quantity, **facts)


@act("In " + _CASE + ", " + _UNITS + " (?:is|are) (?P<outcome>" + "|".join(OUTCOMES) + r")\.")
def settle(department: Department, case: str, units: Units, outcome: str) -> None:
    facts = department.facts(units)
    if outcome == "wasted":
        facts["reason"] = "dropped"
    department.theatre.settle(case, facts.pop("ref"), OUTCOMES[outcome], units.quantity, **facts)


@act("The use-by date of " + _UNITS + r" is corrected to day (?P<day>\d+)\.")
def correct_date(department: Department, units: Units, day: str) -> None:
    facts = {**department.facts(units), "use_by": _day(day), "reason": "misread on the label"}
    body = UseByBody.model_validate(facts)
    department.work.write(lambda unit: correct_use_by(unit, body), "storekeeper")


@act(_UNITS + r" is taken over for (?P<case>K\d+)" + _FROM + r"\.")
def take_over(department: Department, units: Units, case: str, place: str | None) -> None:
    facts = {**department.facts(units), "at": PLACES[place or "shelf A"], "take_over": True}
    ref = facts.pop("ref")
    department.theatre.promise(case, ref, units.quantity, **facts, reason="an open fracture")


@act(_UNITS + r" comes out of sterilisation(?:, use by day (?P<use_by>\d+))?\.")
def sterilise(department: Department, units: Units, use_by: str | None) -> None:
    facts = {**department.facts(units), "use_by": _day(use_by) if use_by else None}
    body = SteriliseBody.model_validate(facts)
    department.work.write(lambda unit: make_sterile(unit, body), "sterile services")


@act(_UNITS + " was not sterilised" + _FROM + r"\.")
def was_not_sterilised(department: Department, units: Units, place: str | None) -> None:
    where = PLACES[place or "shelf A"]
    facts = {**department.facts(units), "quantity": units.quantity, "origin": where}
    department.theatre.record("reprocess", **facts, reason="the wrong set was scanned")


@act(_UNITS + " (?:is|are) put into quarantine" + _FROM + r"\.")
def quarantine(department: Department, units: Units, place: str | None) -> None:
    where = PLACES[place or "shelf A"]
    facts = {**department.facts(units), "quantity": units.quantity, "origin": where}
    department.theatre.record("quarantine", **facts, reason="torn")


@act(_UNITS + " (?:is|are) written off" + _FROM + r"\.")
def write_off(department: Department, units: Units, place: str | None) -> None:
    where = PLACES[place or "shelf A"]
    facts = {**department.facts(units), "quantity": units.quantity, "at": where}
    department.theatre.record("write_off", **facts, reason="lost")


@act(_UNITS + r" (?:is|are) released to " + _PLACE + r"\.")
def release(department: Department, units: Units, place: str) -> None:
    facts = {**department.facts(units), "quantity": units.quantity, "origin": QUARANTINE}
    department.theatre.record("release", **facts, to=PLACES[place], reason="looked at")


@act(_UNITS + r" (?:is|are) moved from (?P<origin>shelf [AB]|quarantine) to " + _PLACE + r"\.")
def move(department: Department, units: Units, origin: str, place: str) -> None:
    facts = {**department.facts(units), "quantity": units.quantity, "origin": PLACES[origin]}
    department.theatre.record("move", **facts, to=PLACES[place], reason="tidied")


@act(_UNITS + r" (?:is|are) counted (?:on|in) " + _PLACE + r"\.")
def count(department: Department, units: Units, place: str) -> None:
    facts = {**department.facts(units), "counted": units.quantity, "at": PLACES[place]}
    department.theatre.record("count", **facts, reason="counted")


@act("Loan " + _UNITS + " goes back to its lender" + _FROM + r"\.")
def give_back(department: Department, units: Units, place: str | None) -> None:
    facts = {**units.facts(), "quantity": units.quantity, "ownership": "loan"}
    facts["origin"] = PLACES[place or "shelf A"]
    department.theatre.record("loan_out", **facts, reason="due")


@act(r'Notice (?P<notice>\w+) recalls (?P<what>lot|serial) "(?P<text>[^"]*)"(?: of (?P<of>\w+))?\.')
def recall(department: Department, notice: str, what: str, text: str, of: str | None) -> None:
    facts = {"notice": notice, "ref": REFS[of] if of else None, what: text}
    body = RecallBody.model_validate({**facts, "reason": "a crack", "quarantine": False})
    department.work.write(lambda unit: start_recall(unit, body), "storekeeper")


@act(r"Notice (?P<notice>\w+) is lifted\.")
def lift(department: Department, notice: str) -> None:
    body = LiftBody(reason="the notice was taken back")
    department.work.write(lambda unit: lift_recall(unit, notice, body), "storekeeper")


@act(_UNITS + r" (?:is|are) sent by North(?:, expected day (?P<day>\d+), (?P<time>\d\d:\d\d))?\.")
def send(department: Department, units: Units, day: str | None, time: str | None) -> None:
    """North has the units, is asked for them and agrees."""
    north = department.north
    facts = {**units.facts(), "quantity": units.quantity}
    dated = {"sterility": "sterile"} if units.ref == "SET" else {"use_by": USE_BY}
    north.record("receive", **facts, **dated, to=SHELF)
    asked = {"site": OTHER_CODE, "ref": units.ref, "quantity": units.quantity, "to": SHELF}
    ask = AskBody.model_validate(asked)
    key = department.work.write(lambda unit: transfers.ask_for_units(unit, ask), "nurse").id
    answer = AnswerBody.model_validate(
        {
            **{name: facts[name] for name in ("lot", "serial")},
            "agreed": True,
            "origin": SHELF,
            "expected_at": _moment(day, time) if day and time else None,
        }
    )
    north.work.write(lambda unit: transfers.answer_transfer(unit, key, answer))


#: What became of units, by the last word of a sentence.
_CONDITIONS = {"order": "arrived", "damaged": "damaged", "come": "missing"}


@act(_UNITS + r" from North (?P<what>arrives? in order|arrives? damaged|will not come)\.")
def arrive(department: Department, units: Units, what: str) -> None:
    condition = _CONDITIONS[what.rpartition(" ")[-1]]
    facts = {"quantity": units.quantity, "condition": condition}
    body = ArrivalBody.model_validate({**facts, "reason": None if condition == "arrived" else what})
    known = department.work.read(transfers.view_transfers).to_receive
    key = min(one.id for one in known if one.ref == units.ref)
    department.work.write(lambda unit: transfers.receive_transfer(unit, key, body), "storekeeper")


@act(r"North takes back what it sent last\.")
def take_back(department: Department) -> None:
    seq = department.north.lines()[-1].seq
    department.north.record("correction", ref=None, seq=seq, reason="it never left")


@act(r"A set is away for (?P<minutes>\d+) minutes from now on\.")
def change_turnaround(department: Department, minutes: str) -> None:
    known = department.work.read(lambda unit: get_item(unit, "SET"))
    facts = known.model_dump(include=set(ItemBody.model_fields))
    body = ItemBody.model_validate({**facts, "turnaround_minutes": int(minutes)})

    def edit(seen: str) -> None:
        department.work.write(
            lambda unit: edit_item(unit, "SET", body, known.version, seen), "keeper"
        )

    try:
        edit("")
    except Conflict as shown:
        edit(str(shown.facts["acknowledge"]))


@act(_CASE + r" is confirmed\.")
def confirm(department: Department, case: str) -> None:
    known = department.theatre.case(case)
    revision = known.plan.revision if known.plan else 0
    department.work.write(
        lambda unit: confirm_plan_backups(unit, case, revision, known.version), "surgeon"
    )


@act("The confirmation of " + _CASE + r" (?P<holds>holds|holds no longer)\.")
def confirmation_holds(department: Department, case: str, holds: str) -> None:
    told = department.check(case).confirmation
    assert told is not None, "it was never confirmed"
    assert told.in_force == (holds == "holds"), told.changed


@act(
    _CASE + r" is (?P<state>covered|covered if|partly covered|not covered)(?: \[(?P<why>\w+)\])?"
    r": .+"
)
def verdict(department: Department, case: str, state: str, why: str | None) -> None:
    found = department.check(case)
    gaps = [gap for one in found.constructs for gap in one.gaps]
    assert found.state == state, f"it reads '{found.state}': {found.says}"
    assert all(gap.sentence for gap in gaps), "a gap without a reason"
    if why is not None:
        assert why in {gap.because for gap in gaps}, found.says


@act(_CASE + r" is told that it lost a pack: .+")
def loses(department: Department, case: str) -> None:
    told = [kind for kind, _ in department.theatre.events(case)]
    assert "lost a pack" in told, f"it was told {told}"


@act(_CASE + r" counts on set (?P<serial>S\d+) from day (?P<day>\d+), (?P<time>\d\d:\d\d): .+")
def awaits(department: Department, case: str, serial: str, day: str, time: str) -> None:
    """The moment from which the case can have the set, and that it waits for it."""
    told = {one.name: one.due for one in department.check(case).expects}
    assert told.get(serial) == _moment(day, time), f"it waits for {told}"


#: What a case says when nothing is missing, with backups and without.
_ALL_THERE = {
    "The planned construct and its backups are covered.",
    "The planned construct is covered. No backup is planned.",
}


@act(_CASE + r" is not called covered: .+")
def not_green(department: Department, case: str) -> None:
    found = department.check(case)
    assert found.state != "covered", found.says
    assert found.says.strip() not in {"", *_ALL_THERE}, "no reason is given"


@act(_CASE + r" can be done as planned: .+")
def first_choice_covered(department: Department, case: str) -> None:
    (first, *_) = department.check(case).constructs
    assert first.state == "covered", first.says
