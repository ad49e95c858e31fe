"""The Corncrake's empty bay as a scanner saw it from two set-ups.

Rays are cast on the bay as it stood: skin, stringers, the webs and flanges of F13 and
F15, and what stood in the way (a bracket, a cable, a prop, two boards). The first thing
that a ray meets is what is seen, so that everything throws its shadow. Where the skin is
torn out the hangar's wall is seen through the hole.
"""

from __future__ import annotations

import datetime
import io
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loft.corncrake import (
    GAUGE,
    STATIONS,
    STRINGER,
    STRINGERS,
    Array,
    girth_share,
    half_girth,
    true_deviation,
    true_place,
)
from loft.job.units import MM_PER

FROM, TO = 5600.0, 6740.0  # what was cut out of the scans before they were handed over
RAYS = 3.4  # mm between rays at 600 mm
SIGMA = 0.8  # of a range, mm
MIXED = 0.004  # share of points between an edge and what lies behind it
WIDTH = 19.0  # of a stringer's crest
WEB = 75.0  # depth of a frame
FLANGE, SHEET = 19.0, 1.2  # of the frames' outer flanges, which face forward
BOWED, BOW = "S10P", 12.0  # a stringer that has come off the skin
TORN = 4.5, 8.5  # stringers between which the starboard skin is gone
CABLE = (-470.0, 1330.0), 6.0  # bl and wl, radius
PROP = (6040.0, 150.0), 25.0  # station and bl, radius
BRACKET = ((6210.0, -620.0, 985.0), (6330.0, -548.0, 1080.0))  # corners
BOARDS = 262.0, (60.0, 250.0), (5760.0, 6460.0)  # wl, bl to each side, station
WALL = 2600.0  # bl of the hangar's wall
FAR = 6000.0
STEPS = 8  # of a ray towards the skin


@dataclass(frozen=True, kw_only=True)
class SetUp:
    """Where the scanner stood, how its axes were turned, and in what unit it counts."""

    name: str
    place: tuple[float, float, float]  # station, bl, wl
    turned_deg: float  # about the vertical
    leaning_deg: tuple[float, float]  # about its own x and y
    unit: str
    suffix: str

    @property
    def axes(self) -> Array:
        """Shape (3, 3): the scanner's own axes in aircraft axes, as columns."""
        c, s = np.cos(np.deg2rad(self.turned_deg)), np.sin(np.deg2rad(self.turned_deg))
        a, b = np.deg2rad(self.leaning_deg)
        turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
        roll = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
        lean = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
        return np.asarray(turn @ roll @ lean)

    def seen(self, points: Array) -> Array:
        """Return points (station, bl, wl) in mm as the scanner gives them."""
        return np.asarray((points - np.array(self.place)) @ self.axes / MM_PER[self.unit])


SET_UPS = (
    SetUp(
        name="fore", place=(5930.0, -120.0, 820.0), turned_deg=37.0, leaning_deg=(1.2, -0.7),
        unit="m", suffix="ply",
    ),
    SetUp(
        name="aft", place=(6420.0, 90.0, 1010.0), turned_deg=-128.0, leaning_deg=(-0.4, 1.6),
        unit="ft", suffix="laz",
    ),
)  # fmt: skip


def _directions(set_up: SetUp, random: np.random.Generator) -> Array:
    """Return the rays' directions (n, 3), even over the sphere, in aircraft axes."""
    rings = int(np.pi * 600.0 / RAYS)
    tilt = (np.arange(rings) + 0.5) / rings * np.pi
    count = np.maximum((2 * np.pi * 600.0 * np.sin(tilt) / RAYS).astype(int), 1)
    tilt = np.repeat(tilt, count)
    start = np.repeat(np.cumsum(count) - count, count)
    turn = (np.arange(len(tilt)) - start + random.random(len(tilt))) * 2 * np.pi
    turn /= np.repeat(count, count)
    own = np.stack([np.sin(tilt) * np.cos(turn), np.sin(tilt) * np.sin(turn), np.cos(tilt)], 1)
    return np.asarray(own @ set_up.axes.T)


