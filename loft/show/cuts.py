"""Cuts through the faired surface, and what is drawn on it: lines, differences, mean deviation.

Nothing here supplies a number of its own: every value is read off the surface, or is a
stated mean of readings.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.distance import cdist

from loft.fairing.section import plane_station
from loft.job.records import Array, Frame, Line

SIDES = {"starboard": 1.0, "port": -1.0}


class LineRun(Protocol):
    """A named line of the surface: its record and where it runs."""

    @property
    def line(self) -> Line:
        """The line's record."""

    @property
    def first(self) -> float:
        """The first station it was read at."""

    @property
    def last(self) -> float:
        """The last."""

    def theta(self, station: Any) -> Array:
        """Return the angle of the line on the section, radians."""


class Loft(Protocol):
    """What the drawings ask of a faired surface."""

    @property
    def stations(self) -> Array:
        """Stations of the surveyed frames."""

    @property
    def lines(self) -> Mapping[str, LineRun]:
        """Lines by name."""

    def points(self, station: Any, theta: Any) -> Array:
        """Return points (station, bl, wl), mm."""

    def normals(self, station: Any, theta: Any) -> Array:
        """Return outward unit normals."""

    def sd(self, station: Any, theta: Any) -> Array:
        """Return one standard deviation along the normal, mm."""


class Remembered:
    """A surface that keeps the nets of points it was asked for; many cuts share one net.

    Examples
    --------
    >>> from loft.demo import demo_surface
    >>> surface = Remembered(demo_surface())
    >>> net = np.array([[6160.0]]), np.array([[0.0, 1.0]])
    >>> surface.points(*net) is surface.points(*net)
    True
    """

    def __init__(self, surface: Loft):
        self.surface = surface
        self.stations, self.lines = surface.stations, surface.lines
        self.normals, self.sd = surface.normals, surface.sd
        self.nets: dict[tuple[bytes, bytes], Array] = {}

    def points(self, station: ArrayLike, theta: ArrayLike) -> Array:
        """Return points (station, bl, wl), mm; a net only once."""
        x, t = np.asarray(station, dtype=np.float64), np.asarray(theta, dtype=np.float64)
        if x.ndim < 2 and t.ndim < 2:
            return self.surface.points(x, t)
        key = (x.tobytes(), t.tobytes())
        if key not in self.nets:
            self.nets[key] = self.surface.points(x, t)
        return self.nets[key]


def waterline(
    surface: Loft, station: ArrayLike, *, wl: float, side: str, steepest: float = np.pi / 2
) -> Array:
    """Return the outermost buttock line of a waterline at each station.

    Parameters
    ----------
    surface : Loft
    station : array_like, shape (n,)
        mm.
    wl : float
        Height of the waterline, mm.
    side : str
        ``port`` or ``starboard``.
    steepest : float
        Greatest angle between the skin's normal and the offset that is still read, radians;
        a cut nearer to edge-on is left out.

    Returns
    -------
    bl : ndarray, shape (n,)
        mm, port negative; NaN where the section does not reach the waterline on that side.

    Raises
    ------
    KeyError
        `side` is neither port nor starboard.

    Examples
    --------
    >>> from loft.demo import demo_surface
    >>> port = waterline(demo_surface(), [6160.0], wl=900.0, side="port")
    >>> bool(-620.0 < port[0] < -590.0)
    True
    """
    sign = SIDES[side]
    return _cut(
        surface, station, value=wl, sign=sign, axis=2, read=1, prefer=sign, steepest=steepest
    )


def buttock(
    surface: Loft, station: ArrayLike, *, bl: float, branch: str, steepest: float = np.pi / 2
) -> Array:
    """Return the height of a buttock line at each station, mm; NaN where the body is narrower.

    Parameters
    ----------
    surface : Loft
    station : array_like, shape (n,)
        mm.
    bl : float
        The buttock line, mm, port negative, not 0.
    branch : str
        ``upper`` or ``lower``.
    steepest : float
        As for `waterline`.

    Returns
    -------
    wl : ndarray, shape (n,)
        mm.

    Examples
    --------
    >>> from loft.demo import demo_surface
    >>> buttock(demo_surface(), [6160.0], bl=-900.0, branch="upper")
    array([nan])
    """
    prefer = {"upper": 1.0, "lower": -1.0}[branch]
    sign = 1.0 if bl >= 0 else -1.0
    return _cut(
        surface, station, value=bl, sign=sign, axis=1, read=2, prefer=prefer, steepest=steepest
    )


