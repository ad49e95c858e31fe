"""What the picture, the window and the page show, as plain arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loft.job.records import Array, Evidence, Job, Section, Survey
from loft.show.colour import Bands, bands_for
from loft.show.cuts import Loft, frame_curves, line_stations, mean_deviation, reach_of
from loft.show.extras import Extra, settled
from loft.show.words import fate

NEAR = 2.0
MARKS = ("used", "doubted", "rejected", "damaged")


@dataclass(frozen=True, eq=False, kw_only=True)
class Skin:
    """The surface as a net; arrays of shape (stations, angles), ends joined."""

    point: Array  # (..., 3)
    theta: Array
    normal: Array  # (..., 3)
    mean: Array  # mean deviation of the readings near
    away: Array  # distance to the nearest reading, in reaches; beyond NEAR the mean says nothing
    sd: Array
    reach: tuple[float, float]


@dataclass(frozen=True, eq=False, kw_only=True)
class Readings:
    """The readings where they stand on the skin; arrays of shape (n,)."""

    point: Array  # (n, 3), on the mould line
    normal: Array  # (n, 3)
    theta: Array
    weight: Array
    deviation: Array
    mark: NDArray[np.str_]
    frame: NDArray[np.str_]
    line: NDArray[np.str_]
    bl: Array  # as read
    wl: Array
    reason: NDArray[np.str_]


@dataclass(frozen=True, eq=False, kw_only=True)
class Ribbon:
    """A lifted section and its 95 % band, drawn `times` as wide as it is."""

    name: str
    curve: Array  # (n + 1, 3), closed
    inner: Array
    outer: Array
    times: float
    half: float  # mean half breadth of the band as it is, mm


@dataclass(frozen=True, eq=False, kw_only=True)
class Scene:
    """Everything that is shown."""

    title: str
    skin: Skin
    bands: Bands
    frames: dict[str, Array]
    missing: tuple[str, ...]
    lines: dict[str, Array]
    readings: Readings
    ribbons: tuple[Ribbon, ...]
    extras: tuple[Extra, ...]  # shown when asked for


def scene_of(
    job: Job,
    survey: Survey,
    surface: Loft,
    sections: Sequence[Section],
    evidence: Evidence,
    *,
    net: tuple[int, int] = (121, 144),
    extras: Sequence[Extra] = (),
) -> Scene:
    """Gather what is shown: skin, frames, lines, readings, lifted sections.

    Parameters
    ----------
    job, survey, surface, sections, evidence
        As for `loft.show.lines.lines_drawing`.
    net : tuple of int
        Stations and angles of the skin's net.
    extras : sequence of Extra
        More layers, shown when asked for (`loft.show.extras.extras_of`).

    Returns
    -------
    Scene

    Examples
    --------
    >>> scene_of(job, survey, surface, sections, evidence).bands.step  # doctest: +SKIP
    1.0
    """
    loft: Any = surface  # told apart by identity, as every record is
    bare = _bare(job, survey, loft, tuple(sections), evidence, net)
    return replace(bare, extras=(*bare.extras, *extras))


@lru_cache(maxsize=1)  # picture, page and report of one run show one scene
def _bare(
    job: Job,
    survey: Survey,
    surface: Loft,
    sections: tuple[Section, ...],
    evidence: Evidence,
    net: tuple[int, int],
) -> Scene:
    readings = readings_of(survey, surface, evidence)
    stands = [frame.station for frame in job.frames if not frame.cant]
    skin = skin_of(surface, readings, net=net, rows=stands)
    return Scene(
        title=job.title,
        skin=skin,
        bands=bands_for(np.where(skin.away <= NEAR, skin.mean, np.nan)),
        frames=frame_curves(surface, job.frames),
        missing=job.missing,
        lines={name: curve for name in surface.lines if len(curve := _run(surface, name)) > 1},
        readings=readings,
        ribbons=tuple(ribbon_of(section) for section in sections),
        extras=settled(job, surface, evidence.settlements),
    )


def skin_of(
    surface: Loft, readings: Readings, *, net: tuple[int, int], rows: Sequence[float] = ()
) -> Skin:
    """Return the skin as a net, with the mean deviation of the readings near each knot.

    Only readings that the fit used, doubted ones by their weight, enter the mean. The
    surveyed stations and `rows` are rows of the net whatever its spacing.

    Examples
    --------
    >>> skin_of(surface, readings, net=(81, 120)).mean.shape  # doctest: +SKIP
    (81, 121)
    """
    first, last = surface.stations[0], surface.stations[-1]
    extra = [station for station in rows if first <= station <= last]
    along = np.unique(np.concatenate([np.linspace(first, last, net[0]), surface.stations, extra]))
    round_ = np.linspace(0.0, 2.0 * np.pi, net[1] + 1)
    station, theta = np.meshgrid(along, round_, indexing="ij")
    point = surface.points(station, theta)
    girth = float(np.linalg.norm(np.diff(point[len(along) // 2], axis=0), axis=1).sum())
    reach = reach_of(surface.stations, girth)
    good = np.isin(readings.mark, ("used", "doubted"))
    good &= np.isfinite(readings.deviation) & np.isfinite(readings.point).all(axis=1)
    mean, away = mean_deviation(
        point.reshape(-1, 3),
        readings.point[good],
        deviation=readings.deviation[good],
        weight=readings.weight[good],
        reach=reach,
    )
    return Skin(
        point=point,
        theta=theta,
        normal=surface.normals(station, theta),
        mean=mean.reshape(station.shape),
        away=away.reshape(station.shape),
        sd=surface.sd(station, theta),
        reach=reach,
    )


def readings_of(survey: Survey, surface: Loft, evidence: Evidence) -> Readings:
    """Return every reading with its place on the mould line and what became of it.

    A reading whose place on the skin is unknown (a canted frame's half-breadth without a
    height) keeps NaN and is not drawn.

    Examples
    --------
    >>> readings_of(survey, surface, evidence).mark[0]  # doctest: +SKIP
    'used'
    """
    deviations = evidence.deviations
    placed = np.isfinite(survey.station) & np.isfinite(deviations.theta)
    station = np.where(placed, survey.station, surface.stations[0])
    theta = np.where(placed, deviations.theta, 0.0)
    lost = np.where(placed, 0.0, np.nan)[:, None]
    return Readings(
        point=surface.points(station, theta) + lost,
        normal=surface.normals(station, theta) + lost,
        theta=deviations.theta,
        weight=deviations.weight,
        deviation=deviations.deviation,
        mark=np.array(fate(evidence), dtype="U8"),
        frame=survey.frame,
        line=survey.line,
        bl=survey.bl,
        wl=survey.wl,
        reason=deviations.reason,
    )


def ribbon_of(section: Section) -> Ribbon:
    """Return a lifted section with its 95 % band, widened until it can be seen.

    The band is drawn a round number of times as wide as it is, so that its mean half
    breadth is up to a thirtieth of the section's height.

    Examples
    --------
    >>> ribbon_of(section).times  # doctest: +SKIP
    10.0
    """
    up = np.array([np.sin(section.cant), 0.0, np.cos(section.cant)])
    curve = np.stack([section.station_at, section.bl, section.wl], axis=1)
    outward = section.normal_height[:, None] * up
    outward[:, 1] += section.normal_bl
    half = np.where(np.isfinite(section.band95), section.band95, 0.0)
    wanted = np.ptp(section.height) / 30.0 / max(float(half.mean()), 1e-9)
    times = float(max(step for step in (1, 2, 5, 10, 20, 50, 100) if step <= max(wanted, 1.0)))
    offset = times * half[:, None] * outward
    closed = [np.vstack([part, part[:1]]) for part in (curve, curve - offset, curve + offset)]
    return Ribbon(
        name=section.frame, curve=closed[0], inner=closed[1], outer=closed[2], times=times,
        half=float(half.mean()),
    )  # fmt: skip


def _run(surface: Loft, name: str) -> Array:
    run = surface.lines[name]
    along = np.linspace(surface.stations[0], surface.stations[-1], 121)
    at = line_stations(run, along)
    return surface.points(at, run.theta(at)) if len(at) else np.zeros((0, 3))
