"""Find labels that were exchanged: a point that lies on the run of another line."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
from numpy.typing import NDArray

from loft.job.errors import Finding
from loft.job.records import Array, Survey

REACH = 3  # frames on either side that a line's run is read off
NEAR, FAR = 0.35, 0.65  # of the way between two lines: on the other's run, off its own
SIGMAS = 6.0  # off its own run by so many of its standard deviations at least

Runs = dict[str, dict[str, Array]]  # line -> frame -> mean (station, bl, wl) of its readings


def swapped_labels(survey: Survey) -> tuple[Finding, ...]:
    """Return a warning for every label that seems to belong to another line.

    Each labelled point is compared with where its own and every other line should
    cross its frame, read off the neighbouring frames: the median of straight
    interpolations over pairs of up to three frames on either side, less the
    movement that the whole frame shows. A point far from its own line and close
    to another's is named; two that lie on each other's lines are named together.
    Nothing is exchanged. Lines read on fewer than three frames are passed over.

    Parameters
    ----------
    survey : Survey

    Returns
    -------
    tuple of Finding
        Warnings in the order of the frames' stations.

    Examples
    --------
    >>> from loft.survey.gather import survey_of
    >>> from pathlib import Path
    >>> from loft.job.records import Job
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> swapped_labels(survey_of(job, []))
    ()
    """
    runs = _runs(survey)
    groups: dict[tuple[str, str, int], list[int]] = defaultdict(list)
    for at in _comparable(survey):
        key = (str(survey.frame[at]), str(survey.face[at]), int(survey.pass_no[at]))
        groups[key].append(int(at))
    found = []
    for (frame, _, _), rows in sorted(
        groups.items(), key=lambda item: (float(survey.station[item[1]].min()), item[0])
    ):
        found.extend(_frame_swaps(survey, frame, rows, runs))
    return tuple(found)


def _comparable(survey: Survey) -> NDArray[np.intp]:
    """Return the readings in use with a frame, a label and both coordinates."""
    whole = np.isfinite(survey.station) & np.isfinite(survey.bl) & np.isfinite(survey.wl)
    return np.flatnonzero(survey.use & whole & (survey.line != "") & (survey.frame != ""))


def _runs(survey: Survey) -> Runs:
    """Return where every line was met on every frame."""
    points: dict[tuple[str, str], list[Array]] = defaultdict(list)
    for at in _comparable(survey):
        point = np.array([survey.station[at], survey.bl[at], survey.wl[at]])
        points[str(survey.line[at]), str(survey.frame[at])].append(point)
    runs: Runs = defaultdict(dict)
    for (line, frame), met in points.items():
        runs[line][frame] = np.mean(met, axis=0)
    return runs


def _expected(run: dict[str, Array], frame: str, station: float) -> Array | None:
    """Return (bl, wl) of a line at a station from its other frames; None from fewer than two."""
    met = np.array([point for name, point in run.items() if name != frame])
    if len(met) < 2:
        return None
    met = met[np.argsort(met[:, 0])]
    before = met[met[:, 0] < station][-REACH:]
    after = met[met[:, 0] > station][:REACH]
    if not len(before) or not len(after):  # an end frame: carry the run on from one side
        side = before[-2:] if len(before) else after[:2]
        if len(side) < 2:
            return None
        before, after = side[:1], side[1:]
    low, high = np.repeat(before, len(after), axis=0), np.tile(after, (len(before), 1))
    share = (station - low[:, :1]) / (high[:, :1] - low[:, :1])
    crossings = low[:, 1:] + share * (high[:, 1:] - low[:, 1:])
    return np.asarray(np.median(crossings, axis=0))


def _frame_swaps(survey: Survey, frame: str, rows: list[int], runs: Runs) -> list[Finding]:
    """Return the warnings of one frame, face and pass."""
    station = float(np.median(survey.station[rows]))
    expected = {
        line: crossing
        for line, run in sorted(runs.items())
        if (crossing := _expected(run, frame, station)) is not None
    }
    rows = [at for at in rows if str(survey.line[at]) in expected]
    if not rows or len(expected) < 2:
        return []
    names = list(expected)
    runs_at = np.array([expected[name] for name in names])
    points = np.column_stack([survey.bl[rows], survey.wl[rows]])
    own = np.array([names.index(str(survey.line[at])) for at in rows])
    points = points - np.median(points - runs_at[own], axis=0)  # the frame's own movement
    away = np.linalg.norm(points[:, None] - runs_at, axis=2)
    seems: dict[int, int] = {}
    for place, at in enumerate(rows):
        mine, other = own[place], int(np.argmin(away[place]))
        apart = float(np.linalg.norm(runs_at[mine] - runs_at[other]))
        off = away[place, mine]
        if (
            other != mine
            and away[place, other] < NEAR * apart
            and off > max(FAR * apart, SIGMAS * survey.sigma[at])
        ):
            seems[place] = other
    return _told(survey, frame, rows, own=own, seems=seems, names=names)


def _told(
    survey: Survey,
    frame: str,
    rows: list[int],
    *,
    own: NDArray[np.intp],
    seems: dict[int, int],
    names: list[str],
) -> list[Finding]:
    """Return the words: pairs that lie on each other's lines together, the others alone."""
    found = []
    told: set[int] = set()
    for place, other in seems.items():
        if place in told:
            continue
        at, label = rows[place], names[own[place]]
        partner = [two for two in seems if own[two] == other and seems[two] == own[place]]
        if partner:
            told.add(partner[0])
            mate = rows[partner[0]]
            text = (
                f"frame {frame}: the labels {label} and {names[other]} look exchanged: each point "
                f"lies on the run of the other line; look at "
                f"{survey.source[at]}:{survey.row[at]} and {survey.source[mate]}:{survey.row[mate]}"
            )
        else:
            text = (
                f"frame {frame}: the point labelled {label} lies on the run of {names[other]}; "
                f"look at {survey.source[at]}:{survey.row[at]}"
            )
        found.append(
            Finding(
                file=str(survey.source[at]),
                row=int(survey.row[at]),
                column="line",
                text=text,
                severity="warning",
            )
        )
    return found
