"""Read tables of tape ties and plumb readings, and turn the adjusted points into a survey."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from loft.job.errors import Finding, LoftError
from loft.job.keys import nearest
from loft.job.labels import line_of
from loft.job.records import NAN, Array, Job, Survey, TieSet
from loft.job.rows import Faults, Row, read_length, table_rows, table_source
from loft.job.schema import given_name
from loft.job.units import parse_length
from loft.survey.adjust import Adjustment, adjust
from loft.survey.gather import Progress, survey_of
from loft.survey.network import KINDS, Tie
from loft.survey.quality import CRITICAL
from loft.survey.tables import Reading, face_depth, repeated, station_on

COLUMNS = ("from", "to", "kind", "value")
OPTIONAL = ("sigma", "note")
PLACED = ("control", "approx")
FARTHEST = 1e6  # mm; no aircraft is taped over a kilometre
BETWEEN = ("tape", "height")  # kinds that need both ends


@dataclass(frozen=True, kw_only=True)
class PointName:
    """What the name of a point binds it to; `bound` is False for a helping point."""

    frame: str = ""
    line: str = ""
    bound: bool = False


def point_name(name: str) -> PointName:
    """Return what a point's name binds it to.

    ``F12:S4P`` is line S4P on frame F12. ``:S4P`` is that line between frames, and
    ``:S4P/2`` another point of it. A name without a colon (a mark on the floor, the
    top of a staff) helps the others to be found and is no reading of the aircraft.

    Examples
    --------
    >>> point_name("F12:S4P")
    PointName(frame='F12', line='S4P', bound=True)
    >>> point_name("STAFF A").bound
    False
    """
    frame, colon, rest = name.partition(":")
    if not colon:
        return PointName()
    return PointName(frame=frame.strip(), line=rest.partition("/")[0].strip(), bound=True)


def read_ties(
    job: Job, tie_set: TieSet, *, source: str | None = None
) -> tuple[tuple[Tie, ...], tuple[Finding, ...]]:
    r"""Return the rows of one ties table and the faults of its rows.

    Rows at fault are left out. `source` is the text of the table where it has been
    read already.

    Examples
    --------
    >>> from pathlib import Path
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> table = TieSet(file=Path("ties.csv"), sigma=2.0, face="skin_inner", unit="mm")
    >>> rows, faults = read_ties(
    ...     job, table, source="from,to,kind,value\n,A,control,0 0 150\nA,B,tape,4-3-5\n")
    >>> rows[0].place, rows[1].value / 25.4, faults
    ((0.0, 0.0, 150.0), 51.625, ())
    """
    name = given_name(job, tie_set.file)
    faults = Faults(file=name)
    if source is None:
        try:
            source = table_source(tie_set.file, name)
        except LoftError as refusal:
            return (), refusal.findings
    ties = []
    for row in table_rows(source, faults, required=COLUMNS, optional=OPTIONAL):
        before = sum(map(len, faults.shared.values()))
        tie = _tie(row, tie_set, faults)
        _check_name(row, job, "from", faults)
        _check_name(row, job, "to", faults)
        if sum(map(len, faults.shared.values())) == before:
            ties.append(tie)
    return tuple(ties), faults.findings()


def _tie(row: Row, tie_set: TieSet, faults: Faults) -> Tie:
    """Return the tie of one row; its faults go to `faults`."""
    start, end, kind, text = (row.cells[name] for name in COLUMNS)
    if kind not in KINDS:
        known = nearest(kind, KINDS)
        faults.add(row.number, "kind", f"{kind or 'nothing'} found, a kind wanted; {known}")
        return Tie(kind="tape", end=end)
    if not end:
        faults.add(row.number, "to", "nothing found, the name of a point wanted")
    if kind in BETWEEN and not start:
        faults.add(row.number, "from", f"nothing found, {kind} needs the point it starts from")
    if kind not in BETWEEN and start:
        faults.add(row.number, "from", f"{start} found, blank wanted for kind {kind}")
    if start and start == end:
        faults.add(row.number, "to", f"{end} found at both ends, two points wanted")
    value = NAN
    place: tuple[float, ...] = ()
    if text == "":
        faults.add(row.number, "value", "nothing found, a length wanted")
    elif kind in PLACED:
        place = _place(row, tie_set.unit, faults)
    else:
        value = read_length(row, "value", tie_set.unit, faults)
        if kind == "tape" and value <= 0.0:
            faults.add(row.number, "value", f"{text} found, a tape longer than 0 wanted")
    if any(abs(length) > FARTHEST for length in (value, *place)):
        faults.add(row.number, "value", f"{text} found, less than 1 km wanted: the wrong unit?")
    return Tie(
        kind=kind,
        start=start,
        end=end,
        value=value,
        place=place,
        sigma=_sigma(row, kind, tie_set, faults),
        text=text,
        unit=tie_set.unit,
        file=faults.file,
        row=row.number,
        note=row.cells.get("note", ""),
    )


def _place(row: Row, unit: str, faults: Faults) -> tuple[float, ...]:
    """Return station, bl and wl out of one cell, separated by blanks.

    Lengths such as ``4' 3 5/8"`` carry blanks of their own: every way to part the cell
    in three is tried, and exactly one must make sense.
    """
    words = row.cells["value"].split()
    found = set()
    for first, second in itertools.combinations(range(1, len(words)), 2):
        parts = (words[:first], words[first:second], words[second:])
        try:
            found.add(tuple(parse_length(" ".join(part), unit) for part in parts))
        except ValueError:
            continue
    if len(found) == 1:
        return found.pop()
    text = " ".join(words)
    reason = "can be parted in several ways" if found else "found"
    faults.add(
        row.number, "value", f"{text} {reason}: station, bl and wl wanted, separated by blanks"
    )
    return (NAN, NAN, NAN)


def _sigma(row: Row, kind: str, tie_set: TieSet, faults: Faults) -> float:
    """Return the standard deviation of a row: its own, else that of the table."""
    if kind == "approx":
        return NAN
    if not row.cells.get("sigma"):
        if kind == "control":
            return 0.0
        if math.isnan(tie_set.sigma):
            faults.add(row.number, "sigma", "nothing found, sigma wanted in the row or [[ties]]")
        return tie_set.sigma
    sigma = read_length(row, "sigma", tie_set.unit, faults)
    if sigma < 0.0 or (sigma == 0.0 and kind != "control"):
        wanted = "0 or more" if kind == "control" else "more than 0"
        faults.add(row.number, "sigma", f"{row.cells['sigma']} found, {wanted} wanted")
    return sigma


def _check_name(row: Row, job: Job, column: str, faults: Faults) -> None:
    """Check that a point's frame and line are known."""
    name = row.cells[column]
    point = point_name(name)
    if not point.bound:
        return
    frames = [frame.name for frame in job.frames]
    if point.frame and point.frame not in frames:
        known = nearest(point.frame, frames)
        faults.add(row.number, column, f"frame {point.frame} in {name} found; {known}")
    if point.frame and "/" in name:
        faults.add(row.number, column, f"{name} found, a frame and a line without / wanted")
    elif point.line and line_of(job, point.line) is None:
        faults.add(
            row.number,
            column,
            f"line {point.line} in {name} found: its label tells no side (S4P, S4S); "
            "a [[line]] of that name with its side wanted in the job file",
        )


