"""The construction of a section at full size, as DXF: arcs, centres, radii, tangent points."""

from __future__ import annotations

from typing import Any

import numpy as np

from loft.bench.drawing import Drawing, Layer
from loft.bench.plot import dxf_of
from loft.drawing.construction import AXES, OUTLINE, POINTS, RADII, Construction, lettered
from loft.job.caution import SHAPE_ONLY

LAYERS = {
    OUTLINE: Layer(name="OUTLINE", colour=5, ink="", width=0.5),
    AXES: Layer(name="CENTRE_LINES", colour=8, ink="", width=0.18, dash=(60.0, 10.0, 5.0, 10.0)),
    RADII: Layer(name="RADII", colour=8, ink="", width=0.18),
    POINTS: Layer(name="TANGENT_POINTS", colour=1, ink="", width=0.25),
    "": Layer(name="LETTERING", colour=7, ink="", width=0.18),
}
CAPITALS = 0.012  # height of the lettering, as a share of the section's


def struck_dxf(plan: Construction, *, title: str) -> bytes:
    """Return a construction as DXF in mm: bl to the right, height in the frame's plane up.

    Arcs are arcs, not chords, each once for either half. Under the section stand every
    centre and tangent point with their figures.

    Examples
    --------
    >>> from loft.drawing.chain import strike
    >>> from loft.drawing.construction import construct
    >>> plan = construct(strike(600.0, [620.0, 300.0], [1.0, 2.0]), ["crown", "side", "bottom"])
    >>> b"AcDbArc" in struck_dxf(plan, title="F14")
    True
    """
    tall = plan.chain.crown - plan.chain.keel
    size = CAPITALS * tall
    drawing = Drawing(title=title, subject=f"construction of the section; mm; {SHAPE_ONLY}")
    for stroke in plan.strokes:
        if stroke.kind == "line":  # so that the extent is known
            drawing.stroke("", [stroke.start, stroke.end])
    for words in lettered(plan):
        drawing.letter(words.start, words.text, height=size)
    for stroke in plan.strokes:
        if stroke.text:
            drawing.letter(stroke.end, stroke.text, height=size)
    left = -float(np.abs(plan.chain.knot[:, 0]).max())
    drawing.rows((left, plan.chain.keel - 0.12 * tall), _table(plan, title), height=size)

    def fill(space: Any) -> None:
        for stroke in plan.strokes:
            on = {"layer": LAYERS[stroke.layer].name}
            if stroke.kind == "arc":
                space.add_arc(stroke.centre, stroke.radius, *stroke.angles, dxfattribs=on)
            elif stroke.kind == "circle":
                space.add_circle(stroke.centre, stroke.radius, dxfattribs=on)
            else:
                space.add_line(stroke.start, stroke.end, dxfattribs=on)

    return dxf_of(drawing, fill, LAYERS.values())


def _table(plan: Construction, title: str) -> list[str]:
    """Return the rows of lettering under the section."""
    rows = [
        title,
        "Construction of the section, looking forward: starboard right. Lengths in mm;",
        f"heights in the frame's plane. {SHAPE_ONLY.capitalize()}.",
        "",
    ]
    for index, (name, words) in enumerate(zip(plan.names, plan.words, strict=True)):
        centre, end = plan.centres[index], plan.tangents[index + 1]
        place = (
            f"centre {centre.name} bl {round(centre.bl, 1) + 0.0:.1f} height {centre.height:.1f}, "
        )
        last = "keel" if index + 1 == len(plan.names) else end.name
        rows.append(
            f"{name}: {words}, {place if centre.name else ''}"
            f"ends {last} bl {round(end.bl, 1) + 0.0:.1f} height {end.height:.1f}"
        )
    return rows
