"""A long file is brought while somebody watches; with and without JavaScript."""

from pathlib import Path

import pytest
from playwright.sync_api import Frame, expect

from tests.browser.conftest import OpenPage


def _catalogue(rows: int, kind: str) -> str:
    head = "ref,kind,system,description,supplier,length_mm,supplied_sterile,reusable\n"
    return head + "".join(
        f"R-{number},{kind},Ambleford,Screw,Somebody,90,yes,no\n" for number in range(rows)
    )


@pytest.mark.parametrize("javascript", [True, False])
def test_a_long_file_leads_over_its_progress_to_what_came_of_it(
    open_page: OpenPage, own_site: str, tmp_path: Path, javascript: bool
) -> None:
    file = tmp_path / "many.csv"
    file.write_text(_catalogue(8_000, "lag_screw"))
    page = open_page(own_site + "/import", java_script_enabled=javascript)
    seen: list[str] = []

    def note(frame: Frame) -> None:
        seen.append(frame.url)

    page.on("framenavigated", note)
    page.get_by_label("What the file holds").select_option("catalogue")
    page.get_by_label("CSV or XLSX file").set_input_files(file)
    page.get_by_role("button", name="Import").click()
    expect(page.get_by_role("status")).to_contain_text("8000 new, 0 changed", timeout=20_000)
    assert any("/progress/" in url for url in seen)
    assert "/import?work=" in page.url


def test_a_long_list_of_faults_is_folded_after_the_first_twenty(
    open_page: OpenPage, own_site: str, tmp_path: Path
) -> None:
    file = tmp_path / "wrong.csv"
    file.write_text(_catalogue(50, "teapot"))
    page = open_page(own_site + "/import", java_script_enabled=False)
    page.get_by_label("What the file holds").select_option("catalogue")
    page.get_by_label("CSV or XLSX file").set_input_files(file)
    page.get_by_role("button", name="Import").click()
    expect(page.get_by_role("alert")).to_contain_text("50 errors; nothing was saved")
    expect(page.get_by_role("alert")).to_be_focused()
    expect(page.get_by_text("column kind").locator("visible=true")).to_have_count(20)
    page.get_by_text("Show the other 30").click()
    expect(page.get_by_text("column kind").locator("visible=true")).to_have_count(50)


def test_work_nobody_knows_of_says_what_that_means(open_page: OpenPage, demo_site: str) -> None:
    page = open_page(demo_site + "/progress/gone")
    alert = page.get_by_role("alert")
    expect(alert).to_contain_text("This job was not found")
    expect(alert).to_contain_text("has saved nothing")
