"""Read the facts of a drawing as a make-up of arcs and straights with its figures.

What can be seen to be impossible without a survey is refused here, everything at
once: radii that only fall or only rise from crown to keel, an order that runs
upwards, a tangent point beyond the outline. What contradicts the survey is no fault
of the job and is told by the check.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from loft.drawing.dimensions import Dimension
from loft.job.errors import Finding, LoftError
from loft.job.records import Fact, Frame

DRAWN_SIGMA = 1.0  # mm, where a drawing's row gives none: common practice, no source; it is told
FAR = 5.0  # standard deviations by which drawn figures may disagree before they are refused
OWN = {  # which keys a row of each kind may carry
    "arc": {"radius", "centre_bl", "centre_wl", "sweep", "length"},
    "straight": {"length"},
    "half_breadth": {"at_wl", "value"},
    "max_half_breadth": {"value"},
    "top": {"value"},
    "bottom": {"value"},
    "tangent_point": {"at_wl", "value"},
}
NUMBERS = ("radius", "centre_bl", "centre_wl", "sweep", "length", "at_wl", "value")


@dataclass(frozen=True, kw_only=True)
class Slot:
    """One arc or straight of a drawing, in order from the crown."""

    name: str
    straight: bool = False
    hollow: bool = False  # a reverse curve: its centre lies outside
    radius: float = np.nan  # as drawn, positive; NaN where the drawing does not give it


@dataclass(frozen=True, eq=False, kw_only=True)
class Drawing:
    """What survives of the drawing of one frame.

    Parameters
    ----------
    side : str
    slots : tuple of Slot
        Arcs and straights from crown to keel; empty where the drawing names none.
    dimensions : tuple of Dimension
        Every figure as a row of the fit, heights in the frame's plane.
    facts : tuple of Fact
        The rows as they were given.
    plane : Frame
        The frame's plane; heights are those in it.
    notes : tuple of Finding
        What was assumed.
    """

    plane: Frame
    side: str
    slots: tuple[Slot, ...]
    dimensions: tuple[Dimension, ...]
    facts: tuple[Fact, ...]
    notes: tuple[Finding, ...] = ()

    @property
    def frame(self) -> str:
        """Return the frame's name."""
        return self.plane.name

    @property
    def straight(self) -> tuple[bool, ...]:
        """Return which elements are straights."""
        return tuple(slot.straight for slot in self.slots)

    def name(self, element: int) -> str:
        """Return the name of an element, "" for the section as a whole."""
        return self.slots[element].name if element >= 0 else ""


def read_facts(facts: Sequence[Fact], frame: Frame) -> Drawing:
    """Read the drawing's rows of one frame and one side.

    Parameters
    ----------
    facts : sequence of Fact
        In order from crown to keel. A tangent point belongs to the lower end of the
        arc it names, or of the last arc before it; its `value` is the half-breadth and
        `at_wl` the waterline.
    frame : Frame
        The frame's plane, for waterlines of a canted frame.

    Raises
    ------
    LoftError
        All rows that cannot be, each in one line.

    Examples
    --------
    >>> drawn = [
    ...     Fact(frame="F14", kind="arc", arc="crown", radius=700.0, sigma=1.0),
    ...     Fact(frame="F14", kind="arc", arc="side"),
    ...     Fact(frame="F14", kind="arc", arc="bottom"),
    ...     Fact(frame="F14", kind="top", value=1700.0, sigma=2.0),
    ... ]
    >>> drawing = read_facts(drawn, Frame(name="F14", station=6160.0))
    >>> [slot.name for slot in drawing.slots], [one.kind for one in drawing.dimensions]
    (['crown', 'side', 'bottom'], ['radius', 'top'])
    """
    faults: list[str] = []
    slots: list[Slot] = []
    dimensions: list[Dimension] = []
    notes: list[Finding] = []
    for index, fact in enumerate(facts):
        where = _where(fact)
        faults += [f"{where}: {text}" for text in _row_faults(fact)]
        if fact.kind in ("arc", "straight"):
            name = fact.arc or f"{fact.kind} {len(slots) + 1}"
            slots.append(
                Slot(
                    name=name,
                    straight=fact.kind == "straight",
                    hollow=fact.radius < 0,
                    radius=abs(fact.radius),
                )
            )
        sigma = fact.sigma
        if np.isnan(sigma):
            sigma = DRAWN_SIGMA
            if _given(fact):
                text = f"{where}: no sigma given, {DRAWN_SIGMA:g} mm taken"
                notes.append(Finding(text=text, severity="note"))
        element, fault = _element(fact, slots, facts)
        faults += [f"{where}: {fault}"] if fault else []
        dimensions += _figures(fact, index, element, sigma, frame)
    drawing = Drawing(
        plane=frame,
        side=facts[0].side if facts else "starboard",
        slots=tuple(slots),
        dimensions=tuple(dimensions),
        facts=tuple(facts),
        notes=tuple(notes),
    )
    faults += _impossible(drawing)
    if faults:
        raise LoftError(Finding(column="drawing", text=text) for text in faults)
    return drawing


