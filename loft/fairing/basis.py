"""The modes of a section's shape round the girth.

rho(theta) is a sum of 1, cos k theta, sin k theta and, for every marked
chine, a periodic function whose slope jumps by 1 at the chine's angle. Even modes are
alike port and starboard; odd ones are not, and have variances of their own, so that
symmetry is learned rather than imposed. The places of the chines are modes too: each
moves its chine round the girth by the mode's value in millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loft.job.records import Array, freeze_arrays

HARMONICS = 16  # of the cosines, and of the sines where symmetry is off
FINE_HARMONICS = 32  # ... where a scan shows shapes that a tape does not
ODD_HARMONICS = 8  # of the sines where port and starboard are nearly alike
DECAY = 3  # sizes fall as k^-3, as those of arcs that meet tangent do
CHINED_DECAY = 2  # ... and as k^-2 beside chines, whose arcs need not

# classes of smoothness along the stations
ROUND, RISE, SWAY, OVAL, FINE, UNEVEN, CHINE, CHINE_UNEVEN, PLACE, PLACE_UNEVEN = range(10)
# typical change in the second half-metre beyond a straight run, mm, by class
TYPICAL_RUN = np.array([0.8, 0.8, 0.2, 0.6, 0.4, 0.2, 3.0, 0.5, 1.0, 0.3])
# classes of size at one station
EVEN_SIZE, ODD_SIZE, SWAY_SIZE, CENTRE_PLACE_SIZE, ODD_PLACE_SIZE = range(5)
TYPICAL_SIZE = np.array([45.0, 4.0, 0.4, 0.7, 1.5])

AT_CHINE = 1e-12  # radians: what lies no further before a chine lies on it, behind its corner


@dataclass(frozen=True, eq=False, kw_only=True)
class Modes:
    """Which modes a surface has; arrays of shape (b,): Fourier, chine slopes, chine places.

    `run` is the class of smoothness, `stiff` how much stiffer than its class a mode is
    (as k cubed from k = 3), `size` the class of size (-1: free), `growth` its decay (k^6;
    beside chines k^4, in step with it at k = 3). `slope_mix` (c, s) and `place_mix` (c, p)
    give each of the c chines its jump of slope and its place from the modes: a mirrored
    pair has an even and an odd mode.
    """

    cosines: int  # number of cosine modes, and of sine modes
    sines: int
    run: NDArray[np.int64]
    stiff: Array
    size: NDArray[np.int64]
    growth: Array
    slope_mix: Array
    place_mix: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def __len__(self) -> int:
        return len(self.run)

    @property
    def shapes(self) -> int:
        """Number of modes that are shapes: all but the chines' places."""
        return len(self.run) - self.place_mix.shape[1]


def choose_modes(
    symmetry: str,
    pairs: tuple[tuple[int, int], ...] = (),
    centred: tuple[bool, ...] = (),
    *,
    harmonics: int = HARMONICS,
) -> Modes:
    """Return the modes for a symmetry of "off", "soft" or "exact".

    Parameters
    ----------
    symmetry : str
    pairs : tuple of (int, int)
        Columns of chines that mirror each other (starboard, port); (column, -1) alone.
    centred : tuple of bool
        For each of `pairs`, whether it is an edge on the centreline.
    harmonics : int
        Of the cosines, and of the sines where symmetry is off.
    """
    k = np.arange(harmonics + 1)
    sines = {"exact": 0, "soft": ODD_HARMONICS}.get(symmetry, harmonics)
    order = np.r_[k, k[1 : sines + 1]]
    odd = np.arange(len(order)) > harmonics
    run = np.select([order == 0, order == 1, order == 2], [ROUND, RISE, OVAL], FINE)
    size = np.where(order >= 3, EVEN_SIZE, -1)
    if symmetry == "soft":
        run = np.where(odd, np.where(order == 1, SWAY, UNEVEN), run)
        size = np.where(odd, np.where(order == 1, SWAY_SIZE, ODD_SIZE), size)
    first = np.where(run == UNEVEN, 2.0, 3.0)
    stiff = np.where(order >= 2, (np.maximum(order, first) / first) ** 3, 1.0)
    slopes, places = _chine_modes(symmetry, pairs, centred)
    decay = 2 * (CHINED_DECAY if pairs else DECAY)
    growth = (np.maximum(order, 1) / 3.0) ** decay * 3.0 ** (2 * DECAY)
    count = sum(2 if second >= 0 else 1 for _, second in pairs)
    more = [*slopes, *places]
    return Modes(
        cosines=harmonics,
        sines=sines,
        run=np.r_[run, np.array([mode.run for mode in more], int)],
        stiff=np.r_[stiff, np.ones(len(more))],
        size=np.r_[size, np.array([mode.size for mode in more], int)],
        growth=np.r_[np.where(order < 2, 1.0, growth), np.ones(len(more))],
        slope_mix=_mix(slopes, count),
        place_mix=_mix(places, count),
    )


