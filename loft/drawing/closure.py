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
    count = chain.count
    out = np.full((*chain.curvature.shape[:-1], 1 + 2 * count), 100.0)
    out[..., 1 : 1 + count] = 0.1 / np.maximum(chain.length, 30.0)
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
    curvature, length, crown = stack.curvature.copy(), stack.length.copy(), stack.crown.copy()
    for index in np.flatnonzero(~shut).tolist():
        chain = stack.one(index)
        for _ in range(most):
            if is_closed(chain):
                break
            chain = _newton(chain, held)
        if is_closed(chain, slack=1e4):
            shut[index] = True
            crown[index], curvature[index], length[index] = (
                chain.crown,
                chain.curvature,
                chain.length,
            )
    return Stack(crown=crown, curvature=curvature, length=length), shut


def _by_last_arc(stack: Stack, shut: Mask) -> tuple[Stack, Mask]:
    """Return the chains closed by their last arcs in closed form, where that is well placed."""
    turn, sine, out = stack.turn[:, -2], -stack.tangent[:, -2, 1], stack.knot[:, -2, 0]
    well = ~shut & (sine > 0.15) & (turn > 0) & (turn < PI) & (out > 20.0)
    curvature, length = stack.curvature.copy(), stack.length.copy()
    curvature[well, -1] = sine[well] / out[well]
    length[well, -1] = (PI - turn[well]) / curvature[well, -1]
    return Stack(crown=stack.crown, curvature=curvature, length=length), shut | well


def _newton(chain: Chain, held: Mask) -> Chain:
    """Return the chain after one step of least change towards closure."""
    size = np.where(held, 0.0, scales(chain))
    rows = gap_gradient(chain) * size
    step = -size * (rows.T @ np.linalg.lstsq(rows @ rows.T, gap(chain), rcond=None)[0])
    shrink = step[1 + len(chain) :]
    falling = shrink < 0
    share = 1.0
    if falling.any():  # no element may vanish on the way
        share = min(1.0, float(np.min(0.7 * chain.length[falling] / -shrink[falling])))
    return chain_of(figures(chain) + share * step)
