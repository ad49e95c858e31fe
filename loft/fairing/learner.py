"""Weights and variances learned from the readings, by a Fellner-Schall fixed point.

Readings follow Student's t scaled by their own sigma, frames' movements Student's t with
a learned scale, and every class of mode its own smoothness and size, each with a weak
prior.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loft.fairing import basis
from loft.fairing.basis import Modes
from loft.fairing.equations import Equations
from loft.fairing.reference import MAD
from loft.fairing.smoother import Posterior, spread_along, value_penalty
from loft.job.records import Array

FREEDOM = 4.0  # Student's t of the readings and of the settlement
REJECT = 6.0  # standardised deviation past which a reading counts for nothing
SETTLED = 1.0  # step of the logarithm of a variance at which learning ends: the next is far less
EAGER = 0.6, 2.5  # a step's length, by the secant of the last two: the fixed point is slow
# The start is stiff along the stations (a soft one lets crush damage be fitted) and soft round
# the girth (a stiff one takes the shape itself for blunders): typical values times these.
STIFF_START = 0.3, 4.0
SCATTERED = 2.0  # noise from which the shape may still be taken for scatter: learning goes on
PRIOR_WEIGHT = 0.7  # degrees of freedom that a class's typical run has
SETTLE_PRIOR = 1.0  # frames' worth of weight that the job's settlement has
# ... as a share of its variance: frames may turn out to stand true, but the roll of a nearly
# round body cannot be seen and stays near what the job expects
SETTLE_LEAST = np.array([0.001, 0.001, 0.25])
LEAST_NOISE = 0.05  # of the stated sigma: smallest scale of noise that is believed


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


def size_precision(modes: Modes, size: Array) -> Array:
    """Return the precision of each mode's size at one station, from those of its classes."""
    return np.where(modes.size >= 0, size[np.maximum(modes.size, 0)] * modes.growth, 0.0)


