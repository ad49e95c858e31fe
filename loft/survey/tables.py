"""Read survey tables: one reading a row, every fault named by row and column."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from loft.job.errors import Finding, LoftError
from loft.job.keys import nearest
from loft.job.labels import line_of
from loft.job.records import FACES, NAN, Frame, Job, SurveySet
from loft.job.rows import Faults, Row, read_length, table_rows, table_source
from loft.job.schema import given_name

COLUMNS = ("frame", "line", "station", "bl", "wl")
OPTIONAL = ("sigma", "face", "note")


@dataclass(frozen=True, eq=False, kw_only=True)
class Reading:
    """One row of a survey table, in mm. What was not read is NaN."""

    frame: str
    line: str
    station: float
    bl: float
    wl: float
    sigma: float
    face: str
    depth: float
    source: str
    row: int
    pass_no: int = 1
    note: str = ""
    more: Mapping[str, str] = field(default_factory=dict)  # columns the caller asked for


def scan_table(
    job: Job, survey_set: SurveySet, *, source: str | None = None, also: Sequence[str] = ()
) -> tuple[tuple[Reading, ...], tuple[Finding, ...]]:
    r"""Return the readings of one survey table and the faults of its rows.

    Rows at fault are left out of the readings. `source` is the text of the table
    where it has been read already; `also` names further columns that are handed
    on as text in `Reading.more`.

    Examples
    --------
    >>> from pathlib import Path
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(),
    ...           frames=(Frame(name="F1", station=500.0),))
    >>> tape = SurveySet(file=Path("tape.csv"), sigma=1.5, face="skin_outer", unit="mm")
    >>> readings, faults = scan_table(
    ...     job, tape, source="frame,line,station,bl,wl\nF1,S4P,,-600.0,210.5\n")
    >>> readings[0].station, readings[0].bl, readings[0].depth, faults
    (500.0, -600.0, 0.0, ())
    """
    name = given_name(job, survey_set.file)
    faults = Faults(file=name)
    if source is None:
        try:
            source = table_source(survey_set.file, name)
        except LoftError as refusal:
            return (), refusal.findings
    frames = {frame.name: frame for frame in job.frames}
    readings = []
    rows = table_rows(source, faults, required=COLUMNS, optional=(*OPTIONAL, *also))
    for row in rows:
        before = faults.count
        reading = _reading(row, job, survey_set, frames=frames, faults=faults, also=also)
        if faults.count == before:
            readings.append(reading)
    return tuple(readings), faults.findings()


def read_table(
    job: Job, survey_set: SurveySet, *, source: str | None = None, also: Sequence[str] = ()
) -> tuple[Reading, ...]:
    r"""Return the readings of one survey table, or refuse it with all its faults.

    Parameters and readings as `scan_table`; readings taken twice are refused too.

    Raises
    ------
    LoftError
        Every fault of the table.

    Examples
    --------
    >>> from pathlib import Path
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(),
    ...           frames=(Frame(name="F1", station=500.0),))
    >>> tape = SurveySet(file=Path("tape.csv"), sigma=1.5, face="skin_outer", unit="mm")
    >>> try:
    ...     read_table(job, tape, source="frame,line,station,bl,wl\nF1,S4P,,600.0,210.5\n")
    ... except LoftError as refusal:
    ...     print(refusal)
    tape.csv:2: bl: 600.0 found for line S4P, a port point at negative bl wanted
    """
    readings, findings = scan_table(job, survey_set, source=source, also=also)
    findings = (*findings, *repeated(readings))
    if findings:
        raise LoftError(findings)
    return readings


def _reading(
    row: Row,
    job: Job,
    survey_set: SurveySet,
    *,
    frames: Mapping[str, Frame],
    faults: Faults,
    also: Sequence[str],
) -> Reading:
    """Return the reading of one row; its faults go to `faults`."""
    unit = survey_set.unit
    frame, line = row.cells["frame"], row.cells["line"]
    if frame and frame not in frames:
        known = nearest(frame, frames)
        faults.add(row.number, "frame", f"frame {frame} found, a frame of the job wanted; {known}")
    if not frame and not row.cells["station"]:
        faults.add(row.number, "frame", "neither frame nor station found, one of them wanted")
    station, bl, wl = (read_length(row, name, unit, faults) for name in ("station", "bl", "wl"))
    if not row.cells["bl"] and not row.cells["wl"]:
        faults.add(row.number, "bl", "neither bl nor wl found, one of them wanted")
    _check_side(row, job, line, bl, faults)
    face = row.cells.get("face") or survey_set.face
    depth = _depth(row, job, face, frames.get(frame), faults)
    if frame in frames and math.isnan(station):
        station = station_on(frames[frame], wl)
    return Reading(
        frame=frame,
        line=line,
        station=station,
        bl=bl,
        wl=wl,
        sigma=_sigma(row, survey_set, faults),
        face=face,
        depth=depth,
        source=faults.file,
        row=row.number,
        pass_no=survey_set.pass_no,
        note=row.cells.get("note", ""),
        more={name: row.cells.get(name, "") for name in also},
    )


def station_on(frame: Frame, wl: float) -> float:
    """Return the station at which a reading of a frame was taken, in mm.

    That of the heel plane at this waterline, plus the frame's `touch`, which is
    counted aft along the station axis. NaN where a canted frame's `wl` is NaN.

    Examples
    --------
    >>> frame = Frame(name="F1", station=100.0, cant=math.radians(5.0), pivot_wl=0.0, touch=10.0)
    >>> round(station_on(frame, 20.0), 4)
    111.7498
    """
    if frame.cant == 0.0:
        return frame.station + frame.touch
    return frame.station + (wl - frame.pivot_wl) * math.tan(frame.cant) + frame.touch


def _sigma(row: Row, survey_set: SurveySet, faults: Faults) -> float:
    """Return the standard deviation of a row: its own, else that of the table."""
    if not row.cells.get("sigma"):
        if math.isnan(survey_set.sigma):
            faults.add(row.number, "sigma", "nothing found, sigma wanted in the row or [[survey]]")
        return survey_set.sigma
    sigma = read_length(row, "sigma", survey_set.unit, faults)
    if sigma <= 0.0:
        faults.add(row.number, "sigma", f"{row.cells['sigma']} found, more than 0 wanted")
    return sigma


def _check_side(row: Row, job: Job, line: str, bl: float, faults: Faults) -> None:
    """Check that a label tells a side, and that the point lies there."""
    if not line:
        return
    known = line_of(job, line)
    if known is None:
        faults.add(
            row.number,
            "line",
            f"line {line} found: its label tells no side (S4P, S4S); "
            f"a [[line]] of that name with its side wanted in the job file",
        )
    elif (known.side == "port" and bl > 0.0) or (known.side == "starboard" and bl < 0.0):
        sign = "negative" if known.side == "port" else "positive"
        faults.add(
            row.number,
            "bl",
            f"{row.cells['bl']} found for line {line}, a {known.side} point at {sign} bl wanted",
        )


def _depth(row: Row, job: Job, face: str, frame: Frame | None, faults: Faults) -> float:
    """Return the depth of a row's face; what it lacks goes to `faults`."""
    if not face:
        faults.add(row.number, "face", "nothing found, face wanted in the row or [[survey]]")
        return NAN
    try:
        return face_depth(job, face, frame=frame)
    except ValueError as error:
        faults.add(row.number, "face", str(error))
        return NAN


