"""Signing in, staying in and getting out: who has no business here stays outside.

The numbers are those of OWASP ASVS 5.0; chapter 6 as it stood shortly before its release.
"""

import dataclasses
import json
import logging
import statistics
import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from http.cookies import SimpleCookie

import httpx
import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlalchemy import select, update

from service.api.health import JsonLines
from service.errors import Conflict
from service.main import create_app
from service.operations.demo import load_demo
from service.operations.people.accounts import digest_of_token, hash_secret
from service.operations.work import Work
from service.settings import Settings
from service.storage.tables import AuditLine, Person, Site, table_of
from tests.api.sent import API, CASE, everything
from tests.conftest import BEARER, FORM_TOKEN, NOW, SESSION, MakeDatabase
from tests.two_sites import add_site, add_somebody, bearer

PASSWORD = "correct horse battery staple"  # noqa: S105 - everybody knows it


PERSON = table_of(Person)


WRONG = "not the right one at all"


PIN = "204816"


@dataclasses.dataclass
class Clock:
    """A clock that a test moves on."""

    now: datetime = NOW

    def __call__(self) -> datetime:
        return self.now

    def on(self, **by: float) -> None:
        self.now += timedelta(**by)


@dataclasses.dataclass
class Desk:
    """A browser without a session, in front of the service."""

    app: FastAPI
    clock: Clock
    client: TestClient

    def enter(self, sign_in: str = "ward", password: str = PASSWORD, **more: str) -> httpx.Response:
        form = {"sign_in": sign_in, "password": password, **more}
        answer: httpx.Response = self.client.post(
            "/sign-in", data=form, headers={"Accept": "text/html"}
        )
        return answer

    def page(self, path: str = "/me") -> httpx.Response:
        answer: httpx.Response = self.client.get(path, headers={"Accept": "text/html"})
        return answer

    @property
    def work(self) -> Work:
        found = self.app.state.work
        assert isinstance(found, Work)
        return found

    def form_token(self) -> str:
        rows = everything(self.client)["sign_in"]
        kept = digest_of_token(self.client.cookies["traywright"])
        return str(next(row for row in rows if row[0] == kept)[2])


@pytest.fixture(scope="module")
def hashes() -> tuple[str, str]:
    return hash_secret(PASSWORD), hash_secret(PIN)


@pytest.fixture
def desk(make_database: MakeDatabase, hashes: tuple[str, str]) -> Iterator[Desk]:
    clock = Clock()
    app = create_app(Settings(database_url=make_database("sqlite", False)), clock)
    with TestClient(app, follow_redirects=False) as client:
        made = Desk(app, clock, client)
        add_somebody(
            made.work, "ward", ["nurse"], password_hash=hashes[0], pin_hash=hashes[1], name="Ward"
        )
        add_somebody(made.work, "gone", ["nurse"], password_hash=hashes[0], is_active=False)
        add_somebody(made.work, "chief", ["administrator"], password_hash=hashes[0])
        yield made


def _cookie(answer: httpx.Response) -> SimpleCookie:
    return SimpleCookie(answer.headers["set-cookie"])


def test_the_right_password_opens_a_session_and_a_wrong_one_does_not(desk: Desk) -> None:
    assert desk.page().headers["location"].startswith("/sign-in")
    assert desk.enter(password=WRONG).status_code == 401
    assert desk.page().status_code == 303
    assert desk.enter().status_code == 303
    assert "Ward" in desk.page().text


def test_a_wrong_name_a_wrong_password_and_a_closed_account_are_answered_alike(desk: Desk) -> None:
    """6.3.8: from the answer nobody learns which accounts exist."""
    said = {
        desk.enter(name, word).text.replace(name, "NAME")
        for name, word in (("ward", "wrong"), ("nobody", "wrong"), ("gone", PASSWORD))
    }
    assert len(said) == 1


def test_a_name_that_nobody_has_takes_as_long_as_a_wrong_password(desk: Desk) -> None:
    taken: dict[str, list[float]] = {"ward": [], "nobody": [], "gone": []}
    for _ in range(4):
        for name, seconds in taken.items():
            started = time.perf_counter()
            assert desk.enter(name, "wrong").status_code == 401
            seconds.append(time.perf_counter() - started)
    middle = [statistics.median(seconds) for seconds in taken.values()]
    # Without a hash for nobody it would be some milliseconds against a tenth of a second.
    assert max(middle) < 3 * min(middle)


