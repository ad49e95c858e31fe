"""Carry coefficients along the stations: the state-space form of a cubic smoothing spline.

Each coefficient is an integrated Wiener process (Wahba 1978; Kohn & Ansley 1987): its
state is (value, slope), and over a step h the state moves by a random increment of
covariance (1/lambda) [[h^3/3, h^2/2], [h^2/2, h]]. The posterior mean of the values is
the cubic smoothing spline with penalty lambda; between knots it is the cubic Hermite of
value and slope, exactly. At a marked break the slope may start afresh.

States of one knot stand together, (values, slopes), 2b of them for b coefficients.
Lengths along the stations are in units of `RUN_UNIT`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import lapack

from loft.job.records import Array, freeze_arrays

RUN_UNIT = 500.0  # mm; a typical frame spacing, so that lambda is about 1/mm^2
FAINT = 1e-9  # precision that stands for "nothing known"
BREAK_HOLD = 1e6  # precision of the value across a break, 1/mm^2
BREAK_SLOPE = 1e-4  # precision of the jump in slope, 1/(mm per RUN_UNIT)^2


@dataclass(frozen=True, eq=False, kw_only=True)
class Run:
    """The knots along the stations and the step between each and the next.

    Parameters
    ----------
    station : ndarray, shape (m,)
        Knots in order, mm; a break stands twice.
    step : ndarray, shape (m-1,)
        In RUN_UNIT; 0 across a break.
    quiet : ndarray, shape (m-1,)
        1 for an ordinary step, 0 for a break.
    """

    station: Array
    step: Array
    quiet: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def __len__(self) -> int:
        return len(self.station)


def make_run(stations: Array, breaks: Array | tuple[float, ...] = ()) -> Run:
    """Return the run through `stations` (distinct, sorted) with the breaks between them.

    Examples
    --------
    >>> make_run(np.array([0.0, 500.0, 1000.0]), [700.0]).station.tolist()
    [0.0, 500.0, 700.0, 700.0, 1000.0]
    """
    inside = [b for b in np.unique(breaks) if stations[0] < b < stations[-1]]
    knots = np.sort(np.concatenate([stations[~np.isin(stations, inside)], inside, inside]))
    step = np.diff(knots) / RUN_UNIT
    return Run(station=knots, step=step, quiet=(step > 0).astype(float))


def step_precision(run: Run) -> tuple[Array, Array, Array]:
    """Return the precision (11, 12, 22) of each step's increment at lambda 1 (0 at a break)."""
    h = np.where(run.quiet > 0, run.step, 1.0)
    return 12 / h**3 * run.quiet, -6 / h**2 * run.quiet, 4 / h * run.quiet


@dataclass(frozen=True, eq=False, kw_only=True)
class Links:
    """The prior's blocks: own (value-value, value-slope, slope-slope) and to the next knot.

    Shapes (m, 3, b) and (m-1, 4, b); the next-knot block is
    [[vv, vs], [sv, ss]] with this knot's rows and the next knot's columns.
    """

    own: Array
    onward: Array


def prior_links(run: Run, stiffness: Array) -> Links:
    """Return the prior's precision for coefficients of the given lambda, shape (b,)."""
    p11, p12, p22 = (part[:, None] * stiffness for part in step_precision(run))
    broken = (1 - run.quiet)[:, None]
    p11, p22 = p11 + broken * BREAK_HOLD, p22 + broken * BREAK_SLOPE
    h = run.step[:, None]
    own = np.zeros((len(run), 3, len(stiffness)))
    own[:-1, 0] += p11
    own[:-1, 1] += p11 * h + p12
    own[:-1, 2] += p11 * h * h + 2 * p12 * h + p22
    own[1:, 0] += p11
    own[1:, 1] += p12
    own[1:, 2] += p22
    onward = np.stack([-p11, -p12, -(p11 * h + p12), -(p12 * h + p22)], 1)
    return Links(own=own, onward=onward)


