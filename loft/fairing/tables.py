"""The fairing's tables as text: lengths in the job's unit, degrees, blank where unknown."""

from __future__ import annotations

import hashlib
import itertools

import numpy as np

from loft.fairing.places import girth_of
from loft.fairing.surface import Surface
from loft.job.caution import CAUTION, SHAPE_ONLY
from loft.job.files import table_text
from loft.job.records import Array, Deviations, Holdouts, Job, Section, Settlements, Survey
from loft.job.units import MM_PER

SECTION = (
    "girth", "bl", "wl", "normal_bl", "normal_wl", "bevel_deg", "radius", "sd", "band95",
    "band95_all", "station", "height", "side", "bevel_sd_deg",
)  # fmt: skip
STRINGERS = ("line", "girth", "bl", "wl", "normal_deg", "bevel_deg", "slope_deg", "sd")
ADJACENT = (
    "frame", "line", "station", "bl", "wl", "deviation", "standardised", "used", "reason",
    "raw_deviation",
)  # fmt: skip
HOLDOUT = ("frame", "station", "points", "rms", "max", "coverage95", "band95", "note")
SETTLEMENT = (
    "frame", "d_bl", "d_wl", "roll_deg", "sd_bl", "sd_wl", "sd_roll_deg", "d_station",
    "sd_station",
)  # fmt: skip
SURFACE = ("station", "girth", "bl", "wl", "sd")
EVERY = 50.0  # mm between stations and, at most, between girths of surface.csv


def _heading(job: Job, *lines: str) -> list[str]:
    told = f"{job.title}, revision {job.revision}" if job.revision else job.title
    return [told, f"lengths in {job.unit}, angles in degrees. {CAUTION}", *lines]


def section_text(section: Section, job: Job) -> str:
    """Return section.csv: the whole closed mould line, from the crown down starboard."""
    u = MM_PER[job.unit]
    plane = f"station {section.station / u:.4f}"
    if section.cant:
        plane += (
            f", canted {np.rad2deg(section.cant):.5f} about waterline {section.pivot_wl / u:.4f}"
        )
    rows = zip(
        section.girth / u, section.bl / u, section.wl / u, section.normal_bl,
        section.normal_height, np.rad2deg(section.bevel), section.radius / u, section.sd / u,
        section.band95 / u, section.band95_all / u, section.station_at / u, section.height / u,
        section.side, np.rad2deg(section.bevel_sd), strict=True,
    )  # fmt: skip
    return table_text(
        SECTION,
        rows,
        _heading(
            job,
            f"frame {section.frame}, {plane}; mould line from {section.source}",
            f"girth {section.length / u:.4f} once round, 0 at the {section.zero}, clockwise "
            "looking forward",
            "band95: each point by itself; band95_all: the whole outline at once",
        ),
    )


def section_hash(text: str) -> str:
    """Return what names a section: the first 12 hex digits of its SHA-256."""
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def stringers_text(section: Section, job: Job) -> str:
    """Return stringers.csv: where every line crosses the frame's plane."""
    u, cross = MM_PER[job.unit], section.crossings
    rows = zip(
        cross.line, cross.girth / u, cross.bl / u, cross.wl / u, np.rad2deg(cross.normal),
        np.rad2deg(cross.bevel), np.rad2deg(cross.slope), cross.sd / u, strict=True,
    )  # fmt: skip
    heading = _heading(job, f"frame {section.frame}; sd along the girth")
    return table_text(STRINGERS, rows, heading)


def adjacent_text(survey: Survey, found: Deviations, job: Job) -> str:
    """Return adjacent.csv: every reading against the surface."""
    u = MM_PER[job.unit]
    rows = zip(
        survey.frame, survey.line, survey.station / u, survey.bl / u, survey.wl / u,
        found.deviation / u, found.standardised, found.used, found.reason, found.raw / u,
        strict=True,
    )  # fmt: skip
    heading = _heading(job, "deviation: + where metal stands outside the mould line")
    return table_text(ADJACENT, rows, heading)


def holdout_text(held: Holdouts, job: Job) -> str:
    """Return holdout.csv: every surviving frame predicted without its own readings."""
    u = MM_PER[job.unit]
    rows = zip(
        held.frame, held.station / u, held.points, held.rms / u, held.largest / u,
        held.coverage95, held.band95 / u, held.note, strict=True,
    )  # fmt: skip
    return table_text(HOLDOUT, rows, _heading(job))