def face_depth(job: Job, face: str, *, frame: Frame | None = None) -> float:
    """Return how far inside the mould line a face lies, in mm, laps not counted.

    Parameters
    ----------
    job : Job
    face : str
        skin_outer, skin_inner, stringer_inner or frame_flange.
    frame : Frame, optional
        Whose flange was touched; needed for frame_flange alone.

    Raises
    ------
    ValueError
        The face is unknown, or the job lacks the gauge, the stringer depth or
        what the frame stands on.

    Examples
    --------
    >>> from pathlib import Path
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=(),
    ...           skin_gauge=0.9, stringer_depth=22.0)
    >>> face_depth(job, "stringer_inner")
    22.9
    """
    if face not in FACES:
        raise ValueError(f"face {face} found; {nearest(face, FACES)}")
    inside = face == "stringer_inner"
    if face == "frame_flange":
        if frame is None:
            raise ValueError("frame_flange found, a frame wanted whose flange it is")
        if not frame.stands:
            raise ValueError(
                f"frame_flange found, but not what frame {frame.name} stands on; "
                "stands wanted in its [[frame]] or in [frame_section]"
            )
        inside = frame.stands == "inside_stringers"
    if face == "skin_outer":
        return 0.0
    if math.isnan(job.skin_gauge):
        raise ValueError(f"{face} found, but no skin gauge; gauge wanted in [skin]")
    if inside and math.isnan(job.stringer_depth):
        raise ValueError(f"{face} found, but no stringer depth; depth wanted in [stringer]")
    return job.skin_gauge + (job.stringer_depth if inside else 0.0)


def repeated(readings: Iterable[Reading]) -> tuple[Finding, ...]:
    """Name every labelled reading that was taken already in the same pass.

    Points without a label may stand anywhere and any number of times.

    Examples
    --------
    >>> repeated([])
    ()
    """
    first: dict[tuple[str, str, str, int], Reading] = {}
    found = []
    for reading in readings:
        if not reading.line:
            continue
        place = reading.frame or f"station {reading.station:.1f} mm"
        earlier = first.setdefault((place, reading.line, reading.face, reading.pass_no), reading)
        if earlier is not reading:
            found.append(
                Finding(
                    file=reading.source,
                    row=reading.row,
                    column="line",
                    text=f"{place} {reading.line} on {reading.face} found again, it stands "
                    f"already in {earlier.source}:{earlier.row}; remove one, or name its table "
                    "a repeat (pass = 2)",
                )
            )
    return tuple(found)
