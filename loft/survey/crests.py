"""Follow the stringers of a scan along a bay: labelled runs, each with its deviation.

A run is a labelled line between two stations where it was surveyed by hand. Along it
the scan is looked at in short blocks: where the skin is seen beside it and something
stands a stringer's depth inside, that is the stringer's inner edge. Its middle across
the run, and its height off the centre, are read block by block; a parabola through the
blocks of the run says where the edge crosses the stations of the bay, and what does not
follow it is let go. Where the scan does not show the edge nothing is said but that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loft.job.errors import Finding, LoftError
from loft.job.records import Array, CloudSet, Job, Survey, freeze_arrays
from loft.job.schema import given_name
from loft.job.units import MM_PER
from loft.survey.clouds import Registration, motion_of
from loft.survey.planes import (
    FEWEST,
    MAD,
    Stack,
    pick_planes,
    refine_planes,
    row_quantiles,
    stack_up,
    trial_planes,
)
from loft.survey.runs import Run, Tubes, runs_of, runs_within
from loft.survey.sample import Sample
from loft.survey.sieve import in_order, sift
from loft.survey.slabs import slabs_of
from loft.survey.tables import face_depth

DEPTH_OFF = 0.25  # share of the stringer's depth by which its edge may stand off
NARROWEST, BROADEST = 0.4, 1.6  # of the stringer's width, what is taken for its edge
STRAY = 3.0  # mm off the run's own parabola, past which a block loses its say
LEAST_BLOCKS = 3
MEDIAN = np.sqrt(np.pi / 2.0)  # sd of a median over that of a mean, normal law
TOGETHER = 1000  # blocks read together
CURVE_BLOCKS = 6  # from so many a parabola, under that a straight line
NEAR = 60.0  # mm: a station farther from any block of the run is not seen


@dataclass(frozen=True, eq=False, kw_only=True)
class Blocks:
    """What each block shows; arrays of shape (b,), NaN where it shows nothing.

    `across` and `out` are the edge's middle off the expected point, round the section
    (positive to greater girth: starboard, down, port, up) and outwards along the skin's
    normal; `lean` is the normal's direction from up; `why` says what was missing.
    """

    run: NDArray[np.int64]
    station: Array
    bl: Array
    wl: Array
    sd_across: Array
    sd_out: Array
    lean: Array
    why: NDArray[np.str_]

    def __post_init__(self) -> None:
        freeze_arrays(self)


def crest_survey(
    job: Job,
    cloud_set: CloudSet,
    labelled: Survey,
    *,
    registration: Registration | None = None,
    tubes: Tubes | None = None,
    reach: tuple[float, float] = (-np.inf, np.inf),
) -> tuple[Survey, dict[str, Any]]:
    """Read the inner edges of the labelled stringers off a scan of the inside.

    Parameters
    ----------
    job : Job
        Its stringer depth and width say what is looked for.
    cloud_set : CloudSet
        A scan in which skin and stringers are both seen.
    labelled : Survey
        Readings by hand with labels; a run needs one at each end.
    registration
        As for the cloud's other readings.
    tubes : Tubes, optional
        About the runs, as the pass for those readings filled them; without them the
        file is read here.
    reach : (float, float)
        Between which stations the scan has points, mm; nothing is asked of it beyond.

    Returns
    -------
    survey : Survey
        Labelled readings of face stringer_inner at the stations across the bays.
    report : dict
        Every run: where it was seen, how well, and what the scan does not show.

    Raises
    ------
    LoftError
        No stringer depth or width in the job, no labelled run, an unreadable file.

    Examples
    --------
    >>> from pathlib import Path
    >>> from loft.survey.gather import survey_of
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> scan = CloudSet(file=Path("bay.ply"), sigma=0.5, face="skin_inner", unit="m")
    >>> try:
    ...     crest_survey(job, scan, survey_of(job, []))
    ... except LoftError as refusal:
    ...     print(refusal)
    bay.ply: no stringer depth and width found; both wanted in [stringer]
    """
    name = given_name(job, cloud_set.file)
    if not (np.isfinite(job.stringer_depth) and np.isfinite(job.stringer_width)):
        text = "no stringer depth and width found; both wanted in [stringer]"
        raise LoftError(Finding(file=name, text=text))
    runs = tubes.runs if tubes else runs_of(job, labelled)
    if not runs_within(runs, reach):
        text = "no stringer found that was surveyed by hand at two stations; that wanted"
        raise LoftError(Finding(file=name, text=text))
    tubes = tubes or Tubes(runs)
    if tubes.sample is None:
        turn, shift = motion_of(registration)
        motion = turn * MM_PER[cloud_set.unit], shift
        tubes.sample = sift(cloud_set.file, [tubes], motion, name=name).samples[0]
    blocks = _read_blocks(job, cloud_set, tubes, tubes.sample)
    return _crests(job, cloud_set, runs, blocks, registration, name, reach)


def _read_blocks(job: Job, cloud_set: CloudSet, tubes: Tubes, sample: Sample) -> Blocks:
    """Return the edge in every block: first the skin beside it, then what stands inside."""
    angle = np.arctan2(tubes.point[:, 0], tubes.point[:, 1] - tubes.centre)
    stack = stack_up(
        sample.slab, angle, bl=sample.bl, up=sample.wl - tubes.centre[sample.slab],
        along=sample.offset,
    )  # fmt: skip
    parts = [slice(first, first + TOGETHER) for first in range(0, max(len(angle), 1), TOGETHER)]
    read = [*in_order(lambda part: _edges_in(job, cloud_set.sigma, tubes, stack, part), parts)]
    names = [field.name for field in fields(Blocks)]
    return Blocks(**{name: np.concatenate([getattr(one, name) for one in read]) for name in names})


def _edges_in(job: Job, sigma: float, tubes: Tubes, whole: Stack, part: slice) -> Blocks:
    """Return the edges in some of the blocks."""
    stack = whole.some(part)
    trial, agree = trial_planes(stack, sigma, np.random.default_rng(part.start))
    skin = refine_planes(stack, pick_planes(trial, agree, layer="outermost"), sigma)
    slope = skin.round_slope[:, None]
    height = stack.radius - skin.at[:, None] - slope * stack.round
    height = (height - skin.along_slope[:, None] * stack.along) * skin.tilt[:, None]
    tilt = 1.0 / np.hypot(1.0, slope)
    across = (stack.round + slope * stack.radius) * tilt
    out = (stack.radius - slope * stack.round) * tilt
    edge = stack.held & (np.abs(height + job.stringer_depth) <= DEPTH_OFF * job.stringer_depth)
    return _edges(job, sigma, tubes, part, stack, skin.agreeing, edge, across=across, out=out)


def _edges(
    job: Job,
    sigma: float,
    tubes: Tubes,
    part: slice,
    stack: Stack,
    skin: Array,
    edge: NDArray[np.bool_],
    *,
    across: Array,
    out: Array,
) -> Blocks:
    """Return middle and height of the points on each edge; say where there is none."""
    count = edge.sum(axis=1)
    out_mid, out_sd = _middle(np.where(edge, out, np.nan), sigma, count)
    close = edge & (np.abs(out - out_mid[:, None]) <= 4.0 * np.maximum(sigma, out_sd)[:, None])
    count = close.sum(axis=1)
    held = np.where(close, across, np.nan)
    held[count == 0] = 0.0
    low, high = (row_quantiles(held, share) for share in (0.025, 0.975))
    width = (high - low) / 0.95
    why = np.full(len(count), "", dtype="U40")
    given = job.stringer_width
    why[(width < NARROWEST * given) | (width > BROADEST * given)] = "its edge is not whole"
    why[count < FEWEST] = "nothing stands its depth inside the skin"
    why[skin < FEWEST] = "no skin is seen beside it"
    middle = (low + high) / 2.0
    # the ends of a spread of n points are known to its width / n; what is hidden of the
    # width may lie on either side
    hidden = np.maximum(given - width, 0.0) / np.sqrt(12.0)
    sd_across = np.hypot(width / np.maximum(count, 1), hidden)
    _, out_sd = _middle(np.where(close, out, np.nan), sigma, count)
    blank = np.where(why == "", 0.0, np.nan)
    slope = _slope(stack, across, out)
    lean = stack.angle - slope
    along = np.where(close, stack.along, 0.0).sum(axis=1) / np.maximum(count, 1)
    return Blocks(
        run=tubes.run[part],
        station=tubes.station[part] + along,
        bl=out_mid * np.sin(lean) + middle * np.cos(lean) + blank,
        wl=tubes.centre[part] + out_mid * np.cos(lean) - middle * np.sin(lean) + blank,
        sd_across=sd_across + blank,
        sd_out=MEDIAN * out_sd / np.sqrt(np.maximum(count, 1)) + blank,
        lean=lean,
        why=why,
    )


def _slope(stack: Stack, across: Array, out: Array) -> Array:
    """Return the turn from (radius, round) to (out, across) of each block, radians."""
    length = np.hypot(stack.radius, stack.round)
    first = np.argmax(length, axis=1)
    row = np.arange(len(first))
    before = np.arctan2(stack.round[row, first], stack.radius[row, first])
    after = np.arctan2(across[row, first], out[row, first])
    return np.asarray(after - before)


def _middle(values: Array, sigma: float, count: Array) -> tuple[Array, Array]:
    """Return medians and robust spreads of rows; 0 and sigma for a row without values."""
    values = values.copy()
    values[count == 0] = 0.0
    middle = row_quantiles(values, 0.5)
    spread = MAD * row_quantiles(np.abs(values - middle[:, None]), 0.5)
    return middle, np.where(count > 0, np.maximum(spread, 0.1 * sigma), sigma)


def _crests(
    job: Job,
    cloud_set: CloudSet,
    runs: Sequence[Run],
    blocks: Blocks,
    registration: Registration | None,
    name: str,
    reach: tuple[float, float],
) -> tuple[Survey, dict[str, Any]]:
    """Return the readings of all runs and what is to be said of each."""
    stations = np.array([s.station for s in slabs_of(job, "stringer_inner") if not s.frame])
    stations = stations[(stations >= reach[0]) & (stations <= reach[1])]
    seen_from = (blocks.station >= reach[0]) & (blocks.station <= reach[1])
    asked = [k for k, run in enumerate(runs) if runs_within([run], reach)]
    mine = {k: np.flatnonzero((blocks.run == k) & seen_from) for k in asked}
    lines = {k: _line(runs[k], blocks, mine[k]) for k in asked}
    long = [k for k in asked if len(lines[k].index) >= LEAST_BLOCKS]
    fits = dict(zip(long, _fit_lines([lines[k] for k in long]), strict=True))
    rows, told = [], []
    for k in asked:
        run = runs[k]
        wanted = stations[(stations > run.start[0]) & (stations < run.end[0])]
        found, seen = _follow(run, blocks, lines[k], fits.get(k), wanted)
        rows += [(run.line, *row) for row in found]
        told.append(_told(run, blocks, mine[k], wanted, found, seen))
    survey = _labelled(job, cloud_set, rows, registration, name)
    survey = replace(survey, notes=tuple(_notes(told, name)))
    return survey, {"file": name, "readings": len(survey), "runs": told}


Reading = tuple[Array, float, float, float]  # place, sd across, sd out, lean
Fit = tuple[Array, Array, NDArray[np.bool_]]  # line, covariance, which blocks it rests on


@dataclass(frozen=True, eq=False, kw_only=True)
class Line:
    """What a run's n blocks say of its edge, seen across the run (row 0) and outwards (row 1)."""

    index: NDArray[np.int64]  # (n,) of the blocks
    lean: float  # the normal's direction from up
    design: Array  # (n, 2 or 3): a straight line, or a parabola where the blocks bear it
    value: Array  # (2, n) off the expected point
    sd: Array  # (2, n)


