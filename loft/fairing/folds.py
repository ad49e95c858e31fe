"""Sections that cannot be faired by angle: those that fold back as seen from their centre."""

from __future__ import annotations

import numpy as np

from loft.fairing.rows import Row
from loft.job.errors import Finding, LoftError
from loft.job.records import Array, Survey

FOLD = 0.06  # of the radius: a zigzag deeper than this is a fold
STEEP = 1.5  # fall of the radius per radian: neighbours by angle on different branches
FOLDS, AMONG = 4, 8  # so many zigzags among so many neighbours


def refuse_folded(rows: tuple[Row, ...], survey: Survey, ellipses: Array) -> None:
    """Refuse a frame whose section is not star-shaped about its centre.

    Read round by angle, such a section jumps to and fro between its branches.

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
        angle = np.arctan2(y, z)
        order = np.argsort(angle)
        step, wide = np.diff(np.hypot(y, z)[order]), np.diff(angle[order])
        deep = np.abs(step) > np.maximum(FOLD, STEEP * wide)
        turn = (step[1:] * step[:-1] < 0) & deep[1:] & deep[:-1]
        near = np.convolve(turn.astype(int), np.ones(AMONG, int))
        if near.max(initial=0) >= FOLDS:
            faults.append(
                Finding(
                    text=f"frame {row.frame}: its section folds back on itself as seen from its "
                    "centre (not star-shaped); leave the folded part (a fillet, a fairing) out "
                    "of the survey or set it aside as damage"
                )
            )
    if faults:
        raise LoftError(faults)
