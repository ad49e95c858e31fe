"""Fit the faired surface to readings: robust, with settling frames and learned smoothness.

A reading at frame i obeys, to first order in small things,

    rho_obs = phi . c_i + grad F . (t_i + omega_i J p) - F_x d_i + |grad F| e

with F(station, bl, wl) = rho - sum c_k phi_k(theta), t_i and omega_i the settlement of
the frame, d_i its fore-and-aft shift and e the distance along the normal in millimetres.
e follows Student's t (4 degrees) scaled by the reading's own sigma, so position along
the skin does not matter and blunders lose their weight. Variances are learned by a
Fellner-Schall fixed point with weak priors, interleaved with the reweighting. The start
is stiff: a soft start lets crush damage be fitted.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from loft.fairing import basis
from loft.fairing.basis import Modes
from loft.fairing.chines import Chines
from loft.fairing.reference import MAD, Reference
from loft.fairing.smoother import (
    RUN_UNIT,
    Posterior,
    Run,
    prior_links,
    solve,
    solve_mean,
    spread_along,
    value_penalty,
)
from loft.job.records import Array

FREEDOM = 4.0  # Student's t of the readings and of the settlement
REJECT = 6.0  # standardised deviation past which a reading counts for nothing
FEWEST_LESSONS = 2  # times that the variances are learned
MOST_LESSONS = 9
# A chined section is less like its neighbours in shape than smooth ones are: where readings
# are few, its band takes the shapes' sizes this much larger. Calibrated on simulated chined
# bodies (benchmarks), without effect where readings are many.
CHINED_LOOSER = 2.0
SETTLED = 0.35  # change of the logarithm of a variance at which learning ends
STIFF_START = 0.3, 0.25
SETTLE_PRIOR = 1.0  # frames' worth of weight that the job's settlement has
SETTLE_LEAST = 0.1
SHAPE_FLOOR = 0.05  # mm, smallest scale of noise that is believed


@dataclass(frozen=True, eq=False, kw_only=True)
class Batch:
    """Readings in rows, one row a frame (or a station between frames), padded.

    Shapes (g, n) unless said. `own` is the reading's index in the survey, -1 for
    padding. `settles` (g,) tells rows that move as a frame; `shift_sigma` (g,) the
    prior sd of the frame's station, 0 where it is exact. `count` is the number of scan
    points behind a reading (1 for a taped one).
    """

    knot: NDArray[np.int64]  # (g,)
    settles: NDArray[np.bool_]
    shift_sigma: Array
    own: NDArray[np.int64]
    station: Array
    bl: Array
    wl: Array
    sigma: Array
    covariance: Array | None  # (g, n, 3, 3) where readings carry one of their own
    depth: Array
    mark: NDArray[np.int64]  # (g, n) column of the chine the reading stands on, -1 for none

    @property
    def held(self) -> NDArray[np.bool_]:
        """True where a reading stands, False for padding."""
        return self.own >= 0


@dataclass(frozen=True, eq=False, kw_only=True)
class Variances:
    """What was learned, or is given and kept.

    noise : scale of the readings' stated sigma (1: as stated); run, size : precisions by
    class; settle : variances of (bl, wl, roll).
    """

    noise: float
    run: Array
    size: Array
    settle: Array


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
    centre: Array  # (g, 2) bl, wl about which roll turns
    freedom: float  # effective number of parameters
    inflation: float  # by which the data's precision was reduced for the band


def polar(reference: Reference, station: Array, bl: Array, wl: Array) -> tuple[Array, ...]:
    """Return theta, q = rho/r0 and the ellipse (cy, cz, a, b) of points."""
    cy, cz, a, b = reference.at(station)
    y, z = (bl - cy) / a, (wl - cz) / b
    return np.arctan2(y, z), np.hypot(y, z), cy, cz, a, b


def gradient(
    reference: Reference, station: Array, theta: Array, q: Array, rho_theta: Array, rho_x: Array
) -> tuple[Array, Array, Array]:
    """Return the gradient of F = rho - rho(theta, x) by (station, bl, wl).

    `rho_theta` and `rho_x` are the surface's own derivatives at the point.
    """
    axes, rates = reference.at(station)[2:], reference.slope(station)
    return tilt(reference.r0, axes, rates, theta, q, rho_theta, rho_x)


def tilt(
    r0: float, axes: tuple[Array, ...], rates: tuple[Array, ...], theta: Array, q: Array,
    rho_theta: Array, rho_x: Array,
) -> tuple[Array, Array, Array]:
    """Return the gradient of F from the reference's axes and rates at the points."""
    a, b = axes
    cy1, cz1, a1, b1 = rates
    sin, cos = np.sin(theta), np.cos(theta)
    y1, z1 = -cy1 / a - q * sin * a1, -cz1 / b - q * cos * b1
    by_bl = (r0 * sin - rho_theta * cos / q) / a
    by_wl = (r0 * cos + rho_theta * sin / q) / b
    theta_x = (cos * y1 - sin * z1) / q
    return r0 * (sin * y1 + cos * z1) - rho_theta * theta_x - rho_x, by_bl, by_wl


