"""Mend lines that were moved in the plane: mitres at chines, folds trimmed at their crossing."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from loft.job.errors import Finding, LoftError
from loft.job.records import Array

_REACH = 600  # segments looked at on either side of a fold


def mend(line: Array, base: Array, normal: Array, girth: Array) -> Array:
    """Mitre and trim a closed line that was moved along the normals of another.

    At a chine, two rows of one base point, both sides are carried on to their
    intersection and both rows stand there. Where a moved line folds back, since it
    was moved further than the radius or past the neighbour at a chine, everything
    between the two branches is put onto their crossing. No row is added or lost.

    Parameters
    ----------
    line : ndarray, shape (n, 2)
        The moved line, a row for each of `base`, closed (the last joins the first).
    base, normal : ndarray, shape (n, 2)
        Where it was moved from, and the outward normals.
    girth : ndarray, shape (n,)
        Of the rows, for the refusal.

    Returns
    -------
    mended : ndarray, shape (n, 2)

    Raises
    ------
    LoftError
        A fold has no crossing: the moved line cannot be.

    Examples
    --------
    >>> base = np.array([[0.0, 1.0], [1.0, 1.0], [1.0, 1.0], [1.0, 0.0], [0.0, 0.0]])
    >>> normal = np.array([[0.0, 1.0], [0.0, 1.0], [1.0, 0.0], [1.0, 0.0], [-0.7, -0.7]])
    >>> mend(base + 0.1 * normal, base, normal, np.arange(5.0))[1:3].round(3).tolist()
    [[1.1, 1.1], [1.1, 1.1]]
    """
    mended = _mitre(line, base, normal)
    along = np.column_stack([normal[:, 1], -normal[:, 0]])
    if _turned_over(mended, base, along):
        raise LoftError(
            "a line moved in the frame's plane is turned inside out: the web is deeper than the "
            "frame's own radius; a smaller web_depth is wanted"
        )
    for first, last in folded_runs(mended, along):
        mended = _trim(mended, first, last, girth)
    return mended


def folded_runs(line: Array, along: Array) -> list[tuple[int, int]]:
    """Return runs of steps of a closed line that go backwards: (first, last) step of each.

    Step i goes from row i to row i + 1.

    Examples
    --------
    >>> line = np.array([[0.0, 0.0], [2.0, 0.0], [1.0, 0.0], [3.0, 0.0]])
    >>> folded_runs(line, np.tile([1.0, 0.0], (4, 1)))
    [(1, 1), (3, 3)]
    """
    step = np.roll(line, -1, axis=0) - line
    way = along + np.roll(along, -1, axis=0)
    back = np.sum(step * way, axis=1) < -1e-9
    if not back.any() or back.all():
        return [(0, len(line) - 1)] if back.any() else []
    start = int(np.flatnonzero(~back)[0])  # begin where the line runs well
    turned = np.roll(back, -start)
    edges = np.flatnonzero(np.diff(turned.astype(int)))
    edges = np.append(edges, len(line) - 1) if turned[-1] else edges
    count = len(line)
    return [
        ((int(a) + 1 + start) % count, (int(b) + start) % count)
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    ]


def _turned_over(line: Array, base: Array, along: Array) -> bool:
    """Say whether the greater part of a moved line runs backwards."""
    step = np.linalg.norm(np.roll(base, -1, axis=0) - base, axis=1)
    back = np.zeros(len(line), dtype=bool)
    for first, last in folded_runs(line, along):
        back[np.arange(first, first + (last - first) % len(line) + 1) % len(line)] = True
    return bool(step[back].sum() > 0.5 * step.sum())


def _mitre(line: Array, base: Array, normal: Array) -> Array:
    """Put both rows of a chine that gapes onto the intersection of its sides."""
    ahead, following = np.roll(base, -1, axis=0), np.roll(normal, -1, axis=0)
    way = normal + following
    step = np.roll(line, -1, axis=0) - line
    gapes = step[:, 0] * way[:, 1] - step[:, 1] * way[:, 0] > 0  # the rest fold, and are trimmed
    breaks = np.abs(normal - following).max(axis=1) > 1e-9
    chines = np.flatnonzero((np.abs(ahead - base).max(axis=1) < 1e-9) & breaks & gapes)
    mended = line.copy()
    for row in chines:
        other = (row + 1) % len(line)
        sides = np.array([normal[row], normal[other]])
        inset = np.array([np.dot(normal[i], line[i] - base[i]) for i in (row, other)])
        mended[row] = mended[other] = base[row] + np.linalg.solve(sides, inset)
    return mended


def _trim(line: Array, first: int, last: int, girth: Array) -> Array:
    """Put the rows of one fold onto the crossing of the branches before and after it."""
    count = len(line)
    reach = min(_REACH, (count - 1) // 2)
    left = (first - np.arange(reach)) % count  # rows; the segment ends there
    right = (last + 1 + np.arange(reach)) % count  # rows; the segment begins there
    hit = _first_crossing(line, left, right)
    if hit is None:
        raise LoftError(
            Finding(
                column="girth",
                text=f"at girth {girth[first]:.1f} to {girth[(last + 1) % count]:.1f} mm a line "
                "moved in the frame's plane folds over itself and does not cross again: "
                "a smaller depth, flange or web is wanted there",
            )
        )
    back, ahead, point = hit
    span = (int(right[ahead]) - int(left[back])) % count
    rows = (int(left[back]) + np.arange(span + 1)) % count
    mended = line.copy()
    mended[rows] = point
    return mended


def _first_crossing(
    line: Array, left: NDArray[np.int64], right: NDArray[np.int64]
) -> tuple[int, int, Array] | None:
    """Return which segments cross nearest the fold, and where.

    Left segment i runs from row left[i] - 1 to row left[i], right segment j from
    row right[j] to row right[j] + 1.
    """
    count = len(line)
    a0, a1 = line[(left - 1) % count], line[left]
    b0, b1 = line[right], line[(right + 1) % count]
    u, v = (a1 - a0)[:, None, :], (b1 - b0)[None, :, :]
    gap = b0[None, :, :] - a0[:, None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        cross = u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]
        s = (gap[..., 0] * v[..., 1] - gap[..., 1] * v[..., 0]) / cross
        t = (gap[..., 0] * u[..., 1] - gap[..., 1] * u[..., 0]) / cross
        good = (s >= -1e-12) & (s <= 1 + 1e-12) & (t >= -1e-12) & (t <= 1 + 1e-12)
    if not good.any():
        return None
    rank = np.where(good, np.arange(len(left))[:, None] + np.arange(len(right))[None, :], np.inf)
    i, j = np.unravel_index(int(np.argmin(rank)), rank.shape)
    return int(i), int(j), a0[i] + s[i, j] * (a1[i] - a0[i])