class Learner:
    """Weights and variances; lives only inside `fit_surface`."""

    def __init__(
        self,
        state: Equations,
        settlement: tuple[float, float, float],
        robust: bool,
        given: Variances | None,
    ):
        self.state, self.robust, self.given = state, robust, given
        batch = state.batch
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
        self.last: tuple[Array, Array] | None = None  # step found and step taken
        self.penalty = value_penalty(state.run)
        self.held_doubles = float((state.run.quiet == 0).sum())  # one value a break, twice
        self.settled = given is not None
        if given is not None:
            self.noise, self.run, self.size = given.noise, given.run, given.size
            self.settle = given.settle

    def ridge(self) -> Array:
        """Precision of each mode's size at one station."""
        return size_precision(self.state.modes, self.size)

    def settle_precision(self) -> Array:
        """Prior precision of the four movements of every row, shape (g, 4)."""
        batch = self.state.batch
        loose = np.where(self.still, 1e12, 1 / np.where(self.still, 1, self.settle))
        rigid = np.where(batch.moves[:, None], self.settle_weight[:, None] * loose, 1e12)
        sigma = batch.shift_sigma
        shift = np.where(sigma > 0, self.shift_weight / np.where(sigma > 0, sigma, 1) ** 2, 1e12)
        return np.concatenate([rigid, shift[:, None]], 1)

    def reweigh(self, number: int, error: Array, *, final: bool) -> None:
        """Set the noise scale and Student-t weights from errors in units of their sigma.

        Only at the end do readings past REJECT lose all weight: earlier, a surface
        that has not yet found its shape would throw sound ones away.
        """
        held, total = self.state.held, self.state.total
        spare = max(total - self.freedom, 0.2 * total)
        if self.robust:
            if number < 3 and self.given is None:
                middle = MAD * np.median(np.abs(error[held]))
                self.noise = max(middle * np.sqrt(total / spare), LEAST_NOISE)
            u2 = (error / self.noise) ** 2
            self.weight = (FREEDOM + 1) / (FREEDOM + u2)
            if final:
                self.weight = np.where(u2 > REJECT**2, 0.0, self.weight)
        if self.given is None and (number >= 3 or not self.robust):
            square = float(np.sum((self.weight * error * error)[held]))
            self.noise = max(np.sqrt(square / spare), LEAST_NOISE)
        self.scaled = error / self.noise

    def learn(self, posterior: Posterior, moved: Array, moved_var: Array) -> None:
        """One Fellner-Schall step of every variance, and new weights of the frames."""
        state, modes = self.state, self.state.modes
        m, b = len(state.run), len(modes)
        roughness, doubt, own = spread_along(state.run, posterior)
        lam, mu = self.run[modes.run] * modes.stiff, self.ridge() + 1e-9
        rows = state.batch.moves
        free = 2.0 * m * b - np.sum(lam * doubt) - np.sum(mu * own)
        loose = self.settle_precision()
        free += float(np.sum((1 - moved_var * loose)[rows][:, :3][:, ~self.still]))
        self.freedom = free
        before = np.concatenate([self.run, self.size, self.settle])
        if self.given is None:
            self._learn_runs(lam, mu, roughness, doubt)
            self._learn_sizes(posterior.states[:, :b], (lam, mu), own)
            self._learn_settlement(moved, moved_var, loose)
        after = np.concatenate([self.run, self.size, self.settle])
        step = self._step(np.log(np.where(before > 0, after / np.where(before > 0, before, 1), 1)))
        counts = np.cumsum([len(self.run), len(self.size)])
        self.run, self.size, self.settle = np.split(before * np.exp(step), counts)
        wanted = SETTLED if self.noise < SCATTERED else SETTLED / 10
        self.settled = bool(np.abs(step).max(initial=0.0) < wanted)
        if self.robust:
            self._reweigh_frames(moved)

    def _step(self, found: Array) -> Array:
        """Return the step of the logarithms of the variances from the one just found."""
        step = found
        if self.last is not None:
            bend = self.last[0] - found
            length = self.last[1] / np.where(bend == 0, np.inf, bend)
            step = found * np.where(bend == 0, 1.0, np.clip(length, *EAGER))
        self.last = found, step
        return step

    def _learn_runs(self, lam: Array, mu: Array, roughness: Array, doubt: Array) -> None:
        modes, classes, m = self.state.modes, len(self.run), len(self.state.run)
        den = lam[:, None] * self.penalty + mu[:, None]
        slope = (self.penalty / den).sum(1) + m / lam - doubt
        gained = np.bincount(modes.run, modes.stiff * slope, classes)
        rough = np.bincount(modes.run, modes.stiff * roughness, classes)
        prior = basis.TYPICAL_RUN**2 * PRIOR_WEIGHT
        new = (np.maximum(gained * self.run, 1e-3) + PRIOR_WEIGHT) / (rough + prior)
        present = np.bincount(modes.run, minlength=classes) > 0
        self.run = np.where(present, np.clip(new, 1e-6, 1e8), self.run)

    def _learn_sizes(self, value: Array, prior: tuple[Array, Array], own: Array) -> None:
        modes = self.state.modes
        gap = (1 / (prior[0][:, None] * self.penalty + prior[1][:, None])).sum(1) - own
        gap -= self.held_doubles / prior[1]
        square = (value**2).sum(0)
        new = self.size.copy()
        for k, typical in enumerate(basis.TYPICAL_SIZE):
            mine = modes.size == k
            if mine.any():
                part = float(np.sum((modes.growth * gap)[mine])) * self.size[k]
                whole = float(np.sum((modes.growth * square)[mine]))
                new[k] = np.clip((max(part, 1e-3) + 1) / (whole + typical**2), 1e-8, 1e2)
        self.size = new

    def _learn_settlement(self, moved: Array, moved_var: Array, loose: Array) -> None:
        rows = self.state.batch.settles  # what a scan shows between frames goes with them
        square = np.sum((moved**2 * self.settle_weight[:, None])[rows], 0)[:3]
        told = np.sum((1 - moved_var * loose)[rows], 0)[:3]
        square[:2], told[:2] = square[:2].mean(), told[:2].mean()
        floor = SETTLE_PRIOR * self.expected * SETTLE_LEAST
        learned = (square + floor) / (np.maximum(told, 0.1) + SETTLE_PRIOR)
        self.settle = np.where(self.still, self.settle, learned)

    def _reweigh_frames(self, moved: Array) -> None:
        scale = np.where(self.still, 1, self.settle)
        u2 = np.sum(np.where(self.still, 0, moved[:, :3] ** 2 / scale), 1)
        self.settle_weight = (FREEDOM + 3) / (FREEDOM + u2)
        given = self.state.batch.shift_sigma
        sigma = np.where(given > 0, given, 1.0)
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
        square = np.sum(weight**2 * u2) / max(
            self.state.total - self.freedom, 0.2 * self.state.total
        )
        return float(np.clip(square / max(slope.mean(), 0.2) ** 2 * weight.mean(), 0.5, 4.0))

    def variances(self) -> Variances:
        """Return what was learned."""
        return Variances(noise=float(self.noise), run=self.run, size=self.size, settle=self.settle)
