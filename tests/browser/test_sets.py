"""The whole life of a set as people see it: opened, counted on, late, sterile again."""

from collections.abc import Iterator
from datetime import datetime, timedelta

import pytest
from playwright.sync_api import expect

from service.operations.work import Work
from service.settings import Settings
from tests.browser.axe import violations
from tests.browser.conftest import OpenPage
from tests.browser.live import served
from tests.conftest import NOW, MakeDatabase
from tests.small_theatre import BACKUP, PRIMARY, Theatre, furnish

#: What is waited for: the feed looks every second, a page refreshes 4 s apart at the most.
SOON = 12_000


class _Clock:
    """A clock that the test moves."""

    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def clock() -> _Clock:
    return _Clock()


@pytest.fixture
def site(
    make_database: MakeDatabase, clock: _Clock, monkeypatch: pytest.MonkeyPatch
) -> Iterator[str]:
    """A department with one nail set: K1 from 07:00 to 08:00 has it in theatre, K2 starts at 14:00.

    The set is away for 240 minutes.
    """
    # The clock jumps further than anybody is let sit idle.
    monkeypatch.setenv("TRAYWRIGHT_IDLE_MINUTES", "240")
    url = make_database("sqlite", False)
    work = Work(Settings(database_url=url), clock)
    furnish(work)
    theatre = Theatre(work)
    for ref in ("NAIL", "CAP", "SET"):
        theatre.receive(ref, 1 if ref == "SET" else 4)
    for reference, hour in (("K1", 7), ("K2", 14)):
        theatre.add_case(reference, day=NOW.date(), hour=hour)
        theatre.plan(reference, PRIMARY, BACKUP)
    theatre.pick("K1", "SET")
    theatre.status("K1", "in_theatre")
    work.close()
    with served(url, clock) as address:
        yield address


def test_a_set_is_opened_is_late_and_is_scanned_out_again(
    open_page: OpenPage, site: str, clock: _Clock
) -> None:
    case = open_page(f"{site}/cases/K2")
    state = case.locator("#case-state .state")
    # It ends at 08:00 and the set is away for four hours.
    expect(state).to_have_text("◔ covered if")
    expect(case.locator("#case-state")).to_contain_text(
        "Covered if SET L1 is back by 14:00 (expected 12:00, after K1)."
    )
    assert violations(case) == []

    # Nobody sends it away before 11:00: it cannot be back by 14:00.
    clock.now = NOW + timedelta(hours=3, minutes=30)
    tray = open_page(f"{site}/cases/K1/tray")
    offered = tray.locator("#tray li").filter(has_text="SET").get_by_role("link")
    expect(offered).to_contain_text(["Read out", "Opened: reprocess", "Unopened: return"])
    tray.get_by_role("link", name="Opened: reprocess").click()
    tray.get_by_role("button", name="Yes, to be reprocessed").click()
    expect(tray.get_by_role("status")).to_contain_text("sent to be reprocessed")
    expect(state).to_have_text("○ not covered", timeout=SOON)
    expect(case.locator("#case-state")).to_contain_text("14:30")

    tray.get_by_role("button", name="Close the case").click()
    expect(tray.get_by_text("This case is closed")).to_be_visible()

    # Sterile services were faster than their figure.
    clock.now = NOW + timedelta(hours=5)
    sets = open_page(f"{site}/sets")
    row = sets.get_by_role("row").filter(has_text="L1")
    expect(row).to_contain_text("being reprocessed")
    expect(row).to_contain_text("since Mon 3 Mar, 10:30, after K1")
    expect(row).to_contain_text("expected Mon 3 Mar, 14:30")
    sets.get_by_role("link", name="Scan out of sterilisation SET, L1").click()
    sets.get_by_label("Steriliser, cycle, load").fill("Steriliser 2, cycle 118")
    sets.get_by_role("button", name="Sterile: back on its shelf").click()
    expect(sets.get_by_role("status")).to_contain_text("SET, L1 is sterile and on its shelf")
    expect(sets.get_by_role("row").filter(has_text="L1")).to_contain_text("sterile, ready")
    expect(state).to_have_text("● covered", timeout=SOON)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_covered_if_looks_neither_covered_nor_missing(
    open_page: OpenPage, site: str, scheme: str
) -> None:
    page = open_page(f"{site}/cases/K2", color_scheme=scheme)
    colours = page.evaluate(
        """() => Object.fromEntries(
            ['covered', 'covered-if', 'partly-covered', 'not-covered'].map(name => {
                const one = document.createElement('span');
                one.className = 'state ' + name;
                document.querySelector('main').append(one);
                return [name, getComputedStyle(one).color];
            }))"""
    )
    assert len(set(colours.values())) == 4
    red, green, blue = (int(part) for part in colours["covered-if"][4:-1].split(","))
    # Blue leads: neither green nor red does.
    assert blue > red
    assert blue > green


def test_covered_if_keeps_its_shape_and_border_without_colours(
    open_page: OpenPage, site: str
) -> None:
    page = open_page(f"{site}/cases/K2", forced_colors="active")
    state = page.locator("#case-state .state")
    expect(state).to_have_text("◔ covered if")
    expect(state).to_have_css("border-top-style", "dashed")


@pytest.mark.parametrize("path", ["/sets", "/cases/K1/tray", "/cases/K2/pick-list"])
def test_the_pages_of_a_set_can_be_read_by_everybody(
    open_page: OpenPage, site: str, path: str
) -> None:
    for scheme in ("light", "dark"):
        page = open_page(site + path, width=320, color_scheme=scheme)
        assert violations(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= 320