def test_a_session_planted_by_somebody_else_is_never_taken_over(desk: Desk) -> None:
    """7.2.4: a new token at every sign-in, and the former session ends."""
    desk.client.cookies.set("traywright", "planted-by-somebody-else")
    assert desk.page().status_code == 303
    first = _cookie(desk.enter())["traywright"].value
    assert first != "planted-by-somebody-else"
    assert len(first) >= 43  # 256 bits in base64
    desk.client.cookies.clear()
    desk.client.cookies.set("traywright", first)
    second = _cookie(desk.enter(form_token=desk.form_token()))["traywright"].value
    assert second != first
    desk.client.cookies.clear()
    desk.client.cookies.set("traywright", first)
    assert desk.page().status_code == 303


def test_an_idle_session_is_locked_and_the_pin_opens_it(desk: Desk) -> None:
    desk.enter()
    desk.clock.on(minutes=14)
    assert desk.page().status_code == 200
    desk.clock.on(minutes=16)
    locked = desk.page()
    assert (locked.status_code, "locked=true" in locked.headers["location"]) == (303, True)
    assert desk.client.get(f"{API}/me").status_code == 401
    assert desk.client.post("/sign-in/pin", data={"pin": "111222"}).status_code == 401
    assert desk.page().status_code == 303
    locked_token = desk.client.cookies["traywright"]
    assert desk.client.post("/sign-in/pin", data={"pin": PIN}).status_code == 303
    assert desk.page().status_code == 200
    # 7.2.4: coming back is a new token, too.
    assert desk.client.cookies["traywright"] != locked_token
    desk.client.cookies.clear()
    desk.client.cookies.set("traywright", locked_token)
    assert desk.page().headers["location"] == "/sign-in?next=%2Fme"


def test_a_pin_without_its_session_opens_nothing(desk: Desk) -> None:
    assert desk.client.post("/sign-in/pin", data={"pin": PIN}).status_code == 401
    desk.client.cookies.set("traywright", "no-such-session")
    assert desk.client.post("/sign-in/pin", data={"pin": PIN}).status_code == 401


def test_wrong_pins_are_throttled(desk: Desk) -> None:
    desk.enter()
    desk.clock.on(minutes=16)
    tries = [desk.client.post("/sign-in/pin", data={"pin": "111222"}) for _ in range(6)]
    assert [one.status_code for one in tries] == [401] * 5 + [429]
    assert desk.client.post("/sign-in/pin", data={"pin": PIN}).status_code == 429


def test_a_session_ends_after_its_hours_however_busy_it_was(desk: Desk) -> None:
    desk.enter()
    for _ in range(12 * 6 - 1):
        desk.clock.on(minutes=10)
        assert desk.page().status_code == 200
    desk.clock.on(minutes=10)
    over = desk.page()
    assert (over.status_code, "locked" in over.headers["location"]) == (303, False)
    assert desk.client.post("/sign-in/pin", data={"pin": PIN}).status_code == 401


def test_signing_out_ends_the_session_and_has_the_browser_forget_its_pages(desk: Desk) -> None:
    desk.enter()
    token = desk.client.cookies["traywright"]
    assert desk.page().headers["cache-control"] == "no-store"
    left = desk.client.post("/sign-out", data={"form_token": desk.form_token()})
    assert left.headers["clear-site-data"] == '"cache"'
    assert _cookie(left)["traywright"]["max-age"] == "0"
    desk.client.cookies.set("traywright", token)
    assert desk.page().status_code == 303


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(desk: Desk) -> None:
    morsel = _cookie(desk.enter())["traywright"]
    assert morsel["httponly"]
    assert (morsel["samesite"].lower(), morsel["path"], morsel["domain"]) == ("lax", "/", "")


def test_behind_tls_the_cookie_is_bound_to_host_and_tls(desk: Desk) -> None:
    # RFC 6265bis, 4.1.3.2: __Host- asks for Secure, Path=/ and no Domain.
    with TestClient(desk.app, base_url="https://testserver", follow_redirects=False) as client:
        answer = client.post("/sign-in", data={"sign_in": "ward", "password": PASSWORD})
        morsel = _cookie(answer)["__Host-traywright"]
        assert morsel["secure"]
        assert (morsel["path"], morsel["domain"]) == ("/", "")
        token = morsel.value
        assert client.get("/me").status_code == 200
        client.cookies.clear()
        client.cookies.set("traywright", token)
        assert client.get("/me").status_code == 401


