"""Which readings stand apart from all the others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from loft.drawing.readings import Readings
from loft.drawing.search import fit_readings
from loft.drawing.solve import TUKEY
from loft.job.errors import LoftError

LEAST_TO_JUDGE = 12  # readings, below which none can be judged by the others
APART_BY = 3.0  # sigmas a reading stands off before it is doubted
LEAST_WEIGHT = 0.01  # root of the weight left to a reading that is quite out


def doubted(readings: Readings) -> tuple[Readings, NDArray[np.int64]]:
    """Give readings that stand apart from all others less weight, whatever a drawing says.

    They are judged by the free, robust fit: a reading is doubted by other readings
    alone, so that a wrong drawing cannot talk sound readings away. Their sigma is
    divided by the root of the weight that is left them.

    Returns
    -------
    Readings
    ndarray of int
        Which single readings are doubted.

    Raises
    ------
    LoftError
        Too few readings to judge one by the others.

    Examples
    --------
    >>> from loft.drawing.chain import strike, walk
    >>> from loft.drawing.readings import read_points
    >>> true = strike(600.0, [620.0, 300.0], [1.0, 2.0])
    >>> points = walk(true, np.linspace(0.0, true.length.sum(), 24))[0]
    >>> points[7, 1] += 30.0
    >>> doubted(read_points(points, 0.5))[1].tolist()
    [7]
    """
    if readings.rows < LEAST_TO_JUDGE:
        raise LoftError(f"{readings.rows} readings found, {LEAST_TO_JUDGE} wanted to judge one")
    fit = fit_readings(readings, robust=True).best.fit
    count = readings.single
    size = np.abs(fit.row[:count])
    which = np.flatnonzero(size > APART_BY)
    left = np.ones(len(readings))
    left[which] = np.maximum(1 - (size[which] / TUKEY) ** 2, LEAST_WEIGHT) ** 2
    wider = np.sqrt(left)
    return (
        replace(readings, sigma=readings.sigma / wider[:count], spread=readings.spread / wider),
        which,
    )
