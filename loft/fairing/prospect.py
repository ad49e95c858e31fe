"""What a further reading would do to the band of a missing frame, before it is taken.

A reading on a frame also sees that frame's movement u, whose law given the coefficients
c is

    u | c  ~  N(inverse (alone - shared' c), inverse)

so its prediction is linear in c plus a part of its own that all readings of that frame
have in common. Everything is Gaussian, and what a reading does is an update of low rank.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loft.fairing.equations import Batch, Equations, Reduced, reduce
from loft.fairing.knots import (
    design_at,
    joint_covariance,
    nearest_knot,
    posterior_with,
    target_of,
)
from loft.fairing.learner import FREEDOM
from loft.fairing.rows import FREE_SPACING
from loft.fairing.section import NORMAL95
from loft.fairing.smoother import Posterior, Run
from loft.fairing.surface import Surface, survey_frame
from loft.job.records import Array, Frame, freeze_arrays

UNSEEN = 1e30  # mm^2: noise of an equation that is not there
HELD_STILL = 1e12  # precision of a movement that is not allowed


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """A reading that might be taken.

    Parameters
    ----------
    frame : str
        Frame whose metal it moves with, "" between frames.
    line : str
        "" where none.
    station, theta, girth : float
        Where: mm, angle on the section in radians, mm round it from the crown line.
    face : str
    sigma : float
        One standard deviation of a coordinate, mm.
    again : bool
        The place was read before.
    between : str
        Where there is no line: the lines it lies between, "S4S and S5S".
    """

    frame: str
    line: str
    station: float
    theta: float
    girth: float
    face: str
    sigma: float
    again: bool = False
    between: str = ""


@dataclass(frozen=True, eq=False, kw_only=True)
class Prospect:
    """The missing frame's spread and how n candidates bear on it.

    Parameters
    ----------
    girth : ndarray, shape (p,)
        Round the missing section, mm.
    variance : ndarray, shape (p,)
        Of the mould line along its normal, mm^2, as things stand.
    cross : ndarray, shape (p, n, e)
        Covariance with the candidates' e equations: one, and one more on a chine.
    own : ndarray, shape (n, e, n, e)
        Covariance of the candidates' predictions among themselves.
    noise : ndarray, shape (n, e)
        Variance of the readings themselves.
    """

    girth: Array
    variance: Array
    cross: Array
    own: Array
    noise: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def band(self, chosen: Sequence[int] = ()) -> Array:
        """Return the 95 % band round the section once all `chosen` readings are taken.

        Shape (p,), mm.
        """
        if not len(chosen):
            return NORMAL95 * np.sqrt(self.variance)
        at = list(chosen)
        size = len(at) * self.noise.shape[1]
        own = self.own[at][:, :, at].reshape(size, size)
        cross = self.cross[:, at].reshape(-1, size)
        root = np.linalg.cholesky(own + np.diag(self.noise[at].ravel()))
        told = np.linalg.solve(root, cross.T)
        return NORMAL95 * np.sqrt(np.maximum(self.variance - (told**2).sum(0), 0.0))

    def ranked(self, count: int) -> tuple[tuple[int, Array], ...]:
        """Choose readings one after another, each the one that narrows the mean band most.

        Returns
        -------
        tuple of (int, ndarray)
            Candidate and the band round the section after it and those before it.
        """
        variance, cross, own = self.variance.copy(), self.cross.copy(), self.own.copy()
        n, e = self.noise.shape
        noise = np.eye(e) * self.noise[:, :, None]
        open_, out = np.ones(n, bool), []
        for _ in range(min(count, n)):
            inverse = np.linalg.inv(np.einsum("kakb->kab", own) + noise)
            gained = np.einsum("pka,kab,pkb->pk", cross, inverse, cross)
            left = np.sqrt(np.maximum(variance[:, None] - gained, 0.0)).mean(0)
            best = int(np.argmin(np.where(open_, left, np.inf)))
            open_[best] = False
            variance = np.maximum(variance - gained[:, best], 0.0)
            out.append((best, NORMAL95 * np.sqrt(variance)))
            onto = np.einsum("ab,bkc->akc", inverse[best], own[best])
            cross = cross - np.einsum("pa,akc->pkc", cross[:, best], onto)
            own = own - np.einsum("lxa,akc->lxkc", own[:, :, best], onto)
        return tuple(out)


@dataclass(frozen=True, eq=False, kw_only=True)
class Present:
    """The fit's own equations at the surface: how its rows may move, what a reading weighs."""

    row: dict[str, int]  # frame to row of the fit
    state: Equations
    told: Reduced
    loose: Array  # (g, 4) prior precision of every row's movements
    weight: float  # mean share of a sound reading's weight that readings have