def test_five_wrong_tries_close_an_account_for_a_while(desk: Desk) -> None:
    """6.3.1: against guessing; the right password does not help while the wait lasts."""
    assert [desk.enter(password=WRONG).status_code for _ in range(5)] == [401] * 5
    closed = desk.enter()
    assert closed.status_code == 429
    assert 0 < int(closed.headers["retry-after"]) <= 15 * 60
    assert "Too many wrong attempts. Wait 15 minutes" in closed.text
    assert desk.enter("chief").status_code == 303


def test_a_right_sign_in_clears_the_count(desk: Desk) -> None:
    for _ in range(2):
        assert [desk.enter(password=WRONG).status_code for _ in range(4)] == [401] * 4
        assert desk.enter().status_code == 303
        desk.client.cookies.clear()


def test_many_names_from_one_address_are_throttled_too(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.operations.people.sign_in.is_secret", lambda *_: False)
    tries = [desk.enter(f"name-{number}", "wrong").status_code for number in range(31)]
    assert tries == [401] * 30 + [429]


@pytest.mark.parametrize(
    "target",
    [
        "//evil.example",
        "https://evil.example",
        "/\\evil.example",
        "\\\\evil.example",
        "evil",
        "/\t/evil.example",
        "/\n/evil.example",
        "/sign-in",
    ],
)
def test_signing_in_never_leads_to_another_site(desk: Desk, target: str) -> None:
    assert desk.enter(next=target).headers["location"] == "/"


def test_signing_in_leads_back_to_the_page_that_was_wanted(desk: Desk) -> None:
    wanted = desk.page("/stock").headers["location"]
    assert httpx.URL(wanted).params["next"] == "/stock"
    assert desk.enter(next="/stock").headers["location"] == "/stock"


SIGNED_IN = {"Cookie": f"traywright={SESSION}"}


FORM = {**{name: str(value) for name, value in CASE.items()}, "version": "1"}


@pytest.mark.parametrize("sent", [None, "", "wrong", FORM_TOKEN[:-1], FORM_TOKEN + "x"])
def test_a_form_without_its_token_changes_nothing(desk: Desk, sent: str | None) -> None:
    """3.5.1: requests from other sites are refused."""
    before = everything(desk.client)
    form = FORM if sent is None else {**FORM, "form_token": sent}
    assert desk.client.post("/cases/new", data=form, headers=SIGNED_IN).status_code == 403
    api = desk.client.post(f"{API}/cases", json=CASE, headers=SIGNED_IN)
    assert api.status_code == 403
    assert everything(desk.client) == before


def test_a_form_from_another_origin_changes_nothing(desk: Desk) -> None:
    before = everything(desk.client)
    for origin in ("https://evil.example", "null", "http://testserver.evil.example"):
        headers = {**SIGNED_IN, "Origin": origin}
        form = {**FORM, "form_token": FORM_TOKEN}
        assert desk.client.post("/cases/new", data=form, headers=headers).status_code == 403
        # Signing somebody in as somebody else is a change, too.
        entered = desk.client.post("/sign-in", data={"sign_in": "ward"}, headers={"Origin": origin})
        assert entered.status_code == 403
    assert everything(desk.client) == before


def test_our_own_form_with_its_token_is_taken(desk: Desk) -> None:
    headers = {**SIGNED_IN, "Origin": "http://testserver"}
    taken = desk.client.post("/cases/new", data={**FORM, "form_token": FORM_TOKEN}, headers=headers)
    assert taken.status_code == 303, taken.text
    sent = desk.client.post(
        f"{API}/cases",
        json={**CASE, "reference": "K-2"},
        headers={**headers, "X-Form-Token": FORM_TOKEN},
    )
    assert sent.status_code == 201, sent.text


def test_a_token_needs_no_form(desk: Desk) -> None:
    assert desk.client.post(f"{API}/cases", json=CASE, headers=BEARER).status_code == 201


def test_the_form_token_of_one_session_is_of_no_use_in_another(desk: Desk) -> None:
    desk.enter()
    sent = desk.client.post("/me/pin", data={"pin": "314159", "form_token": FORM_TOKEN})
    assert sent.status_code == 403


def _make_token(desk: Desk, **changes: object) -> httpx.Response:
    body = {"name": "scanner", "sign_in": "tester", "scopes": ["nurse"], "days": 1, **changes}
    answer: httpx.Response = desk.client.post(f"{API}/tokens", json=body, headers=BEARER)
    return answer


def test_a_token_may_do_less_than_its_person(desk: Desk) -> None:
    made = _make_token(desk).json()
    headers = {"Authorization": f"Bearer {made['token']}"}
    assert desk.client.get(f"{API}/me", headers=headers).json()["roles"] == ["nurse"]
    assert desk.client.get(f"{API}/people", headers=headers).status_code == 403
    assert _make_token(desk, sign_in="ward", scopes=["surgeon"]).status_code == 422


def test_a_token_ends_and_can_be_revoked(desk: Desk) -> None:
    made = _make_token(desk).json()
    headers = {"Authorization": f"Bearer {made['token']}"}
    assert desk.client.get(f"{API}/me", headers=headers).status_code == 200
    assert desk.client.delete(f"{API}/tokens/{made['id']}", headers=BEARER).status_code == 200
    assert desk.client.get(f"{API}/me", headers=headers).status_code == 401
    other = {"Authorization": f"Bearer {_make_token(desk).json()['token']}"}
    desk.clock.on(days=1)
    assert desk.client.get(f"{API}/me", headers=other).status_code == 401


def test_a_token_follows_what_its_person_loses(desk: Desk) -> None:
    assert desk.client.get(f"{API}/people", headers=bearer("chief")).status_code == 200
    body = {"name": "Chief", "roles": ["nurse"], "is_active": True}
    url = f"{API}/people/chief"
    assert desk.client.put(url, json=body, headers={**BEARER, "If-Match": '"1"'}).is_success
    assert desk.client.get(f"{API}/people", headers=bearer("chief")).status_code == 403
    closed = {**body, "is_active": False}
    assert desk.client.put(url, json=closed, headers={**BEARER, "If-Match": '"2"'}).is_success
    assert desk.client.get(f"{API}/me", headers=bearer("chief")).status_code == 401


def test_a_token_is_shown_once_and_kept_as_a_digest(desk: Desk) -> None:
    secret = _make_token(desk).json()["token"]
    kept = everything(desk.client)
    assert secret not in repr(kept)
    assert digest_of_token(secret) in repr(kept["api_token"])
    assert secret not in desk.client.get(f"{API}/tokens", headers=BEARER).text


def test_a_new_password_ends_sessions_and_tokens(desk: Desk) -> None:
    desk.enter()
    assert desk.client.get(f"{API}/me", headers=bearer("ward")).status_code == 200
    new = {"password": "a wholly other sentence"}
    assert desk.client.put(f"{API}/people/ward/password", json=new, headers=BEARER).is_success
    assert desk.page().status_code == 303
    assert desk.client.get(f"{API}/me", headers=bearer("ward")).status_code == 401
    assert desk.enter().status_code == 401
    assert desk.enter(password=new["password"]).status_code == 303


def test_the_last_administrator_stays_one(desk: Desk) -> None:
    match = {**BEARER, "If-Match": '"1"'}
    body = {"name": "x", "roles": ["nurse"], "is_active": True}
    assert desk.client.put(f"{API}/people/chief", json=body, headers=match).status_code == 200
    for last in (body, {**body, "roles": ["administrator"], "is_active": False}):
        answer = desk.client.put(f"{API}/people/tester", json=last, headers=match)
        assert (answer.status_code, "last administrator" in answer.text) == (409, True)


@pytest.mark.parametrize(
    "password",
    ["", "short", "eleven char", "aaaaaaaaaaaaaaaa", "abababababab", "my name is jo-smith"],
)
def test_a_weak_password_is_refused(desk: Desk, password: str) -> None:
    """6.2.1 and 6.2.5: length counts, not rules of composition."""
    body = {"sign_in": "jo-smith", "name": "Jo Smith", "roles": ["nurse"], "password": password}
    before = everything(desk.client)
    assert desk.client.post(f"{API}/people", json=body, headers=BEARER).status_code == 422
    assert everything(desk.client) == before


def test_a_long_password_without_digits_is_taken_whole(desk: Desk) -> None:
    """6.2.8 and 6.2.9: up to 64 letters at least, none cut off, spaces and all."""
    long = "  ein langer Satz mit Umlauten äöü und Leerzeichen am Ende, siebzig  "
    body = {"sign_in": "jo", "name": "Jo", "roles": ["nurse"], "password": long}
    assert desk.client.post(f"{API}/people", json=body, headers=BEARER).status_code == 201
    assert desk.enter("jo", long[:-1]).status_code == 401
    assert desk.enter("jo", long).status_code == 303


@pytest.mark.parametrize("pin", ["111111", "121212", "12345", "12345a", "1234567890123"])
def test_a_weak_pin_is_refused(desk: Desk, pin: str) -> None:
    answer = desk.client.put(f"{API}/me/pin", json={"pin": pin}, headers=BEARER)
    assert answer.status_code == 422


def test_accounts_of_the_demo_outside_a_demo_keep_the_service_from_starting(
    make_database: MakeDatabase,
) -> None:
    url = make_database("sqlite", True)
    work = Work(Settings(database_url=url), lambda: NOW)
    with TestClient(create_app(work.settings, lambda: NOW)) as client:
        assert client.get("/livez").status_code == 200
    work.write(lambda unit: unit.session.execute(update(table_of(Site)).values(is_demo=False)))
    work.close()
    app = create_app(work.settings, lambda: NOW)
    with (
        pytest.raises(Conflict, match="demo accounts at a site that is not the demo"),
        TestClient(app),
    ):
        pass


def test_a_second_hospital_with_the_demos_accounts_does_not_start_either(
    make_database: MakeDatabase,
) -> None:
    work = Work(Settings(database_url=make_database("sqlite", False)), lambda: NOW)

    work.write(lambda unit: load_demo(unit, work.settings.seed_folder))
    site_id = add_site(work)
    work.write(
        lambda unit: unit.session.execute(
            update(PERSON).where(PERSON.c.sign_in == "nurse").values(site_id=site_id)
        )
    )
    work.close()
    app = create_app(work.settings, lambda: NOW)
    with pytest.raises(Conflict, match="demo accounts"), TestClient(app):
        pass


def test_secrets_stand_in_no_log_no_audit_line_no_kept_answer_and_no_error(desk: Desk) -> None:
    lines: list[str] = []

    class Kept(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            # The test's own client says what it sends.
            if not record.name.startswith("httpx"):
                lines.append(JsonLines().format(record))

    handler, root = Kept(), logging.getLogger()
    level = root.level
    root.addHandler(handler)
    root.setLevel(logging.DEBUG)
    new, pin, wrong = "a wholly other sentence", "864202", "not quite the right one"
    key = {"Idempotency-Key": "key-of-a-secret-1"}
    said = []
    try:
        token = _make_token(desk).json()["token"]
        said += [
            desk.enter(password=wrong),
            desk.enter(),
            desk.client.get(f"{API}/people?password={wrong}", headers=BEARER),
            desk.client.put(f"{API}/me/pin", json={"pin": pin}, headers={**BEARER, **key}),
            desk.client.put(f"{API}/me/pin", json={"pin": f"{pin}x"}, headers=BEARER),
            desk.client.put(
                f"{API}/people/ward/password", json={"password": new}, headers={**BEARER, **key}
            ),
            desk.client.put(f"{API}/people/ward/password", json={"pass": new}, headers=BEARER),
            desk.client.post(f"{API}/people", json={"password": new}, headers={**BEARER, **key}),
            desk.client.get(f"{API}/me", headers={"Authorization": f"Bearer {wrong}"}),
        ]
    finally:
        root.removeHandler(handler)
        root.setLevel(level)
    secrets = (
        new,
        pin,
        wrong,
        PASSWORD,
        token,
        SESSION,
        FORM_TOKEN,
        desk.client.cookies["traywright"],
    )
    kept = everything(desk.client)
    kept["audit_line"] = desk.work.read(
        lambda unit: [tuple(row) for row in unit.session.execute(select(table_of(AuditLine)))]
    )
    assert len(kept["audit_line"]) >= 4
    assert any(json.loads(line)["message"] == "request" for line in lines)
    # The form token is in the table of sessions, and nowhere else.
    kept.pop("sign_in")
    for secret in secrets:
        assert secret not in "".join(lines)
        assert secret not in repr(kept)
        assert all(secret not in one.text for one in said)


def test_a_pin_sent_twice_with_one_key_is_the_second_one(desk: Desk) -> None:
    """A PIN is not kept beside a key, so a key must not answer for another PIN."""
    key = {**BEARER, "Idempotency-Key": "key-of-a-pin-1"}
    for pin in ("204816", "314159"):
        assert desk.client.put(f"{API}/me/pin", json={"pin": pin}, headers=key).is_success
    desk.client.cookies.set("traywright", SESSION, domain="testserver.local")
    desk.clock.on(minutes=16)
    assert desk.client.post("/sign-in/pin", data={"pin": "204816"}).status_code == 401
    assert desk.client.post("/sign-in/pin", data={"pin": "314159"}).status_code == 303


def test_every_token_and_session_belongs_to_somebody(desk: Desk) -> None:
    kept = everything(desk.client)
    people = {row[0] for row in kept["person"]}
    assert {row[2] for row in kept["api_token"]} <= people