def adjust_table(job: Job, tie_set: TieSet, *, source: str | None = None) -> Adjustment:
    r"""Read one ties table and adjust it, or refuse it with all its faults.

    A point of a frame without a station or control row of its own is held to that
    frame's plane (at its `touch`), as in a survey table, with the table's sigma and the
    frame's station_sigma together. Labels pick between mirrored solutions.

    Raises
    ------
    LoftError
        The faults of the table; points that cannot be solved; sides left open.

    Examples
    --------
    >>> from pathlib import Path
    >>> from loft.job.records import Frame
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(),
    ...           frames=(Frame(name="F1", station=500.0),))
    >>> table = TieSet(file=Path("ties.csv"), sigma=2.0, face="skin_outer", unit="mm")
    >>> rows = ["from,to,kind,value", ",A,control,500 0 0", ",B,control,500 0 800",
    ...         "A,F1:S4P,tape,500", "B,F1:S4P,tape,500"]
    >>> adjust_table(job, table, source="\n".join(rows)).place("F1:S4P").round(3).tolist()
    [500.0, -300.0, 400.0]
    """
    ties, faults = read_ties(job, tie_set, source=source)
    if faults:
        raise LoftError(faults)
    planes = _planes(job, tie_set, ties)
    sides = {}
    for name in {name for tie in ties for name in (tie.start, tie.end)}:
        line = line_of(job, point_name(name).line)
        if line is not None:
            sides[name] = line.side
    try:
        return adjust([*ties, *planes], sides=sides)
    except LoftError as refusal:
        name = given_name(job, tie_set.file)
        raise LoftError(
            finding if finding.file else replace(finding, file=name) for finding in refusal.findings
        ) from None


def _planes(job: Job, tie_set: TieSet, ties: Sequence[Tie]) -> list[Tie]:
    """Return the frame planes as readings of points whose station nobody read."""
    own = {tie.end for tie in ties if tie.kind in ("station", "control")}
    first: dict[str, Tie] = {}
    for tie in ties:
        for name in (tie.start, tie.end):
            if name and tie.kind not in PLACED:
                first.setdefault(name, tie)
    planes = []
    for name, tie in first.items():
        point = point_name(name)
        if not point.frame or name in own:
            continue
        frame = job.frame(point.frame)
        lean = math.tan(frame.cant)
        planes.append(
            Tie(
                kind="plane",
                end=name,
                value=station_on(frame, 0.0),
                place=(1.0, 0.0, -lean),
                sigma=math.hypot(tie_set.sigma, frame.station_sigma),
                file=tie.file,
                row=tie.row,
            )
        )
    return planes