def _cut(
    surface: Loft,
    station: ArrayLike,
    *,
    value: float,
    sign: float,
    axis: int,
    read: int,
    prefer: float,
    steepest: float,
) -> Array:
    """Read coordinate `read` where coordinate `axis` is `value`, on the half of that `sign`.

    Of several crossings the one with the greatest ``prefer * coordinate`` is taken.
    """
    station = np.asarray(station, dtype=np.float64)
    theta = sign * np.linspace(0.0, np.pi, 181)
    grid = surface.points(station[:, None], theta[None, :])
    gap = grid[..., axis] - value
    crosses = (gap[:, :-1] < 0) != (gap[:, 1:] < 0)
    rank = np.where(crosses, prefer * grid[:, :-1, read], -np.inf)
    cell = rank.argmax(axis=1)
    found = crosses[np.arange(len(station)), cell]
    row = np.arange(len(station))
    low, high = theta[cell], theta[cell + 1]
    below, above = gap[row, cell], gap[row, cell + 1]
    moved = np.zeros(len(station))
    for _ in range(9):  # Illinois rule: chords that keep their bracket (Dowell, Jarratt 1971)
        flat = above == below
        middle = (low * above - high * below) / np.where(flat, 1.0, above - below)
        middle = np.where(flat, low, middle)
        here = surface.points(station, middle)[:, axis] - value
        same = (here < 0) == (below < 0)
        above = np.where(same, np.where(moved > 0, above / 2, above), here)
        below = np.where(same, here, np.where(moved < 0, below / 2, below))
        low, high = np.where(same, middle, low), np.where(same, high, middle)
        moved = np.where(same, 1.0, -1.0)
    reading = surface.points(station, middle)[:, read]
    normal = surface.normals(station, middle)
    found &= np.abs(normal[:, read]) >= np.cos(steepest) - 1e-12
    return np.where(found, reading, np.nan)


def followed(cut: Callable[[Array], Array], station: Array) -> tuple[Array, Array]:
    """Follow a cut along the stations right up to where it runs out of the body.

    Parameters
    ----------
    cut : callable
        Stations to offsets, NaN where there is none.
    station : ndarray, shape (n,)
        Rising, mm.

    Returns
    -------
    station, offset : ndarray, shape (m,)
        The stations with others added close to the ends of the cut.

    Examples
    --------
    >>> at, offset = followed(lambda x: np.sqrt(np.where(x < 5, 5 - x, np.nan)), np.arange(9.0))
    >>> bool(offset[np.isfinite(offset)].min() < 0.01)
    True
    """
    known = np.isfinite(cut(station))
    extra = []
    for cell in np.flatnonzero(known[:-1] != known[1:]):
        ends = station[[cell, cell + 1]] if known[cell] else station[[cell + 1, cell]]
        inside, near, far = ends[0], ends[0], ends[1]
        for _ in range(4):  # sixteenfold narrower at each look
            look = np.linspace(near, far, 17)
            first = int(np.flatnonzero(~np.isfinite(cut(look))).min(initial=16))
            near, far = look[max(first - 1, 0)], look[first]
        extra.append(near + (inside - near) * (np.arange(25) / 24.0) ** 2)
    at = np.unique(np.concatenate([station, *extra]))
    return at, cut(at)


def second_differences(station: ArrayLike, offset: ArrayLike) -> tuple[Array, Array]:
    """Return second divided differences of offsets along unequal stations.

    Twice the second divided difference, that is the second derivative of the parabola
    through three neighbouring ordinates; it belongs to the mean of their stations, where
    it is exact for a cubic. Multiplied by the square of a frame space it is the second
    difference that a loftsman takes on equal stations. Triples with an unknown offset
    are left out.

    Parameters
    ----------
    station, offset : array_like, shape (n,)
        mm, stations rising.

    Returns
    -------
    station, difference : ndarray, shape (m,)
        mm and 1/mm.

    Raises
    ------
    ValueError
        The stations do not rise.

    Examples
    --------
    >>> where, difference = second_differences([0, 20, 40, 80], [20.0, 19.8, 19.2, 16.8])
    >>> difference.round(6)
    array([-0.001, -0.001])
    """
    x, y = np.asarray(station, dtype=np.float64), np.asarray(offset, dtype=np.float64)
    if (np.diff(x) <= 0).any():
        raise ValueError("stations must rise from one ordinate to the next")
    slope = np.diff(y) / np.diff(x)
    difference = 2.0 * np.diff(slope) / (x[2:] - x[:-2])
    known = np.isfinite(difference)
    return ((x[:-2] + x[1:-1] + x[2:]) / 3.0)[known], difference[known]


