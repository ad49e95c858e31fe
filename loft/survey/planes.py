"""Robust planes through small heaps of points, many heaps at a time.

In each heap planes are put through three points at a time; the one that the most
points agree with is taken and refined with weights that let strays go (Tukey's).
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from loft.job.records import Array

FEWEST = 8  # points that make a plane of three unknowns worth its standard deviation
MOST = 192  # points of a cell that are looked at
TOGETHER = 8  # cells whose trials are weighed together
REFINED = 360  # cells whose planes are refined together
MOST_TURNS = 8
REACHES = np.array([1.0, 10.0, 10.0])  # mm from a cell's middle, at which a plane may still move
SETTLED = 1e-3  # of the spread: a plane that moves by less stays
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
    # by a number of 16 bits where it is enough: those are sorted without comparing
    order = np.argsort(cell.astype(np.min_scalar_type(len(angle))), kind="stable")
    count = np.bincount(cell, minlength=len(angle))
    turn = np.arange(len(cell)) - np.repeat(np.cumsum(count) - count, count)
    first = np.flatnonzero(turn < MOST)
    order, turn = order.take(first), turn.take(first)
    m = int(min(count.max(initial=0), MOST)) or 1
    cell = cell.take(order)
    bl, up, along = (field.take(order) for field in (bl, up, along))
    where = cell * m + turn
    sine, cosine = np.sin(angle).take(cell), np.cos(angle).take(cell)
    fields = np.zeros((3, len(angle) * m))
    held = np.zeros(len(angle) * m, bool)
    fields[0][where] = bl * sine + up * cosine
    fields[1][where] = bl * cosine - up * sine
    fields[2][where] = along
    held[where] = True
    radius, round_, along, held = (field.reshape(-1, m) for field in (*fields, held))
    return Stack(radius=radius, round=round_, along=along, held=held, angle=angle)


def trial_planes(stack: Stack, sigma: float, rng: np.random.Generator) -> tuple[Array, Array]:
    """Return planes through three points each, (3, c, t), and how many points agree, (c, t).

    A plane too steep to be metal seen from the centre counts as agreed with by none.
    """
    count = stack.held.sum(axis=1)
    pick = rng.random((len(count), TRIALS, 3)) * count[:, None, None]
    place = pick.astype(np.int64) + stack.held.shape[1] * np.arange(len(count))[:, None, None]
    three = [np.ascontiguousarray(place[..., k]) for k in range(3)]
    (r, r1, r2), (v, v1, v2), (s, s1, s2) = (
        [field.take(at) for at in three] for field in (stack.radius, stack.round, stack.along)
    )
    dr1, dv1, ds1, dr2, dv2, ds2 = r1 - r, v1 - v, s1 - s, r2 - r1, v2 - v1, s2 - s1
    det = dv1 * ds2 - dv2 * ds1
    det = np.where(np.abs(det) < 1e-9, np.nan, det)
    b = (dr1 * ds2 - dr2 * ds1) / det
    g = (dv1 * dr2 - dv2 * dr1) / det
    a = r - b * v - g * s
    fit = (np.abs(b) <= STEEPEST_ROUND) & (np.abs(g) <= STEEPEST_ALONG)
    fit &= (count >= FEWEST)[:, None]
    trial = np.where(fit, np.stack([a, b, g]), 0.0)
    return trial, np.where(fit, _agreeing(stack, trial, sigma), 0.0)


def _agreeing(stack: Stack, trial: Array, sigma: float) -> Array:
    """Return how many points of its cell agree with each trial plane, (c, t).

    In single precision, from about the middle of the cell: good to thousandths of a mm.
    """
    middle = np.where(stack.held, stack.radius, 0.0).sum(axis=1)
    middle /= np.maximum(stack.held.sum(axis=1), 1)
    # what is not there agrees with nothing
    lone = np.where(stack.held, stack.radius - middle[:, None], np.inf)
    design = np.stack([lone, np.ones_like(lone), stack.round, stack.along], axis=-1)
    plane = np.stack([np.ones_like(trial[0]), middle[:, None] - trial[0], *(-trial[1:])], axis=1)
    plane /= (WINDOW * sigma * np.sqrt(1.0 + trial[1] ** 2 + trial[2] ** 2))[:, None]
    design, plane = design.astype(np.float32), plane.astype(np.float32)
    agree = np.zeros(trial.shape[1:])
    for first in range(0, len(agree), TOGETHER):  # the whole would not fit the cache
        some = slice(first, first + TOGETHER)
        error = design[some] @ plane[some]
        np.abs(error, out=error)
        agree[some] = np.add.reduce(error <= 1.0, axis=1, dtype=np.uint8)
    return agree


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
    firsts = range(0, max(len(stack.angle), 1), REFINED)
    parts = [slice(first, first + REFINED) for first in firsts]
    done = [_refine(stack.some(part), plane[:, part], sigma) for part in parts]
    names = [field.name for field in fields(Planes)]
    return Planes(**{name: np.concatenate([getattr(one, name) for one in done]) for name in names})


def _refine(stack: Stack, plane: Array, sigma: float) -> Planes:
    """Refine some cells' planes; the sums of points in single precision, from those planes on."""
    start = np.asarray(np.nan_to_num(plane.T))
    products, held = _products(stack, start), stack.held
    prior = np.diag([0.0, SLOPE_PRIOR[0] ** -2, SLOPE_PRIOR[1] ** -2]) + 1e-12 * np.eye(3)
    count = len(start)
    spread, tilt, agreeing = np.full(count, sigma), np.ones(count), np.zeros(count)
    move, sums = np.zeros((count, 3)), np.zeros((count, 9))
    lhs = np.zeros((count, 3, 3))
    at = np.arange(count)  # the cells that are still looked at
    for _ in range(MOST_TURNS):
        slopes = start[at, 1:] + move[at, 1:]
        tilt[at] = 1.0 / np.sqrt(1.0 + (slopes**2).sum(axis=1))
        fitted = move[at, None].astype(np.float32) @ products[:, :3]
        error = (products[:, 6] - fitted[:, 0]) * tilt[at, None].astype(np.float32)
        window = 5.0 * np.maximum(spread[at], sigma)
        near = held & (np.abs(error) <= window[:, None].astype(np.float32))
        spread[at] = robust_spread(error, near, sigma)
        # 95 % as good as least squares on clean points
        error /= (4.685 * spread[at, None]).astype(np.float32)
        weight = np.where(near, np.maximum(1.0 - error**2, 0.0) ** 2, np.zeros((), error.dtype))
        agreeing[at] = (weight > 0.0).sum(axis=1)
        sums[at] = (products @ weight[..., None])[..., 0]
        sums[at] *= (tilt[at, None] / spread[at, None]) ** 2
        lhs[at] = sums[at][:, [[0, 1, 2], [1, 3, 4], [2, 4, 5]]] + prior
        before = move[at]
        rhs = sums[at, 6:] - start[at] @ prior
        move[at] = solve_three(lhs[at], rhs)
        moving = np.abs(move[at] - before) @ REACHES > SETTLED * spread[at]
        if not moving.any():
            break
        if 2 * np.count_nonzero(moving) < len(at):
            at, products, held = at[moving], products[moving], held[moving]
    middle = sums[:, 1] / np.maximum(sums[:, 0], 1e-9)
    along = np.stack([np.ones(count), middle, np.zeros(count)], axis=1)
    variance = np.einsum("cj,cjk,ck->c", along, np.linalg.inv(lhs), along) / 0.95
    agreeing = np.where(start.any(axis=1) & (agreeing >= FEWEST), agreeing, 0)
    refined = start + move
    return Planes(
        at=refined[:, 0],
        round_slope=refined[:, 1],
        along_slope=refined[:, 2],
        middle=middle,
        sd=np.sqrt(variance) * tilt,
        spread=spread,
        agreeing=agreeing,
    )


