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
from loft.survey.readers import CHUNK, iter_cloud
from loft.survey.sample import Sample, Sampler, Sifted
from loft.survey.slabs import Across

THREADS = 2
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

    def cut(
        self, station: Array, across: Across
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
        """Return the number of the heap, the index of the point and its way along, mm.

        A point may fall on several heaps; one whose station is infinite falls on none.
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
    chunks = look.over(iter_cloud(path, chunk, progress=progress, name=name))

    def cut(part: tuple[Array, int]) -> tuple[int, list[Sifted]]:
        with np.errstate(over="ignore", invalid="ignore"):  # a file may hold any number, or none
            return _cut(*part, list(zip(sieves, samplers, steps, strict=True)), motion)

    for blanks, parts in in_order(cut, chunks):
        blank += blanks
        for sampler, part in zip(samplers, parts, strict=True):
            sampler.add(part)
    return Pass(
        samples=tuple(sampler.sample() for sampler in samplers),
        look=look.points(),
        read=look.read,
        blank=blank,
    )


def _cut(
    points: Array,
    first: int,
    sieves: Sequence[tuple[Sieve, Sampler, int]],
    motion: tuple[Array, Array],
) -> tuple[int, list[Sifted]]:
    """Return how many points carry no numbers, and what each sieve holds back."""
    turn, shift = motion
    # column by column, so that no chunk rounds otherwise; one without a number makes all none
    station = points[:, 0] * turn[0, 0] + points[:, 1] * turn[0, 1] + points[:, 2] * turn[0, 2]
    station += shift[0]
    good = np.isfinite(station)
    blank = len(points) - int(np.count_nonzero(good))
    if blank:
        station[~good] = np.inf

    def across(index: NDArray[np.int64]) -> Array:
        return np.asarray(points.take(index, axis=0) @ turn[1:].T + shift[1:])

    found = []
    for sieve, sampler, step in sieves:
        start = -first % step

        def some(index: NDArray[np.int64], start: int = start, step: int = step) -> Array:
            return across(start + step * index)

        heap, index, offset = sieve.cut(station[start::step], some)
        number = first + start + step * index
        found.append(sampler.sift(heap, offset, some(index), number=number))
    return blank, found


class Look:
    """Every so many a point of a stream of chunks, LOOK of them at least where there are as many.

    Examples
    --------
    >>> look = Look()
    >>> chunks = [np.zeros((60_000, 3)), np.zeros((60_000, 3))]
    >>> [first for _, first in look.over(chunks)], look.read, len(look.points())
    ([0, 60000], 120000, 60000)
    """

    def __init__(self) -> None:
        self.read, self._stride = 0, 1
        self._held = [np.zeros((0, 3))]

    def over(self, chunks: Iterable[Array]) -> Iterator[tuple[Array, int]]:
        """Hand on the chunks, each with the number of its first point."""
        for points in chunks:
            self._held.append(points[-self.read % self._stride :: self._stride].copy())
            while sum(map(len, self._held)) > 2 * LOOK:
                self._held, self._stride = [np.concatenate(self._held)[::2]], 2 * self._stride
            first, self.read = self.read, self.read + len(points)
            yield points, first

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