def value_penalty(run: Run) -> Array:
    """Return the eigenvalues of the penalty on the knots' values, slopes left out.

    The two straight-line modes (and, for every break, its free slope and its held
    double) have none and are given as 0.
    """
    m = len(run)
    free = prior_links(run, np.ones(1))
    full = np.zeros((2 * m, 2 * m))
    at = np.arange(m)
    full[at, at] = free.own[:, 0, 0]
    full[at, m + at] = free.own[:, 1, 0]
    full[m + at, m + at] = free.own[:, 2, 0]
    full[at[:-1], at[1:]] = free.onward[:, 0, 0]
    full[at[:-1], m + at[1:]] = free.onward[:, 1, 0]
    full[m + at[1:], at[:-1]] = free.onward[:, 1, 0]
    full[at[1:], m + at[:-1]] = free.onward[:, 2, 0]
    full[m + at[:-1], at[1:]] = free.onward[:, 2, 0]
    full[m + at[:-1], m + at[1:]] = free.onward[:, 3, 0]
    full = np.triu(full) + np.triu(full, 1).T
    slope = full[m:, m:] + FAINT * np.eye(m)
    penalty = full[:m, :m] - full[:m, m:] @ np.linalg.solve(slope, full[m:, :m])
    eigen = np.linalg.eigvalsh((penalty + penalty.T) / 2)
    breaks = int((run.quiet == 0).sum())
    eigen[: 2 + breaks] = 0
    if breaks:
        eigen[-breaks:] = 0
    return np.maximum(eigen, 0)


def solve_mean(links: Links, data: Array, pull: Array) -> Array:
    """Solve for the states alone, by one banded Cholesky factorisation.

    Parameters
    ----------
    links : Links
    data : ndarray, shape (m, s, s)
        The readings' precision on each knot's states; s is b (values only) or 2b.
    pull : ndarray, shape (m, s, c)
        The readings' right-hand sides.

    Returns
    -------
    states : ndarray, shape (m, 2b, c)
    """
    m, _, b = links.own.shape
    size = 2 * b
    place = np.arange(size).reshape(b, 2).T.ravel()  # (values, slopes) -> value, slope, value, ...
    band = np.zeros((size + 2, m, size))  # lower form, row r - c
    part = place[: data.shape[1]]
    rows, columns = np.meshgrid(part, part, indexing="ij")
    low = rows >= columns
    band[(rows - columns)[low], :, columns[low]] += data[:, low].T
    value, slope = place[:b], place[b:]
    band[0, :, value] += links.own[:, 0].T
    band[1, :, value] += links.own[:, 1].T
    band[0, :, slope] += links.own[:, 2].T
    for k, (offset, column) in enumerate(
        [(size, value), (size + 1, value), (size - 1, slope), (size, slope)]
    ):
        band[offset, :-1, column] += links.onward[:, k].T
    right = np.zeros((m, size, pull.shape[2]))
    right[:, part] = pull
    factor, failed = lapack.dpbtrf(band.reshape(size + 2, m * size), lower=1, overwrite_ab=1)
    if failed:
        raise np.linalg.LinAlgError("the smoother's system is not positive definite")
    states, _ = lapack.dpbtrs(factor, right.reshape(m * size, -1), lower=1)
    return np.ascontiguousarray(states.reshape(m, size, -1)[:, place])


@dataclass(frozen=True, eq=False, kw_only=True)
class Posterior:
    """States with their spread.

    Parameters
    ----------
    states : ndarray, shape (m, 2b)
    covariance : ndarray, shape (m, 2b, 2b)
    gain : ndarray, shape (m-1, 2b, 2b)
        Backward gain: covariance of knots i and i+1 is -gain[i] @ covariance[i+1].
    local : ndarray, shape (m, 2b, 2b)
        Covariance of knot i given knot i+1.
    """

    states: Array
    covariance: Array
    gain: Array
    local: Array

    def with_next(self, i: int) -> Array:
        """Return the covariance between knot i (rows) and knot i + 1 (columns)."""
        return -self.gain[i] @ self.covariance[i + 1]


def _inverse(matrix: Array, lower: Array) -> Array:
    """Inverse of a symmetric positive definite matrix; `lower` masks the lower triangle.

    The mask holds 0.5 on the diagonal, so that the two triangles add up.
    """
    factor, failed = lapack.dpotrf(matrix, lower=1, overwrite_a=0)
    if failed:
        raise np.linalg.LinAlgError("the smoother's system is not positive definite")
    inverse, _ = lapack.dpotri(factor, lower=1, overwrite_c=1)
    inverse = inverse * lower
    return inverse + inverse.T