def _products(stack: Stack, plane: Array) -> NDArray[np.float32]:
    """Return the products whose weighted sums make a plane's equations, (c, 9, m).

    1, v, s, vv, vs, ss, h, vh, sh of the way round v, along s and the height h over a plane.
    """
    height = stack.radius - plane[:, :1]
    height -= plane[:, 1:2] * stack.round + plane[:, 2:] * stack.along
    v, s = stack.round.astype(np.float32), stack.along.astype(np.float32)
    h = height.astype(np.float32)
    return np.stack([np.ones_like(v), v, s, v * v, v * s, s * s, h, v * h, s * h], axis=1)


def robust_spread(error: NDArray[np.floating], near: NDArray[np.bool_], sigma: float) -> Array:
    """Robust standard deviation of the points near each plane; a tenth of sigma at least."""
    table = np.where(near, np.abs(error), error.dtype.type(np.inf))
    table.sort(axis=1)
    middle = np.maximum(near.sum(axis=1) - 1, 0) // 2
    value = MAD * table[np.arange(len(table)), middle].astype(np.float64)
    return np.where(np.isfinite(value), np.maximum(value, 0.1 * sigma), sigma)


def solve_three(lhs: Array, rhs: Array) -> Array:
    """Solve many sets of three equations, (n, 3, 3) and (n, 3), symmetric and positive.

    Examples
    --------
    >>> solve_three(np.diag([1.0, 2.0, 4.0])[None], np.array([[3.0, 4.0, 4.0]])).tolist()
    [[3.0, 2.0, 1.0]]
    """
    (a, b, c), (_, d, e), (_, _, f) = lhs.transpose(1, 2, 0)
    p, q = b / a, c / a
    d, e = d - p * b, e - p * c
    r = e / d
    second = rhs[:, 1] - p * rhs[:, 0]
    third = (rhs[:, 2] - q * rhs[:, 0] - r * second) / (f - q * c - r * e)
    second = second / d - r * third
    return np.stack([rhs[:, 0] / a - p * second - q * third, second, third], axis=1)


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
