"""Where to start: a structured search over turns, never random chains.

The support function h(turn) = point . normal of a chain is a trigonometric spline
whose knots are the turns at the tangent points. For given turns it is linear in the
crown's height, the radii and the lengths of straights, and so are closure and most
figures of a drawing. So every set of turns on a coarse grid is tried by one batch of
linear problems, the best few are refined, and only those go on to the solver.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations, product

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import splev, splprep

from loft.drawing.chain import PI, Stack, project
from loft.drawing.closure import close_all
from loft.drawing.dimensions import Dimension
from loft.drawing.readings import Readings
from loft.drawing.step import SHORTEST
from loft.job.records import Array

GRID = np.deg2rad(np.arange(10.0, 171.0, 10.0))
MOST_SETS = 700  # sets of turns tried; beyond, an even share of all of them
APART = np.deg2rad(8.0)  # two starts nearer than this in every turn count as one
LEAST_RADIUS, MOST_RADIUS = 40.0, 2e5
LOOSE = 0.03  # a drawn radius is believed to this share while starts are sought


@dataclass(frozen=True, eq=False, kw_only=True)
class Support:
    """Linear rows of the search, by direction of the normal.

    Parameters
    ----------
    turn, value : ndarray, shape (k, s)
        Support `value` wanted at direction `turn`: one row of normals for all sets, or one
        for each.
    weight : ndarray, shape (s,)
        1 / sigma.
    straight : tuple of bool
        Make-up of the chain.
    dimensions : tuple of Dimension
        Drawn radii, and the crown's centre.
    """

    turn: Array
    value: Array
    weight: Array
    straight: tuple[bool, ...]
    dimensions: tuple[Dimension, ...] = ()

    @property
    def knots(self) -> int:
        """Return the number of turns to be found."""
        return len(self.straight) - sum(self.straight) - 1


@dataclass(frozen=True, eq=False, kw_only=True)
class Sets:
    """Sets of turns with their linear solutions.

    Parameters
    ----------
    turns : ndarray, shape (b, knots)
    crown : ndarray, shape (b,)
    size : ndarray, shape (b, n)
        Radius of every arc, length of every straight, mm.
    cost : ndarray, shape (b,)
    """

    turns: Array
    crown: Array
    size: Array
    cost: Array

    def some(self, which: ArrayLike) -> Sets:
        """Return some of them."""
        index = np.asarray(which, dtype=np.int64)
        return Sets(
            turns=self.turns[index],
            crown=self.crown[index],
            size=self.size[index],
            cost=self.cost[index],
        )


def point_turns(readings: Readings) -> Array:
    """Return the direction of the outward normal at every point, 0 to pi.

    From a periodic smoothing spline through the points and their mirror image; where
    that fails, from the direction off the middle. An error here enters only in second
    order and is mended later.
    """
    folded, _ = readings.upright
    if not len(folded):
        return np.zeros(0)
    middle = 0.5 * (folded[:, 1].max() + folded[:, 1].min())
    plain = np.arctan2(folded[:, 0], folded[:, 1] - middle)
    both = np.concatenate([folded, folded[folded[:, 0] > 1.0] * [-1.0, 1.0]])
    both = both[np.argsort(np.arctan2(both[:, 0], both[:, 1] - middle))]
    new = np.concatenate([[True], np.hypot(*np.diff(both, axis=0).T) > 1e-6])
    both = both[new]
    if len(both) < 5:
        return plain
    spread = float(np.sqrt(np.mean(readings.spread**2)))
    try:
        spline, _ = splprep(
            np.concatenate([both, both[:1]]).T, s=2 * len(both) * spread**2, per=True, quiet=2
        )
    except (ValueError, TypeError):
        return plain
    grid = np.linspace(0.0, 1.0, 721)
    curve, run = np.stack(splev(grid, spline), -1), np.stack(splev(grid, spline, 1), -1)
    near = np.argmin(((folded[:, None] - curve[None]) ** 2).sum(axis=-1), axis=1)
    turn = np.arctan2(-run[near, 1], run[near, 0])
    turn = np.where(turn < -0.3, turn + 2 * PI, turn)
    if np.mean((turn > -0.2) & (turn < PI + 0.2)) < 0.9:
        return plain
    return np.clip(turn, 0.0, PI)


def support_of(
    readings: Readings,
    turn: Array,
    straight: tuple[bool, ...],
    dimensions: Sequence[Dimension] = (),
) -> Support:
    """Return the linear rows of points and drawn figures for the search of turns."""
    folded, _ = readings.upright
    value = folded[:, 0] * np.sin(turn) + folded[:, 1] * np.cos(turn)
    at = {"top": (0.0, 1.0), "bottom": (PI, -1.0), "max_half_breadth": (PI / 2, 1.0)}
    drawn = [(*at[one.kind], one) for one in dimensions if one.kind in at]
    return Support(
        turn=np.concatenate([turn, [angle for angle, _, _ in drawn]])[None],
        value=np.concatenate([value, [sign * one.value for _, sign, one in drawn]])[None],
        weight=np.concatenate(
            [1 / readings.spread, [1 / max(one.sigma, 1.0) for _, _, one in drawn]]
        ),
        straight=straight,
        dimensions=tuple(
            one
            for one in dimensions
            if one.kind == "radius" or (one.kind == "centre_wl" and one.element == 0)
        ),
    )


def solve_sets(support: Support, turns: Array, *, robust: bool = False) -> Sets:
    """Solve the linear problem of every set of turns at once.

    Parameters
    ----------
    support : Support
    turns : ndarray, shape (b, knots)
        Rising turns at the joins of arcs; a straight lies at the join it stands in.
    robust : bool
        Count large misfits linearly, when sets are compared.
    """
    place, where = np.unique(turns, return_inverse=True)
    return _solved(support, place[None], where.reshape(turns.shape), robust=robust)


def _solved(
    support: Support, place: Array, where: NDArray[np.int64], *, robust: bool = False
) -> Sets:
    """Solve the linear problems of sets that share their turns.

    Parameters
    ----------
    support : Support
        Of k rows of normals.
    place : ndarray, shape (k, c)
        Turns that occur with each of them.
    where : ndarray of int, shape (p, knots)
        Which of these the sets have, alike with all k.

    Returns
    -------
    Sets
        k times p of them, those with the first row of normals first.
    """
    columns, pick = _columns(support, place, where)
    value = np.zeros((*columns.shape[:2], 1))
    value[:, :-1, 0] = support.value * support.weight
    extra, wanted = _drawn_rows(support)
    turned = columns.swapaxes(-1, -2)
    normal = (turned @ columns)[:, pick[:, :, None], pick[:, None, :]] + extra.T @ extra
    right = (turned @ value)[:, pick, 0] + wanted @ extra
    size = np.sqrt(np.einsum("kpii->kpi", normal)) + 1e-12
    scaled = normal / (size[..., :, None] * size[..., None, :]) + 1e-9 * np.eye(normal.shape[-1])
    found = np.linalg.solve(scaled, (right / size)[..., None])[..., 0] / size
    if robust:
        miss = np.concatenate(
            [
                np.einsum("kspj,kpj->kps", columns[:, :, pick], found) - value.swapaxes(-1, -2),
                found @ extra.T - wanted,
            ],
            axis=-1,
        )
        miss = np.abs(miss)
        cost = np.where(miss < 3, miss**2, 6 * miss - 9).sum(axis=-1)
    else:
        fall = ((normal @ found[..., None])[..., 0] - 2 * right) * found
        cost = (value * value).sum(axis=1) + wanted @ wanted + fall.sum(axis=-1)
    turns = place[:, where].reshape(-1, where.shape[1])
    return _sets(support, turns, found.reshape(len(turns), -1), cost.ravel())


def _columns(
    support: Support, place: Array, where: NDArray[np.int64]
) -> tuple[Array, NDArray[np.int64]]:
    """Return the weighted columns of all turns that occur, and which of them every set has.

    Returns
    -------
    columns : ndarray, shape (k, s + 1, q)
        Support by crown, first radius, change of radius and length of a straight at a turn;
        last what they add to bl at the keel.
    pick : ndarray of int, shape (p, knots + 2 + straights)
    """
    turn, flat = support.turn[..., None], any(support.straight)
    count = place.shape[1]
    out = np.zeros((len(turn), turn.shape[1] + 1, 2 + count + (2 + count) * flat))
    rows, last = out[:, :-1], out[:, -1]
    rows[..., 0], rows[..., 1] = np.cos(support.turn), 1 - np.cos(support.turn)
    rows[..., 2 : 2 + count] = 1 - np.cos(np.maximum(turn - place[:, None], 0.0))
    last[:, 2 : 2 + count] = -np.sin(place)
    pick = [np.tile([0, 1], (len(where), 1)), 2 + where]
    if flat:
        # a straight lies at the join it stands in, at 0 or pi at the ends
        lies = np.pad(place, ((0, 0), (1, 1)), constant_values=((0, 0), (0.0, PI)))
        rows[..., 2 + count :] = np.sin(np.maximum(turn - lies[:, None], 0.0))
        last[:, 2 + count :] = np.cos(lies)
        ends = np.pad(where + 1, ((0, 0), (1, 1)), constant_values=((0, 0), (0, count + 1)))
        before = np.cumsum([not one for one in support.straight])
        joins = [int(before[i]) for i, one in enumerate(support.straight) if one]
        pick.append(2 + count + ends[:, joins])
    rows *= support.weight[:, None]
    last *= 1e3 * support.weight.mean()
    return out, np.concatenate(pick, axis=1)


def _sets(support: Support, turns: Array, found: Array, cost: Array) -> Sets:
    """Return the solutions in order of the elements, bad radii and lengths made dear."""
    is_straight = np.array(support.straight)
    arcs = len(is_straight) - int(is_straight.sum())
    radius = np.cumsum(found[:, 1 : 1 + arcs], axis=-1)
    size = np.zeros((len(turns), len(is_straight)))
    size[:, ~is_straight] = radius
    size[:, is_straight] = found[:, 1 + arcs :]
    small = np.maximum(0.0, 30.0 - size).sum(axis=-1)
    large = np.maximum(0.0, radius - 3e5).sum(axis=-1) * 1e-3
    return Sets(turns=turns, crown=found[:, 0], size=size, cost=cost + 10 * (small + large))


def _drawn_rows(support: Support) -> tuple[Array, Array]:
    """Return the rows of drawn radii and of the crown's centre height."""
    width = 1 + len(support.straight)
    rows, wanted = [np.zeros((0, width))], [np.zeros(0)]
    for one in support.dimensions:
        row = np.zeros((1, width))
        if one.kind == "radius":
            arc = one.element - sum(support.straight[: one.element])
            row[0, 1 : 2 + arc] = 1.0
            sigma = max(one.sigma, LOOSE * abs(one.value))
        else:
            row[0, :2] = 1.0, -1.0
            sigma = max(one.sigma, 1.0)
        rows.append(row / sigma)
        wanted.append(np.array([abs(one.value) if one.kind == "radius" else one.value]) / sigma)
    return np.concatenate(rows), np.concatenate(wanted)


