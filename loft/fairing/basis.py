"""The modes of a section's shape round the girth.

rho(theta) is a sum of 1, cos k theta, sin k theta (k up to 12) and, for every marked
chine, a periodic function whose slope jumps by 1 at the chine's angle. Even modes are
alike port and starboard; odd ones are not, and have variances of their own, so that
symmetry is learned rather than imposed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loft.job.records import Array, freeze_arrays

HARMONICS = 12

# classes of smoothness along the stations
ROUND, RISE, SWAY, OVAL, FINE, UNEVEN, CHINE, CHINE_UNEVEN = range(8)
# typical change in the second half-metre beyond a straight run, mm, by class
TYPICAL_RUN = np.array([0.5, 0.5, 0.2, 0.5, 0.4, 0.2, 3.0, 0.5])
# classes of size at one station: even k >= 2, odd k >= 2, odd k = 1
EVEN_SIZE, ODD_SIZE, SWAY_SIZE = range(3)
TYPICAL_SIZE = np.array([60.0, 8.0, 0.5])


@dataclass(frozen=True, eq=False, kw_only=True)
class Modes:
    """Which modes a surface has; arrays of shape (b,), Fourier modes first.

    `run` is the class of smoothness, `stiff` how much stiffer than its class a mode is
    (as k cubed from k = 3), `size` the class of size (-1: free), `growth` = k^4 its
    decay. `chines` pairs the chine columns: (starboard, port) for a mirrored pair,
    (index, -1) for a single one.
    """

    order: NDArray[np.int64]
    odd: NDArray[np.bool_]
    run: NDArray[np.int64]
    stiff: Array
    size: NDArray[np.int64]
    growth: Array
    chines: tuple[tuple[int, int], ...]

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def __len__(self) -> int:
        return len(self.order)


def choose_modes(symmetry: str, chines: tuple[tuple[int, int], ...] = ()) -> Modes:
    """Return the modes for a symmetry of "off", "soft" or "exact"."""
    k = np.arange(HARMONICS + 1)
    order = k if symmetry == "exact" else np.r_[k, k[1:]]
    odd = np.arange(len(order)) > HARMONICS
    run = np.select([order == 0, order == 1, order == 2], [ROUND, RISE, OVAL], FINE)
    size = np.where(order >= 2, EVEN_SIZE, -1)
    if symmetry == "soft":
        run = np.where(odd, np.where(order == 1, SWAY, UNEVEN), run)
        size = np.where(odd, np.where(order == 1, SWAY_SIZE, ODD_SIZE), size)
    first = np.where(run == UNEVEN, 2.0, 3.0)
    stiff = np.where(order >= 2, (np.maximum(order, first) / first) ** 3, 1.0)
    chine_odd = [flag for pair in chines for flag in ([False, True] if pair[1] >= 0 else [False])]
    if symmetry == "exact":
        chine_odd = [False] * len(chines)
    n = len(chine_odd)
    return Modes(
        order=np.r_[order, np.zeros(n, int)],
        odd=np.r_[odd, np.array(chine_odd, bool)],
        run=np.r_[run, np.where(chine_odd, CHINE_UNEVEN, CHINE).astype(int)],
        stiff=np.r_[stiff, np.ones(n)],
        size=np.r_[size, np.full(n, -1)],
        growth=np.r_[np.maximum(order, 1).astype(float) ** 4, np.ones(n)],
        chines=chines,
    )


def kink(angle: Array) -> tuple[Array, Array]:
    """Return the chine function of the angle from its chine, and its derivative.

    Periodic, of zero mean, its slope jumps by 1 at 0 (the second Bernoulli polynomial).

    Examples
    --------
    >>> value, slope = kink(np.array([1e-9, 2 * np.pi - 1e-9]))
    >>> round(slope[0] - slope[1], 6)
    1.0
    """
    p = np.mod(angle, 2 * np.pi) - np.pi
    return np.pi / 12 - p * p / (4 * np.pi), -p / (2 * np.pi)


def evaluate(modes: Modes, theta: Array, chine_theta: Array | None = None) -> tuple[Array, Array]:
    """Return every mode and its derivative by theta.

    Parameters
    ----------
    modes : Modes
    theta : ndarray, any shape
    chine_theta : ndarray, shape theta.shape + (number of chine angles,)
        Angles of the chines at each point's station; needed where the modes have chines.

    Returns
    -------
    value, derivative : ndarray, shape theta.shape + (b,)
    """
    theta = np.asarray(theta, float)
    both = len(modes) - _chine_columns(modes) > HARMONICS + 1
    turn = np.exp(1j * theta)[..., None]
    powers = np.cumprod(np.broadcast_to(turn, (*theta.shape, HARMONICS)), -1)
    k = np.arange(1, HARMONICS + 1)
    one, nought = np.ones((*theta.shape, 1)), np.zeros((*theta.shape, 1))
    value, slope = [one, powers.real], [nought, -powers.imag * k]
    if both:
        value.append(powers.imag)
        slope.append(powers.real * k)
    if modes.chines:
        assert chine_theta is not None
        f, g = kink(theta[..., None] - chine_theta)
        for first, second in modes.chines:
            pair = [f[..., first]], [g[..., first]]
            if second >= 0:
                pair = (
                    [f[..., first] + f[..., second], f[..., first] - f[..., second]],
                    [g[..., first] + g[..., second], g[..., first] - g[..., second]],
                )
            keep = 1 if not both else len(pair[0])
            value += [column[..., None] for column in pair[0][:keep]]
            slope += [column[..., None] for column in pair[1][:keep]]
    return np.concatenate(value, -1), np.concatenate(slope, -1)


def _chine_columns(modes: Modes) -> int:
    return int(np.isin(modes.run, (CHINE, CHINE_UNEVEN)).sum())


def chine_pull(modes: Modes, coefficients: Array, theta: Array, chine_theta: Array) -> Array:
    """Return d rho / d(chine angle), shape theta.shape + (number of chine angles,)."""
    _, slope = kink(theta[..., None] - chine_theta)
    amplitude = np.zeros(chine_theta.shape)
    column = len(modes) - _chine_columns(modes)
    both = column > HARMONICS + 1
    for first, second in modes.chines:
        even = coefficients[..., column]
        column += 1
        amplitude[..., first] = even
        if second >= 0:
            amplitude[..., second] = even
            if both:
                odd = coefficients[..., column]
                column += 1
                amplitude[..., first] = even + odd
                amplitude[..., second] = even - odd
    return -amplitude * slope
