"""The equations of the readings about the present surface, and their reduction to knots.

A reading at frame i obeys, to first order in small things,

    rho_obs = phi . c_i + grad F . (t_i + omega_i J p) - F_x d_i + |grad F| e

with F(station, bl, wl) = rho - sum c_k phi_k(theta), t_i and omega_i the settlement of
the frame, d_i its fore-and-aft shift and e the distance along the normal in millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loft.fairing import basis
from loft.fairing.basis import Modes
from loft.fairing.chines import Chines
from loft.fairing.reference import Reference
from loft.fairing.smoother import RUN_UNIT, Run
from loft.job.records import Array


@dataclass(frozen=True, eq=False, kw_only=True)
class Batch:
    """Readings in rows, one row a frame (or a station between frames), padded.

    Shapes (g, n) unless said. `own` is the reading's index in the survey, -1 for
    padding. `settles` (g,) tells rows that move as a frame, `drifts` (g,) scans between
    frames that move as a whole; `shift_sigma` (g,) the prior sd of the frame's station, 0
    where it is exact.
    """

    knot: NDArray[np.int64]  # (g,)
    settles: NDArray[np.bool_]
    drifts: NDArray[np.bool_]
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
    def moves(self) -> NDArray[np.bool_]:
        """True for rows that move rigidly in their plane."""
        return np.asarray(self.settles | self.drifts)

    @property
    def held(self) -> NDArray[np.bool_]:
        """True where a reading stands, False for padding."""
        return self.own >= 0


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
    r0: float,
    axes: tuple[Array, ...],
    rates: tuple[Array, ...],
    theta: Array,
    q: Array,
    rho_theta: Array,
    rho_x: Array,
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


class Equations:
    """The readings' equations, made anew as the surface moves.

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
        self.marks = np.zeros((len(batch.knot), 0), np.int64)
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
        self.phi, self.dphi = basis.evaluate(self.modes, self.theta)
        self.first_chines = None if self.chines is None else self.chines.theta(station)

    def linearise(self) -> None:
        """Gradient of F, sigma along the normal and the settlement's columns."""
        k = self.modes.shapes
        b = len(self.modes)
        at = self.states[self.batch.knot]
        value, slope = at[:, :k], at[:, b : b + k]
        shift = self.off[..., None] * at[:, None, b:] if self.sloped else np.zeros((1, 1, b))
        if self.first_chines is not None:
            place = at[:, None, k:b] + (shift[..., k:])
            self.moved_chine = place @ self.modes.place_mix.T / self.reference.r0
            self.chine_theta = self.first_chines + self.moved_chine
            basis.put_chines(self.modes, self.theta, self.chine_theta, self.phi, self.dphi)
        local = value[:, None] + shift[..., :k]
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

        def pick(table: NDArray[Any]) -> NDArray[Any]:
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


@dataclass(frozen=True, eq=False, kw_only=True)
class Reduced:
    """The equations brought to the knots, settlement eliminated row by row.

    `blocks` (m, s, s) and `right` (m, s, c) belong to the knots; the rest (by row) brings
    back the movements: moved = inverse (alone - shared' states).
    """

    blocks: Array
    right: Array
    inverse: Array
    alone: Array
    shared: Array

    def moved(self, at: Array) -> Array:
        """Return the four movements of every row from its states (g, s, c)."""
        return self.inverse @ (self.alone - self.shared.transpose(0, 2, 1) @ at)


def reduce(state: Equations, precision: Array, prior: Array, right: Array) -> Reduced:
    """Form the data blocks on each knot with the settlement eliminated.

    Parameters
    ----------
    state : Equations
        Linearised.
    precision : ndarray, shape (g, n)
    prior : ndarray, shape (g, 4)
        Precision of the movements.
    right : ndarray, shape (g, n, c)
        Right-hand sides, the readings' own or any others.
    """
    design = state.design
    if state.sloped:
        design = np.concatenate([design, state.offsets[..., None] * design], -1)
    turned = (design * precision[..., None]).transpose(0, 2, 1)
    columns = state.columns
    pressed = (columns * precision[..., None]).transpose(0, 2, 1)
    own = pressed @ columns
    own[:, np.arange(4), np.arange(4)] += prior
    inverse = np.asarray(np.linalg.inv(own), np.float64)
    shared = turned @ columns
    alone = pressed @ right
    carried = shared @ inverse
    data = turned @ design - carried @ shared.transpose(0, 2, 1)
    pull = turned @ right - carried @ alone
    blocks, told = (_by_knot(part, state.batch.knot, len(state.run)) for part in (data, pull))
    return Reduced(blocks=blocks, right=told, inverse=inverse, alone=alone, shared=shared)


def _by_knot(rows: Array, knot: NDArray[np.int64], count: int) -> Array:
    """Sum the rows that stand on the same knot."""
    total = np.zeros((count, *rows.shape[1:]))
    for row, k in enumerate(knot):  # far quicker than np.add.at
        total[k] += rows[row]
    return total