@dataclass(frozen=True, eq=False)
class _Rays:
    """Rays from one place; arrays of shape (n, 3)."""

    start: Array
    way: Array

    def at(self, reach: Array) -> Array:
        return np.asarray(self.start + reach[:, None] * self.way)

    def some(self, which: NDArray[np.bool_]) -> _Rays:
        return _Rays(self.start, self.way[which])

    def to_depth(self, depth: Array, reach: Array, steps: int) -> Array:
        """Return how far along each ray the face `depth` inside the mould line is met."""
        for _ in range(steps):
            point = self.at(reach)
            station = np.clip(point[:, 0], FROM - 500.0, TO + 500.0)
            outside, theta = true_place(station, point[:, 1], point[:, 2])
            # a deviation lies in the section's plane, a depth square to the skin: the bevel
            # of this bay is 0.4 degrees at the crown and 5.6 at the keel
            bevel = 0.05 * (1.0 - np.cos(theta))
            meets = self.way[:, 1] * np.sin(theta) + self.way[:, 2] * np.cos(theta)
            reach = reach - (outside + depth / np.cos(bevel)) / np.clip(meets, 0.3, 1.0)
            reach = np.clip(reach, 0.0, FAR)
        return reach


def line_numbers(points: Array) -> Array:
    """Return on which stringer points lie, in numbers from the crown, positive to starboard.

    Examples
    --------
    >>> line_numbers(np.array([[6160.0, 0.0, 1690.0]])).tolist()
    [0.0]
    """
    theta = true_place(points[:, 0], points[:, 1], points[:, 2])[1]
    return girth_share(points[:, 0], theta) * (STRINGERS + 1)


def _skin_and_stringers(rays: _Rays) -> tuple[Array, NDArray[np.bool_]]:
    """Return the reach to skin or stringer, and where the skin is torn out."""
    plain = np.full(len(rays.way), GAUGE)
    skin = rays.to_depth(plain, np.full(len(rays.way), 600.0), STEPS)
    foot = rays.at(skin)
    ahead = np.min([(STATIONS[name] - foot[:, 0]) % 1e4 for name in ("F13", "F15")], axis=0)
    skin = rays.to_depth(plain + np.where(ahead < FLANGE, SHEET, 0.0), skin, 1)
    line = line_numbers(foot)
    share = (foot[:, 0] - STATIONS["F13"]) / (STATIONS["F15"] - STATIONS["F13"])
    bow = BOW * np.sin(np.pi * np.clip(share, 0.0, 1.0))
    bowed = np.round(line) == -int(BOWED[1:-1])
    crest = rays.to_depth(plain + STRINGER + np.where(bowed, bow, 0.0), skin - STRINGER, 4)
    pitch = half_girth(foot[:, 0]) / (STRINGERS + 1)
    before, after = line_numbers(rays.at(crest)), line
    stringer = np.clip(np.round(np.where(bowed, line, before)), -STRINGERS, STRINGERS)
    whole = (np.abs(stringer) >= 1) & ~((TORN[0] < stringer) & (stringer < TORN[1]) & _open(foot))
    half = WIDTH / 2.0 / pitch
    here, there = before - stringer, after - stringer
    on_crest = whole & (np.abs(here) < half)
    edge = np.where(here > 0.0, half, -half)
    crossed = whole & ~on_crest & ((here - edge) * (there - edge) < 0.0)
    part = np.where(crossed, (edge - here) / np.where(crossed, there - here, 1.0), 1.0)
    reach = np.where(on_crest, crest, crest + part * (skin - crest))
    torn = (TORN[0] < line) & (line < TORN[1]) & _open(foot) & ~on_crest & ~crossed
    return reach, torn


def _open(foot: Array) -> NDArray[np.bool_]:
    """Tell where, along the stations, the torn skin is gone."""
    return np.asarray((foot[:, 0] > STATIONS["F13"] + 25.0) & (foot[:, 0] < STATIONS["F15"] - 25.0))


def _first_between(near: Array, far: Array) -> Array:
    """Return where a ray enters, FAR where it does not."""
    return np.where((near <= far) & (near > 0.0), near, FAR)


def _round_bar(rays: _Rays, place: tuple[float, float], radius: float, axes: list[int]) -> Array:
    """Return the reach to a round bar square to two axes."""
    start, way = rays.start[axes] - np.array(place), rays.way[:, axes]
    a, b = (way**2).sum(axis=1), way @ start
    root = b**2 - a * (start @ start - radius**2)
    reach = (-b - np.sqrt(np.maximum(root, 0.0))) / a
    return np.where((root > 0.0) & (reach > 0.0), reach, FAR)


