"""Every picture as a document: well formed, named, within its box, without style or script."""

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from tests.web.pictures.pictures_kit import (
    CONSTRUCTS,
    FEMUR,
    LAG,
    NAIL,
    SHORT,
    SVG,
    box_of,
    parsed,
    points_of,
    texts_of,
)
from web.pictures.charts.cost_curve import PlottedPoint, cost_curve
from web.pictures.charts.projection import StockChange, stock_projection
from web.pictures.charts.readiness import ReadinessRow, readiness_bars
from web.pictures.charts.sets import SetRow, SetUse, set_timeline
from web.pictures.codes import label_code
from web.pictures.femur.geometry import lay_out
from web.pictures.femur.implants import PicturedConstruct
from web.pictures.femur.picture import femur_picture
from web.pictures.svg import Picture

DAY = date(2031, 3, 4)


MORNING = datetime(2031, 3, 4, 8, 30)  # noqa: DTZ001 - a page draws the site's own clock


STYLES = Path(__file__).parents[3] / "web/static/styles"


CSS = "".join(
    (STYLES / name).read_text(encoding="utf-8") for name in ("tokens.css", "pictures.css")
)


def bars(rows: Sequence[ReadinessRow], title: str = "Readiness") -> Picture:
    return readiness_bars(rows, prefix="r", title=title)


def projected(par_level: int | None = 3) -> Picture:
    changes = [
        StockChange(DAY + timedelta(days=2), "case", 4, "HAR-0714"),
        StockChange(DAY + timedelta(days=9), "delivery", 5, "order 12"),
        StockChange(DAY + timedelta(days=20), "expiry", 1, "lot A213"),
    ]
    return stock_projection(
        "Demo lag screw 95 mm",
        today=DAY,
        until=DAY + timedelta(days=28),
        on_hand=3,
        changes=changes,
        par_level=par_level,
        prefix="s",
    )


def timeline() -> Picture:
    uses = tuple(
        SetUse(f"HAR-07{n}", MORNING + timedelta(hours=2 * n), MORNING + timedelta(hours=2 * n + 1))
        for n in (1, 2, 4)
    )
    rows = [SetRow("Nail set", 1, 240, uses), SetRow("Reamer set", 2, 180, ())]
    return set_timeline(rows, prefix="t", title="Sets on 4 March")


def curve() -> Picture:
    steps = [PlottedPoint(1000 * n, 1 - 0.8 / (n + 1), f"unit {n}") for n in range(9)]
    return cost_curve(
        steps,
        today=PlottedPoint(4200, 0.6),
        proposal=steps[5],
        currency="GBP",
        prefix="c",
        title="Cost against readiness",
    )


def femurs() -> list[Picture]:
    groups = ("trochanteric multifragmentary", "reverse oblique", "subtrochanteric")
    found = []
    for number, construct in enumerate(CONSTRUCTS):
        for side in ("left", "right"):
            femur = replace(FEMUR, side=side, fracture=groups[number % 3], lateral_wall="broken")  # type: ignore[arg-type] # the loop's words are the type's
            layout = lay_out(femur, construct)
            found += [
                femur_picture(layout, construct, prefix=f"f{number}-{side}", small=small)
                for small in (False, True)
            ]
    return found


PICTURES = [
    *femurs(),
    bars([ReadinessRow("Whole day", 0.81, 0.01), ReadinessRow("HAR-0711", 1.0)]),
    bars([ReadinessRow("HAR-0713", None)]),
    bars([]),
    projected(),
    timeline(),
    set_timeline([], prefix="e", title="No sets"),
    curve(),
    cost_curve([], today=None, proposal=None, currency="GBP", prefix="n", title="Nothing yet"),
    label_code("(01)51022222233336(10)A213B1", "gs1-datamatrix", prefix="d", title="Code"),
    label_code("(01)51022222233336(10)A213B1", "gs1-128", prefix="l", title="Code"),
]


