"""Lines of the audit trail say what was done, in words and not in names of the program."""

import pytest
from fastapi.routing import APIRoute, iter_route_contexts

from service.main import create_app
from service.settings import Settings
from web.audit_words import is_named, records_of, what_was_done

#: Handlers that are sent something and change nothing: they leave no line.
_READS = {
    "api.cases.answer_kit",
    "api.cases.answer_readiness",
    "api.cases.try_out",
    "api.par.answer_par",
    "api.planning.answer_guidance",
    "api.planning.answer_sizing",
    "api.trays.scan_pack",
    "web.pages.cases.try_case",
    "web.pages.list_day.try_out",
    "web.pages.plans.try_plan",
    "web.pages.shortfalls.reckon",
    "web.pages.trays.check",
}


def test_every_change_that_can_be_made_has_its_words() -> None:
    changes = set()
    for route in iter_route_contexts(create_app(Settings(database_url="sqlite://")).routes):
        handler, original = route.endpoint, route.original_route
        if handler is None or not isinstance(original, APIRoute):
            continue
        if (original.methods or set()) & {"POST", "PUT", "PATCH", "DELETE"}:
            module = handler.__module__.removeprefix("service.")
            changes.add(f"{module}.{handler.__name__}")
    assert changes >= _READS
    assert {name for name in changes - _READS if not is_named(name)} == set()


@pytest.mark.parametrize(
    ("operation", "subject", "outcome", "words"),
    [
        ("web.pages.people.enter", "/sign-in", "signed in", "Signed in"),
        ("web.pages.people.enter", "/sign-in", "refused", "Sign-in refused"),
        ("api.orders.approve", "/api/v1/orders/PO-1/approve", "done", "Order approved"),
        ("", "traywright import", "done", "Command line: import"),
    ],
)
def test_a_line_is_said_in_words(operation: str, subject: str, outcome: str, words: str) -> None:
    assert what_was_done(operation, subject, outcome) == words


def test_a_record_is_named_by_its_own_name_once() -> None:
    assert records_of("/api/v1/orders/PO-2031-0001/approve", {}) == ["PO-2031-0001"]
    assert records_of("/cases/HAR-0712/plan", {"cases": ["HAR-0712"]}) == ["HAR-0712"]
    assert records_of("/sign-in", {"account": "nora"}) == ["Account: nora"]
    assert records_of("/suppliers", {}) == []
