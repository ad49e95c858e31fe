"""The faired mould-line surface: fit it, and read points, normals and spread off it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from loft.fairing import basis
from loft.fairing.carried import place_variance
from loft.fairing.chines import Chines, find_chines
from loft.fairing.equations import gradient, polar
from loft.fairing.fit import Fit, fit_surface
from loft.fairing.folds import refuse_folded
from loft.fairing.lines import LineRun, angles, fit_lines, fixed_line
from loft.fairing.reference import Reference, fit_reference
from loft.fairing.rows import (
    FREE_SPACING,
    Row,
    frame_ellipses,
    knot_stations,
    make_batch,
    sort_rows,
)
from loft.fairing.smoother import RUN_UNIT, along, between, make_run
from loft.fairing.thinning import FIRST, scanned, stand_for_one, thinned
from loft.job.errors import LoftError
from loft.job.records import Array, Frame, Job, Line, Survey

FEWEST = 4  # frames with readings
CLOSE = 100  # readings of one row that show the finer shapes: four for each


@dataclass(frozen=True, eq=False, kw_only=True)
class Surface:
    """A faired surface.

    Parameters
    ----------
    job, survey : Job, Survey
        What it was faired from, `survey` as the fit used it (laps in the depths,
        girth damage applied, single coordinates completed).
    fit : Fit
    lines : dict of str to LineRun
    chines : tuple of str
        Lines at which the section's tangent may break.
    stations : ndarray
        Stations of the surveyed frames; first and last bound the surveyed run.
    first_chines : Chines or None
        The chines' first angles, before their places were fitted.
    """

    job: Job
    survey: Survey
    fit: Fit
    lines: dict[str, LineRun]
    chines: tuple[str, ...]
    stations: Array
    first_chines: Chines | None

    @property
    def reference(self) -> Reference:
        """The reference body."""
        return self.fit.reference

    def chine_theta(self, station: Array) -> Array | None:
        """Angles of the chines at `station` (any shape), one more axis; None without."""
        return self._chine_angles(station)[0] if self.chines else None

    def _chine_angles(self, station: Array) -> tuple[Array, Array]:
        return angles([self.lines[name] for name in self.chines], station)

    def shape(self, station: Array, theta: Array) -> tuple[Array, Array, Array]:
        """Return rho, d rho/d theta and d rho/d station (mm, mm/rad, mm/mm)."""
        station, theta = np.broadcast_arrays(np.asarray(station, float), np.asarray(theta, float))
        modes = self.fit.modes
        k = modes.shapes
        alone = station.size and bool((station == station.flat[0]).all())
        place = np.array(station.flat[0]) if alone else station
        value, slope, _ = along(self.fit.run, self.fit.posterior.states, place)
        chines, turn = self._chine_angles(place) if self.chines else (None, np.zeros(0))
        phi, dphi = basis.evaluate(modes, theta, chines)
        value, slope = value[..., :k], slope[..., :k]
        rho_x = (phi * slope).sum(-1)
        if chines is not None:
            pull = basis.chine_pull(modes, np.broadcast_to(value, phi.shape), theta, chines)
            rho_x = rho_x + (pull * turn).sum(-1)
        return (phi * value).sum(-1), (dphi * value).sum(-1), rho_x

    def points(self, station: Array, theta: Array) -> Array:
        """Return points (station, bl, wl), shape of the arguments broadcast and (3,)."""
        station, theta = np.broadcast_arrays(np.asarray(station, float), np.asarray(theta, float))
        q = self.shape(station, theta)[0] / self.reference.r0
        cy, cz, a, b = self.reference.at(station)
        return np.stack([station, cy + a * q * np.sin(theta), cz + b * q * np.cos(theta)], -1)

    def slopes(self, station: Array, theta: Array) -> Array:
        """Return the gradient of F by (station, bl, wl); it points outwards."""
        station, theta = np.broadcast_arrays(np.asarray(station, float), np.asarray(theta, float))
        rho, rho_theta, rho_x = self.shape(station, theta)
        parts = gradient(self.reference, station, theta, rho / self.reference.r0, rho_theta, rho_x)
        return np.stack(parts, -1)

    def normals(self, station: Array, theta: Array) -> Array:
        """Return outward unit normals (station, bl, wl)."""
        slope = self.slopes(station, theta)
        return slope / np.linalg.norm(slope, axis=-1, keepdims=True)

    def spread(self, station: float) -> tuple[Array, Array]:
        """Return the coefficients' state and covariance at one station."""
        modes = self.fit.modes
        stiffness = self.fit.variances.run[modes.run] * modes.stiff
        return between(self.fit.run, self.fit.posterior, stiffness, station)

    def common(self, station: float) -> Array:
        """Return the variance that scans give the surface there as a whole, (2,), mm^2.

        Across and up. All readings of a scan share its registration, so that fairing does not
        lessen it: the mean over the readings about `station`, by their weight. With it what
        the frames' movements give the skin between them. Zeros where all was taped.
        """
        survey = self.survey
        out = place_variance(self, station)
        if survey.shared.any():
            near = np.flatnonzero(survey.use & np.isfinite(survey.station))
            weight = np.exp(-np.abs(survey.station[near] - station) / RUN_UNIT)
            weight = weight / survey.sigma[near] ** 2
            out += weight @ survey.shared[near] ** 2 / weight.sum()
        return out

    def sd(self, station: Array, theta: Array) -> Array:
        """Return one standard deviation of the mould line along its normal, mm."""
        station, theta = np.broadcast_arrays(np.asarray(station, float), np.asarray(theta, float))
        slopes = self.slopes(station, theta)[..., 1:]
        steep = np.hypot(*np.moveaxis(slopes, -1, 0))
        out = np.zeros(station.shape)
        for here in np.unique(station):
            at = station == here
            design = self.design(here, theta[at])
            covariance = self.spread(float(here))[1]
            own = ((design @ covariance) * design).sum(1) / steep[at] ** 2
            own += (slopes[at] / steep[at][:, None]) ** 2 @ self.common(float(here))
            out[at] = np.sqrt(own)
        return out

    def design(self, station: float, theta: Array, off: Array | float = 0.0) -> Array:
        """Return d rho/d state at points `off` mm aft of `station`, shape (n, 2b)."""
        modes = self.fit.modes
        chines = self.chine_theta(station + np.broadcast_to(off, theta.shape))
        phi, _ = basis.evaluate(modes, theta, chines)
        if chines is not None:
            value = along(self.fit.run, self.fit.posterior.states, np.array(station))[0]
            value = np.broadcast_to(value[: modes.shapes], phi.shape)
            pull = basis.chine_pull(modes, value, theta, chines)
            phi = np.concatenate([phi, pull @ modes.place_mix / self.reference.r0], -1)
        return np.concatenate([phi, np.reshape(off, (-1, 1)) / RUN_UNIT * phi], -1)

    def theta_of(self, station: Array, bl: Array, wl: Array) -> Array:
        """Return the angle at which a point lies, radians."""
        return polar(self.reference, station, bl, wl)[0]

    def distance(self, station: Array, bl: Array, wl: Array) -> Array:
        """Return the distance of points outside the surface along its in-plane normal, mm."""
        theta, q, *_ = polar(self.reference, station, bl, wl)
        rho, rho_theta, rho_x = self.shape(station, theta)
        _, by_bl, by_wl = gradient(self.reference, station, theta, q, rho_theta, rho_x)
        return (q * self.reference.r0 - rho) / np.hypot(by_bl, by_wl)

    def lift(self, frame: Frame):  # type: ignore[no-untyped-def]
        """Take the section of `frame` off the surface; see `loft.fairing.section.lift`."""
        from loft.fairing.section import lift

        return lift(self, frame)


