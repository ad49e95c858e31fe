"""How far a section may stand off as a whole where scanned skin goes with the frames.

The skin is riveted to the frames: where one has moved, the bays on both sides go with it.
A scan's rows across a bay are then off by what its two frames are off, and however many
they are, they tell no more of the body's place than those two. The fit takes every row's
movement for its own; how far the place is off when they go together is worked out here, on
the sections' places along the stations: one number a row, across or up.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.polynomial import legendre

from loft.fairing import basis
from loft.fairing.learner import FREEDOM, size_precision
from loft.fairing.smoother import FAINT, RUN_UNIT, along, prior_links, solve_mean
from loft.job.records import Array

if TYPE_CHECKING:
    from loft.fairing.surface import Surface

ROUNDS = 4  # in which the frames' weights and the variance of their movements agree


def place_variance(surface: Surface, station: float) -> Array:
    """Return what the fit's band lacks of a section's place across and up, shape (2,), mm^2.

    The fit's estimate of the place hangs on every row's own, through the smoother and through
    the bend of the reference's centre line. Frames move independently; a row between frames
    moves with the two at its bay's ends, by nearness. What the place is off by that, and
    by a body that rises as rough as such bodies typically do, beyond what the fit's own
    spread allows for, is lacking.
    Zeros where no scan's rows move.

    Parameters
    ----------
    surface : Surface
    station : float
        mm.

    Examples
    --------
    >>> place_variance(surface, 6160.0)  # doctest: +SKIP
    array([0.02, 0.92])
    """
    batch, settle = surface.fit.batch, surface.fit.variances.settle
    if not batch.drifts.any() or not settle[:2].all():
        return np.zeros(2)
    places = [_Places(surface, axis) for axis in range(2)]
    size, share = _movements(surface, places)
    known = np.diag(surface.spread(station)[1])
    return np.array([part.lacking(station, size / share, known) for part in places])


def _movements(surface: Surface, places: list[_Places]) -> tuple[float, Array]:
    """Return the variance of the frames' movements, and the frames' weights.

    Of the movements found, made up for what the fit takes out of movements for shape.
    """
    frames, settle = surface.fit.batch.settles, surface.fit.variances.settle
    found = surface.fit.moved[frames][:, :2] ** 2
    size = float(settle[:2].mean())
    for _ in range(ROUNDS):
        share = _shares(surface, np.r_[size, size, settle[2]])[frames]
        told = sum(share @ (part.left[frames] ** 2 @ (1 / share)) for part in places)
        size = float((share @ found).sum() / told)
    return size, share


def _shares(surface: Surface, settle: Array) -> Array:
    """Return the rows' weights by their movements of given variances, as the fit has them."""
    batch, moved = surface.fit.batch, surface.fit.moved[:, :3]
    away = (moved**2 / np.where(settle > 0, settle, np.inf)).sum(1)
    return np.where(batch.moves, (FREEDOM + 3) / (FREEDOM + away), 1.0)


class _Places:
    """The rows' places across (axis 0) or up (axis 1) and how the fit smooths them.

    `carried` (rows, frames) tells how a row moves with the frames, `left` what of that is
    found as the row's movement.
    """

    def __init__(self, surface: Surface, axis: int):
        fit, self.reference = surface.fit, surface.reference
        batch, modes, settle = fit.batch, fit.modes, fit.variances.settle
        self.run, self.station = fit.run, fit.run.station[batch.knot]
        at = self.station[batch.settles]
        hats = np.stack([np.interp(self.station, at, hat) for hat in np.eye(len(at))], 1)
        self.carried = self.left = np.where(batch.moves[:, None], hats, 0.0)
        self.held = not axis and not modes.sines
        if self.held:
            return
        self.mode = 1 if axis else modes.cosines + 1
        kind = modes.run[self.mode]
        self.rough = 1 / fit.variances.run[kind]
        # few frames that have moved hardly tell how smoothly a body rises
        self.rougher = max(basis.TYPICAL_RUN[kind] ** 2, self.rough) * (kind == basis.RISE)
        self.scale = float(self.reference.r0 / self.reference.at(self.station.mean())[2 + axis])
        scale = self.reference.at(self.station)[2 + axis] / self.reference.r0
        own = fit.precision.sum(1) / 2 / scale**2  # cos^2 and sin^2 are 1/2 on average
        loose = np.where(batch.moves, settle[axis] / _shares(surface, settle), 0.0)
        self.sure = 1 / (loose + 1 / (own + FAINT))
        size = size_precision(modes, fit.variances.size)[self.mode]
        self.states = self._smooth(float(size / np.mean(scale**2)))
        series = (self.reference.centre_bl, self.reference.centre_wl)[axis]
        bends = axis or surface.job.fair.symmetry == "off"  # else the centre is held
        self.table = legendre.legvander(self._u(self.station), len(series) - 1)
        self.bend = np.linalg.pinv(self.table) * bool(bends)
        self.left = self.carried - np.stack([self.hung(x) for x in self.station]) @ self.carried

    def _u(self, station: Array | float) -> Array:
        return np.atleast_1d((station - self.reference.middle) / self.reference.half)

    def _smooth(self, size: float) -> Array:
        """Return the smoother's states for a unit in each row's place, (m, 2 rows)."""
        m, n = len(self.run), len(self.station)
        data, pull = np.zeros((m, 1, 1)), np.zeros((m, 1, n))
        for row, knot in enumerate(np.searchsorted(self.run.station, self.station)):
            data[knot] += self.sure[row]
            pull[knot, 0, row] = self.sure[row]
        links = prior_links(self.run, np.array([1 / self.rough]))
        links.own[:, 0] += size + FAINT
        links.own[:, 2] += FAINT
        return solve_mean(links, data, pull).reshape(m, 2 * n)

    def hung(self, station: float) -> Array:
        """Return how the place at a station hangs on every row's, the reference's bend in it."""
        smooth = along(self.run, self.states, np.array(station))[0]
        ahead = legendre.legvander(self._u(station), self.table.shape[1] - 1)[0]
        return np.asarray(smooth + (ahead - smooth @ self.table) @ self.bend)

    def lacking(self, station: float, moved: Array, known: Array) -> float:
        """Return the variance lacking at a station, frames' movements of variances `moved`.

        `known` are the fit's own variances of the modes.
        """
        if self.held:
            return 0.0
        hung = self.hung(station)
        whole = float((hung @ self.carried) ** 2 @ moved)
        x = (np.r_[station, self.station] - self.run.station[0]) / RUN_UNIT
        low, high = np.minimum.outer(x, x), np.maximum.outer(x, x)
        share = np.r_[1.0, -hung]
        bent = float(share @ (low**2 * (3 * high - low) / 6) @ share)
        return max(whole + self.rougher * max(bent, 0.0) - known[self.mode] / self.scale**2, 0.0)
