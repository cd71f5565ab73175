"""Planning a case: the surgeon's path from start to end, with and without JavaScript."""

import re

from playwright.sync_api import Locator, Page, Route, expect

from tests.browser.conftest import OpenPage

SHORT_NAIL = "short-single-lag-nail@Ambleford/130"


#: The next day of the demo, with room after its last case.
DAY = "/lists/2031-03-04"


#: An answer waits for the pause after the last key, and for the server on a busy machine.
ANSWERED = 15_000


def _cover(page: Page) -> str:
    """Wait until what was typed has been answered, and give the cover in words."""
    region = page.locator("[data-answers]")
    expect(region).to_have_attribute("aria-busy", "false", timeout=ANSWERED)
    return region.inner_text()


def _tab_to(page: Page, wanted: Locator) -> None:
    """Press Tab until something has the focus, as somebody without a mouse would."""
    for _ in range(60):
        if wanted.evaluate("node => node === document.activeElement"):
            return
        page.keyboard.press("Tab")
    raise AssertionError("the Tab key does not lead there")


def _add_case(page: Page, reference: str) -> None:
    """Add a case with two fields: what its day foretells is filled in already."""
    page.get_by_role("link", name="Add a case").click()
    page.get_by_label("Local reference").fill(reference)
    page.get_by_label("Side").select_option("left")
    page.get_by_role("button", name="Save and plan").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text(f"Plan case {reference}")


def _fill_measures(page: Page) -> None:
    page.get_by_label("AO/OTA class").select_option("31A2.2 2018")
    page.get_by_label("Marker on the film").fill("30")
    page.get_by_label("Lag screw path on the film").fill("108")
    page.get_by_label("Canal on the film").fill("14")


def test_a_surgeon_adds_plans_and_confirms_a_case_and_sees_the_cover_while_typing(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + DAY, width=1280)
    _add_case(page, "TEST-1")
    _fill_measures(page)
    # 108 mm on a film that shows a 25 mm ball as 30 mm are 90 mm: film x true / shown.
    expect(page.get_by_text("true size 90 ± 4.5 mm").first).to_be_visible(timeout=ANSWERED)
    page.get_by_label("Planned construct").select_option(SHORT_NAIL)
    # 5 mm less than the path is the screw: room to compress (textbook).
    expect(page.get_by_text("lag screw 85 mm")).to_be_visible(timeout=ANSWERED)
    assert "No backup for" in _cover(page)

    long_nail = page.get_by_role("group", name="Long nail, one lag screw (Ambleford 130°)")
    expect(long_nail.locator(".state")).to_be_visible()
    long_nail.get_by_role("radio", name="Backup").check()
    expect(page.locator("[data-answers]")).to_contain_text(
        "Backup: Long nail, one lag screw", timeout=ANSWERED
    )
    blade = page.get_by_role("group", name=re.compile("helical blade"))
    blade.get_by_role("radio", name="Not wanted").check()
    blade.get_by_label("Why not").fill("not for this head")
    assert "helical blade" not in _cover(page)
    expect(blade.get_by_label("Why not")).to_be_focused()
    page.get_by_role("button", name="Save plan").click()

    expect(page.get_by_role("heading", level=1)).to_have_text("Case TEST-1 left")
    expect(page.get_by_role("status")).to_contain_text("Plan revision 1 saved")
    expect(page.get_by_text("not for this head")).to_be_visible()
    expect(page.get_by_text("You confirm plan revision 1:")).to_be_visible()
    page.get_by_role("button", name="Confirm backups").click()
    expect(page.get_by_role("status")).to_contain_text("Backups confirmed for plan revision 1")
    backups = page.get_by_role("region", name="Backups", exact=True)
    expect(backups).to_contain_text("● confirmed")
    page.get_by_role("link", name="Pick list").click()
    expect(page.get_by_role("main").get_by_text("AMB-L-085", exact=True)).to_be_visible()


def test_without_javascript_a_button_checks_the_cover(open_page: OpenPage, own_site: str) -> None:
    page = open_page(own_site + DAY, java_script_enabled=False)
    _add_case(page, "TEST-2")
    _fill_measures(page)
    page.get_by_label("Planned construct").select_option(SHORT_NAIL)
    page.get_by_role("button", name="Check cover").click()
    expect(page.get_by_label("Canal on the film")).to_have_value("14")
    expect(page.get_by_text("true size 90 ± 4.5 mm").first).to_be_visible()
    long_nail = page.get_by_role("group", name="Long nail, one lag screw (Ambleford 130°)")
    long_nail.get_by_role("radio", name="Backup").check()
    page.get_by_role("button", name="Save plan").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Case TEST-2 left")
    expect(page.get_by_text("Backup Long nail, one lag screw")).to_be_visible()


