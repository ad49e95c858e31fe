"""Fit one chain of known make-up: reduced Levenberg-Marquardt steps with closure exact.

Every step lies in the null space of the two closure rows and is brought back to
closure by the last arc. With the turns held, heights and radii are a linear problem;
where a step gains less than promised that block is solved again (a separable
correction, which saves most of the steps on hard sections).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from loft.drawing.chain import Chain, Shape, Stack, gap_gradient, stacked
from loft.drawing.closure import Mask, close_all, figure_scales
from loft.drawing.dimensions import Dimension, dimension_rows
from loft.drawing.readings import Readings, reading_rows
from loft.drawing.step import SHORTEST, least_squares_step, share_within, stepped
from loft.job.records import Array

TRIALS = 10  # steps in a row that better nothing, then it has settled
POOR = 0.1  # of the gain promised: less, and the radii are solved again
LEAST_SHARE = 1e-6  # of a step within bounds: less is no step
HUBER, TUKEY = 1.5, 4.685  # 95 % efficient on normal errors: Huber 1.345 rounded up; Tukey


@dataclass(frozen=True, eq=False, kw_only=True)
class Task:
    """What a chain is to be fitted to.

    Parameters
    ----------
    readings : Readings
    dimensions : tuple of Dimension
        Figures of the drawing.
    straight : tuple of bool
        Which elements are straights, from the crown.
    held : tuple of int
        Elements whose radius is held where it stands.
    loss : str
        "" least squares, "huber" or "tukey"; on single readings only.
    """

    readings: Readings
    straight: tuple[bool, ...]
    dimensions: tuple[Dimension, ...] = ()
    held: tuple[int, ...] = ()
    loss: str = ""

    @property
    def count(self) -> int:
        """Return the number of elements."""
        return len(self.straight)

    @property
    def fixed(self) -> Mask:
        """Return which of the 2n + 3 figures must not change."""
        mask = np.zeros(2 * self.count + 3, dtype=bool)
        mask[1 : 1 + self.count] = self.straight
        mask[[1 + index for index in self.held]] = True
        mask[-2:] = [sd <= 0 for sd in self.readings.centreline]
        return mask

    @property
    def unknowns(self) -> int:
        """Return the number of free figures once the two closures are met."""
        return int((~self.fixed).sum()) - 2


@dataclass(frozen=True, eq=False, kw_only=True)
class Fit:
    """A fitted chain with the rows it was fitted by.

    Parameters
    ----------
    chain : Chain
    lean : ndarray, shape (2,)
        Shift (mm) and lean (radians) of the centreline.
    row : ndarray, shape (r,)
        Standardised rows: readings, outline, dimensions, priors of the centreline.
    slope : ndarray, shape (r, 2n + 3)
    cost : float
        Sum of squares, single readings under the task's loss.
    steps : int
    task : Task
    """

    chain: Chain
    lean: Array
    row: Array
    slope: Array
    cost: float
    steps: int
    task: Task


def rows(chain: Shape, lean: Array, task: Task) -> tuple[Array, Array]:
    """Return all rows of a task and their gradient: readings, dimensions, priors.

    Parameters
    ----------
    chain : Chain or Stack
    lean : ndarray, shape (2,), or (b, 2) for a stack
    task : Task
    """
    row, slope = reading_rows(chain, lean, task.readings)
    parts, slopes = [row], [slope]
    if task.dimensions:
        drawn, by = dimension_rows(chain, task.dimensions)
        parts.append(drawn)
        wide = np.zeros((*drawn.shape, slope.shape[-1]))
        wide[..., :-2] = by
        slopes.append(wide)
    for index, sd in enumerate(task.readings.centreline):
        if sd > 0:
            prior = np.zeros((*row.shape[:-1], 1, slope.shape[-1]))
            prior[..., index - 2] = 1 / sd
            parts.append(lean[..., index : index + 1] / sd)
            slopes.append(prior)
    if len(parts) == 1:
        return row, slope
    return np.concatenate(parts, axis=-1), np.concatenate(slopes, axis=-2)


def weights(row: Array, task: Task) -> Array:
    """Return the weight that the loss leaves every row, 0 to 1."""
    out = np.ones(row.shape)
    single = task.readings.single
    if task.loss == "huber":
        size = np.abs(row[..., :single])
        out[..., :single] = np.minimum(1.0, HUBER / np.maximum(size, 1e-12))
    elif task.loss == "tukey":
        out[..., :single] = np.maximum(1 - (row[..., :single] / TUKEY) ** 2, 0.0) ** 2
    return out


def costs(row: Array, task: Task) -> Array:
    """Return the sums of squares, single readings under the loss, shape (...)."""
    square, single = row * row, task.readings.single
    if task.loss == "huber":
        size = np.abs(row[..., :single])
        square[..., :single] = np.where(
            size < HUBER, square[..., :single], 2 * HUBER * size - HUBER**2
        )
    elif task.loss == "tukey":
        left = np.maximum(1 - square[..., :single] / TUKEY**2, 0.0)
        square[..., :single] = TUKEY**2 / 3 * (1 - left**3)
    return np.asarray(square.sum(axis=-1), dtype=np.float64)


def free_directions(chain: Chain, fixed: Mask) -> Array:
    """Return unit-scaled directions that keep closure to first order.

    Returns
    -------
    ndarray, shape (2n + 3, f)
        Columns in units of every figure; orthonormal in units of `figure_scales`.
    """
    size = figure_scales(chain)
    tied = np.zeros((2, len(size)))
    tied[:, :-2] = gap_gradient(chain) * size[:-2]
    free = ~fixed
    _, strength, basis = np.linalg.svd(tied[:, free], full_matrices=True)
    rank = int((strength > 1e-12 * max(strength[0], 1e-300)).sum()) if len(strength) else 0
    out = np.zeros((len(free), basis.shape[0] - rank))
    out[free] = basis[rank:].T
    return size[:, None] * out


@dataclass(frozen=True, eq=False)
class _Stand:
    """Where the iteration stands, of every chain of the stack."""

    stack: Stack
    lean: Array
    row: Array
    slope: Array
    cost: Array

    def some(self, which: NDArray[np.int64]) -> _Stand:
        """Return some of them."""
        return _Stand(
            self.stack.some(which),
            self.lean[which],
            self.row[which],
            self.slope[which],
            self.cost[which],
        )

    def fit(self, index: int, steps: int, task: Task) -> Fit:
        """Return one of them as it stands."""
        return Fit(
            chain=self.stack.one(index),
            lean=self.lean[index],
            row=self.row[index],
            slope=self.slope[index],
            cost=float(self.cost[index]),
            steps=steps,
            task=task,
        )


def _stand(stack: Stack, lean: Array, task: Task) -> _Stand:
    row, slope = rows(stack, lean, task)
    return _Stand(stack, lean, row, slope, costs(row, task))


def _mixed(use: Mask, one: _Stand, other: _Stand) -> _Stand:
    """Return the stands of `one` where they are to be used, of `other` elsewhere."""
    if use.all():
        return one
    if not use.any():
        return other
    wide = use[:, None]
    return _Stand(
        _chosen(use, one.stack, other.stack),
        np.where(wide, one.lean, other.lean),
        np.where(wide, one.row, other.row),
        np.where(wide[..., None], one.slope, other.slope),
        np.where(use, one.cost, other.cost),
    )


def _chosen(use: Mask, one: Stack, other: Stack) -> Stack:
    """Return the chains of `one` where they are to be used, of `other` elsewhere."""
    return Stack(
        crown=np.where(use, one.crown, other.crown),
        curvature=np.where(use[:, None], one.curvature, other.curvature),
        length=np.where(use[:, None], one.length, other.length),
    )


def settle(
    chain: Chain,
    task: Task,
    *,
    lean: ArrayLike = (0.0, 0.0),
    most: int = 60,
    enough: float = 1e-9,
) -> Fit | None:
    """Bring a chain to the least cost near it.

    Parameters
    ----------
    chain : Chain
        The start; it is closed first.
    task : Task
    lean : array_like, shape (2,)
        Start of the centreline's shift and lean.
    most : int
        Steps allowed.
    enough : float
        Relative gain below which it stops.

    Returns
    -------
    Fit or None
        None where the start cannot be closed.

    Examples
    --------
    >>> from loft.drawing.chain import strike, walk
    >>> from loft.drawing.readings import read_points
    >>> true = strike(600.0, [620.0, 300.0], [1.0, 2.0])
    >>> points = walk(true, np.linspace(0.0, true.length.sum(), 12))[0]
    >>> task = Task(readings=read_points(points, 1.0), straight=(False,) * 3)
    >>> settle(strike(610.0, [600.0, 320.0], [0.9, 2.1]), task).chain.radius[:2].round(4).tolist()
    [620.0, 300.0]
    """
    return settle_all([chain], task, leans=np.array([lean]), most=most, enough=enough)[0]


def settle_all(
    chains: Sequence[Chain] | Stack,
    task: Task,
    *,
    leans: ArrayLike = (),
    most: int = 60,
    enough: float = 1e-9,
    good: float = -np.inf,
) -> list[Fit | None]:
    """Bring several chains each to the least cost near it, side by side.

    Parameters
    ----------
    chains : sequence of Chain, or Stack
        Starts of the task's make-up; they are closed first.
    task : Task
    leans : array_like, shape (b, 2)
        Start of the centreline's shift and lean for each; zeros where not given.
    most, enough
        As of `settle`.
    good : float
        Once a chain has settled to a cost below this, all are left as they stand.

    Returns
    -------
    list of Fit or None
        In the order of the chains, None where a start cannot be closed.

    Examples
    --------
    >>> from loft.drawing.chain import strike, walk
    >>> from loft.drawing.readings import read_points
    >>> true = strike(600.0, [620.0, 300.0], [1.0, 2.0])
    >>> points = walk(true, np.linspace(0.0, true.length.sum(), 12))[0]
    >>> task = Task(readings=read_points(points, 1.0), straight=(False,) * 3)
    >>> near = [strike(610.0, [600.0, size], [0.9, 2.1]) for size in (280.0, 320.0)]
    >>> [float(fit.chain.radius[1].round(4)) for fit in settle_all(near, task)]
    [300.0, 300.0]
    """
    out: list[Fit | None] = [None] * len(chains)
    if not len(chains):
        return out
    fixed = task.fixed
    stack = chains if isinstance(chains, Stack) else stacked(chains)
    stack, shut = close_all(stack, fixed[:-2])
    which = np.flatnonzero(shut)
    lean = np.asarray(leans, dtype=np.float64).reshape(-1, 2)
    lean = lean if len(lean) else np.zeros((len(chains), 2))
    if not len(which):
        return out
    stand = _stand(stack if shut.all() else stack.some(which), lean[which], task)
    damping = np.full(len(which), 3e-4)
    steps, failed = np.zeros((2, len(which)), dtype=np.int64)
    while len(which):
        before = stand.cost
        stand, damping = _trial(stand, task, fixed, damping)
        gain = before - stand.cost
        won = gain > 0
        steps, failed = steps + won, np.where(won, 0, failed + 1)
        ended = won & ((gain < enough * (1 + stand.cost)) | (steps >= most)) | (failed >= TRIALS)
        if not ended.any():
            continue
        if (stand.cost[ended] < good).any():
            ended[:] = True
        for index in np.flatnonzero(ended).tolist():
            out[which[index]] = stand.fit(index, int(steps[index]), task)
        left = np.flatnonzero(~ended)
        which, damping, steps, failed = which[left], damping[left], steps[left], failed[left]
        stand = stand.some(left)
    return out


def by_cost(fits: Iterable[Fit | None]) -> list[Fit]:
    """Return those fits that there are, the cheapest first."""
    return sorted((fit for fit in fits if fit is not None), key=lambda fit: fit.cost)


def finished(fits: Sequence[Fit], *, most: int = 60, enough: float = 1e-9) -> list[Fit]:
    """Return fits of one task settled on, side by side, the hopeless left out.

    Those count as hopeless that cost over three times what the cheapest does, and 20.
    """
    limit = 3 * min((fit.cost for fit in fits), default=0.0) + 20
    near = [fit for fit in fits if fit.cost <= limit]
    if not near:
        return []
    chains, leans = [fit.chain for fit in near], [fit.lean for fit in near]
    full = settle_all(chains, near[0].task, leans=leans, most=most, enough=enough)
    return [fit for fit in full if fit is not None]


def _trial(stand: _Stand, task: Task, fixed: Mask, damping: Array) -> tuple[_Stand, Array]:
    """Return the stands after one trial step of each, those it does not better as before."""
    row, slope = _weighed(stand, task)
    step = least_squares_step(stand.stack, row, slope, fixed, damping)
    share = share_within(stand.stack, step)
    moved = share[:, None] * step
    trial, shut = close_all(stepped(stand.stack, moved), fixed[:-2], most=5)
    stuck = share < LEAST_SHARE
    fair = shut & (trial.length > 0).all(axis=-1) & ~stuck
    raised = damping * np.where(stuck, 10.0, 6.0)
    if not fair.any():
        return stand, raised
    if not fair.all():
        trial = _chosen(fair, trial, stand.stack)
    found = _stand(trial, stand.lean + moved[:, -2:], task)
    ahead = row + (slope @ step[..., None])[..., 0]
    promised = np.maximum(stand.cost - (ahead * ahead).sum(axis=-1), 0.0)
    poor = fair & ~(found.cost <= stand.cost - POOR * promised)
    if poor.any():
        again, able = _reset_radii(found, task, fixed)
        found = _mixed(poor & able & (again.cost < found.cost), again, found)
    won = fair & (found.cost < stand.cost)
    return _mixed(won, found, stand), np.where(won, np.maximum(damping / 8, 1e-9), raised)


def _weighed(stand: _Stand, task: Task) -> tuple[Array, Array]:
    """Return rows and gradients times the roots of their weights."""
    if not task.loss:
        return stand.row, stand.slope
    root = np.sqrt(weights(stand.row, task))
    return stand.row * root, stand.slope * root[..., None]


def _reset_radii(stand: _Stand, task: Task, fixed: Mask) -> tuple[_Stand, Mask]:
    """Solve crown, radii and straights again with the turns held: a linear problem.

    Returns
    -------
    _Stand
    ndarray of bool, shape (b,)
        Where it could be done.
    """
    stack = stand.stack
    count = stack.count
    straight = np.array(task.straight)
    moves = straight | (~fixed[1 : 1 + count] & (stack.curvature > 1e-5))
    # a straight grows by so many mm, a radius by a share, the turn kept
    bend, run = -stack.curvature * moves, np.where(straight, 1.0, stack.length * moves)
    row, by = _weighed(stand, task)
    slope = np.zeros((*row.shape, 1 + count))
    slope[..., 0] = 100.0 * by[..., 0]
    slope[..., 1:] = bend[:, None] * by[..., 1 : 1 + count]
    slope[..., 1:] += run[:, None] * by[..., 1 + count : 1 + 2 * count]
    # all below is shifted by as much as the chord of an element grows
    out = np.zeros((len(stack), 1 + count))
    chord = np.where(straight, stack.tangent[:, :-1, 0], np.diff(stack.knot[..., 0], axis=-1))
    out[:, 1:] = chord * moves
    turned = slope.swapaxes(-1, -2)
    normal = turned @ slope
    own = np.arange(1 + count)
    trace = normal[:, own, own].sum(axis=-1)
    able = (trace > 0) & (moves.sum(axis=-1) >= 2)  # none: every reading is doubted
    if not able.any():
        return stand, able
    normal[:, own, own] += (1e-6 * trace / (1 + count) + ~able)[:, None]
    right = np.concatenate([turned @ row[..., None], out[..., None]], axis=-1)
    free, tie = np.moveaxis(np.linalg.solve(normal, right), -1, 0)
    over = (out * free).sum(axis=-1) / np.maximum((out * tie).sum(axis=-1), 1e-300)
    change = over[:, None] * tie - free
    grown = np.where(straight, 1.0, np.clip(1 + change[:, 1:], 0.4, 2.5))
    longer = np.maximum(stack.length + change[:, 1:], SHORTEST)
    again, shut = close_all(
        Stack(
            crown=stack.crown + 100.0 * change[:, 0],
            curvature=stack.curvature / grown,
            length=np.where(straight, longer, stack.length * grown),
        ),
        fixed[:-2],
        most=5,
    )
    able &= shut & (again.length > 0).all(axis=-1)
    if not able.all():
        again = _chosen(able, again, stack)
    return _stand(again, stand.lean, task), able
