"""Find a chine that is not marked.

For every place a chine could have, the fitted model is asked how much better the
readings would be explained with a kink there: with V the covariance that the model
gives the readings and k the kink's pattern, z = k' V^-1 y / sqrt(k' V^-1 k) is standard
normal where there is no chine. Smooth modes take up most of a kink; what they cannot
take up is what z sees. A survey with an unmarked chine teaches the fit large shapes, and
those would hide it: the test holds them to the size that tangent arcs have.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from loft.fairing.basis import EVEN_SIZE, kink
from loft.fairing.equations import Equations, reduce
from loft.fairing.fit import links_of
from loft.fairing.learner import Learner, Variances
from loft.fairing.places import girth_of
from loft.fairing.smoother import solve_mean
from loft.fairing.surface import Surface
from loft.job.errors import Finding
from loft.job.records import Array

LEAST = 1e-6  # of k' V^-1 k: a pattern that the model takes up whole
SMOOTH_SIZE = 1000.0  # mm: shapes of arcs that meet tangent, k^-3; beyond it they hide a chine
ALARM = 6.0  # score from which a chine is named
NEAR_CENTRE = np.deg2rad(8.0)  # an edge nearer the centreline than this is taken to stand on it
ALIKE = 0.9  # of the best score
APART = np.deg2rad(30.0)  # a second chine is named no nearer than this
STEP = np.deg2rad(1.5)
DRIFTS = np.deg2rad(np.array([-20.0, -14.0, -8.0, -4.0, 0.0, 4.0, 8.0, 14.0, 20.0]))


def chine_scores(surface: Surface) -> tuple[Array, Array, Array]:
    """Return the score of a chine at every angle, the angle and its best drift.

    The angle is that at the middle of the surveyed run; over half the run it drifts by
    `drift`. Under symmetry a chine is sought together with its mirror image.

    Returns
    -------
    score, angle, drift : ndarray, shape (a,)
        |z|; radians.
    """
    fit = surface.fit
    state = Equations(fit.batch, fit.reference, fit.modes, fit.run, surface.first_chines)
    state.states = fit.posterior.states
    state.linearise()
    learner = Learner(state, surface.job.fair.settlement, surface.job.fair.robust, fit.variances)
    size = fit.variances.size.copy()
    size[EVEN_SIZE] = max(size[EVEN_SIZE], 1 / SMOOTH_SIZE**2)
    smooth = replace(fit.variances, size=size)
    paired = surface.job.fair.symmetry != "off"
    low, high = (0.0, np.pi) if paired else (-np.pi, np.pi)
    angle = np.arange(low, high + STEP / 2, STEP)
    middle, half = surface.stations.mean(), np.ptp(surface.stations) / 2
    u = (state.station - middle) / half
    best, best_drift = np.zeros(len(angle)), np.zeros(len(angle))
    for drift in DRIFTS:
        place = angle + drift * u[..., None]
        pattern = kink(state.theta[..., None] - place)[0]
        if paired:
            pattern = pattern + kink(state.theta[..., None] + place)[0]
        score = np.abs(_score(surface, state, learner, smooth, pattern))
        best, best_drift = (
            np.where(score > best, score, best),
            np.where(score > best, drift, best_drift),
        )
    return (_on_centreline(best, angle) if paired else best), angle, best_drift


def _on_centreline(score: Array, angle: Array) -> Array:
    """Let the crown or keel stand for a pair so near it that readings cannot part them."""
    score = score.copy()
    for centre in (0, len(angle) - 1):
        near = np.abs(angle - angle[centre]) < NEAR_CENTRE
        if score[centre] > ALIKE * score[near].max():
            score[near] = np.minimum(score[near], score[centre])
            score[centre] = score[near].max() + 1e-9
    return score


def _score(
    surface: Surface, state: Equations, learner: Learner, smooth: Variances, pattern: Array
) -> Array:
    """Return z of every pattern, shape (a,), the model's shapes no larger than smooth ones'."""
    fit = surface.fit
    right = np.zeros((*state.right.shape, pattern.shape[2] + 1))
    right[:, : pattern.shape[1], :-1] = pattern
    right[..., -1] = state.right
    told = reduce(state, fit.precision, learner.settle_precision(), right)
    used = told.blocks.shape[1]
    states = solve_mean(links_of(fit.run, fit.modes, smooth), told.blocks, told.right)[:, :used]
    weighted = fit.precision[..., None] * right

    def against(other: slice) -> Array:
        """Sum of every column with the last (slice -1) or itself: k' V^-1 y, k' V^-1 k."""
        shared = (weighted * right[..., other]).sum((0, 1))
        shared = shared - (told.alone * (told.inverse @ told.alone[..., other])).sum((0, 1))
        return shared - (told.right * states[..., other]).sum((0, 1))

    seen, whole = against(slice(-1, None))[:-1], against(slice(None))[:-1]
    return np.where(whole > LEAST, seen / np.sqrt(np.maximum(whole, LEAST)), 0.0)


def unmarked_chines(surface: Surface) -> tuple[Finding, ...]:
    """Name the places where residuals pile up as an unmarked chine leaves them."""
    score, angle, _ = chine_scores(surface)
    middle = float(surface.stations.mean())
    known = [float(surface.lines[name].theta(np.array(middle))) for name in surface.chines]
    paired = surface.job.fair.symmetry != "off"
    out: list[Finding] = []
    taken: list[float] = []
    for k in np.argsort(-score):
        if score[k] < ALARM:
            break
        near = np.abs(np.angle(np.exp(1j * (angle[k] - np.array(taken + known)))))
        if (near < APART).any():
            continue
        taken.append(float(angle[k]))
        girth, _ = girth_of(surface, middle, np.array([angle[k]]))
        where = " and its mirror image to port" if paired and 0.1 < angle[k] < 3.0 else ""
        where = f"about girth {girth[0]:.0f} mm at station {middle:.0f}{where}"
        out.append(
            Finding(
                text="the section turns sharply at one place on every frame, as at a chine that "
                f"is not marked: {where}{_nearest(surface, middle, float(angle[k]))}; if the "
                "metal has an edge there, "
                "label readings on it and mark the line chine = true; if it is a tight arc, take "
                "readings closer together there",
                severity="warning",
            )
        )
    return tuple(out)


def _nearest(surface: Surface, station: float, theta: float) -> str:
    gap: dict[str, float] = {
        name: abs(float(np.angle(np.exp(1j * (float(run.theta(np.array(station))) - theta)))))
        for name, run in surface.lines.items()
    }
    return f", near line {min(gap, key=lambda name: gap[name])}" if gap else ""
