"""Lay a made part onto its section: by its pin holes, or by the movement most readings agree on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from loft.bench.frame import FrameLines
from loft.bench.marks import Mark
from loft.bench.outline import Outline, Places, at
from loft.bench.part import depth_at
from loft.bench.part_table import PartReading
from loft.job.errors import LoftError
from loft.job.records import Array, Job, Section, freeze_arrays

_TUKEY = 4.685  # 95 % as good as least squares on sound readings
_PASSES = 30
_LOOSEST = 1e4  # a movement whose sd is this many times the readings' is not held by them


@dataclass(frozen=True, eq=False, kw_only=True)
class Fit:
    """The part's rigid movement (bl, height, roll about `centre`), its covariance, its weights."""

    move: Array
    covariance: Array
    centre: Array
    weight: Array  # of every point reading in the fit; none where held by pins
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def back(self, place: Array) -> Array:
        """Return places with the movement taken out."""
        cos, sin = math.cos(self.move[2]), math.sin(self.move[2])
        spin = np.array([[cos, sin], [-sin, cos]])  # roll lifts starboard: bl towards up
        return (place - self.centre - self.move[:2]) @ spin.T + self.centre


def station_of(section: Section, job: Job, reading: PartReading) -> float:
    """Return the station a reading was taken at: its own, else the frame's usual place."""
    if reading.station == reading.station:
        return reading.station
    usual = [frame.touch for frame in job.frames if frame.name == section.frame]
    up = (reading.wl - section.pivot_wl) * math.tan(section.cant)
    touch = usual[0] if usual and reading.kind == "point" else 0.0
    return section.station + up + touch


def flat_place(section: Section, job: Job, reading: PartReading) -> tuple[float, float]:
    """Return where a reading stands square over the frame's plane, (bl, height)."""
    if section.cant == 0.0:
        return reading.bl, reading.wl
    along = station_of(section, job, reading) - section.station
    up = reading.wl - section.pivot_wl
    return reading.bl, up * math.cos(section.cant) + along * math.sin(section.cant)


def _aft(section: Section, job: Job, readings: Sequence[PartReading]) -> Array:
    """Return how far aft of the heel plane each reading was taken, square to the plane."""
    along = np.array([station_of(section, job, r) for r in readings]) - section.station
    up = np.array([r.wl for r in readings]) - section.pivot_wl
    return along * math.cos(section.cant) - up * math.sin(section.cant)


def deviations(
    section: Section,
    job: Job,
    lines: FrameLines,
    readings: Sequence[PartReading],
    place: Array,
) -> tuple[Array, Places]:
    """Return deviations along the surface normal, positive outside, and the places beside them."""
    here = foot(lines.outline, place)
    out = np.einsum("ij,ij->i", place - here.point, here.normal)
    aft = _aft(section, job, readings)
    flange = depth_at(section, job, lines.part, here.girth, np.zeros(len(place), dtype=bool))
    lap = flange - lines.part.depth
    depth = np.array(
        [
            {
                "skin_outer": 0.0,
                "skin_inner": job.skin_gauge + lap[k],
                "stringer_inner": job.skin_gauge + job.stringer_depth + lap[k],
                "frame_flange": flange[k],
            }[reading.face]
            for k, reading in enumerate(readings)
        ]
    )
    return out * np.cos(here.bevel) - aft * np.sin(here.bevel) + depth, here


def foot(outline: Outline, place: Array) -> Places:
    """Return the places of the mould line square to which points stand, shape (n, 2) in.

    Examples
    --------
    >>> from loft.bench.outline import outline_of
    >>> from loft.bench.stock import round_section
    >>> foot(outline_of(round_section(600.0)), np.array([[590.0, 0.0]])).point.round(6).tolist()
    [[600.0, 0.0]]
    """
    if not len(place):
        return at(outline, np.zeros(0))
    count = max(math.ceil(outline.length / 2.0), 64)
    girth = outline.length * np.arange(count) / count
    dense = at(outline, girth).point
    gap = np.linalg.norm(place[:, None, :] - dense[None, :, :], axis=2)
    found = girth[np.argmin(gap, axis=1)]
    for _ in range(12):
        here = at(outline, found)
        along = np.column_stack([here.normal[:, 1], -here.normal[:, 0]])
        off = place - here.point
        slip = np.einsum("ij,ij->i", off, along)
        stretch = 1.0 + here.curvature * np.einsum("ij,ij->i", off, here.normal)
        step = np.clip(slip / np.maximum(stretch, 0.2), -3.0, 3.0)
        found = found + step
        if np.abs(step).max() < 1e-9:
            break
    return at(outline, found)