class _State:
    """The fixed point's working values; lives only inside `fit_surface`.

    A reading marked on a chine gives a second equation, along the skin: where the
    chine runs. Those equations stand behind the others in every row.
    """

    def __init__(
        self, batch: Batch, reference: Reference, modes: Modes, run: Run, chines: Chines | None
    ):
        self.batch, self.reference, self.modes, self.run = batch, reference, modes, run
        self.chines = chines
        self.held = batch.held
        b = len(modes)
        self.states = np.zeros((len(run), 2 * b))
        self.states[:, 0] = reference.r0
        self.marks = None
        if chines is not None and modes.place_mix.size:
            most = int((batch.held & (batch.mark >= 0)).sum(1).max())
            order = np.argsort(batch.mark < 0, axis=1, kind="stable")[:, :most]
            self.marks = order
            chosen = np.take_along_axis(batch.held & (batch.mark >= 0), order, 1)
            self.held = np.concatenate([batch.held, chosen], 1)
        self.total = float(self.held.sum())
        self.place(batch.station, batch.bl, batch.wl)

    def place(self, station: Array, bl: Array, wl: Array) -> None:
        """Put the mould-line points; find their angles and modes."""
        self.station, self.bl, self.wl = station, bl, wl
        self.off = (station - self.run.station[self.batch.knot][:, None]) / RUN_UNIT
        self.theta, self.q, cy, cz, self.a, self.b = polar(self.reference, station, bl, wl)
        self.rates = self.reference.slope(station)
        self.arm = bl - cy, wl - cz
        self.sloped = bool(np.abs(self.off[self.batch.held]).max(initial=0.0) > 1e-9)
        if self.chines is None:
            self.phi, self.dphi = basis.evaluate(self.modes, self.theta)

    def linearise(self) -> None:
        """Gradient of F, sigma along the normal and the settlement's columns."""
        k = self.modes.shapes
        b = len(self.modes)
        at = self.states[self.batch.knot]
        value, slope = at[:, :k], at[:, b : b + k]
        shift = self.off[..., None] * at[:, None, b:] if self.sloped else 0.0
        if self.chines is not None:
            place = at[:, None, k:b] + (shift[..., k:] if self.sloped else 0.0)
            self.chine_theta = self.chines.theta(self.station)
            self.moved_chine = place @ self.modes.place_mix.T / self.reference.r0
            self.chine_theta = self.chine_theta + self.moved_chine
            self.phi, self.dphi = basis.evaluate(self.modes, self.theta, self.chine_theta)
        local = value[:, None] + (shift[..., :k] if self.sloped else 0.0)
        rho_theta = (self.dphi * local).sum(-1)
        rho_x = np.einsum("gnb,gb->gn", self.phi, slope) / RUN_UNIT
        fx, fy, fz = tilt(
            self.reference.r0, (self.a, self.b), self.rates, self.theta, self.q, rho_theta, rho_x
        )
        self.steep = np.hypot(fy, fz)
        self.normal = np.stack([fx, fy, fz], -1) / np.sqrt(fx * fx + fy * fy + fz * fz)[..., None]
        if self.batch.covariance is None:
            self.reach = self.batch.sigma
        else:
            grad = np.stack([fx, fy, fz], -1)
            spread = np.einsum("gni,gnij,gnj->gn", grad, self.batch.covariance, grad)
            self.reach = np.where(self.batch.held, np.sqrt(spread) / self.steep, 1.0)
        self.columns = np.stack([fy, fz, fz * self.arm[0] - fy * self.arm[1], -fx], -1)
        self.design, self.right = self.phi, self.q * self.reference.r0
        if self.chines is not None and self.modes.place_mix.size:
            self._chine_equations(local)

    def _chine_equations(self, local: Array) -> None:
        """Add the chines' places to every equation, and the equations along the skin."""
        modes, r0 = self.modes, self.reference.r0
        pull = basis.chine_pull(modes, local, self.theta, self.chine_theta)
        self.design = np.concatenate([self.phi, pull @ modes.place_mix / r0], -1)
        self.right = self.right + (pull * self.moved_chine).sum(-1)
        take = self.marks

        def pick(table: Array) -> Array:
            return np.take_along_axis(table, take, 1)

        q2, theta = pick(self.q), pick(self.theta)
        by_bl, by_wl = np.cos(theta) / q2 / pick(self.a), -np.sin(theta) / q2 / pick(self.b)
        column = np.maximum(pick(self.batch.mark), 0)
        base = np.take_along_axis(self.chine_theta - self.moved_chine, take[..., None], 1)
        base = np.take_along_axis(base, column[..., None], 2)[..., 0]
        mark = np.zeros((*take.shape, self.design.shape[-1]))
        mark[..., modes.shapes :] = modes.place_mix[column]
        roll = by_wl * pick(self.arm[0]) - by_bl * pick(self.arm[1])
        columns = r0 * np.stack([by_bl, by_wl, roll, np.zeros(roll.shape)], -1)
        self.design = np.concatenate([self.design, mark], 1)
        self.right = np.concatenate([self.right, r0 * np.angle(np.exp(1j * (theta - base)))], 1)
        self.columns = np.concatenate([self.columns, columns], 1)
        self.steep = np.concatenate([self.steep, r0 * np.hypot(by_bl, by_wl)], 1)
        self.reach = np.concatenate([self.reach, pick(self.batch.sigma)], 1)
        self.all_off = np.concatenate([self.off, pick(self.off)], 1)

    @property
    def offsets(self) -> Array:
        """How far aft of its knot each equation stands, in RUN_UNIT."""
        return self.all_off if self.design.shape[1] > self.off.shape[1] else self.off


