"""A construct laid into a femur, as numbers in millimetres: what the picture draws.

What is not known, or does not fit the bone as it was measured, is left out and said in a sentence.
"""

from dataclasses import replace

from web.pictures.femur.bone import RANGES, Femur, bone_of, fracture_lines
from web.pictures.femur.implants import ConstructLayout, LayoutDraft, PicturedConstruct
from web.pictures.femur.nails import lay_nail
from web.pictures.femur.plates import lay_extras, lay_plates

_MEASURES = {
    "neck_path_mm": "path up the neck",
    "canal_mm": "canal",
    "neck_shaft_deg": "angle between neck and shaft",
    "head_mm": "diameter of the head",
}


def lay_out(femur: Femur, construct: PicturedConstruct) -> ConstructLayout:
    """Lay a construct into a femur.

    Parameters
    ----------
    femur
        What is known of the bone.
    construct
        What is planned.

    Returns
    -------
    ConstructLayout
        Coordinates of the hip asked for. Each implant of the construct is either in ``drawn`` or
        named in ``not_drawn``; one that fits in part is in both.
    """
    draft = LayoutDraft(not_drawn=list(construct.missing))
    if femur.out_of_range:
        shown = replace(femur, **{name: getattr(_USUAL, name) for name in RANGES})
        for name in femur.out_of_range:
            value, (least, most) = getattr(femur, name), RANGES[name]
            draft.not_drawn.append(
                f"The {_MEASURES[name]} of {value:.0f} is outside the {least:g} to {most:g} that "
                "can be drawn: the bone is a usual one, and no implant is drawn in it."
            )
    else:
        shown = femur
    bone = bone_of(shown)
    if not femur.out_of_range:
        lay_nail(draft, bone, femur.canal_mm, construct)
        lay_plates(draft, bone, construct)
        lay_extras(draft, bone, femur.neck_shaft_deg, construct)
        _say_the_rest(draft, construct)
    layout = draft.finished(replace(femur, side="right"), bone, fracture_lines(shown, bone))
    return layout.mirror() if femur.side == "left" else layout


_USUAL = Femur("right")


def _say_the_rest(draft: LayoutDraft, construct: PicturedConstruct) -> None:
    """Name each implant that no part of the layout has taken up."""
    said = " ".join(draft.not_drawn)
    shown = {one.implant for one in draft.drawn}
    for implant in construct.implants:
        if implant not in shown and f"Not drawn: {implant.name}" not in said:
            draft.refuse(implant, "there is nothing drawn that it belongs to")
