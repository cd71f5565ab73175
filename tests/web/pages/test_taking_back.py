"""Recalls that are lifted and codes that are taken back on their pages, with a reason."""

import re
from html import unescape
from typing import Any

from fastapi.testclient import TestClient

from service.operations.work import Work
from tests.conftest import app_on
from tests.two_sites import add_site, add_somebody, bearer

HTML = {"Accept": "text/html"}

#: GTIN with a right check digit (GS1 General Specifications, 7.9) that the demo has not.
GTIN = "02910000009997"


def _once(client: TestClient, path: str) -> str:
    found = re.search(r'name="once" value="([^"]+)"', client.get(path, headers=HTML).text)
    assert found
    return found.group(1)


def _post(client: TestClient, path: str, **values: str) -> Any:  # noqa: ANN401 - httpx is not ours
    return client.post(path, data=values, headers=HTML, follow_redirects=False)


def test_a_recall_is_lifted_on_its_page_with_a_reason(demo_client: TestClient) -> None:
    notice = {"notice": "N-1", "ref": "AMB-L-090", "reason": "cracks", "quarantine": False}
    assert demo_client.post("/api/v1/recalls", json=notice).is_success
    once = _once(demo_client, "/recalls/N-1")
    empty = _post(demo_client, "/recalls/lift", notice="N-1", once=once)
    assert empty.status_code == 422
    assert "still in force" in empty.text
    assert 'href="#field-reason"' in empty.text
    done = _post(demo_client, "/recalls/lift", notice="N-1", once=once, reason="withdrawn")
    assert done.status_code == 303
    said = unescape(demo_client.get(done.headers["location"], headers=HTML).text)
    assert "Recall withdrawn. Packs in quarantine stay there" in said
    assert "tester (tests): withdrawn" in said
    assert 'action="/recalls/lift"' not in said


def test_another_site_sees_whose_a_recall_is_and_has_no_form_to_lift_it(demo_work: Work) -> None:
    add_somebody(demo_work, "stan", ["storekeeper"])
    add_somebody(demo_work, "olga", ["storekeeper"], add_site(demo_work))
    notice = {"notice": "N-1", "ref": "AMB-L-090", "reason": "cracks", "quarantine": False}
    with TestClient(app_on(demo_work.settings.database_url)) as client:
        assert client.post("/api/v1/recalls", json=notice, headers=bearer("stan")).is_success
        page = client.get("/recalls/N-1", headers={**bearer("olga"), **HTML}).text
        assert "started this recall; only" in page
        assert 'action="/recalls/lift"' not in page
        lift = {"reason": "withdrawn"}
        path = "/api/v1/recalls/N-1/lift"
        assert client.post(path, json=lift, headers=bearer("olga")).status_code == 403
        assert client.post(path, json=lift, headers=bearer("stan")).status_code == 200


def test_a_code_is_taken_back_on_the_page_of_its_item(demo_client: TestClient) -> None:
    body = {"raw": f"(01){GTIN}(17)330101(10)L1", "ref": "AMB-L-090"}
    assert demo_client.post("/api/v1/item_codes", json=body).status_code == 201
    page = demo_client.get("/items/AMB-L-090", headers=HTML).text
    assert GTIN in page
    once = _once(demo_client, "/items/AMB-L-090")
    facts = {"ref": "AMB-L-090", "code": GTIN, "once": once}
    empty = _post(demo_client, "/items/codes/unlearn", **facts)
    assert empty.status_code == 422
    assert 'href="#field-reason"' in empty.text
    done = _post(demo_client, "/items/codes/unlearn", **facts, reason="another pack in hand")
    assert done.status_code == 303
    said = demo_client.get("/items/AMB-L-090", headers=HTML).text
    assert "another pack in hand" in said
    assert 'action="/items/codes/unlearn"' not in said
    known = demo_client.get("/api/v1/item_codes", params={"ref": "AMB-L-090"}).json()
    assert known["known"] == []
    assert [one["code"] for one in known["unlearned"]] == [GTIN]


def test_codes_are_taken_back_by_whoever_keeps_the_stock_only(demo_work: Work) -> None:
    for role in ("nurse", "storekeeper"):
        add_somebody(demo_work, f"only-{role}", [role])
    body = {"raw": f"(01){GTIN}(17)330101(10)L1", "ref": "AMB-L-090"}
    path = f"/api/v1/item_codes/{GTIN}/unlearn"
    with TestClient(app_on(demo_work.settings.database_url)) as client:
        taught = client.post("/api/v1/item_codes", json=body, headers=bearer("only-nurse"))
        assert taught.status_code == 201
        reason = {"reason": "another pack in hand"}
        assert client.post(path, json=reason, headers=bearer("only-nurse")).status_code == 403
        assert client.post(path, json=reason, headers=bearer("only-storekeeper")).status_code == 200


def test_a_file_that_changes_lines_cases_rest_on_asks_first(demo_client: TestClient) -> None:
    """Coming cases count on this lag screw: its length is no small matter."""
    item = demo_client.get("/api/v1/items/AMB-L-090").json()
    columns = [
        name
        for name in ("ref", "kind", "system", "description", "supplier", "supplied_sterile")
        if item[name] is not None
    ]
    cells = [str(item[name]) for name in columns]
    cells[columns.index("supplied_sterile")] = "yes"
    text = ",".join([*columns, "reusable", "length_mm"])
    text += "\n" + ",".join([*cells, "no", "95"]) + "\n"
    files = {"file": ("catalogue.csv", text.encode(), "text/csv")}
    first = demo_client.post("/import", data={"format": "catalogue"}, files=files, headers=HTML)
    assert first.status_code == 422
    found = re.search(r'name="acknowledge" value="([^"]+)"', first.text)
    assert found, first.text
    assert demo_client.get("/api/v1/items/AMB-L-090").json()["length_mm"] == 90
    data = {"format": "catalogue", "acknowledge": found.group(1)}
    second = demo_client.post("/import", data=data, files=files, headers=HTML)
    assert second.status_code == 200, second.text
    assert demo_client.get("/api/v1/items/AMB-L-090").json()["length_mm"] == 95
