"""Where the rivets of a splice stand: rows by the published least distances, or why they do not."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from loft.bench.frame import FrameLines
from loft.bench.marks import Mark
from loft.bench.splice import Leg, Splice, rivets_across, web_room
from loft.bench.tables import EDGE_LEAST, EDGE_USUAL, PITCH_USUAL
from loft.job.records import Array, freeze_arrays


@dataclass(frozen=True, eq=False, kw_only=True)
class Pattern:
    """Rivets at one splice, shape (n, 2) as (bl, height); and in words what found no room.

    Those of the flange stand where they lie on the flat blank.
    """

    splice: Mark
    web: Array
    flange: Array
    notes: tuple[str, ...]

    def __post_init__(self) -> None:
        freeze_arrays(self)


def splice_pattern(
    lines: FrameLines, plan: Splice, splice: Mark, marks: tuple[Mark, ...]
) -> Pattern:
    """Lay out the rivets on each side of a butt splice, or across a lap.

    In the web they stand in rows square to the joint, the first 2.5 D from it, rivets
    4 D apart within a row and 2.5 D off the edges, rows three quarters of that apart;
    along the flange in one row on its rivet line, 4 D apart. Where a cut-out, a pin
    or a hole is nearer than 2.5 D the rivet is left out and the next row takes it.

    Parameters
    ----------
    lines : FrameLines
    plan : Splice
        Gives the rivets of each leg; a leg that is not known has none.
    splice : Mark
        Of kind splice.
    marks : tuple of Mark
        Everything on the frame.

    Examples
    --------
    >>> from loft.bench.frame import frame_lines
    >>> from loft.bench.marks import frame_marks
    >>> from loft.bench.splice import splice_plan
    >>> from loft.bench.stock import plain_job, round_section
    >>> section, job = round_section(600.0), plain_job()
    >>> lines = frame_lines(section, job)
    >>> marks = frame_marks(section, job, lines)
    >>> plan = splice_plan(lines.part, kind="plate", rivet=3.2)
    >>> pattern = splice_pattern(lines, plan, marks[0], marks)
    >>> len(pattern.web), len(pattern.flange)
    (30, 8)
    """
    legs = {leg.name: leg for leg in plan.legs}
    sides = (1.0,) if plan.type == "overlap" else (1.0, -1.0)
    web, flange, notes = [], [], []
    for side in sides:
        found, told = _web(lines, plan, splice, marks, legs["web"], side)
        web += found
        notes += told
        found, told = _flange(lines, plan, splice, marks, legs["flange"], side)
        flange += found
        notes += told
    return Pattern(
        splice=splice,
        web=np.array(web).reshape(-1, 2),
        flange=np.array(flange).reshape(-1, 2),
        notes=tuple(dict.fromkeys(notes)),
    )


def _web(
    lines: FrameLines, plan: Splice, splice: Mark, marks: tuple[Mark, ...], leg: Leg, side: float
) -> tuple[list[Array], list[str]]:
    part, rivet = lines.part, plan.rivet
    edge, pitch, least = EDGE_USUAL * rivet, PITCH_USUAL[0] * rivet, EDGE_LEAST * rivet
    row = int(np.argmin(np.abs(lines.girth - splice.girth)))
    back = float(lines.setback[row])
    if not leg.rivets:
        return [], []
    across = rivets_across(part, back, rivet)
    if across < 1:
        return [], [f"the web's {leg.rivets} rivets find no room between bend and edge"]
    depths = sum(web_room(part, back, rivet)) / 2 + pitch * (np.arange(across) - (across - 1) / 2)
    found: list[Array] = []
    reach = edge
    most = plan.lap - edge + 1e-9 if plan.lap > 0 else 4 * part.web_depth
    while len(found) < leg.rivets and reach <= most:
        for inside in depths:
            place = _beside(lines, splice, side * reach, float(inside))
            room = _free(place, marks, edge) and _to_end(lines, plan, splice, place) >= least
            if len(found) < leg.rivets and room:
                found.append(place)
        reach += plan.transverse
    lacks = leg.rivets - len(found)
    return found, [f"{lacks} of the web's rivets at {splice.name} find no room"] if lacks else []


def _flange(
    lines: FrameLines, plan: Splice, splice: Mark, marks: tuple[Mark, ...], leg: Leg, side: float
) -> tuple[list[Array], list[str]]:
    if not leg.rivets:
        return [], []
    if not np.isfinite(lines.rivets).all():
        return [], ["the flange's rivets are not drawn: the job gives no rivet_line"]
    edge, pitch = EDGE_USUAL * plan.rivet, PITCH_USUAL[0] * plan.rivet
    length = lines.outline.length
    ahead = np.mod(side * (lines.girth - splice.girth), length)
    order = np.argsort(ahead, kind="stable")
    line = lines.rivets[order]
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    found: list[Array] = []
    reach = edge
    most = min(length / 4, 20 * leg.rivets * pitch)
    most = min(most, plan.lap - edge + 1e-9) if plan.lap > 0 else most
    while len(found) < leg.rivets and reach <= most:
        place = np.array([np.interp(reach, run, line[:, 0]), np.interp(reach, run, line[:, 1])])
        clear = _free(place, marks, edge)
        if clear:
            found.append(place)
        reach += pitch if clear else plan.rivet
    lacks = leg.rivets - len(found)
    return found, [f"{lacks} of the flange's rivets at {splice.name} find no room"] if lacks else []


def _beside(lines: FrameLines, splice: Mark, along: float, inside: float) -> Array:
    """Return a place `along` the girth from a splice, square to it, and so far inside."""
    out = np.array([math.sin(splice.angle), math.cos(splice.angle)])
    line = np.array([splice.bl, splice.height]) + along * np.array([out[1], -out[0]])
    bow = lines.flange_radius[int(np.argmin(np.abs(lines.girth - splice.girth)))]
    sag = along**2 / (2 * bow) if np.isfinite(bow) else 0.0
    return np.asarray(line - (inside + sag) * out)


def _to_end(lines: FrameLines, plan: Splice, splice: Mark, place: Array) -> float:
    """Return how far a place lies from the end of the lap; infinite without one."""
    if not plan.lap > 0:
        return math.inf
    gap = np.mod(lines.girth - splice.girth - plan.lap, lines.outline.length)
    row = int(np.argmin(np.minimum(gap, lines.outline.length - gap)))
    out = lines.normal[row]
    return float((lines.mould[row] - place) @ [out[1], -out[0]])


def _free(place: Array, marks: tuple[Mark, ...], edge: float) -> bool:
    """Say whether a rivet stands clear of every cut-out and hole."""
    for mark in marks:
        away = place - [mark.bl, mark.height]
        if mark.kind in ("pin", "hole") and np.hypot(*away) < mark.radius + edge:
            return False
        if mark.kind == "cutout":
            out = np.array([math.sin(mark.angle), math.cos(mark.angle)])
            aside = abs(float(away @ [out[1], -out[0]]))
            if aside < mark.width / 2 + edge and -float(away @ out) < mark.depth + edge:
                return False
    return True
