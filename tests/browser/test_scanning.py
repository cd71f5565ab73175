"""Packs scanned to a tray with a scanner that types, by hand, and without JavaScript."""

import re

from playwright.sync_api import Page, expect

from service.exchange.labels.scanner import CHECK_CODE
from tests.browser.axe import violations
from tests.browser.conftest import OpenPage
from tests.browser.wedge import SEPARATOR, label, scan

#: The first case of the demo: left, Cindermoor planned first, Ambleford standing by.
TRAY = "/cases/HAR-0711/tray"


NAIL = ("CIN-N-130-10-180", "310322", "C26M0076")


def _said(page: Page, title: str) -> None:
    expect(page.locator("[data-verdict]").first.get_by_role("heading")).to_contain_text(title)


def test_the_right_pack_is_brought_and_read_aloud_wherever_the_focus_is(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + TRAY)
    expect(page.get_by_role("heading", name="Still to pick: 31")).to_be_visible()
    page.get_by_role("link", name="← Case HAR-0711").focus()
    # A serial stands behind the separator; without it the lot would read C26M007621S1.
    scan(page, label(*NAIL, serial="S1"))
    _said(page, "Right pack: on the tray")
    aloud = page.locator("[data-verdict] .aloud")
    # Type, size, side, system, use by, sterility: NatSSIPs 2015, 4.10.2.
    for words in ("Short nail", "10 × 180 mm", "Cindermoor", "2031-03-22", "sterile", "side"):
        expect(aloud).to_contain_text(words)
    expect(page.get_by_role("heading", name="Still to pick: 30")).to_be_visible()
    expect(page.get_by_role("heading", name="On the tray: 1")).to_be_visible()
    expect(page.get_by_label("Scan or type code")).to_have_value("")
    assert page.url == own_site + TRAY


def test_each_refusal_says_what_is_wrong_and_stays_until_it_is_seen(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + TRAY)
    scan(page, label(*NAIL))
    _said(page, "Right pack")
    refused = {
        "Wrong side": ("AMB-N-130-11-300-R", "310308", "A26M0353"),
        "Expired: do not use": ("AMB-N-130-11-180", "310218", "A26L0357"),
        "In quarantine": ("AMB-D-36", "320103", "A27K0363"),
        "Wrong size": ("CIN-B-095", "330531", "X1"),
        "Not on the pick list": ("GEN-CC-17", "330531", "X1"),
    }
    for title, facts in refused.items():
        scan(page, label(*facts), end="Tab" if title == "Wrong side" else "Enter")
        _said(page, title)
    scan(page, label(*NAIL))
    _said(page, "Scanned already")
    shown = page.locator("[data-verdict]")
    expect(shown).to_have_count(len(refused) + 1)
    assert violations(page) == []
    for _ in range(len(refused) + 1):
        page.get_by_role("link", name="OK, next pack").first.click()
    expect(shown).to_have_count(0)
    expect(page.get_by_role("heading", name="On the tray: 1")).to_be_visible()


def test_the_same_code_twice_at_once_counts_once_and_a_label_is_not_lost_in_a_form(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + TRAY)
    page.get_by_text("No barcode, or won’t scan").click()
    lot = page.get_by_label("Lot", exact=True)
    lot.fill("C26")
    code = label("CIN-D-38", "330212", "C28L0056")
    scan(page, code)
    scan(page, code)
    expect(page.get_by_text("counted once").first).to_be_visible()
    expect(page.get_by_role("heading", name="On the tray: 1")).to_be_visible()


def test_sound_comes_only_after_it_was_asked_for(open_page: OpenPage, demo_site: str) -> None:
    page = open_page(demo_site + TRAY)
    page.evaluate(
        "() => { const Silent = AudioContext; window.AudioContext = class extends Silent {"
        " constructor() { super(); window.sounding = (window.sounding ?? 0) + 1; } }; }"
    )
    scan(page, "no code at all")
    _said(page, "Code not readable")
    assert page.evaluate("window.sounding") is None
    button = page.get_by_role("button", name="Sound on")
    button.click()
    expect(page.get_by_role("button", name="Sound off")).to_have_attribute("aria-pressed", "true")
    assert page.evaluate("window.sounding") == 1


