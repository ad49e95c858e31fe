"""A section's mould line as a closed curve that can be asked anything at any girth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

from loft.job.errors import Finding, LoftError
from loft.job.records import Array, Corner, Section, freeze_arrays

SAME_GIRTH = 1e-4  # mm: nearer than this two girths are one


@dataclass(frozen=True, eq=False, kw_only=True)
class Places:
    """What the mould line is at some girths; arrays of shape (n,), normals (n, 2).

    Points and normals are (bl, height) in the frame's plane, normals outward.
    """

    girth: Array
    point: Array
    normal: Array
    bevel: Array
    curvature: Array  # 1/mm, positive convex
    sd: Array
    bevel_sd: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)


@dataclass(frozen=True, eq=False, kw_only=True)
class Outline:
    """The closed mould line of a section, cubic between its points.

    Nodes have shape (m,), ordered by girth, a corner standing twice (before and
    after); the last node is the first one again, a girth `length` further on.
    """

    length: float
    girth: Array
    point: Array
    normal: Array
    curvature: Array
    sd: Array
    bevel_sd: Array
    corners: Array  # girths of the corners
    bevels: tuple[CubicSpline, ...]  # one for each smooth run between corners
    starts: Array  # girth at which each run begins

    def __post_init__(self) -> None:
        freeze_arrays(self)


def outline_of(section: Section) -> Outline:
    """Make the closed curve of a section.

    Between neighbouring points stands a cubic with the points' own tangents, as
    long as the arc that turns from one normal to the other: its error falls with
    the fourth power of the spacing. Corners are kept: nothing is smoothed over
    them.

    Parameters
    ----------
    section : Section
        Points in order of girth, clockwise looking forward.

    Returns
    -------
    Outline

    Raises
    ------
    LoftError
        The points run the wrong way round, or a corner is no point of the section.

    Examples
    --------
    >>> from loft.bench.stock import round_section
    >>> outline = outline_of(round_section(600.0))
    >>> at(outline, [0.0]).point.round(6).tolist()
    [[0.0, 600.0]]
    """
    _check_order(section)
    rows = _corner_rows(section)
    index, after = _nodes(len(section.girth), rows)
    girth = section.girth[index].copy()
    normal = np.column_stack([section.normal_bl, section.normal_height])[index]
    bevel = section.bevel[index].copy()
    girth[-1] = girth[0] + section.length
    for row, corner in rows.items():
        for node in np.flatnonzero(index == row).tolist():
            late = bool(after[node])
            normal[node] = corner.normal_after if late else corner.normal_before
            bevel[node] = corner.bevel_after if late else corner.bevel_before
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    runs, starts = _bevel_runs(girth, bevel, bool(rows))
    return Outline(
        length=float(section.length),
        girth=girth,
        point=np.column_stack([section.bl, section.height])[index],
        normal=normal,
        curvature=_curvature(girth, normal),
        sd=section.sd[index],
        bevel_sd=section.bevel_sd[index],
        corners=np.array([section.girth[row] for row in sorted(rows)]),
        bevels=runs,
        starts=starts,
    )


def at(outline: Outline, girth: ArrayLike, *, before: ArrayLike = False) -> Places:
    """Return what the mould line is at some girths.

    Parameters
    ----------
    outline : Outline
    girth : array_like, shape (n,)
        mm from the crown, any number of turns; taken modulo the whole girth.
    before : bool or array_like of bool, shape (n,)
        At a corner give the side of lesser girth; else that of greater girth.

    Returns
    -------
    Places

    Examples
    --------
    >>> import numpy as np
    >>> from loft.bench.stock import round_section
    >>> outline = outline_of(round_section(600.0))
    >>> at(outline, [outline.length / 4]).normal.round(6).tolist()
    [[1.0, 0.0]]
    """
    girth = np.atleast_1d(np.asarray(girth, dtype=np.float64))
    early = np.broadcast_to(np.asarray(before, dtype=bool), girth.shape)
    turn = np.mod(girth - outline.girth[0], outline.length) + outline.girth[0]
    turn = _snap(turn, outline)
    low = np.searchsorted(outline.girth, turn, side="right") - 1
    last = np.searchsorted(outline.girth, turn, side="left") - 1
    # before a corner that is the very first node lies the end of the last interval
    wrap = early & (last < 0)
    place = np.where(early, np.where(last < 0, len(outline.girth) - 2, last), low)
    place = np.clip(place, 0, len(outline.girth) - 2)
    step = outline.girth[place + 1] - outline.girth[place]
    share = np.where(wrap, 1.0, (turn - outline.girth[place]) / np.where(step > 0, step, 1.0))
    point, tangent = _cubic(outline, place, share)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    blend = _blender(place, share)
    return Places(
        girth=turn,
        point=point,
        normal=normal / np.linalg.norm(normal, axis=1)[:, None],
        bevel=_bevel(outline, np.where(wrap, outline.girth[-1], turn), early),
        curvature=blend(outline.curvature),
        sd=blend(outline.sd),
        bevel_sd=blend(outline.bevel_sd),
    )


def offset_outline(section: Section, depth: ArrayLike | Callable[[Array], Array]) -> Array:
    """Move the mould line inwards in the plane, by a depth normal to the surface.

    The deduction in the plane is depth / cos(bevel).

    Parameters
    ----------
    section : Section
    depth : array_like, shape () or (n,), or function of girth
        mm normal to the surface, one for all or one for each point.

    Returns
    -------
    moved : ndarray, shape (n, 2)
        (bl, height) for each point of the section.

    Raises
    ------
    LoftError
        The mould line curves so sharply that the moved line would fold over.

    Examples
    --------
    >>> from loft.bench.stock import round_section
    >>> offset_outline(round_section(600.0), 0.9)[0].round(4).tolist()
    [0.0, 599.1]
    """
    amount = np.asarray(depth(section.girth) if callable(depth) else depth, dtype=np.float64)
    inwards = np.broadcast_to(amount / np.cos(section.bevel), section.girth.shape)
    corner = np.isin(section.girth, [corner.girth for corner in section.corners])
    with np.errstate(divide="ignore"):
        radius = 1.0 / at(outline_of(section), section.girth).curvature
    tight = (radius > 0) & (radius <= inwards) & ~corner
    if tight.any():
        worst = int(np.argmin(np.where(tight, radius, np.inf)))
        raise LoftError(fold_finding(section.girth[worst], radius[worst], inwards[worst]))
    normal = np.column_stack([section.normal_bl, section.normal_height])
    return np.column_stack([section.bl, section.height]) - inwards[:, None] * normal


def fold_finding(girth: float, radius: float, inwards: float) -> Finding:
    """Say that an offset folds over itself."""
    return Finding(
        column="girth",
        text=f"at girth {girth:.1f} mm the mould line's radius is {radius:.1f} mm and the line "
        f"inside it stands {inwards:.1f} mm in; a radius greater than that is wanted, or a chine",
    )


def _check_order(section: Section) -> None:
    bl, height = section.bl, section.height
    area = 0.5 * float(np.sum(bl * np.roll(height, -1) - np.roll(bl, -1) * height))
    if not area < 0:
        raise LoftError(
            f"the section of {section.frame} runs from crown to port; crown to starboard is wanted"
        )


def _corner_rows(section: Section) -> dict[int, Corner]:
    """Return the corners by the row of the section they stand on."""
    rows = {}
    for corner in section.corners:
        gap = np.abs(np.mod(section.girth - corner.girth + 1.0, section.length) - 1.0)
        row = int(np.argmin(gap))
        if gap[row] > SAME_GIRTH:
            raise LoftError(
                f"the chine {corner.line} at girth {corner.girth:.3f} mm is no point of the section"
            )
        rows[row] = corner
    return rows


def _nodes(count: int, corners: dict[int, Corner]) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return rows of the section in order, corners twice, closed; and which come after."""
    index, after = [], []
    for row in range(count):
        if row in corners and row > 0:
            index.append(row)
            after.append(False)
        index.append(row)
        after.append(True)
    index.append(0)
    after.append(False)
    return np.array(index), np.array(after)


