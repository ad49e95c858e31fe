"""Lines on the surface: where each stringer, chine, crown and keel runs along the body.

The angle of every label is an integrated Wiener process of its own, fitted robustly to
its labelled readings. The crown and the keel stand at angle 0 and pi where the survey
does not have them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loft.fairing.reference import MAD
from loft.fairing.smoother import (
    FAINT,
    Posterior,
    Run,
    along,
    make_run,
    prior_links,
    solve,
    spread_along,
)
from loft.job.records import Array, Line, freeze_arrays

TYPICAL_RUN = 2.0  # mm along the skin in the second half-metre beyond a straight run
STIFF_START = 0.3
FREEDOM = 4.0  # Student's t
REJECT = 8.0
LEAST_NOISE = 0.3
PASSES = 6


@dataclass(frozen=True, eq=False, kw_only=True)
class LineRun:
    """One line as a curve on the surface.

    `run` and `states` carry its angle times `scale` (mm); `first` and `last` are the
    stations between which it was read.
    """

    line: Line
    first: float
    last: float
    readings: int
    scale: float
    run: Run
    states: Array  # (m, 2)
    variance: Array  # (m,) of the value at each knot, mm^2

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def theta(self, station: Array) -> Array:
        """Return the angle of the line on the section at `station` (any shape), radians."""
        return along(self.run, self.states, station)[0][..., 0] / self.scale

    def turn(self, station: Array) -> Array:
        """Return d theta / d station, radians per mm."""
        return along(self.run, self.states, station)[1][..., 0] / self.scale

    def sd(self, station: Array) -> Array:
        """Return one standard deviation of theta, radians (interpolated between knots)."""
        spread = np.interp(station, self.run.station, self.variance)
        return np.sqrt(spread) / self.scale


def angles(runs: Sequence[LineRun], station: Array) -> tuple[Array, Array]:
    """Return theta and d theta/d station of lines that share one run, one more axis.

    Radians and radians per mm, shape of `station` and (len(runs),).
    """
    states = np.stack([line.states / line.scale for line in runs], -1)
    value, slope, _ = along(runs[0].run, states.reshape(len(states), -1), station)
    return value, slope


def fixed_line(line: Line, theta: float, first: float, last: float) -> LineRun:
    """Return a line that stands at a constant angle, unread."""
    states = np.array([[theta, 0.0], [theta, 0.0]])
    return LineRun(
        line=line,
        first=first,
        last=last,
        readings=0,
        scale=1.0,
        run=make_run(np.array([first, last])),
        states=states,
        variance=np.zeros(2),
    )


def fit_lines(
    lines: Sequence[Line],
    label: NDArray[np.int64],
    station: Array,
    theta: Array,
    sd: Array,
    *,
    scale: float,
    ends: tuple[float, float],
) -> dict[str, LineRun]:
    """Fit the angle of every line along the stations.

    Parameters
    ----------
    lines : sequence of Line
    label : ndarray of int, shape (n,)
        Index of each reading's line.
    station, theta, sd : ndarray, shape (n,)
        Station, angle and its standard deviation, radians.
    scale : float
        Typical radius, mm: angles are handled as lengths along the skin.
    ends : tuple
        First and last station of the surveyed run; lines reach no further.

    Returns
    -------
    dict
        Name to LineRun, for lines with at least two readings at different stations.
    """
    out: dict[str, LineRun] = {}
    if not len(station):
        return out
    middle = np.array([_mean_angle(theta[label == k]) for k in range(len(lines))])
    offset = np.angle(np.exp(1j * (theta - middle[label]))) * scale
    place = np.round(station, 1)
    knots = np.unique(np.r_[place, np.round(ends, 1)])
    run = make_run(knots)
    knot = np.searchsorted(knots, place)
    m, b = len(run), len(lines)
    sigma = sd * scale
    weight, noise = np.ones(len(station)), 1.0
    stiffness = np.full(b, 1 / (STIFF_START * TYPICAL_RUN) ** 2)
    for number in range(PASSES):
        precision = weight / (sigma * noise) ** 2
        data, pull = np.zeros((m, b)), np.zeros((m, b))
        np.add.at(data, (knot, label), precision)
        np.add.at(pull, (knot, label), precision * offset)
        links = prior_links(run, stiffness)
        links.own[:, 0] += FAINT
        links.own[:, 2] += FAINT
        posterior = solve(links, data[:, :, None] * np.eye(b), pull)
        error = (offset - posterior.states[knot, label]) / sigma
        follows = np.einsum("mii->mi", posterior.covariance)[knot, label] * precision
        spare = max(1 - float(follows.mean()), 0.2)  # what a soft run leaves of the errors
        noise = max(MAD * float(np.median(np.abs(error))) / np.sqrt(spare), LEAST_NOISE)
        weight = _weights(error / noise)
        if number < PASSES - 1:
            many = np.bincount(label, minlength=b) > 2
            stiffness = _stiffness(run, posterior, stiffness, many)
    spread = np.einsum("mii->mi", posterior.covariance)
    for k, line in enumerate(lines):
        mine = label == k
        where = np.unique(place[mine])
        if len(where) < 2:
            continue
        own = posterior.states[:, [k, b + k]].copy()
        own[:, 0] += middle[k] * scale
        out[line.name] = LineRun(
            line=line,
            first=float(where[0]),
            last=float(where[-1]),
            readings=int(mine.sum()),
            scale=scale,
            run=run,
            states=own,
            variance=spread[:, k],
        )
    return out


def _weights(scaled: Array) -> Array:
    """Student-t weights; a label far off its line (another line's) counts for nothing."""
    weight = (FREEDOM + 1) / (FREEDOM + scaled**2)
    return np.where(np.abs(scaled) > REJECT, 0.0, weight)


def _stiffness(run: Run, posterior: Posterior, stiffness: Array, many: NDArray[np.bool_]) -> Array:
    """Learn one stiffness for all lines: the middle of what each by itself would say.

    The middle, so that a line with an exchanged label does not soften the others.
    """
    if not many.any():
        return stiffness
    roughness, doubt, _ = spread_along(run, posterior)
    told = np.maximum(2 * len(run) - 2 - stiffness * doubt, 0.0)  # values and slopes
    variance = (roughness + TYPICAL_RUN**2) / (told + 1)
    return np.full(len(stiffness), np.clip(1 / np.median(variance[many]), 1e-4, 1e4))


def _mean_angle(theta: Array) -> float:
    if not len(theta):
        return 0.0
    first = float(np.angle(np.mean(np.exp(1j * theta))))
    return first + float(np.median(np.angle(np.exp(1j * (theta - first)))))
