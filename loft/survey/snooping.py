"""Find the readings that the others contradict, one at a time."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from loft.job.records import Array
from loft.survey.consensus import agreed, truncated
from loft.survey.network import Network, Tie, settle
from loft.survey.quality import CONTROLLED, CRITICAL, Quality, quality_of
from loft.survey.slips import likely_slip

SAME = 0.99  # correlation of two tests beyond which they cannot tell the readings apart


@dataclass(frozen=True, kw_only=True)
class Failure:
    """A reading that the others contradict.

    Parameters
    ----------
    tie : Tie
    standardised : float
        Its residual over the standard deviation of that residual.
    residual : float
        Adjusted value less reading, mm, at the moment it failed.
    suggested, sd : float
        What the other readings make of it, mm, and how well they know it.
    slip : str
        The slip that explains it, "" where none fits.
    rejected : bool
        False where several readings fail together and cannot be told apart: none of
        them is left out then.
    """

    tie: Tie
    standardised: float
    residual: float
    suggested: float
    sd: float
    slip: str
    rejected: bool


@dataclass(eq=False, kw_only=True)
class _Search:
    """The state of the search: what is used, what failed, what cannot be told apart."""

    used: np.ndarray
    position: Array
    failed: dict[int, float]  # reading, its standardised residual when it failed
    parked: set[int]


def find_failures(net: Network, position: Array) -> tuple[np.ndarray, tuple[Failure, ...], Array]:
    """Leave out the readings that fail, and describe them.

    First one at a time from all readings (Baarda). Where any failed, once more from the
    places on which most readings agree; the explanation that rejects less is taken, the
    first where they are alike.

    Returns
    -------
    used : ndarray of bool, shape (m,)
    failures : tuple of Failure
    position : ndarray, shape (n, d)

    Examples
    --------
    >>> from loft.survey.network import example_network
    >>> net, place = example_network()
    >>> used, failures, _ = find_failures(net, place)
    >>> used.tolist(), failures
    ([True, True, True], ())
    """
    used = np.ones(len(net.value), dtype=bool)
    best = _searched(net, position, used=used)
    if best.failed or best.parked:
        other, agree = agreed(net, best.position)
        rival = _searched(net, other, used=agree)
        if truncated(net, rival.position) < truncated(net, best.position) - 0.5 * CRITICAL**2:
            best = rival
    quality = quality_of(net, best.position, used=best.used)
    doubtful = [k for k in sorted(best.parked) if abs(quality.standardised[k]) > CRITICAL]
    failures = [_failure(net, quality, k, rejected=best.failed[k]) for k in best.failed]
    failures += [_failure(net, quality, k, rejected=None) for k in doubtful]
    return best.used, tuple(failures), best.position


def _searched(net: Network, position: Array, *, used: np.ndarray) -> _Search:
    """Leave out one failing reading at a time; take back what fits after all."""
    search = _Search(used=used.copy(), position=position, failed={}, parked=set())
    returned: set[int] = set()
    _reject_from_start(net, search)
    while True:
        search.position = settle(net, search.position, used=search.used)
        quality = quality_of(net, search.position, used=search.used)
        size = np.where(search.used, np.abs(quality.standardised), 0.0)
        size[list(search.parked)] = 0.0
        worst = int(np.argmax(size))
        if size[worst] <= CRITICAL:
            back = _fits_after_all(quality, search.used, returned)
            if back is None:
                return search
            returned.add(back)
            search.used[back] = True
            del search.failed[back]
            continue
        alike = _alike(quality, worst, search.used)
        if len(alike) > 1:
            search.parked.update(alike)
            continue
        search.failed[worst] = float(quality.standardised[worst])
        search.used[worst] = False


def _reject_from_start(net: Network, search: _Search) -> None:
    """Note the readings that are left out from the start, unless others fail like them."""
    for k in np.flatnonzero(~search.used):
        alone = search.used.copy()
        alone[k] = True
        quality = quality_of(net, search.position, used=alone)
        alike = _alike(quality, int(k), alone)
        if len(alike) > 1:
            search.used[k] = True
            search.parked.update(alike)
        else:
            search.failed[int(k)] = float(quality.standardised[k])


def _fits_after_all(quality: Quality, used: np.ndarray, returned: set[int]) -> int | None:
    """Return the rejected reading that fits the solution without it best, if any does."""
    size = np.where(used, np.inf, np.abs(quality.standardised))
    size[list(returned)] = np.inf
    best = int(np.argmin(size))
    return best if size[best] < CRITICAL else None


def _alike(quality: Quality, worst: int, used: np.ndarray) -> list[int]:
    """Return the readings whose test cannot be told from that of the worst one."""
    shared = -quality.rows @ quality.inverse @ quality.rows[worst]
    shared[worst] = quality.redundancy[worst]
    root = np.sqrt(np.maximum(quality.redundancy * quality.redundancy[worst], 1e-30))
    tested = used & (quality.redundancy > CONTROLLED)
    return [int(k) for k in np.flatnonzero(tested & (np.abs(shared) / root > SAME))]


def _failure(net: Network, quality: Quality, k: int, *, rejected: float | None) -> Failure:
    """Return what the final solution makes of a failing reading.

    `rejected` is its standardised residual when it was left out, None where it was not.
    """
    share = float(quality.redundancy[k])
    residual = float(quality.residual[k])
    if rejected is None:
        suggested = float(net.value[k]) + residual / share
        sd = float(net.sigma[k]) * max(1.0 / share - 1.0, 0.0) ** 0.5
    else:
        suggested = float(net.value[k]) + residual
        sd = float(net.sigma[k]) * max(share - 1.0, 0.0) ** 0.5
    tie = replace(net.ties[k], value=float(net.value[k]))
    return Failure(
        tie=tie,
        standardised=float(quality.standardised[k]) if rejected is None else rejected,
        residual=residual,
        suggested=suggested,
        sd=sd,
        slip=likely_slip(tie, suggested, float(np.hypot(sd, net.sigma[k]))),
        rejected=rejected is not None,
    )
