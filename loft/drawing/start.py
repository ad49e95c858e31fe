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
from loft.drawing.solve import SHORTEST
from loft.job.records import Array

GRID = np.deg2rad(np.arange(10.0, 171.0, 10.0))
MOST_SETS = 700  # sets of turns tried; beyond, an even share of all of them
APART = np.deg2rad(8.0)  # two starts nearer than this in every turn count as one
FEW_TURNS = 100  # in some sets, no more: equal ones among them are not looked for
LEAST_RADIUS, MOST_RADIUS = 40.0, 2e5
LOOSE = 0.03  # a drawn radius is believed to this share while starts are sought


@dataclass(frozen=True, eq=False, kw_only=True)
class Support:
    """Linear rows of the search, by direction of the normal.

    Parameters
    ----------
    turn, value, weight : ndarray, shape (s,)
        Support `value` wanted at direction `turn`, with weight 1 / sigma.
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
        turn=np.concatenate([turn, [angle for angle, _, _ in drawn]]),
        value=np.concatenate([value, [sign * one.value for _, sign, one in drawn]]),
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
    columns, closure, pick = _columns(support, turns)
    seam = 1e3 * support.weight.mean()
    every = np.concatenate([columns * support.weight[:, None], seam * closure])
    value = np.concatenate([support.value * support.weight, [0.0]])
    extra, wanted = _drawn_rows(support)
    normal = (every.T @ every)[pick[:, :, None], pick[:, None, :]] + extra.T @ extra
    right = (value @ every)[pick] + wanted @ extra
    size = np.sqrt(np.einsum("bii->bi", normal)) + 1e-12
    scaled = normal / (size[:, :, None] * size[:, None, :]) + 1e-9 * np.eye(normal.shape[-1])
    found = np.linalg.solve(scaled, (right / size)[..., None])[..., 0] / size
    if robust:
        miss = np.concatenate(
            [np.einsum("sbj,bj->bs", every[:, pick], found) - value, found @ extra.T - wanted],
            axis=-1,
        )
        miss = np.abs(miss)
        cost = np.where(miss < 3, miss**2, 6 * miss - 9).sum(axis=-1)
    else:
        fall = ((normal @ found[..., None])[..., 0] - 2 * right) * found
        cost = value @ value + wanted @ wanted + fall.sum(axis=-1)
    return _sets(support, turns, found, cost)


def _columns(support: Support, turns: Array) -> tuple[Array, Array, NDArray[np.int64]]:
    """Return the columns of all turns that occur, and which of them every set has.

    Returns
    -------
    columns : ndarray, shape (s, c)
        Support by crown, first radius, change of radius and length of a straight at a turn.
    closure : ndarray, shape (1, c)
        What they add to bl at the keel.
    pick : ndarray of int, shape (b, knots + 2 + straights)
    """
    if turns.size > FEW_TURNS:
        place, inverse = np.unique(turns, return_inverse=True)
    else:
        place, inverse = turns.ravel(), np.arange(turns.size)
    where = inverse.reshape(turns.shape)
    past = np.maximum(support.turn[:, None] - place, 0.0)
    parts = [np.cos(support.turn)[:, None], 1 - np.cos(support.turn)[:, None], 1 - np.cos(past)]
    ties, pick = [np.zeros(2), -np.sin(place)], [np.tile([0, 1], (len(turns), 1)), 2 + where]
    if any(support.straight):
        # a straight lies at the join it stands in, at 0 or pi at the ends
        lies = np.concatenate([[0.0], place, [PI]])
        parts.append(np.sin(np.maximum(support.turn[:, None] - lies, 0.0)))
        ties.append(np.cos(lies))
        ends = np.pad(where + 1, ((0, 0), (1, 1)), constant_values=((0, 0), (0, len(lies) - 1)))
        before = np.cumsum([not flat for flat in support.straight])
        joins = [int(before[i]) for i, flat in enumerate(support.straight) if flat]
        pick.append(2 + len(place) + ends[:, joins])
    return np.concatenate(parts, axis=1), np.concatenate(ties)[None], np.concatenate(pick, axis=1)


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
    supports = [support] * len(which)
    steps = _patterns(support.knots)
    for width in np.deg2rad([5.0, 2.5]):
        supports = _re_read(supports, current, readings)
        found = [
            _moved(one, current.some([index]), width * steps) for index, one in enumerate(supports)
        ]
        current = Sets(
            turns=np.concatenate([one.turns for one in found]),
            crown=np.concatenate([one.crown for one in found]),
            size=np.concatenate([one.size for one in found]),
            cost=np.concatenate([one.cost for one in found]),
        )
    return current


def _moved(support: Support, current: Sets, moves: Array) -> Sets:
    """Return the best of one set moved about, the set itself where no move is in order."""
    tried = np.clip(current.turns[0] + moves, 0.03, PI - 0.03)
    tried = tried[(np.diff(tried, axis=1) > 0.03).all(axis=1)]
    if not len(tried):
        return current
    solved = solve_sets(support, tried)
    return solved.some([int(np.argmin(solved.cost))])


def _patterns(knots: int) -> Array:
    """Return the moves to try: all combinations, or single moves and a fixed sample."""
    if knots <= 4:
        return np.array(list(product((-1.0, 0.0, 1.0), repeat=knots))).reshape(-1, knots)
    more = np.random.default_rng(0).integers(-1, 2, (60, knots)).astype(np.float64)
    return np.concatenate([np.zeros((1, knots)), np.eye(knots), -np.eye(knots), more])


def _re_read(supports: list[Support], current: Sets, readings: Readings) -> list[Support]:
    """Return the rows of each set, the points' normals read off the chain found so far."""
    sound = ~(current.size < 25.0).any(axis=-1)
    if not sound.any():
        return supports
    which = np.flatnonzero(sound)
    stack = stack_of(current.some(which), supports[0].straight)
    stack, shut = close_all(stack, np.zeros(1 + 2 * stack.count, dtype=bool))
    folded = readings.upright[0]
    normal = project(stack, folded).normal
    turn = np.clip(np.arctan2(normal[..., 0], normal[..., 1]), 0.0, PI)
    turn = np.where((normal[..., 0] < 0) & (normal[..., 1] < 0), PI, turn)
    value = folded[:, 0] * np.sin(turn) + folded[:, 1] * np.cos(turn)
    count = len(folded)
    out = list(supports)
    for at, index in enumerate(which):
        if shut[at] and (stack.length[at] > 0).all():
            old = supports[index]
            out[index] = replace(
                old,
                turn=np.concatenate([turn[at], old.turn[count:]]),
                value=np.concatenate([value[at], old.value[count:]]),
            )
    return out


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
    insert_into: Array | None = None,
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
    insert_into : ndarray, optional
        Turns of a good chain with one arc fewer: one more is also tried anywhere in it.
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
    if insert_into is not None and len(insert_into) == support.knots - 1:
        more = np.deg2rad(np.arange(4.0, 177.0, 3.0))
        wider = np.column_stack([np.tile(insert_into, (len(more), 1)), more])
        tried = np.concatenate([tried, np.sort(wider, axis=1)])
    solved = solve_sets(support, tried, robust=robust or bool(dimensions))
    refined = refine(support, solved, apart(tried, solved.cost, keep), readings)
    order = np.argsort(refined.cost, kind="stable")
    return stack_of(refined.some(order), straight)
