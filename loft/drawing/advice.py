"""Which further readings of the section would settle a figure best."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loft.drawing.chain import push, walk
from loft.drawing.solve import Fit, figure_scales, free_directions, weights
from loft.job.records import Array

PLACES = 60  # places tried, from crown to keel
VAGUE = 1e-3  # information on a figure that nothing determines, per ordinary change


@dataclass(frozen=True, kw_only=True)
class Advice:
    """Where to read next to settle one figure, and what that would give.

    Parameters
    ----------
    places : tuple of (float, float)
        (bl, height) of readings on the starboard half, the most telling first.
    sd_before, sd_after : float
        Standard deviation of the figure, in its unit; `sd_before` is inf where open.
    """

    places: tuple[tuple[float, float], ...]
    sd_before: float
    sd_after: float


def best_readings(fit: Fit, by: Array, *, sigma: float, count: int = 3) -> Advice:
    """Return the readings that narrow one figure most, chosen one after another.

    Parameters
    ----------
    fit : Fit
    by : ndarray, shape (1 + 2n,)
        Gradient of the figure by crown, curvatures and lengths.
    sigma : float
        Standard deviation of a further reading, mm.
    count : int
        How many.

    Examples
    --------
    >>> from loft.drawing.chain import strike
    >>> from loft.drawing.dimensions import Dimension, figure_gradient
    >>> from loft.drawing.readings import read_points
    >>> from loft.drawing.solve import Task, settle
    >>> true = strike(600.0, [620.0, 300.0], [1.0, 2.0])
    >>> points = walk(true, np.linspace(0.0, true.length.sum(), 12))[0]
    >>> task = Task(readings=read_points(points, 1.0), straight=(False,) * 3)
    >>> top = figure_gradient(true, Dimension(kind="top", value=600.0, sigma=1.0))
    >>> advice = best_readings(settle(true, task), top, sigma=1.0, count=1)
    >>> round(advice.places[0][0]), advice.sd_after < advice.sd_before
    (0, True)
    """
    free = free_directions(fit.chain, fit.task.fixed)
    slope = (fit.slope @ free) * np.sqrt(weights(fit.row, fit.task))[:, None]
    scaled = free / figure_scales(fit.chain)[:, None]
    information = slope.T @ slope + VAGUE * scaled.T @ scaled
    figure = np.pad(by, (0, 2)) @ free
    girth = np.linspace(0.0, float(fit.chain.length.sum()), PLACES)
    points, normals, element, along = walk(fit.chain, girth)
    rows = np.pad(push(fit.chain, points, normals, element, along), ((0, 0), (0, 2))) @ free
    spread = np.linalg.inv(information)
    before = float(figure @ spread @ figure)
    places = []
    after = before
    for _ in range(count):
        carried = rows @ spread
        gain = (carried @ figure) ** 2 / (sigma**2 + np.einsum("gi,gi->g", carried, rows))
        best = int(np.argmax(gain))
        after -= float(gain[best])
        places.append((float(points[best, 0]), float(points[best, 1])))
        way = carried[best]
        spread = spread - np.outer(way, way) / (sigma**2 + way @ rows[best])
    return Advice(
        places=tuple(places),
        sd_before=float(np.sqrt(max(before, 0.0))),
        sd_after=float(np.sqrt(max(after, 0.0))),
    )
