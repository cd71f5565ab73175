"""Take the pictures README.md shows: ``python -m tests.browser.tour``."""

import shutil
import sys
import tempfile
from pathlib import Path

from service.operations.demo import load_demo
from tests.browser.live import BROWSER, browser_at, served, sign_in_with_cookie
from tests.conftest import let_in, opened

FOLDER = Path(__file__).parents[2] / "web" / "static" / "tour"

#: Picture, page and the height shown of it, in px.
TOUR = {
    "list-day": ("/lists/2031-03-04", 820),
    "case": ("/cases/HAR-0712", 960),
    "plan": ("/cases/HAR-0712/plan", 1020),
    "stock": ("/stock?kind=lag_screw&system=Brackwater", 900),
    "figures": ("/figures", 640),
}
WIDTH = 960


def take_pictures(executable: str, folder: Path) -> None:
    """Load the demo on the tests' day and take every picture of the tour."""
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        url = f"sqlite:///{scratch}/tour.db"
        with opened(url) as work:
            work.prepare()
            work.write(lambda unit: load_demo(unit, work.settings.seed_folder), "demo")
            work.write(let_in)
        with served(url) as address, browser_at(executable) as browser:
            for name, (path, height) in TOUR.items():
                context = browser.new_context(
                    viewport={"width": WIDTH, "height": height}, color_scheme="light"
                )
                sign_in_with_cookie(context, address)
                page = context.new_page()
                page.goto(address + path)
                page.screenshot(path=folder / f"{name}.png")
                context.close()


if __name__ == "__main__":
    found = shutil.which(BROWSER)
    if found is None:
        sys.exit(f"{BROWSER} is not installed; 'bash tests/run' installs it.")
    take_pictures(found, FOLDER)
    print(f"{len(TOUR)} pictures are in {FOLDER}.")  # noqa: T201 - it is a command
