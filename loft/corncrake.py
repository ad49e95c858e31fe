"""The true shape of the Corncrake, the fictional aircraft of the demo and of the tests.

The Corncrake is a twin-engined mail carrier of 1938 that never was. Its body is a
chain of five tangent arcs a side (crown, shoulder, side, bilge, bottom), with the
tangent points at fixed directions of the normal, so every square section is known
in closed form and every radius runs fair from nose to tail.

Angles called `theta` are directions of the outward normal in the square section,
in radians from up, positive to starboard: 0 at the crown, pi at the keel.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

#: Frame name -> true station of its heel plane, mm.
STATIONS = {
    "F8": 3060.0,
    "F9": 3640.0,
    "F10": 4180.0,
    "F11": 4700.0,
    "F12": 5200.0,
    "F13": 5680.0,
    "F14": 6160.0,
    "F15": 6640.0,
    "F16": 7120.0,
    "F17": 7580.0,
    "F18": 8040.0,
    "F19": 8480.0,
    "F20": 8890.0,
}
MISSING = "F14"
CANTED, CANT_DEG, PIVOT_WL = "F18", 3.0, 900.0
GAUGE, STRINGER = 0.9, 22.0  # skin thickness and stringer depth, mm
STRINGERS = 13  # a side
LINES = (
    "CROWN",
    *(f"S{number}S" for number in range(1, STRINGERS + 1)),
    "KEEL",
    *(f"S{number}P" for number in range(STRINGERS, 0, -1)),
)

ARCS = ("crown", "shoulder", "side", "bilge", "bottom")
_BOUNDS = np.deg2rad([0.0, 36.0, 78.0, 100.0, 148.0, 180.0])
_RADII_AT_F14 = np.array([700.0, 380.0, 2200.0, 330.0])
_TAPER = np.array([0.11, 0.08, 0.15, 0.05])
_START, _WIDTH = 5760.0, 1400.0  # where the taper begins, and over what length


def _taper(station: Array) -> tuple[Array, Array]:
    """Return the taper, 0 at F14, and its derivative by station in 1/mm."""
    ahead = (station - _START) / _WIDTH
    zero = np.logaddexp(0.0, (STATIONS[MISSING] - _START) / _WIDTH)
    slope = 1.0 / (1.0 + np.exp(-ahead)) / 1000.0
    return (np.logaddexp(0.0, ahead) - zero) * _WIDTH / 1000.0, slope


def _closed(four: Array) -> Array:
    """Append the bottom radius that brings the chain back to the centreline."""
    gain = np.diff(np.sin(_BOUNDS))
    bottom = -(four @ gain[:4]) / gain[4]
    return np.concatenate([four, bottom[..., None]], axis=-1)


def radii(station: ArrayLike) -> Array:
    """Return the radii of the five arcs, crown to bottom, shape (..., 5), mm.

    Examples
    --------
    >>> radii(6160.0).round(1).tolist()
    [700.0, 380.0, 2200.0, 330.0, 800.7]
    """
    taper, _ = _taper(np.asarray(station, dtype=np.float64))
    return _closed(_RADII_AT_F14 * (1.0 - _TAPER * taper[..., None]))


def _crown(station: Array) -> tuple[Array, Array]:
    """Return the crown's waterline and its slope."""
    taper, slope = _taper(station)
    return 1700.0 - 12.0 * taper, -12.0 * slope


def _chain(radius: Array, theta: Array) -> tuple[Array, Array]:
    """Return the way from the crown to `theta` along the chain, as (bl, wl)."""
    at = np.clip(np.abs(theta)[..., None], _BOUNDS[:-1], _BOUNDS[1:])
    across = (radius * (np.sin(at) - np.sin(_BOUNDS[:-1]))).sum(axis=-1)
    down = (radius * (np.cos(_BOUNDS[:-1]) - np.cos(at))).sum(axis=-1)
    return np.sign(theta) * across, -down


