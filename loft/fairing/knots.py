"""Lay further knots into the posterior: any place's state, and how it hangs on any other's.

The readings' share of the information is taken back out of the posterior, knots that hold
no information of their own are laid in, and the sweep is made again: means and spreads
stay what they were, and the gains now reach from every knot to every other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loft.fairing.fit import CHINED_LOOSER, links_of
from loft.fairing.section import NORMAL95, lift
from loft.fairing.smoother import (
    FAINT,
    RUN_UNIT,
    Links,
    Posterior,
    Run,
    along,
    make_run,
    prior_links,
    solve,
)
from loft.fairing.surface import Surface
from loft.job.records import Array, Frame

NEAREST = 5.0  # mm: a place this near a knot is reached from that knot


def joint_covariance(posterior: Posterior, knot: NDArray[np.int64], design: Array) -> Array:
    """Return the covariance of linear functions of the states at any knots, exactly.

    The covariance of knots i < j is the product of the backward gains from i to j - 1
    and the covariance of j.

    Parameters
    ----------
    posterior : Posterior
    knot : ndarray of int, shape (n,)
    design : ndarray, shape (n, 2b)

    Returns
    -------
    ndarray, shape (n, n)

    Examples
    --------
    >>> run = make_run(np.array([0.0, 500.0]))
    >>> links = prior_links(run, np.ones(1))
    >>> links.own[:] += 1.0
    >>> posterior = solve(links, np.zeros((2, 1, 1)), np.zeros((2, 1)))
    >>> both = joint_covariance(posterior, np.array([0, 1]), np.array([[1.0, 0.0]] * 2))
    >>> bool(np.isclose(both[0, 1], posterior.with_next(0)[0, 0]))
    True
    """
    n = len(knot)
    out = np.zeros((n, n))
    carried = np.zeros((posterior.states.shape[1], 0))
    later = np.zeros(0, int)
    for i in range(len(posterior.states) - 1, -1, -1):
        if i < len(posterior.gain):
            carried = -posterior.gain[i] @ carried
        mine = np.flatnonzero(knot == i)
        own = posterior.covariance[i] @ design[mine].T
        out[np.ix_(mine, mine)] = design[mine] @ own
        cross = design[mine] @ carried
        out[np.ix_(mine, later)] = cross
        out[np.ix_(later, mine)] = cross.T
        carried, later = np.concatenate([own, carried], 1), np.r_[mine, later]
    return out


def _prior(surface: Surface, run: Run, sized: NDArray[np.bool_]) -> Links:
    """Return the prior of the fit's band, the modes' size counted on the knots in `sized`."""
    fit = surface.fit
    modes, held = fit.modes, fit.batch.held
    links = links_of(run, modes, fit.variances)
    plain = prior_links(run, fit.variances.run[modes.run] * modes.stiff)
    size = links.own[:, 0] - plain.own[:, 0]
    if surface.first_chines is not None and np.median(held.sum(1)) < modes.shapes:
        size = size / CHINED_LOOSER**2
    links.own[:, 0] = plain.own[:, 0] + np.where(sized[:, None], size, FAINT)
    return links


def reading_blocks(surface: Surface) -> Array:
    """Return what the readings alone tell of each knot: its information, (m, 2b, 2b).

    Taken back out of the posterior: what a knot's own inverse holds more than the prior.
    """
    fit = surface.fit
    run, posterior = fit.run, fit.posterior
    links = _prior(surface, run, np.ones(len(run), bool))
    b = links.own.shape[2]
    at = np.arange(b)
    blocks = np.linalg.inv(posterior.local)
    blocks = (blocks + blocks.transpose(0, 2, 1)) / 2
    for i in range(1, len(run)):
        vv, vs, sv, ss = links.onward[i - 1][:, :, None]
        gain = posterior.gain[i - 1]
        blocks[i, :b] += vv * gain[:b] + sv * gain[b:]
        blocks[i, b:] += vs * gain[:b] + ss * gain[b:]
    blocks[:, at, at] -= links.own[:, 0]
    blocks[:, at, b + at] -= links.own[:, 1]
    blocks[:, b + at, at] -= links.own[:, 1]
    blocks[:, b + at, b + at] -= links.own[:, 2]
    return (blocks + blocks.transpose(0, 2, 1)) / 2


def _longer_run(run: Run, stations: Array) -> Run:
    """Return the run with knots laid in at `stations` that have none within NEAREST."""
    knots = run.station
    for x in np.unique(stations):
        if np.abs(knots - x).min() > NEAREST:
            knots = np.append(knots, x)
    breaks = run.station[:-1][run.quiet == 0]
    return make_run(np.unique(knots), breaks)


def posterior_with(
    surface: Surface, stations: Array, blocks: Array | None = None, dropped: int = -1
) -> tuple[Run, Posterior]:
    """Return the posterior on a run that has knots at `stations` too.

    Parameters
    ----------
    surface : Surface
    stations : ndarray
        mm; those within 5 mm of a knot need no other.
    blocks : ndarray, shape (m, 2b, 2b), optional
        What readings tell of the surface's own knots; default: all of them.
    dropped : int
        Knot of the surface whose modes' size is no longer counted, -1 for none.
    """
    fit = surface.fit
    run = _longer_run(fit.run, np.asarray(stations, float))
    there = np.isin(run.station, fit.run.station)
    sized = there.copy()
    if dropped >= 0:
        sized[np.flatnonzero(there)[dropped]] = False
    size = fit.posterior.states.shape[1]
    data = np.zeros((len(run), size, size))
    data[there] = reading_blocks(surface) if blocks is None else blocks
    found = solve(_prior(surface, run, sized), data, np.zeros((len(run), size)))
    value, slope, _ = along(fit.run, fit.posterior.states, run.station)
    states = np.concatenate([value, slope * RUN_UNIT], -1)
    states[there] = fit.posterior.states
    return run, Posterior(
        states=states, covariance=found.covariance, gain=found.gain, local=found.local
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class Target:
    """Points round a missing section, which hang on the state at one station; arrays (p,)."""

    girth: Array
    station: float
    theta: Array
    x: Array  # station of each point
    steep: Array  # gradient in the section's plane
    common: Array  # variance along the normal that further readings are not held to lessen, mm^2


def target_of(surface: Surface, frame: Frame) -> Target:
    """Return the points of the lifted section, as they hang on the coefficients."""
    section = lift(surface, frame)
    x, theta = section.station_at, surface.theta_of(section.station_at, section.bl, section.wl)
    slope = surface.slopes(x, theta)
    up = slope[:, 0] * np.sin(frame.cant) + slope[:, 2] * np.cos(frame.cant)
    middle = frame.station
    if frame.cant:
        centre = float(surface.reference.at(np.array(frame.station))[1])
        middle += (centre - frame.pivot_wl) * float(np.tan(frame.cant))
    steep = np.hypot(slope[:, 1], up)
    normal = np.stack([slope[:, 1], up], -1) / steep[:, None]
    return Target(
        girth=section.girth, station=middle, theta=theta, x=x, steep=steep,
        common=normal**2 @ surface.common(middle),
    )  # fmt: skip


def design_at(surface: Surface, target: Target, knot_station: float) -> Array:
    """D (mm along the normal) / d (state at a knot near the target's station), (p, 2b)."""
    phi = surface.design(target.station, target.theta, target.x - target.station)
    phi = phi[:, : phi.shape[1] // 2] / target.steep[:, None]
    return np.concatenate([phi, phi * ((target.x - knot_station) / RUN_UNIT)[:, None]], 1)


def band_of(surface: Surface, target: Target, run: Run, posterior: Posterior) -> Array:
    """Return the 95 % band of a target under a posterior, shape (p,), mm."""
    knot = nearest_knot(run, target.station)
    design = design_at(surface, target, float(run.station[knot]))
    spread = ((design @ posterior.covariance[knot]) * design).sum(1)
    return NORMAL95 * np.sqrt(np.maximum(spread, 0.0) + target.common)


def nearest_knot(run: Run, station: float) -> int:
    """Return the knot nearest to a station."""
    return int(np.argmin(np.abs(run.station - station)))
