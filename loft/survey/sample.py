"""A fair sample of an endless stream of points, thinned by area and not by density.

Every point that is offered belongs to a slab and, in its plane, to a small square. Its
rank is a hash of its number in the file, as good as random between 0 and 1; it is kept
where its rank is under the share of its square's points for which there is room. That
makes the sample random but always the same, whatever the size of the chunks, and a
smaller sample is part of a larger one: when room runs out, the number per square is
halved and nothing has to be read again. Squares are counted in a table, four by four of
them side by side; where a block of them stands in it is a hash, and two blocks that meet
there share their room.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loft.job.records import Array, freeze_arrays

SQUARE = 12.0  # mm; about the width of an angular cell on a body of 1.4 m
PER_SQUARE = 64  # points kept in a full square, more or less
MOST = 3_000_000  # points kept in all: about 120 MB
REACH = 50_000.0  # mm from the datum, farther points are not of the body
_SIDE = 12  # bits of the number of blocks of four squares across 2 REACH
_PENDING = 500_000
_TABLE = 17  # bits of a block's hash: two of the body's 50 000 squares rarely share one
_GOLDEN = np.uint64(0x9E3779B97F4A7C15)
_EMPTY = np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.int32), np.zeros((3, 0), np.float32)


@dataclass(frozen=True, eq=False, kw_only=True)
class Sample:
    """The kept points, sorted by slab and then at random.

    Parameters
    ----------
    slab : ndarray of int, shape (n,)
    offset, bl, wl : ndarray, shape (n,)
        mm; `offset` is the station less that of the slab's plane.
    seen : ndarray of int, shape (slabs,)
        Number of points that each slab was offered, up to the last one that had any.
    far : int
        Points more than REACH off, not among those.
    per_square : int
        Points kept in a full square, in the mean.
    """

    slab: NDArray[np.int64]
    offset: Array
    bl: Array
    wl: Array
    seen: NDArray[np.int64]
    far: int
    per_square: int

    def __post_init__(self) -> None:
        freeze_arrays(self)


@dataclass(frozen=True, eq=False, kw_only=True)
class Sifted:
    """Of the points that were offered those that may enter the sample, and the count of all."""

    square: NDArray[np.int64]  # of all
    fresh: NDArray[np.int64]  # index of those that may enter; what follows is of them
    rank: Array
    slab: NDArray[np.int32]
    place: NDArray[np.float32]  # (3, n) offset, bl, wl: steps of 0.0001 mm on the body
    seen: NDArray[np.int64]
    far: int


def priority(number: NDArray[np.int64]) -> NDArray[np.uint64]:
    """Return a hash of point numbers that is as good as random (the mixer of splitmix64).

    Examples
    --------
    >>> import numpy as np
    >>> bool(np.diff(np.sort(priority(np.arange(1000)))).min() > 0)
    True
    """
    mixed = number.astype(np.uint64) * _GOLDEN
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
    ...     slab, place = np.zeros(1000, int), np.zeros((1000, 3))
    ...     number = np.arange(start, start + 1000)
    ...     sampler.add(sampler.sift(slab, place[:, 0], place[:, 1:], number=number))
    >>> sample = sampler.sample()
    >>> len(sample.slab), sample.seen.tolist()
    (66, [2000])
    """

    def __init__(self, *, per_square: int = PER_SQUARE, most: int = MOST):
        self.per_square = per_square
        self.most = most
        self._far = 0
        self._seen = np.zeros(0, np.int64)
        self._count = np.zeros(16 << _TABLE, np.int32)  # points offered, by square
        self._parts: list[tuple[NDArray[Any], ...]] = []  # square, rank, slab, place
        self._waiting = self._kept = 0

    def sift(
        self,
        slab: NDArray[np.int64],
        offset: Array,
        across: Array,
        *,
        number: NDArray[np.int64],
    ) -> Sifted:
        """Return what may enter of some points: slab, offset, (bl, wl) in mm, number in the file.

        Nothing is changed, so several threads may ask at once: a count that has grown in
        the meantime only lets through what is dropped later.
        """
        place = [offset, across[:, 0], across[:, 1]]
        bins = [(axis + REACH) / SQUARE for axis in place[1:]]
        most = 2.0 * REACH / SQUARE
        near = np.logical_and.reduce([(axis >= 0.0) & (axis < most) for axis in bins])
        far = len(near) - int(np.count_nonzero(near))
        if far:
            slab, number = slab[near], number[near]
            place, bins = ([axis[near] for axis in axes] for axes in (place, bins))
        bucket = _squares(slab, *(axis.astype(np.int32) for axis in bins))
        rank = np.asarray(priority(number) * 2.0**-64)
        fresh = np.flatnonzero(rank * self._count.take(bucket) <= self.per_square)
        return Sifted(
            square=bucket,
            fresh=fresh,
            rank=rank.take(fresh),
            slab=slab.take(fresh).astype(np.int32),
            place=np.stack([axis.take(fresh).astype(np.float32) for axis in place]),
            seen=np.bincount(slab),
            far=far,
        )

    def add(self, part: Sifted) -> None:
        """Take what was sifted."""
        seen = np.zeros(max(len(self._seen), len(part.seen)), np.int64)
        seen[: len(self._seen)] += self._seen
        seen[: len(part.seen)] += part.seen
        self._seen, self._far = seen, self._far + part.far
        np.add.at(self._count, part.square, np.int32(1))
        self._parts.append((part.square.take(part.fresh), part.rank, part.slab, part.place))
        self._waiting += len(part.fresh)
        if self._waiting > max(_PENDING, self._kept):
            self._thin()

    def _thin(self) -> None:
        """Drop what there is no room for; halve the number per square where all run out of it."""
        while np.minimum(self._count, self.per_square).sum() > self.most and self.per_square > 1:
            self.per_square //= 2
        for k, (square, rank, slab, place) in enumerate(self._parts):
            index = np.flatnonzero(rank * self._count.take(square) <= self.per_square)
            if len(index) < len(rank):
                part = square, rank, slab, place
                self._parts[k] = tuple(field.take(index, axis=-1) for field in part)
        self._waiting, self._kept = 0, sum(len(part[0]) for part in self._parts)

    def sample(self) -> Sample:
        """Return what is kept; the sampler is empty then."""
        self._thin()
        _, ranks, slabs, places = zip(_EMPTY, *self._parts, strict=True)
        slab = np.concatenate(slabs)
        order = _by_rank(slab, np.concatenate(ranks))  # in no order of place
        offset, bl, wl = np.concatenate(places, axis=1).take(order, axis=1)
        self._parts = []
        return Sample(
            slab=slab.take(order).astype(np.int64),
            offset=offset,
            bl=bl,
            wl=wl,
            seen=self._seen,
            far=self._far,
            per_square=self.per_square,
        )


def _squares(
    slab: NDArray[np.int64], bl: NDArray[np.int32], wl: NDArray[np.int32]
) -> NDArray[np.int64]:
    """Return where the squares of some points are counted, from their slabs and whole squares."""
    block = (slab.astype(np.int64) << _SIDE | bl >> 2) << _SIDE | wl >> 2
    hashed = block.view(np.uint64) * _GOLDEN >> np.uint64(64 - _TABLE)
    return hashed.view(np.int64) << 4 | (bl & 3) << 2 | wl & 3


def _by_rank(slab: NDArray[np.int32], rank: Array) -> NDArray[np.int64]:
    """Return the order by slab and then by rank: one number says slab, rank and index.

    Examples
    --------
    >>> _by_rank(np.array([1, 0, 1]), np.array([0.7, 0.9, 0.2])).tolist()
    [1, 2, 0]
    """
    bits = len(slab).bit_length()
    room = 63 - bits - int(slab.max(initial=0)).bit_length()  # of the rank: 2^-26 and better
    key = slab.astype(np.int64) << room | (rank * 2.0**room).astype(np.int64)
    key = np.sort(key << bits | np.arange(len(slab)))
    return key & (1 << bits) - 1