def test_a_plan_is_made_with_the_keyboard_alone(open_page: OpenPage, own_site: str) -> None:
    page = open_page(own_site + "/cases/HAR-0712/plan")
    keys = page.keyboard
    _tab_to(page, page.get_by_label("AO/OTA class"))
    keys.type("31A3.1 (2018")
    _tab_to(page, page.get_by_label("Marker on the film"))
    for text in ("30", "25", "120", "13"):
        keys.press("Control+A")
        keys.type(text)
        keys.press("Tab")
    expect(page.get_by_label("AO/OTA class")).to_have_value("31A3.1 2018")
    expect(page.get_by_text("true size 100 ± 4.5 mm").first).to_be_visible(timeout=ANSWERED)
    assert "Short nail" in _cover(page)
    two_screws = page.get_by_role("radio", name=re.compile("Backup Short nail, two headed"))
    _tab_to(page, two_screws)
    keys.press("Space")
    expect(page.locator("[data-answers]")).to_contain_text("two headed screws", timeout=ANSWERED)
    expect(two_screws).to_be_focused()
    _tab_to(page, page.get_by_role("button", name="Save plan"))
    keys.press("Enter")
    expect(page.get_by_role("status")).to_contain_text("Plan revision 2 saved", timeout=ANSWERED)
    page.get_by_text("How the sizes were worked out").click()
    expect(page.get_by_text("31A3.1 (2018)")).to_be_visible()


def test_the_answer_to_what_was_typed_over_is_not_shown(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + "/cases/HAR-0712/plan")
    held: list[Route] = []

    def hold_the_first(route: Route) -> None:
        if held:
            route.continue_()
        else:
            held.append(route)

    page.route("**/plan/check", hold_the_first)
    with page.expect_request("**/plan/check"):
        page.get_by_label("Lag screw path on the film").fill("90")
    assert page.locator("[data-answers]").get_attribute("aria-busy") == "true"
    page.get_by_label("Lag screw path on the film").fill("118")
    # 118 x 25 / 29.5 = 100.
    expect(page.get_by_text("true size 100 ± 4.5 mm")).to_be_visible(timeout=ANSWERED)
    held[0].abort()
    expect(page.get_by_text("true size 100 ± 4.5 mm")).to_be_visible()
    expect(page.get_by_text("could not be worked out")).to_have_count(0)


def test_what_cannot_be_checked_says_so_and_keeps_what_was_typed(
    open_page: OpenPage, demo_site: str
) -> None:
    page = open_page(demo_site + "/cases/HAR-0712/plan")
    page.get_by_label("Canal on the film").fill("4000")
    expect(page.locator("[data-answers]")).to_contain_text(
        "This cannot be checked yet", timeout=ANSWERED
    )
    expect(page.locator("[data-answers]")).to_contain_text("Canal on the film")
    expect(page.get_by_label("Canal on the film")).to_have_value("4000")
    page.get_by_role("button", name="Save plan").click()
    alert = page.get_by_role("alert")
    expect(alert).to_contain_text("Nothing was saved")
    expect(alert).to_be_focused()
    expect(page.get_by_label("Canal on the film")).to_have_value("4000")


def test_a_plan_somebody_else_changed_meanwhile_shows_both_and_is_saved_the_second_time(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + "/cases/HAR-0711/plan")
    other = open_page(own_site + "/cases/HAR-0711/edit")
    other.get_by_label("Canal on the film").fill("15")
    other.get_by_role("button", name="Save changes").click()
    page.get_by_label("Canal on the film").fill("14.2")
    page.get_by_role("button", name="Save plan").click()
    alert = page.get_by_role("alert")
    expect(alert).to_contain_text("tester changed this case at 07:00")
    expect(alert).to_contain_text("what you typed is still here")
    row = alert.get_by_role("row").filter(has_text="Canal on the film")
    expect(row).to_contain_text("15")
    expect(row).to_contain_text("14.2")
    page.get_by_role("button", name="Save plan").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Case HAR-0711 left")
    page.get_by_text("How the sizes were worked out").click()
    expect(page.get_by_text("14.2 mm on the film")).to_be_visible()