def _normal_equations(state: _State, precision: Array, prior: Array) -> tuple[Array, ...]:
    """Data blocks on each knot with the settlement eliminated row by row."""
    design, rho = state.design, state.right
    if state.sloped:
        design = np.concatenate([design, state.offsets[..., None] * design], -1)
    weighted = design * precision[..., None]
    turned = weighted.transpose(0, 2, 1)
    data, pull = turned @ design, np.einsum("gnb,gn->gb", weighted, rho)
    columns = state.columns
    pressed = columns * precision[..., None]
    own = pressed.transpose(0, 2, 1) @ columns
    own[:, np.arange(4), np.arange(4)] += prior
    inverse = np.linalg.inv(own)
    shared = turned @ columns
    alone = np.einsum("gnk,gn->gk", pressed, rho)
    carried = shared @ inverse
    data = data - carried @ shared.transpose(0, 2, 1)
    pull = pull - np.einsum("gbk,gk->gb", carried, alone)
    m, knot = len(state.run), state.batch.knot
    blocks = np.zeros((m, *data.shape[1:]))
    right = np.zeros((m, data.shape[1]))
    np.add.at(blocks, knot, data)
    np.add.at(right, knot, pull)
    return blocks, right, inverse, carried, alone, shared


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
    state = _State(batch, reference, modes, run, chines)
    learner = _Learner(state, settlement, robust, given)
    deep = bool(np.abs(batch.depth[batch.held]).max(initial=0.0) > 0)
    posterior = None
    lessons, number = 0, 0
    while True:
        done = lessons >= MOST_LESSONS or (lessons >= FEWEST_LESSONS and learner.settled)
        last, spread_wanted = done and number % 2 == 1, number % 2 == 1
        state.linearise()
        if deep and number:
            move = batch.depth[..., None] * state.normal
            state.place(
                batch.station + move[..., 0], batch.bl + move[..., 1], batch.wl + move[..., 2]
            )
            state.linearise()
        ease = learner.ease() if last else 1.0
        precision = learner.weight * state.held / (state.steep * state.reach) ** 2
        precision = precision / (learner.noise**2 * ease)
        prior = learner.settle_precision()
        blocks, right, inverse, carried, alone, shared = _normal_equations(state, precision, prior)
        links = prior_links(run, learner.run[modes.run] * modes.stiff)
        b = len(modes)
        links.own[:, 0] += learner.ridge() + 1e-9
        links.own[:, 2] += 1e-9
        if spread_wanted:
            posterior = solve(links, blocks, right)
            states = posterior.states
            if last and chines is not None:
                links.own[:, 0] -= learner.ridge() * (1 - 1 / CHINED_LOOSER**2)
                posterior = replace(solve(links, blocks, right), states=states)
        else:
            states = solve_mean(links, blocks, right)
        state.states = states
        used = blocks.shape[1]
        at = states[batch.knot][:, :used]
        moved = np.einsum("gjk,gk->gj", inverse, alone - np.einsum("gbk,gb->gk", shared, at))
        value = states[batch.knot]
        fitted = np.einsum("gnb,gb->gn", state.design, value[:, :b])
        if state.sloped:
            fitted += state.offsets * np.einsum("gnb,gb->gn", state.design, value[:, b:])
        raw = state.right - fitted
        error = (raw - np.einsum("gnk,gk->gn", state.columns, moved)) / state.steep
        if spread_wanted:
            spread = posterior.covariance[batch.knot][:, :used, :used]
            doubt = inverse + carried.transpose(0, 2, 1) @ spread @ carried
            moved_var = np.einsum("gjj->gj", doubt)
        if last:
            break
        learner.reweigh(number, error / state.reach, final=done)
        if spread_wanted:
            learner.learn(posterior, moved, moved_var)
            lessons += 1
        number += 1
    return Fit(
        reference=reference,
        modes=modes,
        run=run,
        posterior=posterior,
        variances=learner.variances(),
        batch=batch,
        moved=moved,
        moved_sd=np.sqrt(moved_var),
        centre=np.stack(
            [state.bl[:, 0] - state.arm[0][:, 0], state.wl[:, 0] - state.arm[1][:, 0]], -1
        ),
        freedom=learner.freedom,
        inflation=ease,
    )