def _where(fact: Fact) -> str:
    return f"{fact.frame} {fact.kind}" + (f' "{fact.arc}"' if fact.arc else "")


def _given(fact: Fact) -> list[str]:
    """Return the names of the figures that a row gives."""
    return [key for key in NUMBERS if not np.isnan(getattr(fact, key))]


def _row_faults(fact: Fact) -> list[str]:
    """Return what is wrong with one row taken alone."""
    own = OWN.get(fact.kind)
    if own is None:
        return [f"kind {fact.kind} found; one of {', '.join(OWN)} wanted"]
    given = _given(fact)
    faults = [
        f"{key} found, which a {fact.kind} does not have; {', '.join(sorted(own))} wanted"
        for key in given
        if key not in own
    ]
    if not np.isnan(fact.sigma) and not fact.sigma > 0:
        faults.append(f"sigma {fact.sigma:g} found, more than 0 wanted")
    if fact.kind == "arc" and fact.radius == 0:
        faults.append("radius 0 found, a radius wanted (minus where hollow)")
    if fact.kind == "arc" and np.isinf(fact.radius):
        faults.append("an endless radius found; give it as kind straight")
    for key in ("sweep", "length"):
        if getattr(fact, key) <= 0:
            faults.append(f"{key} {getattr(fact, key):g} found, more than 0 wanted")
    if fact.sweep >= np.pi:
        faults.append(f"a sweep of {np.rad2deg(fact.sweep):.1f} degrees found, under 180 wanted")
    if fact.kind in ("half_breadth", "max_half_breadth") and abs(fact.value) == 0:
        faults.append("value 0 found, a half-breadth wanted")
    needs = {"half_breadth": ("at_wl", "value"), "max_half_breadth": ("value",)}
    needs |= {"top": ("value",), "bottom": ("value",)}
    faults += [f"nothing found for {key}" for key in needs.get(fact.kind, ()) if key not in given]
    if fact.kind == "tangent_point" and not given:
        faults.append("neither value (its half-breadth) nor at_wl found; one of them wanted")
    return faults


def _element(fact: Fact, slots: list[Slot], facts: Sequence[Fact]) -> tuple[int, str]:
    """Return the element a row belongs to, and what is wrong with that."""
    if fact.kind in ("arc", "straight"):
        return len(slots) - 1, ""
    if fact.kind != "tangent_point":
        return -1, ""
    if not fact.arc:
        if not slots:
            return -1, "stands before the first arc; put it after the arc it ends, or name that"
        return len(slots) - 1, ""
    names = [one.arc for one in facts if one.kind in ("arc", "straight")]
    if fact.arc not in names:
        known = ", ".join(name for name in names if name) or "none"
        return -1, f"names an arc that the drawing does not have ({known})"
    return names.index(fact.arc), ""


def _figures(fact: Fact, index: int, element: int, sigma: float, frame: Frame) -> list[Dimension]:
    """Return a row's figures as rows of the fit, in the frame's plane and its own half."""
    half = -1.0 if fact.side == "port" else 1.0
    lean = np.cos(frame.cant)

    def height(wl: float) -> float:
        return (wl - frame.pivot_wl) / lean if frame.cant else wl

    out: dict[str, float] = {}
    if fact.kind == "arc":
        out["radius"] = fact.radius
        out["centre_bl"] = half * fact.centre_bl
        out["centre_wl"] = height(fact.centre_wl)
        out["sweep"] = fact.sweep
    if fact.kind in ("arc", "straight"):
        out["length"] = fact.length
    elif fact.kind in ("half_breadth", "max_half_breadth"):
        out[fact.kind] = abs(fact.value)
    elif fact.kind in ("top", "bottom"):
        out[fact.kind] = height(fact.value)
    elif fact.kind == "tangent_point":
        out["tangent_bl"] = abs(fact.value)
        out["tangent_wl"] = height(fact.at_wl)
    angle = sigma / abs(fact.radius) if np.isfinite(fact.radius) and fact.radius else 0.005
    return [
        Dimension(
            kind=kind,
            value=float(value),
            sigma=float(angle if kind == "sweep" else sigma),
            element=element,
            at=float(height(fact.at_wl)) if kind == "half_breadth" else np.nan,
            fact=index,
        )
        for kind, value in out.items()
        if not np.isnan(value)
    ]


