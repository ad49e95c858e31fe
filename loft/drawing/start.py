"""Where to start: a structured search over turns, never random chains.

The support function h(turn) = point . normal of a chain is a trigonometric spline
whose knots are the turns at the tangent points. For given turns it is linear in the
crown's height, the radii and the lengths of straights, and so are closure and most
figures of a drawing. So every set of turns on a coarse grid is tried by one batch of
linear problems, the best few are refined, and only those go on to the solver.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, product

import numpy as np
from scipy.interpolate import splev, splprep

from loft.drawing.chain import PI, Chain, project
from loft.drawing.closure import close
from loft.drawing.dimensions import Dimension
from loft.drawing.readings import Readings, fold
from loft.drawing.solve import SHORTEST
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


def point_turns(readings: Readings) -> Array:
    """Return the direction of the outward normal at every point, 0 to pi.

    From a periodic smoothing spline through the points and their mirror image; where
    that fails, from the direction off the middle. An error here enters only in second
    order and is mended later.
    """
    folded, _ = fold(readings, np.zeros(2))
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
    folded, _ = fold(readings, np.zeros(2))
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
    batch, knots = turns.shape
    arcs = _rises(support.turn, turns)
    lines = _straights(support, turns)
    block = np.concatenate([arcs, lines], axis=-1) * support.weight[:, None]
    seam = 1e3 * support.weight.mean()
    closure = np.concatenate(
        [np.zeros((batch, 2)), -np.sin(turns), np.cos(_straight_turns(support, turns))], axis=-1
    )
    extra, wanted = _drawn_rows(support, batch, knots)
    block = np.concatenate(
        [block, seam * closure[:, None], np.broadcast_to(extra, (batch, *extra.shape))], axis=1
    )
    right = np.concatenate([support.value * support.weight, [0.0], wanted])
    normal = block.transpose(0, 2, 1) @ block
    size = np.sqrt(np.einsum("bii->bi", normal)) + 1e-12
    scaled = normal / (size[:, :, None] * size[:, None, :]) + 1e-9 * np.eye(normal.shape[-1])
    found = np.linalg.solve(scaled, (right @ block)[..., None] / size[..., None])[..., 0] / size
    miss = np.abs(np.einsum("bij,bj->bi", block, found) - right)
    each = np.where(miss < 3, miss**2, 6 * miss - 9) if robust else miss**2
    return _sets(support, turns, found, each.sum(axis=-1))


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


def _rises(turn: Array, turns: Array) -> Array:
    """Return the support's columns: crown, first radius, change of radius at every knot."""
    past = np.maximum(turn[None, :, None] - turns[:, None, :], 0.0)
    first = np.stack([np.cos(turn), 1 - np.cos(turn)], axis=-1)
    return np.concatenate(
        [np.broadcast_to(first, (len(turns), *first.shape)), 1 - np.cos(past)], axis=-1
    )


def _straight_turns(support: Support, turns: Array) -> Array:
    """Return the turn of every straight: that of the join it stands in, 0 or pi at the ends."""
    ends = np.concatenate([np.zeros((len(turns), 1)), turns, np.full((len(turns), 1), PI)], axis=-1)
    before = np.cumsum([not flat for flat in support.straight])
    return ends[:, [int(before[i]) for i, flat in enumerate(support.straight) if flat]]


def _straights(support: Support, turns: Array) -> Array:
    """Return the support's columns of the straights' lengths."""
    past = support.turn[None, :, None] - _straight_turns(support, turns)[:, None, :]
    return np.sin(np.maximum(past, 0.0))


def _drawn_rows(support: Support, batch: int, knots: int) -> tuple[Array, Array]:
    """Return the rows of drawn radii and of the crown's centre height."""
    width = knots + 2 + sum(support.straight)
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


