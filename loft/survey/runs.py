"""Labelled runs of stringers between surveyed stations, and the tubes about them.

A tube is a short block of a run, half as wide as the next line allows: where in a scan
the stringer is looked for.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loft.job.labels import line_of
from loft.job.records import Array, Job, Survey, freeze_arrays
from loft.survey.sample import Sample
from loft.survey.slabs import DOUBT, Across
from loft.survey.tables import face_depth

BLOCK = 40.0  # mm of station that are looked at together
TUBE = 45.0  # mm to each side of where the run is looked for
SHARE = 0.45  # of the way to the next line, if that is nearer
DIRECTIONS = 1440
WIDTH = 2.0 * np.pi / DIRECTIONS


@dataclass(frozen=True, eq=False, kw_only=True)
class Run:
    """A labelled line between two surveyed stations, straight between them.

    `start` and `end` are (station, bl, wl) of the inner edge as it is expected.
    """

    line: str
    start: Array
    end: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def at(self, station: Array) -> Array:
        """Return where the run is expected, (..., 2) as (bl, wl)."""
        share = (np.asarray(station) - self.start[0]) / (self.end[0] - self.start[0])
        return np.asarray(self.start[1:] + share[..., None] * (self.end - self.start)[1:])


def runs_of(job: Job, labelled: Survey) -> tuple[Run, ...]:
    """Return the runs of the labelled stringers, by line and station.

    Examples
    --------
    >>> from pathlib import Path
    >>> from loft.survey.gather import survey_of
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> runs_of(job, survey_of(job, []))
    ()
    """
    depth = face_depth(job, "stringer_inner") if len(labelled) else 0.0
    good = labelled.use & np.isfinite(labelled.bl + labelled.wl + labelled.station)
    middle = float(np.median(labelled.wl[good])) if good.any() else 0.0
    runs = []
    for label in sorted(set(labelled.line[good].tolist()) - {""}):
        line = line_of(job, label)
        if line is None or line.kind != "stringer":
            continue
        index = np.flatnonzero(good & (labelled.line == label))
        place = np.stack([labelled.station, labelled.bl, labelled.wl], axis=1)[index]
        arm = place[:, 1:] - (0.0, middle)
        inward = (labelled.depth[index] - depth) / np.maximum(np.hypot(*arm.T), 1.0)
        place[:, 1:] += arm * inward[:, None]
        points = _by_station(place)
        runs += [Run(line=label, start=a, end=b) for a, b in itertools.pairwise(points)]
    return tuple(runs)


def runs_within(runs: Sequence[Run], reach: tuple[float, float]) -> tuple[Run, ...]:
    """Return the runs of which some lies between two stations.

    Examples
    --------
    >>> run = Run(line="S4P", start=np.array([500.0, 0, 0]), end=np.array([900.0, 0, 0]))
    >>> len(runs_within([run], (800.0, 1200.0))), len(runs_within([run], (950.0, 1200.0)))
    (1, 0)
    """
    return tuple(run for run in runs if run.start[0] < reach[1] and run.end[0] > reach[0])


def _by_station(place: Array, together: float = 30.0) -> Array:
    """Return the mean points of a line by station, repeat readings taken together."""
    place = place[np.argsort(place[:, 0], kind="stable")]
    group = np.cumsum(np.diff(place[:, 0], prepend=place[0, 0]) > together)
    return np.stack([place[group == k].mean(axis=0) for k in range(group[-1] + 1)])


class Tubes:
    """Blocks of all runs: a sieve that holds back what lies about them, and its sample.

    Parameters
    ----------
    runs : sequence of Run
        At least one.

    Attributes
    ----------
    run, slice : ndarray of int, shape (b,)
        Of each block: its run, and its place along the station.
    station, half, centre : ndarray, shape (b,)
        Its middle; half its width, which is less where the next line is near; the
        waterline about which directions are taken.
    point : ndarray, shape (b, 2)
        Where the run is expected at its middle.
    sample : Sample or None
        Of the last pass: a heap a block.

    Examples
    --------
    >>> run = Run(line="S4P", start=np.array([0.0, 0, 700]), end=np.array([500.0, 0, 700]))
    >>> place = np.array([[10.0, 705.0], [300.0, 705.0]])
    >>> heap, index, along = Tubes([run]).cut(np.array([57.0, 57.0]), lambda at: place[at])
    >>> heap.tolist(), index.tolist(), along.tolist()
    ([0], [0], [-3.0])
    """

    per_square = 24  # some eight squares a block: more than are looked at
    enough = 8_000_000.0  # points of a file: of a whole body's some 1000 a block

    def __init__(self, runs: Sequence[Run]):
        self.runs = tuple(runs)
        self.first = min(run.start[0] for run in runs)
        self.sample: Sample | None = None
        rows = []
        for k, run in enumerate(runs):
            low, high = (
                int(np.floor((end[0] - self.first) / BLOCK)) for end in (run.start, run.end)
            )
            rows += [(k, block) for block in range(low + 1, high)]
        self.run, self.slice = np.array(rows, dtype=np.int64).reshape(-1, 2).T
        self.station = self.first + (self.slice + 0.5) * BLOCK
        self.point = np.zeros((len(rows), 2))
        for k, run in enumerate(runs):
            mine = self.run == k
            self.point[mine] = run.at(self.station[mine])
        self.half, self.centre = np.full(len(rows), TUBE), np.zeros(len(rows))
        for block in np.unique(self.slice):
            self._part(np.flatnonzero(self.slice == block))
        self.slices = int(self.slice.max(initial=-1)) + 1
        self.slice_centre = np.zeros(self.slices)
        self.slice_centre[self.slice] = self.centre
        self.table = self._directions()

    def _part(self, mine: NDArray[np.int64]) -> None:
        """Part the blocks of one slice from each other."""
        point = self.point[mine]
        apart = np.hypot(*(point[:, None] - point[None]).transpose(2, 0, 1))
        apart[np.diag_indices(len(mine))] = np.inf
        self.half[mine] = np.minimum(TUBE, SHARE * apart.min(axis=1))
        self.centre[mine] = (point[:, 1].min() + point[:, 1].max()) / 2.0

    def _directions(self) -> NDArray[np.int64]:
        """Return which block each direction from down to down meets, by slice; -1 for none."""
        table = np.full((self.slices, DIRECTIONS + 1), -1)  # the last is the first once more
        up = self.point[:, 1] - self.centre
        reach = self.half / np.maximum(np.hypot(self.point[:, 0], up), 1.0)
        middle = np.arctan2(self.point[:, 0], up) + np.pi
        low = np.floor((middle - reach) / WIDTH).astype(np.int64)
        count = np.floor((middle + reach) / WIDTH).astype(np.int64) - low + 1
        block = np.repeat(np.arange(len(count)), count)
        turn = np.arange(len(block)) - np.repeat(np.cumsum(count) - count - low, count)
        table[self.slice[block], turn % DIRECTIONS] = block  # of two blocks the later
        table[:, -1] = table[:, 0]
        return table.ravel()

    def close(self, station: NDArray[np.floating]) -> NDArray[np.int64]:
        """Return which points may lie in a block, their stations known within DOUBT."""
        low, high = self.first - DOUBT, self.first + self.slices * BLOCK + DOUBT
        return np.flatnonzero((station >= low) & (station < high))

    def cut(
        self, station: Array, across: Across
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
        """Return block, index of the point and way aft of the block's middle: by direction first.

        A point whose station is infinite lies in none.
        """
        along = (station - self.first) / BLOCK
        index = np.flatnonzero((along >= 0.0) & (along < self.slices))
        part, place = along.take(index).astype(np.int32), across(index)
        bl, wl = place[:, 0], place[:, 1]
        # in single precision, which is a thousand times finer than the table
        up = (wl - self.slice_centre.take(part)).astype(np.float32)
        angle = np.arctan2(bl.astype(np.float32), up)
        direction = ((angle + np.float32(np.pi)) / np.float32(WIDTH)).astype(np.int32)
        block = self.table.take(part * np.int32(DIRECTIONS + 1) + direction, mode="clip")
        met = np.flatnonzero(block >= 0)
        block = block.take(met)
        off = [axis.take(met) - self.point[:, k].take(block) for k, axis in enumerate((bl, wl))]
        held = np.flatnonzero(off[0] ** 2 + off[1] ** 2 <= (1.5 * TUBE) ** 2)
        block, index = block.take(held), index.take(met.take(held))
        return block, index, station.take(index) - self.station.take(block)