def _impossible(drawing: Drawing) -> list[str]:
    """Return what cannot be on any section, whatever the survey says."""
    return [
        *_bad_make_up(drawing),
        *_bad_radii(drawing),
        *_bad_order(drawing),
        *_bad_outline(drawing),
    ]


def _bad_make_up(drawing: Drawing) -> list[str]:
    """Return faults of the row of arcs and straights as such."""
    slots, where = drawing.slots, drawing.frame
    if not slots:
        return []
    faults = []
    twice = [name for name, count in Counter(slot.name for slot in slots).items() if count > 1]
    faults += [f'{where}: "{name}" found twice; each arc once, crown to keel' for name in twice]
    for one, two in pairwise(slots):
        if one.straight and two.straight:
            faults.append(
                f'{where}: straights "{one.name}" and "{two.name}" found side by side; tangent '
                "straights are one straight"
            )
    arcs = [slot for slot in slots if not slot.straight]
    if not arcs:
        faults.append(f"{where}: no arc found; a section cannot close by straights alone")
    if len(arcs) == 2 and len(slots) == 2:
        faults.append(
            f"{where}: two arcs found; tangent to each other and square to the centreline at both "
            "ends they can only be one circle; a third arc or a straight is missing"
        )
    faults += [
        f'{where}: hollow radius of "{slot.name}" found at the {end}; there the section is convex'
        for slot, end in ((slots[0], "crown"), (slots[-1], "keel"))
        if slot.hollow
    ]
    return faults


def _bad_radii(drawing: Drawing) -> list[str]:
    """Return that the drawn radii cannot close.

    Closure asks for the sum of (change of radius) x sin(turn) over the joins to vanish;
    sin(turn) is positive, so radii that only grow or only shrink never close.
    """
    slots = drawing.slots
    if len(slots) < 3 or any(slot.straight or slot.hollow for slot in slots):
        return []
    radius = np.array([slot.radius for slot in slots])
    slack = {one.element: FAR * one.sigma for one in drawing.dimensions if one.kind == "radius"}
    if np.isnan(radius).any():
        return []
    room = np.array([slack[index] for index in range(len(slots))])
    change, room = np.diff(radius), room[1:] + room[:-1]
    listed = ", ".join(f"{one:,.0f}" for one in radius)
    for word, sign in (("grow", 1.0), ("shrink", -1.0)):
        if (sign * change >= -1e-9).all() and (sign * change > room).any():
            return [
                f"{drawing.frame}: radii {listed} only {word} from crown to keel; no tangent "
                "chain of them closes on the centreline: one is misread, or an arc is missing"
            ]
    return []


def _bad_order(drawing: Drawing) -> list[str]:
    """Return arcs out of order: by name, or by tangent points that rise."""
    names = [slot.name.lower() for slot in drawing.slots]
    faults = []
    for word, right in (("crown", 0), ("top", 0), ("keel", -1), ("bottom", -1)):
        if word in names and names.index(word) != range(len(names))[right]:
            first = "first" if right == 0 else "last"
            faults.append(
                f'{drawing.frame}: "{word}" found as arc {names.index(word) + 1} of {len(names)}; '
                f"rows run from crown to keel, it belongs {first}"
            )
    ends = sorted(
        (one.element, one.value, one.sigma)
        for one in drawing.dimensions
        if one.kind == "tangent_wl"
    )
    hollow = any(slot.hollow for slot in drawing.slots)
    for upper, lower in pairwise(ends):
        rise = lower[1] - upper[1]
        if upper[0] < lower[0] and rise > FAR * (upper[2] + lower[2]) and not hollow:
            faults.append(
                f'{drawing.frame}: the tangent point below "{drawing.name(lower[0])}" stands '
                f'{rise:.1f} mm above that below "{drawing.name(upper[0])}"; rows run from crown '
                "to keel"
            )
    sweep = sum(one.value for one in drawing.dimensions if one.kind == "sweep")
    if sweep > np.pi + 0.05 and not hollow:
        faults.append(
            f"{drawing.frame}: sweeps of {np.rad2deg(sweep):.1f} degrees in all found; half a "
            "section turns 180"
        )
    return faults