def present(surface: Surface) -> Present:
    """Return the fit's equations about the surface as it stands."""
    fit, batch = surface.fit, surface.fit.batch
    state = Equations(batch, fit.reference, fit.modes, fit.run, surface.first_chines)
    state.states = fit.posterior.states
    state.linearise()
    if np.abs(batch.depth[batch.held]).max(initial=0.0) > 0:
        move = batch.depth[..., None] * state.normal
        state.place(batch.station + move[..., 0], batch.bl + move[..., 1], batch.wl + move[..., 2])
        state.linearise()
    loose = _settle_precision(surface)
    told = reduce(state, fit.precision, loose, np.zeros((*state.right.shape, 1)))
    whole = fit.precision * (state.steep * state.reach * fit.variances.noise) ** 2 * fit.inflation
    row = {survey_frame(surface, int(g)): int(g) for g in np.flatnonzero(batch.settles)}
    weight = float(whole[state.held].mean())
    return Present(row=row, state=state, told=told, loose=loose, weight=weight)


def block_of_rows(surface: Surface, rows: Sequence[int], knot: int) -> Array:
    """Return what some rows of the fit tell of a knot, shape (2b, 2b)."""
    now = present(surface)
    mine = np.isin(np.arange(len(now.loose)), rows)[:, None]
    nothing = np.zeros((*now.state.right.shape, 1))
    told = reduce(now.state, surface.fit.precision * mine, now.loose, nothing).blocks[knot]
    size = surface.fit.posterior.states.shape[1]
    return np.pad(told, (0, size - len(told)))


def _settle_precision(surface: Surface) -> Array:
    """Prior precision of every row's movements, its weight that of the fitted movement."""
    fit, batch = surface.fit, surface.fit.batch
    still = np.array(surface.job.fair.settlement) <= 0
    loose = _free_to_move(surface)
    sigma = np.where(batch.shift_sigma > 0, batch.shift_sigma, 1.0)
    moves, shifts = np.ones(len(batch.knot)), np.ones(len(batch.knot))
    if surface.job.fair.robust:
        scale = np.where(still, 1.0, fit.variances.settle)
        u2 = np.where(still, 0.0, fit.moved[:, :3] ** 2 / scale).sum(1)
        moves = (FREEDOM + 3) / (FREEDOM + u2)
        shifts = (FREEDOM + 1) / (FREEDOM + (fit.moved[:, 3] / sigma) ** 2)
    rigid = np.where(batch.moves[:, None], moves[:, None] * loose, HELD_STILL)
    shift = np.where(batch.shift_sigma > 0, shifts / sigma**2, HELD_STILL)
    return np.concatenate([rigid, shift[:, None]], 1)


def _free_to_move(surface: Surface) -> Array:
    """Prior precision of (bl, wl, roll) of a frame of which nothing is known, (3,)."""
    settle = surface.fit.variances.settle
    still = np.array(surface.job.fair.settlement) <= 0
    return np.where(still, HELD_STILL, 1 / np.where(still, 1.0, settle))


def knot_station(surface: Surface, candidate: Candidate) -> float:
    """Return the station of the knot that a reading would be given."""
    fit = surface.fit
    if candidate.frame:
        for g in np.flatnonzero(fit.batch.settles):
            if survey_frame(surface, int(g)) == candidate.frame:
                return float(fit.run.station[fit.batch.knot[g]])
        return surface.job.frame(candidate.frame).station
    free = fit.run.station[fit.batch.knot[~fit.batch.settles]]
    if len(free) and np.abs(free - candidate.station).min() <= FREE_SPACING:
        return float(free[np.argmin(np.abs(free - candidate.station))])
    return candidate.station


