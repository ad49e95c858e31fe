"""What is said of every drawn figure and of every arc: the lines of the check."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from loft.drawing.advice import Advice, best_readings
from loft.drawing.chain import project
from loft.drawing.diagnosis import (
    DETECT,
    NOTHING,
    Diagnosis,
    figure_sd,
    profile_radius,
    radius_interval,
    radius_words,
)
from loft.drawing.dimensions import Dimension, figure_gradient, struck_value
from loft.drawing.drawn import Reading
from loft.drawing.facts import Drawing, Slot
from loft.drawing.readings import fold
from loft.job.records import NAN

CONFIRMED = "confirmed"
CONTRADICTED = "contradicted"
UNCHECKED = "cannot be checked by this survey"
TOLERANCE = 2.0  # a figure's tolerance is its 95 % limit: two of its standard deviations
SEEN = 3.0  # confirmed only where an error of so many tolerances would have been seen
HANDFUL = 6  # readings asked for where nothing within reason settles a figure
FEW = 3  # readings on an arc below which its radius is profiled
LOOSE = 0.25  # sd of a radius, as a share of it, above which it is called undetermined


@dataclass(frozen=True, kw_only=True)
class FactLine:
    """One drawn figure against the survey; lengths mm, a sweep in radians.

    Parameters
    ----------
    dimension : Dimension
        The figure as drawn.
    arc : str
        Its arc, "" for the section as a whole.
    fitted, sd : float
        What drawing and survey together give; inf sd where undetermined.
    standardised : float
        Residual over its own standard deviation.
    detectable : float
        Smallest error of the figure that would have been seen; inf for none.
    suggested, suggested_sd : float
        What everything else says; NaN where it says nothing.
    verdict : str
    advice : Advice or None
        Which readings would settle it, where it cannot be checked.
    """

    dimension: Dimension
    arc: str
    fitted: float
    sd: float
    standardised: float
    detectable: float
    suggested: float
    suggested_sd: float
    verdict: str
    advice: Advice | None = None


@dataclass(frozen=True, kw_only=True)
class ArcLine:
    """One arc or straight as found; NaN where unknown.

    Parameters
    ----------
    name : str
    given_radius, radius, sd_radius : float
        mm; inf for a straight, `sd_radius` NaN where undetermined.
    interval : tuple of float
        Radius interval from the curvature (2 sd) or from its profile; inf is straight.
    profiled : bool
        Whether the interval is a profile, the arc having hardly a reading of its own.
    centre_bl, centre_height : float
    sd_centre : float
        Along the longest axis of the centre's ellipse, mm.
    ellipse : tuple of float
        Its semi-axes (1 sd, mm) and the direction of the longer one from up, radians.
    readings : int
        Single readings on the arc.
    standardised : float
        Of its drawn radius.
    verdict : str
    """

    name: str
    given_radius: float
    radius: float
    sd_radius: float
    interval: tuple[float, float]
    profiled: bool
    centre_bl: float
    centre_height: float
    sd_centre: float
    ellipse: tuple[float, float, float]
    readings: int
    standardised: float
    verdict: str


@dataclass(frozen=True, kw_only=True)
class Dropped:
    """A figure that was contradicted: by how much, and what would have been seen."""

    index: int  # in the drawing's dimensions
    standardised: float
    detectable: float


def drawn_rows(reading: Reading) -> slice:
    """Return which rows of a fit are drawn figures."""
    start = reading.fit.task.readings.rows
    return slice(start, start + len(reading.fit.task.dimensions))


def title(drawing: Drawing, one: Dimension) -> str:
    """Return a drawn figure in words: ``radius of "side"``, ``half breadth at 300``."""
    words = one.kind.replace("_", " ")
    if one.kind == "half_breadth":
        return f"{words} at {one.at:g}"
    return f'{words} of "{drawing.name(one.element)}"' if one.element >= 0 else words


def fact_lines(
    drawing: Drawing, reading: Reading, diagnosis: Diagnosis, dropped: dict[int, Dropped]
) -> tuple[FactLine, ...]:
    """Return one line for every drawn figure, in the order of the drawing."""
    rows = drawn_rows(reading)
    lines, place = [], rows.start
    for index, one in enumerate(drawing.dimensions):
        if index in dropped:
            lines.append(_contradicted(drawing, one, reading, diagnosis, dropped[index]))
            continue
        lines.append(_held(drawing, one, reading, diagnosis, place))
        place += 1
    return tuple(lines)


def _figure(one: Dimension, reading: Reading, diagnosis: Diagnosis) -> tuple[float, float]:
    """Return what the fit gives for a figure, and its standard deviation."""
    chain = reading.fit.chain
    value = struck_value(chain, one)
    if one.kind == "radius":
        sd = diagnosis.sd_curvature[one.element]
        return value, float(sd * value**2) if np.isfinite(value) else np.inf
    return value, figure_sd(diagnosis, figure_gradient(chain, one))


def _contradicted(
    drawing: Drawing, one: Dimension, reading: Reading, diagnosis: Diagnosis, told: Dropped
) -> FactLine:
    value, sd = _figure(one, reading, diagnosis)
    return FactLine(
        dimension=one,
        arc=drawing.name(one.element),
        fitted=value,
        sd=sd,
        standardised=told.standardised,
        detectable=told.detectable,
        suggested=value if np.isfinite(sd) else NAN,
        suggested_sd=sd if np.isfinite(sd) else NAN,
        verdict=CONTRADICTED,
    )


def _held(
    drawing: Drawing, one: Dimension, reading: Reading, diagnosis: Diagnosis, place: int
) -> FactLine:
    value, sd = _figure(one, reading, diagnosis)
    redundancy = float(diagnosis.redundancy[place])
    checked = redundancy > NOTHING
    detectable = DETECT * one.sigma / np.sqrt(redundancy) if checked else np.inf
    sure = detectable <= SEEN * TOLERANCE * one.sigma
    row = float(reading.fit.row[place])
    return FactLine(
        dimension=one,
        arc=drawing.name(one.element),
        fitted=value,
        sd=sd,
        standardised=float(diagnosis.standardised[place]),
        detectable=float(detectable),
        suggested=one.value + row * one.sigma / redundancy if checked else NAN,
        suggested_sd=one.sigma * np.sqrt(max(1 / redundancy - 1, 0.0)) if checked else NAN,
        verdict=CONFIRMED if sure else UNCHECKED,
        advice=None if sure else _advice(one, reading, diagnosis, place),
    )


def _advice(one: Dimension, reading: Reading, diagnosis: Diagnosis, place: int) -> Advice:
    """Return which readings would settle a figure, its own row left out."""
    fit = reading.fit
    bare = replace(fit, row=np.delete(fit.row, place), slope=np.delete(fit.slope, place, axis=0))
    # a redundancy of (DETECT / (SEEN * TOLERANCE))^2 is asked for, so much for the rest
    goal = one.sigma * np.sqrt((SEEN * TOLERANCE / DETECT) ** 2 - 1)
    by = figure_gradient(fit.chain, one)
    spread = fit.task.readings.spread
    sigma = float(np.median(spread)) if len(spread) else 1.0  # mm: a careful tape
    advice = best_readings(bare, diagnosis, by, sigma=sigma, goal=float(goal))
    if advice.sd > goal:  # nothing within reason settles it: what a handful would give
        advice = best_readings(bare, diagnosis, by, sigma=sigma, goal=float(goal), most=HANDFUL)
    return advice


def arc_lines(
    drawing: Drawing, reading: Reading, diagnosis: Diagnosis, facts: tuple[FactLine, ...]
) -> tuple[ArcLine, ...]:
    """Return one line for every arc and straight."""
    fit = reading.fit
    folded = fold(fit.task.readings, fit.lean)[0][: fit.task.readings.single]
    counts = np.bincount(project(fit.chain, folded).element, minlength=len(fit.chain))
    radius = {line.dimension.element: line for line in facts if line.dimension.kind == "radius"}
    return tuple(
        _arc_line(slot, index, reading, diagnosis, int(counts[index]), radius.get(index))
        for index, slot in enumerate(drawing.slots)
    )


def _arc_line(
    slot: Slot,
    index: int,
    reading: Reading,
    diagnosis: Diagnosis,
    count: int,
    drawn: FactLine | None,
) -> ArcLine:
    """Return the line of one arc or straight."""
    fit = reading.fit
    bend, radius = float(fit.chain.curvature[index]), float(fit.chain.radius[index])
    sd = float(diagnosis.sd_curvature[index])
    interval = radius_interval(bend, sd) if not slot.straight else (np.inf, np.inf)
    alone = fit.task.readings.rows == fit.task.readings.single
    profiled = count < FEW and alone and np.isfinite(sd) and _is_free(slot)
    if profiled:
        interval = profile_radius(fit, index)
    loose = _is_loose(bend, sd, interval)
    ellipse = _ellipse(diagnosis.centre_covariance[index])
    known = np.isfinite(ellipse[0])
    centre = fit.chain.centre[index] if np.isfinite(radius) else np.full(2, NAN)
    return ArcLine(
        name=slot.name,
        given_radius=np.inf if slot.straight else -slot.radius if slot.hollow else slot.radius,
        radius=radius,
        sd_radius=sd * radius**2 if np.isfinite(sd) and np.isfinite(radius) else NAN,
        interval=interval,
        profiled=bool(profiled),
        centre_bl=float(centre[0]) if known else NAN,
        centre_height=float(centre[1]) if known else NAN,
        sd_centre=ellipse[0] if known else NAN,
        ellipse=ellipse,
        readings=count,
        standardised=drawn.standardised if drawn else NAN,
        verdict=_arc_verdict(slot, drawn, loose, interval),
    )


def _is_free(slot: Slot) -> bool:
    """Tell whether nothing but readings speaks of a slot's radius."""
    return not (slot.straight or slot.hollow) and np.isnan(slot.radius)


