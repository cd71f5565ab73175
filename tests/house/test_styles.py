"""The style sheets use the scales of tokens.css and nothing else, and only what pages use."""

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
STYLES = ROOT / "web/static/styles"


#: Sheets of the screen; paper is measured in millimetres and points.
SCREEN = ("base.css", "parts.css")


#: What a scale governs, and what its values may be made of.
SCALES = {
    "font-size": r"var\(--type-[1-5]\)|\.8em|inherit",
    "border-radius": r"var\(--(round|pill)\)",
    "margin|padding|gap": r"var\(--space-[1-6]\)|0|auto|-2px|calc\(-1\*var\(--space-[1-6]\)\)",
}


#: Room kept free for the label of a cell, which floats into it.
LABEL = {"8rem", "-7.5rem"}


def _rules(name: str) -> str:
    return re.sub(r"/\*.*?\*/", "", (STYLES / name).read_text(encoding="utf-8"), flags=re.DOTALL)


def _values(kind: str, rules: str) -> list[str]:
    found = re.findall(
        rf"(?<![\w-])(?:{kind})(?:-(?:top|right|bottom|left|inline|block))?:\s*([^;}}]+)", rules
    )
    return [
        value
        for text in found
        for value in text.replace(" * ", "*").replace("(-1 ", "(-1").split()
        if value not in LABEL
    ]


def test_sizes_spaces_and_corners_come_from_the_scales() -> None:
    strange = {}
    for name in SCREEN:
        rules = _rules(name)
        for kind, allowed in SCALES.items():
            values = _values(kind, rules)
            assert values, f"{name} sets no {kind}: the check reads nothing"
            strange[name, kind] = [v for v in values if not re.fullmatch(allowed, v)]
    assert {key: found for key, found in strange.items() if found} == {}


def test_colours_are_named_in_the_tokens_alone() -> None:
    named = {
        name: re.findall(r"#[0-9a-fA-F]{3,8}\b|rgba?\(|hsla?\(", _rules(name))
        for name in (*SCREEN, "pictures.css")
    }
    assert {name: found for name, found in named.items() if found} == {}


def test_the_scales_have_the_steps_that_were_agreed() -> None:
    tokens = _rules("tokens.css")
    assert len(set(re.findall(r"--type-\d", tokens))) == 5
    assert len(set(re.findall(r"--space-\d", tokens))) == 6
    assert len(re.findall(r"--(?:round|pill):", tokens)) == 2


def test_every_class_of_the_style_sheets_is_on_some_page() -> None:
    written = "".join(
        file.read_text(encoding="utf-8")
        for folder, kind in (("web", "*.html"), ("web", "*.py"), ("web/static", "*.js"))
        for file in (ROOT / folder).rglob(kind)
    )
    written += (ROOT / "service/core/cover/results.py").read_text(encoding="utf-8")
    names = set()
    for sheet in STYLES.glob("*.css"):
        selectors = re.sub(r"\{[^{}]*\}", " ", _rules(sheet.name))
        names |= set(re.findall(r"\.(-?[a-zA-Z][\w-]*)", selectors))
    assert names, "the check reads no class"
    words = set(re.findall(r"[\w-]+", written))
    # A state's class is its word with a hyphen for each space; a shade is numbered by the page.
    spaced = {name for name in names if name.replace("-", " ") in written}
    shades = {f"shade-{step}" for step in range(6)}
    assert sorted(names - words - spaced - shades) == []
