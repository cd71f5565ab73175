"""Sizing: from a film to the sizes to bring, with the figures the department has set."""

from collections.abc import Mapping
from typing import Any

from service.core.sizing import (
    LengthEstimate,
    SizeRule,
    SizingError,
    SizingFigure,
    View,
    chosen_size,
    cover_probability,
    defaults_from,
    magnification_sd_mm,
    size_distribution,
    sizes_to_bring,
    tip_apex_distance_mm,
    true_size,
)
from service.core.sizing.figures import USUAL_FIGURES
from service.errors import BadInput, FieldFault, NotFound
from service.operations.work import CAUTION, Unit, require_version
from service.schemas.planning import (
    SizeOut,
    SizingAnswer,
    SizingDefaultBody,
    SizingDefaultList,
    SizingDefaultOut,
    SizingRequest,
    TrueSizeOut,
)
from service.storage.queries import reference
from service.storage.tables import SizingDefault


def list_defaults(unit: Unit) -> SizingDefaultList:
    """Return every figure with its source."""
    rows = reference.sizing_defaults(unit.session)
    return SizingDefaultList(defaults=[SizingDefaultOut.model_validate(row) for row in rows])


def set_default(unit: Unit, key: str, body: SizingDefaultBody, version: int) -> SizingDefaultOut:
    """Set a figure, with where it comes from."""
    row = unit.session.get(SizingDefault, key)
    if row is None:
        raise NotFound(f"Sizing assumption {key} was not found.")
    require_version(row.version, version, f"The sizing assumption {key}")
    rows = reference.sizing_defaults(unit.session)
    table = [{**_plain(one), **(body.model_dump() if one.key == key else {})} for one in rows]
    _checked(table, "/value")
    row.value, row.source, row.note = body.value, body.source, body.note
    row.version += 1
    unit.session.flush()
    return SizingDefaultOut.model_validate(row)


def load_defaults(unit: Unit, data: Mapping[str, Any]) -> int:
    """Load figures from a file's content; known keys keep what the department has set.

    The usual figures the file does not name come along as they usually are, so that they can be
    seen and set, too; only what the file names is counted.
    """
    defaults = _checked(data.get("default"), None)
    _refuse_other_units(defaults)
    known = {row.key for row in reference.sizing_defaults(unit.session)}
    new = [one for key, one in {**USUAL_FIGURES, **defaults}.items() if key not in known]
    unit.session.add_all(
        SizingDefault(key=one.key, value=one.value, unit=one.unit, source=one.source, note=one.note)
        for one in new
    )
    return sum(one.key in defaults for one in new)


def _refuse_other_units(defaults: Mapping[str, SizingFigure]) -> None:
    """Refuse hours written as days, or the like: the key says the unit."""
    for place, (key, one) in enumerate(defaults.items()):
        usual = USUAL_FIGURES.get(key)
        if usual is not None and usual.unit != one.unit:
            fault = FieldFault(f"/default/{place}/unit", f"'{key}' is in {usual.unit}")
            raise BadInput("Nothing was saved.", faults=[fault])


def _plain(row: SizingDefault) -> dict[str, object]:
    return {"key": row.key, "value": row.value, "unit": row.unit, "source": row.source}


def _checked(table: object, pointer: str | None) -> Mapping[str, SizingFigure]:
    rows = table
    if isinstance(table, list):
        # An empty note is how a row without one is kept; the reader wants it absent.
        rows = [{k: v for k, v in row.items() if k != "note" or v} for row in table]
    try:
        return defaults_from({"default": rows})
    except SizingError as error:
        fault = FieldFault(pointer or error.pointer, error.reason)
        raise BadInput("Nothing was saved.", faults=[fault]) from error


def answer_sizing(unit: Unit, body: SizingRequest) -> SizingAnswer:
    """Answer a sizing question; nothing is stored.

    Raises
    ------
    NotFound
        When no sizing figures have been loaded.
    BadInput
        When a size cannot be worked out from what was sent.
    """
    rows = {row.key: row for row in reference.sizing_defaults(unit.session)}
    if not rows:
        raise NotFound("No sizing assumptions are loaded yet. Import sizing.toml.")
    used: list[str] = ["tip_apex_target_mm"] if body.views else []
    try:
        estimate = _estimate(body, rows, used)
        distance = _tip_apex(body)
        sizes, middle, bring, probability = _sizes(body, estimate, rows, used)
    except SizingError as error:
        raise BadInput(
            "The size cannot be worked out.", faults=[FieldFault(error.pointer, error.reason)]
        ) from error
    return SizingAnswer(
        true_size=None if estimate is None else TrueSizeOut.model_validate(estimate),
        sizes=[SizeOut(size_mm=size, probability=share) for size, share in sizes],
        nominal_mm=middle,
        bring_mm=list(bring),
        bring_probability=probability,
        tip_apex_distance_mm=distance,
        tip_apex_target_mm=rows["tip_apex_target_mm"].value,
        defaults_used=[SizingDefaultOut.model_validate(rows[key]) for key in used],
        caution=CAUTION,
    )


def _estimate(
    body: SizingRequest, rows: Mapping[str, SizingDefault], used: list[str]
) -> LengthEstimate | None:
    film = body.film
    if film is None:
        return None
    marker_true_mm, sd_mm = film.marker_true_mm, film.sd_mm
    if marker_true_mm is None:
        marker_true_mm = rows["marker_true_mm"].value
        used.append("marker_true_mm")
    if sd_mm is None:
        sd_mm = rows["neck_sd_mm"].value
        used.append("neck_sd_mm")
    if film.marker_film_mm is None:
        used += ["assumed_magnification", "uncalibrated_magnification_sd"]
    magnification = rows["assumed_magnification"].value
    spread = magnification_sd_mm(
        film.film_mm,
        assumed_magnification=magnification,
        magnification_sd=rows["uncalibrated_magnification_sd"].value,
    )
    return true_size(
        film.film_mm,
        marker_true_mm=marker_true_mm,
        marker_film_mm=film.marker_film_mm,
        sd_mm=sd_mm,
        assumed_magnification=magnification,
        uncalibrated_sd_mm=spread,
    )


Sizes = tuple[tuple[tuple[float | None, float], ...], float | None, tuple[float, ...], float | None]


def _sizes(
    body: SizingRequest,
    estimate: LengthEstimate | None,
    rows: Mapping[str, SizingDefault],
    used: list[str],
) -> Sizes:
    if estimate is None or not body.sizes_made_mm:
        return (), None, (), None
    rule = SizeRule(body.rule.offset_mm, body.rule.fit, body.rule.step_mm)
    sizes = size_distribution(estimate, rule, body.sizes_made_mm)
    middle = chosen_size(estimate.mean_mm, rule, body.sizes_made_mm)
    if middle is None:
        return sizes, None, (), 0.0
    key = f"sizes_either_side_{'calibrated' if estimate.calibrated else 'uncalibrated'}"
    used.append(key)
    bring = sizes_to_bring(middle, body.sizes_made_mm, int(rows[key].value))
    return sizes, middle, bring, cover_probability(sizes, bring)


def _tip_apex(body: SizingRequest) -> float | None:
    if body.views is None:
        return None
    return tip_apex_distance_mm(
        [
            View(view.tip_to_apex_film_mm, view.screw_true_mm, view.screw_film_mm)
            for view in body.views
        ]
    )
