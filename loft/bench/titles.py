"""What is lettered on every full-size sheet: title, facts, cautions, key, 100 mm square."""

from __future__ import annotations

import math

import numpy as np

from loft.bench.drawing import Drawing, broken
from loft.bench.frame import FrameLines
from loft.job.caution import CAUTION
from loft.job.records import Array, Job, Section
from loft.job.units import format_length

_SQUARE = 100.0
CAUTIONS = (
    CAUTION,
    "Measure the 100 mm square both ways before use: if it is not 100 mm, do not cut.",
)


def view_words(lines: FrameLines) -> str:
    """Return which way the sheet is seen.

    Examples
    --------
    >>> from loft.bench.frame import frame_lines
    >>> from loft.bench.stock import plain_job, round_section
    >>> view_words(frame_lines(round_section(600.0), plain_job()))
    'looking aft, starboard left, heel face up, flange turns away'
    """
    way = (
        "looking aft, starboard left"
        if lines.part.hand > 0
        else ("looking forward, starboard right")
    )
    return f"{way}, heel face up, flange turns away"


def on_board(lines: FrameLines, points: Array) -> Array:
    """Return (bl, height) as X, Y on the bench.

    Examples
    --------
    >>> from loft.bench.frame import frame_lines
    >>> from loft.bench.stock import plain_job, round_section
    >>> on_board(frame_lines(round_section(600.0), plain_job()), np.array([[5.0, 7.0]])).tolist()
    [[-5.0, 7.0]]
    """
    return np.asarray(points) * [-lines.part.hand, 1.0]


def small(mm: float, units: str) -> str:
    """Return a short length with its unit: feet and inches give way to decimal inches.

    A sixteenth of an inch is too coarse for a flange or a cut-out.

    Examples
    --------
    >>> small(19.0, "mm"), small(19.05, "ft-in")
    ('19.0 mm', '0.750 in')
    """
    unit = "mm" if units == "mm" else "in"
    return f"{format_length(mm, unit)} {unit}"


def ring_title(
    drawing: Drawing, section: Section, job: Job, lines: FrameLines, section_hash: str, units: str
) -> None:
    """Letter the title inside a frame, beside the centreline, and the sides of the ship."""
    inner = on_board(lines, lines.inner_line)
    middle = (inner.min(axis=0) + inner.max(axis=0)) / 2
    room = float(np.clip(0.42 * np.ptp(inner[:, 0]), 150.0, 480.0))
    top = middle[1] + 0.25 * float(np.ptp(inner[:, 1]))
    for side, sign in (("STARBOARD", 1.0), ("PORT", -1.0)):
        edge = -lines.part.hand * sign
        at = (middle[0] + edge * 20.0, top + 30.0)
        drawing.letter(at, side, height=12.0, anchor="start" if edge > 0 else "end")
    title_block(
        drawing, (float(middle[0]) + 20.0, top), room, section, job, lines, section_hash, units
    )


def title_block(
    drawing: Drawing,
    corner: tuple[float, float],
    room: float,
    section: Section,
    job: Job,
    lines: FrameLines,
    section_hash: str,
    units: str,
    *,
    name: str = "",
) -> None:
    """Letter title, facts, cautions, key and a 100 mm square from the upper left `corner` down."""
    x, y = corner
    size = float(np.clip(room / 62.0, 3.5, 7.0))
    heads = [job.title, f"FRAME {section.frame} {name}  FULL SIZE"]
    heads = [part for row in heads for part in broken(row, room=room, height=1.6 * size)]
    big = drawing.rows((x, y), heads, height=1.6 * size)
    rows = [*facts(section, job, lines, section_hash, units)]
    rows = [part for row in rows for part in broken(row, room=room, height=0.6 * size)]
    y = drawing.rows((x, big), rows, height=0.6 * size)
    for caution in CAUTIONS:
        y = drawing.rows(
            (x, y - 0.4 * size), broken(caution, room=room, height=0.6 * size), height=0.6 * size
        )
    measure_square(drawing, (x, y - _SQUARE - 4.0))
    _key(drawing, (x + _SQUARE + 20.0, y - 10.0))