def _axes(lean: float) -> Array:
    """Return the way round and the normal of a skin, (2, 2) as (bl, wl)."""
    return np.array([[np.cos(lean), -np.sin(lean)], [np.sin(lean), np.cos(lean)]])


def _line(run: Run, blocks: Blocks, mine: NDArray[np.int64]) -> Line:
    """Return what the blocks of a run say of its edge."""
    index = mine[np.isfinite(blocks.bl[mine])]
    leans = blocks.lean[index]
    lean = float(np.arctan2(np.sin(leans).sum(), np.cos(leans).sum()))
    point = np.stack([blocks.bl[index], blocks.wl[index]], axis=1)
    return Line(
        index=index,
        lean=lean,
        design=_powers(run, blocks.station[index], 3 if len(index) >= CURVE_BLOCKS else 2),
        value=_axes(lean) @ (point - run.at(blocks.station[index])).T,
        sd=np.stack([blocks.sd_across[index], blocks.sd_out[index]]),
    )


def _powers(run: Run, station: Array, order: int) -> Array:
    """Return the powers of the way along a run, -1 to 1."""
    middle, half = (run.start[0] + run.end[0]) / 2, (run.end[0] - run.start[0]) / 2
    return np.vander((station - middle) / half, order, increasing=True)


def _follow(
    run: Run, blocks: Blocks, line: Line, fits: tuple[Fit, Fit] | None, wanted: Array
) -> tuple[list[Reading], NDArray[np.int64]]:
    """Return the run's readings at the wanted stations, and the blocks they rest on."""
    if fits is None:
        return [], line.index
    kept = line.index[fits[0][2] & fits[1][2]]
    if len(kept) < LEAST_BLOCKS:
        return [], kept
    rows: list[Reading] = []
    for station, at in zip(wanted, _powers(run, wanted, line.design.shape[1]), strict=True):
        if np.abs(blocks.station[kept] - station).min() > NEAR:
            continue
        off, (sd_across, sd_out) = np.array(
            [(at @ fit, np.sqrt(at @ covariance @ at)) for fit, covariance, _ in fits]
        ).T
        place = np.array([station, *(run.at(np.asarray(station)) + off @ _axes(line.lean))])
        rows.append((place, float(sd_across), float(sd_out), line.lean))
    return rows, kept


