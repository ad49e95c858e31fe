"""Sort the survey's readings into the rows that the fit works on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loft.fairing.equations import Batch
from loft.fairing.reference import MAD, robust_ellipse, robust_ellipses
from loft.fairing.smoother import Run
from loft.job.records import Array, Job, Survey
from loft.job.schema import given_name

FREE_SPACING = 30.0  # mm: readings between frames share a knot within this
CROWD = 400  # readings of one frame past which they are binned
CELLS = 180  # angular cells of a binned frame
ENOUGH = 6  # readings that make a frame's own reference ellipse


@dataclass(frozen=True, eq=False, kw_only=True)
class Row:
    """Readings that share a knot: one frame's, or some between frames, of one scan or by hand."""

    frame: str
    station: float
    index: NDArray[np.int64]
    scan: bool = False


def sort_rows(job: Job, survey: Survey, wanted: NDArray[np.bool_]) -> tuple[Row, ...]:
    """Return the rows of the readings marked in `wanted`, by station.

    A scan's slab between frames is a row of its own: as a whole it is off by how the scan
    was tied to the aircraft and by how the metal moved there, and that is one error for all
    its cells.
    """
    rows = []
    for frame in job.frames:
        index = np.flatnonzero(wanted & (survey.frame == frame.name))
        if len(index):
            station = float(np.median(survey.station[index])) if frame.cant else frame.station
            rows.append(Row(frame=frame.name, station=station, index=index))
    free = wanted & (survey.frame == "")
    scans = [given_name(job, cloud.file) for cloud in job.clouds]
    by_hand = free & ~np.isin(survey.source, scans)
    rows += _free_rows(survey, by_hand, scan=False)
    for name in dict.fromkeys(scans):
        rows += _free_rows(survey, free & (survey.source == name), scan=True)
    return tuple(sorted(rows, key=lambda row: row.station))


def _free_rows(survey: Survey, free: NDArray[np.bool_], *, scan: bool) -> list[Row]:
    """Return rows of the readings between frames that stand together."""
    found = np.flatnonzero(free)
    order = found[np.argsort(survey.station[found], kind="stable")]
    here = survey.station[order]
    rows, start = [], 0
    for k in range(1, len(order) + 1):
        if k == len(order) or here[k] - here[start] > FREE_SPACING:
            station = float(here[start:k].mean())
            rows.append(Row(frame="", station=station, index=order[start:k], scan=scan))
            start = k
    return rows


def knot_stations(rows: tuple[Row, ...], nearest: float = 5.0) -> Array:
    """Return the distinct knots; a row within `nearest` mm of a frame's shares its knot."""
    frames = [row.station for row in rows if row.frame]
    free = [
        row.station
        for row in rows
        if not row.frame and all(abs(row.station - x) > nearest for x in frames)
    ]
    return np.unique(np.array(frames + free))


def frame_ellipses(
    rows: tuple[Row, ...], survey: Survey, *, mirrored: bool
) -> tuple[tuple[Row, ...], Array]:
    """Return the rows that can carry a reference ellipse, and their ellipses (f, 4).

    `mirrored` counts every reading on both sides, so that a half-read frame still has
    its full breadth.
    """
    rows = tuple(row for row in rows if len(row.index) >= ENOUGH)
    most = max((len(row.index) for row in rows), default=0)
    table = np.zeros((len(rows), 3, most))
    held = np.zeros((len(rows), most), bool)
    for k, row in enumerate(rows):
        n = len(row.index)
        held[k, :n] = True
        for part, name in enumerate(("bl", "wl", "depth")):
            table[k, part, :n] = getattr(survey, name)[row.index]
    if mirrored:
        flipped = table * np.array([-1.0, 1.0, 1.0])[:, None]
        table, held = np.concatenate([table, flipped], 2), np.concatenate([held, held], 1)
    bl, wl, depth = table[:, 0], table[:, 1], table[:, 2]
    if not len(rows):
        return rows, np.zeros((0, 4))
    ellipses = robust_ellipses(bl, wl, held)
    if depth.any():
        arm_bl, arm_wl = bl - ellipses[:, :1], wl - ellipses[:, 1:2]
        grown = 1 + depth / np.maximum(np.hypot(arm_bl, arm_wl), 1.0)
        ellipses = robust_ellipses(
            ellipses[:, :1] + arm_bl * grown, ellipses[:, 1:2] + arm_wl * grown, held
        )
    return rows, ellipses


