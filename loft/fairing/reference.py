"""The reference body: an axis-aligned ellipse at every station, smooth along the stations.

It only takes out the gross shape, so that what the smoother has to carry from frame to
frame is a few millimetres. A point becomes an angle and a scaled radius:

    Y = (bl - cy)/a,  Z = (wl - cz)/b,  theta = atan2(Y, Z),  rho = r0 hypot(Y, Z)

theta is 0 at the crown and positive to starboard.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import legendre

from loft.job.records import Array, freeze_arrays

MAD = 1.4826  # median absolute deviation to standard deviation, normal law


@dataclass(frozen=True, eq=False, kw_only=True)
class Reference:
    """Centre and semi-axes along the stations as Legendre series.

    Parameters
    ----------
    middle, half : float
        The series run over (station - middle)/half.
    centre_bl, centre_wl, log_a, log_b : ndarray
        Series coefficients; semi-axes a (across) and b (up) are exp of theirs.
    r0 : float
        Scale of rho, mm.
    """

    middle: float
    half: float
    centre_bl: Array
    centre_wl: Array
    log_a: Array
    log_b: Array
    r0: float

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def at(self, station: Array) -> tuple[Array, Array, Array, Array]:
        """Return centre_bl, centre_wl, a, b at `station` (any shape), mm."""
        u = (np.asarray(station, float) - self.middle) / self.half
        cy, cz = legendre.legval(u, self.centre_bl), legendre.legval(u, self.centre_wl)
        return cy, cz, np.exp(legendre.legval(u, self.log_a)), np.exp(legendre.legval(u, self.log_b))

    def slope(self, station: Array) -> tuple[Array, Array, Array, Array]:
        """Return d/dstation of centre_bl and centre_wl, and a'/a and b'/b."""
        u = (np.asarray(station, float) - self.middle) / self.half
        return tuple(  # type: ignore[return-value]
            legendre.legval(u, legendre.legder(series)) / self.half
            for series in (self.centre_bl, self.centre_wl, self.log_a, self.log_b)
        )


def robust_ellipse(bl: Array, wl: Array, passes: int = 5) -> Array:
    """Fit an axis-aligned ellipse A y2 + B z2 + C y + D z = 1 that blunders cannot drag.

    The fit is pulled gently towards a circle, so that a half-measured frame still
    has a sensible reference. Returns (centre_bl, centre_wl, a, b).
    """
    low = np.array([bl.min(), wl.min()])
    high = np.array([bl.max(), wl.max()])
    origin, scale = (low + high) / 2, max((high - low).max() / 2, 1e-9)
    y, z = (bl - origin[0]) / scale, (wl - origin[1]) / scale
    design = np.stack([y * y, z * z, y, z], 1)
    pull = 0.1 * np.sqrt(len(bl)) * np.array([1.0, -1.0, 0.0, 0.0])
    ridge = np.outer(pull, pull) + 1e-9 * np.eye(4)
    weight = np.ones(len(bl))
    for _ in range(passes):
        weighted = design * weight[:, None]
        series = np.linalg.solve(weighted.T @ design + ridge, weighted.sum(0))
        error = np.abs(design @ series - 1)
        weight = 1 / np.maximum(1, error / (2 * (MAD * np.median(error) + 1e-9)))
    squares = np.maximum(series[:2], 1e-3)
    centre = -series[2:] / (2 * squares)
    size = np.sqrt((1 + (squares * centre**2).sum()) / squares)
    return np.r_[origin + centre * scale, size * scale]


def smooth_series(u: Array, value: Array, highest: int) -> Array:
    """Robust Legendre series of `value` over u in -1..1, its degree chosen by AICc."""
    count = len(u)
    highest = min(highest, count - 4) if count > 4 else 0
    table = legendre.legvander(u, max(highest, 0))
    best, series = np.inf, np.array([np.median(value)])
    for degree in range(highest + 1):
        design = table[:, : degree + 1]
        weight = np.ones(count)
        for _ in range(4):
            lhs = (design * weight[:, None]).T
            fit = np.linalg.solve(lhs @ design + 1e-10 * np.eye(degree + 1), lhs @ value)
            error = np.abs(value - design @ fit)
            spread = MAD * np.median(error) + 1e-9
            weight = 1 / np.maximum(1, error / (1.5 * spread))
        size = degree + 2
        mean_square = np.mean(np.minimum(error, 3 * spread) ** 2) + 1e-12
        score = count * np.log(mean_square) + 2 * size
        score += 2 * size * (size + 1) / max(count - size - 1, 0.5)
        if score < best - 1e-9:
            best, series = score, fit
    return series


def fit_reference(
    stations: Array,
    ellipses: Sequence[Array] | Array,
    *,
    centred: bool,
    axis_degree: int = 6,
    centre_degree: int = 2,
) -> Reference:
    """Smooth the frames' ellipses along the stations.

    Parameters
    ----------
    stations : ndarray, shape (f,)
    ellipses : array_like, shape (f, 4)
        centre_bl, centre_wl, a, b of every frame.
    centred : bool
        Hold the centre on buttock line 0 (symmetry soft or exact: the datum's own
        centre plane; what the body really does about it the smoother learns).
    """
    stations, table = np.asarray(stations, float), np.asarray(ellipses, float)
    middle = stations.mean()
    half = np.ptp(stations) / 2 + 1e-9
    u = (stations - middle) / half
    centre_bl = np.zeros(1) if centred else smooth_series(u, table[:, 0], centre_degree)
    log_a, log_b = (smooth_series(u, np.log(table[:, k]), axis_degree) for k in (2, 3))
    size = np.exp((legendre.legval(u, log_a) + legendre.legval(u, log_b)) / 2)
    return Reference(
        middle=middle,
        half=half,
        centre_bl=centre_bl,
        centre_wl=smooth_series(u, table[:, 1], centre_degree),
        log_a=log_a,
        log_b=log_b,
        r0=float(size.mean()),
    )
