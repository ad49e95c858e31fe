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

from collections.abc import Iterator
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

PASSES = 20
HALVINGS = 8  # of a step that would leave a section open
TYPICAL = 0.005  # change in the second half-metre beyond the polynomial, in ordinary changes
AT_REST = 1e-4  # step in ordinary changes at which the fit ends
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
    knot = np.array([int(np.argmin(np.abs(station - ring.station))) for ring in rings])
    m, f = start.shape
    bend = roughness(station, degree)
    chains = [chain for row in start if (chain := close_free(row, straight)) is not None]
    if len(chains) < m:
        raise Astray("this construction does not close at every frame")
    size = np.median([scales(chain)[free_figures(straight)] for chain in chains], axis=0)
    typical = (TYPICAL * size) ** 2
    stiff, value = 1 / typical, start
    for _ in range(PASSES):
        rows = tuple(_whitened(rings, knot, value, straight))
        inverse = _inverse(rows, knot, stiff, bend, size)
        pull = -(bend @ value) * stiff
        for (error, by), k in zip(rows, knot, strict=True):
            pull[k] += by.T @ error
        step = (inverse @ pull.ravel()).reshape(m, f)
        largest = float(np.abs(step / size).max())
        value = _closing(value, step * min(1.0, 1.0 / largest), straight)
        spread = inverse.reshape(m, f, m, f)
        rough = np.einsum("mf,mn,nf->f", value, bend, value)
        doubt = np.einsum("mfnf,mn->f", spread, bend)
        stiff = (np.maximum(m - 1 - degree - stiff * doubt, 0.0) + 1) / (rough + typical)
        if largest < AT_REST:
            break
    rows = tuple(_whitened(rings, knot, value, straight))
    here = np.einsum("mfmg->mfg", spread)
    kept = [np.eye(len(e)) - by @ here[k] @ by.T for (e, by), k in zip(rows, knot, strict=True)]
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


def _closing(value: Array, step: Array, straight: tuple[bool, ...]) -> Array:
    """Return the figures after as much of a step as leaves every section closed."""
    for _ in range(HALVINGS):
        ahead = value + step
        if all(close_free(row, straight) is not None for row in ahead):
            return ahead
        step = step / 2
    raise Astray("no section of this construction closes nearby")


def _whitened(
    rings: tuple[Ring, ...], knot: NDArray[np.int64], value: Array, straight: tuple[bool, ...]
) -> Iterator[tuple[Array, Array]]:
    """Yield the whitened errors of every ring and how they fall with the free figures."""
    for ring, k in zip(rings, knot, strict=True):
        chain = close_free(value[k], straight)
        if chain is None:
            raise Astray(f"the construction does not close at station {ring.station:.0f}")
        error, normal, by = errors(chain, ring.point, straight)
        root = ring.whitener(normal)
        yield root.T @ error, root.T @ by


def _inverse(
    rows: tuple[tuple[Array, Array], ...],
    knot: NDArray[np.int64],
    stiff: Array,
    bend: Array,
    size: Array,
) -> Array:
    """Return the covariance of all free figures, shape (m f, m f)."""
    m, f = len(bend), len(stiff)
    normal = np.zeros((m, f, m, f))
    for j in range(f):
        normal[:, j, :, j] = stiff[j] * bend
    for (_, by), k in zip(rows, knot, strict=True):
        normal[k, :, k] += by.T @ by
    scale = np.tile(size, m)
    unit = normal.reshape(m * f, m * f) * np.outer(scale, scale)
    unit += 1e-9 * np.eye(m * f)  # a figure that nothing holds: ordinary changes of 3e4
    return np.asarray(np.linalg.inv(unit) * np.outer(scale, scale), np.float64)