FEMURS = [one for one in PICTURES if "pic-femur" in one.svg]


@pytest.mark.parametrize("picture", PICTURES, ids=lambda one: one.title)
def test_a_picture_has_a_role_a_title_and_a_description(picture: Picture) -> None:
    root = parsed(picture.svg)
    title, description = list(root)[:2]
    assert root.tag == f"{SVG}svg"
    assert root.get("role") == "img"
    assert (title.tag, title.text) == (f"{SVG}title", picture.title)
    assert description.tag == f"{SVG}desc"
    assert description.text == (" ".join(picture.sentences) or picture.title)
    assert root.get("aria-labelledby") == title.get("id")
    assert root.get("aria-describedby") == description.get("id")


@pytest.mark.parametrize("picture", PICTURES, ids=lambda one: one.title)
def test_a_picture_keeps_to_the_content_policy(picture: Picture) -> None:
    for one in parsed(picture.svg).iter():
        assert one.tag.removeprefix(SVG) not in {"style", "script", "image", "use", "foreignObject"}
        assert "style" not in one.keys()  # noqa: SIM118 - an element is no mapping
        assert not [name for name in one.keys() if name.startswith("on") or "href" in name]  # noqa: SIM118 - as above


@pytest.mark.parametrize("picture", PICTURES, ids=lambda one: one.title)
def test_every_point_lies_within_the_box(picture: Picture) -> None:
    root = parsed(picture.svg)
    left, top, width, height = box_of(root)
    for x, y in points_of(root):
        assert left <= x <= left + width, (x, y)
        assert top <= y <= top + height, (x, y)
    assert "transform" not in picture.svg


def widths(root: object, size: float) -> list[tuple[str, float, float]]:
    """Estimate where texts begin and end: a wide face has 0.6 em a character, bold 0.66."""
    found = []
    for one in texts_of(root):  # type: ignore[arg-type] # an element
        words = one.text or ""
        wide = len(words) * size * (0.66 if "pic-strong" in one.get("class", "") else 0.6)
        back = {"start": 0.0, "middle": 0.5, "end": 1.0}[one.get("text-anchor", "start")]
        start = float(one.get("x", "0")) - wide * back
        found.append((words, start, start + wide))
    return found


@pytest.mark.parametrize("picture", PICTURES, ids=lambda one: one.title)
def test_every_text_fits_into_the_box(picture: Picture) -> None:
    root = parsed(picture.svg)
    kind = "pic-femur" if "pic-femur" in picture.svg else "pic-chart"
    if "pic-small" in picture.svg:
        kind = "pic-femur.pic-small"
    size = re.search(rf"\.{re.escape(kind)} text {{ font-size: ([\d.]+)px", CSS)
    assert size is not None
    left, _, width, _ = box_of(root)
    for words, start, end in widths(root, float(size[1])):
        assert left <= start, words
        assert end <= left + width, words


@pytest.mark.parametrize("picture", FEMURS, ids=lambda one: one.title)
def test_the_bar_is_fifty_millimetres_in_the_scale_of_the_implants(picture: Picture) -> None:
    root = parsed(picture.svg)
    bars = [one for one in root.iter(f"{SVG}line") if one.get("class") == "pic-bar"]
    long = max(abs(float(bar.get("x2", "")) - float(bar.get("x1", ""))) for bar in bars)
    assert long == pytest.approx(50)
    assert "50 mm" in [one.text for one in texts_of(root)]


def test_a_nail_drawn_whole_is_as_long_as_its_size_says() -> None:
    picture = femur_picture(lay_out(FEMUR, SHORT), SHORT, prefix="x")
    group = next(
        one for one in parsed(picture.svg).iter(f"{SVG}g") if one.get("class") == "pic-nail"
    )
    heights = [y for _, y in points_of(group)]
    # The upper part leans by 5 degrees, over about a third of 180 mm: 0.2 mm less in height.
    assert max(heights) - min(heights) == pytest.approx(180, abs=0.5)


