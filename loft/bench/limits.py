"""Checks of a frame against published limits and the job's own: bends, holes, corners, strain."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from loft.bench.frame import FrameLines
from loft.bench.marks import Mark
from loft.bench.outline import at
from loft.bench.rivets import splice_pattern
from loft.bench.splice import splice_of
from loft.bench.tables import (
    EDGE_LEAST,
    EDGE_SOURCE,
    RADIUS_TABLES,
    RadiusTable,
    alloy_of,
    least_radius,
)
from loft.job.errors import Finding, LoftError
from loft.job.records import Job, Section
from loft.job.units import MM_PER


def checks(
    section: Section, job: Job, lines: FrameLines, marks: Sequence[Mark]
) -> tuple[Finding, ...]:
    """Return what does not meet a limit (warnings), and what could not be judged (notes).

    Raises
    ------
    LoftError
        The job names a bend table that is not known.

    Examples
    --------
    >>> from loft.bench.frame import frame_lines
    >>> from loft.bench.stock import plain_job, round_section
    >>> section, job = round_section(600.0), plain_job()
    >>> found = checks(section, job, frame_lines(section, job), [])
    >>> found[1].column, found[1].severity
    ('frame_section.bend_radius', 'warning')
    """
    return (
        *_band(section, job),
        *_pairs(section, lines),
        *bend_radius_checks(job, lines),
        *_holes(job, lines, marks),
        *_corners(marks),
        *_splices(lines, marks, job.unit),
        *_rivets(job, lines, marks),
        *_strain(job, lines),
    )


def _band(section: Section, job: Job) -> Iterator[Finding]:
    """Tell where the section itself is known less well than the part may be made."""
    worst = int(np.argmax(section.band95_all))
    band, limit = float(section.band95_all[worst]), job.shop.tolerance_mould_line
    if limit == limit and band > limit:
        yield Finding(
            column="tolerance.mould_line",
            severity="warning",
            text=f"the section itself is known to {band:.2f} mm either side (95 %, whole outline) "
            f"at girth {section.girth[worst]:.0f} mm, the tolerance is {limit:.2f} mm: measure "
            "first; loft plan names the readings",
        )


def _pairs(section: Section, lines: FrameLines) -> Iterator[Finding]:
    """Say whether port and starboard are alike within the section's band."""
    here = at(lines.outline, section.girth)
    other = at(lines.outline, section.length - section.girth)
    off = np.einsum("ij,ij->i", other.point * [-1.0, 1.0] - here.point, here.normal)
    band = np.interp(section.length - section.girth, section.girth, section.band95,
                     period=section.length)  # fmt: skip
    ratio = np.abs(off) / np.maximum(np.hypot(section.band95, band), 1e-9)
    worst = int(np.argmax(np.where(np.abs(off) > 1e-6, ratio, 0.0)))
    alike = ratio[worst] <= 1.0 or abs(off[worst]) <= 1e-6
    laps = any(piece.lap for piece in lines.pieces)
    yield Finding(
        column="section",
        severity="note",
        text=f"port and starboard {'are alike within' if alike else 'differ by more than'} the "
        f"section's band: {abs(off[worst]):.2f} mm apart at girth {section.girth[worst]:.0f} mm; "
        + ("the sides may be mirror pairs, but " if alike and not laps else "no mirror pairs: ")
        + ("each piece of an overlap has its lap at the end of greater girth, " if laps else "")
        + "every piece is made from its own files",
    )


def bend_radius_checks(job: Job, lines: FrameLines) -> Iterator[Finding]:
    """Compare the bend radius with every published table that reaches it, or the job's one.

    Examples
    --------
    >>> from loft.bench.frame import frame_lines
    >>> from loft.bench.stock import plain_job, round_section
    >>> job = plain_job()
    >>> [f.severity for f in bend_radius_checks(job, frame_lines(round_section(600.0), job))]
    ['warning']
    """
    part = lines.part
    wanted = radius_tables(job.frame_section.bend_table)
    found = [(least_radius(table, alloy=part.alloy, gauge=part.gauge), table) for table in wanted]
    known = [(radius, table) for radius, table in found if radius == radius]
    where = "frame_section.bend_radius"
    if not known:
        names = ", ".join(table.name for table in wanted)
        yield Finding(
            column=where,
            severity="note",
            text=f"no table at hand ({names}) reaches {part.alloy or 'an unknown alloy'} of "
            f"{part.gauge:g} mm: the least bend radius could not be judged",
        )
        return
    said = "; ".join(f"{radius:.1f} mm by {table.source}" for radius, table in known)
    most = max(radius for radius, _ in known)
    worst = int(np.argmax(lines.bend))
    sharp = math.degrees(float(lines.bend[worst]) + part.overbend)
    low = part.radius < most - 1e-9
    yield Finding(
        column=where,
        severity="warning" if low else "note",
        text=f"{part.radius:g} mm for {alloy_of(part.alloy)} of {part.gauge:g} mm, bent up to "
        f"{sharp:.1f} degrees at girth {lines.girth[worst]:.0f} mm; "
        f"least radius for 90 degrees: {said}"
        + ("; the tables differ, the largest counts" if len(known) > 1 else ""),
    )