@lru_cache(maxsize=16)
def grid_sets(knots: int, *, most: int = MOST_SETS) -> Array:
    """Return sets of turns on the grid, all of them or an even share, shape (b, knots).

    Examples
    --------
    >>> grid_sets(2).shape, len(grid_sets(5)) <= MOST_SETS
    ((136, 2), True)
    """
    every = np.array(list(combinations(range(len(GRID)), knots)), dtype=np.int64)
    every = every.reshape(-1, knots)
    if len(every) > most:
        # shuffled by a fixed rule, so that the share covers all regions alike
        order = np.random.default_rng(0).permutation(len(every))
        every = every[order[:most]]
    return GRID[every]


def refine(support: Support, sets: Sets, which: Sequence[int], readings: Readings) -> Sets:
    """Move the turns of some sets about, coarse then fine, re-reading normals on the way."""
    current = sets.some(which)
    count, knots = current.turns.shape
    support = replace(
        support,
        turn=np.tile(support.turn, (count, 1)),
        value=np.tile(support.value, (count, 1)),
    )
    steps = _patterns(knots)
    where = steps + 1 + 3 * np.arange(knots)
    for width in np.deg2rad([5.0, 2.5]):
        support = _re_read(support, current, readings)
        place = np.clip(current.turns[..., None] + width * np.arange(-1, 2), 0.03, PI - 0.03)
        tried = _solved(support, place.reshape(count, -1), where)
        rising = (np.diff(tried.turns, axis=1) > 0.03).all(axis=1)
        cost = np.where(rising, tried.cost, np.inf).reshape(count, -1)
        best = cost.argmin(axis=1)
        found = tried.some(best + len(steps) * np.arange(count))
        moved = cost.min(axis=1) < np.inf
        current = found if moved.all() else _kept(moved, found, current)
    return current


