"""An open page hears of what others do, and moves nothing under anybody's hand."""

import threading
import time
import uuid

import httpx
from playwright.sync_api import Page, expect

from tests.browser.conftest import OpenPage
from tests.browser.live import served
from tests.browser.wedge import label, scan
from tests.conftest import BEARER, SESSION, MakeDatabase

TRAY = "/cases/HAR-0711/tray"


NAIL = ("CIN-N-130-10-180", "310322", "C26M0076")


#: What is waited for: the feed looks every second, a page refreshes 4 s apart at the most.
SOON = 8_000


def _bring(site: str, ref: str, lot: str) -> None:
    """Bring a pack as another program would."""
    answer = httpx.post(
        f"{site}/api/v1/cases/HAR-0711/packs",
        json={"ref": ref, "lot": lot},
        headers={**BEARER, "Idempotency-Key": uuid.uuid4().hex},
    )
    assert answer.status_code < 300, answer.text


def _banner(page: Page) -> str:
    return page.locator("#live").inner_text()


def test_two_browsers_on_one_unit_the_second_sees_it_go(open_page: OpenPage, own_site: str) -> None:
    first, second = open_page(own_site + TRAY), open_page(own_site + TRAY)
    row = second.locator("#tray li").filter(has_text="C26M0076")
    expect(second.locator("#bring").get_by_text("C26M0076", exact=True)).to_be_visible()
    field = second.get_by_label("Scan or type code")
    field.fill("half a co")
    second.evaluate("scrollTo(0, 300)")
    scan(first, label(*NAIL))
    expect(first.get_by_role("heading", name="On the tray: 1")).to_be_visible()

    expect(second.locator("#bring").get_by_text("C26M0076", exact=True)).to_have_count(
        0, timeout=SOON
    )
    expect(second.get_by_role("heading", name="On the tray: 1")).to_be_visible()
    expect(row).to_have_count(1)
    assert "Stock changed at 07:00" in _banner(second)
    # Focus, what was typed and the place on the page stay as they were.
    expect(field).to_be_focused()
    expect(field).to_have_value("half a co")
    assert second.evaluate("scrollY") > 100
    field.fill("")
    scan(second, label(*NAIL))
    expect(second.locator("[data-verdict]")).to_contain_text("Scanned already")
    # Nobody is told of what they did themselves.
    assert _banner(first).strip() == ""


def test_no_row_moves_under_a_hand(open_page: OpenPage, own_site: str) -> None:
    page = open_page(own_site + TRAY)
    row = page.locator("#bring").get_by_text("C26M0076", exact=True)
    page.mouse.move(300, 500)
    page.mouse.down()
    _bring(own_site, "CIN-N-130-10-180", "C26M0076")
    expect(page.locator("#live")).to_contain_text("Stock changed at 07:00.", timeout=SOON)
    page.wait_for_timeout(1300)
    expect(row).to_be_visible()
    page.mouse.up()
    expect(row).to_have_count(0, timeout=SOON)

    # With the focus on a row it stays, until its person asks for the change. A fresh page does not
    # wait for the time between two refreshes.
    page.reload()
    blade = page.get_by_role("button", name="Label checked CIN-B-075, C28P0025")
    blade.focus()
    _bring(own_site, "CIN-E-00", "C28W0042")
    show = page.get_by_role("button", name="Show it")
    expect(show).to_be_visible(timeout=SOON)
    cap = page.locator("#bring").get_by_text("C28W0042", exact=True)
    page.wait_for_timeout(1300)
    expect(cap).to_be_visible()
    expect(blade).to_be_focused()
    show.press("Enter")
    expect(cap).to_have_count(0)


def test_a_hidden_tab_closes_its_stream_and_asks_again_when_it_is_seen(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + "/figures")
    turn = (
        "value => { Object.defineProperty(document, 'hidden', {value, configurable: true});"
        " document.dispatchEvent(new Event('visibilitychange')); }"
    )
    with page.expect_request("**/live"):
        page.reload()
    with page.expect_event("requestfailed", lambda request: request.url.endswith("/live")):
        page.evaluate(turn, True)
    with page.expect_request("**/live"):
        page.evaluate(turn, False)


def test_without_a_stream_the_page_asks_now_and_then(open_page: OpenPage, own_site: str) -> None:
    page = open_page(own_site + "/scanner")
    page.add_init_script("delete window.EventSource")
    page.clock.install()
    page.goto(own_site + TRAY)
    with page.expect_response("**/live/version") as same:
        page.clock.fast_forward(16_000)
    # Nothing has changed: RFC 9110, 15.4.5.
    assert same.value.status == 304
    _bring(own_site, "CIN-N-130-10-180", "C26M0076")
    with page.expect_response("**/live/version") as changed:
        page.clock.fast_forward(16_000)
    assert changed.value.status == 200
    page.clock.run_for(6_000)
    expect(page.locator("#bring").get_by_text("C26M0076", exact=True)).to_have_count(0)


def test_a_server_that_stops_closes_its_streams_at_once(make_database: MakeDatabase) -> None:
    heard: list[str] = []

    def listen(address: str) -> None:
        headers = {"Accept": "text/event-stream"}
        cookies = {"traywright": SESSION}
        with (
            httpx.Client(cookies=cookies, timeout=30) as client,
            client.stream("GET", f"{address}/live", headers=headers) as stream,
        ):
            heard.extend(stream.iter_lines())

    with served(make_database("sqlite", False)) as address:
        listener = threading.Thread(target=listen, args=(address,))
        listener.start()
        until = time.monotonic() + 10
        while not any(line.startswith("data:") for line in heard) and time.monotonic() < until:
            time.sleep(0.05)
        stopped = time.monotonic()
    assert time.monotonic() - stopped < 3
    listener.join(5)
    assert "event: leave" in heard