def _equations(
    surface: Surface,
    run: Run,
    posterior: Posterior,
    candidates: Sequence[Candidate],
    knot: NDArray[np.int64],
) -> Equations:
    """Return the candidates' equations, each in a row of its own, on the mould line itself."""
    station = np.array([c.station for c in candidates])
    theta = np.array([c.theta for c in candidates])
    points = surface.points(station, theta)[:, None]
    chines = surface.first_chines
    column = {} if chines is None else {line.name: k for k, line in enumerate(chines.lines)}
    mark = np.array([[column.get(c.line, -1)] for c in candidates])
    n = len(candidates)
    batch = Batch(
        knot=knot,
        settles=np.array([bool(c.frame) for c in candidates]),
        drifts=np.zeros(n, bool),
        shift_sigma=np.zeros(n),
        own=np.arange(n)[:, None],
        station=points[..., 0],
        bl=points[..., 1],
        wl=points[..., 2],
        sigma=np.array([[c.sigma] for c in candidates]),
        covariance=None,
        depth=np.zeros((n, 1)),
        mark=mark,
    )
    state = Equations(batch, surface.reference, surface.fit.modes, run, chines)
    state.states = posterior.states
    state.linearise()
    return state


def prospect(surface: Surface, frame: Frame, candidates: Sequence[Candidate]) -> Prospect:
    """Return how every candidate reading bears on a missing frame's band.

    A reading is reckoned to weigh what those of the survey weigh on the mean, after
    the robust weights, and to share its frame's movement with the readings taken there.

    Parameters
    ----------
    surface : Surface
    frame : Frame
        The missing one.
    candidates : sequence of Candidate

    Returns
    -------
    Prospect

    Examples
    --------
    >>> from loft.demo import demo_surface
    >>> surface = demo_surface()
    >>> one = Candidate(frame="F13", line="S9S", station=5670.0, theta=2.0, girth=0.0,
    ...                 face="skin_inner", sigma=1.0)
    >>> view = prospect(surface, surface.job.frame("F14"), [one])
    >>> bool(view.band([0]).mean() < view.band().mean())
    True
    """
    target = target_of(surface, frame)
    wanted = [knot_station(surface, c) for c in candidates]
    run, posterior = posterior_with(surface, np.r_[wanted, target.station])
    knot = np.array([nearest_knot(run, x) for x in wanted])
    state, now = _equations(surface, run, posterior, candidates, knot), present(surface)
    design, columns, inverse = _seen(surface, state, now, candidates)
    noise = (state.reach * surface.fit.variances.noise) ** 2 * surface.fit.inflation
    noise = np.where(state.held, noise / now.weight, UNSEEN)
    here = nearest_knot(run, target.station)
    aim = design_at(surface, target, float(run.station[here]))
    n, e = noise.shape
    p = len(aim)
    whole = joint_covariance(
        posterior,
        np.r_[np.full(p, here), np.repeat(knot, e)],
        np.concatenate([aim, design.reshape(n * e, -1)]),
    )
    own = whole[p:, p:].reshape(n, e, n, e) + _shared(candidates, columns, inverse)
    return Prospect(
        girth=target.girth,
        variance=np.diag(whole)[:p] + target.common,
        cross=whole[:p, p:].reshape(p, n, e),
        own=own,
        noise=noise,
    )


def _seen(
    surface: Surface, state: Equations, now: Present, candidates: Sequence[Candidate]
) -> tuple[Array, Array, Array]:
    """Designs on the state with the movement followed, movements' columns, their spread."""
    n, _e, b = state.design.shape
    steep = state.steep[..., None]
    design = np.concatenate([state.design, state.offsets[..., None] * state.design], -1) / steep
    columns = state.columns / steep
    inverse = np.zeros((n, 4, 4))
    shared = np.zeros((n, 2 * b, 4))
    fresh = np.r_[_free_to_move(surface), HELD_STILL]
    for k, candidate in enumerate(candidates):
        g = now.row.get(candidate.frame, -1)
        if g >= 0:
            inverse[k] = now.told.inverse[g]
            shared[k, : now.told.shared.shape[1]] = now.told.shared[g]
        elif candidate.frame:
            loose = fresh.copy()
            sigma = surface.job.frame(candidate.frame).station_sigma
            loose[3] = 1 / sigma**2 if sigma > 0 else HELD_STILL
            inverse[k] = np.diag(1 / loose)
    followed = columns @ inverse @ shared.transpose(0, 2, 1)
    return design - followed, columns, inverse


def _shared(candidates: Sequence[Candidate], columns: Array, inverse: Array) -> Array:
    """Covariance that readings of one frame have from its movement, (n, e, n, e)."""
    names = np.array([c.frame for c in candidates])
    same = (names[:, None] == names) & (names != "")
    whole = np.einsum("kax,kxy,lby->kalb", columns, inverse, columns)
    return whole * same[:, None, :, None]