@pytest.mark.parametrize("picture", PICTURES, ids=lambda one: one.title)
def test_the_words_hold_every_number_drawn(picture: Picture) -> None:
    said = " ".join(picture.sentences).replace("\u00a0", " ")
    numbers = set(re.findall(r"\d+(?:[.:\u202f]\d+)*", said))
    drawn = [
        one.text or ""
        for one in texts_of(parsed(picture.svg))
        # What an axis says is no fact of its own.
        if "pic-soft" not in one.get("class", "") and "there" not in (one.text or "")
    ]
    for words in drawn:
        for number in re.findall(r"\d+(?:[.:\u202f]\d+)*", words.replace("\u00a0", " ")):
            assert number in numbers, (number, words)


def test_labels_do_not_cover_one_another() -> None:
    for picture in FEMURS:
        rows = [
            (float(one.get("y", "0")), one.get("text-anchor"), one.text)
            for one in texts_of(parsed(picture.svg))
            if one.get("text-anchor") in ("start", "end")
        ]
        for side in ("start", "end"):
            heights = sorted(y for y, anchor, _ in rows if anchor == side)
            gaps = [after - before for before, after in pairwise(heights)]
            assert all(gap >= 8 for gap in gaps), rows


@pytest.mark.parametrize("construct", CONSTRUCTS, ids=lambda one: one.name)
@pytest.mark.parametrize("path", [85.0, 100.0, 120.0])
def test_no_label_stands_on_the_bone(construct: PicturedConstruct, path: float) -> None:
    layout = lay_out(replace(FEMUR, neck_path_mm=path), construct)
    outline = np.asarray(layout.bone.polygon)
    head = np.asarray(layout.bone.head)
    for one in texts_of(parsed(femur_picture(layout, construct, prefix="x").svg)):
        at = np.array([float(one.get("x", "")), float(one.get("y", ""))])
        # Half a line above the base line, where the words are.
        at[1] -= 4
        assert np.hypot(*(at - head)) > layout.bone.head_radius_mm, one.text
        beside = outline[np.abs(outline[:, 1] - at[1]) < 8]
        if len(beside) and at[1] > 0:
            assert not beside[:, 0].min() < at[0] < beside[:, 0].max(), one.text


def test_left_and_right_are_written_on_the_picture() -> None:
    for side in ("left", "right"):
        picture = femur_picture(lay_out(replace(FEMUR, side=side), SHORT), SHORT, prefix="x")
        assert side.upper() in [one.text for one in texts_of(parsed(picture.svg))]
        assert f"{side} hip" in picture.title
        assert "schematic, not for measuring" in picture.title


def test_names_are_written_as_text_and_not_as_markup() -> None:
    name = '<script>alert("1")</script> & more'
    construct = PicturedConstruct(name, (replace(NAIL, name=name), LAG))
    picture = femur_picture(lay_out(FEMUR, construct), construct, prefix="x")
    root = parsed(picture.svg)
    assert name in (root[0].text or "")
    assert not list(root.iter(f"{SVG}script"))
    assert name in (bars([ReadinessRow(name, 0.5)]).sentences[0])
    assert not list(parsed(bars([ReadinessRow(name, 0.5)]).svg).iter(f"{SVG}script"))


def test_a_headed_screw_looks_different_from_a_headless_one() -> None:
    shapes = []
    for head in ("headed", "headless"):
        construct = PicturedConstruct("n", (NAIL, replace(LAG, head_design=head)))
        root = parsed(femur_picture(lay_out(FEMUR, construct), construct, prefix="x").svg)
        screws = [one for one in root.iter(f"{SVG}g") if one.get("class") == "pic-screw"]
        shapes.append(len(list(screws[0].iter(f"{SVG}path"))))
    assert shapes == [2, 1]
