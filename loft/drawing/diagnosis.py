"""What a fit determines, what it leaves open, and what errors it would have shown.

Redundancy numbers come from the complement of the singular vectors, not from one
less the leverage: for a drawn radius they are 1e-4 to 1e-8 and would cancel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from loft.drawing.chain import Chain, push, walk
from loft.drawing.closure import Mask, close, figure_scales, figures
from loft.drawing.dimensions import centre_gradients
from loft.drawing.solve import Fit, Task, free_directions, settle, weights
from loft.job.records import Array, freeze_arrays

REJECT = 3.2905267314918945  # |w| of a wrong figure: two-sided 0.1 % of a normal
# Baarda (1968), A Testing Procedure for Use in Geodetic Networks: 0.1 %, power 80 %;
# the constant from memory, recomputed from the normal distribution.
DETECT = 4.132147965
NOTHING = 1e-10  # a redundancy below this is none
MOVES = 1e-4  # share of an ordinary change by which an open mode moves a figure
CHI_95 = 3.841458820694124  # of one degree of freedom


@dataclass(frozen=True, eq=False, kw_only=True)
class Diagnosis:
    """What a fit says about its figures, its rows and its mould line.

    Parameters
    ----------
    covariance : ndarray, shape (2n + 3, 2n + 3)
        Of the figures, what nothing determines left out.
    open_modes : ndarray, shape (2n + 3, q)
        Directions in which the figures may move without changing any row.
    redundancy, standardised : ndarray, shape (r,)
        Share of an error of each row that shows in its residual, 0 to 1, and the
        residual over its own standard deviation (0 where nothing checks it).
    sd_curvature : ndarray, shape (n,)
        1/mm, inf where undetermined.
    centre_covariance : ndarray, shape (n, 2, 2)
        Of the centres in (bl, height), mm^2; inf where undetermined, NaN where straight.
    """

    covariance: Array
    open_modes: Array
    redundancy: Array
    standardised: Array
    sd_curvature: Array
    centre_covariance: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)


def diagnose(fit: Fit) -> Diagnosis:
    """Return what a fit determines.

    Examples
    --------
    >>> from loft.drawing.chain import strike
    >>> from loft.drawing.readings import read_points
    >>> true = strike(600.0, [620.0, 300.0], [1.0, 2.0])
    >>> points = walk(true, np.linspace(0.0, true.length.sum(), 12))[0]
    >>> task = Task(readings=read_points(points, 1.0), straight=(False,) * 3)
    >>> found = diagnose(settle(true, task))
    >>> found.open_modes.shape, round(found.redundancy.sum())
    ((9, 0), 7)
    """
    free = free_directions(fit.chain, fit.task.fixed)
    root = np.sqrt(weights(fit.row, fit.task))
    left, strength, basis = np.linalg.svd((fit.slope @ free) * root[:, None], full_matrices=True)
    strength = np.concatenate([strength, np.zeros(basis.shape[0] - len(strength))])
    known = strength > 1e-7 * strength.max(initial=1e-300)
    spread = (free @ basis[known].T) / strength[known]
    covariance = spread @ spread.T
    open_modes = free @ basis[~known].T
    redundancy = (left[:, int(known.sum()) :] ** 2).sum(axis=1)
    checked = redundancy > NOTHING
    standardised = np.zeros(len(fit.row))
    standardised[checked] = fit.row[checked] / np.sqrt(redundancy[checked])
    sd, centre = _arc_spread(fit.chain, covariance, open_modes)
    return Diagnosis(
        covariance=covariance,
        open_modes=open_modes,
        redundancy=redundancy,
        standardised=standardised,
        sd_curvature=sd,
        centre_covariance=centre,
    )


def _arc_spread(chain: Chain, covariance: Array, open_modes: Array) -> tuple[Array, Array]:
    """Return the spread of curvatures and centres, inf where an open mode moves them."""
    count = len(chain)
    sd = np.sqrt(np.maximum(np.diag(covariance)[1 : 1 + count], 0.0))
    moved = np.abs(open_modes / figure_scales(chain)[:, None])[1 : 1 + count]
    loose = moved.max(axis=1, initial=0.0) > MOVES
    centre = np.full((count, 2, 2), np.nan)
    moves = np.pad(centre_gradients(chain), ((0, 0), (0, 0), (0, 2)))
    for index in np.flatnonzero(np.isfinite(chain.radius)):
        by = moves[index]
        centre[index] = by @ covariance @ by.T
        loose_centre = np.abs(by @ open_modes).max(initial=0.0) > 100 * MOVES
        if loose[index] or loose_centre:
            centre[index] = np.diag([np.inf, np.inf])
    return np.where(loose, np.inf, sd), centre


def figure_sd(diagnosis: Diagnosis, by: Array) -> float:
    """Return the standard deviation of a figure with a given gradient, shape (1 + 2n,)."""
    wide = np.pad(by, (0, 2))
    if np.abs(wide @ diagnosis.open_modes).max(initial=0.0) > 100 * MOVES:
        return np.inf
    return float(np.sqrt(max(float(wide @ diagnosis.covariance @ wide), 0.0)))


def line_covariance(fit: Fit, diagnosis: Diagnosis, girth: ArrayLike) -> tuple[Array, Mask]:
    """Return the covariance of the mould line along its normal, and where it is open.

    Parameters
    ----------
    girth : array_like, shape (g,)
        From the crown down the half section, mm.

    Returns
    -------
    covariance : ndarray, shape (g, g)
        mm^2.
    open_at : ndarray of bool, shape (g,)
        Where the fit leaves the mould line undetermined.
    """
    points, normals, element, along = walk(fit.chain, girth)
    by = np.pad(push(fit.chain, points, normals, element, along), ((0, 0), (0, 2)))
    moved = np.abs(by @ diagnosis.open_modes).max(axis=1, initial=0.0)
    return by @ diagnosis.covariance @ by.T, moved > 10 * MOVES


def radius_interval(curvature: float, sd: float, *, times: float = 2.0) -> tuple[float, float]:
    """Return the radius interval of a curvature and its sd, inf standing for straight.

    A radius is not given as R ± sd: over a short arc it has no moments.

    Examples
    --------
    >>> [round(end) for end in radius_interval(1 / 5000, 2e-5)], radius_interval(1e-4, 8e-5)[1]
    ([4167, 6250], inf)
    """
    if not np.isfinite(sd):
        return (np.nan, np.nan)
    low, high = curvature - times * sd, curvature + times * sd
    if low > 0:
        return (1 / high, 1 / low)
    if high < 0:  # hollow
        return (1 / high, 1 / low)
    return (1 / high if high > 0 else np.inf, np.inf)


def radius_words(interval: tuple[float, float]) -> str:
    """Return a radius interval in words.

    Examples
    --------
    >>> radius_words((3900.2, np.inf)), radius_words((248.0, 252.4)), radius_words((np.nan,) * 2)
    ('3,900 mm to straight', '248 to 252 mm', 'unknown')
    """
    low, high = interval
    if np.isnan(low):
        return "unknown"
    if np.isinf(low):
        return "straight"
    if np.isinf(high):
        return f"{low:,.0f} mm to straight"
    ends = sorted((low, high), key=abs)
    return f"{ends[0]:,.0f} to {ends[1]:,.0f} mm"


def profile_radius(fit: Fit, element: int, *, rise: float = CHI_95) -> tuple[float, float]:
    """Return the radii of one arc between which the cost rises less than `rise`.

    The arc's radius is held at one value after another and all else is fitted again
    from the neighbouring solution. Where an arc has hardly a reading of its own the
    covariance is far too sure of itself, and this interval is the one to believe.

    Examples
    --------
    >>> from loft.drawing.chain import strike
    >>> from loft.drawing.readings import read_points
    >>> true = strike(600.0, [620.0, 300.0], [1.0, 2.0])
    >>> points = walk(true, np.linspace(0.0, true.length.sum(), 20))[0]
    >>> task = Task(readings=read_points(points, 0.5), straight=(False,) * 3)
    >>> low, high = profile_radius(settle(true, task), 1)
    >>> bool(290.0 < low < 300.0 < high < 310.0)
    True
    """
    least = float(fit.chain.curvature[element])
    ends = [_walk_profile(fit, element, least, rise, way) for way in (1.0, -1.0)]
    high, low = ends
    return radius_interval((high + low) / 2, abs(high - low) / 2, times=1.0)


def _walk_profile(fit: Fit, element: int, least: float, rise: float, way: float) -> float:
    """Return the curvature at which the cost has risen, going one way from the best."""
    task = Task(
        readings=fit.task.readings,
        straight=fit.task.straight,
        dimensions=fit.task.dimensions,
        loss=fit.task.loss,
        held=(*fit.task.held, element),
    )
    step, at, before, here = 0.04 * abs(least), least, 0.0, fit
    tightest = 1 / 10.0  # 1/mm: no arc is struck with less than 10 mm
    for _ in range(30):
        goal = at + way * step
        if way * goal > way * (tightest if way > 0 else 0.0):
            goal = tightest if way > 0 else 0.0
        moved = _held_at(here, element, goal, task)
        if moved is None:
            return at
        grown = moved.cost - fit.cost
        if grown > rise:
            share = (np.sqrt(rise) - np.sqrt(before)) / (np.sqrt(grown) - np.sqrt(before))
            return at + share * (goal - at)
        if goal in (tightest, 0.0):
            return goal
        at, before, here = goal, max(grown, 0.0), moved
        step *= 1.6 if grown < rise / 4 else 1.0
    return at


def _held_at(fit: Fit, element: int, curvature: float, task: Task) -> Fit | None:
    """Return the fit with one curvature held at a value, from a neighbouring fit."""
    values = figures(fit.chain)
    count = len(fit.chain)
    swept = values[1 + element] * values[1 + count + element]
    bend, run = fit.chain.curvature.copy(), fit.chain.length.copy()
    bend[element] = curvature
    run[element] = (
        min(swept / max(curvature, 1e-9), 3 * run[element]) if swept > 0 else run[element]
    )
    start = close(
        Chain(crown=fit.chain.crown, curvature=bend, length=run), task.fixed[:-2], most=20
    )
    if start is None:
        return None
    return settle(start, task, lean=fit.lean, most=30, enough=1e-6)