def answers(here: Places, place: Array, centre: Array) -> Array:
    """Return how a deviation answers to a movement (bl, height, roll), shape (n, 3)."""
    arm = place - centre
    roll = arm[:, 0] * here.normal[:, 1] - arm[:, 1] * here.normal[:, 0]
    return np.column_stack([here.normal, roll]) * np.cos(here.bevel)[:, None]


def fit_points(
    section: Section, job: Job, lines: FrameLines, points: Sequence[PartReading], place: Array
) -> Fit:
    """Find the rigid movement that most readings agree on (Tukey's biweight)."""
    if len(points) < 5:
        raise LoftError(
            f"{len(points)} points on the part found, 5 or more wanted to lay it on the section; "
            "or read two of its pin holes"
        )
    sigma = np.array([reading.sigma for reading in points])
    centre, weight = place.mean(axis=0), np.ones(len(points))
    fit = Fit(move=np.zeros(3), covariance=np.eye(3), centre=centre, weight=weight)
    for turn in range(_PASSES):
        now = fit.back(place)
        left, here = deviations(section, job, lines, points, now)
        design = answers(here, now, centre)
        step, covariance, notes = _solve(design, left, weight / sigma**2, float(sigma.mean()))
        fit = Fit(
            move=fit.move + step, covariance=covariance, centre=centre, weight=weight, notes=notes
        )
        if np.abs(step * [1.0, 1.0, 500.0]).max() < 1e-7 and turn > 5:
            break
        gone = left - design @ step
        spread = max(1.0, 1.4826 * float(np.median(np.abs(gone / sigma))))
        ratio = gone / sigma / spread / _TUKEY
        weight = np.where(np.abs(ratio) < 1, (1 - ratio**2) ** 2, 0.0)
    return fit


def _solve(
    design: Array, left: Array, weight: Array, sigma: float
) -> tuple[Array, Array, tuple[str, ...]]:
    """Solve for a movement; what the readings do not hold stays where it is."""
    scale = np.array([1.0, 1.0, 1e-3])  # roll in thousandths, alike in size to mm
    normal = (design * scale).T @ (weight[:, None] * design * scale)
    values, vectors = np.linalg.eigh(normal)
    held = values > 1.0 / (_LOOSEST * sigma) ** 2
    inverse = np.where(held, 1.0 / np.where(held, values, 1.0), 0.0)
    step = scale * (vectors @ (inverse * (vectors.T @ (scale * (design.T @ (weight * left))))))
    covariance = (vectors * inverse) @ vectors.T * np.outer(scale, scale)
    if held.all():
        return step, covariance, ()
    note = "the points do not hold the part in every direction (a round piece can slide along "
    return step, covariance, (note + "itself): read two pin holes to place it",)


def hold_pins(
    section: Section, job: Job, drilled: Sequence[PartReading], pins: dict[str, Mark]
) -> Fit:
    """Lay the part on by its pin holes: least squares of their places."""
    if len({reading.line for reading in drilled}) < 2:
        raise LoftError("fewer than two pin holes found on the part, two wanted to hold it by them")
    found = np.array([flat_place(section, job, reading) for reading in drilled])
    wanted = np.array([[pins[r.line].bl, pins[r.line].height] for r in drilled])
    sigma = np.array([reading.sigma for reading in drilled])
    weight = 1 / sigma**2
    centre = (weight[:, None] * found).sum(axis=0) / weight.sum()
    middle = (weight[:, None] * wanted).sum(axis=0) / weight.sum()
    arm, aim = found - centre, wanted - middle
    across = np.sum(weight * (aim[:, 0] * arm[:, 1] - aim[:, 1] * arm[:, 0]))
    roll = math.atan2(across, np.sum(weight * np.sum(aim * arm, axis=1)))
    covariance = np.diag(
        [1 / weight.sum(), 1 / weight.sum(), 1 / np.sum(weight * np.sum(arm**2, axis=1))]
    )
    # turned back about `middle`, where the section has the holes' mean place
    return Fit(
        move=np.array([*(centre - middle), roll]),
        covariance=covariance,
        centre=middle,
        weight=np.zeros(0),
    )
