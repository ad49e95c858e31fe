"""Gather every table of the job into one survey, with what must be said about it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loft.job.errors import Finding, LoftError
from loft.job.files import table_text
from loft.job.labels import line_of
from loft.job.records import Job, Line, Survey
from loft.job.schema import LEAST_FRAMES, given_name
from loft.job.units import MM_PER
from loft.survey.damage import apply_damage
from loft.survey.repeats import compare_passes, repeat_notes
from loft.survey.swaps import swapped_labels
from loft.survey.tables import Reading, repeated, scan_table

Progress = Callable[[str], None]

CENTRE_SHARE = 0.05  # of the greatest half-breadth: nearer the centreline a point shows no side
UNFRAMED = 4  # readings at one station that make it a surveyed one without a frame's name

POINT_COLUMNS = ("frame", "line", "station", "bl", "wl", "sigma", "face", "source", "row")


def read_survey(job: Job, *, progress: Progress | None = None) -> Survey:
    """Read all measurements of the job and apply what its [[damage]] says.

    Nothing is left out silently: readings set aside stay in the survey with
    `use` false and their reason, and `notes` says what a reader must know.
    Damage by girth is left to the fairing, which knows the girth.

    Parameters
    ----------
    job : Job
    progress : callable, optional
        Told in one line what is being read.

    Returns
    -------
    Survey
        In the order of the tables in the job file.

    Raises
    ------
    LoftError
        Every fault of every file: damaged tables, readings taken twice, all
        points on one side, fewer than four surveyed frames, a missing frame
        outside the surveyed run.

    Examples
    --------
    >>> from pathlib import Path
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> try:
    ...     read_survey(job)
    ... except LoftError as refusal:
    ...     print(refusal)
    job.toml: no measurements found, a [[survey]], [[ties]] or [[cloud]] wanted
    """
    if not (job.surveys or job.ties or job.clouds):
        wanted = "no measurements found, a [[survey]], [[ties]] or [[cloud]] wanted"
        raise LoftError(Finding(file=str(job.path), text=wanted))
    parts, faults = _parts(job, progress or (lambda line: None))
    if faults:
        raise LoftError(faults)
    survey = join(parts)
    if job.datum_from == "symmetry":
        from loft.survey.datum import level_survey

        survey, _ = level_survey(survey)
    survey = apply_damage(job, survey)
    if faults := _survey_faults(job, survey):
        raise LoftError(faults)
    return replace(survey, notes=(*survey.notes, *_notes(job, survey)))


def _parts(job: Job, progress: Progress) -> tuple[list[Survey], list[Finding]]:
    """Return one survey per kind of measurement, and the faults of all files.

    The one place where measurements of another kind are added.
    """
    readers: list[Callable[[], Survey]] = [lambda: read_tables(job, progress=progress)]
    if job.ties:
        readers.append(lambda: _ties(job, progress))
    parts: list[Survey] = []
    faults: list[Finding] = []
    for read in readers:
        try:
            parts.append(read())
        except LoftError as refusal:
            faults.extend(refusal.findings)
    if job.clouds:
        from loft.survey.scans import read_scans  # builds on this module

        hand = apply_damage(job, join(parts or [survey_of(job, [])]))
        scans, findings = read_scans(job, hand, progress=progress)
        parts.extend(scans)
        faults.extend(findings)
    return parts, faults


def _ties(job: Job, progress: Progress) -> Survey:
    """Return the points that tape ties fix; imported here since it builds on this module."""
    from loft.survey.ties import ties_survey

    return ties_survey(job, progress=progress)


def note_of(finding: Finding) -> str:
    """Return a finding as a note of the survey.

    Examples
    --------
    >>> note_of(Finding(file="tape.csv", row=4, text="look again", severity="warning"))
    'warning: tape.csv:4: look again'
    """
    return f"warning: {finding.line()}" if finding.severity == "warning" else finding.line()


def read_tables(job: Job, *, progress: Progress | None = None) -> Survey:
    """Return the readings of all survey tables of the job as one survey.

    Raises
    ------
    LoftError
        Every fault of every table, readings taken twice in different tables too.

    Examples
    --------
    >>> from pathlib import Path
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> len(read_tables(job))
    0
    """
    readings: list[Reading] = []
    faults: list[Finding] = []
    for survey_set in job.surveys:
        if progress:
            progress(f"reading {given_name(job, survey_set.file)}")
        rows, findings = scan_table(job, survey_set)
        readings.extend(rows)
        faults.extend(findings)
    faults.extend(repeated(readings))
    if faults:
        raise LoftError(faults)
    return survey_of(job, readings)


def survey_of(job: Job, readings: Sequence[Reading]) -> Survey:
    """Return readings as one survey; nothing is set aside yet.

    Examples
    --------
    >>> from pathlib import Path
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> one = Reading(frame="", line="S4P", station=500.0, bl=-600.0, wl=210.0, sigma=1.5,
    ...               face="skin_outer", depth=0.0, source="tape.csv", row=2)
    >>> survey_of(job, [one]).lines[0].side
    'port'
    """
    sigma = _floats(reading.sigma for reading in readings)
    return Survey(
        frame=_words(reading.frame for reading in readings),
        line=_words(reading.line for reading in readings),
        station=_floats(reading.station for reading in readings),
        bl=_floats(reading.bl for reading in readings),
        wl=_floats(reading.wl for reading in readings),
        sigma=sigma,
        covariance=sigma[:, None, None] ** 2 * np.eye(3),
        depth=_floats(reading.depth for reading in readings),
        face=_words(reading.face for reading in readings),
        source=_words(reading.source for reading in readings),
        row=np.array([reading.row for reading in readings], dtype=np.int64),
        pass_no=np.array([reading.pass_no for reading in readings], dtype=np.int64),
        use=np.ones(len(readings), dtype=bool),
        reason=_words("" for _ in readings),
        lines=lines_of(job, (reading.line for reading in readings)),
    )


def _floats(values: Iterable[float]) -> NDArray[np.float64]:
    return np.array(list(values), dtype=np.float64)


def _words(values: Iterable[str]) -> NDArray[np.str_]:
    return np.array(list(values), dtype=np.str_)


def lines_of(job: Job, labels: Iterable[str]) -> tuple[Line, ...]:
    """Return the lines of these labels by name, each once; blank labels are passed over.

    Examples
    --------
    >>> from pathlib import Path
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> [line.name for line in lines_of(job, ["S4P", "", "CROWN", "S4P"])]
    ['CROWN', 'S4P']
    """
    known = (line_of(job, label) for label in sorted(set(labels) - {""}))
    return tuple(line for line in known if line is not None)


def join(surveys: Sequence[Survey]) -> Survey:
    """Return surveys one after the other as one, with the lines and notes of all.

    Examples
    --------
    >>> from pathlib import Path
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> len(join([survey_of(job, []), survey_of(job, [])]))
    0
    """
    columns: dict[str, Any] = {
        name: np.concatenate([getattr(survey, name) for survey in surveys]) for name in _ARRAYS
    }
    lines = {line.name: line for survey in surveys for line in survey.lines}
    return Survey(
        **columns,
        lines=tuple(lines[name] for name in sorted(lines)),
        notes=tuple(note for survey in surveys for note in survey.notes),
        scans=tuple(scan for survey in surveys for scan in survey.scans),
    )


_ARRAYS = (
    "frame",
    "line",
    "station",
    "bl",
    "wl",
    "sigma",
    "covariance",
    "depth",
    "face",
    "source",
    "row",
    "pass_no",
    "use",
    "reason",
    "shared",
)


def surveyed_stations(job: Job, survey: Survey) -> dict[str, float]:
    """Return the stations where the body was surveyed, by frame, readings in use only.

    The frames to be lifted are left out. Readings that belong to no frame count
    where four or more stand within a millimetre of one station.

    Examples
    --------
    >>> from pathlib import Path
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> surveyed_stations(job, survey_of(job, []))
    {}
    """
    names = set(survey.frame[survey.use].tolist()) - set(job.missing)
    run = {frame.name: frame.station for frame in job.frames if frame.name in names}
    loose = survey.station[survey.use & (survey.frame == "") & np.isfinite(survey.station)]
    at, count = np.unique(np.round(loose), return_counts=True)
    for station in at[count >= UNFRAMED]:
        run[f"station {station:.0f} mm"] = float(station)
    return run


def _survey_faults(job: Job, survey: Survey) -> list[Finding]:
    """Return what makes the survey as a whole unfit."""
    file = str(job.path)
    faults = []
    if side := _only_side(job, survey):
        other = "starboard" if side == "port" else "port"
        faults.append(
            Finding(
                file=file,
                column="survey",
                text=f"all points found on the {side} side, both sides wanted; survey the {other} "
                'side, or set symmetry = "exact" in [fair] to mirror one half',
            )
        )
    run = surveyed_stations(job, survey)
    if len(run) < LEAST_FRAMES:
        names = f" ({', '.join(run)})" if run else ""
        faults.append(
            Finding(
                file=file,
                column="survey",
                text=f"{len(run)} surveyed frames found{names}, {LEAST_FRAMES} or more besides "
                "the missing wanted",
            )
        )
    for name in () if job.fair.extrapolate else _outside(job, run):
        faults.append(
            Finding(
                file=file,
                column="job.missing",
                text=f"frame {name} at station {job.frame(name).station:.1f} mm found outside the "
                f"surveyed run, {min(run.values()):.1f} to {max(run.values()):.1f} mm; survey a "
                "frame beyond it, or set extrapolate = true in [fair]",
            )
        )
    return faults


def _outside(job: Job, run: dict[str, float]) -> list[str]:
    """Name the frames to be lifted that lie before the first or past the last surveyed."""
    if not run:
        return []
    low, high = min(run.values()), max(run.values())
    return [name for name in job.missing if not low <= job.frame(name).station <= high]


def _only_side(job: Job, survey: Survey) -> str:
    """Return port or starboard where every reading lies there; "" otherwise."""
    breadth = survey.bl[survey.use & np.isfinite(survey.bl)]
    if job.fair.symmetry == "exact" or not len(breadth) or not np.abs(breadth).max() > 0.0:
        return ""
    clear = CENTRE_SHARE * np.abs(breadth).max()
    if not (breadth < -clear).any():
        return "starboard"
    return "" if (breadth > clear).any() else "port"


def _notes(job: Job, survey: Survey) -> list[str]:
    """Return what a reader of the survey must know."""
    notes = []
    if not any(line.side in ("port", "starboard") for line in survey.lines):
        notes.append(
            "no reading carries the label of a port or starboard line: "
            "without labels a mirrored survey cannot be seen"
        )
    for frame in job.frames:
        count = int((survey.frame == frame.name).sum())
        if frame.name in job.missing and count:
            notes.append(f"{count} readings of the missing frame {frame.name} itself are in use")
        elif not count and frame.name not in job.missing and frame.status != "missing":
            notes.append(f"frame {frame.name} of the schedule has no readings")
    for name in _outside(job, surveyed_stations(job, survey)):
        notes.append(f"warning: frame {name} lies outside the surveyed run and is extrapolated")
    notes.extend(repeat_notes(job, compare_passes(survey)))
    notes.extend(note_of(finding) for finding in swapped_labels(survey))
    return notes


def points_table(job: Job, survey: Survey) -> str:
    """Return every reading as a CSV table, lengths in the job's unit.

    Examples
    --------
    >>> from pathlib import Path
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> print(points_table(job, survey_of(job, [])).splitlines()[-1])
    frame,line,station,bl,wl,sigma,face,source,row
    """
    unit = MM_PER[job.unit]
    sigma = np.hypot(survey.sigma, survey.shared)
    lengths = np.stack([survey.station, survey.bl, survey.wl, sigma]) / unit
    rows = [
        [
            str(survey.frame[at]),
            str(survey.line[at]),
            *(float(value) for value in lengths[:, at]),
            str(survey.face[at]),
            str(survey.source[at]),
            int(survey.row[at]),
        ]
        for at in range(len(survey))
    ]
    heading = [
        f"{job.title}: readings in aircraft axes" if job.title else "readings in aircraft axes",
        f"units: {job.unit}; station aft, bl to starboard, wl up",
    ]
    return table_text(POINT_COLUMNS, rows, heading)