def _dense(links: Links) -> tuple[Array, Array]:
    """Return the prior's blocks as full matrices: own (m, 2b, 2b), onward (m-1, 2b, 2b).

    Nearly all zeros, and yet quicker to multiply than by parts.
    """
    m, _, b = links.own.shape
    value, slope = np.arange(b), b + np.arange(b)
    own, onward = np.zeros((m, 2 * b, 2 * b)), np.zeros((m - 1, 2 * b, 2 * b))
    own[:, value, value], own[:, slope, slope] = links.own[:, 0], links.own[:, 2]
    own[:, value, slope] = own[:, slope, value] = links.own[:, 1]
    for k, (row, column) in enumerate(
        [(value, value), (value, slope), (slope, value), (slope, slope)]
    ):
        onward[:, row, column] = links.onward[:, k]
    return own, onward


def solve(links: Links, data: Array, pull: Array) -> Posterior:
    """Solve for the states and their covariance by a block-tridiagonal sweep.

    Arguments as `solve_mean`, with one right-hand side (m, s). The forward sweep
    eliminates knot after knot; the backward sweep brings back means, covariances and the
    gains between knots.
    """
    m, _, b = links.own.shape
    size, used = 2 * b, data.shape[1]
    block, onward = _dense(links)
    block[:, :used, :used] += data
    right = np.zeros((m, size))
    right[:, :used] = pull
    local = np.zeros((m, size, size))
    gain = np.zeros((m - 1, size, size))
    lower = np.tril(np.ones((size, size))) - 0.5 * np.eye(size)
    for i in range(m):
        if i:
            block[i] -= onward[i - 1].T @ gain[i - 1]
            right[i] -= right[i - 1] @ gain[i - 1]
        local[i] = _inverse(block[i].T, lower)
        if i < m - 1:
            np.matmul(local[i], onward[i], out=gain[i])
    states = np.zeros((m, size))
    covariance = np.zeros((m, size, size))
    states[-1], covariance[-1] = local[-1] @ right[-1], local[-1]
    for i in range(m - 2, -1, -1):
        states[i] = local[i] @ right[i] - gain[i] @ states[i + 1]
        np.matmul(gain[i] @ covariance[i + 1], gain[i].T, out=covariance[i])
        covariance[i] += local[i]
    return Posterior(states=states, covariance=covariance, gain=gain, local=local)


def spread_along(run: Run, posterior: Posterior) -> tuple[Array, Array, Array]:
    """Return what the variances of smoothness are learned from, each of shape (b,).

    Returns
    -------
    roughness : of the mean, sum of d' P d over the steps' increments d
    doubt : the same of the posterior spread, tr(P cov(d))
    own : the summed posterior variances of the knots' values
    """
    b = posterior.states.shape[1] // 2
    p11, p12, p22 = step_precision(run)
    h = run.step[:, None]
    value, slope = posterior.states[:, :b], posterior.states[:, b:]
    d1 = value[1:] - value[:-1] - h * slope[:-1]
    d2 = slope[1:] - slope[:-1]
    roughness = p11 @ d1**2 + 2 * (p12 @ (d1 * d2)) + p22 @ d2**2
    spread = np.einsum("mii->mi", posterior.covariance)
    cross = np.einsum("mii->mi", posterior.covariance[:, :b, b:])
    vv, ss = spread[:, :b], spread[:, b:]
    gain, nxt = posterior.gain, posterior.covariance[1:]
    xvv = -np.einsum("mik,mki->mi", gain[:, :b], nxt[:, :, :b])
    xvs = -np.einsum("mik,mki->mi", gain[:, :b], nxt[:, :, b:])
    xsv = -np.einsum("mik,mki->mi", gain[:, b:], nxt[:, :, :b])
    xss = -np.einsum("mik,mki->mi", gain[:, b:], nxt[:, :, b:])
    v11 = vv[1:] + vv[:-1] + 2 * h * cross[:-1] + h * h * ss[:-1] - 2 * (xvv + h * xsv)
    v22 = ss[1:] + ss[:-1] - 2 * xss
    v12 = cross[1:] + cross[:-1] + h * ss[:-1] - (xvs + h * xss) - xsv
    doubt = p11 @ v11 + 2 * (p12 @ v12) + p22 @ v22
    return roughness, doubt, vv.sum(0)


