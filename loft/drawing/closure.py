"""Bring a chain back to closure: turned by pi, and on the centreline at the keel."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from loft.drawing.chain import PI, Chain, gap, gap_gradient
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


def scales(chain: Chain) -> Array:
    """Return the size of an ordinary change of every figure."""
    bend = 0.1 / np.maximum(chain.length, 30.0)
    return np.concatenate([[100.0], bend, np.full(len(chain), 100.0)])


def is_closed(chain: Chain, *, slack: float = 1.0) -> bool:
    """Tell whether the chain is closed to rounding times `slack`."""
    miss = np.abs(gap(chain))
    return bool(miss[0] < TURN * slack and miss[1] < MISS * slack)


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
    if is_closed(chain):
        return chain
    if not (held[len(chain)] or held[-1]):
        short = _by_last_arc(chain)
        if short is not None:
            return short
    for _ in range(most):
        if is_closed(chain):
            return chain
        chain = _newton(chain, held)
    return chain if is_closed(chain, slack=1e4) else None


def _by_last_arc(chain: Chain) -> Chain | None:
    """Return the chain closed by its last arc in closed form, where that is well placed."""
    turn, sine, out = chain.turn[-2], -chain.tangent[-2, 1], chain.knot[-2, 0]
    if not (sine > 0.15 and 0 < turn < PI and out > 20.0):
        return None
    curvature, length = chain.curvature.copy(), chain.length.copy()
    curvature[-1] = sine / out
    length[-1] = (PI - turn) / curvature[-1]
    return Chain(crown=chain.crown, curvature=curvature, length=length)


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
