"""Splices between the pieces of a frame: counts, pitches and plate, by published tables."""

from __future__ import annotations

import math
from dataclasses import dataclass

from loft.bench.bend import setback
from loft.bench.part import Part
from loft.bench.tables import (
    EDGE_LEAST,
    EDGE_SOURCE,
    EDGE_USUAL,
    FRAME_SHARE,
    INCH,
    LENGTH_SOURCE,
    PITCH_LEAST,
    PITCH_SOURCE,
    PITCH_USUAL,
    PLATE_SOURCE,
    RIVET_ALLOYS,
    RIVETS_TABLE,
    SHEET_SHARE,
    alloy_of,
    rivet_length,
    rivets_per_inch,
    transverse_pitch,
)
from loft.job.records import Job


@dataclass(frozen=True, kw_only=True)
class Leg:
    """Rivets through one leg of the frame on each side of a splice; 0: not known."""

    name: str  # web | flange | inner flange
    width: float  # mm
    rivets: int
    worked: str  # how the count came about


@dataclass(frozen=True, kw_only=True)
class Splice:
    """What every splice of the frame is made by. Lengths mm, NaN where not known."""

    type: str
    rivet: float
    legs: tuple[Leg, ...]
    plate_length: float  # least
    lap: float  # of an overlap: the job's, or what the rows of rivets need
    edge_distance: float  # least
    edge_usual: float
    pitch_least: float
    pitch_usual: tuple[float, float]
    transverse: float  # between rows, at the least of the usual pitch
    rivet_length: float  # through frame and a plate of the next heavier gauge: grip 2 T and more
    notes: tuple[str, ...]
    sources: tuple[str, ...]


def splice_of(part: Part, job: Job) -> Splice:
    """Return the splices that the job asks for, see `splice_plan`.

    Examples
    --------
    >>> from loft.bench.part import part_of
    >>> from loft.bench.stock import plain_job, round_section
    >>> job = plain_job()
    >>> splice_of(part_of(round_section(600.0), job), job).type
    'plate'
    """
    shop = job.shop
    return splice_plan(part, kind=shop.splice_type, rivet=shop.splice_rivet, lap=shop.splice_lap)


def splice_plan(part: Part, *, kind: str, rivet: float, lap: float = math.nan) -> Splice:
    """Work out a splice by the published tables, or say that they do not apply.

    Rivets in each leg on each side: width times the tabled count, rounded up; of
    that 60 % for an intermediate frame, rounded up again. The order of rounding is
    that of the published example. An overlap is a single-lap joint of sheet: 75 %,
    once through both.

    Parameters
    ----------
    part : Part
    kind : str
        plate or overlap; "" where the job does not say.
    rivet : float
        Diameter, mm; NaN where the job does not say.
    lap : float
        How far the pieces of an overlap lie on each other, mm; NaN: as far as needed.

    Returns
    -------
    Splice

    Examples
    --------
    >>> from loft.bench.part import part_of
    >>> from loft.bench.stock import plain_job, round_section
    >>> part = part_of(round_section(600.0), plain_job())
    >>> [(leg.name, leg.rivets) for leg in splice_plan(part, kind="plate", rivet=3.2).legs]
    [('web', 15), ('flange', 4)]
    """
    notes = []
    if alloy_of(part.alloy) not in RIVET_ALLOYS:
        notes.append(
            f"the rivet table is for {', '.join(RIVET_ALLOYS)}; the job's alloy is "
            f"{part.alloy or 'unknown'}: no count is given"
        )
    if not rivet > 0:
        notes.append("the job names no rivet ([splice] rivet): no count is given")
    if not kind:
        notes.append("the job names no type of splice ([splice] type)")
    widths = {"web": part.web_depth, "flange": part.flange}
    if part.inner_flange:
        widths["inner flange"] = part.inner_flange
    known = not notes
    share = SHEET_SHARE if kind == "overlap" else FRAME_SHARE
    legs = tuple(
        _leg(name, width, part.gauge, rivet, known, share) for name, width in widths.items()
    )
    if known and not all(leg.rivets for leg in legs):
        notes.append(f"the rivet table does not reach gauge {part.gauge:g} mm, rivet {rivet:g} mm")
    if kind == "overlap":
        notes.append(
            "overlap: the table is for single-lap sheet joints and is read so, at 75 %; joggle "
            "and the eccentric pull are in no table: the maker's data or a licensed engineer decide"
        )
        needed = _lap(part, legs, rivet)
        lap = lap if lap > 0 else needed
        notes.append(
            f"each piece runs {lap:.1f} mm past its second splice, over the next one, which is to "
            f"be joggled in by {part.gauge:g} mm there: its files do not show the joggle"
            if lap > 0
            else "the lap is not known ([splice] lap): the blanks end at the joint, one of the two "
            "is to be made longer"
        )
    else:
        lap = math.nan
    pitch = tuple(factor * rivet for factor in PITCH_USUAL)
    return Splice(
        type=kind,
        rivet=rivet,
        legs=legs,
        plate_length=_plate(part, legs, rivet) if kind == "plate" else math.nan,
        lap=lap,
        edge_distance=EDGE_LEAST * rivet,
        edge_usual=EDGE_USUAL * rivet,
        pitch_least=PITCH_LEAST * rivet,
        pitch_usual=(pitch[0], pitch[1]),
        transverse=transverse_pitch(pitch[0], rivet),
        rivet_length=rivet_length(rivet, 2 * part.gauge),
        notes=tuple(notes),
        sources=(RIVETS_TABLE, EDGE_SOURCE, PITCH_SOURCE, PLATE_SOURCE, LENGTH_SOURCE),
    )