def make_batch(
    job: Job, survey: Survey, rows: tuple[Row, ...], run: Run, mark: NDArray[np.int64] | None
) -> Batch:
    """Return the rows' readings, padded; crowded rows binned to angular cells.

    A bin's reading is the middle of its points, its sigma their spread over the root of
    their number (never under a twentieth of a point's own sigma).
    """
    columns = [_columns(survey, row) for row in rows]
    n = max(len(part["own"]) for part in columns)
    g = len(rows)

    def pad(name: str, shape: tuple[int, ...] = (), kind: type = float) -> NDArray[Any]:
        table: NDArray[Any] = np.zeros((g, n, *shape), kind)
        for i, part in enumerate(columns):
            table[i, : len(part[name])] = part[name]
            table[i, len(part[name]) :] = part[name][0]
        return table

    own = pad("own", kind=int)
    for i, part in enumerate(columns):
        own[i, len(part["own"]) :] = -1
    sigma_of = {frame.name: frame.station_sigma for frame in job.frames}
    adjusted = _has_own_covariance(survey)
    return Batch(
        knot=np.array([int(np.argmin(np.abs(run.station - row.station))) for row in rows]),
        settles=np.array([bool(row.frame) for row in rows]),
        drifts=np.array([row.scan for row in rows]),
        shift_sigma=np.array([sigma_of.get(row.frame, 0.0) for row in rows]),
        own=own,
        station=pad("station"),
        bl=pad("bl"),
        wl=pad("wl"),
        sigma=pad("sigma"),
        covariance=pad("covariance", (3, 3)) if adjusted else None,
        depth=pad("depth"),
        mark=np.full(own.shape, -1) if mark is None else np.where(own >= 0, mark[own], -1),
    )


def _has_own_covariance(survey: Survey) -> bool:
    plain = survey.sigma[:, None, None] ** 2 * np.eye(3)
    return bool((np.abs(survey.covariance - plain) > 1e-6 * plain[:, :1, :1]).any())


def _columns(survey: Survey, row: Row) -> dict[str, NDArray[Any]]:
    index = row.index
    names = ("station", "bl", "wl", "sigma", "covariance", "depth")
    part = {name: getattr(survey, name)[index] for name in names}
    part["own"] = index
    crowded = survey.line[index] == ""
    if crowded.sum() <= CROWD:
        return part
    keep = np.flatnonzero(~crowded)
    binned = _bin(survey, index[crowded])
    return {name: np.concatenate([part[name][keep], binned[name]]) for name in part}


def _bin(survey: Survey, index: NDArray[np.int64]) -> dict[str, NDArray[Any]]:
    """Middle, spread and count of the readings in each angular cell."""
    bl, wl = survey.bl[index], survey.wl[index]
    cy, cz, a, b = robust_ellipse(bl, wl)
    theta = np.arctan2((bl - cy) / a, (wl - cz) / b)
    radius = np.hypot(bl - cy, wl - cz)
    cell = ((theta + np.pi) / (2 * np.pi) * CELLS).astype(int) % CELLS
    order = np.lexsort((index, cell))
    index, cell, radius = index[order], cell[order], radius[order]
    start = np.r_[0, np.flatnonzero(np.diff(cell)) + 1]
    count = np.diff(np.r_[start, len(cell)])
    run_out = np.abs(radius - np.repeat(_middles(radius, cell, start, count), count))
    stated = np.add.reduceat(survey.sigma[index], start) / count
    spread = np.maximum(MAD * _middles(run_out, cell, start, count), stated)
    good = run_out <= np.repeat(3 * spread, count)
    left = np.add.reduceat(good.astype(float), start)
    sigma = np.maximum(spread / np.sqrt(left), 0.05 * stated)
    out: dict[str, NDArray[Any]] = {
        name: np.add.reduceat(np.where(good, getattr(survey, name)[index], 0.0), start) / left
        for name in ("station", "bl", "wl", "depth")
    }
    out["sigma"] = sigma
    out["covariance"] = sigma[:, None, None] ** 2 * np.eye(3)
    kept = np.flatnonzero(good)
    out["own"] = index[kept[np.searchsorted(kept, start)]]
    return out


def _middles(
    value: Array, cell: NDArray[np.int64], start: NDArray[np.int64], count: NDArray[np.int64]
) -> Array:
    """Median of each cell's values; cells stand in order, from `start` on."""
    ranked = value[np.lexsort((value, cell))]
    return (ranked[start + (count - 1) // 2] + ranked[start + count // 2]) / 2
