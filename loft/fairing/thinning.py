"""Scan readings that share their neighbours' error: how many stand for one, and which enter.

Cells of a scan lie closer than what they all miss is long: skin that is quilted between
its rivets, a stringer's shadow, the seam of two set-ups. Taken for independent they
outweigh the tape and make the band too narrow.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from loft.fairing.reference import MAD
from loft.fairing.rows import sort_rows
from loft.job.records import Array, Job, Survey
from loft.job.schema import given_name

FIRST = 4  # of the first surface, from which the likeness of neighbours is judged
LEAST = 40  # cells of a scan at one station that can be thinned
FAINT = 0.05  # likeness (correlation) of neighbours that counts for none
MOST = 12
TAIL = 4.0  # robust standard deviations at which an error is cut off


def scanned(job: Job, survey: Survey, wanted: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    """Return the readings of each scan's cells at each station, in order round the body.

    Without the labelled ones, and only where there are enough to be thinned.
    """
    if not job.clouds:
        return []
    names = list(dict.fromkeys(given_name(job, cloud.file) for cloud in job.clouds))
    found = []
    for row in sort_rows(job, survey, wanted):
        for name in names:
            own = row.index[(survey.source[row.index] == name) & (survey.line[row.index] == "")]
            if len(own) >= LEAST:
                bl, wl = survey.bl[own], survey.wl[own]
                turn = np.arctan2(bl - np.median(bl), wl - np.median(wl))
                found.append(own[np.argsort(turn, kind="stable")])
    return found


def thinned(
    wanted: NDArray[np.bool_], runs: list[NDArray[np.int64]], every: int
) -> NDArray[np.bool_]:
    """Return `wanted` with one in `every` of each run's readings.

    Examples
    --------
    >>> thinned(np.ones(6, bool), [np.array([5, 4, 3, 2])], 3).tolist()
    [True, True, True, False, False, True]
    """
    kept = wanted.copy()
    for run in runs:
        kept[run] = False
        kept[run[::every]] = True
    return kept


def stand_for_one(error: Array, runs: list[NDArray[np.int64]]) -> int:
    """Return how many neighbours tell as much as one reading of its own would.

    One and twice the sum of the correlations of neighbours' errors, up to the first that
    is faint; what a whole run is off by is taken out first. The variance of the mean of a
    correlated series (Bartlett 1935, as quoted in textbooks of time series; from memory).

    Parameters
    ----------
    error : ndarray, shape (n,)
        Off the first surface, mm; of every reading.
    runs : list of ndarray of int
        As `scanned` gives them.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> white = rng.normal(size=4000)
    >>> run = np.arange(3990)
    >>> stand_for_one(white, [run])
    1
    >>> stand_for_one(np.convolve(white, np.ones(4), "same"), [run])  # means of four
    4
    """
    parts = []
    for run in runs:
        own = error[run] - np.median(error[run])
        limit = TAIL * MAD * float(np.median(np.abs(own)))
        parts.append(np.clip(own, -limit, limit))
    whole = sum(float(part @ part) for part in parts)
    if not whole > 0:
        return 1
    count = 1.0
    for lag in range(1, 4 * MOST):
        alike = sum(float(part[lag:] @ part[:-lag]) for part in parts if len(part) > lag) / whole
        if alike < FAINT:
            break
        count += 2.0 * alike
    return int(np.clip(round(count), 1, MOST))