def _fit_lines(lines: Sequence[Line]) -> list[tuple[Fit, Fit]]:
    """Fit many lines, each across and outwards; those of one order side by side."""
    found: dict[int, tuple[Fit, Fit]] = {}
    for order in (2, 3):
        some = [k for k, line in enumerate(lines) if line.design.shape[1] == order]
        longest = max((len(lines[k].index) for k in some), default=0)
        design = np.zeros((len(some), 2, longest, order))
        value, sd = np.zeros(design.shape[:3]), np.full(design.shape[:3], np.inf)
        for row, k in enumerate(some):
            part = slice(len(lines[k].index))
            design[row, :, part] = lines[k].design
            value[row, :, part], sd[row, :, part] = lines[k].value, lines[k].sd
        if not some:
            continue
        flat = (-1, longest)
        fits = _robust(design.reshape(*flat, order), value.reshape(flat), sd.reshape(flat))
        for row, k in enumerate(some):
            across, out = (
                (fits[0][at], fits[1][at], fits[2][at, : len(lines[k].index)])
                for at in (2 * row, 2 * row + 1)
            )
            found[k] = across, out
    return [found[k] for k in range(len(lines))]


def _robust(design: Array, value: Array, sd: Array) -> Fit:
    """Fit lines to values of given sd, a line a row, strays losing their weight.

    A value whose sd is infinite is none. The covariances carry what the values scatter
    beyond their sd.
    """
    blank = np.where(np.isfinite(sd), 0.0, np.nan)
    usual = row_quantiles(sd + blank, 0.5)
    scale, error = np.ones((len(value), 1)), value - row_quantiles(value + blank, 0.5)[:, None]
    for _ in range(10):
        spread = np.sqrt(sd**2 + scale**2)
        weight = 1.0 / (1.0 + (error / (2.0 * spread)) ** 2) / spread**2
        scaled = np.swapaxes(design * weight[..., None], 1, 2)
        lhs = scaled @ design
        fit = np.linalg.solve(lhs, scaled @ value[..., None])
        error = value - (design @ fit)[..., 0]
        extra = (MAD * row_quantiles(np.abs(error) + blank, 0.5)) ** 2 - usual**2
        scale = np.sqrt(np.maximum(extra, 1e-4))[:, None]
    kept = np.abs(error) <= np.maximum(STRAY, 4.0 * np.sqrt(sd**2 + scale**2))
    return fit[..., 0], np.linalg.inv(lhs), kept


