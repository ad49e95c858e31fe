"""Arcs along the fuselage: one construction carried from frame to frame, fair in station.

Frames of one body were struck alike: the same arcs in the same order, their radii,
lengths and heights running fair along the stations. Every free figure of the chain (the
crown's height, curvature and length of all elements but the last, which closes) is a
polynomial in station with an integrated Wiener process about it, and all are fitted at
once to all readings, each frame free to have settled as the surface's learned variances
let it. Whether that predicts a frame better than the free surface is settled by leaving
every frame out in turn.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from loft.drawing.chain import PI, Chain, end_gradient, project, push
from loft.drawing.closure import chain_of, figures, scales
from loft.drawing.readings import read_points
from loft.drawing.solve import Task, settle
from loft.fairing.learner import FREEDOM, REJECT
from loft.fairing.smoother import RUN_UNIT
from loft.fairing.surface import Surface
from loft.job.records import Array, freeze_arrays

PASSES = 16
LEARNINGS = 3  # of the stiffnesses, about one stand of the chains
PATIENCE, UNSETTLED = 6, 1.0  # passes after which steps of so many ordinary changes are too many
HALVINGS = 8  # of a step that would leave a section open
TYPICAL = 0.005  # change in the second half-metre beyond the polynomial, in ordinary changes
LOOSE = 2.0  # ordinary changes: prior sd of a figure's mean about where the surface puts it
AT_REST = 0.01  # fall of the cost still to come at which the fit ends
LEAST_SINE, LEAST_OUT = 0.1, 20.0  # of the last arc's start: what closes the section
AROUND = 36  # points a half at which the surface's section is read to begin with
BEGUN = 0.5  # mm: sigma of those


class Astray(ArithmeticError):
    """The construction cannot be carried along these stations."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Ring:
    """The readings of one row: a frame, or readings that share a station between frames.

    Parameters
    ----------
    frame : str
        "" between frames.
    station : float
    point : ndarray, shape (m, 2)
        Mould-line points as they stand, (bl, wl), mm.
    variance : ndarray, shape (m,)
        Of a reading along the normal, its doubt included, mm^2.
    movement : ndarray, shape (3,)
        Prior variance of bl, wl and roll (mm^2, mm^2, radians^2); zeros for rows that
        stand still.
    centre : ndarray, shape (2,)
        About which the row rolls.
    """

    frame: str
    station: float
    point: Array
    variance: Array
    movement: Array
    centre: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def whitener(self, normal: Array) -> Array:
        """Return W with W W' the inverse covariance of errors along (bl, wl) normals."""
        arm = self.point - self.centre
        turned = normal[:, 1] * arm[:, 0] - normal[:, 0] * arm[:, 1]
        column = np.concatenate([normal, turned[:, None]], 1)
        whole = np.diag(self.variance) + (column * self.movement) @ column.T
        return np.asarray(np.linalg.inv(np.linalg.cholesky(whole)).T, np.float64)


def rings_of(surface: Surface) -> tuple[Ring, ...]:
    """Return the rows of a surface's readings, by station.

    Rejected readings are left out, and so are canted frames, which cut the arcs aslant.
    """
    fit, batch = surface.fit, surface.fit.batch
    learned = fit.variances
    error = fit.error[:, : batch.own.shape[1]]
    u2 = (error / np.where(batch.held, batch.sigma * learned.noise, 1.0)) ** 2
    weight = np.where(batch.held & (u2 <= REJECT**2), (FREEDOM + 1) / (FREEDOM + u2), 0.0)
    canted = {frame.name for frame in surface.job.frames if frame.cant}
    out = []
    for g in range(len(batch.knot)):
        held = weight[g] > 0
        name = str(surface.survey.frame[batch.own[g][batch.held[g]][0]])
        if not held.any() or name in canted:
            continue
        station, bl, wl = batch.station[g][held], batch.bl[g][held], batch.wl[g][held]
        at = float(fit.run.station[batch.knot[g]])
        slope = surface.slopes(station, surface.theta_of(station, bl, wl))
        steep = np.hypot(slope[:, 1], slope[:, 2])
        # to the frame's own plane: the depth over the cosine of the bevel, and where the
        # frame stands fore or aft of its station, what the body grows by on the way
        aft = station + fit.moved[g, 3] - at
        out_by = batch.depth[g][held] * np.linalg.norm(slope, axis=1) + aft * slope[:, 0]
        plane = slope[:, 1:] / steep[:, None]
        spread = (batch.sigma[g][held] * learned.noise) ** 2 * fit.inflation
        out.append(
            Ring(
                frame=name,
                station=at,
                point=np.stack([bl, wl], -1) + (out_by / steep)[:, None] * plane,
                variance=spread / weight[g][held],
                movement=learned.settle * batch.moves[g],
                centre=fit.centre[g],
            )
        )
    return tuple(out)


