"""Sections that cannot be faired by angle: those that fold back as seen from their centre."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from loft.fairing.reference import robust_ellipse
from loft.job.errors import Finding, LoftError
from loft.job.records import Job, Survey

FOLD = 0.05  # of the radius: a zigzag deeper than this is a fold
FOLDS = 3  # zigzags in a row


def refuse_folded(job: Job, survey: Survey, wanted: NDArray[np.bool_]) -> None:
    """Refuse a frame whose section is not star-shaped about its centre.

    Read round by angle, such a section jumps to and fro between its branches.

    Raises
    ------
    LoftError
        Naming every such frame.
    """
    faults = []
    for frame in job.frames:
        at = np.flatnonzero(wanted & (survey.frame == frame.name))
        if len(at) < 8:
            continue
        cy, cz, a, b = robust_ellipse(survey.bl[at], survey.wl[at])
        y, z = (survey.bl[at] - cy) / a, (survey.wl[at] - cz) / b
        order = np.argsort(np.arctan2(y, z))
        step = np.diff(np.hypot(y, z)[order])
        turn = (step[1:] * step[:-1] < 0) & (np.minimum(abs(step[1:]), abs(step[:-1])) > FOLD)
        row = np.convolve(turn.astype(int), np.ones(FOLDS, int), "valid")
        if len(row) and row.max() >= FOLDS:
            faults.append(
                Finding(
                    text=f"frame {frame.name}: its section folds back on itself as seen from its "
                    "centre (not star-shaped); leave the folded part (a fillet, a fairing) out "
                    "of the survey or set it aside as damage"
                )
            )
    if faults:
        raise LoftError(faults)
