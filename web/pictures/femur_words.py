"""The same in sentences: every implant, number and gap that the picture of a construct shows."""

from web.pictures.bone import Femur
from web.pictures.implants import Construct
from web.pictures.layout import Drawn, Layout

__all__ = ["words_of"]

_LINES = {
    "trochanteric simple": "one line between the trochanters",
    "trochanteric multifragmentary": "several lines through the trochanters",
    "reverse oblique": "a line that rises from the lateral cortex to the lesser trochanter",
    "subtrochanteric": "a line across the shaft below the lesser trochanter",
}


def words_of(layout: Layout, construct: Construct) -> tuple[str, ...]:
    """Say what a picture of a construct shows.

    Parameters
    ----------
    layout
        What is drawn.
    construct
        What was planned.

    Returns
    -------
    tuple of str
        Sentences: construct and side, each implant, the bone, the fracture, what is left out.
    """
    femur = layout.femur
    return (
        f"{construct.name} in a {femur.side} hip, seen from the front.",
        *(_drawn(one) for one in layout.drawn),
        *_bone(femur),
        _fracture(femur),
        *_break(layout),
        *layout.not_drawn,
        "Schematic, not for measuring; a bar shows 50 mm.",
    )


def _drawn(one: Drawn) -> str:
    count = "" if one.count == 1 else f", {one.count} of them"
    size = f", {one.implant.size}" if one.implant.size else ""
    return f"{one.implant.name}{size}{count}."


def _bone(femur: Femur) -> tuple[str, ...]:
    if femur.out_of_range:
        return ()
    path, canal = f"{femur.neck_path_mm:.0f} mm", f"{femur.canal_mm:.0f} mm"
    known = f"a path of {path} up the neck and a canal of {canal}"
    return (f"Bone drawn with {known}; its other proportions are assumed.",)


def _fracture(femur: Femur) -> str:
    if femur.fracture is None:
        return "No fracture class is given, so no fracture line is drawn."
    text = f"Fracture drawn as {femur.fracture}: {_LINES[femur.fracture]}"
    if femur.lateral_wall == "broken":
        return f"{text}; the lateral wall is broken."
    if femur.lateral_wall_mm is not None:
        return f"{text}; lateral wall {femur.lateral_wall_mm:g} mm."
    return f"{text}; the lateral wall was not measured."


def _break(layout: Layout) -> tuple[str, ...]:
    if layout.cut is None:
        return ()
    return (f"The drawing leaves out {layout.cut.omitted_mm:.0f} mm of the shaft at the break.",)
