"""The free fit: the fewest arcs and straights that explain what was measured.

Chains of three arcs and more are fitted in turn and judged by BIC with the survey's
own sigma, every join counted once more because its place was searched for. The best
one is then simplified by leaving out each join and by trying every nearly flat element
as a straight. Only where no convex section explains the readings is one element allowed
to be hollow. Every make-up within 6 of the best is reported: a difference smaller than
that settles nothing.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from loft.drawing.chain import PI, Chain, project
from loft.drawing.choice import WITHIN, Arcs, Choice, is_sound, judged, ranked
from loft.drawing.conic import rivals
from loft.drawing.diagnosis import diagnose
from loft.drawing.hollow import fewer, fit_hollow, one_hollow
from loft.drawing.readings import STRAIGHT_UP, Readings, fold, read_points
from loft.drawing.solve import Fit, Task, by_cost, finished, settle, settle_all
from loft.drawing.start import (
    apart,
    grid_sets,
    point_turns,
    refine,
    solve_sets,
    stack_of,
    starts,
    support_of,
)
from loft.job.errors import LoftError
from loft.job.records import Array

MOST_ARCS = 7
ROUGH = 1e-4  # relative gain of a step below which a fit is settled for a comparison
POOR = 0.001  # chance below which a section without a reverse curve does not explain the readings


def fit_arcs(
    points: ArrayLike,
    sigma: ArrayLike,
    *,
    outline: ArrayLike = (),
    covariance: ArrayLike = (),
    finest: float = 0.0,
    centreline: tuple[float, float] = STRAIGHT_UP,
    robust: bool = False,
    conics: bool = True,
    most_arcs: int = MOST_ARCS,
) -> Arcs:
    """Fit the fewest tangent arcs and straights to one section, without a drawing.

    Parameters
    ----------
    points : array_like, shape (m, 2)
        (bl, height) on the mould line, mm; port negative.
    sigma : float or array_like, shape (m,)
        Standard deviation of a point along the normal, mm. It decides how many arcs
        are found, so it must be the survey's own.
    outline, covariance : array_like
        A lifted outline, shape (b, 2), with the covariance of its errors along the
        normal, shape (b, b), beside the points or instead of them.
    finest : float
        Shortest wavelength round the girth at which the outline is believed, mm.
    centreline : tuple of float
        Prior standard deviations of the shift (mm) and lean (radians) of the
        section's own centreline; zeros hold it.
    robust : bool
        Give outlying points less weight (Huber, then Tukey).
    conics : bool
        Fit conics too, as the rival make-up.
    most_arcs : int
        Where to stop.

    Returns
    -------
    Arcs

    Raises
    ------
    LoftError
        Fewer readings than the simplest chain has unknowns, or nothing that closes.

    Examples
    --------
    >>> from loft.drawing.chain import strike, walk
    >>> true = strike(600.0, [620.0, 300.0], [1.0, 2.0])
    >>> points = walk(true, np.linspace(0.0, true.length.sum(), 16))[0]
    >>> found = fit_arcs(points, 0.5)
    >>> found.best.words(), found.best.fit.chain.radius[:2].round(2).tolist()
    ('3 arcs', [620.0, 300.0])
    """
    readings = read_points(
        points,
        sigma,
        outline=outline,
        covariance=covariance,
        finest=finest,
        centreline=centreline,
    )
    arcs = fit_readings(readings, robust=robust, most_arcs=most_arcs)
    return replace(arcs, conics=rivals(readings)) if conics else arcs


def fit_readings(readings: Readings, *, robust: bool = False, most_arcs: int = MOST_ARCS) -> Arcs:
    """Fit the fewest arcs and straights to readings that are checked already.

    Examples
    --------
    >>> from loft.drawing.chain import strike, walk
    >>> true = strike(600.0, [620.0, 300.0], [1.0, 2.0])
    >>> points = walk(true, np.linspace(0.0, true.length.sum(), 16))[0]
    >>> fit_readings(read_points(points, 0.5)).best.words()
    '3 arcs'
    """
    _enough(readings)
    fits = _by_count(readings, most_arcs, "huber" if robust else "")
    if not fits:
        raise LoftError("no chain of tangent arcs closes on these readings; are they one section?")
    if robust:
        fits = {count: _hardened(fit) for count, fit in fits.items()}
    _simplify(fits)
    choices = [judged(fit) for fit in [*fits.values(), *_straightened(fits)]]
    if not any(choice.sound and choice.p > POOR for choice in choices):
        choices = _with_hollows(readings, [choice.fit for choice in choices])
    return ranked(choices)


def _with_hollows(readings: Readings, convex: list[Fit]) -> list[Choice]:
    """Return the choices where a section may have a reverse curve, the best one simplified."""
    hollow = fit_hollow(readings, point_turns(readings), loss=convex[0].task.loss)
    choices = [judged(fit, hollow=one_hollow(fit)) for fit in [*convex, *hollow]]
    for _ in range(MOST_ARCS):
        best = ranked(choices).best
        choices += [judged(fit, hollow=one_hollow(fit)) for fit in fewer(best.fit)]
        if ranked(choices).best is best:
            break
    return choices


def _enough(readings: Readings) -> None:
    """Refuse what cannot determine even three arcs."""
    if readings.rows < 6:
        raise LoftError(
            f"{readings.rows} readings found, at least 6 wanted: three tangent arcs that close "
            "have 5 unknowns; take three or more on every arc"
        )
    out = np.abs(readings.point[:, 0])
    reach = max(float(np.ptp(out)), float(np.ptp(readings.point[:, 1])))
    if reach < max(0.2 * float(out.max()), 10 * float(readings.spread.max())):
        raise LoftError(
            f"all readings lie within {reach:.1f} mm of each other; spread them from crown to keel"
        )


def _good(readings: Readings, unknowns: int) -> float:
    """Return the cost below which a fit leaves nothing to explain."""
    spare = max(readings.rows - unknowns, 1)
    return spare + 2 * np.sqrt(2 * spare)


def _by_count(readings: Readings, most_arcs: int, loss: str) -> dict[int, Fit]:
    """Fit chains of 3 arcs and more, until one more arc no longer pays.

    Where none of them explains the readings, once more with the normals read off the best.
    """
    fits = _counted(readings, most_arcs, loss, point_turns(readings))
    if fits and not any(_explains(fit) for fit in fits.values()):
        best = min(fits.values(), key=lambda fit: fit.cost)
        again = _counted(readings, most_arcs, loss, _turns_on(best, readings))
        for count, fit in again.items():
            if count not in fits or fit.cost < fits[count].cost:
                fits[count] = fit
    return fits


def _explains(fit: Fit) -> bool:
    """Tell whether a fit leaves no more than noise."""
    spare = max(len(fit.row) - fit.task.unknowns, 1)
    return fit.cost < spare + 2.5 * np.sqrt(2 * spare)


def _counted(readings: Readings, most_arcs: int, loss: str, turn: Array) -> dict[int, Fit]:
    """Fit chains of 3 arcs and more from given normals."""
    fits: dict[int, Fit] = {}
    rank: dict[int, float] = {}
    enough_at = 0
    for count in range(3, most_arcs + 1):
        if 2 * count - 1 >= readings.rows:
            break
        fit = fit_count(
            readings,
            count,
            turn=turn,
            keep=count - 2 if enough_at else 0,
            enough=ROUGH if enough_at else 1e-7,
            loss=loss,
            exchanges=0,
        )
        if fit is None:
            continue
        fits[count] = fit
        rank[count] = judged(fit).rank
        if not enough_at and _explains(fit):
            enough_at = count
        if enough_at and count > min(rank, key=rank.__getitem__):
            break
    best = min(rank, key=rank.__getitem__, default=0)
    if best > enough_at > 0:
        fits[best] = finished([fits[best]], most=50, enough=1e-7)[0]
    return fits


def fit_count(
    readings: Readings,
    count: int,
    *,
    turn: Array | None = None,
    keep: int = 0,
    enough: float = 1e-7,
    loss: str = "",
    exchanges: int = 4,
) -> Fit | None:
    """Fit a chain of a known number of arcs.

    Parameters
    ----------
    readings : Readings
    count : int
        Arcs, three or more.
    turn : ndarray, shape (m,), optional
        Direction of the normal at every point; found from the points if not given.
    keep : int
        Starts followed; two for every join where not given.
    enough : float
        Relative gain below which the best of them have settled.
    loss : str
        As of `Task`.
    exchanges : int
        How often one join may be taken out and put in elsewhere while the cost is
        still larger than noise explains.

    Examples
    --------
    >>> from loft.drawing.chain import strike, walk
    >>> true = strike(600.0, [620.0, 300.0], [1.0, 2.0])
    >>> points = walk(true, np.linspace(0.0, true.length.sum(), 16))[0]
    >>> fit_count(read_points(points, 0.5), 3).chain.radius[:2].round(2).tolist()
    [620.0, 300.0]
    """
    turn = point_turns(readings) if turn is None else turn
    keep = keep or 2 * (count - 1)
    task = Task(readings=readings, straight=(False,) * count, loss=loss)
    good = _good(readings, task.unknowns)
    found = starts(readings, turn, task.straight, keep=keep, robust=bool(loss))
    short = by_cost(settle_all(found, task, most=10, enough=ROUGH, good=good))
    if not short:
        return None
    hopeful = short[: 1 if short[0].cost < good else 2]
    steps = 50 if short[0].cost < 30 * good else 8
    best = by_cost(finished(hopeful, most=steps, enough=enough))[0]
    if best.cost < good or not exchanges:
        return best
    return _mended(best, good, exchanges)


def _mended(best: Fit, good: float, exchanges: int) -> Fit:
    """Return a better fit, by exchanging joins and, where that ends, from the grid again."""
    for _ in range(exchanges):
        other = _exchanged(best)
        if other is None or other.cost > best.cost * (1 - 1e-6):
            grid = grid_sets(len(best.chain) - 1)
            other = _best_of_sets(best, grid, straight=best.task.straight, keep=10)
        if other is None or other.cost > best.cost * (1 - 1e-6):
            break
        best = other
        if best.cost < good:
            break
    return best


def _exchanged(fit: Fit) -> Fit | None:
    """Return the best fit with one join taken out and put in anywhere else."""
    joins = np.sort(np.clip(fit.chain.turn[1:-1], 0.02, PI - 0.02))
    places = np.deg2rad(np.arange(3.0, 178.0, 3.0))
    sets = [
        np.column_stack([np.tile(np.delete(joins, index), (len(places), 1)), places])
        for index in range(len(joins))
    ]
    moved = np.sort(np.concatenate(sets), axis=1)
    moved = moved[(np.diff(moved, axis=1) > 0.03).all(axis=1)]
    return _best_of_sets(fit, moved, straight=fit.task.straight, keep=4)


def _best_of_sets(fit: Fit, turns: Array, *, straight: tuple[bool, ...], keep: int) -> Fit | None:
    """Return the best fit from some sets of turns, normals being read off a known fit."""
    if not len(turns):
        return None
    readings = fit.task.readings
    task = Task(readings=readings, straight=straight, loss=fit.task.loss)
    support = support_of(readings, _turns_on(fit, readings), straight)
    sets = solve_sets(support, turns)
    chains = stack_of(refine(support, sets, apart(turns, sets.cost, keep), readings), straight)
    short = by_cost(settle_all(chains, task, most=10, enough=ROUGH))
    return next(iter(by_cost(finished(short[:3], most=40, enough=1e-6))), None)


def _turns_on(fit: Fit, readings: Readings) -> Array:
    """Return the directions of the normal at the feet of all points on a fitted chain."""
    feet = project(fit.chain, fold(readings, fit.lean)[0])
    return np.clip(
        fit.chain.turn[feet.element] + fit.chain.curvature[feet.element] * feet.along, 0.0, PI
    )


def _simplify(fits: dict[int, Fit]) -> None:
    """Leave out joins of the best fit for as long as that pays; adds to `fits`.

    First of the best by rank, even an artefact (with one join too many it often is one),
    then of the best sound one.
    """
    tried: list[Fit] = []
    for sound in (False, True):
        for _ in range(MOST_ARCS):
            order = {n: (sound and not is_sound(fit), judged(fit).rank) for n, fit in fits.items()}
            best = min(order, key=order.__getitem__)
            if any(fits[best] is one for one in tried):
                break
            tried.append(fits[best])
            fewer = _without_a_join(fits[best])
            known = fits.get(best - 1)
            if fewer is None or (known is not None and not _rank(fewer) < _rank(known)):
                break
            fits[best - 1] = fewer


def _rank(fit: Fit) -> tuple[bool, float]:
    """Return what fits of one make-up are ordered by: an artefact loses to anything sound."""
    return not is_sound(fit), round(fit.cost, 6)


def _without_a_join(fit: Fit) -> Fit | None:
    """Return the best fit with two neighbouring arcs made one."""
    count = len(fit.chain)
    if count < 4:
        return None
    joins = np.sort(np.clip(fit.chain.turn[1:-1], 0.02, PI - 0.02))
    fewer = np.array([np.delete(joins, index) for index in range(count - 1)])
    fewer = fewer + 1e-3 * np.arange(count - 2)
    readings, straight = fit.task.readings, (False,) * (count - 1)
    task = replace(fit.task, straight=straight)
    support = support_of(readings, _turns_on(fit, readings), straight)
    sets = solve_sets(support, fewer)
    chains = stack_of(refine(support, sets, range(len(fewer)), readings), straight)
    short = sorted(by_cost(settle_all(chains, task, most=6, enough=ROUGH)), key=_rank)
    return min(finished(short[:2], most=40, enough=1e-6), key=_rank, default=None)


def _hardened(fit: Fit) -> Fit:
    """Return the fit with outlying readings given less weight, Huber first, then Tukey."""
    for loss in ("huber", "tukey"):
        task = Task(
            readings=fit.task.readings,
            straight=fit.task.straight,
            dimensions=fit.task.dimensions,
            held=fit.task.held,
            loss=loss,
        )
        fit = settle(fit.chain, task, lean=fit.lean, enough=1e-7) or fit
    return fit


def _straightened(fits: dict[int, Fit]) -> list[Fit]:
    """Return fits with nearly flat elements of the best one made straight, one by one."""
    best = min(fits.values(), key=lambda fit: judged(fit).rank)
    out: list[Fit] = []
    while True:
        flatness = np.abs(best.chain.curvature) / np.maximum(diagnose(best).sd_curvature, 1e-12)
        flatness[list(best.task.straight)] = np.inf
        index = int(np.argmin(flatness))
        if flatness[index] > 3.0 or sum(best.task.straight) >= len(best.chain) - 2:
            return out
        straight = tuple(flat or place == index for place, flat in enumerate(best.task.straight))
        bend = best.chain.curvature * ~np.array(straight)
        task = Task(readings=best.task.readings, straight=straight, loss=best.task.loss)
        found = settle(
            Chain(crown=best.chain.crown, curvature=bend, length=best.chain.length),
            task,
            lean=best.lean,
            enough=1e-7,
        )
        if found is None:
            return out
        out.append(found)
        if judged(found).bic > judged(best).bic + WITHIN:
            return out
        best = found
