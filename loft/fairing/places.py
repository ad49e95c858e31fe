"""What can only be placed once a first surface stands: girth, laps, single coordinates."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from loft.job.records import Array, Damage, Job, Survey

if TYPE_CHECKING:
    from loft.fairing.surface import Surface

ANGLES = 720
SHALLOWEST = 0.3  # least part of the normal that a single coordinate must see


def needs_surface(job: Job, survey: Survey) -> bool:
    """Tell whether the survey has anything that a first surface must place."""
    by_girth = any(damage.girth is not None for damage in job.damages)
    single = np.isnan(survey.bl) != np.isnan(survey.wl)
    return bool(job.laps or by_girth or single.any())


def girth_of(surface: Surface, station: float, theta: Array) -> tuple[Array, float]:
    """Return the girth of angles at a station, from the crown line clockwise, and the whole.

    Good to about 0.01 mm; the lifted section computes its own more exactly.
    """
    start = float(surface.lines["CROWN"].theta(np.array(station))) if surface.lines else 0.0
    grid = start + np.linspace(0, 2 * np.pi, ANGLES + 1)
    outline = surface.points(np.array(station), grid)[:, 1:]
    run = np.r_[0.0, np.cumsum(np.hypot(*np.diff(outline, axis=0).T))]
    turn = np.mod(np.asarray(theta) - start, 2 * np.pi)
    return np.interp(turn, grid - start, run), float(run[-1])


def in_girth(girth: Array, length: float, limits: tuple[float, float]) -> NDArray[np.bool_]:
    """Tell which girths lie in a range; negative girths run down the port side.

    Examples
    --------
    >>> in_girth(np.array([50.0, 3950.0]), 4000.0, (-100.0, 100.0)).tolist()
    [True, True]
    """
    low, high = limits
    wide = (high - low) % length if high > low else (high - low) + length
    if high - low >= length:
        return np.ones(len(girth), bool)
    return np.mod(girth - low, length) <= wide


def survey_girth(surface: Surface, survey: Survey) -> tuple[Array, Array]:
    """Return each reading's girth and its section's whole girth; NaN where not placed."""
    girth, length = np.full(len(survey), np.nan), np.full(len(survey), np.nan)
    known = np.isfinite(survey.station) & np.isfinite(survey.bl) & np.isfinite(survey.wl)
    for x in np.unique(np.round(survey.station[known], 1)):
        at = np.flatnonzero(known & (np.round(survey.station, 1) == x))
        theta = surface.theta_of(survey.station[at], survey.bl[at], survey.wl[at])
        girth[at], length[at] = girth_of(surface, float(x), theta)
    return girth, length


def place_by_surface(surface: Surface, survey: Survey) -> tuple[Survey, NDArray[np.bool_]]:
    """Return the survey completed by a first surface, and which readings to fit.

    Laps deepen the readings in their girth range; damage given by girth is applied; a
    reading of one coordinate on a known line is completed on that line's angle.
    """
    survey = _single_coordinates(surface, survey)
    girth, length = survey_girth(surface, survey)
    depth, sigma = survey.depth.copy(), survey.sigma.copy()
    covariance, use = survey.covariance.copy(), survey.use.copy()
    reason = survey.reason.astype(object)
    for lap in surface.job.laps:
        there = np.isin(survey.frame, lap.frames) & _inside(girth, length, lap.girth)
        depth[there & (survey.face != "skin_outer")] += lap.extra
    for damage in surface.job.damages:
        if damage.girth is None:
            continue
        there = _meets(damage, survey) & _inside(girth, length, damage.girth)
        reason[there] = f"damage: {damage.reason}"
        if not damage.use:
            use[there] = False
        elif np.isfinite(damage.sigma):
            sigma[there] = np.maximum(sigma[there], damage.sigma)
            covariance[there] = sigma[there, None, None] ** 2 * np.eye(3)
    placed = replace(
        survey,
        depth=depth,
        sigma=sigma,
        covariance=covariance,
        use=use,
        reason=reason.astype(str),
    )
    wanted = use & np.isfinite(placed.bl) & np.isfinite(placed.wl) & np.isfinite(placed.station)
    return placed, wanted


def _inside(girth: Array, length: Array, limits: tuple[float, float]) -> NDArray[np.bool_]:
    out = np.zeros(len(girth), bool)
    for whole in np.unique(length[np.isfinite(length)]):
        at = length == whole
        out[at] = in_girth(girth[at], float(whole), limits)
    return out


def _meets(damage: Damage, survey: Survey) -> NDArray[np.bool_]:
    """Tell which readings meet the entry's selectors other than girth."""
    there = np.ones(len(survey), bool)
    if damage.frames:
        there &= np.isin(survey.frame, damage.frames)
    if damage.lines:
        there &= np.isin(survey.line, damage.lines)
    if damage.stations is not None:
        there &= (survey.station >= damage.stations[0]) & (survey.station <= damage.stations[1])
    if damage.rows:
        place = [f"{s}:{r}" for s, r in zip(survey.source, survey.row, strict=True)]
        there &= np.isin(place, damage.rows)
    return there


def _single_coordinates(surface: Surface, survey: Survey) -> Survey:
    """Complete readings of one coordinate on their line's angle; set the others aside."""
    bl, wl, sigma = survey.bl.copy(), survey.wl.copy(), survey.sigma.copy()
    station, use = survey.station.copy(), survey.use.copy()
    covariance, reason = survey.covariance.copy(), survey.reason.astype(object)
    for k in np.flatnonzero(np.isnan(bl) != np.isnan(wl)):
        run = surface.lines.get(str(survey.line[k]))
        if not use[k]:
            continue
        if run is None:
            use[k], reason[k] = False, "fit: one coordinate, and on no line that is known"
            continue
        if np.isnan(station[k]):
            station[k] = surface.job.frame(str(survey.frame[k])).station
        here = np.array(station[k])
        theta = run.theta(here)
        point = surface.points(here, theta)
        normal = surface.normals(here, theta)
        ahead = surface.points(here, theta + 1e-5)
        tangent = (ahead - point) / 1e-5
        axis = 1 if np.isnan(wl[k]) else 2
        if abs(normal[axis]) < SHALLOWEST:
            use[k] = False
            reason[k] = "fit: one coordinate, and it runs along the skin there"
            continue
        read = (bl if axis == 1 else wl)[k] + survey.depth[k] * normal[axis]
        centre = np.array(surface.reference.at(here)[axis - 1])
        grow = (read - centre) / (point[axis] - centre)
        arm = point - np.array([here, *surface.reference.at(here)[:2]])
        full = point + arm * np.array([0.0, 1.0, 1.0]) * (grow - 1)
        full = full - survey.depth[k] * normal
        bl[k], wl[k] = full[1], full[2]
        doubt = np.hypot(survey.sigma[k], tangent[axis] * float(run.sd(here)))
        sigma[k] = doubt / abs(normal[axis])
        covariance[k] = sigma[k] ** 2 * np.eye(3)
    return replace(
        survey,
        station=station,
        bl=bl,
        wl=wl,
        sigma=sigma,
        covariance=covariance,
        use=use,
        reason=reason.astype(str),
    )
