"""Bring a chain back to closure: turned by pi, and on the centreline at the keel."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from loft.drawing.chain import PI, Chain, Shape, Stack, gap, gap_gradient, stacked
from loft.job.records import Array

Mask = NDArray[np.bool_]
TURN, MISS = 1e-12, 1e-8  # radians and mm: closed to rounding


def figures(chain: Chain) -> Array:
    """Return the chain's figures as one vector: crown, curvatures, lengths."""
    return np.concatenate([[chain.crown], chain.curvature, chain.length])


def chain_of(values: Array) -> Chain:
    """Return the chain of a vector of figures."""
    count = (len(values) - 1) // 2
    return Chain(
        crown=float(values[0]), curvature=values[1 : 1 + count], length=values[1 + count :]
    )


def scales(chain: Shape) -> Array:
    """Return the size of an ordinary change of every figure, shape (..., 1 + 2n)."""
    return figure_scales(chain)[..., :-2]


def figure_scales(chain: Shape) -> Array:
    """Return the same with the centreline's shift and lean, shape (..., 2n + 3)."""
    count = chain.count
    out = np.full((*chain.curvature.shape[:-1], 3 + 2 * count), 100.0)
    out[..., 1 : 1 + count] = 0.1 / np.maximum(chain.length, 30.0)
    out[..., -2:] = 10.0, 0.01
    return out


def is_closed(chain: Chain, *, slack: float = 1.0) -> bool:
    """Tell whether the chain is closed to rounding times `slack`."""
    return bool(_met(chain, slack))


def _met(chain: Shape, slack: float) -> Mask:
    """Tell whether each chain is closed to rounding times `slack`."""
    return np.asarray((np.abs(gap(chain)) < np.multiply(slack, [TURN, MISS])).all(axis=-1))


def close(chain: Chain, held: Mask, *, most: int = 8) -> Chain | None:
    """Return the chain closed by its last arc, or by the least change of all figures.

    Parameters
    ----------
    chain : Chain
    held : ndarray of bool, shape (1 + 2n,)
        Figures that must not change.
    most : int
        Newton steps allowed where the last arc cannot do it alone.

    Returns
    -------
    Chain or None
        None where no closed chain lies near.

    Examples
    --------
    >>> open_one = Chain(crown=600.0, curvature=[1 / 600, 1 / 700], length=[600.0, 900.0])
    >>> closed = close(open_one, np.zeros(5, dtype=bool))
    >>> closed.radius.round(6).tolist()
    [600.0, 600.0]
    """
    stack, shut = close_all(stacked([chain]), held, most=most)
    return stack.one(0) if shut[0] else None


def close_all(stack: Stack, held: Mask, *, most: int = 8) -> tuple[Stack, Mask]:
    """Close every chain of a stack as `close` does, and tell which of them are closed.

    Examples
    --------
    >>> open_one = Chain(crown=600.0, curvature=[1 / 600, 1 / 700], length=[600.0, 900.0])
    >>> stack, shut = close_all(stacked([open_one] * 2), np.zeros(5, dtype=bool))
    >>> stack.length.round(3).tolist(), shut.tolist()
    ([[600.0, 1284.956], [600.0, 1284.956]], [True, True])
    """
    shut = _met(stack, 1.0)
    if shut.all():
        return stack, shut
    if not (held[stack.count] or held[-1]):
        stack, shut = _by_last_arc(stack, shut)
        if shut.all():
            return stack, shut
    left = np.flatnonzero(~shut)
    part = stack.some(left)
    for _ in range(most):
        if _met(part, 1.0).all():
            break
        part = _newton(part, held)
    shut = shut.copy()
    shut[left] = _met(part, 1e4)
    crown, curvature, length = stack.crown.copy(), stack.curvature.copy(), stack.length.copy()
    crown[left], curvature[left], length[left] = part.crown, part.curvature, part.length
    return Stack(crown=crown, curvature=curvature, length=length), shut


def _by_last_arc(stack: Stack, shut: Mask) -> tuple[Stack, Mask]:
    """Return the chains closed by their last arcs in closed form, where that is well placed."""
    turn, sine, out = stack.turn[:, -2], -stack.tangent[:, -2, 1], stack.knot[:, -2, 0]
    well = ~shut & (sine > 0.15) & (turn > 0) & (turn < PI) & (out > 20.0)
    curvature, length = stack.curvature.copy(), stack.length.copy()
    curvature[well, -1] = sine[well] / out[well]
    length[well, -1] = (PI - turn[well]) / curvature[well, -1]
    return Stack(crown=stack.crown, curvature=curvature, length=length), shut | well


def _newton(stack: Stack, held: Mask) -> Stack:
    """Return the chains after one step of least change towards closure."""
    count = stack.count
    size = np.where(held, 0.0, scales(stack))
    rows = gap_gradient(stack) * size[:, None, :]
    turned = rows.swapaxes(-1, -2)
    normal = rows @ turned
    own = [0, 1]  # both may say the same: a hair more, and each is met half
    normal[:, own, own] = (1 + 1e-12) * normal[:, own, own] + 1e-30
    step = -size * (turned @ np.linalg.solve(normal, gap(stack)[..., None]))[..., 0]
    shrink = -step[:, 1 + count :]
    # no element may vanish on the way
    room = np.where(shrink > 0, 0.7 * stack.length, np.inf) / np.maximum(shrink, 1e-12)
    step *= np.minimum(1.0, room.min(axis=-1))[:, None]
    return Stack(
        crown=stack.crown + step[:, 0],
        curvature=stack.curvature + step[:, 1 : 1 + count],
        length=stack.length + step[:, 1 + count :],
    )