def _told(
    run: Run,
    blocks: Blocks,
    mine: NDArray[np.int64],
    wanted: Array,
    found: list[Reading],
    seen: NDArray[np.int64],
) -> dict[str, Any]:
    """Say of one run where it was seen and why not elsewhere."""
    reasons = blocks.why[mine]
    reasons = reasons[reasons != ""]
    names, count = np.unique(reasons, return_counts=True)
    why = str(names[count.argmax()]) if len(names) else ""
    if len(found) == len(wanted):
        why = ""
    elif not why:
        why = "its edge does not run on"
    return {
        "line": run.line,
        "from": round(float(run.start[0]), 1),
        "to": round(float(run.end[0]), 1),
        "blocks": len(mine),
        "blocks_seen": len(seen),
        "stations": [float(row[0][0]) for row in found],
        "not_shown": [float(s) for s in wanted if s not in {float(r[0][0]) for r in found}],
        "why": why,
    }


def _notes(told: list[dict[str, Any]], name: str) -> list[str]:
    """Say in one line a run what the scan does not show."""
    return [
        f"{name}: {run['line']} from station {run['from']:.0f} to {run['to']:.0f} mm is not shown "
        f"at {', '.join(f'{station:.0f}' for station in run['not_shown'])}: {run['why']}"
        for run in told
        if run["not_shown"]
    ]


