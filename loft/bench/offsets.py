"""The offset table: half-breadths at waterlines, heights at buttock lines, both sides."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from loft.bench.frame import frame_lines
from loft.bench.outline import Outline, at, outline_of
from loft.bench.part import depth_at, part_of
from loft.job.caution import CAUTION
from loft.job.errors import Finding, LoftError
from loft.job.files import table_text
from loft.job.records import NAN, Array, Job, Section
from loft.job.units import MM_PER, format_length

COLUMNS = ("line_kind", "line_value", "side", "offset", "sd", "notation", "branch", "of")
STEEPEST = math.radians(85.0)  # beyond this no sd of an offset is printed
_SAMPLE = 2.0  # mm of girth between the points at which the line is searched
_TOUCH = 1e-6  # mm: a level nearer than this to the end of the body only touches it
_HALVINGS = 60


@dataclass(frozen=True, eq=False, kw_only=True)
class Offset:
    """One offset, mm. `value` is the waterline or buttock line, or the name of a line."""

    kind: str  # waterline | buttock | line
    value: float | str
    side: str
    offset: float
    sd: float  # NaN where the line is crossed at a slant over 85 degrees
    branch: str
    of: str


@dataclass(frozen=True, eq=False, kw_only=True)
class _Curve:
    """A closed line of the frame in (bl, wl), asked by girth."""

    outline: Outline
    cant: float
    pivot_wl: float
    inset: Callable[[Array], Array]

    def place(self, girth: Array) -> tuple[Array, Array]:
        """Return bl and wl."""
        here = at(self.outline, girth)
        point = here.point - (self.inset(here.girth) / np.cos(here.bevel))[:, None] * here.normal
        wl = point[:, 1]
        if self.cant != 0.0:
            wl = self.pivot_wl + wl * math.cos(self.cant)
        return point[:, 0], wl

    def spread(self, girth: float, kind: str) -> float:
        """Return the sd of an offset read there, NaN beyond 85 degrees of slant."""
        here = at(self.outline, [girth])
        cosine = abs(float(here.normal[0, 0 if kind == "waterline" else 1]))
        if cosine < math.cos(STEEPEST):
            return NAN
        fall = 1.0 if kind == "waterline" else math.cos(self.cant)
        return float(here.sd[0]) / cosine * fall


def offset_table(section: Section, job: Job, *, of: str = "mould") -> tuple[Offset, ...]:
    """Return the offsets of a frame at the job's waterlines and buttock lines.

    Half-breadths are measured from bl 0, heights are waterlines; both sides are
    given in full. A waterline that crosses a side more than once has its outermost
    crossing as `outer`, the others as `inner`; a buttock line has `upper` and
    `lower`. Every line of the section follows with half-breadth and height.

    Parameters
    ----------
    section : Section
    job : Job
        Its [offsets] give the spacing.
    of : str
        mould: the outside of the skin; flange: the flange line.

    Returns
    -------
    tuple of Offset
        Waterlines from the top, starboard before port; buttock lines outwards.

    Raises
    ------
    LoftError
        No spacing is given; `of` is neither; the flange's figures are missing.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> table = offset_table(round_section(500.0), plain_job())
    >>> [(row.side, round(row.offset, 3)) for row in table if row.value == 300.0][:2]
    [('starboard', 400.0), ('port', 400.0)]
    """
    _check(job, of)
    curve = _curve(section, job, of)
    girth = _samples(section, job)
    bl, wl = curve.place(girth)
    rows = [*_waterlines(curve, girth, bl, wl, job, of), *_buttocks(curve, girth, bl, wl, job, of)]
    return (*rows, *_lines(section, curve, of))


def offsets_csv(
    section: Section, job: Job, *, section_hash: str, units: str = "mm", of: str = "mould"
) -> str:
    """Return offsets.csv in the job's unit; the notation column is for people, in `units`.

    Parameters
    ----------
    units : str
        mm, in (decimal inches) or ft-in (feet-inches-eighths).

    Raises
    ------
    LoftError
        As `offset_table`.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> text = offsets_csv(round_section(500.0), plain_job(), section_hash="0123456789ab")
    >>> [row for row in text.splitlines() if row.startswith("waterline,300")][0]
    'waterline,300.0000,starboard,400.0000,0.3750,400.0,outer,mould'
    """
    u = MM_PER[job.unit]
    rows = [
        (
            row.kind,
            row.value if isinstance(row.value, str) else row.value / u,
            row.side,
            row.offset / u,
            row.sd / u,
            format_length(row.offset, units),
            row.branch,
            row.of,
        )
        for row in offset_table(section, job, of=of)
    ]
    return table_text(COLUMNS, rows, _heading(section, job, section_hash, units, of))


def _heading(section: Section, job: Job, section_hash: str, units: str, of: str) -> list[str]:
    words = {
        "mm": "millimetres to 0.1",
        "in": "inches to 0.001",
        "ft-in": "feet-inches-eighths, + a sixteenth more",
    }
    line = "mould line, outside of the skin" if of == "mould" else "flange line, at the heel"
    u = MM_PER[job.unit]
    at_station = f"station {section.station / u:.4f}"
    if section.cant:
        at_station += (
            f" at waterline {section.pivot_wl / u:g}, cant {math.degrees(section.cant):g} degrees; "
            f"true height in the plane: (wl - {section.pivot_wl / u:g}) / cos(cant)"
        )
    return [
        f"offsets of {section.frame}, section {section_hash}; {line}; lengths in {job.unit}",
        f"{at_station}; datum bl 0 wl 0; from {section.source}",
        "waterline: half-breadth from bl 0, to starboard or port; buttock: height as a waterline; "
        "line: half_breadth and height of a named line",
        f"notation: {words[units]}; sd: one standard deviation of the offset as printed, blank "
        "where the line is met at more than 85 degrees from square",
        f"{job.title}, revision {job.revision or 'unknown'}",
        CAUTION,
    ]


def _check(job: Job, of: str) -> None:
    if of not in ("mould", "flange"):
        raise LoftError(Finding(column="offsets.of", text=f"{of} found, mould or flange wanted"))
    faults = [
        Finding(
            file=job.path.name,
            column=f"offsets.{key}",
            text=f"{value:g} found, a spacing of {key} wanted"
            if value == value
            else f"nothing found, the spacing of the {key} wanted",
        )
        for key, value in (("waterlines", job.shop.waterlines), ("buttocks", job.shop.buttocks))
        if not value > 0
    ]
    if faults:
        raise LoftError(faults)


def _curve(section: Section, job: Job, of: str) -> _Curve:
    def none(girth: Array) -> Array:
        return np.zeros_like(girth)

    inset = none
    if of == "flange":
        frame_lines(section, job)  # refuses what cannot be
        part = part_of(section, job)

        def inset(girth: Array) -> Array:
            return depth_at(section, job, part, girth, np.zeros(len(girth), dtype=bool))

    return _Curve(
        outline=outline_of(section), cant=section.cant, pivot_wl=section.pivot_wl, inset=inset
    )


def _samples(section: Section, job: Job) -> Array:
    count = max(math.ceil(section.length / _SAMPLE), 8)
    even = section.length * np.arange(count) / count
    return np.unique(np.concatenate([even, np.mod(section.girth, section.length)]))


def _waterlines(
    curve: _Curve, girth: Array, bl: Array, wl: Array, job: Job, of: str
) -> Iterator[Offset]:
    space = job.shop.waterlines
    top, bottom = wl.max() - _TOUCH, wl.min() + _TOUCH
    first, last = math.floor(top / space), math.ceil(bottom / space)
    for number in range(first, last - 1, -1):
        level = number * space
        roots = _roots(curve, 1, level, girth, wl - level)
        breadth = curve.place(roots)[0] if len(roots) else roots
        for side, sign in (("starboard", 1.0), ("port", -1.0)):
            mine = [k for k in range(len(roots)) if sign * breadth[k] > 1e-9]
            mine.sort(key=lambda k: -abs(breadth[k]))
            for rank, k in enumerate(mine):
                yield Offset(
                    kind="waterline",
                    value=level + 0.0,
                    side=side,
                    offset=float(abs(breadth[k])),
                    sd=curve.spread(float(roots[k]), "waterline"),
                    branch="inner" if rank else "outer",
                    of=of,
                )


def _buttocks(
    curve: _Curve, girth: Array, bl: Array, wl: Array, job: Job, of: str
) -> Iterator[Offset]:
    space = job.shop.buttocks
    for number in range(math.floor((np.abs(bl).max() - _TOUCH) / space) + 1):
        for side, sign in (("starboard", 1.0), ("port", -1.0)):
            level = sign * number * space
            roots = _roots(curve, 0, level, girth, bl - level)
            height = curve.place(roots)[1] if len(roots) else roots
            top = sorted(range(len(roots)), key=lambda k: -height[k])
            for rank, k in enumerate(top):
                yield Offset(
                    kind="buttock",
                    value=abs(level),
                    side=side,
                    offset=float(height[k]),
                    sd=curve.spread(float(roots[k]), "buttock"),
                    branch="lower" if rank == len(top) - 1 and rank else "upper",
                    of=of,
                )


def _lines(section: Section, curve: _Curve, of: str) -> Iterator[Offset]:
    for row, name in enumerate(section.crossings.line):
        girth = float(section.crossings.girth[row])
        bl, wl = (float(value[0]) for value in curve.place(np.array([girth])))
        side = "centre" if abs(bl) < 1e-6 else "starboard" if bl > 0 else "port"
        for kind, value in (("waterline", abs(bl)), ("buttock", wl)):
            yield Offset(
                kind="line",
                value=str(name),
                side=side,
                offset=value,
                sd=curve.spread(girth, kind),
                branch="half_breadth" if kind == "waterline" else "height",
                of=of,
            )


def _roots(curve: _Curve, axis: int, level: float, girth: Array, value: Array) -> Array:
    """Return the girths at which the line passes a level of bl or wl (axis 0, 1), by halving."""
    above = value >= 0
    places = np.flatnonzero(above != np.roll(above, -1))
    if not len(places):
        return np.zeros(0)
    low = girth[places]
    step = np.roll(girth, -1)[places] - low
    high = low + np.where(step > 0, step, step + curve.outline.length)
    up = above[places]
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        same = (curve.place(middle)[axis] - level >= 0) == up
        low, high = np.where(same, middle, low), np.where(same, high, middle)
    return (low + high) / 2