@dataclass(frozen=True, kw_only=True)
class _ChineMode:
    """A mode that moves one or two chines: their columns with a sign each, and its classes."""

    columns: tuple[tuple[int, float], ...]
    run: int
    size: int = -1


def _chine_modes(
    symmetry: str, pairs: tuple[tuple[int, int], ...], centred: tuple[bool, ...]
) -> tuple[list[_ChineMode], list[_ChineMode]]:
    """Return the modes of the chines' jumps of slope and of their places."""
    soft, exact = symmetry == "soft", symmetry == "exact"
    slopes, places = [], []
    for (one, other), middle in zip(pairs, centred, strict=True):
        alone, alike = ((one, 1.0),), ((one, 1.0), (other, 1.0))
        unlike = ((one, 1.0), (other, -1.0))
        if other < 0:
            slopes.append(_ChineMode(columns=alone, run=CHINE))
            if not (middle and exact):
                size = CENTRE_PLACE_SIZE if middle and soft else -1
                places.append(_ChineMode(columns=alone, run=PLACE, size=size))
            continue
        slopes.append(_ChineMode(columns=alike, run=CHINE))
        places.append(_ChineMode(columns=unlike, run=PLACE))
        if not exact:
            size = ODD_PLACE_SIZE if soft else -1
            slopes.append(_ChineMode(columns=unlike, run=CHINE_UNEVEN if soft else CHINE))
            run = PLACE_UNEVEN if soft else PLACE
            places.append(_ChineMode(columns=alike, run=run, size=size))
    return slopes, places


def _mix(modes: list[_ChineMode], count: int) -> Array:
    """Return the table (chines, modes) that gives each chine its share of every mode."""
    table = np.zeros((count, len(modes)))
    for column, mode in enumerate(modes):
        for chine, sign in mode.columns:
            table[chine, column] = sign
    return table


def kink(angle: Array) -> tuple[Array, Array]:
    """Return the chine function of the angle from its chine, and its derivative.

    Periodic, of zero mean, its slope jumps by 1 at 0 (the second Bernoulli polynomial).

    Examples
    --------
    >>> value, slope = kink(np.array([1e-9, 2 * np.pi - 1e-9]))
    >>> round(float(slope[0] - slope[1]), 6)
    1.0
    """
    p = np.mod(angle + AT_CHINE, 2 * np.pi) - AT_CHINE - np.pi
    return np.pi / 12 - p * p / (4 * np.pi), -p / (2 * np.pi)


def evaluate(modes: Modes, theta: Array, chines: Array | None = None) -> tuple[Array, Array]:
    """Return every shape mode and its derivative by theta.

    Parameters
    ----------
    modes : Modes
    theta : ndarray, any shape
    chines : ndarray, shape theta.shape + (c,)
        Angles of the chines at each point's station; needed where the modes have chines.

    Returns
    -------
    value, derivative : ndarray, shape theta.shape + (modes.shapes,)
    """
    theta = np.asarray(theta, float)
    last = modes.cosines + 1
    k = np.arange(1, last)
    turn = np.exp(1j * theta)[..., None]
    powers = np.cumprod(np.broadcast_to(turn, (*theta.shape, modes.cosines)), -1)
    value = np.ones((*theta.shape, modes.shapes))
    slope = np.zeros(value.shape)
    value[..., 1:last] = powers.real
    slope[..., 1:last] = -powers.imag * k
    n = modes.sines
    value[..., last : last + n] = powers.imag[..., :n]
    slope[..., last : last + n] = (powers.real * k)[..., :n]
    if chines is not None:
        put_chines(modes, theta, chines, value, slope)
    return value, slope


def put_chines(modes: Modes, theta: Array, chines: Array, value: Array, slope: Array) -> None:
    """Write the chines' modes, which move with them, into what `evaluate` returned."""
    if modes.slope_mix.size:
        first = modes.shapes - modes.slope_mix.shape[1]
        f, g = kink(theta[..., None] - chines)
        value[..., first:], slope[..., first:] = f @ modes.slope_mix, g @ modes.slope_mix


def chine_pull(modes: Modes, coefficients: Array, theta: Array, chines: Array) -> Array:
    """Return d rho/d(angle of each chine), shape theta.shape + (c,).

    `coefficients` holds the shape modes, shape theta.shape + (modes.shapes,).
    """
    jump = coefficients[..., modes.shapes - modes.slope_mix.shape[1] :] @ modes.slope_mix.T
    return -jump * kink(theta[..., None] - chines)[1]
