"""The places on which most readings agree, where many of them are wrong.

Least squares spreads one wrong reading over its neighbours; where one in five is wrong
the largest residual need not be the wrong reading. Here every reading counts at most
as much as a rejected one, and every point is tried where any few of its readings put it.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from loft.job.records import Array
from loft.survey.mirrors import Around, descend, readings_around, readings_of, starts_around
from loft.survey.network import Network, computed, lacking, settle
from loft.survey.quality import CRITICAL

MOST = 60  # combinations of readings tried at one point
ROUNDS = 3


_EVEN = {1: [0, 1], 2: [0, 1, 2, 3], 3: [0, 3, 5, 6]}


def truncated(net: Network, position: Array) -> float:
    """Return the sum of squared standardised residuals, none beyond a rejected one's.

    Examples
    --------
    >>> from loft.survey.network import Tie, build_network
    >>> net = build_network([Tie(kind="wl", end="A", value=10.0, sigma=1.0),
    ...                      Tie(kind="wl", end="A", value=500.0, sigma=1.0)], axes=("wl",))
    >>> round(truncated(net, np.array([[10.0]])), 4)
    10.8276
    """
    residual = (net.value - computed(net, position)) / net.sigma
    return float(np.sum(np.minimum(residual**2, CRITICAL**2)))


def agreed(net: Network, position: Array) -> tuple[Array, np.ndarray]:
    """Return positions on which most readings agree, and which readings do.

    Points with a reading that does not agree move one after another to the best of their
    possible places, then all settle on the readings that agree; three rounds of it.

    Examples
    --------
    >>> from loft.survey.network import example_network
    >>> net, place = example_network()
    >>> agreed(net, place + 2.0)[1].tolist()
    [True, True, True]
    """
    everything = np.ones(len(net.value), dtype=bool)
    best, used = position, everything
    lowest = np.inf
    for _ in range(ROUNDS):
        trial = best.copy()
        for point in _contested(net, trial):
            places, cost = possible_places(net, trial, int(point))
            if cost[0] < _here(net, trial, int(point)) - 1e-6:
                trial[point] = places[0]
        trial, agree = _settled(net, trial)
        cost_now = truncated(net, trial)
        if cost_now >= lowest - 0.1:
            break
        best, used, lowest = trial, agree, cost_now
    return best, used


def _contested(net: Network, position: Array) -> list[int]:
    """Return the unknown points with a reading that does not agree."""
    apart = np.abs(net.value - computed(net, position)) > CRITICAL * net.sigma
    touched = np.zeros(len(net.points), dtype=bool)
    touched[net.end[apart]] = True
    touched[net.start[apart & (net.start >= 0)]] = True
    return [int(k) for k in np.flatnonzero(touched & ~net.fixed)]


def _settled(net: Network, position: Array) -> tuple[Array, np.ndarray]:
    """Settle on the readings that agree, as long as these hold every point."""
    agree = np.ones(len(net.value), dtype=bool)
    for limit in (3.0, 1.5, 1.5):
        residual = np.abs(net.value - computed(net, position)) / net.sigma
        inside = residual < limit * CRITICAL
        if lacking(net, position, used=inside):
            break
        agree, position = inside, settle(net, position, used=inside)
    return position, agree


def _around(net: Network, position: Array, point: int) -> Around:
    everywhere = np.ones(len(net.points), dtype=bool)
    pick = readings_of(net, point, everywhere)
    return readings_around(net, position, point, pick=pick)


def _here(net: Network, position: Array, point: int) -> float:
    """Return the truncated cost of the readings of one point where it stands."""
    return float(_limited(_around(net, position, point), position[point][None])[0])


def _limited(around: Around, here: Array) -> Array:
    return np.sum(np.minimum(around.misfit(here)[0] ** 2, CRITICAL**2), axis=1)


def possible_places(net: Network, position: Array, point: int) -> tuple[Array, Array]:
    """Return where any few of its readings put one point, best first, and at what cost.

    All other points stand still. The cost is the truncated sum of squares of all its
    readings; places nearer than four standard deviations to a better one are left out.

    Returns
    -------
    places : ndarray, shape (k, d)
    cost : ndarray, shape (k,)

    Examples
    --------
    >>> from loft.survey.network import example_network
    >>> net, place = example_network()
    >>> places, cost = possible_places(net, place, 3)
    >>> places[0].round(3).tolist(), round(float(cost[0]), 3)
    ([400.0, 300.0], 0.0)
    """
    around = _around(net, position, point)
    size, count = len(net.axes), len(around.value)
    subsets = list(combinations(range(count), min(size, count)))
    step = -(-len(subsets) // MOST)
    chosen = np.zeros((len(subsets[::step]), count))
    for k, subset in enumerate(subsets[::step]):
        chosen[k, list(subset)] = 1.0
    starts = starts_around(around, position[point])
    # Every other corner of a cube round the tapes: one at least on either side of any plane.
    starts = np.concatenate([starts[: 2**size][_EVEN[size]], position[point][None]])
    here = np.repeat(starts[None], len(chosen), axis=0).reshape(-1, size)
    here = descend(around, here, chosen=np.repeat(chosen, len(starts), axis=0))
    near = np.abs(around.misfit(here)[0]) < CRITICAL
    here = descend(around, here, chosen=near.astype(np.float64))
    cost = _limited(around, here)
    kept: list[int] = []
    for k in np.argsort(cost, kind="stable"):
        if all(np.linalg.norm(here[k] - here[j]) > 4.0 * around.sigma.max() for j in kept):
            kept.append(int(k))
        if len(kept) == 4:
            break
    return here[kept], cost[kept]