def _labelled(
    job: Job,
    cloud_set: CloudSet,
    rows: list[tuple[str, Array, float, float, float]],
    registration: Registration | None,
    name: str,
) -> Survey:
    """Return the crests as a survey of labelled readings between frames."""
    from loft.survey.gather import lines_of

    n = len(rows)
    place = np.array([row[1] for row in rows]).reshape(-1, 3)
    covariance = np.zeros((n, 3, 3))
    for k, (_, _, across, out, lean) in enumerate(rows):
        axes = np.array([[1.0, 0, 0], [0, np.cos(lean), -np.sin(lean)],
                         [0, np.sin(lean), np.cos(lean)]])  # fmt: skip
        covariance[k] = axes.T @ np.diag([out**2, across**2, out**2]) @ axes
    moved = np.full((n, 1, 1), cloud_set.sigma**2) * np.eye(3)
    if registration is not None and n:
        moved = np.asarray(registration.covariance_at(place))
    covariance += moved
    labels = [row[0] for row in rows]
    return Survey(
        frame=np.full(n, "", dtype="U1"),
        line=np.array(labels, dtype=np.str_),
        station=place[:, 0],
        bl=place[:, 1],
        wl=place[:, 2],
        sigma=np.sqrt(np.trace(covariance, axis1=1, axis2=2) / 3.0),
        covariance=covariance,
        depth=np.full(n, face_depth(job, "stringer_inner")),
        face=np.full(n, "stringer_inner"),
        source=np.full(n, name),
        row=np.arange(1, n + 1),
        pass_no=np.ones(n, dtype=np.int64),
        use=np.ones(n, dtype=bool),
        reason=np.full(n, ""),
        lines=lines_of(job, labels),
        shared=np.sqrt(np.trace(moved, axis1=1, axis2=2) / 3.0),
    )
