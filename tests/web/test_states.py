"""What a page says when it cannot show what was asked: what happened, what was saved, what next."""

from collections.abc import Callable

import pytest
from fastapi.testclient import TestClient

from service.errors import Unavailable
from service.operations.people.permissions import ROLES
from service.operations.work import Unit, Work
from tests.two_sites import add_somebody, bearer
from web.render import links_for

HTML = {"Accept": "text/html"}


def _work(client: TestClient) -> Work:
    found = client.app.state.work  # type: ignore[attr-defined] # FastAPI's own
    assert isinstance(found, Work)
    return found


def test_who_is_not_signed_in_is_asked_to_and_comes_back(client: TestClient) -> None:
    answer = client.get("/stock", headers={**HTML, "Authorization": ""}, follow_redirects=False)
    assert answer.status_code == 303
    assert answer.headers["location"] == "/sign-in?next=%2Fstock"
    page = client.get("/sign-in?next=/stock", headers={**HTML, "Authorization": ""})
    assert "After signing in you continue to the page you asked for." in page.text


def test_who_may_not_is_told_who_may_and_what_to_do(client: TestClient) -> None:
    add_somebody(_work(client), "keeper", ["storekeeper"])
    answer = client.get("/people", headers={**HTML, **bearer("keeper")})
    assert answer.status_code == 403
    assert "Only an administrator can" in answer.text
    assert "<h1>You cannot open this page</h1>" in answer.text
    assert "Ask a colleague with that role" in answer.text
    answer = client.post("/people", data={}, headers={**HTML, **bearer("keeper")})
    assert answer.status_code == 403
    assert "nothing was saved" in answer.text


def test_a_page_that_does_not_exist_is_said_to_be_none(client: TestClient) -> None:
    answer = client.get("/nowhere", headers=HTML)
    assert answer.status_code == 404
    assert "<h1>Page not found</h1>" in answer.text
    assert "There is no page /nowhere." in answer.text


def test_without_a_database_there_is_still_a_page(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def away(_work: Work, _operation: Callable[[Unit], object]) -> object:
        raise Unavailable("The database does not answer.")

    monkeypatch.setattr(Work, "read", away)
    answer = client.get("/stock", headers=HTML)
    assert answer.status_code == 503
    assert "The database does not answer." in answer.text
    assert "Wait a minute and try again." in answer.text
    assert answer.headers["Content-Security-Policy"]


@pytest.mark.parametrize(
    ("roles", "has", "lacks"),
    [
        (["nurse"], {"List day", "Stock", "Scanner check"}, {"People", "Import"}),
        (["storekeeper"], {"Stock", "Import"}, {"People", "Audit trail"}),
        (["administrator"], {"People", "Audit trail", "Import"}, set()),
        ([], set(), {"List day"}),
    ],
)
def test_the_links_are_those_somebody_may_open(
    client: TestClient, roles: list[str], has: set[str], lacks: set[str]
) -> None:
    links = links_for(client.app, roles, "/cases/HAR-0711/tray")  # type: ignore[arg-type] # FastAPI
    names = {one.name for one in links}
    assert has <= names
    assert not lacks & names
    assert {one.name for one in links if one.current} <= {"List day"}


def test_every_link_opens_a_page(client: TestClient) -> None:
    for link in links_for(client.app, list(ROLES), "/"):  # type: ignore[arg-type] # FastAPI
        assert client.get(link.path, headers=HTML).status_code == 200, link