def settlement_text(found: Settlements, job: Job) -> str:
    """Return settlement.csv: the rigid movement of every surveyed frame."""
    u = MM_PER[job.unit]
    rows = zip(
        found.frame, found.d_bl / u, found.d_wl / u, np.rad2deg(found.roll), found.sd_bl / u,
        found.sd_wl / u, np.rad2deg(found.sd_roll), found.d_station / u, found.sd_station / u,
        strict=True,
    )  # fmt: skip
    low, high = found.centre_wl.min() / u, found.centre_wl.max() / u
    return table_text(
        SETTLEMENT,
        rows,
        _heading(
            job,
            "where the metal stands less where it should: subtract to correct; roll + lifts "
            "starboard",
            f"roll turns about buttock line {found.centre_bl.mean() / u:.1f}, waterline "
            f"{low:.1f} to {high:.1f} (the reference centre of each frame)",
        ),
    )


def surface_text(surface: Surface, job: Job) -> str:
    """Return surface.csv: the loft at every frame and every 50 mm."""
    u = MM_PER[job.unit]
    first, last = surface.stations[0], surface.stations[-1]
    frames = [f.station for f in job.frames if first <= f.station <= last]
    steps = np.arange(np.ceil(first / EVERY) * EVERY, last, EVERY)
    rows: list[tuple[object, ...]] = []
    for station in np.unique(np.round(np.r_[first, steps, frames, last], 4)):
        theta, girth = even_girth(surface, float(station), EVERY)
        points = surface.points(np.array(station), theta)
        sd = surface.sd(np.array(station), theta)
        rows += zip(
            (points[:, 0] / u).tolist(), (girth / u).tolist(), (points[:, 1] / u).tolist(),
            (points[:, 2] / u).tolist(), (sd / u).tolist(), strict=True,
        )  # fmt: skip
    heading = _heading(job, "square cuts of the mould line; girth from the crown line")
    return table_text(SURFACE, rows, heading)


def even_girth(surface: Surface, station: float, widest: float) -> tuple[Array, Array]:
    """Return angles and girths evenly spaced round one station, at most `widest` mm apart."""
    start = float(surface.lines["CROWN"].theta(np.array(station)))
    grid = start + np.linspace(0, 2 * np.pi, 721)
    run, length = girth_of(surface, station, grid[:-1])
    count = int(np.ceil(length / widest))
    girth = length * np.arange(count) / count
    return np.interp(girth, np.r_[run, length], grid), girth


def loft_grid(surface: Surface, apart: float, around: int) -> tuple[Array, list[int]]:
    """Return the loft as a grid of points and the columns that are chines.

    Parameters
    ----------
    surface : Surface
    apart : float
        Greatest distance between stations, mm.
    around : int
        Columns round the girth, from the crown; a column runs along every chine.

    Returns
    -------
    points : ndarray, shape (n, around or more, 3)
        (station, bl, wl).
    breaks : list of int
    """
    first, last = surface.stations[0], surface.stations[-1]
    stations = np.linspace(first, last, int(np.ceil((last - first) / apart)) + 1)
    crown = surface.lines["CROWN"].theta(stations)
    turns = [
        np.mod(surface.lines[name].theta(stations) - crown, 2 * np.pi) for name in surface.chines
    ]
    turns = sorted(turns, key=lambda turn: float(turn.mean()))
    edges = [np.zeros(len(stations)), *turns, np.full(len(stations), 2 * np.pi)]
    theta, breaks, column = [], [], 0
    for low, high in itertools.pairwise(edges):
        share = float((high - low).mean()) / (2 * np.pi)
        if share < 1e-6:
            continue
        count = max(round(share * around), 8)
        theta.append(
            crown[:, None] + low[:, None] + (high - low)[:, None] * np.arange(count) / count
        )
        breaks.append(column)
        column += count
    return surface.points(
        stations[:, None], np.concatenate(theta, 1)
    ), breaks if surface.chines else []


def surface_stl(surface: Surface) -> bytes:
    """Return the loft as a binary STL: an open tube, outward winding, aircraft axes in mm."""
    grid, _ = loft_grid(surface, 40.0, 240)
    nxt = np.roll(grid, -1, axis=1)
    a, b, c, d = grid[:-1], nxt[:-1], nxt[1:], grid[1:]
    triangles = np.concatenate([np.stack([a, d, c], 2), np.stack([a, c, b], 2)], 1)
    triangles = triangles.reshape(-1, 3, 3)
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    record = np.zeros(
        len(triangles), dtype=[("normal", "<f4", 3), ("corner", "<f4", (3, 3)), ("spare", "<u2")]
    )
    record["normal"], record["corner"] = normal, triangles
    head = f"mould line, aircraft axes station bl wl, mm; {SHAPE_ONLY}".encode().ljust(80)
    return head + np.uint32(len(triangles)).tobytes() + record.tobytes()
