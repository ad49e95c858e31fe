"""One pass over a scan's file: what the sieves hold back is sampled, the rest forgotten.

Several sieves may hang in one pass, each with its sample. The chunks are cut by threads
while the next are read and the sample is kept in the file's order, so that neither the
threads nor the size of the chunks can be seen in what comes of it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from loft.job.records import Array
from loft.survey.readers import CHUNK, iter_rows
from loft.survey.rows import Rows
from loft.survey.sample import Sample, Sampler, Sifted
from loft.survey.slabs import DOUBT, Across

THREADS = 2
PIECE = 65_536  # points whose stations are taken together: they fit the cache
LOOK = 50_000  # points looked at for the extent of the whole cloud

Item = TypeVar("Item")
Made = TypeVar("Made")


class Sieve(Protocol):
    """What holds back some points of a chunk."""

    @property
    def per_square(self) -> int:
        """So many of them are kept in every square."""

    @property
    def enough(self) -> float:
        """Of a file with more points than twice this only every so many-th is looked at."""

    def close(self, station: NDArray[np.floating]) -> NDArray[np.int64]:
        """Return which points may fall on a heap, their stations known within DOUBT."""

    def cut(
        self, station: Array, across: Across
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
        """Return the number of the heap, the index of the point and its way along, mm.

        A point may fall on several heaps, or on none.
        """


@dataclass(frozen=True, eq=False, kw_only=True)
class Pass:
    """What one pass over a file brings: a sample of every sieve, and a look at the whole."""

    samples: tuple[Sample, ...]
    look: Array  # (k, 3) some points as they stand in the file
    read: int
    blank: int  # points without numbers, or called invalid by the file


def sift(
    path: Path,
    sieves: Sequence[Sieve],
    motion: tuple[Array, Array],
    *,
    name: str,
    points: int = 0,
    chunk: int = CHUNK,
    progress: Callable[[float], None] | None = None,
) -> Pass:
    r"""Read a cloud's file once through some sieves.

    Parameters
    ----------
    path : Path
    sieves : sequence of Sieve
    motion : (ndarray, ndarray), shapes (3, 3) and (3,)
        From the file's numbers to aircraft axes: turn and scale, then shift in mm.
    name : str
        What refusals call the file.
    points : int
        How many its head states; 0 or less where it does not say.
    chunk : int
        Most points in one array.
    progress : callable, optional
        Told the share of the file that has been read, 0 to 1.

    Raises
    ------
    LoftError
        The file cannot be read.

    Examples
    --------
    >>> import tempfile
    >>> from loft.survey.slabs import Cutter, Slab
    >>> cutter = Cutter((Slab(frame="F1", station=1000.0),), ())
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "bay.xyz")
    ...     _ = path.write_text("1.01 0 0.6\n1.5 0 0.6\n")
    ...     found = sift(path, [cutter], (1000.0 * np.eye(3), np.zeros(3)), name="bay.xyz")
    >>> found.read, found.samples[0].offset.round(6).tolist()
    (2, [10.0])
    """
    samplers = [Sampler(per_square=sieve.per_square) for sieve in sieves]
    steps = [max(1, int(points // sieve.enough)) for sieve in sieves]
    look, blank = Look(), 0
    chunks = look.over(iter_rows(path, chunk, progress=progress, name=name))

    def cut(part: tuple[Rows, int]) -> tuple[int, list[Sifted]]:
        with np.errstate(over="ignore", invalid="ignore"):  # a file may hold any number, or none
            return _cut(*part, list(zip(sieves, samplers, steps, strict=True)), motion)

    for blanks, parts in in_order(cut, chunks):
        blank += blanks
        for sampler, part in zip(samplers, parts, strict=True):
            sampler.add(part)
    return Pass(
        samples=tuple(in_order(Sampler.sample, samplers)),
        look=look.points(),
        read=look.read,
        blank=blank,
    )


def _cut(
    rows: Rows,
    first: int,
    sieves: Sequence[tuple[Sieve, Sampler, int]],
    motion: tuple[Array, Array],
) -> tuple[int, list[Sifted]]:
    """Return how many points carry no numbers, and what each sieve holds back.

    What no sieve can hold is let go by stations in single precision, a piece at a time.
    """
    blank, near = 0, [[np.zeros(0, np.int64)] for _ in sieves]
    for begin in range(0, len(rows), PIECE):
        station, blanks = _stations(rows.some(slice(begin, begin + PIECE)), motion)
        blank += blanks
        for (sieve, _, step), parts in zip(sieves, near, strict=True):
            start = -(first + begin) % step
            parts.append(begin + start + step * sieve.close(station[start::step]))
    found = []
    for (sieve, sampler, _), parts in zip(sieves, near, strict=True):
        index = np.concatenate(parts)
        few = rows.some(index)
        axes = [few.axis(k) for k in range(3)]
        turned = [_sum(axes, *part) for part in zip(*motion, strict=True)]
        place = np.stack(turned[1:])

        def across(at: NDArray[np.int64], place: Array = place) -> Array:
            return place.take(at, axis=1).T

        heap, held, offset = sieve.cut(turned[0], across)
        found.append(sampler.sift(heap, offset, across(held), number=first + index[held]))
    return blank, found


def _stations(rows: Rows, motion: tuple[Array, Array]) -> tuple[NDArray[np.floating], int]:
    """Return stations good to DOUBT, infinite for points without numbers, and how many those are.

    Single precision where the numbers are small enough for it, and all are numbers.
    """
    turn, shift = motion[0][0], motion[1][0]
    factor, base = turn * rows.scale, float(turn @ rows.offset + shift)
    rounding = 4.0 * np.finfo(np.float32).eps  # of two factors, a product and three sums
    if rounding * (np.abs(factor).sum() * rows.largest() + abs(base)) <= DOUBT:
        rough = np.full(len(rows), base, np.float32)
        for k in np.flatnonzero(factor).tolist():
            part = rows.column(k).astype(np.float32)
            part *= np.float32(factor[k])
            rough += part
        return rough, 0
    axes = [rows.axis(k) for k in range(3)]
    station = _sum(axes, turn, shift)
    good = np.isfinite(np.stack([station, *axes])).all(axis=0)
    return np.where(good, station, np.inf), len(rows) - int(np.count_nonzero(good))


def _sum(axes: Sequence[Array], turn: Array, shift: float) -> Array:
    """Return one coordinate of some points: a sum by columns, so that no chunk rounds otherwise."""
    total = np.zeros(len(axes[0]))
    for axis, weight in zip(axes, turn, strict=True):
        if weight:
            total += axis * weight
    total += shift
    return total


class Look:
    """Every so many a point of a stream of chunks, LOOK of them at least where there are as many.

    Examples
    --------
    >>> look = Look()
    >>> chunks = [Rows(table=np.zeros((60_000, 3))), Rows(table=np.zeros((60_000, 3)))]
    >>> [first for _, first in look.over(chunks)], look.read, len(look.points())
    ([0, 60000], 120000, 60000)
    """

    def __init__(self) -> None:
        self.read, self._stride = 0, 1
        self._held = [np.zeros((0, 3))]

    def over(self, chunks: Iterable[Rows]) -> Iterator[tuple[Rows, int]]:
        """Hand on the chunks, each with the number of its first point."""
        for rows in chunks:
            some = slice(-self.read % self._stride, None, self._stride)
            self._held.append(rows.some(some).points())
            while sum(map(len, self._held)) > 2 * LOOK:
                self._held, self._stride = [np.concatenate(self._held)[::2]], 2 * self._stride
            first, self.read = self.read, self.read + len(rows)
            yield rows, first

    def points(self) -> Array:
        """Return those that carry numbers."""
        held = np.concatenate(self._held)
        return held[np.isfinite(held).all(axis=1)]


def in_order(make: Callable[[Item], Made], items: Iterable[Item]) -> Iterator[Made]:
    """Yield what is made of each item, in their order; threads make it while the next are read.

    Examples
    --------
    >>> list(in_order(abs, [-1, 2, -3]))
    [1, 2, 3]
    """
    waiting: deque[Future[Made]] = deque()
    with ThreadPoolExecutor(THREADS) as pool:
        for item in items:
            waiting.append(pool.submit(make, item))
            if len(waiting) > THREADS:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
