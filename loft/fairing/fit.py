"""Fit the faired surface to readings: robust, with settling frames and learned smoothness."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from loft.fairing.basis import Modes
from loft.fairing.chines import Chines
from loft.fairing.equations import Batch, Equations, Reduced, reduce
from loft.fairing.learner import Learner, Variances, size_precision
from loft.fairing.reference import Reference
from loft.fairing.smoother import FAINT, Links, Posterior, Run, prior_links, solve, solve_mean
from loft.job.records import Array

FEWEST_LESSONS = 2  # times that the variances are learned
MOST_LESSONS = 12
PLAIN_PASSES = 2  # passes for weights alone before variances are learned
# A chined section is less like its neighbours in shape than smooth ones are: where readings
# are fewer than shapes, its band takes the shapes' sizes this much larger. Calibrated on
# simulated chined bodies (benchmarks).
CHINED_LOOSER = 2.0
# Between two frames the skin has gone with both, so that a scan's slabs there tell nothing
# about where the frames stood: for the band each is free to move, and keeps of its place's
# precision this share.
SLAB_HELD = 0.001
PLACE_STEP = 10.0  # mm that a chine's place may move in one pass


@dataclass(frozen=True, eq=False, kw_only=True)
class Fit:
    """The fitted surface's coefficients, the frames' movements and the learned variances."""

    reference: Reference
    modes: Modes
    run: Run
    posterior: Posterior
    variances: Variances
    batch: Batch
    moved: Array  # (g, 4) d_bl, d_wl, roll, d_station of each row
    moved_sd: Array  # (g, 4)
    precision: Array  # (g, n) of every equation, as last used
    error: Array  # (g, n) of every equation, mm along the normal, settlement taken out
    centre: Array  # (g, 2) bl, wl about which roll turns
    freedom: float  # effective number of parameters
    inflation: float  # by which the data's precision was reduced for the band


def fit_surface(
    batch: Batch,
    reference: Reference,
    modes: Modes,
    run: Run,
    *,
    settlement: tuple[float, float, float],
    chines: Chines | None = None,
    robust: bool = True,
    given: Variances | None = None,
) -> Fit:
    """Fit the surface's coefficients, the frames' settlement and the variances.

    Parameters
    ----------
    batch : Batch
        Readings by row, as touched; the face's depth is applied along the normal here.
    settlement : tuple
        Prior standard deviations (mm, mm, radians); zeros hold the frames still.
    chines : Chines, optional
        The marked chines' first angles and marks.
    robust : bool
        False: every reading keeps its full weight.
    given : Variances, optional
        Known variances, used as they are; nothing is learned.

    Returns
    -------
    Fit
    """
    state = Equations(batch, reference, modes, run, chines)
    learner = Learner(state, settlement, robust, given)
    lessons, number = 0, 0
    while True:
        last = lessons >= MOST_LESSONS or (lessons >= FEWEST_LESSONS and learner.settled)
        _place(state, applied=number > 0)
        ease = learner.ease() if last else 1.0
        done = _one_pass(state, learner, with_spread=number >= PLAIN_PASSES, ease=ease)
        if last:
            break
        learner.reweigh(number, done.error / state.reach, final=number > PLAIN_PASSES)
        if number >= PLAIN_PASSES:
            learner.learn(done.posterior, done.moved, done.moved_var)
            lessons += 1
        number += 1
    return Fit(
        reference=reference,
        modes=modes,
        run=run,
        posterior=_band(done, state, learner),
        variances=learner.variances(),
        batch=batch,
        moved=done.moved,
        moved_sd=np.sqrt(done.moved_var),
        precision=done.precision,
        error=done.error,
        centre=np.stack(
            [state.bl[:, 0] - state.arm[0][:, 0], state.wl[:, 0] - state.arm[1][:, 0]], -1
        ),
        freedom=learner.freedom,
        inflation=ease,
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class _Pass:
    """One solution of the linearised equations; `posterior` and `moved_var` where asked for."""

    told: Reduced
    links: Links
    posterior: Posterior
    precision: Array
    error: Array
    moved: Array
    moved_var: Array


def _place(state: Equations, *, applied: bool) -> None:
    """Linearise about the present surface, the faces' depths applied along its normals."""
    batch = state.batch
    state.linearise()
    if applied and batch.depth[batch.held].any():
        move = batch.depth[..., None] * state.normal
        state.place(batch.station + move[..., 0], batch.bl + move[..., 1], batch.wl + move[..., 2])
        state.linearise()