@dataclass(frozen=True, eq=False, kw_only=True)
class Run:
    """A construction carried along the stations.

    Parameters
    ----------
    straight : tuple of bool
        Which elements are straights, from the crown.
    degree : int
        Of the polynomials about which the figures run.
    station : ndarray, shape (m,)
    value : ndarray, shape (m, f)
        Free figures at every station.
    covariance : ndarray, shape (m, f, f)
        Of the free figures at one station.
    left_out : tuple of ndarray
        Whitened errors of every ring, predicted without that ring's readings.
    expected : ndarray, shape (rings,)
        What the sum of squares of each should be.
    """

    straight: tuple[bool, ...]
    degree: int
    station: Array
    value: Array
    covariance: Array
    left_out: tuple[Array, ...]
    expected: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def chain(self, station: float) -> tuple[Chain, Array]:
        """Return the chain at one of the stations and its free figures' covariance."""
        k = int(np.argmin(np.abs(self.station - station)))
        chain = close_free(self.value[k], self.straight)
        if chain is None:
            raise Astray(f"the construction does not close at station {station:.0f}")
        return chain, self.covariance[k]


def free_figures(straight: tuple[bool, ...]) -> NDArray[np.bool_]:
    """Return which of crown, curvatures and lengths are free: the last element closes."""
    count = len(straight)
    free = np.ones(1 + 2 * count, bool)
    free[1 : 1 + count] = ~np.array(straight)
    free[[count, 2 * count]] = False
    return free


def close_free(free: Array, straight: tuple[bool, ...]) -> Chain | None:
    """Return the chain of free figures, closed by the last arc; None where it cannot be.

    Examples
    --------
    >>> close_free(np.array([600.0, 1 / 600, 500.0]), (False, False)).radius.round(6).tolist()
    [600.0, 600.0]
    """
    count = len(straight)
    values = np.zeros(1 + 2 * count)
    values[free_figures(straight)] = free
    values[2 * count] = 1.0
    run = chain_of(values)
    turn, out = run.turn[-2], run.knot[-2, 0]
    if (run.length <= 0).any() or not 0 < turn < PI:
        return None
    if np.sin(turn) < LEAST_SINE or out < LEAST_OUT:
        return None
    values[count] = np.sin(turn) / out
    values[2 * count] = (PI - turn) / values[count]
    return chain_of(values)


def free_gradient(chain: Chain, straight: tuple[bool, ...]) -> Array:
    """Return how all figures move with the free ones, closure kept, shape (1 + 2n, f)."""
    count = len(chain)
    by = np.eye(1 + 2 * count)
    turn, out, bend = chain.turn[-2], chain.knot[-2, 0], chain.curvature[-1]
    turns = np.zeros(1 + 2 * count)
    turns[1:count], turns[1 + count : 2 * count] = chain.length[:-1], chain.curvature[:-1]
    outs = end_gradient(chain, count - 2)[0]
    by[count] = (np.cos(turn) * turns - np.sin(turn) / out * outs) / out
    by[2 * count] = -turns / bend - (PI - turn) / bend**2 * by[count]
    return by[:, free_figures(straight)]


def errors(chain: Chain, point: Array, straight: tuple[bool, ...]) -> tuple[Array, Array, Array]:
    """Return distances outside a chain, normals, and how the line moves along them.

    Parameters
    ----------
    point : ndarray, shape (m, 2)
        (bl, wl) of either half.

    Returns
    -------
    distance : ndarray, shape (m,)
    normal : ndarray, shape (m, 2)
    by : ndarray, shape (m, f)
        By the free figures.
    """
    side = np.stack([np.where(point[:, 0] < 0, -1.0, 1.0), np.ones(len(point))], -1)
    feet = project(chain, point * side)
    line = point * side - feet.distance[:, None] * feet.normal
    by = push(chain, line, feet.normal, feet.element, feet.along)
    return feet.distance, feet.normal * side, by @ free_gradient(chain, straight)