def ties_survey(job: Job, *, progress: Progress | None = None) -> Survey:
    """Adjust every ties table of a job and return its points as a survey.

    Every table is adjusted by itself. Points bound to a frame or a line are handed on
    with their full covariance; helping points are not. A fixed control point that is
    itself on the aircraft carries its table's sigma, since nobody touches a point
    without error. `row` is the first row that names the point; nothing is set aside
    for damage here.

    Raises
    ------
    LoftError
        Every fault of every table.

    Examples
    --------
    >>> from pathlib import Path
    >>> len(ties_survey(Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())))
    0
    """
    readings: list[Reading] = []
    covariances: list[Array] = []
    notes: list[str] = []
    faults: list[Finding] = []
    for tie_set in job.ties:
        if progress:
            progress(f"adjusting {tie_set.file.name}")
        try:
            adjustment = adjust_table(job, tie_set)
        except LoftError as refusal:
            faults += refusal.findings
            continue
        pairs, findings = _points(job, tie_set, adjustment)
        readings += [reading for reading, _ in pairs]
        covariances += [covariance for _, covariance in pairs]
        faults += [finding for finding in findings if finding.severity == "fault"]
        notes += [_note(f) for f in (*adjustment.findings, *findings) if f.severity != "fault"]
    faults += repeated(readings)
    if faults:
        raise LoftError(faults)
    return replace(
        survey_of(job, readings),
        covariance=np.array(covariances).reshape(-1, 3, 3),
        notes=tuple(notes),
    )


def _note(finding: Finding) -> str:
    """Return a finding as a note of the survey."""
    return f"warning: {finding.line()}" if finding.severity == "warning" else finding.line()


def _points(
    job: Job, tie_set: TieSet, adjustment: Adjustment
) -> tuple[list[tuple[Reading, Array]], list[Finding]]:
    """Return the points of the aircraft with their covariance, and findings on them."""
    file = given_name(job, tie_set.file)
    pairs: list[tuple[Reading, Array]] = []
    findings: list[Finding] = []
    depths: dict[str, Finding] = {}
    for k, name in enumerate(adjustment.points):
        if not point_name(name).bound:
            continue
        row = int(adjustment.row[k])
        covariance = adjustment.covariance[k]
        if adjustment.fixed[k]:
            covariance = np.eye(3) * tie_set.sigma**2
        try:
            reading = _reading(job, tie_set, name, place=adjustment.position[k], spread=covariance)
        except ValueError as error:
            depths.setdefault(str(error), Finding(file=file, row=row, text=f"{name}: {error}"))
            continue
        reading = replace(reading, source=file, row=row)
        findings += _wrong_side(job, reading, name, sd=math.sqrt(covariance[1, 1]))
        findings += _wrong_frame(job, reading, name)
        pairs.append((reading, covariance))
    planes = sum(tie.kind == "plane" for tie in adjustment.ties)
    if planes:
        text = f"{planes} points without a station row were held to their frames' planes"
        findings.append(Finding(file=file, text=text, severity="note"))
    return pairs, [*depths.values(), *findings]


def _reading(job: Job, tie_set: TieSet, name: str, *, place: Array, spread: Array) -> Reading:
    """Return an adjusted point as a reading (ValueError: its depth is unknown)."""
    bound = point_name(name)
    frame = job.frame(bound.frame) if bound.frame else None
    return Reading(
        frame=bound.frame,
        line=bound.line,
        station=float(place[0]),
        bl=float(place[1]),
        wl=float(place[2]),
        sigma=math.sqrt(float(np.trace(spread)) / 3.0),
        face=tie_set.face,
        depth=face_depth(job, tie_set.face, frame=frame),
        source="",
        row=0,
    )


def _wrong_side(job: Job, reading: Reading, name: str, *, sd: float) -> list[Finding]:
    """Refuse a point that the readings put on the side its label forbids."""
    line = line_of(job, reading.line)
    side = line.side if line else ""
    sign = {"port": -1.0, "starboard": 1.0}.get(side, 0.0)
    if sign * reading.bl >= -CRITICAL * sd:
        return []
    wanted = "negative" if sign < 0 else "positive"
    text = (
        f"{name} adjusted to bl {reading.bl:.1f}, a {side} point at {wanted} bl wanted: "
        "port and starboard exchanged, or the wrong label"
    )
    return [Finding(file=reading.source, row=reading.row, text=text)]


def _wrong_frame(job: Job, reading: Reading, name: str) -> list[Finding]:
    """Doubt a point that lies nearer to another frame than to its own."""
    if not reading.frame:
        return []
    gaps = {
        frame.name: abs(reading.station - station_on(frame, reading.wl)) for frame in job.frames
    }
    closest = min(gaps, key=lambda frame: gaps[frame])
    if closest == reading.frame:
        return []
    text = (
        f"{name} adjusted to station {reading.station:.1f}, {gaps[reading.frame]:.1f} mm from "
        f"frame {reading.frame} but {gaps[closest]:.1f} mm from frame {closest}: the wrong name?"
    )
    return [Finding(file=reading.source, row=reading.row, text=text, severity="warning")]