def truth(station: ArrayLike, theta: ArrayLike) -> Array:
    """Return the true mould line of the square section at a station.

    Parameters
    ----------
    station : array_like
        mm; broadcasts against `theta`.
    theta : array_like
        Direction of the outward normal, radians from up, positive to starboard.

    Returns
    -------
    ndarray, shape (..., 2)
        (bl, wl), mm.

    Examples
    --------
    >>> truth(6160.0, 0.0).round(1).tolist()
    [0.0, 1700.0]
    """
    station, theta = np.broadcast_arrays(
        np.asarray(station, dtype=np.float64), np.asarray(theta, dtype=np.float64)
    )
    across, up = _chain(radii(station), theta)
    return np.stack([across, _crown(station)[0] + up], axis=-1)


def true_normal(station: ArrayLike, theta: ArrayLike) -> Array:
    """Return the outward unit normal of the body, (station, bl, wl), shape (..., 3).

    The bevel of a square frame is minus the arc sine of its first component.

    Examples
    --------
    >>> bool(true_normal(6160.0, 3.0)[0] > 0)  # the body tapers aft: the keel looks aft
    True
    """
    station, theta = np.broadcast_arrays(
        np.asarray(station, dtype=np.float64), np.asarray(theta, dtype=np.float64)
    )
    slope = _taper(station)[1]
    across, up = _chain(_closed(-_RADII_AT_F14 * _TAPER * slope[..., None]), theta)
    out = across * np.sin(theta) + (_crown(station)[1] + up) * np.cos(theta)
    normal = np.stack([-out, np.sin(theta), np.cos(theta)], axis=-1)
    return np.asarray(normal / np.linalg.norm(normal, axis=-1, keepdims=True))


def true_bevel(station: ArrayLike, theta: ArrayLike) -> Array:
    """Return the bevel of a square frame in radians, positive where the body widens aft.

    Examples
    --------
    >>> round(float(np.rad2deg(true_bevel(6160.0, np.pi))), 2)
    -5.64
    """
    return -np.arcsin(true_normal(station, theta)[..., 0])


def line_theta(line: str, station: ArrayLike) -> Array:
    """Return where a line runs: its `theta` at each station.

    Stringer n of 13 keeps n/14 of the half girth from crown to keel.

    Examples
    --------
    >>> round(float(np.rad2deg(line_theta("S7P", 6160.0))), 1)
    -89.1
    """
    station = np.asarray(station, dtype=np.float64)
    if line in ("CROWN", "KEEL"):
        return np.full(station.shape, 0.0 if line == "CROWN" else np.pi)
    radius = radii(station)
    arc = radius * np.diff(_BOUNDS)
    before = np.cumsum(arc, axis=-1) - arc
    girth = int(line[1:-1]) / (STRINGERS + 1) * arc.sum(axis=-1)
    turned = np.clip((girth[..., None] - before) / radius, 0.0, np.diff(_BOUNDS))
    return np.asarray(turned.sum(axis=-1) * (1.0 if line.endswith("S") else -1.0))


def true_place(station: ArrayLike, bl: ArrayLike, wl: ArrayLike) -> tuple[Array, Array]:
    """Return where points lie against the true square section at their station.

    Closed form: by the arc in whose sector the point lies.

    Parameters
    ----------
    station, bl, wl : array_like
        mm; broadcast against each other.

    Returns
    -------
    deviation : ndarray
        Distance outside the section along its normal, mm.
    theta : ndarray
        Direction of that normal, radians from up, positive to starboard.

    Examples
    --------
    >>> [part.round(6).tolist() for part in true_place(6160.0, [0.0], [1702.0])]
    [[2.0], [0.0]]
    """
    station, bl, wl = np.broadcast_arrays(
        *(np.asarray(value, dtype=np.float64) for value in (station, bl, wl))
    )
    radius = radii(station)
    # two arcs that meet tangent have their centres on one normal
    step, joint = radius[..., :-1] - radius[..., 1:], _BOUNDS[1:-1]
    across, up = np.zeros(radius.shape), np.zeros(radius.shape)
    across[..., 1:] = np.cumsum(step * np.sin(joint), axis=-1)
    up[..., 1:] = np.cumsum(step * np.cos(joint), axis=-1)
    across = np.abs(bl)[..., None] - across
    up = (wl - _crown(station)[0] + radius[..., 0])[..., None] - up
    angle = np.arctan2(across, up) % (2 * np.pi)  # from up; past pi only beyond the keel
    off = np.maximum(_BOUNDS[:-1] - angle, angle - _BOUNDS[1:])
    pick = np.argmin(np.maximum(off, 0.0), axis=-1)[..., None]
    distance = np.hypot(across, up) - radius
    deviation, theta = (
        np.take_along_axis(part, pick, axis=-1)[..., 0] for part in (distance, angle)
    )
    return deviation, np.where(bl < 0.0, -theta, theta)