class _Learner:
    """Weights and variances; lives only inside `fit_surface`."""

    def __init__(self, state: _State, settlement, robust: bool, given: Variances | None):  # type: ignore[no-untyped-def]
        self.state, self.robust, self.given = state, robust, given
        batch, modes = state.batch, state.modes
        self.weight = np.ones(state.held.shape)
        self.noise = 1.0
        self.run = 1 / (STIFF_START[0] * basis.TYPICAL_RUN) ** 2
        self.size = 1 / (STIFF_START[1] * basis.TYPICAL_SIZE) ** 2
        self.expected = np.array(settlement, float) ** 2
        self.still = self.expected <= 0
        self.settle = self.expected.copy()
        self.settle_weight = np.ones(len(batch.knot))
        self.shift_weight = np.ones(len(batch.knot))
        self.freedom = 0.0
        self.penalty = value_penalty(state.run)
        self.sized = modes.size >= 0
        self.settled = given is not None
        if given is not None:
            self.noise, self.run, self.size = given.noise, given.run, given.size
            self.settle = given.settle

    def ridge(self) -> Array:
        """Precision of each mode's size at one station."""
        modes = self.state.modes
        return np.where(self.sized, self.size[np.maximum(modes.size, 0)] * modes.growth, 0.0)

    def settle_precision(self) -> Array:
        """Prior precision of the four movements of every row, shape (g, 4)."""
        batch = self.state.batch
        loose = np.where(self.still, 1e12, 1 / np.where(self.still, 1, self.settle))
        rigid = np.where(batch.settles[:, None], self.settle_weight[:, None] * loose, 1e12)
        sigma = batch.shift_sigma
        shift = np.where(sigma > 0, self.shift_weight / np.where(sigma > 0, sigma, 1) ** 2, 1e12)
        return np.concatenate([rigid, shift[:, None]], 1)

    def reweigh(self, number: int, error: Array, *, final: bool) -> None:
        """New noise scale and Student-t weights from errors in units of their sigma.

        Only at the end do readings past REJECT lose all weight: earlier, a surface
        that has not yet found its shape would throw sound ones away.
        """
        held, total = self.state.held, self.state.total
        spare = max(total - self.freedom, 0.2 * total)
        if self.robust:
            if number < 3 and self.given is None:
                middle = MAD * np.median(np.abs(error[held]))
                self.noise = max(middle * np.sqrt(total / spare), SHAPE_FLOOR)
            u2 = (error / self.noise) ** 2
            self.weight = (FREEDOM + 1) / (FREEDOM + u2)
            if final:
                self.weight = np.where(u2 > REJECT**2, 0.0, self.weight)
        if self.given is None and (number >= 3 or not self.robust):
            square = float(np.sum((self.weight * error * error)[held]))
            self.noise = max(np.sqrt(square / spare), SHAPE_FLOOR)
        self.scaled = error / self.noise

    def learn(self, posterior: Posterior, moved: Array, moved_var: Array) -> None:
        """One Fellner-Schall step of every variance."""
        state, modes, batch = self.state, self.state.modes, self.state.batch
        m, b = len(state.run), len(modes)
        roughness, doubt, own = spread_along(state.run, posterior)
        lam, mu = self.run[modes.run] * modes.stiff, self.ridge() + 1e-9
        rows = batch.settles
        free = 2.0 * m * b - np.sum(lam * doubt) - np.sum(mu * own)
        loose = self.settle_precision()
        free += float(np.sum((1 - moved_var * loose)[rows][:, :3][:, ~self.still]))
        self.freedom = free
        before = np.concatenate([self.run, self.size, self.settle])
        if self.given is None:
            den = lam[:, None] * self.penalty + mu[:, None]
            slope = (self.penalty / den).sum(1) + m / lam - doubt
            classes = len(self.run)
            gained = np.bincount(modes.run, modes.stiff * slope, classes)
            rough = np.bincount(modes.run, modes.stiff * roughness, classes)
            prior = basis.TYPICAL_RUN**2
            new = (np.maximum(gained * self.run, 1e-3) + 1) / (rough + prior)
            present = np.bincount(modes.run, minlength=classes) > 0
            self.run = np.where(present, np.clip(new, 1e-6, 1e8), self.run)
            value2 = (posterior.states[:, :b] ** 2).sum(0)
            gap = (1 / den).sum(1) - own
            for k in range(len(self.size)):
                mine = modes.size == k
                if mine.any():
                    part = float(np.sum((modes.growth * gap)[mine])) * self.size[k]
                    square = float(np.sum((modes.growth * value2)[mine]))
                    new_size = (max(part, 1e-3) + 1) / (square + basis.TYPICAL_SIZE[k] ** 2)
                    self.size[k] = np.clip(new_size, 1e-8, 1e2)
            weight = self.settle_weight[:, None]
            square = np.sum((moved**2 * weight)[rows], 0)[:3]
            told = np.sum((1 - moved_var * loose)[rows], 0)[:3]
            square[:2], told[:2] = square[:2].mean(), told[:2].mean()
            floor = SETTLE_PRIOR * self.expected * SETTLE_LEAST
            learned = (square + floor) / (np.maximum(told, 0.1) + SETTLE_PRIOR)
            self.settle = np.where(self.still, self.settle, learned)
        after = np.concatenate([self.run, self.size, self.settle])
        with np.errstate(divide="ignore", invalid="ignore"):
            change = np.abs(np.log(after / before))
        self.settled = bool(np.nanmax(change, initial=0.0) < SETTLED)
        if self.robust:
            u2 = np.sum(np.where(self.still, 0, moved[:, :3] ** 2 / np.where(self.still, 1, self.settle)), 1)
            self.settle_weight = (FREEDOM + 3) / (FREEDOM + u2)
            sigma = np.where(batch.shift_sigma > 0, batch.shift_sigma, 1.0)
            self.shift_weight = (FREEDOM + 1) / (FREEDOM + (moved[:, 3] / sigma) ** 2)

    def ease(self) -> float:
        """Return the factor by which the weighted precision overstates what readings tell.

        Sandwich form: with psi = w u, the information of one reading is
        mean(psi')^2 / mean(psi^2), while the weighted equations claim mean(w).
        """
        if not self.robust:
            return 1.0
        held = self.state.held
        u2, weight = self.scaled[held] ** 2, self.weight[held]
        slope = (FREEDOM + 1) * (FREEDOM - u2) / (FREEDOM + u2) ** 2
        slope = np.where(weight > 0, slope, 0.0)
        square = np.sum(weight**2 * u2) / max(self.state.total - self.freedom, 0.2 * self.state.total)
        return float(np.clip(square / max(slope.mean(), 0.2) ** 2 * weight.mean(), 0.5, 4.0))

    def variances(self) -> Variances:
        return Variances(
            noise=float(self.noise), run=self.run, size=self.size, settle=self.settle
        )


def rescale(fit: Fit, factor: float) -> Fit:
    """Return the fit with every covariance multiplied by `factor`."""
    old = fit.posterior
    return replace(
        fit,
        posterior=replace(old, covariance=old.covariance * factor, local=old.local * factor),
    )