def fair(job: Job, survey: Survey, *, lines: bool = True) -> Surface:
    """Fair a mould-line surface through the survey.

    Readings are robust (Student's t), frames may settle rigidly, smoothness is learned,
    chines and breaks are those the job marks. Skin laps and damage given by girth, and
    readings of one coordinate, need the surface itself: where the job has any, a first
    surface places them and a second uses them.

    Parameters
    ----------
    job : Job
    survey : Survey
        In aircraft axes, from `read_survey`.
    lines : bool
        Fit the lines too (without them no crossings are known, chines excepted).

    Returns
    -------
    Surface

    Raises
    ------
    LoftError
        Fewer than four frames with readings, a section that is not star-shaped about
        its centre, or a marked chine that was read at fewer than two stations.

    Examples
    --------
    >>> from loft.demo import demo_surface  # doctest: +SKIP
    """
    from loft.fairing.places import needs_surface, place_by_surface

    wanted = survey.use & np.isfinite(survey.bl) & np.isfinite(survey.wl)
    wanted &= np.isfinite(survey.station)
    first, runs = needs_surface(job, survey), scanned(job, survey, wanted)
    entering = thinned(wanted, runs, FIRST)
    surface = _fair_once(job, survey, wanted, entering, lines=lines or first)
    if first:
        survey, wanted = place_by_surface(surface, survey)
        runs = scanned(job, survey, wanted)
        entering = thinned(wanted, runs, FIRST)
        surface = _fair_once(job, survey, wanted, entering, lines=lines)
    every = stand_for_one(surface.distance(*settled_points(surface, survey)), runs) if runs else 1
    if runs and every != FIRST:
        surface = _fair_once(job, survey, wanted, thinned(wanted, runs, every), lines=lines)
    return surface


