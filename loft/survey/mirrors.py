"""Where a network of tapes starts, and which other positions fit it as well.

Tapes that cross have two crossings, one on each side of the plane (or line) they are
taped from. Both sides are always tried.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from loft.job.records import Array, freeze_arrays
from loft.survey.network import Network, bent, cost_of, settle

BEND = 2.0  # standard deviations beyond which a residual counts by its size while searching
GOOD = 2.0  # square sum to a reading at which no other side is looked for
SCATTERED = 24  # starts of points that cannot be placed one after another


@dataclass(frozen=True, eq=False, kw_only=True)
class Mirror:
    """Another set of positions that the readings allow.

    Parameters
    ----------
    points : tuple of int
        Points that stand elsewhere in it.
    position : ndarray, shape (n, d)
        Of all points.
    excess : float
        Its sum of squared standardised residuals less that of the solution.
    whole : bool
        Every unknown point is reflected in a plane through the control points.
    """

    points: tuple[int, ...]
    position: Array
    excess: float
    whole: bool = False

    def __post_init__(self) -> None:
        freeze_arrays(self)


@dataclass(frozen=True, eq=False, kw_only=True)
class Around:
    """The readings of one point while all others stand still.

    Tapes: distance to `base` is `value`. Others: ``line . point`` is `value`.
    """

    base: Array
    tape: np.ndarray
    line: Array
    value: Array
    sigma: Array

    def misfit(self, here: Array) -> tuple[Array, Array]:
        """Return standardised residuals (s, m) and their derivatives (s, m, d)."""
        step = here[:, None, :] - self.base
        length = np.linalg.norm(step, axis=2)
        along = step / np.where(length > 0, length, 1.0)[:, :, None]
        reading = np.where(self.tape, length, here @ self.line.T)
        slope = np.where(self.tape[:, None], along, self.line)
        return (self.value - reading) / self.sigma, slope / self.sigma[:, None]

    def cost(self, here: Array, chosen: Array | None = None) -> Array:
        """Return the sum of squares, linear beyond BEND, of every place, shape (s,)."""
        square = bent(self.misfit(here)[0], BEND)
        return np.sum(square if chosen is None else square * chosen, axis=1)


def first_positions(net: Network) -> Array:
    """Return positions from which the network can be solved, shape (n, d).

    Points are placed one after another from those already placed: plumbed
    coordinates as read, tapes by trying both of their crossings. What cannot be
    reached like that is started from scattered places, the same every time. At the
    end single points change sides as long as that betters the fit.

    Examples
    --------
    >>> from loft.survey.network import example_network
    >>> net, place = example_network()
    >>> first_positions(net)[3].round(3).tolist()
    [400.0, 300.0]
    """
    position = np.where(np.isfinite(net.given), net.given, net.near)
    placed = np.asarray(np.isfinite(position).all(axis=1))
    while not placed.all():
        count = [0 if done else _held(net, placed, k) for k, done in enumerate(placed)]
        best = int(np.argmax(count))
        if count[best] < len(net.axes):
            break
        position[best] = crossings(net, position, best, placed=placed)[0]
        placed[best] = True
    used = np.ones(len(net.value), dtype=bool)
    if placed.all():
        return _change_sides(net, settle(net, position, used=used, bend=BEND), used=used)
    return _scattered(net, position, placed, used=used)


def _scattered(net: Network, position: Array, placed: np.ndarray, *, used: np.ndarray) -> Array:
    """Return the best of several solutions started from scattered places."""
    rng = np.random.default_rng(14)
    known = position[placed]
    centre = known.mean(axis=0) if len(known) else np.zeros(len(net.axes))
    reach = float(np.abs(net.value[net.tape]).max(initial=1.0))
    found = []
    for _ in range(SCATTERED):
        trial = position.copy()
        trial[~placed] = centre + reach * rng.uniform(
            -1.0, 1.0, (int(np.sum(~placed)), len(centre))
        )
        trial = np.where(np.isfinite(position), position, trial)
        trial = _change_sides(net, settle(net, trial, used=used, bend=BEND), used=used)
        found.append((cost_of(net, trial, used, BEND), trial))
        if found[-1][0] < len(net.value):
            break
    return min(found, key=lambda pair: pair[0])[1]


def readings_of(net: Network, point: int, placed: np.ndarray) -> np.ndarray:
    """Return the readings that tie a point to placed points or to the datum.

    Examples
    --------
    >>> from loft.survey.network import example_network
    >>> net, place = example_network()
    >>> readings_of(net, 3, np.array([True, False, True, False])).tolist()
    [0, 2]
    """
    to = (net.end == point) & ((net.start < 0) | placed[net.start])
    out = (net.start == point) & placed[net.end]
    return np.flatnonzero(to | out)


def _held(net: Network, placed: np.ndarray, point: int) -> int:
    """Return how many different readings hold a point to placed ones."""
    seen: set[tuple[bool, object]] = set()
    for k in readings_of(net, point, placed):
        other = net.start[k] if net.end[k] == point else net.end[k]
        seen.add((True, int(other)) if net.tape[k] else (False, net.coefficient[k].tobytes()))
    return len(seen)


def crossings(
    net: Network, position: Array, point: int, *, placed: np.ndarray, used: np.ndarray | None = None
) -> Array:
    """Return every place where its readings let one point stand, best first.

    All other points stand still. Each place descends from one of some twenty starts
    round the points it is taped to. Shape (k, d).

    Examples
    --------
    >>> from loft.survey.network import example_network
    >>> net, place = example_network()
    >>> two = np.array([True, True, False, False])
    >>> sorted(crossings(net, place, 3, placed=two)[:2].round(3)[:, 1].tolist())
    [-300.0, 300.0]
    """
    pick = readings_of(net, point, placed)
    if used is not None:
        pick = pick[used[pick]]
    around = readings_around(net, position, point, pick=pick)
    here = descend(around, starts_around(around, position[point]))
    cost = around.cost(here)
    kept: list[int] = []
    for k in np.argsort(cost, kind="stable"):
        if all(np.linalg.norm(here[k] - here[j]) > 4.0 * around.sigma.max() for j in kept):
            kept.append(int(k))
    return here[kept]


def readings_around(net: Network, position: Array, point: int, *, pick: np.ndarray) -> Around:
    """Return the picked readings of one point, all other points standing still.

    Examples
    --------
    >>> from loft.survey.network import example_network
    >>> net, place = example_network()
    >>> readings_around(net, place, 3, pick=np.array([0, 2])).value.tolist()
    [500.0, 600.0]
    """
    ends = net.end[pick] == point
    other = np.where(ends, net.start[pick], net.end[pick])
    base = np.where((other >= 0)[:, None], position[other], 0.0)
    line, value = net.coefficient[pick], net.value[pick]
    shift = np.sum(line * base, axis=1)
    level = np.where(ends, shift + value, shift - value)
    return Around(
        base=base,
        tape=net.tape[pick],
        line=line,
        value=np.where(net.tape[pick], value, level),
        sigma=net.sigma[pick],
    )


def starts_around(around: Around, current: Array) -> Array:
    """Return places round the taped-to points from which to descend, shape (s, d).

    Examples
    --------
    >>> from loft.survey.network import example_network
    >>> net, place = example_network()
    >>> around = readings_around(net, place, 3, pick=np.arange(3))
    >>> starts_around(around, place[3]).shape
    (11, 2)
    """
    size = around.line.shape[1]
    tapes = around.base[around.tape]
    centre = tapes.mean(axis=0) if len(tapes) else np.zeros(size)
    reach = float(around.value[around.tape].mean()) if len(tapes) else 0.0
    corners = np.array(list(itertools.product((-1.0, 1.0), repeat=size))) / np.sqrt(size)
    starts = [centre + reach * direction for direction in (*corners, *np.eye(size), *-np.eye(size))]
    if np.isfinite(current).all():
        starts.append(current)
        if len(tapes):
            across = np.linalg.svd(tapes - centre)[2]
            starts += [current - 2 * ((current - centre) @ n) * n for n in across]
    here = np.array(starts)
    for line, value in zip(around.line[~around.tape], around.value[~around.tape], strict=True):
        here -= ((here @ line - value) / (line @ line))[:, None] * line
    return here


def descend(around: Around, here: Array, *, chosen: Array | None = None) -> Array:
    """Return where every start comes to rest, by damped steps that only go down.

    `chosen`, shape (s, m), is 1 for the readings that a start is to obey, else 0.

    Examples
    --------
    >>> from loft.survey.network import example_network
    >>> net, place = example_network()
    >>> around = readings_around(net, place, 3, pick=np.arange(3))
    >>> descend(around, np.array([[350.0, 250.0]])).round(3).tolist()
    [[400.0, 300.0]]
    """
    size = here.shape[1]
    damping = np.full(len(here), 1e-3)
    cost = around.cost(here, chosen)
    stalled = 0
    for _ in range(60):
        residual, slope = around.misfit(here)
        weight = np.minimum(1.0, BEND / np.maximum(np.abs(residual), 1e-300))
        weight = weight if chosen is None else weight * chosen
        normal = np.einsum("smi,sm,smj->sij", slope, weight, slope)
        right = np.einsum("smi,sm->si", slope, weight * residual)
        scale = np.trace(normal, axis1=1, axis2=2) + 1e-30
        normal = normal + (damping * scale)[:, None, None] * np.eye(size)
        trial = here + np.linalg.solve(normal, right[:, :, None])[:, :, 0]
        moved = around.cost(trial, chosen)
        better = moved <= cost
        gaining = np.any(cost - moved > 1e-9 * cost + 1e-12)
        stalled = 0 if gaining else stalled + 1
        here = np.where(better[:, None], trial, here)
        cost = np.where(better, moved, cost)
        damping = np.where(better, np.maximum(damping / 10, 1e-9), np.minimum(damping * 10, 1e9))
        if stalled == 4:
            break
    return here


def _change_sides(net: Network, position: Array, *, used: np.ndarray) -> Array:
    """Let single points go to their other crossing as long as that betters the fit."""
    everywhere = np.ones(len(net.points), dtype=bool)
    best = cost_of(net, position, used, BEND)
    for _ in range(3):
        if best <= GOOD * int(used.sum()):
            break
        before = best
        for point in np.flatnonzero(~net.fixed):
            for place in crossings(net, position, int(point), placed=everywhere)[:3]:
                trial = position.copy()
                trial[point] = place
                if cost_of(net, trial, used, BEND) > 3 * best + 100.0:
                    continue
                trial = settle(net, trial, used=used, bend=BEND)
                cost = cost_of(net, trial, used, BEND)
                if cost < best - 1e-6 * (1 + best):
                    position, best = trial, cost
        if best >= before - 1e-6 * (1 + before):
            break
    return position


def mirrored(net: Network, position: Array, *, used: np.ndarray, allowed: float) -> list[Mirror]:
    """Return other positions that fit nearly as well.

    Tried are the reflection of all unknown points in a plane through the control points,
    where these lie in one plane or line, and every single point at its other crossing.

    Parameters
    ----------
    allowed : float
        Largest excess of the sum of squared standardised residuals over that of
        `position`; beyond it a reading has excluded the mirror.

    Examples
    --------
    >>> from loft.survey.network import example_network
    >>> net, place = example_network()
    >>> two = np.array([True, True, False])
    >>> mirrored(net, place, used=two, allowed=17.0)[0].position[3].round(3).tolist()
    [400.0, -300.0]
    """
    if not net.tape.any():
        return []
    base = cost_of(net, position, used)
    everywhere = np.ones(len(net.points), dtype=bool)
    found: list[Mirror] = []
    trials: list[tuple[Array, bool]] = [(flip, True) for flip in _reflected(net, position)]
    for point in np.flatnonzero(~net.fixed):
        for place in crossings(net, position, int(point), placed=everywhere, used=used):
            trial = position.copy()
            trial[point] = place
            trials.append((trial, False))
    for trial, whole in trials:
        if cost_of(net, trial, used, BEND) > base + 10 * allowed + 100 * len(net.value):
            continue
        settled = settle(net, trial, used=used)
        excess = cost_of(net, settled, used) - base
        moved = np.linalg.norm(settled - position, axis=1) > 4.0 * np.median(net.sigma)
        same = any(
            np.allclose(settled, other.position, atol=np.median(net.sigma)) for other in found
        )
        if excess <= allowed and moved.any() and not same:
            points = tuple(int(k) for k in np.flatnonzero(moved))
            found.append(Mirror(points=points, position=settled, excess=excess, whole=whole))
    return found


def _reflected(net: Network, position: Array) -> list[Array]:
    """Return the unknown points reflected in every plane that holds the held points.

    Held are fixed points and those plumbed on every axis. Points of one line lie in many
    planes: taken are those along an axis, in which plumbed coordinates stay what they are.
    Nothing is returned where the held points fill the space.
    """
    size = len(net.axes)
    plumbed = np.bincount(net.end[~net.tape & (net.start < 0)], minlength=len(net.points))
    held = net.fixed | (plumbed >= size)
    if not held.any() or held.all():
        return []
    centre = position[held].mean(axis=0)
    _, sizes, across = np.linalg.svd(position[held] - centre)
    rank = int(np.sum(sizes > 1e-3 * max(float(sizes[0]), 1e-9)))
    if rank == size - 1:
        normals = [across[-1]]
    elif rank == 1:
        normals = [n for n in np.cross(across[0], np.eye(3)) if np.linalg.norm(n) > 1e-6]
    else:
        normals = list(np.eye(size)) if rank == 0 else []
    found = []
    for normal in normals:
        unit = normal / np.linalg.norm(normal)
        height = (position - centre) @ unit
        found.append(np.where(held[:, None], position, position - 2 * np.outer(height, unit)))
    return found