def _bad_outline(drawing: Drawing) -> list[str]:
    """Return figures that lie beyond the drawing's own outline."""
    whole = {one.kind: one for one in drawing.dimensions if one.element < 0}
    top, bottom, widest = (whole.get(key) for key in ("top", "bottom", "max_half_breadth"))
    faults = []
    if top and bottom and top.value <= bottom.value:
        faults.append(
            f"{drawing.frame}: top {top.value:g} found at or below bottom {bottom.value:g}"
        )
    for one in drawing.dimensions:
        if one.kind in ("half_breadth", "tangent_bl") and widest:
            over = one.value - widest.value - FAR * (one.sigma + widest.sigma)
            if over > 0:
                faults.append(
                    f"{_of(drawing, one)} {one.value:g} found, outside the greatest half-breadth "
                    f"{widest.value:g}: off the section"
                )
        level = one.at if one.kind == "half_breadth" else one.value
        if one.kind in ("half_breadth", "tangent_wl") and (
            (top and level > top.value + FAR * (one.sigma + top.sigma))
            or (bottom and level < bottom.value - FAR * (one.sigma + bottom.sigma))
        ):
            faults.append(
                f"{_of(drawing, one)} at height {level:g} found, above the top or below the "
                "bottom: off the section"
            )
    faults += _bad_centres(drawing)
    return faults


def _bad_centres(drawing: Drawing) -> list[str]:
    """Return centres of the crown or keel arc off the centreline, and centres out of reach."""
    last = len(drawing.slots) - 1
    faults = []
    for one in drawing.dimensions:
        if one.kind != "centre_bl":
            continue
        slot = drawing.slots[one.element]
        if one.element in (0, last) and abs(one.value) > FAR * one.sigma:
            faults.append(
                f"{_of(drawing, one)} {one.value:g} found; an arc that crosses the centreline has "
                "its centre on it, bl 0"
            )
        elif not slot.hollow and one.value <= -slot.radius:
            faults.append(
                f"{_of(drawing, one)} {one.value:g} found with a radius of {slot.radius:g}: the "
                "arc would lie wholly on the other side; the centre is on the wrong side"
            )
    return faults


def _of(drawing: Drawing, one: Dimension) -> str:
    """Return which row and figure is meant."""
    return f"{_where(drawing.facts[one.fact])}: {one.kind}"


def without(drawing: Drawing, dropped: set[int]) -> Drawing:
    """Return the drawing with some of its dimensions (by index) not believed."""
    kept = tuple(one for index, one in enumerate(drawing.dimensions) if index not in dropped)
    return replace(drawing, dimensions=kept)


def with_slot(drawing: Drawing, at: int, slot: Slot) -> Drawing:
    """Return the drawing with one more element put in before element `at`."""
    moved = tuple(
        replace(one, element=one.element + (one.element >= at)) for one in drawing.dimensions
    )
    slots = (*drawing.slots[:at], slot, *drawing.slots[at:])
    return replace(drawing, slots=slots, dimensions=moved)


def without_slot(drawing: Drawing, at: int) -> Drawing:
    """Return the drawing with an element and its figures left out."""
    kept = tuple(
        replace(one, element=one.element - (one.element > at))
        for one in drawing.dimensions
        if one.element != at
    )
    return replace(drawing, slots=drawing.slots[:at] + drawing.slots[at + 1 :], dimensions=kept)


def as_straight(drawing: Drawing, at: int) -> Drawing:
    """Return the drawing with one element made a straight, its radius and centre dropped."""
    round_only = ("radius", "centre_bl", "centre_wl", "sweep")
    kept = tuple(
        one for one in drawing.dimensions if one.element != at or one.kind not in round_only
    )
    slot = replace(drawing.slots[at], straight=True, hollow=False, radius=np.nan)
    slots = (*drawing.slots[:at], slot, *drawing.slots[at + 1 :])
    return replace(drawing, slots=slots, dimensions=kept)
