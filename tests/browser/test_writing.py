"""What people change through the pages; each works without JavaScript."""

from pathlib import Path

from playwright.sync_api import Page, expect

from tests.browser.conftest import OpenPage

SEED = Path(__file__).parents[2] / "seed_data"


def _fill_case(page: Page, reference: str) -> None:
    page.get_by_label("Local reference").fill(reference)
    page.get_by_label("List day").fill("2031-03-12")
    page.get_by_label("Theatre").fill("Trauma theatre 2")
    page.get_by_label("Starts").fill("15:00")
    page.get_by_label("Ends").fill("16:30")
    page.get_by_label("List order").fill("9")
    page.get_by_label("Side").select_option("left")
    page.get_by_text("The fracture, as far as it is known").click()
    page.get_by_label("AO/OTA class").select_option("31A2.2 2018")
    page.get_by_text("Film measurements", exact=True).click()
    page.get_by_label("Lag screw path on the film").fill("108")


def test_a_wrong_case_keeps_what_was_typed_and_names_the_field(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + "/cases/new", java_script_enabled=False)
    _fill_case(page, "TEST-2")
    page.get_by_label("Ends").fill("14:00")
    page.get_by_role("button", name="Save and plan").click()
    alert = page.get_by_role("alert")
    expect(alert).to_contain_text("Nothing was saved")
    expect(alert).to_be_focused()
    expect(page.get_by_label("AO/OTA class")).to_have_value("31A2.2 2018")
    expect(page.get_by_label("Theatre")).to_have_value("Trauma theatre 2")
    expect(page.get_by_label("Side")).to_have_value("left")
    expect(page.get_by_label("Lag screw path on the film")).to_have_value("108")
    wrong = page.locator("[aria-invalid=true]")
    expect(wrong.first).to_be_visible()
    described_by = wrong.first.get_attribute("aria-describedby") or ""
    expect(page.locator(f"#{described_by}")).to_contain_text("▲")


def test_a_used_reference_is_named_at_its_field(open_page: OpenPage, own_site: str) -> None:
    page = open_page(own_site + "/cases/new")
    _fill_case(page, "HAR-0711")
    page.get_by_role("button", name="Save and plan").click()
    expect(page.get_by_role("alert").get_by_role("link", name="Local reference")).to_be_visible()
    expect(page.get_by_label("Local reference")).to_have_attribute("aria-invalid", "true")
    expect(page.get_by_label("Local reference")).to_have_value("HAR-0711")


def test_a_cancelled_case_is_said_to_be(open_page: OpenPage, own_site: str) -> None:
    page = open_page(own_site + "/cases/HAR-0711")
    page.get_by_text("Cancel this case").click()
    page.get_by_role("button", name="Cancel case HAR-0711").click()
    expect(page.get_by_text("This case has been cancelled")).to_be_visible()
    expect(page.get_by_role("link", name="Pick list")).to_have_count(0)


def test_a_change_based_on_an_old_version_is_refused(open_page: OpenPage, own_site: str) -> None:
    page = open_page(own_site + "/cases/HAR-0711/edit")
    other = open_page(own_site + "/cases/HAR-0711/edit")
    for one, theatre in ((other, "Trauma theatre 3"), (page, "Trauma theatre 4")):
        one.get_by_label("Theatre").fill(theatre)
        one.get_by_role("button", name="Save changes").click()
    alert = page.get_by_role("alert")
    expect(alert).to_contain_text("tester changed this case at 07:00. Nothing of yours was saved")
    expect(alert.get_by_role("row").filter(has_text="Trauma theatre 3")).to_contain_text(
        "Trauma theatre 4"
    )
    expect(page.get_by_label("Theatre")).to_have_value("Trauma theatre 4")
    page.get_by_role("button", name="Save changes").click()
    expect(page.get_by_role("main")).to_contain_text("Trauma theatre 4")


def test_a_cancellation_based_on_an_old_version_leads_back_to_the_case(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + "/cases/HAR-0711")
    other = open_page(own_site + "/cases/HAR-0711/edit")
    other.get_by_label("Theatre").fill("Trauma theatre 3")
    other.get_by_role("button", name="Save changes").click()
    page.get_by_text("Cancel this case").click()
    page.get_by_role("button", name="Cancel case HAR-0711").click()
    expect(page.get_by_role("alert")).to_be_visible()
    page.get_by_role("link", name="Back to where you were").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Case HAR-0711 left")
    expect(page.get_by_text("Trauma theatre 3")).to_be_visible()


def test_a_good_file_is_taken_and_the_same_again_changes_nothing(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + "/import", java_script_enabled=False)
    for said in ("599 unchanged", "599 unchanged"):
        page.get_by_label("What the file holds").select_option("catalogue")
        page.get_by_label("CSV or XLSX file").set_input_files(SEED / "catalogue.csv")
        page.get_by_role("button", name="Import").click()
        expect(page.get_by_role("status")).to_contain_text(f"0 new, 0 changed, {said}")


def test_a_bad_file_names_row_and_column_and_saves_nothing(
    open_page: OpenPage, own_site: str, tmp_path: Path
) -> None:
    lines = (SEED / "catalogue.csv").read_text().splitlines()[:3]
    wrong = lines[2].replace("single_lag_screw_nail", "teapot")
    (tmp_path / "wrong.csv").write_text("\n".join([*lines[:2], wrong]) + "\n")
    page = open_page(own_site + "/import", java_script_enabled=False)
    page.get_by_label("What the file holds").select_option("catalogue")
    page.get_by_label("CSV or XLSX file").set_input_files(tmp_path / "wrong.csv")
    page.get_by_role("button", name="Import").click()
    alert = page.get_by_role("alert")
    expect(alert).to_contain_text("nothing was saved")
    expect(page.get_by_role("row").filter(has_text="row 3, column kind")).to_be_visible()
    expect(page.get_by_label("What the file holds")).to_have_value("catalogue")


def test_a_file_of_60_mb_is_refused_in_a_sentence(
    open_page: OpenPage, own_site: str, tmp_path: Path
) -> None:
    large = tmp_path / "large.csv"
    with large.open("wb") as file:
        file.truncate(60_000_000)
    page = open_page(own_site + "/import")
    page.get_by_label("What the file holds").select_option("catalogue")
    page.get_by_label("CSV or XLSX file").set_input_files(large)
    with page.expect_navigation() as navigation:
        page.get_by_role("button", name="Import").click()
    answer = navigation.value
    assert answer is not None
    assert answer.status == 413
    expect(page.get_by_role("alert")).to_contain_text("larger than 20 MB")


def test_a_wrong_figure_keeps_what_was_typed_and_changes_nothing(
    open_page: OpenPage, own_site: str
) -> None:
    page = open_page(own_site + "/figures")
    page.get_by_role("heading", name="Lag screws and blades").click()
    page.get_by_text("Change Lag screw offset").click()
    form = page.locator("form[action='/figures/lag_offset_mm']")
    form.get_by_label("Value").fill("five")
    form.get_by_label("Source").fill("our own films")
    form.get_by_role("button", name="Save").click()
    expect(page.get_by_role("alert")).to_contain_text("Nothing was saved")
    expect(form.get_by_label("Value")).to_have_value("five")
    expect(form.get_by_label("Source")).to_have_value("our own films")
    form.get_by_label("Value").fill("-4")
    form.get_by_role("button", name="Save").click()
    expect(page.get_by_role("status")).to_contain_text("Lag screw offset is saved")
    expect(page.get_by_role("row", name="Lag screw offset")).to_contain_text("−4 mm")
