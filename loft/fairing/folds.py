"""Sections that cannot be faired by angle: those that fold back as seen from their centre."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse.csgraph import connected_components

from loft.fairing.rows import Row
from loft.job.errors import Finding, LoftError
from loft.job.records import Array, Survey

FOLD = 0.08  # of the radius: readings further apart than this stand on two branches ...
NOISE = 6.0  # ... and more of their own sigmas than this ...
STEEP = 1.5  # ... unless the radius falls no faster than this per radian
APART = 3  # neighbours by angle that jump between branches, before the section is looked at
OTHERS, BETWEEN = 3, 1  # readings off the main branch, and on it among them, that make a fold
LINK = 0.3  # of the radius: a fold's readings stand no further from one another ...
CROWD = 8.0  # ... and no further than so many of the main branch's mean spacings


def refuse_folded(rows: tuple[Row, ...], survey: Survey, ellipses: Array) -> None:
    """Refuse a frame whose section is not star-shaped about its centre.

    Seen from its centre such a section has two branches in one direction. One branch is
    the longest run of readings by angle whose radius changes no faster than a section's
    can; a fold is three readings or more off it, on one side and near each other, with
    readings of the run between them. Single blunders are not, and neither is a dent or a
    box in front of the skin, which hide what lies behind them.

    Parameters
    ----------
    rows : tuple of Row
        Those that have a reference ellipse.
    survey : Survey
    ellipses : ndarray, shape (f, 4)

    Raises
    ------
    LoftError
        Naming every such frame.
    """
    faults = []
    for row, (cy, cz, a, b) in zip(rows, ellipses, strict=True):
        y, z = (survey.bl[row.index] - cy) / a, (survey.wl[row.index] - cz) / b
        angle, radius = np.arctan2(y, z), np.hypot(y, z)
        order = np.argsort(angle)
        noise = NOISE * float(np.median(survey.sigma[row.index])) / np.sqrt(a * b)
        if _folded(angle[order], radius[order], max(FOLD, noise)):
            faults.append(
                Finding(
                    text=f"frame {row.frame}: its section folds back on itself as seen from its "
                    "centre (not star-shaped); leave the folded part (a fillet, a fairing) out "
                    "of the survey or set it aside as damage"
                )
            )
    if faults:
        raise LoftError(faults)


def _folded(angle: Array, radius: Array, fold: float) -> bool:
    """Tell whether readings in order of their angle stand on two branches, a fold apart."""
    jumps = np.abs(np.diff(radius)) > np.maximum(fold, STEEP * np.diff(angle))
    if np.count_nonzero(jumps) < APART:
        return False
    main = _main_branch(angle, radius, fold)
    own = angle[main]
    off = ~main & (np.abs(radius - np.interp(angle, own, radius[main])) > fold)
    place = np.stack([radius * np.sin(angle), radius * np.cos(angle)], -1)[off]
    apart = np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1))
    link = min(LINK, CROWD * 2 * np.pi / len(own))
    count, group = connected_components(apart <= link, directed=False)
    for k in range(count):
        mine = angle[off][group == k]
        between = np.count_nonzero((own > mine.min()) & (own < mine.max()))
        if len(mine) >= OTHERS and between >= BETWEEN:
            return True
    return False


def _main_branch(angle: Array, radius: Array, fold: float) -> NDArray[np.bool_]:
    """Mark the longest run of readings in which each follows the one before it."""
    count = len(angle)
    length, before = np.ones(count, int), np.full(count, -1)
    for k in range(1, count):
        gap = np.abs(radius[k] - radius[:k])
        near = gap <= np.maximum(fold, STEEP * (angle[k] - angle[:k]))
        if near.any():
            best = int(np.argmax(np.where(near, length[:k], 0)))
            length[k], before[k] = length[best] + 1, best
    mark = np.zeros(count, bool)
    at = int(np.argmax(length))
    while at >= 0:
        mark[at], at = True, int(before[at])
    return mark