def true_deviation(station: ArrayLike, bl: ArrayLike, wl: ArrayLike) -> Array:
    """Return how far points stand outside the true square section, mm along its normal.

    Examples
    --------
    >>> true_deviation(6160.0, [0.0], [1702.0]).round(6).tolist()
    [2.0]
    """
    return true_place(station, bl, wl)[0]


def half_girth(station: ArrayLike) -> Array:
    """Return the girth from crown to keel, mm.

    Examples
    --------
    >>> round(float(half_girth(6160.0)), 1)
    2286.8
    """
    return np.asarray((radii(station) * np.diff(_BOUNDS)).sum(axis=-1))


def girth_share(station: ArrayLike, theta: ArrayLike) -> Array:
    """Return which share of the half girth lies between the crown and `theta`; port negative.

    Examples
    --------
    >>> round(float(girth_share(6160.0, line_theta("S7P", 6160.0))), 6)
    -0.5
    """
    theta = np.asarray(theta, dtype=np.float64)
    turned = np.clip(np.abs(theta)[..., None], _BOUNDS[:-1], _BOUNDS[1:]) - _BOUNDS[:-1]
    girth = (radii(station) * turned).sum(axis=-1)
    return np.asarray(np.sign(theta) * girth / half_girth(station))


def touched(
    line: str, station: float, *, depth: float = 0.0, cant_rad: float = 0.0, pivot_wl: float = 0.0
) -> Array:
    """Return (station, bl, wl) where a line's face crosses a plane.

    The face lies `depth` inside the mould line along the body's own normal, so for
    a tapered body the station whose normal is taken is not the plane's: found by
    fixed-point iteration, which the small bevel makes converge in a few steps.

    Examples
    --------
    >>> touched("CROWN", 6160.0, depth=0.9).round(3).tolist()
    [6160.0, 0.0, 1699.1]
    """
    foot = plane = station
    point = np.zeros(3)
    for _ in range(8):  # each step gains two figures or more
        theta = line_theta(line, foot)
        normal = true_normal(foot, theta)
        point = np.array([foot, *truth(foot, theta)]) - depth * normal
        plane = station + (point[2] - pivot_wl) * np.tan(cant_rad)
        foot = float(plane + depth * normal[0])
    point[0] = plane
    return point


def true_section(frame: str = MISSING, *, step: float = 5.0) -> Array:
    """Return the true mould line of a square frame, from the crown down the starboard side.

    Returns
    -------
    ndarray, shape (n, 2)
        (bl, wl), mm, closed but without repeating the first point, about `step` apart.

    Examples
    --------
    >>> true_section("F14").shape
    (916, 2)
    """
    station = STATIONS[frame]
    arc = radii(station) * np.diff(_BOUNDS)
    girth = np.concatenate([[0.0], np.cumsum(arc)])
    half = np.linspace(0.0, girth[-1], int(np.ceil(girth[-1] / step)) + 1)
    theta = np.interp(half, girth, _BOUNDS)
    return truth(station, np.concatenate([theta, -theta[-2:0:-1]]))
