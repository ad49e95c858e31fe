"""What was measured of one section: single points, a lifted outline, or both.

Points of both halves are folded onto the starboard one about a centreline that may
stand aside and lean: its shift and lean are nuisances of the fit, with priors.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from loft.drawing.chain import Shape, project, push
from loft.job.errors import Finding, LoftError
from loft.job.records import Array, freeze_arrays

STRAIGHT_UP = (0.0, 0.0)


@dataclass(frozen=True, eq=False, kw_only=True)
class Readings:
    """Points on the mould line of one section, in its plane.

    Parameters
    ----------
    point : ndarray, shape (m, 2)
        (bl, height), mm; port negative. Single readings first, then the outline.
    sigma : ndarray, shape (a,)
        Standard deviation of the a single readings along the normal, mm.
    whitener : ndarray, shape (q, m - a)
        Turns the outline's distances into q independent rows of unit variance.
    spread : ndarray, shape (m,)
        Standard deviation of every point, mm.
    centreline : tuple of float
        Prior standard deviations of the centreline's shift (mm) and lean (radians);
        zeros hold it at bl 0, upright.
    pivot : float
        Height about which the centreline leans, mm.
    """

    point: Array
    sigma: Array
    whitener: Array
    spread: Array
    centreline: tuple[float, float] = STRAIGHT_UP
    pivot: float = 0.0

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def __len__(self) -> int:
        return len(self.point)

    @cached_property
    def upright(self) -> tuple[Array, Array]:
        """Return what `fold` does with a centreline at bl 0, upright."""
        return _folded(self, np.zeros(2))

    @property
    def rows(self) -> int:
        """Return how many rows of the fit the readings give."""
        return len(self.sigma) + len(self.whitener)

    @property
    def single(self) -> int:
        """Return how many points are single readings, to which a robust loss applies."""
        return len(self.sigma)


def read_points(
    points: ArrayLike,
    sigma: ArrayLike,
    *,
    outline: ArrayLike = (),
    covariance: ArrayLike = (),
    finest: float = 0.0,
    centreline: tuple[float, float] = STRAIGHT_UP,
) -> Readings:
    """Check points and put them together as readings.

    Parameters
    ----------
    points : array_like, shape (a, 2)
        Single readings (bl, height) on the mould line, mm; may be empty.
    sigma : float or array_like, shape (a,)
        Their standard deviation, mm.
    outline : array_like, shape (b, 2)
        Points of a lifted outline, whose errors hang together.
    covariance : array_like, shape (b, b)
        Covariance of the outline's errors along its normal, mm^2.
    finest : float
        Shortest wavelength round the girth at which the outline is believed, mm; it is
        then a whole closed one. A surface faired through lines 160 mm apart says
        nothing of what is finer than twice that, but its covariance does not know it.
        0 believes everything.
    centreline : tuple of float
        Prior standard deviations of shift (mm) and lean (radians, top to starboard
        positive) of the centreline.

    Raises
    ------
    LoftError
        Counts that do not agree, figures that are not finite, a sigma that is not
        positive, a covariance that is not one.

    Examples
    --------
    >>> read_points([[0.0, 600.0], [600.0, 0.0]], 1.5).single
    2
    """
    single = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    lifted = np.asarray(outline, dtype=np.float64).reshape(-1, 2)
    cover = np.asarray(covariance, dtype=np.float64).reshape(-1, max(len(lifted), 1))
    each = np.asarray(sigma, dtype=np.float64)
    faults = []
    if each.ndim and each.shape != (len(single),):
        faults.append(f"{each.size} sigmas found for {len(single)} points, one for each wanted")
        each = np.ones(())
    each = np.broadcast_to(each, (len(single),))
    if not (np.isfinite(each).all() and (each > 0).all()):
        faults.append("a sigma that is not positive found; give what a reading is good for, mm")
    both = np.concatenate([single, lifted])
    if not np.isfinite(both).all():
        faults.append(
            f"point {int(np.argmin(np.isfinite(both).all(axis=1))) + 1} lacks bl or wl; "
            "leave it out"
        )
    if faults:
        raise LoftError(Finding(text=text) for text in faults)
    return Readings(
        point=both,
        sigma=each,
        whitener=_whitener(cover, lifted, finest),
        spread=np.concatenate([each, np.sqrt(np.diag(cover))]),
        centreline=centreline,
        pivot=float(both[:, 1].mean()) if len(both) else 0.0,
    )


def _whitener(covariance: Array, outline: Array, finest: float) -> Array:
    """Return the matrix that makes an outline's distances independent rows."""
    count = len(outline)
    if len(covariance) != count:
        raise LoftError(
            f"covariance of {len(covariance)} rows found for an outline of {count} points; "
            f"({count}, {count}) wanted"
        )
    if not count:
        return np.zeros((0, 0))
    waves = harmonics(outline, finest) if finest > 0 else np.eye(count)
    try:
        root = np.linalg.cholesky(waves.T @ covariance @ waves)
    except np.linalg.LinAlgError as error:
        raise LoftError(
            "the outline's covariance is not positive definite; give fewer points or add what "
            "the metal may depart from true arcs"
        ) from error
    return np.asarray(np.linalg.solve(root, waves.T), dtype=np.float64)


