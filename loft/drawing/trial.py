"""Arcs along the fuselage against the free surface: every frame predicted by both.

The two are mixed, section = w arcs + (1 - w) surface, with a w half way between the one
that would have predicted the surviving frames best and arcs alone; where the best is no
surer gain than chance gives, the surface stays as it is.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from loft.drawing.along import BEGUN, Astray, Ring, Run, begin, carry, errors, rings_of
from loft.drawing.chain import Chain
from loft.drawing.lifted import APART, check_section, moved_section
from loft.drawing.readings import read_points
from loft.drawing.search import fit_count
from loft.fairing.evidence import faired_without
from loft.fairing.section import section_covariance
from loft.fairing.surface import Surface
from loft.job.errors import Finding, LoftError
from loft.job.records import Array, Section

Construction = tuple[Chain, tuple[bool, ...]]  # and which elements are straights
ARCS = 3, 4, 5, 6  # a side, tried where no drawing tells
DEGREES = 2, 3, 4, 5  # of the figures' polynomials
FEWEST = 7  # upright frames below which nothing can be told
ALLOWED = 3.29  # of both standard deviations together that arcs and surface may stand apart
SURE = 2.0  # mean gain over its standard error from which the arcs are believed
LEAST_SHARE = 0.4  # weight under which the arcs have too little to say


@dataclass(frozen=True, eq=False, kw_only=True)
class Trial:
    """What the arcs along the fuselage are worth.

    Parameters
    ----------
    run : Run
        Of the degree that predicted the frames best.
    share : float
        The weight of the arcs that predicted best: 1 arcs alone, 0 surface alone.
    gain : float
        (a - b)/(a + b), the mean over the frames: a the sum of squares of a frame's
        prediction errors by the surface, b as mixed. No single frame can outweigh the others.
    error : float
        Its standard error.
    frames : int
        How many were predicted.
    excess : float
        Times its own measure that the run's prediction errors squared came out, at least 1.
    """

    run: Run
    share: float
    gain: float
    error: float
    frames: int
    excess: float

    @property
    def used(self) -> bool:
        """Tell whether the sections are bettered by it."""
        return self.gain >= SURE * self.error and self.share >= LEAST_SHARE

    @property
    def weight(self) -> float:
        """Return w, the arcs' weight in the sections: half way from the share to one.

        Both are fitted to the same readings, so that where the body was struck with arcs
        they have nothing to learn from the surface, and the share is found from few frames.
        """
        return (1.0 + self.share) / 2.0

    @property
    def figures(self) -> tuple[int, int]:
        """Return what it takes to write the run down: elements, then degree."""
        return len(self.run.straight), self.run.degree

    def finding(self) -> Finding:
        """Say which of the two is used, and why."""
        arcs = f"{len(self.run.straight)} elements a side, fair along the fuselage"
        less = 2 * self.gain / (1 + self.gain)
        proof = (
            f"{self.frames} frames predicted as if missing by both: square error "
            f"{100 * abs(less):.0f} % {'less' if less >= 0 else 'more'} at the best weight of "
            f"{self.share:.2f}, {self.gain / max(self.error, 1e-12):.1f} times its standard error "
            f"(wanted: {SURE:.0f} times, and a weight of {LEAST_SHARE:g})"
        )
        if self.used:
            text = (
                f"arcs along the fuselage are used with a weight of {self.weight:.2f}: "
                f"{arcs}; {proof}"
            )
        else:
            text = f"arcs along the fuselage are not used, the surface stays as it is: {proof}"
        return Finding(text=text, severity="note")


def try_arcs(
    surface: Surface,
    stations: Sequence[float],
    constructions: Sequence[Construction],
    progress: Callable[[str], None] = lambda text: None,
) -> list[Trial] | str:
    """Carry constructions along the fuselage and predict every frame by them and without.

    Parameters
    ----------
    surface : Surface
    stations : sequence of float
        Where sections are wanted, mm.
    constructions : sequence of (Chain, tuple of bool)
        As they stand at the middle one of them, and which of their elements are straights.
    progress : callable, optional

    Returns
    -------
    list of Trial or str
        Of the constructions that predicted the frames within a standard error as well as
        the best, those that are used first, then the simplest; or why there is none.

    References
    ----------
    L. Breiman, J. Friedman, R. Olshen and C. Stone, "Classification and Regression
    Trees", 1984, section 3.4.3: the one standard error rule (from memory).

    Examples
    --------
    >>> try_arcs(surface, [6160.0], [(chain, (False,) * 5)])  # doctest: +SKIP
    """
    why = _cannot(surface)
    rings = () if why else rings_of(surface)
    framed = [k for k, ring in enumerate(rings) if ring.frame]
    if not why and len(framed) < FEWEST:
        why = f"{len(framed)} upright frames, {FEWEST} wanted"
    if why:
        return why
    inner = framed[1:-1]
    alone, found = [], []
    try:
        for number, k in enumerate(inner):
            progress(f"predicting frames by surface and arcs {number}/{len(inner)}")
            alone.append(_by_surface(surface, rings[k]))
    except LoftError as refusal:
        return refusal.findings[0].text
    for chain, straight in constructions:
        try:
            runs = _runs(surface, rings, np.array(stations), chain, straight)
        except Astray as reason:
            why = str(reason)
            continue
        found += [_mixed(run, inner, alone) for run in runs]
    if not found:
        return why
    best = max(found, key=lambda trial: trial.gain)
    equal = [trial for trial in found if trial.gain >= best.gain - best.error]
    return sorted(equal, key=lambda trial: (not trial.used, trial.figures))


def _cannot(surface: Surface) -> str:
    if surface.chines:
        return "the body has chines"
    if surface.job.breaks:
        return "the body has marked breaks"
    if surface.job.fair.symmetry == "off":
        return "symmetry is off"
    return ""


def _runs(
    surface: Surface,
    rings: tuple[Ring, ...],
    wanted: Array,
    chain: Chain,
    straight: tuple[bool, ...],
) -> list[Run]:
    station = np.unique(np.concatenate([[ring.station for ring in rings], wanted]))
    at = int(np.argmin(np.abs(station - np.median(wanted))))
    start = begin(surface, station, at, chain, straight)
    out = []
    for degree in DEGREES:
        try:
            out.append(carry(rings, station, start, straight, degree=degree))
        except Astray as reason:
            last = reason
    if not out:
        raise last
    return out


def _by_surface(surface: Surface, ring: Ring) -> Array:
    """Return a ring's whitened errors as predicted by a surface without that frame."""
    other = faired_without(surface, ring.frame)
    station = np.full(len(ring.point), ring.station)
    slope = other.slopes(station, other.theta_of(station, *ring.point.T))[:, 1:]
    normal = slope / np.linalg.norm(slope, axis=1, keepdims=True)
    return ring.whitener(normal).T @ other.distance(station, *ring.point.T)


