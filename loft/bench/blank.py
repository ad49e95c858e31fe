"""Flat blanks: the web with its flanges laid flat, cut-outs, relief and holes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from loft.bench.bend import bend_allowance, edge_strain, setback
from loft.bench.frame import FrameLines
from loft.bench.marks import Mark
from loft.bench.pieces import Piece, on_piece
from loft.bench.tables import relief_hole
from loft.job.errors import LoftError
from loft.job.records import Array, freeze_arrays

_BEYOND = 10.0  # mm that a cut-out is carried past the edge it cuts through
_ARC = 8  # parts of a rounded corner


@dataclass(frozen=True, eq=False, kw_only=True)
class Blank:
    """The flat blank of one piece, in the frame's plane; lines (n, 2) as (bl, height)."""

    piece: Piece
    cut: Array  # the outline to cut, trim included, closed
    openings: tuple[Array, ...]  # outlines inside it: of a whole ring its middle
    trim: Array  # the flange's edge once trimmed
    web_tangent: Array
    flange_tangent: Array
    rivets: Array
    inner: tuple[Array, ...]  # inner flange: its tangent lines, empty without one
    pins: tuple[Mark, ...]
    holes: tuple[Mark, ...]  # lightening holes
    relief: tuple[tuple[float, float, float], ...]  # bl, height, diameter
    area: float  # mm2

    def __post_init__(self) -> None:
        freeze_arrays(self)


def flat_blank(lines: FrameLines, marks: Sequence[Mark], piece: Piece) -> Blank:
    """Lay one piece flat: the web as it is, the flange turned up about its bend.

    Outwards of the web's tangent line the flat is as long as the bend's allowance
    and the straight of the flange. What is cut out: a notch at every stringer, right
    through the flange; at a chine a relief hole where the bend tangent lines meet and
    a notch from it to the edge; the pin holes.

    Parameters
    ----------
    lines : FrameLines
    marks : sequence of Mark
    piece : Piece

    Returns
    -------
    Blank

    Raises
    ------
    LoftError
        The cut-outs cut the blank in two.

    Examples
    --------
    >>> from loft.bench.frame import frame_lines
    >>> from loft.bench.stock import plain_job, round_section
    >>> lines = frame_lines(round_section(600.0), plain_job())
    >>> blank = flat_blank(lines, [], lines.pieces[0])
    >>> round(float(np.hypot(*blank.trim[0])), 3)
    614.817
    """
    from shapely.geometry import Polygon
    from shapely.ops import unary_union

    rows = piece.rows
    flat = inner_flat(lines)
    inner = lines.inside(flat)[rows]
    sheet = _ring(Polygon, lines.trimmed[rows], inner, closed=piece.closed)
    reach = lines.part.flange + lines.part.trim + _BEYOND
    own = [mark for mark in marks if on_piece(piece, mark.girth, lines.outline.length)]
    notches = [Polygon(notch(m, beyond=reach)) for m in marks if m.kind == "cutout"]
    relief = tuple(_relief(lines, mark) for mark in own if mark.kind == "chine")
    slots = [_slot(Polygon, lines, mark) for mark in own if mark.kind == "chine"]
    cut = sheet.difference(unary_union([*notches, *slots])) if notches or slots else sheet
    if cut.geom_type != "Polygon":
        raise LoftError(f"the cut-outs leave the blank {piece.name} in {len(cut.geoms)} parts")
    return Blank(
        piece=piece,
        cut=np.array(cut.exterior.coords)[:-1],
        openings=tuple(np.array(ring.coords)[:-1] for ring in cut.interiors),
        trim=lines.blank[rows],
        web_tangent=lines.web_tangent[rows],
        flange_tangent=lines.inside(lines.setback - lines.allowance)[rows],
        rivets=lines.rivets[rows],
        inner=_inner_tangents(lines, piece),
        pins=tuple(mark for mark in own if mark.kind == "pin"),
        holes=tuple(mark for mark in own if mark.kind == "hole"),
        relief=relief,
        area=float(cut.area) - sum(np.pi * m.radius**2 for m in own if m.kind == "hole"),
    )


def inner_flat(lines: FrameLines) -> float:
    """Return how far inside the flange line the blank's inner edge lies, mm.

    Examples
    --------
    >>> from loft.bench.frame import frame_lines
    >>> from loft.bench.stock import plain_job, round_section
    >>> inner_flat(frame_lines(round_section(600.0), plain_job()))
    75.0
    """
    part = lines.part
    if not part.inner_flange:
        return part.web_depth
    back, allowance = inner_bend(lines)
    return part.web_depth + part.inner_flange - 2 * back + allowance + part.trim


def inner_bend(lines: FrameLines) -> tuple[float, float]:
    """Return setback and allowance of the inner flange's bend, mm.

    Examples
    --------
    >>> from loft.bench.frame import frame_lines
    >>> from loft.bench.stock import plain_job, round_section
    >>> [round(x, 3) for x in inner_bend(frame_lines(round_section(600.0), plain_job()))]
    [5.2, 7.117]
    """
    part = lines.part
    bend = np.pi - part.inner_angle
    back = setback(bend, radius=part.radius, gauge=part.gauge)
    allowance = bend_allowance(bend, radius=part.radius, gauge=part.gauge, constant=part.constant)
    return float(back), float(allowance)


def inner_strain(lines: FrameLines) -> Array:
    """Return the strain of the inner flange's free edge for each row, stretch positive.

    Seen from the inner flange a convex frame is hollow.

    Examples
    --------
    >>> from loft.bench.frame import frame_lines
    >>> from loft.bench.stock import plain_job, round_section
    >>> float(inner_strain(frame_lines(round_section(600.0), plain_job()))[0])
    0.0
    """
    part = lines.part
    radius = lines.flange_radius - part.web_depth
    return edge_strain(part.inner_angle, width=part.inner_flange, radius=-radius)


