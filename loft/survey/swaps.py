"""Find labels that were exchanged: a point that lies on the run of another line."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loft.job.errors import Finding
from loft.job.records import Array, Survey

REACH = 3  # frames on either side that a line's run is read off
NEAR, FAR = 0.35, 0.65  # of the way between two lines: on the other's run, off its own
SIGMAS = 6.0  # off its own run by so many of its standard deviations at least

Runs = dict[str, dict[str, Array]]  # line -> frame -> mean (station, bl, wl) of its readings
Labels = NDArray[np.object_]  # as read, or with exchanges undone in thought


@dataclass(frozen=True, kw_only=True)
class Suspect:
    """A reading that lies on another line's run: its index, that line, how near it is."""

    at: int
    seems: str
    away: float
    inside: bool  # frames were surveyed on both sides


def swapped_labels(survey: Survey) -> tuple[Finding, ...]:
    """Return a warning for every label that seems to belong to another line.

    Each labelled point is compared with where its own and every other line should
    cross its frame, read off the neighbouring frames: the median of straight
    interpolations over pairs of up to three frames on either side, less the
    movement that the whole frame shows. A point far from its own line and close
    to another's is named; two that lie on each other's lines are named together,
    the surest first, and taken as mended when the rest is judged. Nothing is
    exchanged in the survey. A point beside another line that was itself read there,
    in the same pass, is a misread tape and no wrong label: it is left to the fairing.
    Lines read on fewer than three frames are passed over.

    Parameters
    ----------
    survey : Survey

    Returns
    -------
    tuple of Finding
        Warnings in the order of the survey's readings.

    Examples
    --------
    >>> from loft.survey.gather import survey_of
    >>> from pathlib import Path
    >>> from loft.job.records import Job
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> swapped_labels(survey_of(job, []))
    ()
    """
    label = survey.line.astype(object)
    pairs: list[tuple[int, int]] = []
    while True:
        suspects = _suspects(survey, label)
        best = _surest_pair(survey, label, suspects)
        if best is None or best in pairs:
            break
        pairs.append(best)
        label[list(best)] = label[list(best)[::-1]]
    doubted = {suspect.at for suspect in suspects}
    taken = {
        (_place(survey, at), label[at]) for at in _comparable(survey, label) if at not in doubted
    }
    alone = [one for one in suspects if (_place(survey, one.at), one.seems) not in taken]
    found = [_pair_words(survey, pair) for pair in pairs]
    found.extend(_lone_words(survey, suspect) for suspect in alone)
    order = {str(name): at for at, name in reversed(list(enumerate(survey.source)))}
    return tuple(sorted(found, key=lambda finding: (order[finding.file], finding.row)))


def _suspects(survey: Survey, label: Labels) -> list[Suspect]:
    """Return every reading that lies on another line's run."""
    rows = _comparable(survey, label)
    runs = _runs(survey, label, rows)
    groups: dict[tuple[str, str, int], list[int]] = defaultdict(list)
    for at in rows:
        groups[_place(survey, at)].append(int(at))
    return [
        suspect
        for (frame, _, _), members in groups.items()
        for suspect in _frame_suspects(survey, frame, members, runs=runs, label=label)
    ]


def _place(survey: Survey, at: int) -> tuple[str, str, int]:
    """Return what must agree for labels to be exchanged: frame, face and pass."""
    return str(survey.frame[at]), str(survey.face[at]), int(survey.pass_no[at])


def _comparable(survey: Survey, label: Labels) -> NDArray[np.intp]:
    """Return the readings in use with a frame, a label and both coordinates."""
    whole = np.isfinite(survey.station) & np.isfinite(survey.bl) & np.isfinite(survey.wl)
    return np.flatnonzero(survey.use & whole & (label != "") & (survey.frame != ""))


def _runs(survey: Survey, label: Labels, rows: NDArray[np.intp]) -> Runs:
    """Return where every line was met on every frame."""
    points: dict[tuple[str, str], list[Array]] = defaultdict(list)
    for at in rows:
        point = np.array([survey.station[at], survey.bl[at], survey.wl[at]])
        points[str(label[at]), str(survey.frame[at])].append(point)
    runs: Runs = defaultdict(dict)
    for (line, frame), met in points.items():
        runs[line][frame] = np.mean(met, axis=0)
    return runs