def _increment(h: float) -> Array:
    return np.array([[h**3 / 3, h * h / 2], [h * h / 2, h]])


def _ahead(h: float) -> Array:
    return np.array([[1.0, h], [0.0, 1.0]])


def between(
    run: Run, posterior: Posterior, stiffness: Array, station: float
) -> tuple[Array, Array]:
    """Return the state and its covariance at any station, exactly.

    Inside the run the process is a bridge between two knots; past its ends it runs on
    straight and its variance grows.

    Parameters
    ----------
    stiffness : ndarray, shape (b,)
        lambda of each coefficient.
    station : float
        mm.

    Returns
    -------
    state : ndarray, shape (2b,)
    covariance : ndarray, shape (2b, 2b)
    """
    knots = run.station
    b = len(stiffness)
    at = int(np.searchsorted(knots, station))
    if at < len(knots) and knots[at] == station:
        return posterior.states[at], posterior.covariance[at]
    if at in (0, len(knots)):
        end = min(at, len(knots) - 1)
        h = (station - knots[end]) / RUN_UNIT
        ahead = np.kron(_ahead(h), np.eye(b))
        grown = np.kron(
            _increment(abs(h)) * np.array([[1, np.sign(h)], [np.sign(h), 1]]),
            np.diag(1 / stiffness),
        )
        return ahead @ posterior.states[end], ahead @ posterior.covariance[end] @ ahead.T + grown
    back, on = (station - knots[at - 1]) / RUN_UNIT, (knots[at] - station) / RUN_UNIT
    before, after = np.linalg.inv(_increment(back)), np.linalg.inv(_increment(on))
    spread = np.linalg.inv(before + _ahead(on).T @ after @ _ahead(on))
    first = np.kron(spread @ before @ _ahead(back), np.eye(b))
    second = np.kron(spread @ _ahead(on).T @ after, np.eye(b))
    cross = first @ posterior.with_next(at - 1) @ second.T
    covariance = first @ posterior.covariance[at - 1] @ first.T
    covariance += second @ posterior.covariance[at] @ second.T + cross + cross.T
    covariance += np.kron(spread, np.diag(1 / stiffness))
    return first @ posterior.states[at - 1] + second @ posterior.states[at], covariance


def along(run: Run, states: Array, station: Array) -> tuple[Array, Array, Array]:
    """Return values, slopes (per mm) and second slopes (per mm^2) at `station`, any shape.

    The cubic Hermite of value and slope between knots; straight on past the ends.
    """
    b = states.shape[1] // 2
    x = np.asarray(station, float)
    at = np.clip(np.searchsorted(run.station, x, side="right"), 1, len(run) - 1)
    ends = (x < run.station[0]) | (x > run.station[-1])
    h = (run.station[at] - run.station[at - 1]) / RUN_UNIT
    u = (np.clip(x, run.station[0], run.station[-1]) - run.station[at - 1]) / RUN_UNIT
    t = (u / np.where(h > 0, h, 1))[..., None]
    h = np.where(h > 0, h, 1)[..., None]
    v0, s0 = states[at - 1][..., :b], states[at - 1][..., b:] * h
    v1, s1 = states[at][..., :b], states[at][..., b:] * h
    rise = v1 - v0
    c2, c3 = 3 * rise - 2 * s0 - s1, s0 + s1 - 2 * rise
    value = v0 + t * (s0 + t * (c2 + t * c3))
    slope = (s0 + t * (2 * c2 + 3 * t * c3)) / h
    bend = np.where(ends[..., None], 0.0, (2 * c2 + 6 * t * c3) / (h * h))
    beyond = (x - np.clip(x, run.station[0], run.station[-1]))[..., None] / RUN_UNIT
    return value + beyond * slope, slope / RUN_UNIT, bend / RUN_UNIT**2