def _one_pass(state: Equations, learner: Learner, *, with_spread: bool, ease: float) -> _Pass:
    """Solve once with the present weights and variances; the state's surface moves there."""
    precision = learner.weight * state.held / (state.steep * state.reach) ** 2
    precision = precision / (learner.noise**2 * ease)
    told = reduce(state, precision, learner.settle_precision(), state.right[..., None])
    links = links_of(state.run, state.modes, learner)
    if with_spread:
        posterior = solve(links, told.blocks, told.right[..., 0])
    else:
        states = solve_mean(links, told.blocks, told.right)[..., 0]
        none = np.zeros((0, 0, 0))
        posterior = Posterior(states=states, covariance=none, gain=none, local=none)
    state.states = _limit_places(state.states, posterior.states, state.modes)
    error, moved = _errors(state, told)
    return _Pass(
        told=told,
        links=links,
        posterior=posterior,
        precision=precision,
        error=error,
        moved=moved,
        moved_var=_moved_variance(state, told, posterior) if with_spread else np.zeros(0),
    )


def _band(done: _Pass, state: Equations, learner: Learner) -> Posterior:
    """Return the posterior with the spread that the band is drawn from."""
    batch, modes = state.batch, state.modes
    few = state.chines is not None and np.median(batch.held.sum(1)) < modes.shapes
    slabs = bool(batch.drifts.any()) and not learner.still.all()
    if not few and not slabs:
        return done.posterior
    looser, told = replace(done.links, own=done.links.own.copy()), done.told
    if slabs:
        free = np.ones((len(batch.drifts), 4))
        free[:, :3] = np.where(batch.drifts[:, None] & ~learner.still, SLAB_HELD, 1.0)
        prior = learner.settle_precision() * free
        told = reduce(state, done.precision, prior, state.right[..., None])
    if few:
        looser.own[:, 0] -= size_precision(modes, learner.size) * (1 - 1 / CHINED_LOOSER**2)
    spread = solve(looser, told.blocks, told.right[..., 0])
    return replace(spread, states=done.posterior.states)


def _limit_places(before: Array, states: Array, modes: Modes) -> Array:
    """Return the states with no chine's place moved more than PLACE_STEP, mm.

    Precise readings would otherwise throw a chine past its neighbours in one step, out of
    the reach of the readings that mark it.
    """
    k, b = modes.shapes, len(modes)
    step = states - before
    farthest = np.abs(step[:, k:b]).max(initial=0.0)
    if farthest <= PLACE_STEP:
        return states
    limited = states.copy()
    for part in (slice(k, b), slice(b + k, None)):
        limited[:, part] = before[:, part] + step[:, part] * (PLACE_STEP / farthest)
    return limited


def links_of(run: Run, modes: Modes, learned: Learner | Variances) -> Links:
    """Return the prior's blocks for the learned variances."""
    links = prior_links(run, learned.run[modes.run] * modes.stiff)
    links.own[:, 0] += size_precision(modes, learned.size) + FAINT
    links.own[:, 2] += FAINT
    return links


def _errors(state: Equations, told: Reduced) -> tuple[Array, Array]:
    """Errors along the normal and the rows' movements at the present states."""
    b, used = len(state.modes), told.blocks.shape[1]
    at = state.states[state.batch.knot]
    moved = told.moved(at[:, :used, None])[..., 0]
    fitted = (state.design @ at[:, :b, None])[..., 0]
    if state.sloped:
        fitted += state.offsets * (state.design @ at[:, b:, None])[..., 0]
    error = state.right - fitted - (state.columns @ moved[..., None])[..., 0]
    return error / state.steep, moved


def _moved_variance(state: Equations, told: Reduced, posterior: Posterior) -> Array:
    used = told.blocks.shape[1]
    spread = posterior.covariance[state.batch.knot][:, :used, :used]
    carried = told.shared @ told.inverse
    doubt = told.inverse + carried.transpose(0, 2, 1) @ spread @ carried
    return np.einsum("gjj->gj", doubt)
