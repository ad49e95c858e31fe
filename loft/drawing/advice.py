"""Which further readings of the section would settle a figure best."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from loft.drawing.chain import project, push, walk
from loft.drawing.closure import figure_scales
from loft.drawing.diagnosis import MOVES, Diagnosis, line_covariance
from loft.drawing.readings import fold
from loft.drawing.solve import Fit, free_directions, weights
from loft.job.records import Array

PLACES = 60  # places tried, from crown to keel
MOST = 24  # readings asked for at most
VAGUE = 1e-3  # information on a figure that nothing determines, per ordinary change


@dataclass(frozen=True, kw_only=True)
class Advice:
    """Where to read next to settle one figure, and what that would give.

    Parameters
    ----------
    places : tuple of (float, float, int)
        (bl, height) on the starboard half and how many readings there.
    sd : float
        Standard deviation of the figure afterwards, in its unit.
    sigma : float
        What each of these readings must be good for, mm.
    """

    places: tuple[tuple[float, float, int], ...]
    sd: float
    sigma: float

    def words(self) -> str:
        """Return the places in words.

        Examples
        --------
        >>> Advice(places=((412.0, 643.2, 3),), sd=1.0, sigma=1.5).words()
        'readings good for 1.5 mm: 3 at bl 412 height 643'
        """
        listed = ", ".join(
            f"{count} at bl {bl:.0f} height {height:.0f}" for bl, height, count in self.places
        )
        return f"readings good for {self.sigma:.1f} mm: {listed}"


def best_readings(
    fit: Fit, diagnosis: Diagnosis, by: Array, *, sigma: float, goal: float, most: int = MOST
) -> Advice:
    """Return the readings that settle one figure, chosen one after another.

    Only places are named at which the mould line itself is determined.

    Parameters
    ----------
    fit : Fit
    diagnosis : Diagnosis
        Of all that is known, the figure's own row included.
    by : ndarray, shape (1 + 2n,)
        Gradient of the figure by crown, curvatures and lengths.
    sigma : float
        Standard deviation of a further reading, mm.
    goal : float
        Standard deviation of the figure that would do.
    most : int
        Readings at which to stop.

    Examples
    --------
    >>> from loft.drawing.chain import strike
    >>> from loft.drawing.diagnosis import diagnose
    >>> from loft.drawing.dimensions import Dimension, figure_gradient
    >>> from loft.drawing.readings import read_points
    >>> from loft.drawing.solve import Task, settle
    >>> true = strike(600.0, [620.0, 300.0], [1.0, 2.0])
    >>> points = walk(true, np.linspace(0.0, true.length.sum(), 12))[0]
    >>> fit = settle(true, Task(readings=read_points(points, 1.0), straight=(False,) * 3))
    >>> top = figure_gradient(true, Dimension(kind="top", value=600.0, sigma=1.0))
    >>> best_readings(fit, diagnose(fit), top, sigma=1.0, goal=0.5).words()
    'readings good for 1.0 mm: 2 at bl 0 height 600'
    """
    free = free_directions(fit.chain, fit.task.fixed)
    slope = (fit.slope @ free) * np.sqrt(weights(fit.row, fit.task))[:, None]
    scaled = free / figure_scales(fit.chain)[:, None]
    figure = np.pad(by, (0, 2)) @ free
    girth = _places(fit, diagnosis)
    points, normals, element, along = walk(fit.chain, girth)
    rows = np.pad(push(fit.chain, points, normals, element, along), ((0, 0), (0, 2))) @ free
    spread = np.linalg.inv(slope.T @ slope + VAGUE * scaled.T @ scaled)
    variance = float(figure @ spread @ figure)
    chosen: list[int] = []
    while variance > goal**2 and len(chosen) < most and len(girth):
        carried = rows @ spread
        noise = sigma**2 + np.einsum("gi,gi->g", carried, rows)
        gain = (carried @ figure) ** 2 / noise
        best = int(np.argmax(gain))
        chosen.append(best)
        spread = spread - np.outer(carried[best], carried[best]) / noise[best]
        variance = float(figure @ spread @ figure)
    places = tuple(
        (max(float(points[at, 0]), 0.0), float(points[at, 1]), count)
        for at, count in sorted(Counter(chosen).items())
    )
    return Advice(places=places, sd=float(np.sqrt(max(variance, 0.0))), sigma=sigma)


def _places(fit: Fit, diagnosis: Diagnosis) -> Array:
    """Return the girths at which a reading can be asked for."""
    girth = np.linspace(0.0, float(fit.chain.length.sum()), PLACES)
    if not diagnosis.open_modes.shape[1]:
        return girth
    open_at = line_covariance(fit, diagnosis, girth)[1]
    _, _, element, along = walk(fit.chain, girth)
    feet = project(fit.chain, fold(fit.task.readings, fit.lean)[0])
    loose = np.abs(diagnosis.open_modes / figure_scales(fit.chain)[:, None]).max(axis=1) > MOVES
    for index in np.flatnonzero(loose[1 + len(fit.chain) : -2]):
        # nobody knows how far this element goes: ask only where it was met with
        met = feet.along[feet.element == index]
        low, high = (met.min(), met.max()) if len(met) else (np.inf, -np.inf)
        before = (along < low) & (index > 0)  # crown and keel themselves are known
        after = (along > high) & (index < len(fit.chain) - 1)
        open_at |= (element == index) & (before | after)
    return girth[np.logical_not(open_at)]
