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
from loft.survey.tables import face_depth

BLOCK = 40.0  # mm of station that are looked at together
TUBE = 45.0  # mm to each side of where the run is looked for
SHARE = 0.45  # of the way to the next line, if that is nearer
DIRECTIONS = 1440


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


@dataclass(frozen=True, eq=False, kw_only=True)
class Tubes:
    """Blocks of all runs: run, middle station, expected point, half width; arrays (b,)."""

    run: NDArray[np.int64]
    slice: NDArray[np.int64]
    station: Array
    point: Array  # (b, 2)
    half: Array
    centre: Array  # (b,) waterline about which directions are taken
    first: float


def lay_tubes(runs: Sequence[Run]) -> Tubes:
    """Cut the runs to blocks of station; half as wide as the next line allows."""
    first = min(run.start[0] for run in runs)
    rows = []
    for k, run in enumerate(runs):
        low, high = (int(np.floor((end[0] - first) / BLOCK)) for end in (run.start, run.end))
        rows += [(k, block) for block in range(low + 1, high)]
    table = np.array(rows, dtype=np.int64).reshape(-1, 2)
    station = first + (table[:, 1] + 0.5) * BLOCK
    point = np.zeros((len(table), 2))
    for k, run in enumerate(runs):
        mine = table[:, 0] == k
        point[mine] = run.at(station[mine])
    half, centre = np.full(len(table), TUBE), np.zeros(len(table))
    for block in np.unique(table[:, 1]):
        mine = np.flatnonzero(table[:, 1] == block)
        apart = np.hypot(*(point[mine][:, None] - point[mine][None]).transpose(2, 0, 1))
        apart[np.diag_indices(len(mine))] = np.inf
        half[mine] = np.minimum(TUBE, SHARE * apart.min(axis=1))
        centre[mine] = (point[mine, 1].min() + point[mine, 1].max()) / 2.0
    return Tubes(
        run=table[:, 0],
        slice=table[:, 1],
        station=station,
        point=point,
        half=half,
        centre=centre,
        first=first,
    )


def directions(tubes: Tubes) -> NDArray[np.int64]:
    """Return which tube each direction meets in each slice; -1 for none."""
    count = int(tubes.slice.max(initial=-1)) + 1
    table = np.full((count, DIRECTIONS), -1)
    width = 2 * np.pi / DIRECTIONS
    for tube in range(len(tubes.run)):
        bl, up = tubes.point[tube, 0], tubes.point[tube, 1] - tubes.centre[tube]
        reach = tubes.half[tube] / max(float(np.hypot(bl, up)), 1.0)
        low, high = (np.floor((np.arctan2(bl, up) + sign * reach) / width) for sign in (-1, 1))
        table[tubes.slice[tube], np.arange(low, high + 1).astype(int) % DIRECTIONS] = tube
    return table


def tube_of(
    tubes: Tubes, table: NDArray[np.int64], block: NDArray[np.int64], place: Array
) -> NDArray[np.int64]:
    """Return the tube of every point, -1 for none: by direction, then by distance."""
    centre = np.zeros(len(table))
    centre[tubes.slice] = tubes.centre
    angle = np.arctan2(place[:, 1], place[:, 2] - centre[block])
    tube = table[block, np.floor(angle / (2 * np.pi / DIRECTIONS)).astype(int) % DIRECTIONS]
    away = place[:, 1:] - tubes.point[tube]
    far = (away**2).sum(axis=1) > (1.5 * TUBE) ** 2
    tube[far] = -1
    return tube
