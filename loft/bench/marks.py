"""What is marked on a frame beside its lines: splices, cut-outs, pin holes, lap steps, chines."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from loft.bench.cutout import cut_depth, cut_width, lean
from loft.bench.frame import FrameLines
from loft.bench.outline import Places, at
from loft.bench.part import depth_at, lap_ranges, place_girth
from loft.job.errors import Finding, LoftError
from loft.job.records import NAN, Job, Section

CUT_KINDS = ("stringer", "longeron")


@dataclass(frozen=True, eq=False, kw_only=True)
class Mark:
    """One mark in the frame's plane; mm and radians, NaN where it has no such figure.

    `bl, height` is its place: on the flange line, but the centre for a pin or lightening hole.
    `angle` is its outward direction from up, positive to starboard; `lean` how far
    a cut-out's bottom leans from square round the girth.
    """

    kind: str  # splice | cutout | pin | hole | lap_step | chine
    name: str
    girth: float
    bl: float
    height: float
    angle: float
    width: float = NAN
    depth: float = NAN
    radius: float = NAN
    lean: float = 0.0


def frame_marks(section: Section, job: Job, lines: FrameLines) -> tuple[Mark, ...]:
    """Return every mark of a frame, kind by kind, each by girth.

    Cut-outs are made where the frame stands on the skin: at every stringer and
    longeron. Pin holes are named PIN1, PIN2 ..., lightening holes H1, H2 ... in the
    order of the job.

    Raises
    ------
    LoftError
        Figures of the cut-outs are missing; cut-outs overlap or go through the web;
        the line of a pin or hole is unknown, or it would not lie on the web.

    Examples
    --------
    >>> from loft.bench.frame import frame_lines
    >>> from loft.bench.stock import plain_job, round_section
    >>> section, job = round_section(600.0), plain_job()
    >>> marks = frame_marks(section, job, frame_lines(section, job))
    >>> [(mark.kind, mark.name) for mark in marks][-2:]
    [('cutout', 'S1S'), ('cutout', 'S1P')]
    """
    splices = list(_splices(section, job, lines))
    cuts = list(_cutouts(section, job, lines))
    holes, faults = _holes(section, job, lines, [*splices, *cuts])
    faults = [*_bad_cutouts(section, job, lines, cuts), *faults]
    if faults:
        raise LoftError(faults)
    return (
        *splices,
        *cuts,
        *holes,
        *_lap_steps(section, job, lines),
        *_chines(section, lines),
    )


def _place(lines: FrameLines, here: Places, inwards: float) -> tuple[float, float]:
    point = here.point[0] - inwards * here.normal[0]
    return float(point[0]), float(point[1])


def _direction(here: Places) -> float:
    return float(np.arctan2(here.normal[0, 0], here.normal[0, 1]))


def _inset(section: Section, job: Job, lines: FrameLines, here: Places) -> float:
    depth = depth_at(section, job, lines.part, here.girth, np.zeros(1, dtype=bool))
    return float(depth[0] / np.cos(here.bevel[0]))


def _splices(section: Section, job: Job, lines: FrameLines) -> Iterator[Mark]:
    for piece in lines.pieces:
        if not piece.closed:
            here = at(lines.outline, [piece.start])
            bl, height = _place(lines, here, _inset(section, job, lines, here))
            yield Mark(
                kind="splice",
                name=piece.ends[0],
                girth=piece.start,
                bl=bl,
                height=height,
                angle=_direction(here),
                depth=lines.part.web_depth,
            )


def _cutouts(section: Section, job: Job, lines: FrameLines) -> Iterator[Mark]:
    crossings = section.crossings
    rows = [row for row, kind in enumerate(crossings.kind) if kind in CUT_KINDS]
    if lines.part.stands != "on_skin" or not rows:
        return
    _check_cutouts(job)
    for row in rows:
        here = at(lines.outline, [crossings.girth[row]])
        bevel, slope = float(crossings.bevel[row]), float(crossings.slope[row])
        turn = float(lean(bevel, slope))
        bl, height = _place(lines, here, _inset(section, job, lines, here))
        yield Mark(
            kind="cutout",
            name=str(crossings.line[row]),
            girth=float(here.girth[0]),
            bl=bl,
            height=height,
            angle=_direction(here) - turn,
            width=float(
                cut_width(
                    job.stringer_width,
                    slope,
                    bevel,
                    gauge=lines.part.gauge,
                    clearance=job.shop.cutout_clearance,
                )
            ),
            depth=float(
                cut_depth(
                    job.stringer_depth,
                    bevel,
                    gauge=lines.part.gauge,
                    clearance=job.shop.cutout_clearance,
                )
            ),
            radius=job.shop.cutout_corner_radius,
            lean=turn,
        )


def _check_cutouts(job: Job) -> None:
    wanted = {
        "stringer.width": job.stringer_width,
        "stringer.depth": job.stringer_depth,
        "cutout.clearance": job.shop.cutout_clearance,
        "cutout.corner_radius": job.shop.cutout_corner_radius,
    }
    faults = [
        Finding(
            file=job.path.name,
            column=key,
            text="nothing found; wanted for the cut-outs, since the frame stands on the skin",
        )
        for key, value in wanted.items()
        if value != value
    ]
    if faults:
        raise LoftError(faults)


def _bad_cutouts(
    section: Section, job: Job, lines: FrameLines, cuts: Sequence[Mark]
) -> Iterator[Finding]:
    """Tell of cut-outs that go through the web or into their neighbour."""
    web = lines.part.web_depth
    for cut in cuts:
        if cut.depth >= web:
            yield Finding(
                file=job.path.name,
                column="stringer.depth",
                text=f"at girth {cut.girth:.1f} mm the cut-out of {cut.name} is {cut.depth:.1f} mm "
                f"deep, the web {web:g} mm: a deeper web or a lower stringer is wanted",
            )
    ahead = sorted(cuts, key=lambda mark: mark.girth)
    for cut, other in zip(ahead, ahead[1:] + ahead[:1], strict=True):
        row = int(np.argmin(np.abs(lines.girth - cut.girth)))
        gap = (other.girth - cut.girth) % section.length * _shrunk(lines, row, cut.depth)
        if cut is not other and gap < (cut.width + other.width) / 2:
            yield Finding(
                file=job.path.name,
                column="stringer.width",
                text=f"the cut-outs of {cut.name} at girth {cut.girth:.1f} mm and {other.name} at "
                f"{other.girth:.1f} mm overlap: {gap:.1f} mm apart at their feet, "
                f"{(cut.width + other.width) / 2:.1f} mm is the least",
            )


def _holes(
    section: Section, job: Job, lines: FrameLines, others: Sequence[Mark]
) -> tuple[list[Mark], list[Finding]]:
    """Return the pin holes and the lightening holes, and what is wrong with them."""
    across = job.shop.block_pin_diameter
    marks: list[Mark] = []
    faults: list[Finding] = []

    def fault(key: str, text: str) -> None:
        faults.append(Finding(file=job.path.name, column=key, text=text))

    if job.shop.block_pins and across != across:
        fault("block.pin_diameter", "nothing found, the diameter of the pins wanted")
    asked = [("pin", line, inside, across) for line, inside in job.shop.block_pins]
    asked += [("hole", *one) for one in job.frame_section.lightening]
    counts = {"pin": 0, "hole": 0}
    for kind, line, inside, wide in asked:
        counts[kind] += 1
        key, stem = {"pin": ("block.pins", "PIN"), "hole": ("frame_section.lightening", "H")}[kind]
        girth = place_girth(section, line, job.unit)
        if girth != girth:
            text = f"{kind} {counts[kind]} at {line} found, a line that crosses {section.frame} "
            fault(key, text + "wanted, or a distance from one, such as S4S+60")
            continue
        here = at(lines.outline, [girth])
        bl, height = _place(lines, here, _inset(section, job, lines, here) + inside)
        mark = Mark(
            kind=kind,
            name=f"{stem}{counts[kind]}",
            girth=girth,
            bl=bl,
            height=height,
            angle=_direction(here),
            width=wide,
            depth=inside,
            radius=wide / 2,
        )
        for text in _off_web(section, lines, mark, [*others, *marks]):
            fault(key, text)
        marks.append(mark)
    return marks, faults


def _off_web(
    section: Section, lines: FrameLines, pin: Mark, others: Sequence[Mark]
) -> Iterator[str]:
    """Say why a hole does not lie on the flat of the web, clear of all else."""
    row = int(np.argmin(np.abs(lines.girth - pin.girth)))
    place = f"{pin.name} at girth {pin.girth:.1f} mm stands {pin.depth:.1f} mm inside the flange "
    least = float(lines.setback[row]) + pin.radius
    most = lines.part.web_depth - pin.radius
    if lines.part.inner_flange:
        sharp = np.pi - lines.part.inner_angle
        most -= (lines.part.radius + lines.part.gauge) * np.tan(sharp / 2)
    if not least <= pin.depth <= most:
        yield f"{place}line, off the flat of the web: {least:.1f} to {most:.1f} mm is wanted"
    for mark in others:
        if mark.kind in ("pin", "hole"):
            apart = float(np.hypot(mark.bl - pin.bl, mark.height - pin.height))
            if apart < mark.radius + pin.radius:
                yield f"{place}line, in {mark.name}: {apart:.1f} mm between their centres"
            continue
        gap = abs(
            (pin.girth - mark.girth + section.length / 2) % section.length - section.length / 2
        )
        if mark.kind == "splice" and gap * _shrunk(lines, row, pin.depth) < pin.radius:
            yield f"{place}line, on the splice {mark.name}: a place off the block's end is wanted"
        if mark.kind == "cutout" and _in_cutout(mark, pin):
            yield f"{place}line, in the cut-out of {mark.name} {mark.depth:.1f} mm deep"


def _shrunk(lines: FrameLines, row: int, inside: float) -> float:
    """Return how much shorter the girth is along a line inside the flange line."""
    radius = float(lines.flange_radius[row])
    return 1.0 - inside / radius if np.isfinite(radius) else 1.0


def _in_cutout(cut: Mark, pin: Mark) -> bool:
    outwards = np.array([np.sin(cut.angle), np.cos(cut.angle)])
    gap = np.array([pin.bl - cut.bl, pin.height - cut.height])
    inside, aside = -float(gap @ outwards), abs(float(gap[0] * outwards[1] - gap[1] * outwards[0]))
    return inside < cut.depth + pin.radius and aside < cut.width / 2 + pin.radius


def _lap_steps(section: Section, job: Job, lines: FrameLines) -> Iterator[Mark]:
    for low, high, extra in lap_ranges(section, job):
        for girth, step in ((low, extra), (high, -extra)):
            here = at(lines.outline, [girth])
            bl, height = _place(lines, here, _inset(section, job, lines, here))
            yield Mark(
                kind="lap_step",
                name="lap begins" if step > 0 else "lap ends",
                girth=float(here.girth[0]),
                bl=bl,
                height=height,
                angle=_direction(here),
                depth=step,
            )


def _chines(section: Section, lines: FrameLines) -> Iterator[Mark]:
    for corner in section.corners:
        row = int(np.argmin(np.abs(lines.girth - corner.girth)))
        middle = np.add(corner.normal_before, corner.normal_after)
        yield Mark(
            kind="chine",
            name=corner.line,
            girth=corner.girth,
            bl=float(lines.flange_line[row, 0]),
            height=float(lines.flange_line[row, 1]),
            angle=float(np.arctan2(middle[0], middle[1])),
        )
