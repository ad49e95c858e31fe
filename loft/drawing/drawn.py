"""Fit a drawing's own arcs to the survey, as drawn and as it may have been meant."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from loft.drawing.chain import Chain, walk
from loft.drawing.choice import Choice, judged
from loft.drawing.facts import Drawing, Slot, as_straight, with_slot, without, without_slot
from loft.drawing.hollow import bend_out
from loft.drawing.readings import Readings
from loft.drawing.solve import Fit, Task, by_cost, finished, settle_all
from loft.drawing.start import point_turns, starts
from loft.job.errors import LoftError
from loft.job.records import Array

STARTS = 6  # followed a few steps, the better half of them to the end
SLACK_HOLLOW = 2000.0  # mm: radius at which an undrawn hollow starts


@dataclass(frozen=True, eq=False, kw_only=True)
class Reading:
    """One way to read the drawing, fitted.

    Parameters
    ----------
    words : str
        How the drawing is read: "as drawn", "without the bilge", ...
    drawing : Drawing
    choice : Choice
    """

    words: str
    drawing: Drawing
    choice: Choice

    @property
    def fit(self) -> Fit:
        """Return the fit itself."""
        return self.choice.fit


def fit_drawing(
    drawing: Drawing,
    readings: Readings,
    *,
    words: str = "as drawn",
    loss: str = "",
    turn: Array | None = None,
    tries: int = STARTS,
) -> Reading | None:
    """Fit a drawing's chain to its figures and the readings together.

    Parameters
    ----------
    drawing : Drawing
    readings : Readings
    words : str
        How this reading of the drawing is called.
    loss : str
        Loss on single readings, as of `Task`.
    turn : ndarray, shape (m,), optional
        Direction of the normal at every point.
    tries : int
        Starts followed; the better half of them to the end.

    Returns
    -------
    Reading or None
        None where no chain of this make-up closes near the readings.
    """
    turn = point_turns(readings) if turn is None else turn
    hollow = tuple(slot.hollow for slot in drawing.slots)
    flat = tuple(slot.straight or slot.hollow for slot in drawing.slots)
    if len(flat) - sum(flat) < 1:
        return None
    task = Task(
        readings=readings,
        straight=drawing.straight,
        dimensions=drawing.dimensions,
        loss=loss,
    )
    radius = [_hollow_radius(slot) for slot in drawing.slots]
    found = starts(readings, turn, flat, dimensions=drawing.dimensions, keep=tries)
    short = by_cost(
        settle_all(
            [bend_out(found.one(at), radius) for at in range(len(found))],
            task,
            most=8,
            enough=1e-4,
        )
    )
    full = finished(short[: (tries + 1) // 2], enough=1e-8)
    if not full:
        return None
    best = min(full, key=lambda fit: fit.cost + _oddness(fit.chain, hollow))
    return Reading(words=words, drawing=drawing, choice=judged(best, hollow=any(hollow)))


def _hollow_radius(slot: Slot) -> float:
    """Return the radius at which a hollow element starts, infinite for any other."""
    if not slot.hollow:
        return np.inf
    return SLACK_HOLLOW if np.isnan(slot.radius) else slot.radius


def _oddness(chain: Chain, hollow: tuple[bool, ...]) -> float:
    """Return a small charge on vanishing elements and on curves bent the wrong way."""
    wrong = (chain.curvature < -1e-6) != np.array(hollow)
    return float(np.exp(-chain.length / 15.0).sum() + 2.0 * wrong.sum())


def other_readings(drawing: Drawing) -> Iterator[tuple[str, Drawing]]:
    """Give every near way to read a drawing, with words for it.

    An arc missing from the drawing, an arc that is really a straight, an undimensioned
    element that is not there, and each drawn radius disbelieved in turn.
    """
    slots = drawing.slots
    told = {one.element for one in drawing.dimensions}
    for at in range(1, len(slots)):
        above = slots[at - 1]
        if at > 1 and not (at - 1 in told or above.straight or above.hollow):
            continue  # below an arc of which nothing is drawn is the same as above it
        words = f'with one more arc between "{slots[at - 1].name}" and "{slots[at].name}"'
        yield words, with_slot(drawing, at, Slot(name=_new_name(drawing)))
    inner = range(1, len(slots) - 1)
    for at in inner:
        beside = slots[at - 1].straight or slots[at + 1].straight
        if not (slots[at].straight or beside):
            yield f'with "{slots[at].name}" a straight', as_straight(drawing, at)
    for at in inner:
        apart = not (slots[at - 1].straight and slots[at + 1].straight)
        if np.isnan(slots[at].radius) and len(slots) > 3 and apart:
            yield f'without "{slots[at].name}"', without_slot(drawing, at)
    for index, one in enumerate(drawing.dimensions):
        if one.kind == "radius":
            words = f'with the radius of "{drawing.name(one.element)}" not believed'
            yield words, without(drawing, {index})


def _new_name(drawing: Drawing) -> str:
    """Return a name that no arc of the drawing bears."""
    taken = {slot.name for slot in drawing.slots}
    return next(name for name in ("new", *(f"new {n}" for n in range(2, 99))) if name not in taken)


def distinct(readings: list[Reading], *, besides: Sequence[Reading] = ()) -> list[Reading]:
    """Return readings whose outlines differ by half a millimetre or more, best first.

    Those are left out that give the outline of one `besides`.
    """
    lines = [_outline(reading) for reading in besides]
    kept = []
    for reading in sorted(readings, key=lambda one: one.choice.bic):
        line = _outline(reading)
        if all(np.abs(line - other).max() > 0.5 for other in lines):
            kept.append(reading)
            lines.append(line)
    return kept


def _outline(reading: Reading) -> Array:
    """Return points of a fitted half section."""
    chain = reading.fit.chain
    return walk(chain, np.linspace(0.0, float(chain.length.sum()), 60))[0]


def must_fit(drawing: Drawing, readings: Readings, *, loss: str = "") -> Reading:
    """Return the drawing fitted as drawn.

    Raises
    ------
    LoftError
        Fewer figures and readings than the chain has unknowns, or no chain that closes.
    """
    task = Task(readings=readings, straight=drawing.straight, dimensions=drawing.dimensions)
    have = readings.rows + len(drawing.dimensions)
    if have < task.unknowns:
        raise LoftError(
            f"{drawing.frame}: {len(drawing.slots)} arcs and straights have {task.unknowns} "
            f"unknowns; {len(drawing.dimensions)} drawn figures and {readings.rows} readings "
            f"found, {task.unknowns - have} more wanted: read points on the arcs that have none"
        )
    found = fit_drawing(drawing, readings, loss=loss)
    if found is None:
        names = ", ".join(slot.name for slot in drawing.slots)
        raise LoftError(
            f"{drawing.frame}: no tangent chain of {names} closes on the centreline near the "
            "readings; check the order of the rows and the drawn radii"
        )
    return found