def roughness(station: Array, degree: int) -> Array:
    """Return K with y' K y the squared bend of the natural spline through y, less its polynomial.

    Per RUN_UNIT (P. J. Green and B. W. Silverman, "Nonparametric Regression and
    Generalized Linear Models", 1994, section 2.1.2). Polynomials up to `degree` cost
    nothing.

    Examples
    --------
    >>> x, y = np.array([0.0, 500.0, 1000.0]), np.array([0.0, 1.0, 0.0])
    >>> [round(float(y @ roughness(x, degree) @ y), 6) + 0.0 for degree in (1, 2)]
    [6.0, 0.0]
    """
    step = np.diff(station) / RUN_UNIT
    inner = np.arange(len(station) - 2)
    second = np.zeros((len(station), len(inner)))
    second[inner, inner], second[inner + 2, inner] = 1 / step[:-1], 1 / step[1:]
    second[inner + 1, inner] = -1 / step[:-1] - 1 / step[1:]
    band = np.diag((step[:-1] + step[1:]) / 3)
    band += np.diag(step[1:-1] / 6, 1) + np.diag(step[1:-1] / 6, -1)
    whole = np.asarray(second @ np.linalg.solve(band, second.T), np.float64)
    if degree < 2:
        return whole
    bent = legendre.legvander((2 * station - station[0] - station[-1]) / np.ptp(station), degree)
    bent = bent[:, 2:]
    cost = whole @ bent
    return whole - cost @ np.linalg.solve(bent.T @ cost, cost.T)


def begin(
    surface: Surface, station: Array, at: int, first: Chain, straight: tuple[bool, ...]
) -> Array:
    """Return free figures at stations, each chain settled on the surface from its neighbour's.

    Parameters
    ----------
    station : ndarray, shape (m,)
    at : int
        The station at which `first` stands.
    first : Chain

    Raises
    ------
    Astray
    """
    out = np.zeros((len(station), int(free_figures(straight).sum())))
    theta = (np.arange(2 * AROUND) + 0.5) * PI / AROUND - PI
    for way in (range(at, len(station)), range(at, -1, -1)):
        chain = first
        for k in way:
            points = surface.points(np.full(len(theta), station[k]), theta)[:, 1:]
            task = Task(readings=read_points(points, BEGUN), straight=straight)
            fit = settle(chain, task, most=30, enough=1e-5)
            if fit is None:
                raise Astray(f"no such construction at station {station[k]:.0f}")
            chain = fit.chain
            out[k] = figures(chain)[free_figures(straight)]
    return out


def carry(
    rings: tuple[Ring, ...],
    station: Array,
    start: Array,
    straight: tuple[bool, ...],
    *,
    degree: int,
) -> Run:
    """Fit one construction to all rings at once.

    Gauss-Newton steps; each figure's departure from its polynomial has a variance of its
    own, learned as the surface's are (Fellner-Schall) under a weak prior.

    Parameters
    ----------
    rings : tuple of Ring
    station : ndarray, shape (m,)
        Every ring's, and any other at which the construction is wanted.
    start : ndarray, shape (m, f)
        Free figures to begin with.
    straight : tuple of bool
    degree : int

    Raises
    ------
    Astray
    """
    size = np.median(
        [scales(chain)[free_figures(straight)] for chain in _closed(start, straight)], axis=0
    )
    task = _Task(
        rings=rings,
        knot=np.array([int(np.argmin(np.abs(station - ring.station))) for ring in rings]),
        straight=straight,
        start=start,
        size=size,
        bend=roughness(station, degree),
        degree=degree,
    )
    value, rows, stiff = start, task.rows(start), 1 / (TYPICAL * size) ** 2
    for number in range(PASSES):
        ahead, inverse, step, used, stiff = _learned(task, value, rows, stiff)
        largest = float(np.abs(inverse @ ahead).max())
        gain = float(step @ ahead)
        value, rows = _moved(task, value, rows, used, step, gain)
        if gain < AT_REST and largest <= UNSETTLED:
            break
        if number >= PATIENCE and largest > UNSETTLED:
            raise Astray("this construction does not settle along the stations")
    m, f = start.shape
    here = np.einsum("mfmg->mfg", inverse.reshape(m, f, m, f)) * np.outer(size, size)
    kept = [
        np.eye(len(e)) - by @ here[k] @ by.T for (e, by), k in zip(rows, task.knot, strict=True)
    ]
    left = [np.linalg.inv(part) for part in kept]
    return Run(
        straight=straight,
        degree=degree,
        station=station,
        value=value,
        covariance=here,
        left_out=tuple(part @ e for part, (e, _) in zip(left, rows, strict=True)),
        expected=np.array([np.trace(part) for part in left]),
    )


Rows = tuple[tuple[Array, Array], ...]  # of every ring: whitened errors, how they fall


