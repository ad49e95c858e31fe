"""One step of every chain of a stack: damped least squares, closure kept to first order."""

from __future__ import annotations

import numpy as np

from loft.drawing.chain import Stack, gap_gradient
from loft.drawing.closure import Mask, figure_scales
from loft.job.records import Array

SHORTEST = 3.0  # mm: no element is let shrink below
MOST_TURN = 0.5  # radians an element may turn in one step


def least_squares_step(
    stack: Stack, row: Array, slope: Array, fixed: Mask, damping: Array
) -> Array:
    """Return damped steps, those lengths held that would fall below the shortest.

    Closure is kept to first order.
    """
    count = stack.count
    free = np.flatnonzero(~fixed)
    size = figure_scales(stack)[:, free]
    slope = slope[..., free] * size[:, None, :]
    turned = slope.swapaxes(-1, -2)
    normal, pull = turned @ slope, (turned @ row[..., None])[..., 0]
    tied = np.zeros((len(stack), 2, len(fixed)))
    tied[..., :-2] = gap_gradient(stack)
    tied = tied[..., free] * size[:, None, :]
    step = np.zeros((len(stack), len(fixed)))
    step[:, free] = size * _tied_step(normal, pull, tied, damping)
    lengths = slice(1 + count, 1 + 2 * count)
    short = (stack.length <= 1.05 * SHORTEST) & ~fixed[lengths]
    if not short.any():
        return step
    held = np.tile(fixed, (len(stack), 1))
    for _ in range(count):
        falls = (step[:, lengths] < 0) & short & ~held[:, lengths]
        if not falls.any():
            break
        held[:, lengths] |= falls
        step[:, free] = size * _tied_step(normal, pull, tied, damping, held[:, free])
    return step


def _tied_step(
    normal: Array, pull: Array, tied: Array, damping: Array, held: Mask | None = None
) -> Array:
    """Return steps s with (N + damping) s = -pull in the space tied s = 0, some figures held.

    Parameters
    ----------
    normal : ndarray, shape (b, f, f)
    pull : ndarray, shape (b, f)
    tied : ndarray, shape (b, 2, f)
    damping : ndarray, shape (b,)
    held : ndarray of bool, shape (b, f), optional
    """
    count = pull.shape[-1]
    diagonal = np.arange(count)
    own = normal[:, diagonal, diagonal]
    trace = own.sum(axis=-1, keepdims=True) + 1e-12
    whole = np.zeros((len(pull), count + 2, count + 2))
    whole[:, :count, :count] = normal
    whole[:, diagonal, diagonal] += damping[:, None] * np.maximum(own, 1e-10 * trace)
    if held is not None:
        kept = ~held
        whole[:, :count, :count] *= kept[:, :, None] & kept[:, None, :]
        whole[:, diagonal, diagonal] += np.where(held, trace, 0.0)
        pull, tied = pull * kept, tied * kept[:, None, :]
    length = np.sqrt((tied * tied).sum(axis=-1, keepdims=True)) + 1e-300
    tied = tied * (trace[..., None] / count / length)
    whole[:, :count, count:], whole[:, count:, :count] = tied.swapaxes(-1, -2), tied
    # a tie that says nothing new, or nothing at all, is let go
    whole[:, [count, count + 1], [count, count + 1]] = -1e-10 * trace
    right = np.zeros((len(pull), count + 2, 1))
    right[:, :count, 0] = -pull
    return np.asarray(np.linalg.solve(whole, right)[:, :count, 0], dtype=np.float64)


def share_within(stack: Stack, step: Array) -> Array:
    """Return how much of every step keeps lengths and turns within bounds."""
    count = stack.count
    bend, run = step[:, 1 : 1 + count], step[:, 1 + count : 1 + 2 * count]
    room = np.maximum(stack.length - 0.99 * SHORTEST, 0.0)
    fits = np.where(-run > room, room / np.maximum(-run, 1e-12), 1.0).min(axis=-1)
    swing = np.abs(bend * stack.length + stack.curvature * run).max(axis=-1)
    return np.minimum(fits, MOST_TURN / np.maximum(swing, MOST_TURN))


def stepped(stack: Stack, moved: Array) -> Stack:
    """Return the chains a step on: an arc turns as far as the step says, its length follows."""
    count = stack.count
    bend, run = moved[:, 1 : 1 + count], moved[:, 1 + count : 1 + 2 * count]
    curvature, length = stack.curvature + bend, stack.length + run
    swept = curvature * stack.length + stack.curvature * run
    arc = (np.abs(bend) < 0.5 * stack.curvature) & (swept > 0.01)
    return Stack(
        crown=stack.crown + moved[:, 0],
        curvature=curvature,
        length=np.where(arc, swept / np.where(arc, curvature, 1.0), length),
    )