def notch(mark: Mark, *, beyond: float) -> Array:
    """Return the outline of a cut-out, (n, 2): down one side, round the foot, up the other.

    Its foot runs along the mould line, its sides lean with the stringer; the two
    corners of the foot are rounded.

    Parameters
    ----------
    mark : Mark
        Of kind cutout.
    beyond : float
        How far past the flange line the sides are carried, mm.

    Examples
    --------
    >>> mark = Mark(kind="cutout", name="S1S", girth=0.0, bl=0.0, height=0.0, angle=0.0,
    ...             width=20.0, depth=22.0, radius=0.0)
    >>> notch(mark, beyond=5.0).round(6).tolist()
    [[-10.0, 5.0], [-10.0, -22.0], [10.0, -22.0], [10.0, 5.0]]
    """
    square = mark.angle + mark.lean  # direction of the normal
    out = np.array([np.sin(square), np.cos(square)])
    along = np.array([np.cos(square), -np.sin(square)])
    sway = np.tan(mark.lean)  # of the foot, to greater girth for each mm of depth

    def corner(sideways: float, inwards: float) -> Array:
        middle = np.array([mark.bl, mark.height])
        return middle + (sideways + sway * inwards) * along - inwards * out

    half, radius = mark.width / 2, min(mark.radius, mark.width / 2)
    path = [corner(-half, -beyond), corner(-half, mark.depth), corner(half, mark.depth)]
    path.append(corner(half, -beyond))
    return np.concatenate(
        [
            path[:1],
            fillet(path[0], path[1], path[2], radius),
            fillet(path[1], path[2], path[3], radius),
            path[3:],
        ]
    )


def fillet(before: Array, corner: Array, after: Array, radius: float) -> Array:
    """Return the points that round a corner by an arc; the corner itself for no radius.

    Examples
    --------
    >>> fillet(np.array([0, 5]), np.zeros(2), np.array([5, 0]), 2.0)[[0, -1]].round(9).tolist()
    [[0.0, 2.0], [2.0, 0.0]]
    """
    if radius <= 0:
        return corner[None, :]
    u = (before - corner) / np.linalg.norm(before - corner)
    v = (after - corner) / np.linalg.norm(after - corner)
    half = 0.5 * np.arccos(np.clip(u @ v, -1.0, 1.0))
    reach = radius / np.tan(half)
    middle = (u + v) / np.linalg.norm(u + v)
    centre = corner + middle * radius / np.sin(half)
    start, stop = corner + reach * u - centre, corner + reach * v - centre
    turn = np.arctan2(start[0] * stop[1] - start[1] * stop[0], start @ stop)
    steps = turn * np.arange(_ARC + 1) / _ARC
    spin = np.stack([np.cos(steps), -np.sin(steps), np.sin(steps), np.cos(steps)], axis=-1)
    arc = centre + np.einsum("nij,j->ni", spin.reshape(-1, 2, 2), start)
    arc[0], arc[-1] = corner + reach * u, corner + reach * v
    return arc


def _ring(polygon: Any, outer: Array, inner: Array, *, closed: bool) -> Any:
    """Return the sheet between two lines."""
    if closed:
        return polygon(outer, [inner])
    return polygon(np.concatenate([outer, inner[::-1]])).buffer(0)


def _relief(lines: FrameLines, mark: Mark) -> tuple[float, float, float]:
    """Return the relief hole of a chine: where the web's tangent lines meet."""
    row = int(np.argmin(np.abs(lines.girth - mark.girth)))
    least = relief_hole(lines.part.gauge)
    across = np.fmax(least, lines.part.radius)  # as wide as the bend radius, or the table's least
    bl, height = lines.web_tangent[row].tolist()
    return bl, height, float(across)


def _slot(polygon: Any, lines: FrameLines, mark: Mark) -> Any:
    """Return relief hole and notch of a chine as one outline.

    At an outward chine each side's flange ends square to its own side: what lies
    between would stand in the other's way once turned down. At a hollow one a slot
    on the bisector parts them.
    """
    from shapely.geometry import LineString, Point
    from shapely.ops import unary_union

    bl, height, across = _relief(lines, mark)
    reach = 3 * (lines.part.flange + lines.part.trim + _BEYOND)
    centre = np.array([bl, height])
    gap = np.abs(lines.girth - mark.girth)
    rows = np.flatnonzero(gap < gap.min() + 1e-9)
    first, last = lines.normal[rows[0]], lines.normal[rows[-1]]
    if lines.before[rows[-1]]:  # at girth 0 the row before stands last
        first, last = last, first
    outward = first[0] * last[1] - first[1] * last[0] < 0
    ways = [first, last] if outward else [np.array([np.sin(mark.angle), np.cos(mark.angle)])]
    tips = [tuple(centre + reach * way) for way in ways]
    parts = [LineString([(bl, height), tip]).buffer(across / 2, cap_style="flat") for tip in tips]
    if outward:
        parts.append(polygon([(bl, height), *tips]))
    return unary_union([*parts, Point(bl, height).buffer(across / 2, 16)])


def _inner_tangents(lines: FrameLines, piece: Piece) -> tuple[Array, ...]:
    part = lines.part
    if not part.inner_flange:
        return ()
    back, allowance = inner_bend(lines)
    depth = part.web_depth
    return (
        lines.inside(depth - back)[piece.rows],
        lines.inside(depth - back + allowance)[piece.rows],
        lines.inside(depth - 2 * back + allowance + part.inner_flange)[piece.rows],
    )