def _curvature(girth: Array, normal: Array) -> Array:
    """Return the curvature at the nodes from the turn of the normals, of the second order.

    The turn is taken and not the section's radius, so that line, normals and
    curvature are those of one curve.
    """
    heading = np.unwrap(np.arctan2(normal[:, 0], normal[:, 1]))
    step = np.diff(girth)
    mean = np.where(step > 0, np.diff(heading) / np.where(step > 0, step, 1.0), np.nan)
    ahead, behind = np.append(mean, np.nan), np.insert(mean, 0, np.nan)
    after, before = np.append(step, 0.0), np.insert(step, 0, 0.0)
    if abs(np.sin(heading[-1] - heading[0])) < 1e-9:  # no corner at girth 0
        ahead[-1], behind[0], after[-1], before[0] = mean[0], mean[-1], step[0], step[-1]
    lone_ahead, lone_behind = np.isnan(behind), np.isnan(ahead)
    ahead[lone_behind], behind[lone_ahead] = behind[lone_behind], ahead[lone_ahead]
    return (ahead * before + behind * after) / (before + after)


def _bevel_runs(girth: Array, bevel: Array, broken: bool) -> tuple[tuple[CubicSpline, ...], Array]:
    """Return a spline of the bevel for each smooth run, and where each begins."""
    cuts = np.flatnonzero(np.diff(girth) == 0.0) + 1
    edges = [0, *cuts.tolist(), len(girth)]
    smooth_at_zero = not len(cuts) and not broken
    if smooth_at_zero:
        ring = np.append(bevel[:-1], bevel[0])
        return (CubicSpline(girth, ring, bc_type="periodic"),), girth[:1]
    runs = []
    for first, stop in pairwise(edges):
        part = slice(first, stop)
        if stop - first < 2:
            raise LoftError(f"two chines stand at one girth, {girth[first]:.3f} mm")
        runs.append(CubicSpline(girth[part], bevel[part]))
    return tuple(runs), girth[edges[:-1]]