def _mixed(run: Run, inner: list[int], alone: list[Array]) -> Trial:
    """Return the mixture that predicts the inner frames best, and how sure its gain is."""
    arcs = [run.left_out[k] for k in inner]
    both = np.array([[a @ a, a @ s, s @ s] for a, s in zip(arcs, alone, strict=True)])
    excess = max(1.0, float(both[:, 0].sum() / run.expected[inner].sum()))
    both /= (both[:, 0] + both[:, 2])[:, None]  # frames count alike, however many their readings
    aa, cross, ss = both.sum(0)
    share = float(np.clip((ss - cross) / max(aa - 2 * cross + ss, 1e-12), 0.0, 1.0))
    mixed = both @ np.array([share**2, 2 * share * (1 - share), (1 - share) ** 2])
    gained = (both[:, 2] - mixed) / (both[:, 2] + mixed)
    return Trial(
        run=run,
        share=share,
        gain=float(gained.mean()),
        error=float(gained.std(ddof=1) / np.sqrt(len(gained))),
        frames=len(inner),
        excess=excess,
    )


def mix(trial: Trial, surface: Surface, section: Section) -> tuple[Section, Spread]:
    """Return a lifted section bettered by the arcs, and the covariance of its errors.

    The arcs give its shape; where it stands only if they are surer of that than the
    surface, which they need not be where frames settled: both have it from the same
    readings.

    Raises
    ------
    Astray
        At this station the arcs do not close, are less sure than the surface, or stand
        further from it than it allows: nothing holds them there.
    """
    some = np.arange(
        0, len(section.girth), max(1, round(APART * len(section.girth) / section.length))
    )
    moved, arcs = _to_arcs(trial, section, some)
    free = section_covariance(surface, section, some)
    shape = _shape(section, some)
    place = np.eye(len(some)) - shape
    whole = bool(np.trace(place @ arcs) < np.trace(place @ free))
    taken = np.eye(len(some)) if whole else shape
    sure, known = (np.diag(taken @ one @ taken) for one in (arcs, free))
    apart = float(np.abs(taken @ moved / np.sqrt(sure + known)).max())
    if sure.sum() > known.sum():
        raise Astray(f"at {section.frame} the arcs are less sure than the surface")
    if apart > ALLOWED:
        raise Astray(
            f"at {section.frame} the arcs stand {apart:.1f} standard deviations from the "
            f"surface, {ALLOWED} allowed"
        )
    spread = Spread(trial, surface, section, whole)
    bettered = moved_section(
        section, some, trial.weight * taken @ moved, spread(some), len(surface.stations)
    )
    return replace(bettered, source="surface and arcs along the fuselage"), spread


