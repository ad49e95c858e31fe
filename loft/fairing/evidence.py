"""What the fairing rests on: residuals, settlement, and every frame predicted as if missing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loft.fairing.equations import gradient, polar
from loft.fairing.learner import FREEDOM, REJECT
from loft.fairing.section import NORMAL95
from loft.fairing.surface import Surface, fair, movement, settled_points, survey_frame
from loft.job.errors import LoftError
from loft.job.records import Array, Deviations, Holdouts, Settlements, Survey, freeze_arrays

DOUBT = 3.0  # standardised deviation from which a reading is doubted
MOST_LOST = 0.25  # of a frame's readings: past this it is the frame that is out


def deviation(surface: Surface, survey: Survey | None = None) -> Deviations:
    """Compare every reading with the surface.

    Deviation is the distance outside the mould line along its normal, after the face's
    depth and the settlement of the reading's frame. A reading past six standard
    deviations counts for nothing in the fit ("no"), one past three is "doubted".

    Parameters
    ----------
    surface : Surface
    survey : Survey, optional
        Default: the survey that the surface was faired from.

    Returns
    -------
    Deviations

    Examples
    --------
    >>> deviation(surface).used  # doctest: +SKIP
    """
    survey = surface.survey if survey is None else survey
    station, bl, wl = settled_points(surface, survey)
    error = surface.distance(station, bl, wl)
    moved, centre = movement(surface, survey)
    theta = surface.theta_of(station, bl, wl)
    columns = _columns(surface, station, bl, wl, centre)
    raw = error + np.einsum("nk,nk->n", columns, moved)
    standard = error / (surface.fit.variances.noise * survey.sigma)
    weight = np.minimum((FREEDOM + 1) / (FREEDOM + standard**2), 1.0)
    if not surface.job.fair.robust:
        weight = np.ones(len(survey))
    size = np.abs(standard)
    gone = ~survey.use | ~np.isfinite(error)
    robust = surface.job.fair.robust
    used = np.where(robust & (size > DOUBT), "doubted", "yes")
    used = np.where(robust & (size > REJECT), "no", used)
    used = np.where(gone, "no", used)
    weight = np.where(used == "no", 0.0, weight)
    return Deviations(
        deviation=error,
        standardised=standard,
        raw=raw,
        theta=theta,
        weight=weight,
        used=used,
        reason=_reasons(survey, error, size, used),
    )


def _reasons(survey: Survey, error: Array, size: Array, used: NDArray[np.str_]) -> NDArray[np.str_]:
    out = survey.reason.astype(object)
    for k in np.flatnonzero((used != "yes") & survey.use):
        if not np.isfinite(error[k]):
            text = "fit: a coordinate is unknown"
        else:
            where = "outside" if error[k] > 0 else "inside"
            text = f"fit: {abs(error[k]):.1f} mm {where}, {size[k]:.1f} standard deviations"
        out[k] = f"{out[k]}; {text}" if out[k] else text
    return out.astype(str)


def _columns(surface: Surface, station: Array, bl: Array, wl: Array, centre: Array) -> Array:
    """Effect of a frame's movement (bl, wl, roll, station) on deviation, shape (n, 4)."""
    theta, q, *_ = polar(surface.reference, station, bl, wl)
    _, rho_theta, rho_x = surface.shape(station, theta)
    fx, fy, fz = gradient(surface.reference, station, theta, q, rho_theta, rho_x)
    arm_bl, arm_wl = bl - centre[:, 0], wl - centre[:, 1]
    steep = np.hypot(fy, fz)
    return np.stack([fy, fz, fz * arm_bl - fy * arm_wl, -fx], -1) / steep[:, None]


def settlement(surface: Surface) -> Settlements:
    """Return the rigid movement of every surveyed frame, with its standard deviation."""
    fit = surface.fit
    rows = [int(g) for g in np.flatnonzero(fit.batch.settles)]
    names = [survey_frame(surface, g) for g in rows]
    shifts = fit.batch.shift_sigma[rows] > 0
    moved, sd = fit.moved[rows], fit.moved_sd[rows]
    still = np.array(surface.job.fair.settlement) <= 0
    moved = np.where(np.r_[still, False], 0.0, moved)
    sd = np.where(np.r_[still, False], 0.0, sd)
    return Settlements(
        frame=np.array(names, dtype=str),
        station=np.array([surface.job.frame(name).station for name in names]),
        d_bl=moved[:, 0],
        d_wl=moved[:, 1],
        roll=moved[:, 2],
        sd_bl=sd[:, 0],
        sd_wl=sd[:, 1],
        sd_roll=sd[:, 2],
        d_station=np.where(shifts, moved[:, 3], np.nan),
        sd_station=np.where(shifts, sd[:, 3], np.nan),
        centre_bl=fit.centre[rows, 0],
        centre_wl=fit.centre[rows, 1],
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class StationShifts:
    """Where each frame's readings would fit best, as if its station were unknown; (f,)."""

    frame: NDArray[np.str_]
    shift: Array  # mm aft of the stated station; NaN where nothing can be said
    sd: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)


@lru_cache(maxsize=4)
def kept(surface: Surface) -> Survey:
    """Return the survey of a surface without the readings that its fit rejected."""
    survey = surface.survey
    return replace(survey, use=survey.use & (deviation(surface).used != "no"))


@lru_cache(maxsize=64)  # the hold-out table, its pictures and the arcs' proof share them
def faired_without(surface: Surface, frame: str) -> Surface:
    """Fair the body again as if a frame were missing, for its outline alone (no lines).

    Readings that the full fit rejected are left out too; laps and damage by girth stay
    where the full surface has placed them.

    Raises
    ------
    LoftError
        What is left cannot be faired.

    Examples
    --------
    >>> from loft.demo import demo_surface
    >>> other = faired_without(demo_surface(), "F15")
    >>> bool((other.stations == 6640.0).any())
    False
    """
    survey, job = kept(surface), surface.job
    bare = replace(job, laps=(), damages=tuple(d for d in job.damages if d.girth is None))
    use = survey.use & (survey.frame != frame)
    return fair(bare, replace(survey, use=use), lines=False)


