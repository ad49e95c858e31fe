"""The reference body: an axis-aligned ellipse at every station, smooth along the stations.

It only takes out the gross shape, so that what the smoother has to carry from frame to
frame is a few millimetres. A point becomes an angle and a scaled radius:

    Y = (bl - cy)/a,  Z = (wl - cz)/b,  theta = atan2(Y, Z),  rho = r0 hypot(Y, Z)

theta is 0 at the crown and positive to starboard.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from loft.job.records import Array, freeze_arrays

MAD = 1.4826  # median absolute deviation to standard deviation, normal law


@dataclass(frozen=True, eq=False, kw_only=True)
class Reference:
    """Centre and semi-axes along the stations: Legendre series with a hinge at every break.

    Parameters
    ----------
    middle, half : float
        The series run over u = (station - middle)/half.
    centre_bl, centre_wl, log_a, log_b : ndarray
        Series coefficients; semi-axes a (across) and b (up) are exp of theirs.
    r0 : float
        Scale of rho, mm.
    breaks : ndarray, shape (h,)
        u at which slopes change at a stroke.
    hinges : ndarray, shape (h, 4)
        By how much, per unit of u, in the order of the series.
    """

    middle: float
    half: float
    centre_bl: Array
    centre_wl: Array
    log_a: Array
    log_b: Array
    r0: float
    breaks: Array = field(default_factory=lambda: np.zeros(0))
    hinges: Array = field(default_factory=lambda: np.zeros((0, 4)))

    def __post_init__(self) -> None:
        freeze_arrays(self)
        series = (self.centre_bl, self.centre_wl, self.log_a, self.log_b)
        length = max(len(part) for part in series)
        table = np.zeros((length, 8))
        for k, part in enumerate(series):
            table[: len(part), k] = part
            rate = legendre.legder(part) / self.half
            table[: len(rate), 4 + k] = rate
        object.__setattr__(self, "_table", table)

    def _read(self, station: Array, columns: slice) -> Array:
        u = (np.asarray(station, float) - self.middle) / self.half
        table = self._table[:, columns]  # type: ignore[attr-defined]
        read = legendre.legvander(u, len(table) - 1) @ table
        if len(self.breaks):
            past = u[..., None] - self.breaks
            rates = columns.start >= 4
            read += (past > 0) @ self.hinges / self.half if rates else _hinge(past) @ self.hinges
        return np.moveaxis(read.reshape(*u.shape, table.shape[1]), -1, 0)

    def at(self, station: Array) -> tuple[Array, Array, Array, Array]:
        """Return centre_bl, centre_wl, a, b at `station` (any shape), mm."""
        cy, cz, log_a, log_b = self._read(station, slice(0, 4))
        return cy, cz, np.exp(log_a), np.exp(log_b)

    def slope(self, station: Array) -> tuple[Array, Array, Array, Array]:
        """Return d/dstation of centre_bl and centre_wl, and a'/a and b'/b."""
        return tuple(self._read(station, slice(4, 8)))  # type: ignore[return-value]


def robust_ellipses(bl: Array, wl: Array, held: NDArray[np.bool_], passes: int = 5) -> Array:
    """Fit axis-aligned ellipses A y2 + B z2 + C y + D z = 1 that blunders cannot drag.

    Each axis is first scaled by its own extent, so that bodies of one shape, drawn wider
    or taller along their run, have references of one shape too. The fit is pulled gently
    towards the extents' own ellipse.

    Parameters
    ----------
    bl, wl : ndarray, shape (f, n)
        Points of each frame, padded.
    held : ndarray of bool, shape (f, n)
        False for padding.

    Returns
    -------
    ndarray, shape (f, 4)
        centre_bl, centre_wl, a, b of each frame.
    """
    points = np.stack([bl, wl], -1)
    low = np.where(held[..., None], points, np.inf).min(1)
    high = np.where(held[..., None], points, -np.inf).max(1)
    origin, scale = (low + high) / 2, np.maximum((high - low) / 2, 1e-9)
    unit = (points - origin[:, None]) / scale[:, None]
    design = np.concatenate([unit * unit, unit], -1)
    count = held.sum(1)
    circle = np.array([1.0, -1.0, 0.0, 0.0])
    ridge = 0.01 * count[:, None, None] * np.outer(circle, circle) + 1e-9 * np.eye(4)
    weight = held.astype(float)
    for _ in range(passes):
        weighted = design * weight[..., None]
        series = np.linalg.solve(
            weighted.transpose(0, 2, 1) @ design + ridge, weighted.sum(1)[..., None]
        )
        error = np.abs((design @ series)[..., 0] - 1)
        middle = _middle(error, held, count)
        weight = held / np.maximum(1, error / (2 * (MAD * middle[:, None] + 1e-9)))
    series = series[..., 0]
    squares = np.maximum(series[:, :2], 1e-3)
    centre = -series[:, 2:] / (2 * squares)
    size = np.sqrt((1 + (squares * centre**2).sum(1))[:, None] / squares)
    return np.concatenate([origin + centre * scale, size * scale], 1)


def _middle(value: Array, held: NDArray[np.bool_], count: NDArray[np.int64]) -> Array:
    """Median of the held values of each row."""
    order = np.sort(np.where(held, value, np.inf), 1)
    row = np.arange(len(value))
    return (order[row, (count - 1) // 2] + order[row, count // 2]) / 2


def robust_ellipse(bl: Array, wl: Array) -> Array:
    """Return the robust axis-aligned ellipse of one frame: centre_bl, centre_wl, a, b."""
    return robust_ellipses(bl[None], wl[None], np.ones((1, len(bl)), bool))[0]


def _hinge(past: Array) -> Array:
    return np.maximum(past, 0.0)


def smooth_series(
    u: Array, value: Array, highest: int, breaks: Array | tuple[float, ...] = ()
) -> tuple[Array, Array]:
    """Robust Legendre series of `value` over u in -1..1, its degree chosen by AICc.

    All degrees are fitted side by side, each with a hinge at every break.

    Returns
    -------
    series, hinges : ndarray, shapes (degree + 1,) and (len(breaks),)
    """
    count, hinged = len(u), len(breaks)
    if count < 4 + hinged:
        return np.array([np.median(value)]), np.zeros(hinged)
    highest = min(highest, count - 3 - hinged)
    degree = np.arange(highest + 1)
    terms = highest + 1 + hinged
    table = np.c_[legendre.legvander(u, highest), _hinge(np.subtract.outer(u, breaks))]
    kept = np.c_[degree[:, None] >= degree, np.ones((highest + 1, hinged), bool)]
    design = table * kept[:, None, :]  # (degrees, n, terms)
    weight = np.ones((highest + 1, count))
    idle = ~kept[:, :, None] * np.eye(terms)
    for _ in range(4):
        left = (design * weight[..., None]).transpose(0, 2, 1)
        series = np.linalg.solve(
            left @ design + idle + 1e-10 * np.eye(terms), left @ value[:, None]
        )[..., 0]
        error = np.abs(value - (design @ series[..., None])[..., 0])
        spread = MAD * np.median(error, 1)[:, None] + 1e-9
        weight = 1 / np.maximum(1, error / (1.5 * spread))
    size = degree + 2.0 + hinged
    score = count * np.log(np.mean(np.minimum(error, 3 * spread) ** 2, 1) + 1e-12)
    score += 2 * size + 2 * size * (size + 1) / np.maximum(count - size - 1, 3.0)
    best = int(np.argmin(score + 1e-9 * degree))
    return series[best, : best + 1].copy(), series[best, highest + 1 :].copy()


def fit_reference(
    stations: Array,
    ellipses: Sequence[Array] | Array,
    *,
    centred: bool,
    breaks: tuple[float, ...] = (),
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
    breaks : tuple of float
        Stations of marked breaks.
    """
    stations, table = np.asarray(stations, float), np.asarray(ellipses, float)
    middle = stations.mean()
    half = np.ptp(stations) / 2 + 1e-9
    u = (stations - middle) / half
    bends = np.array([(x - middle) / half for x in breaks if abs(x - middle) < half])
    degrees = (centre_degree, axis_degree, axis_degree)
    wanted = table[:, 1], np.log(table[:, 2]), np.log(table[:, 3])
    parts = [smooth_series(u, value, n, bends) for value, n in zip(wanted, degrees, strict=True)]
    still = np.zeros(1), np.zeros(len(bends))
    parts.insert(0, still if centred else smooth_series(u, table[:, 0], centre_degree, bends))
    series, hinges = zip(*parts, strict=True)
    past = _hinge(np.subtract.outer(u, bends))
    log_size = sum(legendre.legval(u, series[k]) + past @ hinges[k] for k in (2, 3)) / 2
    return Reference(
        middle=middle,
        half=half,
        centre_bl=series[0],
        centre_wl=series[1],
        log_a=series[2],
        log_b=series[3],
        r0=float(np.exp(log_size).mean()),
        breaks=bends,
        hinges=np.stack(hinges, -1),
    )