def test_an_unknown_code_is_taught_to_the_ref_beside_it(open_page: OpenPage, own_site: str) -> None:
    page = open_page(own_site + TRAY)
    # A GTIN-14 with a right check digit (GS1 General Specifications, 7.9) that no item has.
    scan(page, "01029199999999991733053110C28P0025")
    _said(page, "Unknown code")
    page.get_by_label("REF printed on the pack").fill("CIN-B-075")
    page.get_by_role("button", name="Link this code to the REF").click()
    _said(page, "Right pack")
    expect(page.locator("[data-verdict]")).to_have_count(1)


def test_a_tray_is_filled_and_emptied_without_javascript(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + TRAY, java_script_enabled=False, width=390)
    code = page.get_by_label("Scan or type code")
    expect(code).to_be_focused()
    page.keyboard.type("(01)02910000000017(17)330630(10)A28R0001")
    page.keyboard.press("Enter")
    _said(page, "Wrong size")
    expect(code).to_be_focused()
    for facts in (NAIL, ("CIN-D-38", "330212", "C28L0056")):
        code.fill(label(*facts))
        page.keyboard.press("Enter")
        _said(page, "Right pack")
    page.get_by_role("button", name="Label checked CIN-IS, CIN-IS-1").click()
    _said(page, "Right pack")
    page.get_by_role("button", name="Into theatre").click()
    tray = page.get_by_role("region", name=re.compile("On the tray"))

    page.get_by_role("link", name="Implanted CIN-N-130-10-180").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(
        "Cindermoor short nail for a helical blade 10 × 180 mm, 130°: implanted?"
    )
    expect(page.locator(".aloud")).to_contain_text("C26M0076")
    page.get_by_role("link", name="No, leave it").click()
    expect(tray).to_contain_text("On the tray: 3")
    page.get_by_role("link", name="Implanted CIN-N-130-10-180").click()
    page.get_by_role("button", name="Yes, implanted").click()
    expect(page.get_by_role("status")).to_contain_text("implanted")

    page.get_by_role("link", name="Wasted CIN-D-38").click()
    page.get_by_label("Reason").fill("dropped")
    page.get_by_role("button", name="Yes, wasted").click()
    expect(tray).to_contain_text("1 wasted")
    expect(tray).to_contain_text("account for 1 more")
    page.get_by_role("button", name="Reprocess 1 opened set").click()
    page.get_by_role("button", name="Close the case").click()
    expect(page.get_by_text("This case is closed")).to_be_visible()


def test_the_scanner_check_tells_what_is_set_wrong(open_page: OpenPage, demo_site: str) -> None:
    page = open_page(demo_site + "/scanner")
    found = page.get_by_role("region", name="What was found")
    swapped = str.maketrans("yzYZ", "zyZY")
    for code, end, says in (
        (CHECK_CODE.keyed, "Tab", "Scanner set up correctly"),
        (CHECK_CODE.keyed.replace(SEPARATOR, ""), "Enter", "The separator between the fields"),
        (CHECK_CODE.keyed.translate(swapped), "Enter", "a German keyboard"),
        (CHECK_CODE.keyed.swapcase(), "Enter", "Caps Lock"),
        (CHECK_CODE.keyed, "", "No Enter or Tab was received"),
    ):
        page.reload()
        scan(page, code, end)
        expect(found).to_contain_text(says)


def test_a_key_that_stands_for_the_separator_is_kept_on_the_computer(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + "/scanner")
    page.get_by_text("sends the separator as another key").click()
    page.get_by_label("That key").press("F8")
    page.reload()
    before, after = CHECK_CODE.keyed.split(SEPARATOR)
    page.keyboard.type(before)
    page.keyboard.press("F8")
    page.keyboard.type(after)
    page.keyboard.press("Enter")
    expect(page.get_by_text("Scanner set up correctly")).to_be_visible()


def test_the_scanner_check_works_typed_and_without_javascript(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + "/scanner", java_script_enabled=False)
    page.get_by_label("What arrives").fill(CHECK_CODE.keyed.replace(SEPARATOR, ""))
    page.get_by_role("button", name="Check").click()
    expect(page.get_by_role("alert")).to_contain_text("The separator between the fields is lost.")