def _in_the_way(rays: _Rays) -> Array:
    """Return the reach to the nearest of what is neither skin nor stringer, FAR for none."""
    with np.errstate(divide="ignore"):
        one, other = ((np.array(corner) - rays.start) / rays.way for corner in BRACKET)
    box = _first_between(np.minimum(one, other).max(axis=1), np.maximum(one, other).min(axis=1))
    found = [box, _round_bar(rays, CABLE[0], CABLE[1], [1, 2])]
    prop = _round_bar(rays, PROP[0], PROP[1], [0, 1])
    found.append(np.where(rays.at(prop)[:, 2] > BOARDS[0], prop, FAR))
    level, across, along = BOARDS
    down = np.where(rays.way[:, 2] < 0.0, (level - rays.start[2]) / rays.way[:, 2], FAR)
    point = rays.at(down)
    on = (np.abs(point[:, 1]) > across[0]) & (np.abs(point[:, 1]) < across[1])
    on &= (point[:, 0] > along[0]) & (point[:, 0] < along[1])
    found.append(np.where(on, down, FAR))
    for name in ("F13", "F15"):
        reach = (STATIONS[name] - rays.start[0]) / rays.way[:, 0]
        point = rays.at(np.clip(reach, 0.0, FAR))
        depth = -true_deviation(point[:, 0], point[:, 1], point[:, 2])
        found.append(np.where((reach > 0) & (depth > GAUGE) & (depth < WEB), reach, FAR))
    return np.min(found, axis=0)


def scan_bay(set_up: SetUp, random: np.random.Generator) -> Array:
    """Return what a set-up sees of the fair bay, (n, 3) as (station, bl, wl) in mm.

    Examples
    --------
    >>> points = scan_bay(SET_UPS[0], np.random.default_rng(1))
    >>> bool(points[:, 0].min() > FROM), bool(points[:, 0].max() < TO)
    (True, True)
    """
    rays = _Rays(np.array(set_up.place), _directions(set_up, random))
    # what would be met beyond the part that was handed over is not worth its computing
    rays = rays.some(np.abs(rays.way[:, 0]) < 0.9)
    metal, torn = _skin_and_stringers(rays)
    with np.errstate(divide="ignore"):
        wall = np.where(rays.way[:, 1] > 0, (WALL - rays.start[1]) / rays.way[:, 1], FAR)
    reach = np.minimum(np.where(torn, wall, metal), _in_the_way(rays))
    mixed = np.flatnonzero(random.random(len(reach)) < MIXED)
    reach[mixed] += np.minimum(random.exponential(20.0, len(mixed)), 200.0) * np.where(
        random.random(len(mixed)) < 0.5, -1.0, 1.0
    )
    reach += random.normal(0.0, SIGMA, len(reach))
    points = rays.at(reach)
    kept = (points[:, 0] > FROM) & (points[:, 0] < TO) & (reach < FAR - 100.0)
    return points[kept]


def ply_bytes(points: Array) -> bytes:
    """Return points as a binary PLY of single precision.

    Examples
    --------
    >>> ply_bytes(np.zeros((2, 3)))[:3]
    b'ply'
    """
    head = f"ply\nformat binary_little_endian 1.0\nelement vertex {len(points)}\n"
    head += "".join(f"property float {axis}\n" for axis in "xyz") + "end_header\n"
    return head.encode() + points.astype("<f4").tobytes()


def laz_bytes(points: Array, *, step: float) -> bytes:
    """Return points as a LAZ whose numbers go in steps of `step`.

    Raises
    ------
    ImportError
        laspy or its LAZ backend is not installed.

    Examples
    --------
    >>> laz_bytes(np.zeros((2, 3)), step=0.001)[:4]
    b'LASF'
    """
    import laspy

    header = laspy.LasHeader(point_format=0, version="1.2")
    header.creation_date = datetime.date(1988, 5, 12)
    header.generating_software = "the Corncrake's scan"
    header.scales = np.full(3, step)
    header.offsets = np.zeros(3)
    record = laspy.ScaleAwarePointRecord.zeros(len(points), header=header)
    record.x, record.y, record.z = points.T
    held = io.BytesIO()
    with laspy.open(held, mode="w", header=header, do_compress=True, closefd=False) as file:
        file.write_points(record)
    return held.getvalue()
