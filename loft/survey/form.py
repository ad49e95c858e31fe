"""Blank survey forms: tables to type into, and one page to write on in the hangar."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from loft.job.caution import CAUTION
from loft.job.errors import Finding, LoftError
from loft.job.files import table_text, write_bytes, write_text
from loft.job.records import FACES, Job
from loft.job.units import TABLE_UNITS
from loft.survey.tape import CLASSES, tape_tolerance, wire_sag

SURVEY_COLUMNS = ("frame", "line", "station", "bl", "wl", "sigma", "face", "note")
TIE_COLUMNS = ("from", "to", "kind", "value", "sigma", "note")
TARGET_COLUMNS = ("name", "x", "y", "z", "station", "bl", "wl", "sigma")
AXES_TOLD = "station aft; bl from the centreline, port negative; wl up"
STEPS = (
    "Body levelled athwartships first; its trim written down.",
    "Centre wire between plumbed marks; heights from one water level or staff.",
    "Running measurements from one start, never from mark to mark.",
    "Survey one marked frame twice before the rest. Over 5 mm per metre apart: start again.",
    "A reader calls the figure and its unit, a writer repeats it. Write 0 for no feet or inches.",
    "Three tapes to a point, one more to check; tapes crossing at 45 degrees or more.",
    "Say what was touched. Crushed, dented, patched: write it in the note, read it all the same.",
    "Second pass: a fresh sheet, another team, the first sheet out of sight.",
)
CARES = (
    "Nobody under a body on jacks or slings. Chocks and cradle looked at before each session.",
    "Torn sheet and drilled edges cut: gloves. Old primer and dust: no sanding, no blowing off.",
    "A wire under tension whips when it parts: goggles, and nobody in its line.",
)


def survey_form(
    *, frames: Sequence[str] = (), lines: Sequence[str] = (), unit: str = "mm", title: str = ""
) -> str:
    """Return a blank survey table, one row for every frame and line given.

    What was not read is left blank; a row with neither bl nor wl is taken out again.

    Raises
    ------
    LoftError
        A unit that no table has.

    Examples
    --------
    >>> print(survey_form(frames=["F12"], lines=["S4P", "S4S"]).splitlines()[-2])
    F12,S4P,,,,,,
    """
    told = [
        *_heading("survey table", unit, title),
        f"face: {', '.join(FACES)} (or once for the whole table, in the job file)",
        "frame alone: read at its heel plane; station alone: a point between frames",
        "take out the rows that were not read",
    ]
    blank = [""] * (len(SURVEY_COLUMNS) - 2)
    rows = [[frame, line, *blank] for frame in frames for line in lines or ("",)]
    return table_text(SURVEY_COLUMNS, rows, told)


def ties_form(*, points: Sequence[str] = (), unit: str = "mm", title: str = "") -> str:
    """Return a blank ties table, three tapes and the plumbed coordinates of every point.

    Raises
    ------
    LoftError
        A unit that no table has.

    Examples
    --------
    >>> ties_form(points=["F12:S4P"]).splitlines()[-1]
    ',F12:S4P,wl,,,'
    """
    told = [
        *_heading("ties table", unit, title),
        "kind: tape (slope distance, from and to), height (wl of to less wl of from),",
        "bl, wl, station (plumbed; from is blank), control and approx (value: station bl wl)",
        "names: F12:S4P is line S4P on frame F12; a name without a colon is a mark in the hangar",
        "take out the rows that were not read; name the mark each tape starts from",
    ]
    kinds = ("tape", "tape", "tape", "bl", "wl")
    rows = [["", point, kind, "", "", ""] for point in points for kind in kinds]
    return table_text(TIE_COLUMNS, rows, told)


def targets_form(*, names: Sequence[str] = (), unit: str = "mm", title: str = "") -> str:
    """Return a blank table of scan targets.

    Raises
    ------
    LoftError
        A unit that no table has.

    Examples
    --------
    >>> targets_form(names=["T1"]).splitlines()[-1]
    'T1,,,,,,,'
    """
    told = [
        *_heading("targets of a scan", unit, title),
        "x y z: in the scan, in the scan's own unit; the others in aircraft axes",
        "four or more, well out of one plane: fewer cannot show a mirrored scan",
    ]
    rows = [[name, *[""] * (len(TARGET_COLUMNS) - 1)] for name in names]
    return table_text(TARGET_COLUMNS, rows, told)


def _heading(what: str, unit: str, title: str) -> list[str]:
    """Return the first heading lines of a blank table."""
    if unit not in TABLE_UNITS:
        raise LoftError(f"unit {unit} found, {', '.join(TABLE_UNITS)} wanted")
    return [
        f"{title}: {what}" if title else what,
        f"units of bare lengths: {unit}; {AXES_TOLD}",
    ]


@dataclass(frozen=True, kw_only=True)
class _Ruler:
    """Draws on a page in mm from its upper left corner."""

    page: Any

    def line(self, x: float, y: float, to_x: float, to_y: float, *, width: float = 0.2) -> None:
        """Draw a line; `width` in mm."""
        self.page.setLineWidth(width * MM)
        self.page.line(x * MM, (297 - y) * MM, to_x * MM, (297 - to_y) * MM)

    def text(
        self, x: float, y: float, words: str, *, size: float = 8, bold: bool = False, end: str = ""
    ) -> None:
        """Write words with their base line at y; `end` is "" left, middle or right."""
        self.page.setFont("Helvetica-Bold" if bold else "Helvetica", size)
        draw = {
            "": self.page.drawString,
            "middle": self.page.drawCentredString,
            "right": self.page.drawRightString,
        }[end]
        draw(x * MM, (297 - y) * MM, words)

    def field(self, x: float, y: float, to_x: float, words: str) -> None:
        """Write a label and rule a line to write on behind it."""
        self.text(x, y, words, size=7.5)
        start = x + self.page.stringWidth(words, "Helvetica", 7.5) / MM + 1.5
        self.line(start, y + 0.8, to_x, y + 0.8, width=0.15)

    def box(self, x: float, y: float, words: str) -> float:
        """Draw a box to tick and its words; return where the next may start."""
        self.page.setLineWidth(0.2 * MM)
        self.page.rect(x * MM, (297 - y - 0.3) * MM, 2.8 * MM, 2.8 * MM)
        self.text(x + 4, y, words, size=7.5)
        return x + 8 + float(self.page.stringWidth(words, "Helvetica", 7.5)) / MM

    def grid(
        self, y: float, columns: Sequence[tuple[str, float]], *, rows: int, height: float
    ) -> float:
        """Rule a table to write in; return the y of its foot."""
        x, right = LEFT, LEFT + sum(width for _, width in columns)
        self.page.setFillGray(0.9)
        self.page.rect(x * MM, (297 - y - 5) * MM, (right - x) * MM, 5 * MM, stroke=0, fill=1)
        self.page.setFillGray(0)
        foot = y + 5 + rows * height
        for name, width in columns:
            self.text(x + 1.2, y + 3.5, name, size=7.5, bold=True)
            self.line(x, y, x, foot, width=0.15)
            x += width
        self.line(right, y, right, foot, width=0.15)
        for k in range(rows + 1):
            self.line(LEFT, y + 5 + k * height, right, y + 5 + k * height, width=0.15)
        self.line(LEFT, y, right, y, width=0.3)
        return foot


MM = 72.0 / 25.4
LEFT, RIGHT = 14.0, 196.0


def survey_page(*, title: str = "") -> bytes:
    """Return one A4 page to write a survey on, as a PDF.

    Raises
    ------
    LoftError
        The package that writes PDF is not installed.

    Examples
    --------
    >>> survey_page()[:5]
    b'%PDF-'
    """
    try:
        from reportlab.pdfgen.canvas import Canvas
    except ImportError as error:
        raise LoftError("a page needs the package reportlab: pip install reportlab") from error
    out = io.BytesIO()
    page = Canvas(out, pagesize=(210 * MM, 297 * MM), invariant=1)
    page.setTitle(f"Survey form {title}".strip())
    ruler = _Ruler(page=page)
    _head(ruler, title)
    _sketches(ruler)
    foot = _tables(ruler)
    _advice(ruler, foot)
    page.showPage()
    page.save()
    return out.getvalue()


def _head(ruler: _Ruler, title: str) -> None:
    """Draw the heading and the fields to fill in."""
    ruler.text(LEFT, 18, "Survey form", size=15, bold=True)
    ruler.text(LEFT + 33, 18, "tape, plumb bob and water level", size=10)
    ruler.field(160, 18, 178, "sheet")
    ruler.field(180, 18, RIGHT, "of")
    ruler.line(LEFT, 21, RIGHT, 21, width=0.4)
    if title:
        ruler.text(LEFT, 27.5, f"job   {title}", size=9, bold=True)
    else:
        ruler.field(LEFT, 27.5, 120, "job")
    for y, left, right in (
        (34, "date and hour", "team"),
        (40.5, "tape, its class", "temperature"),
        (47, "levelled on", "pass"),
        (53.5, "station 0 is", "wl 0 is"),
    ):
        ruler.field(LEFT, y, 72, left)
        ruler.field(75, y, 120, right)
    ruler.text(LEFT, 60, "units", size=7.5, bold=True)
    x = LEFT + 12
    for words in ("mm", "inches", "feet-inches-eighths"):
        x = ruler.box(x, 60, words)
    ruler.text(LEFT, 66, "touched", size=7.5, bold=True)
    x = LEFT + 12
    for face in FACES:
        x = ruler.box(x, 66, face.replace("_", " "))


def _sketches(ruler: _Ruler) -> None:
    """Draw the axes: a section looking forward, and the body from starboard."""
    page, centre, middle = ruler.page, 146.0, 43.0
    page.setLineWidth(0.35 * MM)
    page.ellipse(
        (centre - 10) * MM, (297 - middle - 13) * MM, (centre + 10) * MM, (297 - middle + 13) * MM
    )
    ruler.line(centre, middle + 15, centre, middle - 17, width=0.2)
    ruler.line(centre, middle + 15, centre + 16, middle + 15, width=0.2)
    ruler.text(centre + 1.5, middle - 15, "wl +", size=7)
    ruler.text(centre + 12, middle + 13.6, "bl +", size=7)
    ruler.text(centre - 11, middle + 0.8, "P", size=8, bold=True, end="right")
    ruler.text(centre + 11, middle + 0.8, "S", size=8, bold=True)
    ruler.text(centre, middle + 19, "looking forward", size=7, end="middle")
    outline = page.beginPath()
    outline.moveTo(170 * MM, (297 - middle) * MM)
    outline.curveTo(
        172 * MM, (297 - middle + 13) * MM, 182 * MM, (297 - middle + 10) * MM,
        196 * MM, (297 - middle + 4) * MM,
    )  # fmt: skip
    outline.lineTo(196 * MM, (297 - middle + 1) * MM)
    outline.curveTo(
        184 * MM, (297 - middle - 9) * MM, 172 * MM, (297 - middle - 11) * MM,
        170 * MM, (297 - middle) * MM,
    )  # fmt: skip
    page.setLineWidth(0.35 * MM)
    page.drawPath(outline)
    page.saveState()
    page.clipPath(outline, stroke=0, fill=0)
    for x in (175.0, 180.0, 185.0, 190.0):
        ruler.line(x, middle - 14, x, middle + 14, width=0.15)
    page.restoreState()
    ruler.line(168, middle + 15, 190, middle + 15, width=0.2)
    ruler.text(191, middle + 16, "aft +", size=7)
    ruler.text(168, middle + 13.6, "station", size=7)
    ruler.text(182, middle + 19, "from port", size=7, end="middle")
    for tip_x, tip_y, across in ((centre, middle - 17, 0.0), (centre + 16, middle + 15, 1.0)):
        _arrow(ruler, tip_x, tip_y, across)
    _arrow(ruler, 190, middle + 15, 1.0)


def _arrow(ruler: _Ruler, x: float, y: float, across: float) -> None:
    """Draw an arrow head that points right (across 1) or up (0)."""
    path = ruler.page.beginPath()
    corners = ((0, 0), (-2.2, -0.8), (-2.2, 0.8)) if across else ((0, 0), (-0.8, 2.2), (0.8, 2.2))
    points = [((x + dx) * MM, (297 - y - dy) * MM) for dx, dy in corners]
    path.moveTo(*points[0])
    path.lineTo(*points[1])
    path.lineTo(*points[2])
    path.close()
    ruler.page.drawPath(path, stroke=0, fill=1)


def _tables(ruler: _Ruler) -> float:
    """Rule the two tables; return the y of the foot of the second."""
    ruler.text(LEFT, 75, "Points", size=9.5, bold=True)
    ruler.text(
        LEFT + 14, 75, "plumbed half-breadth and height; leave blank what was not read", size=7.5
    )
    points = (
        ("frame", 18.0), ("line", 18.0), ("station", 26.0), ("bl  (port -)", 28.0), ("wl", 28.0),
        ("sigma", 16.0), ("note  (dented, patched ...)", 48.0),
    )  # fmt: skip
    foot = ruler.grid(77, points, rows=14, height=6.6)
    ruler.text(LEFT, foot + 8, "Ties", size=9.5, bold=True)
    ruler.text(
        LEFT + 14,
        foot + 8,
        "kind: tape, height (from, to); bl, wl, station (to alone); control (station bl wl)",
        size=7.5,
    )
    ties = (
        ("from", 32.0), ("to  (F12:S4P)", 32.0), ("kind", 20.0), ("value", 34.0), ("sigma", 16.0),
        ("note", 48.0),
    )  # fmt: skip
    return ruler.grid(foot + 10, ties, rows=8, height=6.6)


def _advice(ruler: _Ruler, foot: float) -> None:
    """Write the steps, the cares and the figures of tape and wire."""
    y = foot + 6.5
    ruler.text(LEFT, y, "Step by step", size=8.5, bold=True)
    for k, words in enumerate(STEPS):
        ruler.text(LEFT, y + 4.3 * (k + 1), f"{k + 1}  {words}", size=7)
    ruler.text(128, y, "Care", size=8.5, bold=True)
    below = y + 0.8
    for words in CARES:
        for part in _folded(ruler, words, 68.0, 7):
            below += 3.4
            ruler.text(128, below, part, size=7)
        below += 0.9
    ruler.text(128, below + 4.2, "Tape and wire at 3 / 5 / 10 m, mm", size=7, bold=True)
    metres = (3, 5, 10)
    table = "; ".join(
        f"{name} " + " / ".join(f"{tape_tolerance(1000.0 * m, name):.1f}" for m in metres)
        for name in CLASSES
    )
    ruler.text(128, below + 7.8, f"tape, class {table}", size=6.6)
    sag = [f"{wire_sag(1000.0 * m, diameter_mm=0.5, pull_n=90.0):.1f}" for m in metres]
    ruler.text(128, below + 10.8, f"0.5 mm steel wire at 90 N sags {' / '.join(sag)} mm", size=6.2)
    ruler.line(LEFT, 289, RIGHT, 289, width=0.2)
    ruler.text(LEFT, 292.5, CAUTION, size=6.6)


def _folded(ruler: _Ruler, words: str, width: float, size: float) -> list[str]:
    """Return words in lines no wider than `width` mm."""
    lines = [""]
    for word in words.split():
        longer = f"{lines[-1]} {word}".strip()
        if ruler.page.stringWidth(longer, "Helvetica", size) > width * MM and lines[-1]:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def write_forms(folder: Path, *, job: Job | None = None, force: bool = False) -> tuple[Path, ...]:
    """Write the page and the three blank tables into a folder; return their paths.

    With a job, the survey table has a row for every standing frame and every line that
    the job names, in the job's unit.

    Raises
    ------
    LoftError
        One of the files is there already and `force` is false; a folder that cannot be
        written.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     [path.name for path in write_forms(Path(folder))]
    ['survey-form.pdf', 'tape-blank.csv', 'ties-blank.csv', 'targets-blank.csv']
    """
    title, unit = (job.title, job.unit) if job else ("", "mm")
    frames = [f.name for f in job.frames if f.name not in job.missing] if job else []
    lines = [line.name for line in job.lines] if job else []
    points = [f"{frame}:{line}" for frame in frames for line in lines]
    content: dict[str, str | bytes] = {
        "survey-form.pdf": survey_page(title=title),
        "tape-blank.csv": survey_form(frames=frames, lines=lines, unit=unit, title=title),
        "ties-blank.csv": ties_form(points=points, unit=unit, title=title),
        "targets-blank.csv": targets_form(unit=unit, title=title),
    }
    paths = [Path(folder) / name for name in content]
    there = [path for path in paths if path.exists()]
    if there and not force:
        raise LoftError(
            Finding(file=str(path), text="is there already; name another folder, or use --force")
            for path in there
        )
    for path, text in zip(paths, content.values(), strict=True):
        if isinstance(text, bytes):
            write_bytes(path, text)
        else:
            write_text(path, text)
    return tuple(paths)
