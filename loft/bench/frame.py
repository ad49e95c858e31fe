"""Frame lines: from the mould line to the flange, its bend, the blank and the block's edge."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loft.bench.bend import (
    bend_allowance,
    edge_strain,
    inside_edge,
    overbend_shift,
    setback,
)
from loft.bench.fold import mend
from loft.bench.outline import SAME_GIRTH, Outline, Places, at, outline_of
from loft.bench.part import Part, depth_at, lap_ranges, part_of, place_girth
from loft.bench.pieces import Piece, split
from loft.bench.splice import splice_of
from loft.job.errors import Finding, LoftError
from loft.job.records import NAN, Array, Job, Section, freeze_arrays

STEP = 10.0  # mm of girth between rows, at most


@dataclass(frozen=True, eq=False, kw_only=True)
class FrameLines:
    """The lines of a frame once round, rows by girth, in the frame's plane.

    Arrays have shape (n,) or (n, 2) as (bl, height). The last row joins the first.
    A chine and the edge of a lap have two rows of the same girth, before and
    after. Every line but the mould line is mitred or trimmed at chines.
    """

    frame: str
    part: Part
    outline: Outline
    pieces: tuple[Piece, ...]
    girth: Array
    before: NDArray[np.bool_]
    side: NDArray[np.str_]
    station: Array
    wl: Array
    mould: Array
    normal: Array
    bevel: Array
    depth: Array  # of the flange under the mould line, normal to the surface
    inset: Array  # of the flange line in the plane, depth / cos bevel
    flange_line: Array
    angle: Array  # between flange and web
    bend: Array  # 180 degrees less the angle
    setback: Array
    web_tangent: Array
    allowance: Array  # of the bend, developed
    blank: Array  # edge of the flat blank, without trim
    trimmed: Array  # edge of the blank with its trim
    rivets: Array  # rivet line on the flat blank, NaN where none is given
    edge_inset: Array  # of the block's sharp edge inside the flange line
    block_edge: Array
    block_side: Array  # angle of the block's side, positive wider downwards
    shift: Array  # of the block's edge outwards for the overbend
    inner_line: Array  # the web's inner edge, or the heel of the inner flange
    flange_radius: Array  # of the flange line, positive convex
    strain: Array  # of the flange's free edge, shrink negative
    sd: Array
    bevel_sd: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def inside(self, amount: Array | float) -> Array:
        """Return the flange line moved inwards by `amount`, mended, shape (n, 2)."""
        return _moved(self.mould, self.normal, self.girth, self.inset + amount)

    @property
    def open_closed(self) -> NDArray[np.str_]:
        """Return open, closed or square for each row."""
        degrees = np.round(np.rad2deg(self.angle), 5)
        return np.select([degrees > 90, degrees < 90], ["open", "closed"], "square")

    @property
    def flange_edge(self) -> float:
        """Return how far along the flange its bend tangent line lies: SB, largest, mm."""
        return float(self.setback.max())


def frame_lines(section: Section, job: Job, *, step: float = STEP) -> FrameLines:
    """Construct the lines of a frame from its mould line.

    The flange line is the mould line moved inwards by depth / cos(bevel): a
    construction line at the heel, where no metal corner lies. A flange that faces
    aft stands at 90 degrees plus the bevel, one that faces forward at 90 less it.

    Parameters
    ----------
    section : Section
    job : Job
        Gives the frame's figures; none is assumed.
    step : float
        mm of girth between rows, at most.

    Returns
    -------
    FrameLines

    Raises
    ------
    LoftError
        Figures are missing or cannot be; a splice is no line of the section; the
        flange line would fold over itself.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> lines = frame_lines(round_section(600.0, bevel=-0.1), plain_job())
    >>> float(np.rad2deg(lines.angle[0]).round(2)), str(lines.open_closed[0])
    (84.27, 'closed')
    """
    part = part_of(section, job)
    outline = outline_of(section)
    lap = splice_of(part, job).lap
    lap = lap if lap > 0 else 0.0
    girth, before = _rows(section, job, outline, step, lap)
    here = at(outline, girth, before=before)
    depth = depth_at(section, job, part, girth, before)
    inset = depth / np.cos(here.bevel)
    radius = _flange_radius(here, inset, _beside_corner(girth, outline), part)
    angle = np.pi / 2 + part.hand * here.bevel
    return FrameLines(
        frame=section.frame,
        part=part,
        outline=outline,
        pieces=split(section, job, girth, before, lap=lap),
        girth=girth,
        before=before,
        side=_sides(section, girth, before),
        station=section.station + here.point[:, 1] * np.sin(section.cant),
        wl=_wl(section, here.point[:, 1]),
        mould=here.point,
        normal=here.normal,
        bevel=here.bevel,
        depth=depth,
        inset=inset,
        angle=angle,
        flange_radius=radius,
        strain=edge_strain(angle, width=part.flange, radius=radius),
        sd=here.sd,
        bevel_sd=here.bevel_sd,
        **_bent(here, girth, inset, angle, part),
    )


def _bent(here: Places, girth: Array, inset: Array, angle: Array, part: Part) -> dict[str, Array]:
    """Return the lines and figures that follow from the bend."""
    bend = np.pi - angle
    _check_bend(bend, girth, part)
    back = setback(bend, radius=part.radius, gauge=part.gauge)
    allowance = bend_allowance(bend, radius=part.radius, gauge=part.gauge, constant=part.constant)
    shift = overbend_shift(
        bend, part.overbend, radius=part.radius, gauge=part.gauge, constant=part.constant
    )
    edge = inside_edge(bend, gauge=part.gauge) - shift
    flat = 2 * back - allowance  # what the flat lacks against the two outside widths
    rivets = np.full(girth.shape, part.rivet_line) - flat

    def moved(inwards: Array | float) -> Array:
        return _moved(here.point, here.normal, girth, inset + inwards)

    return {
        "bend": bend,
        "setback": back,
        "allowance": allowance,
        "shift": shift,
        "edge_inset": edge,
        "block_side": angle - part.overbend - np.pi / 2,
        "flange_line": moved(0.0),
        "web_tangent": moved(back),
        "blank": moved(flat - part.flange),
        "trimmed": moved(flat - part.flange - part.trim),
        "rivets": moved(-rivets) if np.isfinite(part.rivet_line) else np.full((len(girth), 2), NAN),
        "block_edge": moved(edge),
        "inner_line": moved(part.web_depth),
    }


def _moved(base: Array, normal: Array, girth: Array, inwards: Array) -> Array:
    return mend(base - inwards[:, None] * normal, base, normal, girth)


def _rows(
    section: Section, job: Job, outline: Outline, step: float, lap: float
) -> tuple[Array, NDArray[np.bool_]]:
    """Return the girths of the rows, corners and skin lap edges twice; and which are before."""
    double = [*outline.corners.tolist()]
    for low, high, _ in lap_ranges(section, job):
        double += [low, high]
    splices = [place_girth(section, name, job.unit) for name in job.frame_section.splices]
    known = [np.mod(girth + way, section.length) for girth in splices for way in {0.0, lap}]
    known = [girth for girth in known if girth == girth]
    single = np.append(np.mod(section.crossings.girth, section.length), known)
    marks = np.unique(np.concatenate([np.array(double), single, [0.0]]))
    keep = _apart(marks, np.array(double), section.length)
    grid = section.girth[_clear(section.girth, keep, section.length)]
    girth = np.unique(np.concatenate([keep, grid]))
    girth = _filled(girth, section.length, step)
    twice = np.isin(girth, np.array(double))
    order = np.repeat(np.arange(len(girth)), np.where(twice, 2, 1))
    before = np.append(order[1:] == order[:-1], False)
    if twice[0]:  # girth 0: its row before stands at the end of the turn
        order, before = np.append(order[1:], 0), np.append(before[1:], True)
    return girth[order], before


def _apart(marks: Array, double: Array, length: float) -> Array:
    """Drop marks that all but stand on another; lap edges and corners stay."""
    kept: list[float] = sorted(set(double.tolist()))
    for mark in marks.tolist():
        gaps = [abs((mark - other + length / 2) % length - length / 2) for other in kept]
        if not gaps or min(gaps) > SAME_GIRTH:
            kept.append(mark)
    return np.array(sorted(kept))


def _clear(girth: Array, marks: Array, length: float) -> NDArray[np.bool_]:
    gap = np.abs(np.mod(girth[:, None] - marks[None, :] + length / 2, length) - length / 2)
    return gap.min(axis=1) > SAME_GIRTH


def _filled(girth: Array, length: float, step: float) -> Array:
    """Put rows between those that stand more than `step` apart, at even spacing."""
    gap = np.diff(np.append(girth, girth[0] + length))
    parts = np.ceil(gap / step - 1e-9).astype(int)
    place = np.repeat(np.arange(len(girth)), parts)
    within = np.arange(len(place)) - np.repeat(np.cumsum(parts) - parts, parts)
    return girth[place] + gap[place] * within / parts[place]


def _sides(section: Section, girth: Array, before: NDArray[np.bool_]) -> NDArray[np.str_]:
    late = np.searchsorted(section.girth, girth, side="right") - 1
    early = np.searchsorted(section.girth, girth, side="left") - 1
    return section.side[np.where(before, early, late)]


def _wl(section: Section, height: Array) -> Array:
    if section.cant == 0.0:
        return height
    return section.pivot_wl + height * np.cos(section.cant)


def _beside_corner(girth: Array, outline: Outline) -> NDArray[np.bool_]:
    return np.isin(girth, outline.corners)


def _flange_radius(here: Places, inset: Array, corner: NDArray[np.bool_], part: Part) -> Array:
    """Return the radius of the flange line; refuse where it folds or the flange cannot."""
    with np.errstate(divide="ignore"):
        mould = np.where(here.curvature == 0.0, np.inf, 1.0 / here.curvature)
    radius = mould - inset
    folds = (mould > 0) & (radius <= 0)
    hollow = (mould < 0) & (radius + part.flange >= 0)
    faults = []
    for bad, words in (
        (
            folds,
            "the flange line stands {inset:.1f} mm in: a greater radius, or a chine, is wanted",
        ),
        (hollow, "hollow, the flange is {flange:g} mm wide: it would meet itself"),
    ):
        if bad.any():
            worst = int(np.argmin(np.where(bad, np.abs(mould), np.inf)))
            figures = words.format(inset=inset[worst], flange=part.flange)
            faults.append(
                Finding(
                    column="girth",
                    text=f"at girth {here.girth[worst]:.1f} mm the mould line's radius is "
                    f"{abs(mould[worst]):.1f} mm and {figures}",
                )
            )
    if faults:
        raise LoftError(faults)
    return radius


def _check_bend(bend: Array, girth: Array, part: Part) -> None:
    sharp = np.max(bend)
    back = float(setback(sharp, radius=part.radius, gauge=part.gauge))
    worst = girth[int(np.argmax(bend))]
    if sharp + part.overbend >= np.pi or back >= part.flange:
        raise LoftError(
            Finding(
                column="frame_section.flange",
                text=f"at girth {worst:.1f} mm the bend of {np.rad2deg(sharp):.2f} degrees takes "
                f"{back:.2f} mm of the flange and {part.flange:g} mm is all there is: "
                "a wider flange or a smaller bend radius is wanted",
            )
        )
