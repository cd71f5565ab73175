"""The tray on a phone, among packs: what stays in sight, where the focus is, what is announced."""

from playwright.sync_api import Page, expect

from tests.browser.conftest import OpenPage
from tests.browser.wedge import label, scan

TRAY = "/cases/HAR-0711/tray"


NAIL = ("CIN-N-130-10-180", "310322", "C26M0076")


WRONG_SIDE = ("AMB-N-130-11-300-R", "310308", "A26M0353")


#: A phone of today in CSS pixels.
PHONE = 390


def test_case_side_and_field_stay_in_sight_and_the_last_verdict_with_them(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + TRAY, width=PHONE)
    last = page.locator("[data-last]")
    scan(page, label(*NAIL))
    expect(page.locator("[data-verdict]")).to_be_in_viewport()
    expect(last).to_be_hidden()  # the verdict itself stands right under the field
    page.evaluate("scrollTo(0, 1800)")
    for one in (page.get_by_role("heading", level=1), page.get_by_label("Scan or type code")):
        expect(one).to_be_in_viewport(ratio=1)
    expect(page.get_by_role("heading", level=1)).to_contain_text("HAR-0711 left")
    expect(last).to_be_in_viewport(ratio=1)
    expect(last).to_have_text(
        "● Right pack: Cindermoor short nail for a helical blade 10 × 180 mm, 130°"
    )
    # A refusal is read before the next pack is scanned, wherever the list is.
    scan(page, label(*WRONG_SIDE))
    expect(page.locator("[data-verdict]").first.get_by_role("heading")).to_be_in_viewport(ratio=1)
    expect(page.get_by_label("Scan or type code")).to_be_focused()
    page.get_by_role("link", name="OK, next pack").click()
    expect(page.locator("[data-verdict]")).to_have_count(0)
    expect(page.get_by_label("Scan or type code")).to_be_focused()
    expect(page.get_by_label("Scan or type code")).to_be_in_viewport(ratio=1)


#: Where what has the focus lies between what is pinned above and below; WCAG 2.2, 2.4.11.
_IN_SIGHT = """() => {
    const one = document.activeElement, box = one.getBoundingClientRect();
    const pinned = document.querySelector(".pinned"), bar = document.querySelector(".act-bar");
    const top = pinned.contains(one) || one.closest("body > header, .skip")
        ? 0 : pinned.getBoundingClientRect().bottom;
    const bottom = bar && !bar.contains(one) ? bar.getBoundingClientRect().top : innerHeight;
    return [one.outerHTML.slice(0, 120), box.top >= top - 1 && box.bottom <= bottom + 1];
}"""


def _unseen_at(page: Page, key: str, times: int) -> list[str]:
    found = []
    for _ in range(times):
        page.keyboard.press(key)
        what, in_sight = page.evaluate(_IN_SIGHT)
        if not in_sight:
            found.append(what)
    return found


def test_the_focus_is_never_hidden_by_what_is_pinned(open_page: OpenPage, own_site: str) -> None:
    page = open_page(own_site + TRAY, width=PHONE)
    # A pack on the tray brings the bar at the foot; Tab stops scanning, a slow key is no scanner.
    page.get_by_role("button", name="Label checked CIN-IS, CIN-IS-1").press("Enter")
    expect(page.get_by_role("button", name="Into theatre")).to_be_visible()
    assert _unseen_at(page, "Tab", 20) == []
    assert _unseen_at(page, "Shift+Tab", 20) == []
    page.evaluate("scrollTo(0, 1500)")
    assert _unseen_at(page, "Tab", 3) == []


def test_each_verdict_is_announced_once(open_page: OpenPage, own_site: str) -> None:
    page = open_page(own_site + TRAY)
    page.evaluate(
        """() => {
            window.heard = [];
            const live = '[role=alert], [role=status], [aria-live]';
            new MutationObserver(changes => {
                for (const change of changes) for (const one of change.addedNodes) {
                    if (one.nodeType === 1 && one.matches(live)) heard.push(one.textContent);
                    else if (change.target.closest(live)) heard.push(one.textContent);
                }
            }).observe(document.body, {childList: true, subtree: true});
        }"""
    )
    for facts, says in ((NAIL, "Right pack: on the tray"), (WRONG_SIDE, "Wrong side")):
        page.evaluate("heard.length = 0")
        scan(page, label(*facts))
        expect(page.locator("[data-verdict]").first).to_contain_text(says)
        # As long as the news of the stock takes to come round.
        page.wait_for_timeout(1500)
        heard = [" ".join(one.split()) for one in page.evaluate("heard") if one.strip()]
        assert len(heard) == 1, heard
        assert says in heard[0]


def test_the_list_of_a_tray_is_short_and_its_rows_are_high_enough_for_gloves(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + TRAY, width=PHONE)
    rows = page.locator("#bring .packs > li")
    heights = rows.evaluate_all("all => all.map(one => one.getBoundingClientRect().height)")
    assert len(heights) > 20
    assert min(heights) >= 56
    # Three lines of text and their room: a pack is a card, not a form.
    assert sum(heights) / len(heights) < 110
