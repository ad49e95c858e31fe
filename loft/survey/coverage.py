"""What the survey reached: round the section at every frame, line by line, set by set."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loft.job.records import Array, Frame, Job, Survey, freeze_arrays
from loft.survey.account import from_the_crown, kinds_of
from loft.survey.repeats import compare_passes

DIRECTIONS = 72
NEAR = np.deg2rad(6.0)  # so near a line's direction a scan has seen the metal there
WHOLE = np.deg2rad(30.0)  # between readings: so close they show how a section runs
ENOUGH = 4  # readings that show where a frame's middle is


@dataclass(frozen=True, eq=False, kw_only=True)
class Coverage:
    """Every reading's way round the section, and where a line was not reached.

    Parameters
    ----------
    turn : ndarray, shape (n,)
        Way round the section as a share of the girth: 0 at the crown, 0.5 at the keel to
        starboard, negative to port; NaN where bl or wl was not read. About the middle of
        the frames' readings, so that it is a picture's measure and no girth of the loft.
    kind : ndarray of str, shape (n,)
        tape, ties or scan.
    doubted : ndarray of bool, shape (n,)
        Weakened or set aside as damage, or its repeat failed.
    lines : tuple of str
        From the crown down.
    line_turn : ndarray, shape (l,)
        Where each line runs, the middle of its readings.
    reached : ndarray of str, shape (f, l)
        For every frame of the schedule and every line: tape, ties, scan, doubted, or ""
        where nothing sound was read.
    outline : ndarray, shape (f, 72, 2)
        (bl, wl) round every frame in even angles from -pi, from its own readings or those
        of the frames beside it.
    place : ndarray, shape (f, l, 2)
        (bl, wl) on the outline where every line runs.
    """

    turn: Array
    kind: NDArray[np.str_]
    doubted: NDArray[np.bool_]
    lines: tuple[str, ...]
    line_turn: Array
    reached: NDArray[np.str_]
    outline: Array
    place: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def missed(self, job: Job) -> list[tuple[str, str]]:
        """Return (frame, line) of the standing frames that were surveyed, for lines not reached."""
        return [
            (frame.name, self.lines[k])
            for f, frame in enumerate(job.frames)
            if standing(job, frame)
            for k in range(len(self.lines))
            if not self.reached[f, k]
        ]


def standing(job: Job, frame: Frame) -> bool:
    """Return whether there is metal at a frame to be surveyed.

    Examples
    --------
    >>> from pathlib import Path
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=("F14",), frames=())
    >>> standing(job, Frame(name="F14", station=0.0)), standing(job, Frame(name="F13", station=0.0))
    (False, True)
    """
    return frame.name not in job.missing and frame.status != "missing"


def coverage_of(job: Job, survey: Survey) -> Coverage:
    """Return what was reached of every frame and line.

    Examples
    --------
    >>> from pathlib import Path
    >>> from loft.survey.gather import survey_of
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> coverage_of(job, survey_of(job, [])).lines
    ()
    """
    kind, doubted = kinds_of(job, survey), _doubted(survey)
    centre, outline, share = _sections(job, survey, ~doubted)
    turn = np.full(len(survey), np.nan)
    if len(job.frames):
        middle = np.interp(survey.station, [frame.station for frame in job.frames], centre)
        angle = np.arctan2(survey.bl, survey.wl - middle)
        turn = np.where(np.isfinite(angle), np.interp(angle, *share), np.nan)
    lines = tuple(line.name for line in sorted(survey.lines, key=from_the_crown))
    line_turn = np.array([_middle_turn(turn[(survey.line == name) & ~doubted]) for name in lines])
    return Coverage(
        turn=turn,
        kind=kind,
        doubted=doubted,
        lines=lines,
        line_turn=line_turn,
        reached=_reached(job, survey, kind, doubted, turn, lines, line_turn),
        outline=outline,
        place=_places(outline, np.interp(line_turn, share[1], share[0])),
    )


def _doubted(survey: Survey) -> NDArray[np.bool_]:
    """Return which readings are damaged or failed their repeat."""
    pairs = [(one.first, one.second) for one in compare_passes(survey) if one.failed]
    failed = sorted({place for pair in pairs for place in pair})
    places = [f"{source}:{row}" for source, row in zip(survey.source, survey.row, strict=True)]
    again = np.isin(np.array(places, dtype=np.str_), np.array(failed, dtype=np.str_))
    return np.asarray(~survey.use | (survey.reason != "") | again)


def _places(outline: Array, angle: Array) -> Array:
    """Return where the lines stand on every outline, (f, l, 2)."""
    edges = np.linspace(-np.pi, np.pi, DIRECTIONS + 1)
    middle = (edges[1:] + edges[:-1]) / 2.0
    found = [
        [np.interp(angle, middle, ring[:, axis], period=2 * np.pi) for axis in (0, 1)]
        for ring in outline
    ]
    return np.array(found).reshape(len(outline), 2, len(angle)).transpose(0, 2, 1)


def _middle_turn(turn: Array) -> float:
    """Return the median of turns about their mean direction; NaN of none."""
    turn = turn[np.isfinite(turn)]
    if not len(turn):
        return float("nan")
    first = np.angle(np.exp(2j * np.pi * turn).mean()) / (2 * np.pi)
    return float(first + np.median((turn - first + 0.5) % 1.0 - 0.5))


def _reached(
    job: Job,
    survey: Survey,
    kind: NDArray[np.str_],
    doubted: NDArray[np.bool_],
    turn: Array,
    lines: tuple[str, ...],
    line_turn: Array,
) -> NDArray[np.str_]:
    """Return how every frame was reached at every line."""
    found = np.full((len(job.frames), len(lines)), "", dtype="U7")
    for f, frame in enumerate(job.frames):
        here = survey.frame == frame.name
        cells = turn[here & (kind == "scan") & ~doubted & np.isfinite(turn)]
        for k, name in enumerate(lines):
            mine = here & (survey.line == name)
            sound = np.unique(kind[mine & ~doubted])
            apart = np.abs((cells - line_turn[k] + 0.5) % 1.0 - 0.5)
            if len(sound):
                found[f, k] = "tape" if "tape" in sound else sound[0]
            elif (apart < NEAR / (2 * np.pi)).any():
                found[f, k] = "scan"
            elif mine.any():
                found[f, k] = "doubted"
    return found


def _sections(
    job: Job, survey: Survey, sound: NDArray[np.bool_]
) -> tuple[Array, Array, tuple[Array, Array]]:
    """Return every frame's middle height and outline, and the share of girth by angle."""
    whole = sound & np.isfinite(survey.bl + survey.wl)
    stations = np.array([frame.station for frame in job.frames])
    centre = np.full(len(stations), np.nan)
    for f, frame in enumerate(job.frames):
        mine = whole & (survey.frame == frame.name)
        if mine.sum() >= ENOUGH:
            centre[f] = _middle_height(survey.bl[mine], survey.wl[mine])
    known = np.isfinite(centre)
    if not known.any():
        middle = np.median(survey.wl[whole]) if whole.any() else 0.0
        centre, known = np.full(len(stations), middle), np.ones(len(stations), bool)
    centre = np.interp(stations, stations[known], centre[known]) if len(stations) else centre
    edges = np.linspace(-np.pi, np.pi, DIRECTIONS + 1)
    radius = np.full((len(stations), DIRECTIONS), np.nan)
    for f, frame in enumerate(job.frames):
        mine = whole & (survey.frame == frame.name)
        if mine.sum() < ENOUGH:
            continue
        up = survey.wl[mine] - centre[f]
        radius[f] = _round(np.arctan2(survey.bl[mine], up), np.hypot(survey.bl[mine], up))
    radius = _filled(radius, stations)
    angle = (edges[1:] + edges[:-1]) / 2.0
    outline = np.stack(
        [radius * np.sin(angle), centre[:, None] + radius * np.cos(angle)], axis=-1
    ).reshape(len(stations), DIRECTIONS, 2)
    typical = np.median(radius, axis=0) if len(radius) else np.ones(DIRECTIONS)
    slope = np.gradient(np.r_[typical[-1], typical, typical[0]])[1:-1] * DIRECTIONS / (2 * np.pi)
    pace = np.hypot(typical, slope)
    way = np.r_[0.0, np.cumsum(pace)]
    return centre, outline, (edges, (way - np.interp(0.0, edges, way)) / way[-1])


