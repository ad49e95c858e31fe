"""A made part that is the mirror image of what was wanted, or whose flange faces the other way."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from loft.bench.frame import FrameLines
from loft.bench.lay import deviations, fit_points, flat_place, foot, hold_pins, station_of
from loft.bench.marks import Mark
from loft.bench.outline import at
from loft.bench.part import crossing_girth
from loft.bench.part_table import PartReading
from loft.job.errors import LoftError
from loft.job.records import Array, Job, Section

_WORST = 16.0  # a reading counts for no more than four times what it is good for
_PLAINLY = 0.25  # the other hand must leave this share of the misfit, or less
_NEAR = 1.0  # mm: a reading nearer the heel plane does not tell which way the flange stands


def hand_notes(
    section: Section,
    readings: Sequence[PartReading],
    job: Job,
    lines: FrameLines,
    pins: dict[str, Mark],
) -> list[str]:
    """Say whether the readings are plainly those of the mirror image or of a reversed flange.

    Mirrored: laid on anew with port and starboard exchanged, points and pin holes
    leave at most a quarter of the misfit that they leave as they were read. A section
    alike on both sides cannot tell, and nothing is said. Reversed: the readings were
    taken on the other side of the heel plane than the flange should stand, or the
    flange angles are those of a flange that follows the skin the other way.

    Parameters
    ----------
    section : Section
    readings : sequence of PartReading
    job : Job
        Its [tolerance] says what a misfit is.
    lines : FrameLines
    pins : dict of str to Mark
        The section's pin holes by name.

    Examples
    --------
    >>> from loft.bench.frame import frame_lines
    >>> from loft.bench.stock import plain_job, round_section
    >>> section, job = round_section(600.0), plain_job()
    >>> hand_notes(section, [], job, frame_lines(section, job), {})
    []
    """
    notes = []
    as_read = _misfit(section, readings, job, lines, pins)
    other = _misfit(section, [_mirrored(r) for r in readings], job, lines, pins)
    if as_read > 1.0 and other < _PLAINLY * as_read:
        notes.append(
            "MIRRORED: with port and starboard exchanged the part fits "
            f"{math.sqrt(as_read / max(other, 1e-4)):.0f} times better; it looks made to the "
            "other hand, or read from the other face"
        )
    notes += _stands_wrong(section, readings, job, lines)
    return notes + _angled(section, readings, job, lines)


def _mirrored(reading: PartReading) -> PartReading:
    return replace(reading, bl=-reading.bl)


def _misfit(
    section: Section,
    readings: Sequence[PartReading],
    job: Job,
    lines: FrameLines,
    pins: dict[str, Mark],
) -> float:
    """Return the mean square of what is left over what is allowed, each held to a most."""
    points = [r for r in readings if r.kind == "point"]
    drilled = [r for r in readings if r.kind == "pin"]
    place = np.array([flat_place(section, job, r) for r in points]).reshape(-1, 2)
    try:
        if len({r.line for r in drilled}) >= 2:
            fit = hold_pins(section, job, drilled, pins)
        else:
            fit = fit_points(section, job, lines, points, place)
    except LoftError:  # too few of either to lay it on
        return 0.0
    left = []
    if points:
        off, _ = deviations(section, job, lines, points, fit.back(place))
        left += _share(off, points, job.shop.tolerance_mould_line)
    for reading in drilled:
        mark = pins[reading.line]
        (now,) = fit.back(np.array([flat_place(section, job, reading)]))
        gap = np.array([math.dist(now, (mark.bl, mark.height))])
        left += _share(gap, [reading], job.shop.tolerance_hole)
    return float(np.mean(np.minimum(np.square(left), _WORST)))


def _share(off: Array, readings: Sequence[PartReading], tolerance: float) -> list[float]:
    """Return misfits over what the reading and half the tolerance allow together."""
    sigma = np.array([reading.sigma for reading in readings])
    return list(off / np.hypot(sigma, tolerance / 2))


def _stands_wrong(
    section: Section, readings: Sequence[PartReading], job: Job, lines: FrameLines
) -> list[str]:
    """Tell of flange readings taken on the side of the heel plane where no flange should be."""
    own = [r for r in readings if r.face == "frame_flange" and r.kind == "point"]
    own = [r for r in own if r.station == r.station]
    up = math.tan(section.cant)
    along = [station_of(section, job, r) - section.station - (r.wl - section.pivot_wl) * up
             for r in own]  # fmt: skip
    told = [value for value in along if abs(value) > _NEAR]
    wrong = sum(value * lines.part.hand < 0 for value in told)
    if not told or wrong <= len(told) / 2:
        return []
    stands, wanted = ("forward", "aft") if lines.part.hand > 0 else ("aft", "forward")
    return [
        f"FLANGE REVERSED: {wrong} of {len(told)} flange readings stand {stands} of the heel "
        f"plane, the flange is to face {wanted}"
    ]


def _angled(
    section: Section, readings: Sequence[PartReading], job: Job, lines: FrameLines
) -> list[str]:
    """Tell of angles that are open where they should be closed, all round."""
    own = [r for r in readings if r.kind == "angle"]
    if not own:
        return []
    bevel = at(lines.outline, [angle_girth(section, job, lines, r) for r in own]).bevel
    value = np.array([r.value for r in own]) - math.pi / 2
    limit = job.shop.tolerance_flange_angle
    right, wrong = (
        float(np.mean(np.square((value - hand * bevel) / limit)))
        for hand in (lines.part.hand, -lines.part.hand)
    )
    if right <= 1.0 or wrong >= _PLAINLY * right:
        return []
    wanted, found = ("aft", "forward") if lines.part.hand > 0 else ("forward", "aft")
    return [
        f"FLANGE REVERSED: the {len(own)} flange angles are those of a flange that faces {found}, "
        f"it is to face {wanted}"
    ]


def angle_girth(section: Section, job: Job, lines: FrameLines, reading: PartReading) -> float:
    """Return where a flange angle was taken: at its own place, else where its line crosses."""
    girth = crossing_girth(section, reading.line)
    if girth != girth or reading.bl == reading.bl:
        (girth,) = foot(lines.outline, np.array([flat_place(section, job, reading)])).girth
    return float(girth)