def harmonics(outline: Array, finest: float) -> Array:
    """Return an orthonormal basis of the waves round a closed outline, shape (b, q).

    Parameters
    ----------
    outline : ndarray, shape (b, 2)
        In order round the section, about evenly spaced, mm.
    finest : float
        Shortest wavelength of the basis, mm.

    Raises
    ------
    LoftError
        An outline that is not closed, or too coarse for these waves.

    Examples
    --------
    >>> angle = np.linspace(0.0, 2 * np.pi, 60, endpoint=False)
    >>> ring = 100.0 * np.stack([np.sin(angle), np.cos(angle)], axis=-1)
    >>> harmonics(ring, 200.0).shape  # girth 628 mm: up to the third
    (60, 7)
    """
    step = np.hypot(*(np.roll(outline, -1, axis=0) - outline).T)
    if step[-1] > 3 * np.median(step):
        raise LoftError(
            f"the outline's ends stand {step[-1]:.0f} mm apart; a whole closed section is wanted "
            "where a finest wavelength is given"
        )
    length = float(step.sum())
    order = int(length / finest)
    if len(outline) < 4 * order + 2:
        raise LoftError(
            f"{len(outline)} points found on an outline of {length:.0f} mm; at least "
            f"{4 * order + 2} wanted for wavelengths down to {finest:.0f} mm"
        )
    angle = 2 * np.pi * (np.cumsum(step) - step) / length
    turns = angle[:, None] * np.arange(1, order + 1)
    waves = np.concatenate([np.ones((len(outline), 1)), np.cos(turns), np.sin(turns)], axis=1)
    return np.asarray(np.linalg.qr(waves)[0], dtype=np.float64)


def finest_wave(girth: ArrayLike, length: float) -> float:
    """Return the shortest wavelength that a section faired through lines can show, mm.

    Two and a half times the distance between the lines, three quarters of which are
    no wider: two samples a wave are the limit of what can be seen at all.

    Parameters
    ----------
    girth : array_like, shape (m,)
        Where the surveyed lines cross the section, mm.
    length : float
        Girth once round, mm.

    Examples
    --------
    >>> finest_wave(np.arange(0.0, 4500.0, 160.0), 4500.0)
    400.0
    """
    at = np.unique(np.asarray(girth, dtype=np.float64) % length)
    if len(at) < 6:
        raise LoftError(f"{len(at)} lines found round the section, at least 6 wanted")
    gaps = np.diff(np.append(at, at[0] + length))
    return float(2.5 * np.quantile(gaps, 0.75))


def fold(readings: Readings, lean: Array) -> tuple[Array, Array]:
    """Return the points folded onto the starboard half, and how they move with the lean.

    Parameters
    ----------
    readings : Readings
    lean : ndarray, shape (..., 2)
        Shift (mm) and lean (radians) of the centreline; of a stack, (b, 2).

    Returns
    -------
    folded : ndarray, shape (..., m, 2); (m, 2) where no centreline is moved
    by : ndarray, shape (..., m, 2, 2); (m, 2, 2) likewise
        Change of (bl, height) with shift and lean.
    """
    return _folded(readings, lean) if lean.any() else readings.upright


def _folded(readings: Readings, lean: Array) -> tuple[Array, Array]:
    sine, cosine = np.sin(lean[..., 1:]), np.cos(lean[..., 1:])
    off, up = readings.point[:, 0] - lean[..., :1], readings.point[:, 1] - readings.pivot
    out, high = cosine * off - sine * up, sine * off + cosine * up
    side = np.where(out < 0, -1.0, 1.0)
    folded = np.stack([side * out, readings.pivot + high], axis=-1)
    by = np.zeros((*out.shape, 2, 2))
    by[..., 0, 0], by[..., 1, 0] = -side * cosine, -sine
    by[..., 0, 1], by[..., 1, 1] = -side * high, out
    return folded, by


def reading_rows(chain: Shape, lean: Array, readings: Readings) -> tuple[Array, Array]:
    """Return the standardised distances of all points, and their gradient.

    Parameters
    ----------
    chain : Chain or Stack
    lean : ndarray, shape (2,), or (b, 2) for a stack
    readings : Readings

    Returns
    -------
    row : ndarray, shape (..., m)
        Distance over sigma for single readings, whitened distance for the outline.
    slope : ndarray, shape (..., m, 2n + 3)
        By crown, curvatures, lengths, shift and lean.
    """
    folded, by = fold(readings, lean)
    feet = project(chain, folded)
    on_line = folded - feet.distance[..., None] * feet.normal
    slope = np.zeros((*feet.distance.shape, 3 + 2 * chain.count))
    slope[..., :-2] = -push(chain, on_line, feet.normal, feet.element, feet.along)
    slope[..., -2:] = (feet.normal[..., None, :] @ by)[..., 0, :]
    row, count = feet.distance, readings.single
    if count == row.shape[-1]:
        return row / readings.sigma, slope / readings.sigma[:, None]
    top = slope[..., :count, :] / readings.sigma[:, None]
    return (
        np.concatenate(
            [row[..., :count] / readings.sigma, row[..., count:] @ readings.whitener.T], axis=-1
        ),
        np.concatenate([top, readings.whitener @ slope[..., count:, :]], axis=-2),
    )
