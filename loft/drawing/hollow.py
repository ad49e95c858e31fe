"""Sections with a reverse curve: a wing-root fillet, a flared bottom.

A hollow turns the section back, so the search over turns cannot hold one. It is
started as a straight, which that search can, and then bent outwards.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from loft.drawing.chain import Chain
from loft.drawing.choice import BENT, judged
from loft.drawing.readings import Readings
from loft.drawing.solve import Fit, Task, by_cost, finished, settle, settle_all
from loft.drawing.start import starts
from loft.job.records import Array

FIRST_RADIUS = 400.0  # mm, at which a hollow that nobody drew is started
MOST_HOLLOW = 6  # elements of a section with a reverse curve
ENOUGH = 0.05  # chance of the misfit above which no more elements are tried


def bend_out(chain: Chain, radius: Sequence[float]) -> Chain:
    """Return a chain with some elements bent outwards, their turn made up above.

    Parameters
    ----------
    chain : Chain
        Straight where it is to be hollow.
    radius : sequence of float, shape (n,)
        Of the hollows, mm; infinite for elements that stay as they are.

    Examples
    --------
    >>> start = Chain(crown=600.0, curvature=[1 / 600, 0.0, 1 / 700], length=[900.0, 90.0, 1150.0])
    >>> bend_out(start, [np.inf, 300.0, np.inf]).radius.tolist()
    [600.0, -300.0, 700.0]
    """
    bend, run = chain.curvature.copy(), chain.length.copy()
    for index, size in enumerate(radius):
        if np.isfinite(size) and index:
            run[index] = max(run[index], 30.0)
            turned = min(run[index] / size, 0.3)
            bend[index], run[index] = -1 / size, turned * size
            if bend[index - 1] > 0:
                run[index - 1] += turned / bend[index - 1]
    return Chain(crown=chain.crown, curvature=bend, length=run)


def one_hollow(fit: Fit) -> bool:
    """Tell whether one element is hollow, between others and with the ends convex."""
    which = np.flatnonzero(fit.chain.curvature < BENT)
    return len(which) == 1 and 0 < which[0] < len(fit.chain) - 1


def fewer(fit: Fit) -> list[Fit]:
    """Return fits with two neighbouring arcs of a chain made one, each pair in turn."""
    bend, run = fit.chain.curvature, fit.chain.length
    out = []
    for at in np.flatnonzero((bend[1:] > 0) & (bend[:-1] > 0)):
        length = np.delete(run, at)
        length[at] = run[at] + run[at + 1]
        turned = bend[at] * run[at] + bend[at + 1] * run[at + 1]
        curvature = np.delete(bend, at)
        curvature[at] = turned / length[at]
        straight = tuple(np.delete(fit.task.straight, at).tolist())
        task = replace(fit.task, straight=straight)
        chain = Chain(crown=fit.chain.crown, curvature=curvature, length=length)
        found = settle(chain, task, lean=fit.lean, enough=1e-7)
        if found is not None:
            out.append(found)
    return out


def fit_hollow(readings: Readings, turn: Array, *, loss: str = "") -> list[Fit]:
    """Return the best chains with one reverse curve, by number of elements.

    Parameters
    ----------
    readings : Readings
    turn : ndarray, shape (m,)
        Direction of the normal at every point.
    loss : str
        As of `Task`.

    Examples
    --------
    >>> from loft.drawing.chain import walk
    >>> from loft.drawing.closure import close
    >>> from loft.drawing.readings import read_points
    >>> from loft.drawing.start import point_turns
    >>> bend, run = 1 / np.array([700, 2600, -300, 260, 970]), [820, 480, 145, 315, 1012]
    >>> true = close(Chain(crown=800.0, curvature=bend, length=run), np.arange(11) < 5)
    >>> readings = read_points(walk(true, np.linspace(0.0, true.length.sum(), 40))[0], 0.5)
    >>> fit_hollow(readings, point_turns(readings))[-1].chain.radius.round().tolist()
    [700.0, 2600.0, -300.0, 260.0, 1011.0]
    """
    out: list[Fit] = []
    for count in range(4, MOST_HOLLOW + 1):
        if 2 * count - 1 >= readings.rows:
            break
        fits = _with_hollow(readings, turn, count, loss)
        found = [judged(fit, hollow=True) for fit in fits]
        sound = [one for one in found if one.sound]
        if sound:
            best = min(sound, key=lambda one: one.bic)
            out.append(best.fit)
            if best.p > ENOUGH:
                break
    return out


def _with_hollow(readings: Readings, turn: Array, count: int, loss: str) -> list[Fit]:
    """Return the best chains of some elements, of which one is hollow, for each that may be."""
    task = Task(readings=readings, straight=(False,) * count, loss=loss)
    places, chains = [], []
    for at in range(1, count - 1):
        flat = tuple(index == at for index in range(count))
        radius = np.where(flat, FIRST_RADIUS, np.inf).tolist()
        found = starts(readings, turn, flat, keep=3, robust=bool(loss))
        places += [at] * len(found)
        chains += [bend_out(found.one(index), radius) for index in range(len(found))]
    begun = settle_all(chains, task, most=10, enough=1e-4)
    out = []
    for at in range(1, count - 1):
        short = by_cost(fit for fit, place in zip(begun, places, strict=True) if place == at)
        full = by_cost(finished(short[:2], enough=1e-7))
        hollow = np.arange(count) == at
        out += [fit for fit in full if ((fit.chain.curvature < 0) == hollow).all()][:1]
    return out