def _bevel(outline: Outline, girth: Array, early: NDArray[np.bool_]) -> Array:
    run = np.where(
        early,
        np.searchsorted(outline.starts, girth, side="left") - 1,
        np.searchsorted(outline.starts, girth, side="right") - 1,
    )
    out = np.zeros_like(girth)
    for number in np.unique(run):
        spline = outline.bevels[max(int(number), 0)]
        out[run == number] = spline(girth[run == number])
    return out


def _snap(girth: Array, outline: Outline) -> Array:
    """Put a girth that all but stands at a corner onto it."""
    for corner in outline.corners:
        girth = np.where(np.abs(girth - corner) < SAME_GIRTH, corner, girth)
    if 0.0 in np.abs(outline.corners - outline.girth[0]):
        girth = np.where(outline.girth[-1] - girth < SAME_GIRTH, outline.girth[0], girth)
    return girth


def _cubic(outline: Outline, place: NDArray[np.int64], share: Array) -> tuple[Array, Array]:
    """Return points and tangents on the cubics."""
    first, last = outline.point[place], outline.point[place + 1]
    along = np.column_stack([outline.normal[:, 1], -outline.normal[:, 0]])
    begin, end = along[place], along[place + 1]
    half = 0.5 * np.arccos(np.clip(np.sum(begin * end, axis=1), -1.0, 1.0))
    chord = np.linalg.norm(last - first, axis=1)
    arc = (chord / np.sinc(half / np.pi))[:, None]
    u = share[:, None]
    point = (
        (1 + 2 * u) * (1 - u) ** 2 * first
        + u * (1 - u) ** 2 * arc * begin
        + u**2 * (3 - 2 * u) * last
        - u**2 * (1 - u) * arc * end
    )
    tangent = (
        6 * u * (1 - u) * (last - first)
        + (1 - u) * (1 - 3 * u) * arc * begin
        + u * (3 * u - 2) * arc * end
    )
    return point, tangent


def _blender(place: NDArray[np.int64], share: Array) -> Callable[[Array], Array]:
    """Return a function that reads a node value between nodes."""
    return lambda value: (1 - share) * value[place] + share * value[place + 1]
