"""The form of a plan: what was chosen, accepted and refused, read from a case or as it was sent."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from starlette.datastructures import FormData

from service.operations.schemas.cases import CaseOut
from web.case_values import FRACTURE_FIELDS, fracture_facts, values_of
from web.forms import texts

__all__ = ["ACCEPT", "REFUSE", "PlanForm", "plan_form_from", "plan_form_of"]

ACCEPT, REFUSE = "accept", "refuse"

#: A field of an alternate carries how the alternate is planned behind these.
_DECISION, _WHY = "alternate:", "why:"


@dataclass(frozen=True, slots=True)
class PlanForm:
    """What stands in the form of a plan.

    Parameters
    ----------
    values
        The fracture, as the text of its fields.
    primary
        The construct planned first, add-ons joined to it; empty while none is chosen.
    accepted
        Alternates that stand by, in their order.
    refused
        Suggested alternates that are not wanted, with why.
    near
        Kinds of item that must be near, each with its reason behind a bar.
    """

    values: Mapping[str, str] = field(default_factory=dict)
    primary: str = ""
    accepted: Sequence[str] = ()
    refused: Mapping[str, str] = field(default_factory=dict)
    near: Sequence[str] = ()

    def body(self) -> dict[str, object]:
        """Give what the form says as the body of a planned case; without a primary, no plan."""
        facts = fracture_facts(self.values)
        if self.primary:
            facts["plan"] = {
                "primary": self.primary,
                "alternates": [one for one in self.accepted if one != self.primary],
                "near": [_near(one) for one in self.near],
                "refused": [
                    {"alternate": one, "reason": why}
                    for one, why in self.refused.items()
                    if one != self.primary and one not in self.accepted
                ],
            }
        return facts


def plan_form_of(case: CaseOut) -> PlanForm:
    """Fill the form from a case and the newest revision of its plan."""
    values = values_of(case)
    if case.plan is None:
        return PlanForm(values)
    return PlanForm(
        values,
        case.plan.primary,
        case.plan.alternates,
        {one.alternate: one.reason for one in case.plan.refused},
        [f"{one.kind}|{one.reason}" for one in case.plan.near],
    )


def plan_form_from(form: FormData) -> PlanForm:
    """Read the form as it was sent."""
    sent = {name: str(value).strip() for name, value in form.items()}
    base = sent.get("base", "")
    decided = {
        name.removeprefix(_DECISION): value
        for name, value in sent.items()
        if name.startswith(_DECISION)
    }
    accepted = [one for one, decision in decided.items() if decision == ACCEPT]
    return PlanForm(
        {name: sent[name] for name in FRACTURE_FIELDS if name in sent},
        "+".join([base, *texts(form, "add_on")]) if base else "",
        list(dict.fromkeys([*accepted, *texts(form, "other")])),
        {one: sent.get(_WHY + one, "") for one, said in decided.items() if said == REFUSE},
        texts(form, "near"),
    )


def _near(text: str) -> dict[str, str]:
    kind, _, reason = text.partition("|")
    return {"kind": kind, "reason": reason or "asked for"}