@dataclass(frozen=True, eq=False, kw_only=True)
class _Task:
    """The rings, and where the free figures begin: arrays of shape (m, f), (f,), (m, m)."""

    rings: tuple[Ring, ...]
    knot: NDArray[np.int64]
    straight: tuple[bool, ...]
    start: Array
    size: Array
    bend: Array
    degree: int

    @property
    def weak(self) -> float:
        """Return the precision, in ordinary changes, of a figure about where it begins."""
        return 1 / (len(self.start) * LOOSE**2)

    def rows(self, value: Array) -> Rows:
        """Return the rows of every ring; Astray where a section does not close."""
        chains = _closed(value, self.straight)
        return tuple(_whitened(self.rings, self.knot, chains, self.straight))

    def cost(self, value: Array, rows: Rows, stiff: Array) -> float:
        """Return the sum of squares: errors, bends, and what is far from the beginning."""
        bent = float((np.einsum("mf,mn,nf->f", value, self.bend, value) * stiff).sum())
        far = float((((value - self.start) / self.size) ** 2).sum())
        return sum(float(error @ error) for error, _ in rows) + bent + self.weak * far


def _learned(
    task: _Task, value: Array, rows: Rows, stiff: Array
) -> tuple[Array, Array, Array, Array, Array]:
    """Return pull, covariance and step in ordinary changes, the stiffnesses used and the next."""
    size, bend = task.size, task.bend
    m, f = value.shape
    normal, pull = np.zeros((m, f, f)), (task.start - value) * task.weak / size
    for (error, by), k in zip(rows, task.knot, strict=True):
        normal[k] += by.T @ by
        pull[k] += by.T @ error * size
    for _ in range(LEARNINGS):
        unit = _normal(normal, stiff, bend, size) + task.weak * np.eye(m * f)
        inverse = np.asarray(np.linalg.inv(unit), np.float64)
        ahead = (pull - (bend @ value) * stiff * size).ravel()
        step = _step(unit, inverse, ahead)
        after = value + step.reshape(m, f) * size
        rough = np.einsum("mf,mn,nf->f", after, bend, after)
        doubt = np.einsum("mfnf,mn->f", inverse.reshape(m, f, m, f), bend) * size**2
        used, free = stiff, np.maximum(m - 1 - task.degree - stiff * doubt, 0.0)
        stiff = (free + 1) / (rough + (TYPICAL * size) ** 2)
    return ahead, inverse, step, used, stiff


def _moved(
    task: _Task, value: Array, rows: Rows, stiff: Array, step: Array, gain: float
) -> tuple[Array, Rows]:
    """Return figures and rows after the share of a step that costs least.

    Only as far as every section closes; `gain` is half of what the cost falls at first.
    """
    move, before = step.reshape(value.shape) * task.size, task.cost(value, rows, stiff)
    share, stands = 1.0, False
    for _ in range(HALVINGS):
        try:
            found = task.rows(value + share * move)
            stands = True
        except Astray:
            share /= 2
            continue
        cost = task.cost(value + share * move, found, stiff)
        least = share * gain / max((cost - before) / share + 2 * gain, 1e-300)
        if cost < before and least > 0.7 * share:
            return value + share * move, found
        share = float(np.clip(least, 0.1 * share, 0.7 * share))
    if stands:  # on the edge between two feet: nothing more to gain
        return value, rows
    raise Astray("no section of this construction closes nearby")


def _closed(value: Array, straight: tuple[bool, ...]) -> list[Chain]:
    """Return the chains of free figures; Astray unless all close."""
    chains = [close_free(row, straight) for row in value]
    if any(chain is None for chain in chains):
        raise Astray("this construction does not close at every frame")
    return [chain for chain in chains if chain is not None]


def _whitened(
    rings: tuple[Ring, ...],
    knot: NDArray[np.int64],
    chains: Sequence[Chain],
    straight: tuple[bool, ...],
) -> Iterator[tuple[Array, Array]]:
    """Yield the whitened errors of every ring and how they fall with the free figures."""
    for ring, k in zip(rings, knot, strict=True):
        error, normal, by = errors(chains[k], ring.point, straight)
        root = ring.whitener(normal)
        yield root.T @ error, root.T @ by


def _normal(normal: Array, stiff: Array, bend: Array, size: Array) -> Array:
    """Return the normal matrix of all free figures in ordinary changes, shape (m f, m f)."""
    m, f = len(bend), len(stiff)
    whole = np.zeros((m, f, m, f))
    for j in range(f):
        whole[:, j, :, j] = stiff[j] * bend
    every = np.arange(m)
    whole[every, :, every] += normal
    scale = np.tile(size, m)
    return np.asarray(whole.reshape(m * f, m * f) * np.outer(scale, scale), np.float64)


def _step(unit: Array, inverse: Array, ahead: Array) -> Array:
    """Return a step of at most one ordinary change: what little holds is damped, not the rest."""
    step, damping = np.asarray(inverse @ ahead, np.float64), 0.01
    while np.abs(step).max() > 1.0 and damping < 1e8:
        whole = unit + damping * np.eye(len(unit))
        step = np.asarray(np.linalg.solve(whole, ahead), np.float64)
        damping *= 10.0
    return step
