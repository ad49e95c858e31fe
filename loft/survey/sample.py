"""A fair sample of an endless stream of points, thinned by area and not by density.

Every point that is offered belongs to a slab and, in its plane, to a small square.
Each square keeps the points of lowest priority, a hash of the point's number in the
file. That makes the sample random but always the same, whatever the size of the
chunks, and a smaller sample is part of a larger one: when room runs out, the number
per square is halved and nothing has to be read again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loft.job.records import Array, freeze_arrays

SQUARE = 12.0  # mm; about the width of an angular cell on a body of 1.4 m
PER_SQUARE = 64
MOST = 3_000_000  # points kept in all: about 120 MB
REACH = 50_000.0  # mm from the datum, farther points are not of the body
_SIDE = 1 << 14  # squares across 2 REACH, with room to spare
_PENDING = 1_000_000


@dataclass(frozen=True, eq=False, kw_only=True)
class Sample:
    """The kept points, sorted by slab and then at random.

    Parameters
    ----------
    slab : ndarray of int, shape (n,)
    offset, bl, wl : ndarray, shape (n,)
        mm; `offset` is the station less that of the slab's plane.
    stands_for : ndarray, shape (n,)
        Number of points of its square that this one stands for.
    per_square : int
        Points kept in a full square.
    """

    slab: NDArray[np.int64]
    offset: Array
    bl: Array
    wl: Array
    stands_for: Array
    per_square: int

    def __post_init__(self) -> None:
        freeze_arrays(self)


def priority(number: NDArray[np.int64]) -> NDArray[np.uint64]:
    """Return a hash of point numbers that is as good as random (the mixer of splitmix64).

    Examples
    --------
    >>> import numpy as np
    >>> bool(np.diff(np.sort(priority(np.arange(1000)))).min() > 0)
    True
    """
    mixed = number.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    mixed ^= mixed >> np.uint64(30)
    mixed *= np.uint64(0xBF58476D1CE4E5B9)
    mixed ^= mixed >> np.uint64(27)
    mixed *= np.uint64(0x94D049BB133111EB)
    return mixed ^ (mixed >> np.uint64(31))


class Sampler:
    """Takes points as they come and keeps a fair sample of bounded size.

    Examples
    --------
    >>> import numpy as np
    >>> sampler = Sampler()
    >>> for start in (0, 1000):
    ...     place = np.zeros((1000, 3))
    ...     sampler.offer(np.zeros(1000, int), place, np.arange(start, start + 1000))
    >>> sample = sampler.sample()
    >>> len(sample.slab), float(sample.stands_for.sum())
    (64, 2000.0)
    """

    def __init__(self, *, per_square: int = PER_SQUARE, most: int = MOST):
        self.per_square = per_square
        self.most = most
        self.far = 0  # points beyond REACH, not kept
        self._key = np.zeros(0, np.int64)
        self._rank = np.zeros(0, np.uint64)
        self._place = np.zeros((0, 3))
        self._pending: list[tuple[NDArray[np.int64], NDArray[np.uint64], Array]] = []
        self._waiting = 0
        self._squares = np.zeros(0, np.int64)
        self._seen = np.zeros(0, np.int64)
        self._limit = np.zeros(0, np.uint64)

    def offer(self, slab: NDArray[np.int64], place: Array, number: NDArray[np.int64]) -> None:
        """Take points: their slab, (offset, bl, wl) in mm and number in the file."""
        near = (np.abs(place[:, 1:]) < REACH).all(axis=1)
        if not near.all():
            self.far += int((~near).sum())
            slab, place, number = slab[near], place[near], number[near]
        across, up = (np.floor((place[:, k] + REACH) / SQUARE).astype(np.int64) for k in (1, 2))
        key = (slab.astype(np.int64) * _SIDE + across) * _SIDE + up
        rank = priority(number)
        fresh = self._count(key, rank)
        self._pending.append((key[fresh], rank[fresh], place[fresh]))
        self._waiting += int(fresh.sum())
        if self._waiting > _PENDING:
            self._settle()

    def _count(self, key: NDArray[np.int64], rank: NDArray[np.uint64]) -> NDArray[np.bool_]:
        """Count points of known squares; return which of all may still enter the sample."""
        if not len(self._squares):
            return np.ones(len(key), bool)
        at = np.minimum(np.searchsorted(self._squares, key), len(self._squares) - 1)
        known = self._squares[at] == key
        barred = known & (rank > self._limit[at])
        # the barred are counted here, the others when they are settled
        self._seen += np.bincount(at[barred], minlength=len(self._squares))
        return ~barred

    def _settle(self) -> None:
        """Merge what is waiting; keep the lowest of each square; halve where room runs out."""
        fresh = [part[0] for part in self._pending]
        key = np.concatenate([self._key, *fresh])
        rank = np.concatenate([self._rank, *(part[1] for part in self._pending)])
        place = np.concatenate([self._place, *(part[2] for part in self._pending)])
        self._pending, self._waiting = [], 0
        self._add_seen(np.concatenate([np.zeros(0, np.int64), *fresh]))
        order = np.lexsort((rank, key))
        key = key[order]
        first = np.flatnonzero(np.diff(key, prepend=-1))
        turn = np.arange(len(key)) - np.repeat(first, np.diff(np.append(first, len(key))))
        while (turn < self.per_square).sum() > self.most and self.per_square > 1:
            self.per_square //= 2
        keep = turn < self.per_square
        self._key, self._rank, self._place = key[keep], rank[order[keep]], place[order[keep]]
        last = np.flatnonzero(np.diff(self._key, append=-1))
        count = np.diff(last, prepend=-1)
        top = np.uint64(0xFFFFFFFFFFFFFFFF)
        self._limit = np.where(count < self.per_square, top, self._rank[last])

    def _add_seen(self, key: NDArray[np.int64]) -> None:
        squares, count = np.unique(key, return_counts=True)
        both = np.union1d(self._squares, squares)
        seen = np.zeros(len(both), np.int64)
        seen[np.searchsorted(both, self._squares)] += self._seen
        seen[np.searchsorted(both, squares)] += count
        self._squares, self._seen = both, seen

    def sample(self) -> Sample:
        """Return what is kept."""
        self._settle()
        at = np.searchsorted(self._squares, self._key)
        kept = np.bincount(at, minlength=len(self._squares))
        slab = self._key // (_SIDE * _SIDE)
        order = np.lexsort((self._rank, slab))  # within a slab in no order of place
        return Sample(
            slab=slab[order],
            offset=self._place[order, 0],
            bl=self._place[order, 1],
            wl=self._place[order, 2],
            stands_for=(self._seen[at] / kept[at])[order],
            per_square=self.per_square,
        )