def _shape(section: Section, some: NDArray[np.int64]) -> Array:
    """Return the projector that takes bl, height and roll out of movements along normals."""
    bl, height = section.bl[some], section.height[some]
    out, up = section.normal_bl[some], section.normal_height[some]
    roll = up * (bl - bl.mean()) - out * (height - height.mean())
    basis = np.linalg.qr(np.stack([out, up, roll], -1))[0]
    return np.asarray(np.eye(len(some)) - basis @ basis.T, np.float64)


def _to_arcs(trial: Trial, section: Section, some: NDArray[np.int64]) -> tuple[Array, Array]:
    """Return how far the arcs lie outside some of a section's points, and its covariance."""
    chain, covariance = trial.run.chain(section.station)
    point = np.stack([section.bl, section.height], -1)[some]
    distance, normal, by = errors(chain, point, trial.run.straight)
    own = np.stack([section.normal_bl, section.normal_height], -1)[some]
    along = (normal * own).sum(1)
    by = by / along[:, None]
    return -distance / along, trial.excess * by @ covariance @ by.T


@dataclass(frozen=True, eq=False)
class Spread:
    """The covariance of a bettered section's errors along its normals, mm^2.

    How the errors of arcs and surface hang together nobody knows; w arcs + (1 - w) surface
    is never too small whatever it is. `whole` tells that the arcs' place is taken too.
    """

    trial: Trial
    surface: Surface
    section: Section
    whole: bool

    def __call__(self, some: NDArray[np.int64]) -> Array:
        """Return it for some of the section's points, shape (k, k)."""
        arcs = _to_arcs(self.trial, self.section, some)[1]
        free = section_covariance(self.surface, self.section, some)
        if not self.whole:
            shape = _shape(self.section, some)
            place = np.eye(len(some)) - shape
            arcs = shape @ arcs @ shape + place @ free @ place
        return self.trial.weight * arcs + (1 - self.trial.weight) * free


def along_fuselage(
    surface: Surface, sections: Sequence[Section], progress: Callable[[str], None]
) -> tuple[dict[str, Section], dict[str, Spread], Finding]:
    """Better lifted sections by the arcs of their neighbours, if that predicts frames better.

    The construction is that of the middle section, as its drawing gives it; without one,
    every number of arcs that the section can be struck with is tried.

    Parameters
    ----------
    surface : Surface
    sections : sequence of Section
        As lifted, at least one.
    progress : callable
        Told what is being done.

    Returns
    -------
    sections : dict of str to Section
        By frame, all of those given.
    spreads : dict of str to Spread
        Of those that were bettered.
    finding : Finding
        Which was used, and why.
    """
    out = {section.frame: section for section in sections}
    upright = sorted((s for s in sections if not s.cant), key=lambda section: section.station)
    if not upright:
        return out, {}, _told("the frames wanted are canted")
    middle = upright[len(upright) // 2]
    try:
        constructions = _constructions(surface, middle)
    except LoftError as refusal:
        return out, {}, _told(refusal.findings[0].text)
    stations = [section.station for section in upright]
    trials = try_arcs(surface, stations, constructions, progress)
    if isinstance(trials, str):
        return out, {}, _told(trials)
    finding = trials[0].finding()
    for trial in trials:
        if not trial.used:
            break
        try:
            mixed = {section.frame: mix(trial, surface, section) for section in upright}
        except Astray as reason:
            text = f"arcs along the fuselage are not used, the surface stays as it is: {reason}"
            finding = Finding(text=text, severity="note")
            continue
        spreads = {frame: spread for frame, (_, spread) in mixed.items()}
        out |= {frame: section for frame, (section, _) in mixed.items()}
        return out, spreads, trial.finding()
    return out, {}, finding


def _constructions(surface: Surface, section: Section) -> list[Construction]:
    """Return the drawing's construction of a section, or one of each number of arcs."""
    facts = [fact for fact in surface.job.facts if fact.frame == section.frame]
    if facts:
        fit = check_section(section, surface, facts)[0].reading.fit
        return [(fit.chain, fit.task.straight)]
    apart = max(1, round(APART * len(section.girth) / section.length))
    readings = read_points(np.stack([section.bl, section.height], -1)[::apart], BEGUN)
    fits = [fit_count(readings, count) for count in ARCS]
    return [(fit.chain, fit.task.straight) for fit in fits if fit is not None]


def _told(why: str) -> Finding:
    return Finding(text=f"arcs along the fuselage were not tried: {why}", severity="note")