def refine(support: Support, sets: Sets, best: int, readings: Readings) -> tuple[Sets, Support]:
    """Move the turns of one set about, coarse then fine, re-reading normals on the way."""
    current = Sets(
        turns=sets.turns[best : best + 1],
        crown=sets.crown[best : best + 1],
        size=sets.size[best : best + 1],
        cost=sets.cost[best : best + 1],
    )
    steps = _patterns(support.knots)
    for width in np.deg2rad([5.0, 2.5]):
        support = _re_read(support, current, readings)
        tried = np.clip(current.turns[0] + width * steps, 0.03, PI - 0.03)
        tried = tried[(np.diff(tried, axis=1) > 0.03).all(axis=1)]
        if not len(tried):
            break
        solved = solve_sets(support, tried)
        pick = int(np.argmin(solved.cost))
        current = Sets(
            turns=solved.turns[pick : pick + 1],
            crown=solved.crown[pick : pick + 1],
            size=solved.size[pick : pick + 1],
            cost=solved.cost[pick : pick + 1],
        )
    return current, support


def _patterns(knots: int) -> Array:
    """Return the moves to try: all combinations, or single moves and a fixed sample."""
    if knots <= 4:
        return np.array(list(product((-1.0, 0.0, 1.0), repeat=knots))).reshape(-1, knots)
    more = np.random.default_rng(0).integers(-1, 2, (60, knots)).astype(np.float64)
    return np.concatenate([np.zeros((1, knots)), np.eye(knots), -np.eye(knots), more])


def _re_read(support: Support, current: Sets, readings: Readings) -> Support:
    """Return the rows with the points' normals read off the chain found so far."""
    if (current.size < 25.0).any():
        return support
    chain = chain_of_set(current, support.straight)
    closed = close(chain, np.zeros(1 + 2 * len(chain), dtype=bool))
    if closed is None or (closed.length <= 0).any():
        return support
    folded, _ = fold(readings, np.zeros(2))
    normal = project(closed, folded).normal
    turn = np.clip(np.arctan2(normal[:, 0], normal[:, 1]), 0.0, PI)
    turn = np.where((normal[:, 0] < 0) & (normal[:, 1] < 0), PI, turn)
    value = folded[:, 0] * np.sin(turn) + folded[:, 1] * np.cos(turn)
    count = len(turn)
    return Support(
        turn=np.concatenate([turn, support.turn[count:]]),
        value=np.concatenate([value, support.value[count:]]),
        weight=support.weight,
        straight=support.straight,
        dimensions=support.dimensions,
    )


def chain_of_set(sets: Sets, straight: tuple[bool, ...]) -> Chain:
    """Return the (not yet closed) chain of the first of some sets."""
    is_straight = np.array(straight)
    size = sets.size[0]
    radius = np.clip(size, LEAST_RADIUS, MOST_RADIUS)
    turns = sets.turns[0] + 1e-3 * np.arange(sets.turns.shape[1])
    swept = np.zeros(len(straight))
    swept[~is_straight] = np.diff([0.0, *turns, PI])
    return Chain(
        crown=float(sets.crown[0]),
        curvature=np.where(is_straight, 0.0, 1 / radius),
        length=np.where(is_straight, np.maximum(size, 2 * SHORTEST), radius * swept),
    )


def apart(turns: Array, cost: Array, keep: int) -> list[int]:
    """Return the best sets that differ by more than `APART` in some turn, best first.

    Examples
    --------
    >>> apart(np.array([[1.0], [1.01], [2.0]]), np.array([3.0, 2.0, 5.0]), 2)
    [1, 2]
    """
    chosen: list[int] = []
    for index in np.argsort(cost, kind="stable"):
        if len(chosen) >= keep:
            break
        if all(np.abs(turns[index] - turns[other]).max() > APART for other in chosen):
            chosen.append(int(index))
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
) -> list[Chain]:
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
    >>> best = starts(read_points(points, 1.0), turn, (False,) * 3)[0]
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
    refined = [
        refine(support, solved, index, readings)[0] for index in apart(tried, solved.cost, keep)
    ]
    refined.sort(key=lambda sets: float(sets.cost[0]))
    return [chain_of_set(sets, straight) for sets in refined]
