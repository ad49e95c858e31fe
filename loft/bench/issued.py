"""The section that was issued, read back from its own files."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from loft.fairing.tables import SECTION, STRINGERS, section_text
from loft.job.errors import Finding, LoftError
from loft.job.labels import line_of
from loft.job.records import Array, Crossings, Job, Section
from loft.job.rows import Faults, Row, table_rows, table_source
from loft.job.units import MM_PER

_PLANE = re.compile(
    r"# frame \S+, station (?P<station>[-\d.]+)"
    r"(, canted (?P<cant>[-\d.]+) about waterline (?P<pivot>[-\d.]+))?"
    r"; mould line from (?P<source>.+)"
)
_TURN = re.compile(r"# girth (?P<length>[\d.]+) once round, 0 at the (?P<zero>.+), clockwise")
_LENGTHS = ("girth", "bl", "wl", "radius", "sd", "band95", "band95_all", "station", "height")


def read_issued(folder: Path, frame: str, job: Job) -> Section:
    """Return the section that stands in section.csv and stringers.csv of a frame's folder.

    Parameters
    ----------
    folder : Path
        ``out/<frame>``.
    frame : str
    job : Job
        Gives the unit and the kind of every line.

    Returns
    -------
    Section
        To the decimals of its tables: 0.0001 mm, 0.00001 degrees.

    Raises
    ------
    LoftError
        A table is missing or is not as it was written; the section has chines, whose
        two normals section.csv does not hold.

    Examples
    --------
    >>> read_issued(Path("out/F14"), "F14", job)  # doctest: +SKIP
    """
    text = table_source(folder / "section.csv", f"{frame}/section.csv")
    told = [_PLANE.search(text), _TURN.search(text)]
    if None in told:
        raise LoftError(Finding(file=f"{frame}/section.csv", text="its heading is not as written"))
    plane, turn = (found.groupdict() for found in told if found)
    u = MM_PER[job.unit]
    cells = _cells(text, SECTION, f"{frame}/section.csv")
    known = {name: _numbers(cells, name, u if name in _LENGTHS else 1.0) for name in SECTION
             if name != "side"}  # fmt: skip
    section = Section(
        frame=frame,
        station=float(plane["station"]) * u,
        cant=np.deg2rad(float(plane["cant"] or 0.0)),
        pivot_wl=float(plane["pivot"] or 0.0) * u,
        length=float(turn["length"]) * u,
        zero=turn["zero"],
        girth=known["girth"],
        bl=known["bl"],
        wl=known["wl"],
        height=known["height"],
        station_at=known["station"],
        normal_bl=known["normal_bl"],
        normal_height=known["normal_wl"],
        bevel=np.deg2rad(known["bevel_deg"]),
        bevel_sd=np.deg2rad(known["bevel_sd_deg"]),
        radius=known["radius"],
        sd=known["sd"],
        band95=known["band95"],
        band95_all=known["band95_all"],
        side=np.array([row.cells["side"] for row in cells]),
        crossings=_crossings(folder, frame, job, plane),
        source=plane["source"],
    )
    chines = [
        str(name)
        for name in section.crossings.line
        if (line := line_of(job, str(name))) is not None and (line.chine or line.kind == "chine")
    ]
    if chines:
        raise LoftError(
            Finding(file=f"{frame}/section.csv", text=f"a chine ({', '.join(chines)}) has two "
                    "normals, of which one table holds but their mean")
        )  # fmt: skip
    if section_text(section, job) != text:
        raise LoftError(Finding(file=f"{frame}/section.csv", text="it is not as it was written"))
    return section


def _crossings(folder: Path, frame: str, job: Job, plane: dict[str, str]) -> Crossings:
    name = f"{frame}/stringers.csv"
    cells = _cells(table_source(folder / "stringers.csv", name), STRINGERS, name)
    u = MM_PER[job.unit]
    lines = [row.cells["line"] for row in cells]
    found = [line_of(job, line) for line in lines]
    wl = _numbers(cells, "wl", u)
    pivot = float(plane["pivot"] or 0.0) * u
    return Crossings(
        line=np.array(lines),
        kind=np.array([line.kind if line else "stringer" for line in found]),
        girth=_numbers(cells, "girth", u),
        bl=_numbers(cells, "bl", u),
        wl=wl,
        height=(wl - pivot) / np.cos(np.deg2rad(float(plane["cant"]))) if plane["cant"] else wl,
        normal=np.deg2rad(_numbers(cells, "normal_deg", 1.0)),
        bevel=np.deg2rad(_numbers(cells, "bevel_deg", 1.0)),
        slope=np.deg2rad(_numbers(cells, "slope_deg", 1.0)),
        sd=_numbers(cells, "sd", u),
    )


def _cells(text: str, columns: tuple[str, ...], name: str) -> list[Row]:
    faults = Faults(file=name)
    rows = table_rows(text, faults, required=columns)
    if faults.count:
        raise LoftError(faults.findings())
    return rows


def _numbers(rows: list[Row], column: str, unit: float) -> Array:
    try:
        return np.array([float(row.cells[column] or "nan") for row in rows]) * unit
    except ValueError as error:
        raise LoftError(Finding(column=column, text=f"{error}: a number wanted")) from error