def _middle_height(bl: Array, wl: Array) -> float:
    """Return the height midway between crown and keel; NaN where part of the section is unread."""
    middle = float(wl.max() + wl.min()) / 2.0
    angle = np.sort(np.arctan2(bl, wl - middle))
    gap = np.diff(np.r_[angle, angle[0] + 2 * np.pi])
    return middle if gap.max() <= max(2.5 * float(np.median(gap)), WHOLE) else float("nan")


def _round(angle: Array, radius: Array) -> Array:
    """Return the radius in every direction, straight from reading to reading; NaN in a gap."""
    edges = np.linspace(-np.pi, np.pi, DIRECTIONS + 1)
    middle = (edges[1:] + edges[:-1]) / 2.0
    found = np.interp(middle, angle, radius, period=2 * np.pi)
    ring = np.sort(angle)
    gap = np.diff(np.r_[ring[-1] - 2 * np.pi, ring, ring[0] + 2 * np.pi])
    return np.where(gap[np.searchsorted(ring, middle)] <= WHOLE, found, np.nan)


def _filled(radius: Array, stations: Array) -> Array:
    """Return the radii with what was not read at a frame taken from the frames beside."""
    usual = np.nanmedian(radius) if np.isfinite(radius).any() else 1.0
    columns = []
    for column in radius.T:
        known = np.isfinite(column)
        columns.append(
            np.interp(stations, stations[known], column[known])
            if known.any()
            else np.full(len(stations), usual)
        )
    return np.stack(columns, axis=1)
