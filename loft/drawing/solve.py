"""Fit one chain of known make-up: reduced Levenberg-Marquardt steps with closure exact.

Every step lies in the null space of the two closure rows and is brought back to
closure by the last arc. With the turns held, heights and radii are a linear problem;
where a step gains less than promised that block is solved again (a separable
correction, which saves most of the steps on hard sections).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from loft.drawing.chain import Chain, gap_gradient
from loft.drawing.closure import Mask, chain_of, close, figures, scales
from loft.drawing.dimensions import Dimension, dimension_rows
from loft.drawing.readings import Readings, reading_rows
from loft.job.records import Array

SHORTEST = 3.0  # mm: no element is let shrink below
MOST_TURN = 0.5  # radians an element may turn in one step
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


def rows(chain: Chain, lean: Array, task: Task) -> tuple[Array, Array]:
    """Return all rows of a task and their gradient: readings, dimensions, priors."""
    row, slope = reading_rows(chain, lean, task.readings)
    parts, slopes = [row], [slope]
    if task.dimensions:
        drawn, by = dimension_rows(chain, task.dimensions)
        parts.append(drawn)
        wide = np.zeros((len(by), slope.shape[1]))
        wide[:, :-2] = by
        slopes.append(wide)
    for index, sd in enumerate(task.readings.centreline):
        if sd > 0:
            prior = np.zeros((1, slope.shape[1]))
            prior[0, index - 2] = 1 / sd
            parts.append(lean[index : index + 1] / sd)
            slopes.append(prior)
    return np.concatenate(parts), np.concatenate(slopes)


def weights(row: Array, task: Task) -> Array:
    """Return the weight that the loss leaves every row, 0 to 1."""
    out = np.ones(len(row))
    size = np.abs(row[: task.readings.single])
    if task.loss == "huber":
        out[: len(size)] = np.minimum(1.0, HUBER / np.maximum(size, 1e-12))
    elif task.loss == "tukey":
        out[: len(size)] = np.maximum(1 - (size / TUKEY) ** 2, 0.0) ** 2
    return out


def cost_of(row: Array, task: Task) -> float:
    """Return the sum of squares, single readings under the loss."""
    count = task.readings.single
    size = np.abs(row[:count])
    if task.loss == "huber":
        part = np.where(size < HUBER, size**2, 2 * HUBER * size - HUBER**2)
    elif task.loss == "tukey":
        part = TUKEY**2 / 3 * (1 - np.maximum(1 - (size / TUKEY) ** 2, 0.0) ** 3)
    else:
        part = size**2
    return float(part.sum() + row[count:] @ row[count:])


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


def figure_scales(chain: Chain) -> Array:
    """Return the size of an ordinary change of all 2n + 3 figures."""
    return np.concatenate([scales(chain), [10.0, 0.01]])


@dataclass(frozen=True, eq=False)
class _Stand:
    """Where the iteration stands."""

    chain: Chain
    lean: Array
    row: Array
    slope: Array
    cost: float


def _stand(chain: Chain, lean: Array, task: Task) -> _Stand:
    row, slope = rows(chain, lean, task)
    return _Stand(chain, lean, row, slope, cost_of(row, task))


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
    fixed = task.fixed
    closed = close(chain, fixed[:-2])
    if closed is None:
        return None
    stand = _stand(closed, np.asarray(lean, dtype=np.float64), task)
    damping, steps = 1e-3, 0
    for _ in range(most):
        steps += 1
        found, damping = _step(stand, task, fixed, damping)
        if found is None:
            break
        gain, stand = stand.cost - found.cost, found
        if gain < enough * (1 + stand.cost):
            break
    return Fit(
        chain=stand.chain,
        lean=stand.lean,
        row=stand.row,
        slope=stand.slope,
        cost=stand.cost,
        steps=steps,
        task=task,
    )


def _step(stand: _Stand, task: Task, fixed: Mask, damping: float) -> tuple[_Stand | None, float]:
    """Return a better stand, or None, and the damping to go on with."""
    root = np.sqrt(weights(stand.row, task))
    free = free_directions(stand.chain, fixed)
    for _ in range(10):
        step = _damped(stand, root, free, damping)
        step = _kept_long(stand, root, fixed, damping, step)
        share = _share(stand.chain, step)
        if share < 1e-6:
            damping *= 10
            continue
        moved = figures(stand.chain) + share * step[:-2]
        trial = close(chain_of(moved), fixed[:-2], most=5)
        if trial is not None and (trial.length > 0).all():
            found = _stand(trial, stand.lean + share * step[-2:], task)
            promised = _promised(stand, root, step)
            if not found.cost <= stand.cost - 0.5 * promised:
                found = _better(found, _reset_radii(found, task, fixed))
            if found.cost < stand.cost:
                return found, max(damping / 8, 1e-9)
        damping *= 6
    return None, damping


def _damped(stand: _Stand, root: Array, free: Array, damping: float) -> Array:
    """Return the damped least-squares step within the free directions."""
    slope = (stand.slope @ free) * root[:, None]
    normal = slope.T @ slope
    ridge = np.maximum(np.diag(normal), 1e-10 * np.trace(normal) + 1e-12)
    normal.ravel()[:: len(normal) + 1] += damping * ridge
    return free @ -np.linalg.solve(normal, slope.T @ (stand.row * root))


def _kept_long(stand: _Stand, root: Array, fixed: Mask, damping: float, step: Array) -> Array:
    """Return the step with those lengths held that would fall below the shortest."""
    count = len(stand.chain)
    lengths = slice(1 + count, 1 + 2 * count)
    held = fixed.copy()
    for _ in range(count):
        falls = (step[lengths] < 0) & (stand.chain.length <= 1.05 * SHORTEST) & ~held[lengths]
        if not falls.any():
            return step
        held[lengths] |= falls
        if (~held).sum() <= 2:
            return step
        step = _damped(stand, root, free_directions(stand.chain, held), damping)
    return step


def _share(chain: Chain, step: Array) -> float:
    """Return how much of a step keeps lengths and turns within bounds."""
    count = len(chain)
    bend, run = step[1 : 1 + count], step[1 + count : 1 + 2 * count]
    share, falls = 1.0, run < 0
    if falls.any():
        room = np.maximum(chain.length[falls] - 0.99 * SHORTEST, 0.0)
        share = min(1.0, float(np.min(room / -run[falls])))
    swing = float(np.abs(bend * chain.length + chain.curvature * run).max())
    return min(share, MOST_TURN / swing) if swing * share > MOST_TURN else share


def _promised(stand: _Stand, root: Array, step: Array) -> float:
    """Return the gain that the linear model promises for a step."""
    ahead = (stand.row + stand.slope @ step) * root
    return max(stand.cost - float(ahead @ ahead), 0.0)


def _better(one: _Stand, other: _Stand | None) -> _Stand:
    return other if other is not None and other.cost < one.cost else one


def _reset_radii(stand: _Stand, task: Task, fixed: Mask) -> _Stand | None:
    """Solve crown, radii and straights again with the turns held: a linear problem."""
    chain = stand.chain
    count = len(chain)
    straight = np.array(task.straight)
    bent = ~straight & ~fixed[1 : 1 + count] & (chain.curvature > 1e-5)
    which = np.flatnonzero(straight | bent)
    if len(which) < 2:
        return None
    shape = np.zeros((1 + 2 * count, 1 + len(which)))
    shape[0, 0] = 100.0
    column = 1 + np.arange(len(which))
    # a straight grows by so many mm, a radius by a share, the turn kept
    shape[1 + which, column] = -chain.curvature[which]
    shape[1 + count + which, column] = np.where(straight[which], 1.0, chain.length[which])
    out = (gap_gradient(chain)[1] @ shape)[None]
    kept = np.linalg.svd(out, full_matrices=True)[2][1:].T
    root = np.sqrt(weights(stand.row, task))
    slope = (stand.slope[:, :-2] @ (shape @ kept)) * root[:, None]
    normal = slope.T @ slope
    if not np.trace(normal) > 0:  # every reading is doubted: nothing to go by
        return None
    normal.ravel()[:: len(normal) + 1] += 1e-6 * np.trace(normal) / len(normal)
    change = kept @ -np.linalg.solve(normal, slope.T @ (stand.row * root))
    bend, run = chain.curvature.copy(), chain.length.copy()
    grown = np.where(straight[which], 1.0, np.clip(1 + change[1:], 0.4, 2.5))
    bend[which] /= grown
    run[which] = np.where(
        straight[which], np.maximum(run[which] + change[1:], SHORTEST), run[which] * grown
    )
    again = Chain(crown=chain.crown + 100.0 * change[0], curvature=bend, length=run)
    closed = close(again, fixed[:-2], most=5)
    if closed is None or (closed.length <= 0).any():
        return None
    return _stand(closed, stand.lean, task)
