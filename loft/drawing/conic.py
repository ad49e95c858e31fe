"""The rival make-up: a section of second-degree curves, as some lofts struck them.

Two conics a half section, crown to greatest breadth and on to the keel, square to the
centreline at both ends and upright where they meet, each given by its corner box and
a shoulder parameter; with or without an upright straight between them. Conic lofting
from two end tangents and a shoulder point: R. A. Liming, "Conic Lofting of Streamline
Bodies". The shoulder point divides the way from the chord's middle to the corner in
the ratio rho: under 1/2 an ellipse, 1/2 a parabola, over 1/2 a hyperbola; a quarter
circle has sqrt(2) - 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import least_squares
from scipy.special import chdtrc

from loft.drawing.readings import Readings, fold
from loft.job.errors import LoftError
from loft.job.records import Array, freeze_arrays

CIRCLE = float(np.sqrt(2.0) - 1.0)
STARTS = np.linspace(0.0, 1.0, 61)  # places from which a foot is sought


@dataclass(frozen=True, eq=False, kw_only=True)
class Conic:
    """One conic in its corner: rational quadratic of start, corner and end.

    Parameters
    ----------
    start, corner, end : ndarray, shape (2,)
        (bl, height), mm; the end tangents meet in the corner.
    rho : float
        Shoulder parameter, between 0 and 1.
    """

    start: Array
    corner: Array
    end: Array
    rho: float

    def __post_init__(self) -> None:
        freeze_arrays(self)
        if not 0 < self.rho < 1:
            raise LoftError(f"shoulder parameter {self.rho:g} found, between 0 and 1 wanted")

    @property
    def weight(self) -> float:
        """Return the weight of the corner, rho / (1 - rho)."""
        return self.rho / (1.0 - self.rho)

    @property
    def shoulder(self) -> Array:
        """Return the shoulder point."""
        middle = 0.5 * (self.start + self.end)
        return np.asarray(middle + self.rho * (self.corner - middle))

    def at(self, share: ArrayLike) -> tuple[Array, Array]:
        """Return points and derivatives at parameters 0 to 1, shapes (m, 2).

        Examples
        --------
        >>> quarter = Conic(
        ...     start=np.array([0.0, 10.0]),
        ...     corner=np.array([10.0, 10.0]),
        ...     end=np.array([10.0, 0.0]),
        ...     rho=CIRCLE,
        ... )
        >>> np.hypot(*quarter.at([0.25, 0.5])[0].T).round(12).tolist()
        [10.0, 10.0]
        """
        t = np.asarray(share, dtype=np.float64)[:, None]
        w = self.weight
        first, middle, last = (1 - t) ** 2, 2 * w * t * (1 - t), t**2
        below = first + middle + last
        point = (first * self.start + middle * self.corner + last * self.end) / below
        d_first, d_middle, d_last = -2 * (1 - t), 2 * w * (1 - 2 * t), 2 * t
        above = d_first * self.start + d_middle * self.corner + d_last * self.end
        return point, (above - point * (d_first + d_middle + d_last)) / below


@dataclass(frozen=True, eq=False, kw_only=True)
class ConicFit:
    """A section of two conics a side, fitted.

    Parameters
    ----------
    upper, lower : Conic
    straight : float
        Length of the upright straight between them, 0 where none, mm.
    sd : ndarray, shape (6,) or (7,)
        Standard deviations of top, height of greatest breadth, bottom, half-breadth,
        upper and lower shoulder parameter, and half the straight.
    cost, bic, p : float
        As of a chain of arcs, and comparable with it.
    """

    upper: Conic
    lower: Conic
    straight: float
    sd: Array
    cost: float
    bic: float
    p: float

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def words(self) -> str:
        """Return the make-up in words."""
        return "two conics a side" + (" and a straight" if self.straight > 0 else "")


def rivals(readings: Readings) -> tuple[ConicFit, ...]:
    """Return the conic make-ups that the readings can carry, best first.

    Examples
    --------
    >>> from loft.drawing.readings import read_points
    >>> angle = np.linspace(0.05, 3.1, 20)
    >>> ring = 600.0 * np.stack([np.sin(angle), np.cos(angle)], axis=-1)
    >>> [fit.words() for fit in rivals(read_points(ring, 1.0))][0]
    'two conics a side'
    """
    fits = [
        fit_conic(readings, straight=flat) for flat in (False, True) if readings.rows > 6 + flat
    ]
    kept = [fit for fit in fits if fit.straight == 0 or fit.straight > 1.0]
    return tuple(sorted(kept, key=lambda fit: fit.bic))


def fit_conic(readings: Readings, *, straight: bool = False) -> ConicFit:
    """Fit two conics a side, with or without an upright straight between them.

    Compare its BIC with that of the best chain of arcs on the same readings. A section
    that takes six arcs or more was hardly struck with arcs.

    Parameters
    ----------
    readings : Readings
        The centreline is held where it stands.
    straight : bool
        Whether an upright straight stands between the conics.

    Raises
    ------
    LoftError
        Fewer readings than unknowns.

    Examples
    --------
    >>> from loft.drawing.readings import read_points
    >>> angle = np.linspace(0.05, 3.1, 20)
    >>> ring = 600.0 * np.stack([np.sin(angle), np.cos(angle)], axis=-1)
    >>> round(fit_conic(read_points(ring, 1.0)).upper.rho, 6)
    0.414214
    """
    unknowns = 6 + straight
    if readings.rows <= unknowns:
        raise LoftError(f"{readings.rows} readings found, more than {unknowns} wanted for conics")
    points, _ = fold(readings, np.zeros(2))
    high, low = points[:, 1].max(), points[:, 1].min()
    widest = points[np.argmax(points[:, 0])]
    start = [high, widest[1], low, widest[0], 0.45, 0.45]
    least = [-np.inf, -np.inf, -np.inf, 1.0, 0.05, 0.05]
    most = [np.inf, np.inf, np.inf, np.inf, 0.95, 0.95]
    size = [100.0, 100.0, 100.0, 100.0, 0.1, 0.1]
    if straight:
        start, size = [*start, 0.1 * (high - low)], [*size, 100.0]
        least, most = [*least, 0.0], [*most, np.inf]
    count = readings.single

    def residuals(values: Array) -> Array:
        away = _distance(values, points)
        alone = away[:count] / readings.sigma
        return np.concatenate([alone, readings.whitener @ away[count:]])

    found = least_squares(
        residuals, start, x_scale=size, bounds=(least, most), ftol=1e-10, xtol=1e-10
    )
    spread = np.linalg.pinv(found.jac.T @ found.jac)
    upper, lower, half = _conics(found.x)
    cost = 2.0 * float(found.cost)
    return ConicFit(
        upper=upper,
        lower=lower,
        straight=2.0 * half,
        sd=np.sqrt(np.diag(spread)),
        cost=cost,
        bic=cost + unknowns * float(np.log(readings.rows)),
        p=float(chdtrc(readings.rows - unknowns, cost)),
    )


def _conics(values: Array) -> tuple[Conic, Conic, float]:
    """Return upper and lower conic and half the straight between them."""
    top, level, bottom, out, above, below = values[:6]
    half = float(values[6]) if len(values) > 6 else 0.0
    upper = Conic(
        start=np.array([0.0, top]),
        corner=np.array([out, top]),
        end=np.array([out, level + half]),
        rho=float(above),
    )
    lower = Conic(
        start=np.array([out, level - half]),
        corner=np.array([out, bottom]),
        end=np.array([0.0, bottom]),
        rho=float(below),
    )
    return upper, lower, half


def _distance(values: Array, points: Array) -> Array:
    """Return the distances of points outside two conics and the straight between them."""
    upper, lower, half = _conics(values)
    out = from_conic(upper, points)
    other = from_conic(lower, points)
    out = np.where(np.abs(other) < np.abs(out), other, out)
    beside = points[:, 0] - values[3]
    level = (np.abs(points[:, 1] - values[1]) < half) & (np.abs(beside) < np.abs(out))
    return np.where(level, beside, out)


def from_conic(conic: Conic, points: Array) -> Array:
    """Return signed distances from one conic, by Gauss-Newton on the foot's parameter.

    Positive outside, for a conic run through clockwise.

    Examples
    --------
    >>> quarter = Conic(start=[0.0, 10.0], corner=[10.0, 10.0], end=[10.0, 0.0], rho=CIRCLE)
    >>> found = from_conic(quarter, np.array([[6.0, 8.0], [9.0, 12.0]]))
    >>> (found.round(6) + 0.0).tolist()
    [0.0, 5.0]
    """
    grid, _ = conic.at(STARTS)
    share = STARTS[np.argmin(((points[:, None] - grid[None]) ** 2).sum(axis=-1), axis=1)]
    for _ in range(6):
        foot, run = conic.at(share)
        square = np.maximum((run**2).sum(axis=1), 1e-9)
        share = np.clip(share + ((points - foot) * run).sum(axis=1) / square, 0.0, 1.0)
    foot, run = conic.at(share)
    away = points - foot
    outside = run[:, 0] * away[:, 1] - run[:, 1] * away[:, 0]
    return np.sign(outside) * np.hypot(away[:, 0], away[:, 1])
