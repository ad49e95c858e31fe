"""Robust planes through small heaps of points, many heaps at a time.

In each heap planes are put through three points at a time; the one that the most
points agree with is taken and refined with weights that let strays go (Tukey's).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loft.job.records import Array

FEWEST = 8  # points that make a plane of three unknowns worth its standard deviation
MOST = 192  # points of a cell that are looked at
TOGETHER = 8  # cells whose trials are weighed together
TRIALS = 48  # planes tried: with half the points clutter, 48 trials miss in 0.2 % of cells
STEEPEST_ROUND = np.tan(np.deg2rad(65.0))  # of the metal against the radius, round the section
STEEPEST_ALONG = np.tan(np.deg2rad(40.0))  # and fore and aft: a web is no skin
SLOPE_PRIOR = 1.0, 0.3  # sd of the two slopes where points do not tell
WINDOW = 2.5  # in standard deviations: what agrees with a plane
ABOUT = 100.0  # mm: layers of one structure; what is farther off is something else
OTHER_LAYER = 0.3  # share of the best plane's points that makes another layer worth a choice
MAD = 1.4826  # median absolute deviation to standard deviation, normal law


@dataclass(frozen=True, eq=False, kw_only=True)
class Stack:
    """Points in cells, padded: radius, way round, way along; shape (c, m)."""

    radius: Array
    round: Array
    along: Array
    held: NDArray[np.bool_]
    angle: Array  # (c,) middle of each cell, from up, positive to starboard

    def some(self, index: NDArray[np.int64] | slice) -> Stack:
        """Return the cells of an index alone."""
        return Stack(
            radius=self.radius[index],
            round=self.round[index],
            along=self.along[index],
            held=self.held[index],
            angle=self.angle[index],
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class Planes:
    """One plane a cell, radius = at + round_slope * round + along_slope * along; shape (c,)."""

    at: Array
    round_slope: Array
    along_slope: Array
    middle: Array  # mean way round of the points on it
    sd: Array  # of the radius at `middle`, along the normal
    spread: Array
    agreeing: Array

    @property
    def tilt(self) -> Array:
        """Cosine between the radius and the normal."""
        return 1.0 / np.sqrt(1.0 + self.round_slope**2 + self.along_slope**2)


def stack_up(cell: NDArray[np.int64], angle: Array, *, bl: Array, up: Array, along: Array) -> Stack:
    """Sort points into cells, at most MOST in each; they must come in no order of place.

    Parameters
    ----------
    cell : ndarray of int, shape (n,)
        Which of the cells each point is in.
    angle : ndarray, shape (c,)
        Direction of each cell's radius, from up, positive to starboard.
    bl, up, along : ndarray, shape (n,)
        mm; from the point about which the cells are laid.
    """
    order = np.argsort(cell, kind="stable")
    count = np.bincount(cell, minlength=len(angle))
    turn = np.arange(len(cell)) - np.repeat(np.cumsum(count) - count, count)
    order, turn = order[turn < MOST], turn[turn < MOST]
    m = int(min(count.max(initial=0), MOST)) or 1
    where = cell[order], turn
    sine, cosine = np.sin(angle[cell[order]]), np.cos(angle[cell[order]])
    fields = np.zeros((3, len(angle), m))
    held = np.zeros((len(angle), m), bool)
    fields[0][where] = bl[order] * sine + up[order] * cosine
    fields[1][where] = bl[order] * cosine - up[order] * sine
    fields[2][where] = along[order]
    held[where] = True
    return Stack(radius=fields[0], round=fields[1], along=fields[2], held=held, angle=angle)


def trial_planes(stack: Stack, sigma: float, rng: np.random.Generator) -> tuple[Array, Array]:
    """Return planes through three points each, (3, c, t), and how many points agree, (c, t).

    A plane too steep to be metal seen from the centre counts as agreed with by none.
    """
    count = stack.held.sum(axis=1)
    pick = (rng.random((len(count), TRIALS, 3)) * count[:, None, None]).astype(int)
    row = np.arange(len(count))[:, None, None]
    r, v, s = (field[row, pick] for field in (stack.radius, stack.round, stack.along))
    dr, dv, ds = (np.diff(field, axis=2) for field in (r, v, s))
    det = dv[..., 0] * ds[..., 1] - dv[..., 1] * ds[..., 0]
    det = np.where(np.abs(det) < 1e-9, np.nan, det)
    b = (dr[..., 0] * ds[..., 1] - dr[..., 1] * ds[..., 0]) / det
    g = (dv[..., 0] * dr[..., 1] - dv[..., 1] * dr[..., 0]) / det
    a = r[..., 0] - b * v[..., 0] - g * s[..., 0]
    fit = (np.abs(b) <= STEEPEST_ROUND) & (np.abs(g) <= STEEPEST_ALONG)
    fit &= (count >= FEWEST)[:, None]
    trial = np.where(fit, np.stack([a, b, g]), 0.0)
    reach = WINDOW * sigma * np.sqrt(1.0 + trial[1] ** 2 + trial[2] ** 2)
    lone = np.where(stack.held, stack.radius, np.inf)  # what is not there agrees with nothing
    design = np.stack([lone, np.ones_like(lone), stack.round, stack.along], axis=-1)
    plane = np.stack([np.ones_like(trial[0]), *(-trial)], axis=1)  # (c, 4, t)
    agree = np.zeros((len(count), TRIALS))
    for first in range(0, len(count), TOGETHER):  # the whole would not fit the cache
        some = slice(first, first + TOGETHER)
        error = np.abs(design[some] @ plane[some])
        agree[some] = np.add.reduce(error <= reach[some, None], axis=1, dtype=np.uint8)
    return trial, np.where(fit, agree, 0.0)


def pick_planes(trial: Array, agree: Array, *, layer: str = "") -> Array:
    """Return the plane of every cell, (3, c): most points, or the outermost that has many."""
    best = agree.max(axis=1)
    score = agree
    if layer == "outermost":
        many = agree >= np.maximum(OTHER_LAYER * best, FEWEST)[:, None]
        usual = trial[0][np.arange(len(agree)), agree.argmax(axis=1)]
        many &= np.abs(trial[0] - usual[:, None]) <= ABOUT
        score = np.where(many, trial[0], -np.inf)
    chosen = score.argmax(axis=1)
    return np.where(best >= FEWEST, trial[:, np.arange(len(agree)), chosen], np.nan)


def refine_planes(stack: Stack, plane: Array, sigma: float) -> Planes:
    """Fit each cell's plane anew to its points, strays losing their weight (Tukey)."""
    design = np.stack([np.ones_like(stack.round), stack.round, stack.along], axis=-1)
    plane = np.asarray(np.nan_to_num(plane.T))
    there = plane.any(axis=1)
    prior = np.diag([0.0, SLOPE_PRIOR[0] ** -2, SLOPE_PRIOR[1] ** -2]) + 1e-12 * np.eye(3)
    spread = np.full(len(plane), sigma)
    for _ in range(8):
        tilt = 1.0 / np.sqrt(1.0 + plane[:, 1] ** 2 + plane[:, 2] ** 2)
        error = (stack.radius - (design @ plane[..., None])[..., 0]) * tilt[:, None]
        near = stack.held & (np.abs(error) <= 5.0 * np.maximum(spread, sigma)[:, None])
        spread = robust_spread(error, near, sigma)
        u = error / (4.685 * spread)[:, None]  # 95 % as good as least squares on clean points
        weight = np.where(near & (np.abs(u) < 1.0), (1.0 - u**2) ** 2, 0.0)
        scaled = design * (weight * (tilt / spread)[:, None] ** 2)[..., None]
        turned = np.swapaxes(scaled, 1, 2)
        lhs = turned @ design + prior
        plane = np.asarray(np.linalg.solve(lhs, turned @ stack.radius[..., None])[..., 0])
    agreeing = np.where(there, (weight > 0.0).sum(axis=1), 0)
    total = np.maximum(weight.sum(axis=1), 1e-9)
    middle = (weight * stack.round).sum(axis=1) / total
    at = np.stack([np.ones(len(plane)), middle, np.zeros(len(plane))], axis=1)
    variance = np.einsum("cj,cjk,ck->c", at, np.linalg.inv(lhs), at) / 0.95
    return Planes(
        at=plane[:, 0],
        round_slope=plane[:, 1],
        along_slope=plane[:, 2],
        middle=middle,
        sd=np.sqrt(variance) * tilt,
        spread=spread,
        agreeing=np.where(agreeing >= FEWEST, agreeing, 0),
    )


def robust_spread(error: Array, near: NDArray[np.bool_], sigma: float) -> Array:
    """Robust standard deviation of the points near each plane; a tenth of sigma at least."""
    table = np.where(near, np.abs(error), np.inf)
    table.sort(axis=1)
    middle = np.maximum(near.sum(axis=1) - 1, 0) // 2
    value = MAD * table[np.arange(len(table)), middle]
    return np.where(np.isfinite(value), np.maximum(value, 0.1 * sigma), sigma)


def row_quantiles(table: Array, share: float) -> Array:
    """Return the quantile of the numbers in each row; NaN where there are none.

    Examples
    --------
    >>> row_quantiles(np.array([[3.0, np.nan, 1.0], [np.nan, np.nan, np.nan]]), 0.5).tolist()
    [2.0, nan]
    """
    ranked = np.sort(table, axis=1)  # what is no number last
    last = np.maximum((~np.isnan(ranked)).sum(axis=1) - 1, 0)
    low = (share * last).astype(np.int64)
    row = np.arange(len(ranked))
    less, more = ranked[row, low], ranked[row, np.minimum(low + 1, last)]
    return np.asarray(less + (share * last - low) * (more - less))
