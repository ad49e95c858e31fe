"""The lines drawing: body plan, half-breadth plan and profile, and the fairness beneath them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from loft.job.caution import CAUTION
from loft.job.records import Evidence, Job, Section, Survey
from loft.show.cuts import Loft
from loft.show.fairness import draw_differences
from loft.show.layout import (
    BLUE,
    COLUMN,
    EDGE,
    PAGE,
    Scene,
    draw_edge,
    draw_title_block,
    heading,
    read_scene,
)
from loft.show.sheet import (
    GREY,
    HEAVY,
    MARK,
    MEDIUM,
    NARROW,
    THIN,
    Sheet,
    plain,
)
from loft.show.views import draw_body_plan, draw_side_views
from loft.show.words import counts


def lines_drawing(
    job: Job, survey: Survey, surface: Loft, sections: Sequence[Section], evidence: Evidence
) -> str:
    """Draw the lines of the loft on one A2 sheet.

    Profile (seen from port, nose left) over the plan (starboard above), both with every
    frame; beneath them, on the same stations, the second divided differences of
    waterlines, buttock lines and named lines; beside them the body plan, looking
    forward, and the title block. Missing frames are heavy. The date is the job's.

    Parameters
    ----------
    job : Job
    survey : Survey
        Its lines give the sides.
    surface : Loft
        The faired surface.
    sections : sequence of Section
        The missing frames, lifted.
    evidence : Evidence

    Returns
    -------
    svg : str
        Millimetres throughout; the same input gives the same text.

    Raises
    ------
    ValueError
        The surface has fewer than three frames.

    Examples
    --------
    >>> svg = lines_drawing(job, survey, surface, sections, evidence)  # doctest: +SKIP
    """
    if len(surface.stations) < 3:
        raise ValueError("second differences need three surveyed frames or more")
    scene = read_scene(job, surface, sections, evidence)
    sheet = Sheet(*PAGE)
    draw_edge(sheet)
    plan, bottom = draw_side_views(sheet, scene)
    draw_differences(sheet, scene, plan, top=bottom)
    body_scale, bottom = draw_body_plan(sheet, scene)
    _key(sheet, scene, top=bottom)
    draw_title_block(
        sheet,
        job,
        what="Lines drawing: mould line of the faired loft",
        readings=len(survey),
        scales=f"1 : {plain(plan.scale)}, body plan 1 : {plain(body_scale)}",
    )
    return sheet.svg(
        title=f"{job.title}: lines drawing",
        description=f"Body plan, half-breadth plan, profile and second differences. {CAUTION}",
    )


def _key(sheet: Sheet, scene: Scene, *, top: float) -> None:
    """Draw the key of line types, then what was found."""
    rows: list[tuple[str, dict[str, Any]]] = [
        ("frame", {"width": NARROW}),
        ("missing frame, lifted off the loft", {"width": HEAVY, "colour": MARK}),
        ("greatest breadth or height", {"width": MEDIUM}),
        ("waterline, buttock line", {"width": THIN}),
        (
            "stringer or other named line",
            {"width": THIN, "colour": BLUE, "dash": "4 0.8 1.2 0.8"},
        ),
    ]
    down = top + 5
    for number, (words, ink) in enumerate(rows):
        across = COLUMN + 4 + 88 * (number % 2)
        below = down + 4.6 * (number // 2)
        sheet.line((across, below - 0.7), (across + 14, below - 0.7), **ink)
        sheet.text((across + 17, below), words, size=1.8)
    down += 4.6 * 3 + 3
    for section in scene.sections:
        heading(sheet, (COLUMN + 4, down), f"Frame {section.frame}", "as lifted off the loft")
        for words in _facts(section):
            down += 4.0
            sheet.text((COLUMN + 4, down), words, size=1.8)
        down += 7
    tally = counts(scene.evidence)
    deviation = scene.evidence.deviations
    kept = deviation.deviation[(deviation.used != "no") & np.isfinite(deviation.deviation)]
    rms = f"{np.sqrt(np.mean(kept**2)):.2f} mm rms" if len(kept) else "deviation unknown"
    words = (
        f"Readings: {tally['used']} used, {tally['doubted']} doubted, {tally['rejected']} rejected "
        f"by the fit, {tally['damaged']} set aside as damage; those used and doubted stand "
        f"{rms} off the mould line."
    )
    down = sheet.paragraph((COLUMN + 4, down), words, room=168, size=1.8) + 5
    if scene.sections:
        _crossings(sheet, scene.sections[0], top=down, bottom=EDGE[3] - 68)


def _crossings(sheet: Sheet, section: Section, *, top: float, bottom: float) -> None:
    """Tabulate where the named lines cross the first missing frame, as far as there is room."""
    crossings = section.crossings
    row, most = 3.9, int((bottom - top - 12) / 3.9)
    if most < 3 or not len(crossings.line):
        return
    blocks = min(2, -(-len(crossings.line) // most))
    each = min(most, -(-len(crossings.line) // blocks))
    heading(
        sheet,
        (COLUMN + 4, top),
        f"Lines at {section.frame}",
        "mm, on the mould line; ± is the 95 % interval of the place along the skin"
        + ("; the rest in stringers.csv" if blocks * each < len(crossings.line) else ""),
    )
    places = (14.0, 29.0, 46.0, 62.0, 76.0)
    for block in range(blocks):
        left, down = COLUMN + 4 + 88 * block, top + 5.5
        for name, place in zip(
            ("line", "girth", "buttock", "waterline", "±"), (0.0, *places[1:]), strict=True
        ):
            sheet.text(
                (left + place, down),
                name,
                size=1.7,
                colour=GREY,
                anchor="end" if place else "start",
            )
        sheet.line((left, down + 1.3), (left + 77, down + 1.3), width=THIN)
        for k in range(block * each, min((block + 1) * each, len(crossings.line))):
            down += row
            sheet.text((left, down + 0.4), str(crossings.line[k]), size=1.8)
            values = (crossings.girth[k], crossings.bl[k], crossings.wl[k], 1.96 * crossings.sd[k])
            for value, place in zip(values, places[1:], strict=True):
                words = f"{value:.1f}".replace("-", "−") if np.isfinite(value) else "unknown"
                words = "0.0" if words == "−0.0" else words
                sheet.text((left + place, down + 0.4), words, size=1.8, anchor="end")


def _facts(section: Section) -> list[str]:
    cant = f", cant {plain(float(np.degrees(section.cant)))}°" if section.cant else ", square"
    known_band = section.band95[np.isfinite(section.band95)]
    known_all = section.band95_all[np.isfinite(section.band95_all)]
    band = f"±{known_band.max():.1f} mm" if len(known_band) else "unknown"
    whole = f"±{known_all.max():.1f} mm" if len(known_all) else "unknown"
    return [
        f"Station {plain(section.station, 1)} mm{cant}; girth {section.length:.1f} mm "
        f"from the {section.zero}.",
        f"95 % band at its widest: {band} at one point, {whole} for the whole outline.",
    ]