def holdout(
    surface: Surface, progress: Callable[[int, int], None] | None = None
) -> tuple[Holdouts, StationShifts]:
    """Predict every surviving frame without its own readings, by a true refit.

    Readings that the full fit rejected are left out on both sides; but a frame that lost
    more than a quarter of them stands elsewhere (a wrong station, a heavy fall) rather
    than being read badly, and is judged by all its readings. `rms` and `largest`
    are of the frame's readings less the predicted line, settlement not taken out;
    `coverage95` is the share inside the interval of a reading: surface, settlement
    prior and the reading's own sigma together.

    Parameters
    ----------
    surface : Surface
        Faired from the whole survey.
    progress : callable, optional
        Called with (done, of).

    Returns
    -------
    Holdouts, StationShifts
    """
    survey, used = surface.survey, deviation(surface).used != "no"
    judged = replace(survey, use=survey.use & (used | _displaced(survey, used)))
    frames = [f for f in surface.job.frames if (judged.use & (judged.frame == f.name)).any()]
    results = []
    for number, frame in enumerate(frames):
        if progress:
            progress(number, len(frames))
        end = frame in (frames[0], frames[-1])
        results.append(_predict(surface, judged, frame.name, end))
    if progress:
        progress(len(frames), len(frames))
    table = list(zip(*results, strict=True))
    names = np.array([frame.name for frame in frames], dtype=str)
    return (
        Holdouts(
            frame=names,
            station=np.array([frame.station for frame in frames]),
            points=np.array(table[0], dtype=np.int64),
            rms=np.array(table[1]),
            largest=np.array(table[2]),
            coverage95=np.array(table[3]),
            band95=np.array(table[4]),
            note=np.array(table[5], dtype=str),
        ),
        StationShifts(frame=names, shift=np.array(table[6]), sd=np.array(table[7])),
    )


Prediction = tuple[int, float, float, float, float, str, float, float]


def _displaced(survey: Survey, used: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Tell which readings are of frames that lost more than MOST_LOST of theirs."""
    out = np.zeros(len(survey), bool)
    for name in np.unique(survey.frame[survey.frame != ""]):
        mine = (survey.frame == name) & survey.use
        if mine.any() and (~used[mine]).mean() > MOST_LOST:
            out |= mine
    return out


def _predict(whole: Surface, judged: Survey, frame: str, end: bool) -> Prediction:
    nothing = np.nan
    try:
        surface = faired_without(whole, frame)
    except LoftError as refusal:
        note = f"cannot be predicted: {refusal.findings[0].text}"
        return 0, nothing, nothing, nothing, nothing, note, nothing, nothing
    known = np.isfinite(judged.bl) & np.isfinite(judged.wl)
    at = np.flatnonzero((judged.frame == frame) & judged.use & known)
    own = _pick(judged, at)
    station, bl, wl = settled_points(surface, own)
    error = surface.distance(station, bl, wl)
    middle = float(np.mean(station))
    centre = np.stack(surface.reference.at(station)[:2], -1)
    columns = _columns(surface, station, bl, wl, centre)
    theta = surface.theta_of(station, bl, wl)
    steep = np.hypot(*surface.slopes(station, theta)[:, 1:].T)
    design = surface.design(middle, theta, station - middle) / steep[:, None]
    line = design @ surface.spread(middle)[1] @ design.T
    still = np.array(surface.job.fair.settlement) <= 0
    rigid = columns[:, :3] * np.where(still, 0, np.sqrt(surface.fit.variances.settle))
    noise = surface.fit.variances.noise * own.sigma
    total = line + rigid @ rigid.T + np.diag(noise**2)
    inside = np.abs(error) <= NORMAL95 * np.sqrt(np.diag(total))
    shift, sd = _station_shift(error, columns[:, 3], total, noise)
    return (
        len(at),
        float(np.sqrt(np.mean(error**2))),
        float(error[np.argmax(np.abs(error))]),
        float(np.mean(inside)),
        float(NORMAL95 * np.sqrt(np.mean(np.diag(line)))),
        "extrapolated" if end else "",
        nothing if end else shift,
        nothing if end else sd,
    )


def _pick(survey: Survey, index: NDArray[np.int64]) -> Survey:
    """Return the survey's readings at `index`."""
    arrays: dict[str, Any] = {
        name: value[index] for name, value in vars(survey).items() if isinstance(value, np.ndarray)
    }
    return replace(survey, **arrays)


def _station_shift(
    error: Array, by_station: Array, covariance: Array, noise: Array
) -> tuple[float, float]:
    """Generalised least squares of one fore-and-aft shift, robust to single readings."""
    weight = np.ones(len(error))
    shift, sd = 0.0, np.nan
    for _ in range(4):
        whole = covariance + np.diag(noise**2 * (1 / np.maximum(weight, 0.02) - 1))
        told = np.linalg.solve(whole, np.stack([by_station, error], -1))
        know = float(by_station @ told[:, 0])
        if know <= 0:
            return float("nan"), float("nan")
        shift, sd = float(by_station @ told[:, 1]) / know, 1 / np.sqrt(know)
        left = error - shift * by_station
        explained = covariance - np.diag(noise**2)
        left = left - explained @ np.linalg.solve(whole, left)
        weight = (FREEDOM + 1) / (FREEDOM + (left / noise) ** 2)
    return shift, sd