def leg_rivets(width_inch: float, per_inch: float, *, share: float = FRAME_SHARE) -> int:
    """Return the rivets in one leg on each side: rounded up before the share and after it.

    Examples
    --------
    >>> leg_rivets(0.6, 6.2), leg_rivets(2.0, 6.2)
    (3, 8)
    """
    whole = math.ceil(width_inch * per_inch - 1e-9)
    return math.ceil(share * whole - 1e-9)


def _leg(name: str, width: float, gauge: float, rivet: float, known: bool, share: float) -> Leg:
    per_inch, row = rivets_per_inch(gauge, rivet) if known else (math.nan, math.nan)
    if per_inch != per_inch:
        return Leg(name=name, width=width, rivets=0, worked="unknown")
    inches = width / INCH
    count = leg_rivets(inches, per_inch, share=share)
    whole = math.ceil(inches * per_inch - 1e-9)
    return Leg(
        name=name,
        width=width,
        rivets=count,
        worked=f"{inches:.3f} in x {per_inch:g} (row {row:.3f}) = {inches * per_inch:.2f}, "
        f"up {whole}, {100 * share:.0f} % {share * whole:.1f}, up {count}",
    )


def _plate(part: Part, legs: tuple[Leg, ...], rivet: float) -> float:
    """Return the least length of a plate: twice the web's width, and room for the flange's row."""
    flange = max((leg.rivets for leg in legs if leg.name != "web"), default=0)
    row = 2 * (2 * EDGE_USUAL + max(flange - 1, 0) * PITCH_USUAL[0]) * rivet
    return max(2 * part.web_depth, row) if row == row else 2 * part.web_depth


def _lap(part: Part, legs: tuple[Leg, ...], rivet: float) -> float:
    """Return how long a lap its rows of rivets need, at a square flange; NaN where not known."""
    web = legs[0].rivets
    across = rivets_across(part, float(setback(math.pi / 2, radius=part.radius, gauge=part.gauge)),
                           rivet)  # fmt: skip
    if not all(leg.rivets for leg in legs) or across < 1:
        return math.nan
    row = max(leg.rivets for leg in legs[1:])
    least = max(
        (math.ceil(web / across) - 1) * transverse_pitch(PITCH_USUAL[0] * rivet, rivet),
        (row - 1) * PITCH_USUAL[0] * rivet,
    )
    return math.ceil(2 * EDGE_USUAL * rivet + least)


def rivets_across(part: Part, back: float, rivet: float) -> int:
    """Return how many rivets 4 D apart stand across the web between bend and edge.

    Examples
    --------
    >>> from loft.bench.part import part_of
    >>> from loft.bench.stock import plain_job, round_section
    >>> rivets_across(part_of(round_section(600.0), plain_job()), 5.2, 3.2)
    5
    """
    room = web_room(part, back, rivet)
    return max(math.floor((room[1] - room[0]) / (PITCH_USUAL[0] * rivet) + 1e-9) + 1, 0)


def web_room(part: Part, back: float, rivet: float) -> tuple[float, float]:
    """Return between which depths inside the flange line rivets may stand in the web, mm.

    Examples
    --------
    >>> from loft.bench.part import part_of
    >>> from loft.bench.stock import plain_job, round_section
    >>> web_room(part_of(round_section(600.0), plain_job()), 5.2, 3.2)
    (13.2, 67.0)
    """
    edge = EDGE_USUAL * rivet
    last = part.web_depth - edge
    if part.inner_flange:
        last -= (part.radius + part.gauge) * math.tan((math.pi - part.inner_angle) / 2)
    return back + edge, last
