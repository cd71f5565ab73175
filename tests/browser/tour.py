"""The pages README.md shows pictures of, and how a picture is taken."""

from pathlib import Path

from playwright.sync_api import Browser, Page, expect

from tests.browser.live import Watch, sign_in_with_cookie

FOLDER = Path(__file__).parents[2] / "web" / "static" / "tour"


#: Picture, page and the height shown of it, in px.
TOUR = {
    "list-day": ("/lists/2031-03-04", 900),
    "case": ("/cases/HAR-0712", 1560),
    "plan": ("/cases/HAR-0712/plan", 1100),
    "pick-list": ("/cases/HAR-0712/pick-list", 900),
    "shortfalls": ("/shortfalls", 1000),
}


WIDTH = 960


def take_picture(browser: Browser, address: str, name: str, file: Path) -> list[str]:
    """Take one picture and give what the page complained about."""
    path, height = TOUR[name]
    context = browser.new_context(
        viewport={"width": WIDTH, "height": height}, color_scheme="light", reduced_motion="reduce"
    )
    try:
        sign_in_with_cookie(context, address)
        page = context.new_page()
        watch = Watch(page)
        page.goto(address + path)
        _show_its_top(page)
        page.screenshot(path=file)
        return watch.complaints
    finally:
        context.close()


def _show_its_top(page: Page) -> None:
    expect(page.get_by_role("heading", level=1)).to_be_visible()
    expect(page.get_by_role("alert")).to_have_count(0)
    # A field that takes the focus would scroll the page.
    page.evaluate("scrollTo(0, 0)")
