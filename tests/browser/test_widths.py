"""At any width and size of text a page keeps its words whole, shows them, and scrolls one way."""

import pytest
from playwright.sync_api import Page

from tests.browser.conftest import OpenPage
from tests.browser.test_access import PAGES

#: Phone, tablet and desk, the widths beside the steps of our style sheets, and what a page of
#: 1280 px has left at 400 % (320) and 200 % (640): WCAG 2.2, 1.4.10 Reflow and 1.4.4 Resize Text.
WIDTHS = (320, 390, 640, 641, 768, 831, 1024, 1280, 1440)


#: Letters and digits that stand on more than one line though nothing between them may break.
SPLIT_WORDS = """
    () => {
        const split = [], range = document.createRange();
        const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
        while (texts.nextNode()) {
            const text = texts.currentNode, box = text.parentElement;
            if (!box.checkVisibility({visibilityProperty: true})) continue;
            if (box.closest("svg, script, .unseen, figcaption, code, .guide")) continue;
            for (const word of text.data.matchAll(/[\\p{L}\\p{N}]+/gu)) {
                range.setStart(text, word.index);
                range.setEnd(text, word.index + word[0].length);
                const lines = [...range.getClientRects()].filter(one => one.width > 0.5);
                if (new Set(lines.map(one => Math.round(one.top))).size > 1) split.push(word[0]);
            }
        }
        return split;
    }
"""


#: Text that a box cuts off. Fields and scrolling regions may: what is in them can be reached.
CLIPPED = """
    () => [...document.querySelectorAll("main *, header *")]
        .filter(one => one.checkVisibility({visibilityProperty: true}))
        .filter(one => ["hidden", "clip"].includes(getComputedStyle(one).overflowX))
        .filter(one => !one.closest("svg, input, select, .unseen"))
        .filter(one => one.scrollWidth > one.clientWidth + 1)
        .map(one => one.outerHTML.slice(0, 120))
"""


#: WCAG 2.2, 1.4.12 Text Spacing: what a reader may set without losing anything.
SPACING = """
    * { line-height: 1.5 !important; letter-spacing: .12em !important;
        word-spacing: .16em !important; }
    p { margin-bottom: 2em !important; }
"""


def _faults(page: Page, width: int) -> dict[str, object]:
    page.set_viewport_size({"width": width, "height": 900})
    found = {
        "split": page.evaluate(SPLIT_WORDS),
        "clipped": page.evaluate(CLIPPED),
        "wider": page.evaluate("document.documentElement.scrollWidth") > width,
    }
    return {kind: what for kind, what in found.items() if what}


@pytest.mark.parametrize("path", PAGES.values(), ids=PAGES)
def test_words_stay_whole_and_nothing_scrolls_sideways(
    open_page: OpenPage, demo_site: str, path: str
) -> None:
    page = open_page(demo_site + path)
    found = {width: _faults(page, width) for width in WIDTHS}
    # Added to the adopted sheets, for the page's policy refuses style from anywhere else.
    page.evaluate(
        """css => { const sheet = new CSSStyleSheet(); sheet.replaceSync(css);
            document.adoptedStyleSheets = [sheet]; }""",
        SPACING,
    )
    found |= {-width: _faults(page, width) for width in (320, 1280)}
    assert {width: faults for width, faults in found.items() if faults} == {}


def test_a_word_that_is_torn_is_found(open_page: OpenPage, demo_site: str) -> None:
    """The checks above can fail."""
    page = open_page(demo_site + PAGES["case"])
    page.evaluate(
        """() => { const sheet = new CSSStyleSheet();
            sheet.replaceSync(`main { min-width: 3000px }
                h1 { width: 4ch; overflow-wrap: anywhere }`);
            document.adoptedStyleSheets = [sheet]; }"""
    )
    assert _faults(page, 1280)["wider"]
    assert "Case" not in page.evaluate(SPLIT_WORDS)
    assert "HAR" not in page.evaluate(SPLIT_WORDS)
    page.evaluate("document.querySelector('h1').textContent = 'Intertrochanteric'")
    assert page.evaluate(SPLIT_WORDS) == ["Intertrochanteric"]


@pytest.mark.parametrize("path", [PAGES["list day"], PAGES["case"], PAGES["plan"]])
def test_the_header_is_one_row_of_56_px(open_page: OpenPage, demo_site: str, path: str) -> None:
    page = open_page(demo_site + path)
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        bar = page.locator("header > .frame").bounding_box()
        assert bar is not None
        assert bar["height"] == 56, width