def facts(
    section: Section, job: Job, lines: FrameLines, section_hash: str, units: str
) -> list[str]:
    """Return the rows of a title: where, which side up, what it was made from.

    Examples
    --------
    >>> from loft.bench.frame import frame_lines
    >>> from loft.bench.stock import plain_job, round_section
    >>> section, job = round_section(600.0), plain_job()
    >>> facts(section, job, frame_lines(section, job), "0123456789ab", "mm")[0]
    'station 1000.0 mm, square to the datum'
    """
    part = lines.part
    unit = {"mm": " mm", "in": " in", "ft-in": " ft-in-eighths"}[units]

    def say(mm: float) -> str:
        return format_length(mm, units)

    at = f"station {say(section.station)}{unit}, square to the datum"
    if section.cant:
        at = (
            f"station {say(section.station)}{unit} at waterline {say(section.pivot_wl)}, canted "
            f"{math.degrees(section.cant):g} degrees; heights are true, in the frame's plane"
        )
    laps = " and laps" if np.ptp(lines.depth) > 0 else ""
    made = f"revision {job.revision or 'unknown'}, {job.date or 'date unknown'}"
    return [
        at,
        view_words(lines).upper(),
        f"section {section_hash}; {made}; prepared by {job.prepared_by or 'unknown'}",
        "mould line: outside of the skin. Flange line: heel, "
        f"{small(float(lines.depth.min()), units)} under it{laps}, {part.stands.replace('_', ' ')}",
        f"flange {small(part.flange, units)} faces {part.faces}; gauge {part.gauge:g} mm; "
        f"inside bend radius {part.radius:g} mm; web {small(part.web_depth, units)}; "
        f"alloy {part.alloy or 'unknown'}",
        f"section band, 95 % pointwise: up to {float(section.band95.max()):.2f} mm either side",
    ]


def measure_square(drawing: Drawing, corner: tuple[float, float]) -> None:
    """Draw a 100 mm square from its lower left corner, to be measured before use.

    Examples
    --------
    >>> drawing = Drawing(title="t", subject="s")
    >>> measure_square(drawing, (0.0, 0.0))
    >>> float(drawing.strokes[0].points.max())
    100.0
    """
    x, y = corner
    box = [[x, y], [x + _SQUARE, y], [x + _SQUARE, y + _SQUARE], [x, y + _SQUARE]]
    drawing.stroke("MEASURE", box, closed=True)
    drawing.letter((x + 50.0, y + 52.0), "FULL SIZE", height=5.0, anchor="middle")
    drawing.letter((x + 50.0, y + 42.0), "this square is 100 mm", height=3.5, anchor="middle")


_NAMES = {
    "MOULD_LINE": "mould line",
    "FLANGE_LINE": "flange line (heel)",
    "BEND_TANGENT": "bend tangent lines, on the flat",
    "RIVET_LINE": "rivet line, on the flat",
    "WEB_EDGE": "inner edge of the web",
    "BLANK_EDGE": "cut here, trim included",
    "TRIM_LINE": "flange edge once trimmed",
    "CUT_OUT": "cut-out",
    "SPLICE": "splice",
    "STRINGER": "line crossing",
    "LIGHTENING_HOLE": "lightening hole",
    "SPLICE_RIVETS": "splice rivets, each side",
}


def _key(drawing: Drawing, place: tuple[float, float]) -> None:
    """Draw which line is which, of those that are drawn."""
    x, y = place
    used = {stroke.layer for stroke in drawing.strokes}
    for layer, words in _NAMES.items():
        if layer in used:
            drawing.stroke("LETTERING", [[x, y], [x + 24.0, y]], look=layer)
            drawing.letter((x + 28.0, y - 1.2), words, height=3.0)
            y -= 8.0