def levels(low: float, high: float, *, spacing: float, most: int) -> Array:
    """Return round levels between `low` and `high`, at most `most`, multiples of `spacing`.

    Without a spacing (NaN) round ones of 1, 2 or 5 times a power of ten are taken; a
    given spacing is doubled, then taken fivefold and so on until few enough are left.

    Examples
    --------
    >>> levels(-310.0, 290.0, spacing=100.0, most=4)
    array([-200.,    0.,  200.])
    """
    base = spacing if spacing > 0 else 10.0
    for factor in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000):
        step = base * factor
        first, last = np.floor(low / step) + 1, np.ceil(high / step) - 1
        if last - first < most:
            return np.arange(first, last + 1) * step
    return np.zeros(0)


def outline(surface: Loft, station: ArrayLike) -> dict[str, Array]:
    """Return how far the body reaches at each station: top, bottom, starboard, port, mm.

    Examples
    --------
    >>> from loft.demo import demo_surface
    >>> sorted(outline(demo_surface(), [6160.0]))
    ['bottom', 'port', 'starboard', 'top']
    """
    station = np.asarray(station, dtype=np.float64)
    theta = np.linspace(-np.pi, np.pi, 721)
    point = surface.points(station[:, None], theta[None, :])
    return {
        "top": point[..., 2].max(axis=1),
        "bottom": point[..., 2].min(axis=1),
        "starboard": point[..., 1].max(axis=1),
        "port": point[..., 1].min(axis=1),
    }


def line_stations(run: LineRun, station: ArrayLike) -> Array:
    """Return those of the stations that lie where the line is known.

    Examples
    --------
    >>> from loft.demo import demo_surface
    >>> line_stations(demo_surface().lines["S4P"], [0.0, 6160.0])
    array([6160.])
    """
    station = np.asarray(station, dtype=np.float64)
    return station[(station >= run.first - 1e-6) & (station <= run.last + 1e-6)]


def mean_deviation(
    place: Array, reading: Array, *, deviation: Array, weight: Array, reach: tuple[float, float]
) -> tuple[Array, Array]:
    """Return the weighted mean deviation of the readings near each place of the skin.

    Readings are weighted by their own weight and by their distance along and across the
    body (a bell of standard deviation `reach`).

    Parameters
    ----------
    place : ndarray, shape (n, 3)
        Points of the skin (station, bl, wl), mm.
    reading : ndarray, shape (m, 3)
        Where the readings stand on it, mm.
    deviation, weight : ndarray, shape (m,)
        mm, positive outside the loft; and each reading's share in the fit.
    reach : tuple of float
        Along the stations and across them, mm.

    Returns
    -------
    mean : ndarray, shape (n,)
        mm; NaN where there are no readings at all.
    away : ndarray, shape (n,)
        Distance to the nearest reading that counts, in reaches. Beyond two the mean
        says nothing about the place.

    Examples
    --------
    >>> place = np.array([[0.0, 0.0, 500.0], [900.0, 0.0, 500.0]])
    >>> mean, away = mean_deviation(
    ...     place, place[:1], deviation=np.array([1.5]), weight=np.ones(1), reach=(300.0, 150.0)
    ... )
    >>> mean[0].round(3), away
    (np.float64(1.5), array([0., 3.]))
    """
    mean, away = np.full(len(place), np.nan), np.full(len(place), np.inf)
    counts = weight > 0
    reading, deviation, weight = reading[counts], deviation[counts], weight[counts]
    if not len(reading):
        return mean, away
    scale = np.array([reach[0], reach[1], reach[1]])
    place, reading = place / scale, reading / scale
    for start in range(0, len(place), 256):  # more would not fit the cache
        block = slice(start, start + 256)
        square = cdist(place[block], reading, "sqeuclidean")
        nearest = square.min(axis=1)
        bell = np.exp((nearest[:, None] - square) / 2.0) * weight
        mean[block] = bell @ deviation / bell.sum(axis=1)
        away[block] = np.sqrt(nearest)
    return mean, away


def reach_of(stations: Array, girth: float) -> tuple[float, float]:
    """Return the reach of the mean deviation: two thirds of a frame space, a 24th of the girth.

    Examples
    --------
    >>> reach_of(np.array([0.0, 300.0, 600.0]), 2400.0)
    (200.0, 100.0)
    """
    return float(np.median(np.diff(stations))) * 2.0 / 3.0, girth / 24.0


def frame_curves(surface: Loft, frames: Sequence[Frame]) -> dict[str, NDArray[np.float64]]:
    """Return the closed curve (station, bl, wl) of every frame, first point repeated, mm.

    Examples
    --------
    >>> from loft.demo import demo_surface
    >>> surface = demo_surface()
    >>> frame_curves(surface, surface.job.frames)["F11"].shape
    (361, 3)
    """
    curves = {}
    theta = np.linspace(0.0, 2.0 * np.pi, 361)
    for frame in frames:
        station = np.broadcast_to(plane_station(surface, frame, theta), theta.shape)
        curves[frame.name] = surface.points(station, theta)
    return curves