def _kept(use: NDArray[np.bool_], one: Sets, other: Sets) -> Sets:
    """Return the sets of `one` where they are to be used, of `other` elsewhere."""
    wide = use[:, None]
    return Sets(
        turns=np.where(wide, one.turns, other.turns),
        crown=np.where(use, one.crown, other.crown),
        size=np.where(wide, one.size, other.size),
        cost=np.where(use, one.cost, other.cost),
    )


@lru_cache(maxsize=16)
def _patterns(knots: int) -> NDArray[np.int64]:
    """Return the moves to try: all combinations, or single moves and a fixed sample."""
    if knots <= 4:
        return np.array(list(product((-1, 0, 1), repeat=knots)), dtype=np.int64).reshape(-1, knots)
    more = np.random.default_rng(0).integers(-1, 2, (60, knots))
    one = np.eye(knots, dtype=np.int64)
    return np.concatenate([np.zeros((1, knots), dtype=np.int64), one, -one, more])


def _re_read(support: Support, current: Sets, readings: Readings) -> Support:
    """Return the rows of every set, the points' normals read off the chain found so far."""
    which = np.flatnonzero(~(current.size < 25.0).any(axis=-1))
    stack = stack_of(current.some(which), support.straight)
    stack, shut = close_all(stack, np.zeros(1 + 2 * stack.count, dtype=bool))
    folded = readings.upright[0]
    normal = project(stack, folded).normal
    read = np.clip(np.arctan2(normal[..., 0], normal[..., 1]), 0.0, PI)
    read = np.where((normal[..., 0] < 0) & (normal[..., 1] < 0), PI, read)
    sound = shut & (stack.length > 0).all(axis=-1)
    turn, value = support.turn.copy(), support.value.copy()
    turn[which[sound], : len(folded)] = read[sound]
    at = turn[:, : len(folded)]
    value[:, : len(folded)] = folded[:, 0] * np.sin(at) + folded[:, 1] * np.cos(at)
    return replace(support, turn=turn, value=value)