def _is_loose(bend: float, sd: float, interval: tuple[float, float]) -> bool:
    """Tell whether a radius is as good as unknown."""
    if not np.isfinite(sd) or np.isnan(interval[0]) or not np.isfinite(interval[1]):
        return True
    half = abs(1 / interval[0] - 1 / interval[1]) / 4  # of a curvature interval of 2 sd
    return bool(max(sd, half) > LOOSE * abs(bend))


def _arc_verdict(
    slot: Slot, drawn: FactLine | None, loose: bool, interval: tuple[float, float]
) -> str:
    """Return what is said of an arc; of a drawn radius, its own verdict."""
    if slot.straight:
        return "straight"
    if drawn is not None:
        return drawn.verdict
    if loose:
        return f"undetermined: {radius_words(interval)}"
    return "found, not drawn"


def _ellipse(covariance: np.ndarray) -> tuple[float, float, float]:
    """Return the semi-axes of a centre's ellipse and the direction of the longer, from up."""
    if not np.isfinite(covariance).all():
        return (np.inf, np.inf, NAN) if np.isinf(covariance).any() else (NAN, NAN, NAN)
    size, way = np.linalg.eigh(covariance)
    angle = float(np.arctan2(way[0, 1], way[1, 1]) % np.pi)
    small, large = np.sqrt(np.maximum(size, 0.0))
    return (float(large), float(small), angle)
