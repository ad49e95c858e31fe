"""Layers that are shown when they are asked for: settlement, construction, block and pieces."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from loft.bench.block import forming_block
from loft.bench.frame import frame_lines
from loft.bench.part import part_lacks
from loft.bench.step import in_space
from loft.drawing.check import Check
from loft.drawing.construction import LETTERING, Stroke, construct, lettered
from loft.drawing.sheet import lettering_of
from loft.job.errors import LoftError
from loft.job.records import Array, Frame, Job, Section, Settlements
from loft.show.cuts import Loft, frame_curves
from loft.show.sheet import plain

TIMES = (1, 2, 5, 10, 20, 50, 100)
STEP = 20.0  # mm of girth between a block's cross-sections: to be looked at, not cut


@dataclass(frozen=True, eq=False, kw_only=True)
class Extra:
    """One layer; everything in aircraft axes (station, bl, wl), mm."""

    layer: str
    words: str
    colour: str
    curves: dict[str, Array]  # name -> (n, 3)
    letters: dict[str, Array] = field(default_factory=dict)  # words -> (3,)
    solids: dict[str, tuple[Array, NDArray[np.int64]]] = field(default_factory=dict)


def extras_of(
    job: Job, sections: Sequence[Section], checks: Mapping[str, Check]
) -> tuple[Extra, ...]:
    """Return the drawing's construction and the forming blocks, where the job has them.

    A block that cannot be made is left out here: `loft make` says why.

    Parameters
    ----------
    job : Job
    sections : sequence of Section
        The lifted frames, for their blocks.
    checks : mapping of str to Check
        Frame to its drawing, checked.

    Examples
    --------
    >>> from pathlib import Path
    >>> extras_of(Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=()), (), {})
    ()
    """
    drawn = [construction_of(check, job.frame(frame)) for frame, check in checks.items()]
    made = []
    for section in sections:
        if not part_lacks(job, section.frame):
            try:
                made.append(blocks_of(section, job))
            except LoftError:
                continue
    return tuple(extra for group in (drawn, made) if group for extra in [_joined(group)])


def _joined(group: Sequence[Extra]) -> Extra:
    """Return the layers of several frames as one."""
    first = group[0]
    curves = {name: curve for extra in group for name, curve in extra.curves.items()}
    letters = {name: place for extra in group for name, place in extra.letters.items()}
    solids = {name: solid for extra in group for name, solid in extra.solids.items()}
    return Extra(
        layer=first.layer, words=first.words, colour=first.colour,
        curves=curves, letters=letters, solids=solids,
    )  # fmt: skip


def settled(job: Job, surface: Loft, found: Settlements) -> tuple[Extra, ...]:
    """Return every surveyed frame as it stands, its settlement drawn larger by a round factor.

    The largest movement is drawn up to a fifteenth of the body's height; where nothing
    moved there is no layer.

    Examples
    --------
    >>> settled(job, surface, evidence.settlements)[0].words  # doctest: +SKIP
    'settlement, 20 times as large'
    """
    standing = {str(name): at for at, name in enumerate(found.frame)}
    frames = [frame for frame in job.frames if frame.name in standing]
    curves = frame_curves(surface, frames)
    moves = {}
    for frame in frames:
        at, curve = standing[frame.name], curves[frame.name]
        up = np.array([np.sin(frame.cant), 0.0, np.cos(frame.cant)])
        across = curve[:, 1] - found.centre_bl[at]
        above = (curve[:, 2] - found.centre_wl[at]) / np.cos(frame.cant)
        rise = found.d_wl[at] + found.roll[at] * across
        move = rise[:, None] * up
        move[:, 1] = found.d_bl[at] - found.roll[at] * above
        if np.isfinite(move).all():
            moves[frame.name] = move
    largest = max((float(np.linalg.norm(move, axis=1).max()) for move in moves.values()), default=0)
    if largest < 1e-6:
        return ()
    height = max(float(np.ptp(curve[:, 2])) for curve in curves.values())
    times = max(step for step in TIMES if step <= max(height / 15.0 / largest, 1.0))
    moved = {name: curves[name] + times * move for name, move in moves.items()}
    words = f"settlement, {plain(times)} times as large"
    return (Extra(layer="settlement", words=words, colour="#a0307f", curves=moved),)


def construction_of(check: Check, frame: Frame) -> Extra:
    """Return a drawing's construction where it belongs: arcs, centres, radii, tangent points.

    Examples
    --------
    >>> construction_of(check, frame).words  # doctest: +SKIP
    "the drawing's construction"
    """
    names = [arc.name for arc in check.arcs]
    plan = construct(check.reading.fit.chain, names, lettering_of(check))
    curves, letters = {}, {}
    for number, stroke in enumerate([*plan.strokes, *lettered(plan)]):
        if stroke.layer == LETTERING:
            if " " in stroke.text:  # a radius; names of single points would crowd it
                letters[stroke.text] = in_space(frame, [stroke.start])[0]
        else:
            told = f"{frame.name} construction: {stroke.layer.lower()}"
            curves[f"{told} {number + 1}"] = in_space(frame, _bent(stroke))
    words = "the drawing's construction"
    return Extra(
        layer="construction", words=words, colour="#3b3f8f", curves=curves, letters=letters
    )


def _bent(stroke: Stroke) -> Array:
    """Return a stroke as points (bl, height)."""
    if stroke.kind == "line":
        return np.array([stroke.start, stroke.end])
    start, end = (0.0, 360.0) if stroke.kind == "circle" else stroke.angles
    turn = np.deg2rad(np.linspace(start, end, max(int(abs(end - start)), 12) + 1))
    return np.array(stroke.centre) + stroke.radius * np.column_stack([np.cos(turn), np.sin(turn)])


def blocks_of(section: Section, job: Job) -> Extra:
    """Return the forming blocks of a frame where its web lies on them, and its pieces' lines.

    Raises
    ------
    LoftError
        A figure of the part is missing, or a block cannot be made.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> blocks_of(round_section(600.0), plain_job()).words
    'forming blocks and pieces'
    """
    lines = frame_lines(section, job, step=STEP)
    curves, letters, solids = {}, {}, {}
    for piece in lines.pieces:
        outer, inner = lines.flange_line[piece.rows], lines.inner_line[piece.rows]
        ring = np.vstack([outer, inner[::-1], outer[:1]])
        name = f"{section.frame} {piece.name}"
        curves[name] = in_space(section, ring)
        letters[piece.name] = in_space(section, inner[len(inner) // 2][None])[0]
    hand, gauge = lines.part.hand, lines.part.gauge
    for block in forming_block(section, job, step=STEP, rounded=False):
        across, height, below = block.solid.points.T
        plane = np.stack([-hand * across, height], axis=-1)
        place = in_space(section, plane, aft=hand * (gauge - below))
        solids[f"{section.frame} {block.name}"] = (place, block.solid.triangles)
    words = "forming blocks and pieces"
    return Extra(
        layer="blocks", words=words, colour="#a9763a",
        curves=curves, letters=letters, solids=solids,
    )  # fmt: skip