def radius_tables(name: str) -> tuple[RadiusTable, ...]:
    """Return the bend table of that name, or all for "".

    Raises
    ------
    LoftError
        There is none of that name.

    Examples
    --------
    >>> [table.name for table in radius_tables("industry")]
    ['industry']
    """
    chosen = tuple(table for table in RADIUS_TABLES if name.strip().lower() in ("", table.name))
    if not chosen:
        names = ", ".join(table.name for table in RADIUS_TABLES)
        raise LoftError(
            Finding(column="frame_section.bend_table", text=f"{name} found, {names} wanted")
        )
    return chosen


def _holes(job: Job, lines: FrameLines, marks: Sequence[Mark]) -> Iterator[Finding]:
    """Check the rivet line's and the pins' distance from an edge."""
    part, rivet = lines.part, job.shop.splice_rivet
    if rivet == rivet and part.rivet_line == part.rivet_line:
        edge = part.flange - part.rivet_line
        if edge < EDGE_LEAST * rivet:
            yield Finding(
                column="frame_section.rivet_line",
                severity="warning",
                text=f"{edge:.1f} mm from the flange's edge, {EDGE_LEAST * rivet:.1f} mm is the "
                f"least for a {rivet:g} mm rivet ({EDGE_SOURCE})",
            )
        flat = part.rivet_line - float(lines.setback.max())
        if flat < rivet:
            yield Finding(
                column="frame_section.rivet_line",
                severity="warning",
                text=f"{flat:.1f} mm beyond the bend's tangent line where it is tightest: a "
                f"{rivet:g} mm rivet's head will foul the bend (common practice, no source)",
            )
    for mark in marks:
        if mark.kind == "pin":
            edge = part.web_depth - mark.depth
            if edge < EDGE_LEAST * mark.width:
                yield Finding(
                    column="block.pins",
                    severity="warning",
                    text=f"{mark.name} stands {edge:.1f} mm from the web's inner edge, "
                    f"{EDGE_LEAST * mark.width:.1f} mm is the least ({EDGE_SOURCE})",
                )


def _corners(marks: Sequence[Mark]) -> Iterator[Finding]:
    for mark in marks:
        if mark.kind == "cutout" and mark.radius > mark.width / 2:
            yield Finding(
                column="cutout.corner_radius",
                severity="warning",
                text=f"{mark.radius:g} mm is more than half the cut-out of {mark.name}, "
                f"{mark.width:.1f} mm wide: its foot is made half round",
            )
        elif mark.kind == "cutout" and mark.radius == 0:
            yield Finding(
                column="cutout.corner_radius",
                severity="warning",
                text=f"0 found for {mark.name}: a sharp corner starts cracks (FAA AC 43.13-1B "
                "p. 4-26)",
            )


def _splices(lines: FrameLines, marks: Sequence[Mark], unit: str) -> Iterator[Finding]:
    """Tell of splices that stand in a cut-out, and how to name the middle beside it."""
    length = lines.outline.length
    cuts = [mark for mark in marks if mark.kind == "cutout"]
    for splice in (mark for mark in marks if mark.kind == "splice"):
        for cut in cuts:
            gap = abs((splice.girth - cut.girth + length / 2) % length - length / 2)
            if gap < cut.width / 2:
                ahead = [(other.girth - cut.girth) % length for other in cuts if other is not cut]
                half = round(min(ahead, default=length) / 2 / MM_PER[unit], 1)
                yield Finding(
                    column="frame_section.splices",
                    severity="warning",
                    text=f"the splice {splice.name} at girth {splice.girth:.1f} mm stands in the "
                    f"cut-out of {cut.name}, {cut.width:.1f} mm wide: the flange cannot be joined "
                    f'across it; "{cut.name}+{half:g}" would part the frame midway to the next '
                    "cut-out (common practice, no source)",
                )


def _rivets(job: Job, lines: FrameLines, marks: Sequence[Mark]) -> Iterator[Finding]:
    """Tell of splice rivets that find no room."""
    plan = splice_of(lines.part, job)
    splices = [mark for mark in marks if mark.kind == "splice"]
    notes = [n for mark in splices for n in splice_pattern(lines, plan, mark, tuple(marks)).notes]
    for note in dict.fromkeys(notes):
        yield Finding(column="splice.rivet", severity="warning", text=note)


def _strain(job: Job, lines: FrameLines) -> Iterator[Finding]:
    """Compare the free edge's strain with the limits of the user's own data."""
    least, most = job.frame_section.strain_limit
    where = "frame_section.strain_limit"
    if least != least or most != most or (least == 0.0 and most == 0.0):
        yield Finding(
            column=where,
            severity="note",
            text=f"the free edge strains {100 * float(lines.strain.min()):+.2f} to "
            f"{100 * float(lines.strain.max()):+.2f} %; the job gives no limits and no published "
            "ones were found: ask the shop",
        )
        return
    for bad, word, limit in (
        (lines.strain < -abs(least), "shrinks", -abs(least)),
        (lines.strain > most, "stretches", most),
    ):
        if bad.any():
            worst = int(np.argmax(np.where(bad, np.abs(lines.strain), 0.0)))
            yield Finding(
                column=where,
                severity="warning",
                text=f"at girth {lines.girth[worst]:.0f} mm the free edge {word} by "
                f"{100 * lines.strain[worst]:+.2f} %, the job's limit is {100 * limit:+.2f} %",
            )
