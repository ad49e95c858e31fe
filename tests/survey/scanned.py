"""Scans of the Corncrake made at run time: her skin, her clutter, her frames."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from loft.corncrake import (
    CANT_DEG,
    CANTED,
    GAUGE,
    LINES,
    MISSING,
    PIVOT_WL,
    STATIONS,
    STRINGER,
    line_theta,
    touched,
    true_normal,
    truth,
)
from loft.job.records import CloudSet, Frame, Job
from loft.survey.gather import survey_of
from loft.survey.tables import Reading

SPREAD = 0.8
FROM, TO = 5640.0, 6680.0  # F13, the missing F14, F15
STRINGER_NAMES = tuple(name for name in LINES if name not in ("CROWN", "KEEL"))


def corncrake(touch=0.0, **more):
    frames = tuple(
        Frame(
            name=name,
            station=station,
            cant=np.deg2rad(CANT_DEG) if name == CANTED else 0.0,
            pivot_wl=PIVOT_WL if name == CANTED else 0.0,
            status="missing" if name == MISSING else "sound",
            stands="on_skin",
            touch=0.0 if name == MISSING else touch,
        )
        for name, station in STATIONS.items()
    )
    given = {"skin_gauge": GAUGE, "stringer_depth": STRINGER, "stringer_width": 19.0} | more
    path = Path("job.toml")
    return Job(path=path, title="", unit="mm", missing=(MISSING,), frames=frames, **given)


def at_depth(station, theta, depth):
    """Points of the face `depth` inside the mould line, (station, bl, wl)."""
    station, theta = np.broadcast_arrays(np.asarray(station, float), theta)
    point = np.concatenate([station[..., None], truth(station, theta)], axis=-1)
    return point - np.asarray(depth)[..., None] * true_normal(station, theta)


def near_slabs(rng, count, *stations, half=20.0):
    """Stations of points within `half` of the given ones, so that none are made in vain."""
    return rng.choice(np.array(stations), count) + rng.uniform(-half, half, count)


def skin(rng, station, *, depth=GAUGE, spread=SPREAD, port=-np.pi, starboard=np.pi):
    """Points even in angle, off along the normal by the scanner's spread."""
    theta = rng.uniform(port, starboard, len(station))
    return at_depth(station, theta, depth + rng.normal(0.0, spread, len(station)))


def crests(rng, station, *, width=19.0, spread=SPREAD):
    """Points on the inner edges of all stringers."""
    name = rng.integers(0, len(STRINGER_NAMES), len(station))
    theta = np.zeros(len(station))
    for k, label in enumerate(STRINGER_NAMES):
        here = name == k
        theta[here] = line_theta(label, station[here])
    depth = GAUGE + STRINGER + rng.normal(0.0, spread, len(station))
    across = rng.uniform(-width / 2, width / 2, len(station))
    flat = np.stack([np.zeros(len(station)), np.cos(theta), -np.sin(theta)], axis=1)
    return at_depth(station, theta, depth) + across[:, None] * flat


def without_hidden(points, width=19.0):
    """Leave out the skin that a stringer hides; where it runs is taken every 40 mm."""
    keep = np.ones(len(points), bool)
    block = np.round(points[:, 0] / 40.0)
    for station in np.unique(block):
        here = np.flatnonzero(block == station)
        for label in STRINGER_NAMES:
            line = touched(label, 40.0 * station)[1:]
            keep[here] &= np.hypot(*(points[here, 1:] - line).T) > width / 2
    return points[keep]


def by_hand(rng, lines=STRINGER_NAMES, frames=("F13", "F15"), sigma=1.5, wrong=()):
    """The flanges of frames at some lines, taped with the usual scatter; `wrong` 100 mm up."""
    readings = []
    for frame in frames:
        for line in lines:
            station, bl, wl = touched(line, STATIONS[frame], depth=GAUGE)
            bl, wl = np.array([bl, wl]) + rng.normal(0.0, sigma, 2)
            wl += 100.0 if (frame, line) in wrong else 0.0
            readings.append(
                Reading(frame=frame, line=line, station=station, bl=bl, wl=wl, sigma=sigma,
                        face="frame_flange", depth=GAUGE, source="tape.csv", row=len(readings) + 2)
            )  # fmt: skip
    return survey_of(corncrake(), readings)


def half(rng, port, starboard, between=("F13", "F15")):
    """Part of a bay's inside: skin, stringers and the webs of the frames at its ends."""
    webs = [STATIONS[frame] for frame in between]
    ends = webs[0] - 30.0, webs[1] + 30.0
    hull = without_hidden(skin(rng, rng.uniform(*ends, 220_000), port=port, starboard=starboard))
    edges = crests(rng, rng.uniform(*ends, 60_000))
    theta = np.arctan2(edges[:, 1], edges[:, 2] - 900.0)
    parts = [hull, edges[(theta > port) & (theta < starboard)]]
    for station in webs:
        place = skin(rng, np.full(15_000, station), port=port, starboard=starboard)
        inward = rng.uniform(0.0, 75.0, len(place))
        arm = place[:, 1:] - (0.0, 900.0)
        place[:, 1:] -= arm / np.hypot(*arm.T)[:, None] * inward[:, None]
        place[:, 0] += rng.normal(0.0, SPREAD, len(place))
        parts.append(place)
    return np.concatenate(parts)


def bay(rng, skin_points=400_000, crest_points=90_000):
    station = rng.uniform(FROM, TO, skin_points)
    return (
        without_hidden(skin(rng, station)),
        crests(rng, rng.uniform(FROM, TO, crest_points)),
    )


def off_line(survey):
    """Off the true inner edge: outwards, round the section, and the stated sd of each."""
    rows = []
    for k in range(len(survey)):
        place = touched(survey.line[k], survey.station[k], depth=GAUGE + STRINGER)
        theta = float(line_theta(survey.line[k], survey.station[k]))
        out, around = np.array([[np.sin(theta), np.cos(theta)], [np.cos(theta), -np.sin(theta)]])
        away = np.array([survey.bl[k], survey.wl[k]]) - place[1:]
        spread = survey.covariance[k, 1:, 1:]
        rows.append((away @ out, away @ around,
                     np.sqrt(out @ spread @ out), np.sqrt(around @ spread @ around)))  # fmt: skip
    return np.array(rows).T


def write(path, points, kind="<f8"):
    """Write a PLY of the points as they stand."""
    head = f"ply\nformat binary_little_endian 1.0\nelement vertex {len(points)}\n"
    name = {"<f8": "double", "<f4": "float"}[kind]
    head += "".join(f"property {name} {axis}\n" for axis in "xyz") + "end_header\n"
    path.write_bytes(head.encode() + points.astype(kind).tobytes())
    return path


def scan_of(path, face="skin_inner", unit="mm", sigma=SPREAD):
    return CloudSet(file=path, sigma=sigma, face=face, unit=unit)


@dataclass
class Moved:
    """A registration: the test's own, exact unless a covariance is given."""

    rotation: np.ndarray
    translation: np.ndarray
    sd: float = 0.0

    def covariance_at(self, points):
        return np.broadcast_to(self.sd**2 * np.eye(3), (len(points), 3, 3))
