"""Check a drawing's facts against a survey or a lifted section.

Every figure is confirmed, contradicted, or cannot be checked by this survey: three
answers that are kept apart, because a figure that agrees only for want of evidence
is no better known than before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtrc

from loft.drawing.choice import BENT, WITHIN, judged
from loft.drawing.diagnosis import DETECT, NOTHING, REJECT, Diagnosis, diagnose, radius_words
from loft.drawing.doubt import doubted
from loft.drawing.drawn import Reading, distinct, fit_drawing, must_fit, other_readings
from loft.drawing.facts import Drawing, Slot, read_facts, without
from loft.drawing.readings import STRAIGHT_UP, Readings, read_points
from loft.drawing.search import fit_readings
from loft.drawing.solve import settle
from loft.drawing.start import point_turns
from loft.drawing.verdicts import (
    CONTRADICTED,
    SEEN,
    TOLERANCE,
    UNCHECKED,
    ArcLine,
    Dropped,
    FactLine,
    arc_lines,
    drawn_rows,
    fact_lines,
    title,
)
from loft.job.errors import Finding, LoftError
from loft.job.records import NAN, Array, Fact, Frame

POOR = 0.001  # chance below which the drawing does not explain the readings
DOUBTFUL = 0.05  # chance below which other ways to read the drawing are tried
NEAR = 2.5  # standardised residual from which what it would save is worked out in full


@dataclass(frozen=True, eq=False, kw_only=True)
class Check:
    """A drawing checked.

    Parameters
    ----------
    drawing : Drawing
        As it was read for the check.
    reading : Reading
        Its fit, contradicted figures left out.
    diagnosis : Diagnosis
    facts : tuple of FactLine
    arcs : tuple of ArcLine
    alternatives : tuple of Reading
        Other ways to read the drawing that explain the readings as well or better.
    p_as_drawn : float
        Chance of the misfit, were every drawn figure true.
    p : float
        The same without the contradicted figures.
    notes : tuple of Finding
        What has to be said in words.
    """

    drawing: Drawing
    reading: Reading
    diagnosis: Diagnosis
    facts: tuple[FactLine, ...]
    arcs: tuple[ArcLine, ...]
    alternatives: tuple[Reading, ...]
    p_as_drawn: float
    p: float
    notes: tuple[Finding, ...]


def check_facts(
    facts: Sequence[Fact],
    frame: Frame,
    *,
    points: ArrayLike = (),
    sigma: ArrayLike = 1.0,
    outline: ArrayLike = (),
    covariance: ArrayLike = (),
    finest: float = 0.0,
    centreline: tuple[float, float] = STRAIGHT_UP,
    robust: bool = True,
) -> Check:
    """Check the facts of one frame against points, a lifted outline, or both.

    Parameters
    ----------
    facts : sequence of Fact
        The drawing's rows of this frame, from crown to keel.
    frame : Frame
        Its plane.
    points : array_like, shape (m, 2)
        Single readings on the mould line in the frame's plane, (bl, height), mm.
    sigma : float or array_like, shape (m,)
        Their standard deviation, mm.
    outline, covariance : array_like, shape (b, 2) and (b, b)
        Points of a lifted section and the covariance of their errors along the normal.
    finest : float
        Shortest wavelength round the girth at which the outline is believed, mm: about
        two and a half times the distance between the lines that were surveyed.
    centreline : tuple of float
        Prior standard deviations of shift (mm) and lean (radians) of the centreline.
    robust : bool
        Give readings that stand apart from the others less weight.

    Raises
    ------
    LoftError
        A drawing that cannot be, or too little to go by.

    Examples
    --------
    >>> from loft.drawing.chain import strike, walk
    >>> true = strike(600.0, [620.0, 300.0], [1.0, 2.0])
    >>> points = walk(true, np.linspace(0.0, true.length.sum(), 40))[0]
    >>> drawn = [
    ...     Fact(frame="F14", kind="arc", arc="crown", radius=650.0, sigma=1.0),
    ...     Fact(frame="F14", kind="arc", arc="side"),
    ...     Fact(frame="F14", kind="arc", arc="bottom"),
    ... ]
    >>> check = check_facts(drawn, Frame(name="F14", station=0.0), points=points, sigma=0.5)
    >>> line = check.facts[0]
    >>> line.verdict, round(line.suggested, 1)
    ('contradicted', 620.0)
    """
    drawing = read_facts(facts, frame)
    readings = read_points(
        points,
        sigma,
        outline=outline,
        covariance=covariance,
        finest=finest,
        centreline=centreline,
    )
    notes = list(drawing.notes)
    readings, loss = _weighed(drawing, readings, notes) if robust else (readings, "")
    drawing = drawing if drawing.slots else _made_up(drawing, readings)
    first = must_fit(drawing, readings, loss=loss)
    base, others = _base(first, readings, loss, notes)
    reading, dropped = _snoop(base, loss, notes)
    diagnosis = diagnose(reading.fit)
    lines = fact_lines(base.drawing, reading, diagnosis, dropped)
    arcs = arc_lines(base.drawing, reading, diagnosis, lines)
    limit = reading.choice.bic + WITHIN
    near = [one for one in others if one.choice.sound and one.choice.bic < limit]
    check = Check(
        drawing=base.drawing,
        reading=reading,
        diagnosis=diagnosis,
        facts=lines,
        arcs=arcs,
        alternatives=tuple(distinct(near, besides=[reading, base])),
        p_as_drawn=_chance(first),
        p=_chance(reading),
        notes=(),
    )
    return replace(check, notes=(*notes, *_said(check)))


def _weighed(drawing: Drawing, readings: Readings, notes: list[Finding]) -> tuple[Readings, str]:
    """Return the readings with outlying ones doubted, and the loss still wanted.

    Too few to be judged by each other, they are judged by the drawing too (Huber).
    """
    if not readings.single:
        return readings, ""
    try:
        weighed, which = doubted(readings)
    except LoftError:
        return readings, "huber"
    if len(which):
        listed = ", ".join(
            f"bl {bl:.0f} height {height:.0f}" for bl, height in readings.point[which]
        )
        text = f"{drawing.frame}: readings doubted by the others and hardly counted: {listed}"
        notes.append(Finding(severity="warning", text=text))
    return weighed, ""


def _chance(reading: Reading) -> float:
    """Return the chance of so large a cost by rows that count fully."""
    fit = reading.fit
    spare = len(fit.row) - fit.task.unknowns
    return float(chdtrc(spare, fit.cost)) if spare > 0 else NAN


def _made_up(drawing: Drawing, readings: Readings) -> Drawing:
    """Return a drawing that names no arcs with the make-up that the readings suggest."""
    found = fit_readings(readings).best.fit
    slots = tuple(
        Slot(name=f"{'straight' if flat else 'arc'} {index + 1}", straight=flat, hollow=bend < BENT)
        for index, (flat, bend) in enumerate(
            zip(found.task.straight, found.chain.curvature, strict=True)
        )
    )
    return replace(drawing, slots=slots)


def _base(
    first: Reading, readings: Readings, loss: str, notes: list[Finding]
) -> tuple[Reading, list[Reading]]:
    """Return the make-up to check by, and every other way to read the drawing that was tried."""
    worst = _worst(first)
    if not (_chance(first) < DOUBTFUL or worst > REJECT):
        return first, []
    turn = point_turns(readings)
    tried = [
        fit_drawing(other, readings, words=words, loss=loss, turn=turn, tries=3)
        for words, other in other_readings(first.drawing)
    ]
    found = [one for one in tried if one is not None]
    built = [one for one in found if "one more arc" in one.words and one.choice.sound]
    rest = [first, *(one for one in found if "believed" in one.words)]
    if not built or _chance(first) > POOR:
        return first, found
    best = min(built, key=lambda one: one.choice.bic)
    if best.choice.bic > min(one.choice.bic for one in rest) - WITHIN:
        return first, found
    notes.append(
        Finding(
            severity="warning",
            text=(
                f"{first.drawing.frame}: the drawing does not explain the readings as drawn "
                f"(chance {_chance(first):.1g}); {best.words} it does, and is checked so"
            ),
        )
    )
    return best, [first, *found]


def _worst(reading: Reading) -> float:
    """Return the largest standardised residual of a drawn figure."""
    size = np.abs(diagnose(reading.fit).standardised[drawn_rows(reading)])
    return float(size.max(initial=0.0))


def _snoop(base: Reading, loss: str, notes: list[Finding]) -> tuple[Reading, dict[int, Dropped]]:
    """Leave out the worst contradicted figure and fit again, until none is left."""
    reading, dropped = base, dict[int, Dropped]()
    for _ in range(len(base.drawing.dimensions)):
        kept = [i for i in range(len(base.drawing.dimensions)) if i not in dropped]
        found = diagnose(reading.fit)
        size = found.standardised[drawn_rows(reading)]
        if NEAR < np.abs(size).max(initial=0.0) <= REJECT:
            size = _by_saving(base, kept, reading, size)
        if np.abs(size).max(initial=0.0) <= REJECT:
            break
        tried = _left_out(base, kept, reading, size, loss)
        if not tried:
            break
        place = min(tried, key=lambda at: (not tried[at].choice.sound, tried[at].fit.cost))
        equal = _equal(tried, place, size)
        notes += _twins(base.drawing, [kept[one] for one in (place, *equal)])
        one = base.drawing.dimensions[kept[place]]
        redundancy = max(float(found.redundancy[drawn_rows(reading)][place]), NOTHING)
        # the square of a standardised residual is what leaving its row out saves
        saved = np.sqrt(max(reading.fit.cost - tried[place].fit.cost, 0.0))
        dropped[kept[place]] = Dropped(
            index=kept[place],
            standardised=float(size[place] if len(tried) == 1 else np.copysign(saved, size[place])),
            detectable=float(DETECT * one.sigma / np.sqrt(redundancy)),
        )
        reading = tried[place]
    return reading, dropped


def _by_saving(base: Reading, kept: list[int], reading: Reading, size: Array) -> Array:
    """Return the residuals, the worst as the root of what leaving its figure out saves.

    The same where all is linear; a radius half as large again as the true one bends the
    fit so far that its residual comes out short by a fiftieth.
    """
    worst = int(np.argmax(np.abs(size)))
    rest = set(range(len(base.drawing.dimensions))) - set(kept) | {kept[worst]}
    task = replace(reading.fit.task, dimensions=without(base.drawing, rest).dimensions)
    fit = settle(reading.fit.chain, task, lean=reading.fit.lean, enough=1e-8)
    if fit is None:
        return size
    saved = np.sqrt(max(reading.fit.cost - fit.cost, 0.0))
    return np.where(np.arange(len(size)) == worst, np.copysign(saved, size), size)


def _left_out(
    base: Reading, kept: list[int], reading: Reading, size: np.ndarray, loss: str
) -> dict[int, Reading]:
    """Return fits without one of the figures kept, by its place among them.

    Residuals name the wrong figure where everything is linear. An error so large that
    the fit settles elsewhere bends other figures instead: unless the fit without the
    worst one explains everything, each is left out in turn, and the costs decide.
    """
    worst = int(np.argmax(np.abs(size)))
    tried: dict[int, Reading] = {}
    for place in sorted(range(len(kept)), key=lambda place: -abs(size[place])):
        rest = set(range(len(base.drawing.dimensions))) - set(kept) | {kept[place]}
        again = _refit(without(base.drawing, rest), reading, loss)
        if again is not None:
            tried[place] = again
            if place == worst and _chance(again) > DOUBTFUL and _worst(again) <= REJECT:
                return tried
    return tried


def _equal(tried: dict[int, Reading], place: int, size: np.ndarray) -> list[int]:
    """Return which other figures could be the wrong one just as well."""
    if len(tried) > 1:
        limit = tried[place].fit.cost + WITHIN
        near = {at for at, one in tried.items() if one.choice.sound and one.fit.cost < limit}
        return sorted(near - {place})
    lost = size[place] ** 2 - size**2  # first order: what leaving another out would not save
    return [at for at in range(len(size)) if at != place and lost[at] < WITHIN]


def _refit(drawing: Drawing, near: Reading, loss: str) -> Reading | None:
    """Return the better of the fit found from nearby and that found afresh."""
    task = replace(near.fit.task, dimensions=drawing.dimensions)
    fit = settle(near.fit.chain, task, lean=near.fit.lean, enough=1e-8)
    fresh = fit_drawing(drawing, task.readings, words=near.words, loss=loss)
    if fit is None or (fresh is not None and fresh.fit.cost < fit.cost and fresh.choice.sound):
        return fresh
    hollow = any(slot.hollow for slot in drawing.slots)
    return Reading(words=near.words, drawing=drawing, choice=judged(fit, hollow=hollow))


def _twins(drawing: Drawing, which: list[int]) -> list[Finding]:
    """Say which other figures could be the wrong one just as well as the first."""
    if len(which) < 2:
        return []
    worst, *equal = (title(drawing, drawing.dimensions[index]) for index in which)
    return [
        Finding(
            severity="warning",
            text=(
                f"{drawing.frame}: {worst} is contradicted, but an error of "
                f"{' or '.join(equal)} would look the same"
            ),
        )
    ]


def _said(check: Check) -> list[Finding]:
    """Return what a check has to say in words, beyond its lines."""
    frame = check.drawing.frame
    out = []
    for arc in check.arcs:
        if arc.profiled:
            out.append(
                f"{frame}: {arc.name} has {arc.readings} readings of its own; radius by trial "
                f"{radius_words(arc.interval)}"
            )
    open_modes = check.diagnosis.open_modes
    if open_modes.shape[1]:
        loose = [arc.name for arc in check.arcs if np.isnan(arc.sd_radius) and arc.radius < np.inf]
        out.append(
            f"{frame}: {open_modes.shape[1]} combination(s) of figures are not determined at all "
            f"(radii of: {', '.join(loose) or 'none'}); read points on those arcs"
        )
    out += [_advised(check, line) for line in check.facts if line.verdict == UNCHECKED]
    for other in check.alternatives:
        out.append(
            f"{frame}: {other.words} the readings are explained as well "
            f"(BIC {other.choice.bic - check.reading.choice.bic:+.1f})"
        )
    wrong = [_denied(check, line) for line in check.facts if line.verdict == CONTRADICTED]
    return [
        *(Finding(severity="warning", text=text) for text in wrong),
        *(Finding(severity="note", text=text) for text in out),
    ]


def _denied(check: Check, line: FactLine) -> str:
    """Return that a figure is contradicted, and what everything else says."""
    unit, size = _unit(line)
    drawn = f"{line.dimension.value * size:,.1f} {unit}"
    text = f"{check.drawing.frame}: {title(check.drawing, line.dimension)} drawn {drawn}"
    if np.isnan(line.suggested):
        return f"{text} is contradicted; nothing else tells what it was"
    rest = f"{line.suggested * size:,.1f} ± {2 * line.suggested_sd * size:,.1f} {unit}"
    return f"{text} is contradicted; everything else says {rest}"


def _unit(line: FactLine) -> tuple[str, float]:
    """Return the unit a figure is told in, and how many of it the figure's own unit is."""
    return ("degrees", 180 / np.pi) if line.dimension.kind == "sweep" else ("mm", 1.0)


def _advised(check: Check, line: FactLine) -> str:
    """Return which readings would settle a figure that could not be checked."""
    named = title(check.drawing, line.dimension)
    unit, turned = _unit(line)
    text = f"{check.drawing.frame}: {named}: no error would have been seen"
    if np.isfinite(line.detectable):
        seen = f"{line.detectable * turned:,.1f} {unit}"
        text = f"{check.drawing.frame}: {named}: an error under {seen} would not have been seen"
    if line.advice is None or not line.advice.places:
        return text
    reach = DETECT * np.hypot(line.advice.sd, line.dimension.sigma) * turned
    if reach <= SEEN * TOLERANCE * line.dimension.sigma * turned * (1 + 1e-6):
        return f"{text}; it would be settled by {line.advice.words()}"
    return f"{text}; one of {reach:,.1f} {unit} would be by {line.advice.words()}"
