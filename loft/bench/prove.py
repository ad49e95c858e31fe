"""The made part against the section that was issued: accept, rework, or not decidable."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from loft.bench.frame import FrameLines, frame_lines
from loft.bench.hands import angle_girth, hand_notes
from loft.bench.lay import Fit, answers, deviations, fit_points, flat_place, hold_pins
from loft.bench.marks import Mark, frame_marks
from loft.bench.outline import at
from loft.bench.part import crossing_girth
from loft.bench.part_table import PartReading
from loft.fairing.section import NORMAL95
from loft.job.caution import CAUTION
from loft.job.errors import Finding, LoftError
from loft.job.files import table_text
from loft.job.records import NAN, Array, Job, Section
from loft.job.units import MM_PER

ACCEPT, REWORK, OPEN = "accept", "rework", "cannot be decided"
COLUMNS = (
    *("girth", "bl", "wl", "deviation", "sd", "tolerance", "verdict"),
    *("kind", "name", "band95", "remark"),
)


@dataclass(frozen=True, kw_only=True)
class Proof:
    """One reading judged. mm, radians for an angle; deviation positive outside."""

    kind: str
    name: str
    girth: float
    bl: float
    wl: float
    deviation: float
    sd: float  # of survey and fit
    tolerance: float
    verdict: str
    band95: float  # of the issued section, apart from the verdict
    remark: str


@dataclass(frozen=True, eq=False, kw_only=True)
class Proved:
    """A made part judged as a whole."""

    rows: tuple[Proof, ...]
    verdict: str
    held: str  # pins | fit
    movement: tuple[float, float, float]  # bl, height, roll of the part against the section
    notes: tuple[str, ...]


def prove(section: Section, readings: Sequence[PartReading], job: Job, *, hold: str = "") -> Proved:
    """Judge a made part by its readings against the section that was issued.

    The part is first laid onto the section: by its pin holes where two or more were
    read, else by a rigid movement in the plane that most readings agree on. Every
    reading is judged against the fit of the others, so that none passes for having
    pulled the fit towards itself. With U the 95 % uncertainty of reading and fit:
    accept where |deviation| + U is within the tolerance, rework where |deviation| - U
    is beyond it, otherwise this survey cannot decide.

    Parameters
    ----------
    section : Section
    readings : sequence of PartReading
    job : Job
        Its [tolerance] is what the part is judged by.
    hold : str
        pins, fit, or "" for pins where two or more were read.

    Returns
    -------
    Proved

    Raises
    ------
    LoftError
        A tolerance is missing; a pin or line is unknown; fewer readings than a fit needs.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> section, job = round_section(600.0), plain_job()
    >>> turn = np.linspace(0.0, 5.0, 12)
    >>> readings = [PartReading(kind="point", line="", station=NAN, bl=599.1 * np.sin(t),
    ...     wl=599.1 * np.cos(t), sigma=0.1, face="frame_flange") for t in turn]
    >>> prove(section, readings, job).verdict
    'accept'
    """
    lines = frame_lines(section, job)
    pins = {mark.name: mark for mark in frame_marks(section, job, lines) if mark.kind == "pin"}
    _check(readings, job, pins, section)
    by_pins = hold == "pins" or (hold == "" and sum(r.kind == "pin" for r in readings) >= 2)
    points = [r for r in readings if r.kind == "point"]
    drilled = [r for r in readings if r.kind == "pin"]
    place = np.array([flat_place(section, job, r) for r in points]).reshape(-1, 2)
    if by_pins:
        fit = hold_pins(section, job, drilled, pins)
    else:
        fit = fit_points(section, job, lines, points, place)
    rows = [
        *_judge_points(section, job, lines, points, place, fit),
        *_judge_pins(section, job, drilled, pins, fit),
        *_judge_angles(section, job, lines, [r for r in readings if r.kind == "angle"]),
    ]
    words = {row.verdict for row in rows}
    verdict = REWORK if REWORK in words else OPEN if OPEN in words else ACCEPT
    return Proved(
        rows=tuple(rows),
        verdict=verdict,
        held="pins" if by_pins else "fit",
        movement=(float(fit.move[0]), float(fit.move[1]), float(fit.move[2])),
        notes=(*hand_notes(section, readings, job, lines, pins), *fit.notes),
    )


def prove_table(
    section: Section,
    proved: Proved,
    section_hash: str,
    *,
    unit: str = "mm",
    origin: Sequence[str] = (),
) -> str:
    """Return prove.csv; lengths in `unit`, the job's; `origin` says what was compared.

    Examples
    --------
    >>> from loft.bench.stock import round_section
    >>> empty = Proved(rows=(), verdict="accept", held="fit", movement=(0.0, 0.0, 0.0), notes=())
    >>> prove_table(round_section(600.0), empty, "0123456789ab").splitlines()[-1][:19]
    'girth,bl,wl,deviati'
    """
    bl, height, roll = proved.movement
    heading = [
        f"made part of {section.frame} against section {section_hash}; "
        f"lengths in {unit}, angles in degrees",
        f"verdict: {proved.verdict}; laid on by "
        + ("its pin holes" if proved.held == "pins" else "a fit to its points"),
        f"the part stood {bl:+.3f} mm bl, {height:+.3f} mm up and {math.degrees(roll):+.4f} "
        "degrees of roll (starboard up) from the section; that is taken out",
        "accept: |deviation| + 1.96 sd within the tolerance; rework: |deviation| - 1.96 sd beyond "
        "it; sd is of survey and fit, band95 that of the issued section, apart",
        *origin,
        *proved.notes,
        CAUTION,
    ]
    u = MM_PER[unit]
    rows = [
        (
            row.girth / u,
            row.bl / u,
            row.wl / u,
            *(
                math.degrees(v) if row.kind == "angle" else v / u
                for v in (row.deviation, row.sd, row.tolerance)
            ),
            row.verdict,
            row.kind,
            row.name,
            row.band95 / u,
            row.remark,
        )
        for row in proved.rows
    ]
    return table_text(COLUMNS, rows, heading)


def _check(
    readings: Sequence[PartReading], job: Job, pins: dict[str, Mark], section: Section
) -> None:
    kinds = {reading.kind for reading in readings}
    wanted = {
        "point": ("tolerance.mould_line", job.shop.tolerance_mould_line),
        "angle": ("tolerance.flange_angle_deg", job.shop.tolerance_flange_angle),
        "pin": ("tolerance.hole", job.shop.tolerance_hole),
    }
    faults = [
        Finding(file=job.path.name, column=key, text="nothing found, the part's tolerance wanted")
        for kind, (key, value) in wanted.items()
        if kind in kinds and value != value
    ]
    for reading in readings:
        if reading.kind == "pin" and reading.line not in pins:
            known = ", ".join(pins) or "no pin at all"
            faults.append(_at_line(reading, f"{reading.line} found, {known} is in [block] pins"))
        lost = reading.kind == "angle" and reading.bl != reading.bl
        if lost and math.isnan(crossing_girth(section, reading.line)):
            text = f"{reading.line} found, a line that crosses {section.frame} wanted"
            faults.append(_at_line(reading, text))
    if faults:
        raise LoftError(faults)


def _at_line(reading: PartReading, text: str) -> Finding:
    return Finding(file=reading.source, row=reading.row, column="line", text=text)


def _verdict(deviation: float, sd: float, tolerance: float) -> str:
    size, doubt = abs(deviation), NORMAL95 * sd
    if size + doubt <= tolerance:
        return ACCEPT
    return REWORK if size - doubt > tolerance else OPEN


def _judge_points(
    section: Section,
    job: Job,
    lines: FrameLines,
    points: Sequence[PartReading],
    place: Array,
    fit: Fit,
) -> list[Proof]:
    if not points:
        return []
    now = fit.back(place)
    left, here = deviations(section, job, lines, points, now)
    design = answers(here, now, fit.centre)
    sigma = np.array([reading.sigma for reading in points])
    through_fit = np.einsum("ij,jk,ik->i", design, fit.covariance, design)
    share = fit.weight / sigma**2 * through_fit if len(fit.weight) else np.zeros(len(points))
    free = np.maximum(1.0 - share, 1e-9)
    deviation, sd = left / free, np.sqrt(sigma**2 + through_fit / free)
    band = np.interp(here.girth, section.girth, section.band95, period=section.length)
    limit = job.shop.tolerance_mould_line
    rows = []
    for k, reading in enumerate(points):
        verdict = _verdict(float(deviation[k]), float(sd[k]), limit)
        rows.append(
            Proof(
                kind="point",
                name=reading.line,
                girth=float(here.girth[k]),
                bl=reading.bl,
                wl=reading.wl,
                deviation=float(deviation[k]),
                sd=float(sd[k]),
                tolerance=limit,
                verdict=verdict,
                band95=float(band[k]),
                remark=_remark(verdict, float(deviation[k]), float(sd[k]), limit),
            )
        )
    return rows


def _remark(verdict: str, deviation: float, sd: float, limit: float) -> str:
    """Say which way and by how much, and what would decide."""
    if verdict == REWORK:
        way = "outside: take it in" if deviation > 0 else "inside: bring it out"
        return f"{abs(deviation):.2f} mm {way} by {abs(deviation) - limit:.2f} mm or more"
    if verdict == OPEN:
        need = abs(limit - abs(deviation)) / NORMAL95
        return f"an sd under {need:.2f} mm would decide, {sd:.2f} mm found"
    return ""


def _judge_pins(
    section: Section,
    job: Job,
    drilled: Sequence[PartReading],
    pins: dict[str, Mark],
    fit: Fit,
) -> list[Proof]:
    rows = []
    for reading in drilled:
        mark = pins[reading.line]
        (now,) = fit.back(np.array([flat_place(section, job, reading)]))
        off = now - [mark.bl, mark.height]
        arm = now - fit.centre
        roll = fit.covariance[2, 2] * float(arm @ arm) / 2
        sd = math.sqrt(reading.sigma**2 + (fit.covariance[0, 0] + fit.covariance[1, 1]) / 2 + roll)
        deviation = float(np.hypot(*off))
        verdict = _verdict(deviation, sd, job.shop.tolerance_hole)
        remark = f"{off[0]:+.2f} mm bl, {off[1]:+.2f} mm up of its place"
        rows.append(
            Proof(
                kind="pin",
                name=reading.line,
                girth=mark.girth,
                bl=reading.bl,
                wl=reading.wl,
                deviation=deviation,
                sd=sd,
                tolerance=job.shop.tolerance_hole,
                verdict=verdict,
                band95=NAN,
                remark=remark,
            )
        )
    return rows


def _judge_angles(
    section: Section, job: Job, lines: FrameLines, angles: Sequence[PartReading]
) -> list[Proof]:
    rows = []
    limit = job.shop.tolerance_flange_angle
    for reading in angles:
        girth = angle_girth(section, job, lines, reading)
        here = at(lines.outline, [girth])
        wanted = math.pi / 2 + lines.part.hand * float(here.bevel[0])
        deviation = reading.value - wanted
        verdict = _verdict(deviation, reading.sigma, limit)
        way = "open: close it" if deviation > 0 else "closed: open it"
        turn = math.degrees(abs(deviation))
        rows.append(
            Proof(
                kind="angle",
                name=reading.line,
                girth=girth,
                bl=reading.bl,
                wl=reading.wl,
                deviation=deviation,
                sd=reading.sigma,
                tolerance=limit,
                verdict=verdict,
                band95=NAN,
                remark=f"{turn:.2f} degrees too {way}" if verdict == REWORK else "",
            )
        )
    return rows