def _expected(run: dict[str, Array], frame: str, station: float) -> tuple[Array, bool] | None:
    """Return (bl, wl) of a line at a station from its other frames, and if they lie about it.

    None where fewer than two other frames met the line.
    """
    met = np.array([point for name, point in run.items() if name != frame])
    if len(met) < 2:
        return None
    met = met[np.argsort(met[:, 0])]
    before = met[met[:, 0] < station][-REACH:]
    after = met[met[:, 0] > station][:REACH]
    inside = bool(len(before) and len(after))
    if not inside:  # an end frame: carry the run on from one side
        side = before[-2:] if len(before) else after[:2]
        if len(side) < 2:
            return None
        before, after = side[:1], side[1:]
    low, high = np.repeat(before, len(after), axis=0), np.tile(after, (len(before), 1))
    share = (station - low[:, :1]) / (high[:, :1] - low[:, :1])
    crossings = low[:, 1:] + share * (high[:, 1:] - low[:, 1:])
    return np.asarray(np.median(crossings, axis=0)), inside


def _frame_suspects(
    survey: Survey, frame: str, rows: list[int], *, runs: Runs, label: Labels
) -> list[Suspect]:
    """Return the suspects of one frame, face and pass."""
    station = float(np.median(survey.station[rows]))
    expected = {
        line: crossing
        for line, run in sorted(runs.items())
        if (crossing := _expected(run, frame, station)) is not None
    }
    rows = [at for at in rows if label[at] in expected]
    if not rows or len(expected) < 2:
        return []
    names = list(expected)
    runs_at = np.array([expected[name][0] for name in names])
    points = np.column_stack([survey.bl[rows], survey.wl[rows]])
    own = np.array([names.index(label[at]) for at in rows])
    points = points - np.median(points - runs_at[own], axis=0)  # the frame's own movement
    away = np.linalg.norm(points[:, None] - runs_at, axis=2)
    found = []
    for place, at in enumerate(rows):
        mine, other = own[place], int(np.argmin(away[place]))
        apart = float(np.linalg.norm(runs_at[mine] - runs_at[other]))
        off = max(FAR * apart, SIGMAS * float(survey.sigma[at]))
        if other != mine and away[place, other] < NEAR * apart and away[place, mine] > off:
            name = names[other]
            near = float(away[place, other])
            found.append(Suspect(at=at, seems=name, away=near, inside=expected[name][1]))
    return found


def _surest_pair(survey: Survey, label: Labels, suspects: list[Suspect]) -> tuple[int, int] | None:
    """Return the two readings that lie on each other's lines most clearly, inner frames first."""
    by_label = {(_place(survey, one.at), label[one.at]): one for one in suspects}
    ranked = []
    for one in suspects:
        two = by_label.get((_place(survey, one.at), one.seems))
        if two is not None and two.seems == label[one.at] and one.at < two.at:
            clear = max(one.away, two.away)
            ranked.append((not (one.inside and two.inside), clear, (one.at, two.at)))
    return min(ranked)[2] if ranked else None


def _pair_words(survey: Survey, pair: tuple[int, int]) -> Finding:
    """Name two labels that look exchanged."""
    one, two = sorted(pair, key=lambda at: str(survey.line[at]))
    return _warning(
        survey,
        min(pair),
        f"the labels {survey.line[one]} and {survey.line[two]} look exchanged: each point lies on "
        f"the run of the other line; look at {survey.source[one]}:{survey.row[one]} and "
        f"{survey.source[two]}:{survey.row[two]}",
    )


def _lone_words(survey: Survey, suspect: Suspect) -> Finding:
    """Name one label that looks wrong."""
    at = suspect.at
    return _warning(
        survey,
        at,
        f"the point labelled {survey.line[at]} lies on the run of {suspect.seems}; "
        f"look at {survey.source[at]}:{survey.row[at]}",
    )


def _warning(survey: Survey, at: int, text: str) -> Finding:
    return Finding(
        file=str(survey.source[at]),
        row=int(survey.row[at]),
        column="line",
        text=f"frame {survey.frame[at]}: {text}",
        severity="warning",
    )
