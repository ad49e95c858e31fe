"""The figures a frame is made by, taken from the job; what is missing is refused by name."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loft.bench.bend import bend_constant
from loft.job.errors import Finding, LoftError
from loft.job.records import Array, Job, Section
from loft.job.units import MM_PER

_AWAY = re.compile(r"(.+?)([+-]\d+(?:\.\d+)?)")


@dataclass(frozen=True, kw_only=True)
class Part:
    """What the bench must know of the frame. All of it is given by the job; mm, radians."""

    stands: str
    depth: float  # from the mould line to the flange, normal to the surface, without laps
    gauge: float
    flange: float
    faces: str  # aft | forward
    web_depth: float
    radius: float
    rivet_line: float  # NaN: not given
    trim: float  # 0 where not given
    inner_flange: float  # 0: there is none
    inner_faces: str
    inner_angle: float
    overbend: float  # 0 where not given
    overbend_given: bool
    constant: str
    alloy: str

    @property
    def hand(self) -> float:
        """Return +1 for a flange that faces aft, -1 for one that faces forward."""
        return 1.0 if self.faces == "aft" else -1.0


def part_of(section: Section, job: Job) -> Part:
    """Collect the figures of the frame that `section` was lifted for.

    Raises
    ------
    LoftError
        One finding for each figure that is missing or cannot be.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> part_of(round_section(600.0), plain_job()).depth
    0.9
    """
    sheet = job.frame_section
    stands = _stands(section.frame, job)
    faults = part_lacks(job, section.frame)
    if faults:
        raise LoftError(faults)
    inner = 0.0 if math.isnan(sheet.inner_flange) else sheet.inner_flange
    given = not math.isnan(job.shop.block_overbend)
    part = Part(
        stands=stands,
        depth=job.skin_gauge + (job.stringer_depth if stands == "inside_stringers" else 0.0),
        gauge=sheet.gauge,
        flange=sheet.flange,
        faces=sheet.flange_faces,
        web_depth=sheet.web_depth,
        radius=sheet.bend_radius,
        rivet_line=sheet.rivet_line,
        trim=0.0 if math.isnan(sheet.trim) else sheet.trim,
        inner_flange=inner,
        inner_faces=sheet.inner_flange_faces,
        inner_angle=sheet.inner_angle,
        overbend=job.shop.block_overbend if given else 0.0,
        overbend_given=given,
        constant=sheet.bend_constant,
        alloy=sheet.alloy,
    )
    faults = list(_impossible(part))
    if faults:
        raise LoftError(faults)
    return part


def depth_at(
    section: Section, job: Job, part: Part, girth: Array, before: NDArray[np.bool_]
) -> Array:
    """Return how deep the flange lies under the mould line, laps included, mm.

    At the edge of a lap `before` asks for the side of lesser girth.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> section, job = round_section(600.0), plain_job()
    >>> part = part_of(section, job)
    >>> depth_at(section, job, part, np.array([10.0]), np.array([False])).tolist()
    [0.9]
    """
    depth = np.full(girth.shape, part.depth)
    for low, high, extra in lap_ranges(section, job):
        if low < high:
            late, early = (girth >= low) & (girth < high), (girth > low) & (girth <= high)
        else:
            late, early = (girth >= low) | (girth < high), (girth > low) | (girth <= high)
            early |= girth == 0.0  # the last of the turn is the first of the next
        depth += extra * np.where(before, early, late)
    return depth


def lap_ranges(section: Section, job: Job) -> list[tuple[float, float, float]]:
    """Return (from, to, added depth) of every lap on this frame, girths within one turn.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> lap_ranges(round_section(600.0), plain_job())
    []
    """
    ranges = []
    for lap in job.laps:
        if section.frame in lap.frames:
            low, high = (float(np.mod(edge, section.length)) for edge in lap.girth)
            ranges.append((low, high, lap.extra))
    return ranges


def crossing_girth(section: Section, line: str) -> float:
    """Return the girth at which a named line crosses, NaN where none of that name does.

    Examples
    --------
    >>> from loft.bench.stock import round_section
    >>> crossing_girth(round_section(600.0), "CROWN")
    0.0
    """
    hit = np.flatnonzero(section.crossings.line == line)
    return float(np.mod(section.crossings.girth[hit[0]], section.length)) if len(hit) else math.nan


def place_girth(section: Section, place: str, unit: str) -> float:
    """Return the girth of a place: at a line, or so far from one; NaN where none is named so.

    ``S7S+80`` lies 80 of the job's unit from S7S towards greater girth (down the
    starboard side, up the port side), ``S7P-80`` towards lesser: splices, pins and
    holes need not stand in a stringer's cut-out.

    Examples
    --------
    >>> from loft.bench.stock import round_section
    >>> place_girth(round_section(600.0), "CROWN+80", "mm")
    80.0
    """
    girth = crossing_girth(section, place)
    away = _AWAY.fullmatch(place)
    if girth == girth or not away:
        return girth
    girth = crossing_girth(section, away[1]) + float(away[2]) * MM_PER[unit]
    return float(np.mod(girth, section.length))


def _stands(name: str, job: Job) -> str:
    own = [frame.stands for frame in job.frames if frame.name == name]
    return job.frame_section.stands or (own[0] if own else "")


def part_lacks(job: Job, frame: str) -> list[Finding]:
    """Name every key of the job without which no line of a frame's part can be drawn.

    Examples
    --------
    >>> from loft.bench.stock import plain_job
    >>> part_lacks(plain_job(), "F1")
    []
    """
    sheet, stands = job.frame_section, _stands(frame, job)
    wanted = {
        "frame_section.stands": stands,
        "frame_section.gauge": sheet.gauge,
        "frame_section.flange": sheet.flange,
        "frame_section.flange_faces": sheet.flange_faces,
        "frame_section.web_depth": sheet.web_depth,
        "frame_section.bend_radius": sheet.bend_radius,
        "skin.gauge": job.skin_gauge,
    }
    if stands == "inside_stringers":
        wanted["stringer.depth"] = job.stringer_depth
    if sheet.inner_flange == sheet.inner_flange:
        wanted["frame_section.inner_flange_faces"] = sheet.inner_flange_faces
    return [
        Finding(
            file=job.path.name,
            column=key,
            text=f"nothing found, {_words(key)} wanted: the bench has no figure of its own",
        )
        for key, value in wanted.items()
        if value == "" or value != value
    ]


def _words(key: str) -> str:
    return {
        "frame_section.stands": "on_skin or inside_stringers",
        "frame_section.gauge": "the gauge of the frame's sheet",
        "frame_section.flange": "the flange width, heel to free edge,",
        "frame_section.flange_faces": "aft or forward",
        "frame_section.web_depth": "the depth of the web, flange line to inner edge,",
        "frame_section.bend_radius": "the inside bend radius",
        "skin.gauge": "the gauge of the skin",
        "stringer.depth": "the depth of the stringers",
        "frame_section.inner_flange_faces": "aft or forward, for the inner flange,",
    }[key]


def _impossible(part: Part) -> Iterable[Finding]:
    bend_constant(part.constant)
    if part.flange > part.web_depth:
        yield Finding(
            column="frame_section.flange",
            text=f"{part.flange:g} mm found, wider than the web of {part.web_depth:g} mm: "
            "a flange no wider than web_depth is wanted",
        )
    if part.inner_flange > part.web_depth:
        yield Finding(
            column="frame_section.inner_flange",
            text=f"{part.inner_flange:g} mm found, wider than the web of {part.web_depth:g} mm",
        )
    if not math.isnan(part.rivet_line) and part.rivet_line >= part.flange:
        yield Finding(
            column="frame_section.rivet_line",
            text=f"{part.rivet_line:g} mm found, off the flange of {part.flange:g} mm",
        )