def _fair_once(
    job: Job,
    survey: Survey,
    wanted: NDArray[np.bool_],
    entering: NDArray[np.bool_],
    *,
    lines: bool,
) -> Surface:
    """Fair through the readings in `entering`; shapes and knots go by all that are `wanted`."""
    rows = sort_rows(job, survey, wanted)
    framed = [row for row in rows if row.frame]
    if len({row.frame for row in framed}) < FEWEST:
        raise LoftError(
            f"only {len(framed)} frames have usable readings; at least {FEWEST} are wanted to "
            "fair a surface: survey another frame or trust one that is set aside"
        )
    symmetry = job.fair.symmetry
    centred = symmetry != "off"
    carriers, ellipses = frame_ellipses(rows, survey, mirrored=centred)
    refuse_folded(carriers, survey, ellipses)
    stations = np.array([row.station for row in carriers])
    if len(stations) < FEWEST:
        raise LoftError(
            f"only {len(stations)} frames have six readings or more; at least {FEWEST} are "
            "wanted: take more points on a frame"
        )
    breaks = tuple(mark.station for mark in job.breaks)
    reference = fit_reference(stations, ellipses, centred=centred, breaks=breaks)
    run = make_run(knot_stations(rows), breaks)
    chines = find_chines(survey, wanted, reference, symmetry)
    entered = tuple(replace(row, index=row.index[entering[row.index]]) for row in rows)
    batch = make_batch(job, survey, entered, run, chines.mark if chines else None)
    surveyed = np.unique([row.station for row in framed])
    fit = fit_surface(
        batch,
        reference,
        _modes(rows, symmetry, chines),
        run,
        settlement=job.fair.settlement,
        chines=chines,
        robust=job.fair.robust,
    )
    runs = _chine_runs(fit, chines, survey, surveyed) if chines else {}
    surface = Surface(
        job=job,
        survey=survey,
        fit=fit,
        lines=runs,
        chines=tuple(runs),
        stations=surveyed,
        first_chines=chines,
    )
    return replace(surface, lines=_all_lines(surface, wanted) | runs) if lines else surface


def _modes(rows: tuple[Row, ...], symmetry: str, chines: Chines | None) -> basis.Modes:
    """Return the shapes to fit: finer ones where some row's readings stand close enough."""
    close = max(len(row.index) for row in rows) >= CLOSE
    harmonics = basis.FINE_HARMONICS if close else basis.HARMONICS
    pairs, centred = (chines.pairs, chines.centred) if chines else ((), ())
    return basis.choose_modes(symmetry, pairs, centred, harmonics=harmonics)


