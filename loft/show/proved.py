"""The made part on one sheet: deviation by girth, flange angles, and what is to be reworked."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from loft.bench.prove import ACCEPT, OPEN, REWORK, Proof, Proved
from loft.fairing.section import NORMAL95
from loft.job.caution import CAUTION
from loft.job.records import Array, Job, Section
from loft.show.layout import BLUE
from loft.show.plot import Plot, round_step
from loft.show.sheet import (
    DASHED,
    FINE,
    GREY,
    INK,
    MARK,
    MEDIUM,
    NARROW,
    PALE,
    Sheet,
    broken,
    plain,
)
from loft.show.words import date_of, known

PAGE = (297.0, 210.0)  # A4 lying, ISO 216
LINE = (24.0, 30.0, 194.0, 106.0)  # left, top, right, bottom
ANGLES = (24.0, 136.0, 194.0, 176.0)
OUTLINE = (206.0, 30.0, 287.0, 106.0)
COLUMN = 205.0  # where the words begin
LETTER = 1.8
LOWEST = 190.0
KINDS = {ACCEPT: ("dot", INK), OPEN: ("ring", BLUE), REWORK: ("up", MARK)}
LONGEST = 5.0  # mm on the sheet of the greatest deviation on the outline, about


def proved_drawing(
    job: Job, section: Section, proved: Proved, section_hash: str, origin: Sequence[str] = ()
) -> str:
    """Draw a made part's readings against the section that was issued.

    Parameters
    ----------
    job : Job
    section : Section
    proved : Proved
        From `loft.bench.prove.prove`.
    section_hash : str
    origin : sequence of str
        Which section that was, in words.

    Returns
    -------
    svg : str
        An A4 sheet, millimetres throughout; the same input gives the same text.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> nothing = Proved(rows=(), verdict="accept", held="fit", movement=(0, 0, 0), notes=())
    >>> proved_drawing(plain_job(), round_section(600.0), nothing, "0123456789ab")[:4]
    '<svg'
    """
    sheet = Sheet(*PAGE)
    title = f"{job.title}: the made part of {section.frame} against section {section_hash}"
    sheet.text((10.0, 13.5), title, size=3.2, bold=True)
    day = date_of(job) if job.date else "date unknown"
    way = "its pin holes" if proved.held == "pins" else "a fit to its points"
    note = f"revision {known(job.revision)}, {day}; laid on by {way}; bars: 95 % of reading and fit"
    sheet.text((10.0, 18.6), note, size=LETTER, colour=GREY)
    points = [row for row in proved.rows if row.kind == "point"]
    angles = [row for row in proved.rows if row.kind == "angle"]
    _deviations(sheet, section, points)
    _angles(sheet, section, angles)
    _outline(sheet, section, points)
    _verdict(sheet, proved, origin)
    sheet.paragraph((10.0, 201.0), CAUTION, room=277.0, size=LETTER, colour=GREY)
    return sheet.svg(title=title, description=f"The made part proved. {CAUTION}")


def _field(
    sheet: Sheet,
    section: Section,
    box: tuple[float, float, float, float],
    rows: Sequence[Proof],
    factor: float,
) -> Plot:
    """Draw a field by girth with tolerance, bars and marks; values times `factor`."""
    tolerance = factor * rows[0].tolerance if rows else 1.0
    reach = [factor * (abs(row.deviation) + NORMAL95 * row.sd) for row in rows]
    top = 1.12 * max([tolerance, *reach])
    plot = Plot(sheet, box, (0.0, section.length), (-top, top))
    left, _, right, _ = box
    high, low = (float(plot.y(value)) for value in (tolerance, -tolerance))
    sheet.box((left, high), (right - left, low - high), width=0, fill="#eef2ee")
    plot.rules(parts=6)
    cross = section.crossings
    plot.uprights(cross.girth.tolist(), [str(name) for name in cross.line], turn=True)
    for edge in (high, low):
        sheet.line((left, edge), (right, edge), width=NARROW, colour=MARK, dash=DASHED)
    for row in sorted(rows, key=lambda row: row.girth):
        kind, colour = KINDS[row.verdict]
        ends = [factor * (row.deviation + sign * NORMAL95 * row.sd) for sign in (1, -1)]
        x = float(plot.x(row.girth))
        sheet.line(*((x, float(plot.y(end))) for end in ends), width=NARROW, colour=colour)
        kind = "down" if kind == "up" and row.deviation < 0 else kind
        plot.mark(row.girth, factor * row.deviation, kind, size=1.0, colour=colour)
    return plot


def _deviations(sheet: Sheet, section: Section, points: Sequence[Proof]) -> None:
    plot = _field(sheet, section, LINE, points, 1.0)
    girth = np.r_[section.girth, section.length]
    band = np.r_[section.band95, section.band95[:1]]
    top = plot.up[1]
    for sign in (1.0, -1.0):
        shown = np.where(band <= top, sign * band, np.nan)
        sheet.path(plot.x(girth), plot.y(shown), width=FINE, colour=GREY)
    words = f"tolerance ± {plain(points[0].tolerance)} mm" if points else "no point was read"
    plot.frame("Deviation of the mould line by girth, outside positive", note=words)
    plot.unit("mm", off=11.5)
    _key(sheet, LINE[3] + 14.0)


def _angles(sheet: Sheet, section: Section, angles: Sequence[Proof]) -> None:
    if not angles:
        sheet.text((ANGLES[0], ANGLES[1]), "No flange angle was read.", size=LETTER, colour=GREY)
        return
    plot = _field(sheet, section, ANGLES, angles, 180 / np.pi)
    words = f"tolerance ± {plain(np.rad2deg(angles[0].tolerance))}°"
    plot.frame("Deviation of the flange angle, open positive", note=words)
    plot.unit("degrees", off=11.5)


def _key(sheet: Sheet, down: float) -> None:
    across = LINE[0] + 1.0
    field = Plot(sheet, (across, down - 1.0, across + 170.0, down), (0.0, 170.0), (0.0, 1.0))
    for place, kind, words in (
        (0.0, "dot", "accept"),
        (18.0, "ring", "cannot be decided by this survey"),
        (66.0, "up", "rework"),
    ):
        colour = next(ink for mark, ink in KINDS.values() if mark == kind)
        field.mark(place, 0.35, kind, size=1.0, colour=colour)
        sheet.text((across + place + 2.4, down), words, size=LETTER, colour=GREY)
    sheet.line((across + 84.0, down - 0.6), (across + 90.0, down - 0.6), width=NARROW, colour=MARK,
               dash=DASHED)  # fmt: skip
    sheet.text((across + 92.0, down), "tolerance", size=LETTER, colour=GREY)
    sheet.line((across + 110.0, down - 0.6), (across + 116.0, down - 0.6), width=FINE, colour=GREY)
    sheet.text((across + 118.0, down), "95 % band of the section itself", size=LETTER, colour=GREY)


def _outline(sheet: Sheet, section: Section, points: Sequence[Proof]) -> None:
    """Draw the section looking forward, each deviation drawn larger along its normal."""
    flat = np.column_stack([section.bl, section.height])
    left, top, right, bottom = OUTLINE
    low, high = flat.min(axis=0), flat.max(axis=0)
    room = min((right - left - 22.0) / (high - low)[0], (bottom - top - 22.0) / (high - low)[1])
    middle = (low + high) / 2
    centre = np.array([(left + right) / 2, (top + bottom) / 2])

    def put(place: Array) -> Array:
        return centre + (place - middle) * [room, -room]

    ring = put(np.vstack([flat, flat[:1]]))
    sheet.path(ring[:, 0], ring[:, 1], width=NARROW, colour=PALE)
    most = max([abs(row.deviation) for row in points] or [1.0])
    times = max(round_step(LONGEST / (room * max(most, 1e-3)), 1.0), 1.0)
    for row in points:
        at = np.array([np.interp(row.girth, section.girth, v, period=section.length)
                       for v in (section.bl, section.height, section.normal_bl,
                                 section.normal_height)])  # fmt: skip
        foot = put(at[:2])
        tip = foot + times * room * row.deviation * at[2:] * [1.0, -1.0]
        colour = KINDS[row.verdict][1]
        sheet.line(tuple(foot), tuple(tip), width=MEDIUM, colour=colour)
        sheet.dot(tuple(tip), 0.55, fill=colour)
    for k, name in enumerate(section.crossings.line):
        if section.crossings.kind[k] in ("crown", "keel"):
            turn = section.crossings.normal[k]
            out = np.array([np.sin(turn), -np.cos(turn)])
            place = put(np.array([section.crossings.bl[k], section.crossings.height[k]])) - 5 * out
            sheet.text((place[0], place[1] + 0.7), str(name), size=LETTER, anchor="middle",
                       colour=GREY)  # fmt: skip
    sheet.text((left, top - 1.6), "Where", size=2.1, bold=True)
    sheet.text((right, top - 1.6), f"looking forward, starboard right; deviations × {plain(times)}",
               size=LETTER, anchor="end", colour=GREY)  # fmt: skip


def _verdict(sheet: Sheet, proved: Proved, origin: Sequence[str]) -> None:
    """Say the verdict, the rework place by place, the pin holes and the notes."""
    down = OUTLINE[3] + 10.0
    colour = KINDS[proved.verdict][1]
    sheet.text((COLUMN, down), proved.verdict.upper(), size=3.6, bold=True, colour=colour)
    down += 5.0
    tally = {word: sum(row.verdict == word for row in proved.rows) for word in KINDS}
    words = ", ".join(f"{count} {word}" for word, count in tally.items() if count)
    sheet.text((COLUMN, down), f"{len(proved.rows)} readings: {words}", size=LETTER)
    said = [(f"{_where(row)}: {row.remark}", INK) for row in proved.rows if row.verdict == REWORK]
    said += [(f"{_where(row)}: {row.remark}", GREY) for row in proved.rows
             if row.kind == "pin" and row.verdict != REWORK]  # fmt: skip
    said = [(note, MARK) for note in proved.notes] + said + [(note, GREY) for note in origin]
    down += 5.0
    for number, (text, ink) in enumerate(said):
        rows = broken(text, room=(287.0 - COLUMN) * 1.12, size=LETTER)
        if down + 3.1 * len(rows) > LOWEST:
            left = len(said) - number
            sheet.text((COLUMN, down), f"and {left} more, in prove.csv", size=LETTER, colour=GREY)
            return
        for row in rows:
            sheet.text((COLUMN, down), row, size=LETTER, colour=ink)
            down += 3.1
        down += 1.0


def _where(row: Proof) -> str:
    kind = "flange angle at " if row.kind == "angle" else ""
    return (
        f"{kind}{row.name or 'girth'} ({row.girth:.0f})" if row.name else f"girth {row.girth:.0f}"
    )
