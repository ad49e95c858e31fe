"""What readings are worth: redundancy numbers, tests, error ellipses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from loft.job.records import Array
from loft.survey.network import Network, computed, jacobian

# Baarda (1968): one sound reading in a thousand is rejected, a wrong one is found in
# four cases of five. 4.13 and 17.07 are from memory, recomputed from the normal law.
CRITICAL = float(-ndtri(0.0005))
DETECT = CRITICAL + float(-ndtri(0.2))
CONTROLLED = 1e-3  # smallest redundancy number at which a reading is tested at all


@dataclass(frozen=True, eq=False, kw_only=True)
class Quality:
    """Statistics of a solution; `correlation` is that of the residual tests."""

    residual: Array
    redundancy: Array
    standardised: Array
    inverse: Array
    rows: Array
    square: float
    freedom: int


def error_ellipse(covariance: Array) -> tuple[Array, Array]:
    """Return the semi-axes of an error ellipse or ellipsoid, largest first.

    Parameters
    ----------
    covariance : ndarray, shape (d, d)
        mm^2.

    Returns
    -------
    semi_axes : ndarray, shape (d,)
        mm, one standard deviation.
    directions : ndarray, shape (d, d)
        Unit vectors, one a row; the largest component of each is positive.

    Examples
    --------
    >>> semi_axes, directions = error_ellipse(np.array([[4.0, 0.0], [0.0, 9.0]]))
    >>> semi_axes.tolist(), directions[0].tolist()
    ([3.0, 2.0], [0.0, 1.0])
    """
    square, columns = np.linalg.eigh(np.asarray(covariance, dtype=np.float64))
    directions = columns.T[::-1]
    largest = np.abs(directions).argmax(axis=1)
    sign = np.sign(directions[np.arange(len(directions)), largest])
    return np.sqrt(np.maximum(square[::-1], 0.0)), directions * sign[:, None] + 0.0


def quality_of(net: Network, position: Array, *, used: np.ndarray) -> Quality:
    """Return residuals, redundancy numbers and tests of all readings.

    A reading that is not used is tested against the solution, to which it is foreign.

    Examples
    --------
    >>> from loft.survey.network import example_network
    >>> net, place = example_network()
    >>> used = np.ones(3, dtype=bool)
    >>> round(float(quality_of(net, place, used=used).redundancy.sum()), 9)
    1.0
    """
    rows = jacobian(net, position) / net.sigma[:, None]
    inverse = _inverse(rows[used])
    held = np.sum((rows @ inverse) * rows, axis=1)
    residual = computed(net, position) - net.value
    redundancy = np.where(used, np.clip(1.0 - held, 0.0, 1.0), 1.0 + held)
    tested = redundancy > CONTROLLED
    root = np.sqrt(np.where(tested, redundancy, 1.0))
    standardised = np.where(tested, residual / net.sigma / root, 0.0)
    return Quality(
        residual=residual,
        redundancy=redundancy,
        standardised=standardised,
        inverse=inverse,
        rows=rows,
        square=float(np.sum((residual[used] / net.sigma[used]) ** 2)),
        freedom=int(used.sum()) - rows.shape[1],
    )


def _inverse(rows: Array) -> Array:
    """Return the inverse of the normal equations by orthogonal triangulation."""
    triangle = np.linalg.qr(rows, mode="r")
    half = np.linalg.solve(triangle, np.eye(len(triangle)))
    return half @ half.T


def cofactors(net: Network, inverse: Array) -> Array:
    """Return the covariance of every point, zeros for fixed ones, shape (n, d, d).

    Examples
    --------
    >>> from loft.survey.network import example_network
    >>> net, place = example_network()
    >>> used = np.ones(3, dtype=bool)
    >>> cofactors(net, quality_of(net, place, used=used).inverse)[3].round(3).tolist()
    [[0.781, 0.0], [0.0, 0.581]]
    """
    count, size = len(net.points), len(net.axes)
    free = np.flatnonzero(net.columns)
    full = np.zeros((count * size, count * size))
    full[np.ix_(free, free)] = inverse
    blocks = full.reshape(count, size, count, size)
    every = np.arange(count)
    return blocks[every, :, every, :]