def _chine_runs(fit: Fit, chines: Chines, survey: Survey, surveyed: Array) -> dict[str, LineRun]:
    """Return the chines as fitted: first angles moved by their places."""
    knots, k, b = fit.run.station, fit.modes.shapes, len(fit.modes)
    mix, r0 = fit.modes.place_mix, fit.reference.r0
    value = chines.theta(knots) * r0 + fit.posterior.states[:, k:b] @ mix.T
    slope = chines.turn(knots) * r0 * RUN_UNIT + fit.posterior.states[:, b + k :] @ mix.T
    spread = np.einsum("cp,mpq,cq->mc", mix, fit.posterior.covariance[:, k:b, k:b], mix)
    return {
        line.name: LineRun(
            line=line,
            first=float(surveyed[0]),
            last=float(surveyed[-1]),
            readings=int((survey.line == line.name).sum()),
            scale=r0,
            run=fit.run,
            states=np.stack([value[:, c], slope[:, c]], -1),
            variance=spread[:, c],
        )
        for c, line in enumerate(chines.lines)
    }


def settled_points(surface: Surface, survey: Survey) -> tuple[Array, Array, Array]:
    """Return the readings' mould-line points with settlement and face depth taken out.

    Shape (n,) each: station, bl, wl. Depth is applied along the surface's normal.
    """
    station, bl, wl = survey.station.copy(), survey.bl.copy(), survey.wl.copy()
    known = np.isfinite(station) & np.isfinite(bl) & np.isfinite(wl)
    at = np.flatnonzero(known)
    points = np.stack([station[at], bl[at], wl[at]], -1)
    for _ in range(2 if survey.depth[at].any() else 0):
        theta = surface.theta_of(*points.T)
        normal = surface.normals(points[:, 0], theta)
        raw = np.stack([station[at], bl[at], wl[at]], -1)
        points = raw + survey.depth[at][:, None] * normal
    station[at], bl[at], wl[at] = points.T
    moved, centre = movement(surface, survey)
    d_bl, d_wl, roll, d_station = moved.T
    arm_bl, arm_wl = bl - centre[:, 0], wl - centre[:, 1]
    return station + d_station, bl - d_bl + roll * arm_wl, wl - d_wl - roll * arm_bl


def movement(surface: Surface, survey: Survey) -> tuple[Array, Array]:
    """Return how every reading's frame or scan moved (n, 4) and its roll centre (n, 2)."""
    moved, centre = np.zeros((len(survey), 4)), np.zeros((len(survey), 2))
    fit = surface.fit
    for g in np.flatnonzero(fit.batch.moves):
        name = survey_frame(surface, int(g))
        mine = survey.frame == name
        if not name:
            first = fit.batch.own[g][fit.batch.held[g]][0]
            mine &= survey.source == surface.survey.source[first]
            mine &= np.abs(survey.station - surface.survey.station[first]) <= FREE_SPACING
        moved[mine], centre[mine] = fit.moved[g], fit.centre[g]
    return moved, centre


def survey_frame(surface: Surface, row: int) -> str:
    """Return the name of the frame of one row of the fit, "" between frames."""
    own = surface.fit.batch.own[row]
    return str(surface.survey.frame[own[own >= 0][0]])


def _all_lines(surface: Surface, wanted: NDArray[np.bool_]) -> dict[str, LineRun]:
    """Fit every labelled line on the faired surface; crown and keel stand in if unread."""
    survey = surface.survey
    ends = float(surface.stations[0]), float(surface.stations[-1])
    label = np.full(len(survey), -1)
    for k, line in enumerate(survey.lines):
        label[survey.line == line.name] = k
    mine = np.flatnonzero((label >= 0) & wanted)
    station, bl, wl = (part[mine] for part in settled_points(surface, survey))
    theta = surface.theta_of(station, bl, wl)
    rho, rho_theta, _ = surface.shape(station, theta)
    _, _, a, b = surface.reference.at(station)
    q, q1 = rho / surface.reference.r0, rho_theta / surface.reference.r0
    sin, cos = np.sin(theta), np.cos(theta)
    pace = np.hypot(a * (q1 * sin + q * cos), b * (q1 * cos - q * sin))
    runs = fit_lines(
        survey.lines,
        label[mine],
        station,
        theta,
        survey.sigma[mine] / pace,
        scale=surface.reference.r0,
        ends=ends,
    )
    named = {line.name: line for line in survey.lines}
    for name, kind, angle in (("CROWN", "crown", 0.0), ("KEEL", "keel", np.pi)):
        if name not in runs:
            line = named.get(name, Line(name=name, kind=kind, side="centre"))
            runs[name] = fixed_line(line, angle, *ends)
    return runs