def stack_of(sets: Sets, straight: tuple[bool, ...]) -> Stack:
    """Return the (not yet closed) chain of every set."""
    is_straight = np.array(straight)
    radius = np.clip(sets.size, LEAST_RADIUS, MOST_RADIUS)
    turns = np.zeros((len(radius), sets.turns.shape[1] + 2))
    turns[:, 1:-1] = sets.turns + 1e-3 * np.arange(sets.turns.shape[1])
    turns[:, -1] = PI
    swept = np.zeros(radius.shape)
    swept[:, ~is_straight] = np.diff(turns, axis=-1)
    return Stack(
        crown=sets.crown,
        curvature=np.where(is_straight, 0.0, 1 / radius),
        length=np.where(is_straight, np.maximum(sets.size, 2 * SHORTEST), radius * swept),
    )


def apart(turns: Array, cost: Array, keep: int) -> list[int]:
    """Return the best sets that differ by more than `APART` in some turn, best first.

    Examples
    --------
    >>> apart(np.array([[1.0], [1.01], [2.0]]), np.array([3.0, 2.0, 5.0]), 2)
    [1, 2]
    """
    chosen: list[int] = []
    left = np.array(cost)
    while len(chosen) < min(keep, len(cost)):
        index = int(np.argmin(left))
        if not left[index] < np.inf:
            break
        chosen.append(index)
        left[np.abs(turns - turns[index]).max(axis=-1) <= APART] = np.inf
    return chosen


def starts(
    readings: Readings,
    turn: Array,
    straight: tuple[bool, ...],
    *,
    dimensions: Sequence[Dimension] = (),
    keep: int = 4,
    robust: bool = False,
) -> Stack:
    """Return the few best, well separated chains to start the solver from, best first.

    Parameters
    ----------
    readings : Readings
    turn : ndarray, shape (m,)
        Direction of the normal at every point.
    straight : tuple of bool
        Make-up of the chain, at least two arcs.
    dimensions : sequence of Dimension
        Figures of the drawing that guide the search.
    keep : int
        How many to return at most.
    robust : bool
        Count large misfits linearly, when starts are compared.

    Examples
    --------
    >>> from loft.drawing.chain import strike, walk
    >>> from loft.drawing.readings import read_points
    >>> true = strike(600.0, [620.0, 300.0], [1.0, 2.0])
    >>> points, normals, _, _ = walk(true, np.linspace(0.0, true.length.sum(), 12))
    >>> turn = np.arctan2(normals[:, 0], normals[:, 1]).clip(0.0)
    >>> best = starts(read_points(points, 1.0), turn, (False,) * 3).one(0)
    >>> bool(abs(best.radius[0] - 620.0) < 10.0)
    True
    """
    support = support_of(readings, turn, straight, dimensions)
    tried = grid_sets(support.knots)
    solved = solve_sets(support, tried, robust=robust or bool(dimensions))
    refined = refine(support, solved, apart(tried, solved.cost, keep), readings)
    order = np.argsort(refined.cost, kind="stable")
    return stack_of(refined.some(order), straight)
