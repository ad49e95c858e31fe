"""Read the survey of a made part: points, flange angles and pin holes."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from loft.job.errors import LoftError
from loft.job.labels import line_of
from loft.job.records import FACES, NAN, Job
from loft.job.rows import Faults, Row, read_length, table_rows, table_source

KINDS = ("point", "angle", "pin")
REQUIRED = ("line", "bl", "wl")
OPTIONAL = ("frame", "station", "sigma", "face", "note", "kind", "value", "pass")
_PIN = re.compile(r"PIN\d+")


@dataclass(frozen=True, kw_only=True)
class PartReading:
    """One reading of a made part; mm, and radians for `value` and `sigma` of an angle.

    `station` is NaN where the reading was taken at the frame's usual place.
    """

    kind: str  # point | angle | pin
    line: str
    station: float
    bl: float
    wl: float
    sigma: float
    face: str
    value: float = NAN
    source: str = ""
    row: int = 0


def read_part(
    job: Job,
    path: Path | str,
    *,
    frame: str,
    sigma: float = NAN,
    face: str = "frame_flange",
    unit: str = "",
    source: str | None = None,
    others: Sequence[str] = (),
) -> tuple[PartReading, ...]:
    r"""Return the readings of a made part, or refuse its table with every fault.

    The form is that of a survey table (line, bl, wl and optionally frame, station,
    sigma, face, note). A line PIN1 is a pin hole's centre. A row whose column `kind`
    says angle is the angle between flange and web at its line or point, in degrees,
    in column `value`, its sigma in degrees too.

    Parameters
    ----------
    job : Job
    path : Path or str
    frame : str
        Name of the frame; rows that name another are refused.
    sigma : float
        Of rows that give none, mm; NaN where there is no such.
    face : str
        Touched face of rows that name none.
    unit : str
        Of bare numbers; "" is the job's.
    source : str, optional
        The table's text where it has been read already.
    others : sequence of str
        Frames whose rows are passed over; with any, every row must name its frame.

    Returns
    -------
    tuple of PartReading

    Raises
    ------
    LoftError
        Every fault, with row and column.

    Examples
    --------
    >>> from loft.bench.stock import plain_job
    >>> table = "line,bl,wl,sigma\nS1S,599.1,0.0,0.2\nPIN1,550.0,0.0,0.1\n"
    >>> [r.kind for r in read_part(plain_job(), "part.csv", frame="F1", source=table)]
    ['point', 'pin']
    """
    name = Path(path).name
    faults = Faults(file=name)
    if source is None:
        source = table_source(Path(path), name)
    rows = table_rows(source, faults, required=REQUIRED, optional=OPTIONAL)
    passed = [name for name in others if name != frame]
    readings = [
        _reading(row, job, frame, sigma, face, unit or job.unit, faults)
        for row in rows
        if not passed or row.cells.get("frame") not in passed
    ]
    if not readings and not faults.count:
        faults.add(0, "", "no reading found")
    if faults.count:
        raise LoftError(faults.findings())
    return tuple(readings)


def frames_of(path: Path, lifted: Sequence[str]) -> list[str]:
    """Return which of the frames lifted were read, in their order.

    A table that names no frame is of the one frame that was lifted.

    Raises
    ------
    LoftError
        Several frames were lifted and a row does not say of which it is.

    Examples
    --------
    >>> frames_of(Path("part.csv"), ["F14", "F15"])  # doctest: +SKIP
    """
    faults = Faults(file=path.name)
    source = table_source(path, path.name)
    rows = table_rows(source, faults, required=REQUIRED, optional=OPTIONAL)
    named = [
        (row, row.cells.get("frame") or (lifted[0] if len(lifted) == 1 else "")) for row in rows
    ]
    for row, name in named:
        if name not in lifted:
            told = f"{name or 'nothing'} found, {' or '.join(lifted)} wanted: a frame that is made"
            faults.add(row.number, "frame", told)
    if faults.count:
        raise LoftError(faults.findings())
    return [name for name in lifted if name in {own for _, own in named}]


def _reading(
    row: Row, job: Job, frame: str, sigma: float, face: str, unit: str, faults: Faults
) -> PartReading:
    line = row.cells["line"]
    kind = row.cells.get("kind") or ("pin" if _PIN.fullmatch(line) else "point")
    if kind not in KINDS:
        faults.add(row.number, "kind", f"{kind} found, {', '.join(KINDS)} wanted")
    own = row.cells.get("frame") or frame
    if own != frame:
        faults.add(row.number, "frame", f"{own} found, a reading of the made {frame} wanted")
    bl, wl = (read_length(row, column, unit, faults) for column in ("bl", "wl"))
    known = kind == "angle" and line
    if not known and not (row.cells["bl"] and row.cells["wl"]):
        faults.add(row.number, "bl", "bl or wl not found, both wanted on a made part")
    _check_side(row, job, line, bl, faults)
    where = row.cells.get("face") or face
    if where not in FACES:
        faults.add(row.number, "face", f"{where} found, {', '.join(FACES)} wanted")
    station = read_length(row, "station", unit, faults) if row.cells.get("station") else NAN
    return PartReading(
        kind=kind,
        line=line,
        station=station,
        bl=bl,
        wl=wl,
        sigma=_sigma(row, kind, sigma, unit, faults),
        face=where,
        value=_degrees(row, "value", faults) if kind == "angle" else NAN,
        source=faults.file,
        row=row.number,
    )


def _check_side(row: Row, job: Job, line: str, bl: float, faults: Faults) -> None:
    known = line_of(job, line) if line else None
    wrong = known and ((known.side == "port" and bl > 0) or (known.side == "starboard" and bl < 0))
    if wrong and known:
        sign = "negative" if known.side == "port" else "positive"
        faults.add(
            row.number,
            "bl",
            f"{row.cells['bl']} found for line {line}, a {known.side} point at {sign} bl wanted",
        )


def _sigma(row: Row, kind: str, sigma: float, unit: str, faults: Faults) -> float:
    if not row.cells.get("sigma"):
        if kind == "angle" or math.isnan(sigma):
            unit_word = "degrees" if kind == "angle" else "a length"
            faults.add(
                row.number, "sigma", f"nothing found, the reading's sigma, {unit_word}, wanted"
            )
        return NAN if kind == "angle" else sigma
    if kind == "angle":
        own = _degrees(row, "sigma", faults)
    else:
        own = read_length(row, "sigma", unit, faults)
    if own <= 0:
        faults.add(row.number, "sigma", f"{row.cells['sigma']} found, more than 0 wanted")
    return own


def _degrees(row: Row, column: str, faults: Faults) -> float:
    text = row.cells.get(column, "")
    try:
        found = float(text)
    except ValueError:
        found = NAN
    if not math.isfinite(found):
        faults.add(row.number, column, f"{text or 'nothing'} found, degrees wanted")
        return NAN
    return math.radians(found)
