"""Readings of every kind in the fit: canted frames, crowded scans, adjusted points."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import simulated as sim

from loft.fairing.evidence import deviation, settlement
from loft.fairing.surface import fair
from loft.job.records import Frame

MISSING = 5


def canted_survey(body, frame: Frame, angles, rng, sigma: float):
    """Readings in a canted plane: their stations follow it."""
    theta = np.array(list(angles.values()))
    x = np.full(len(theta), frame.station)
    for _ in range(30):
        x = frame.station + (body.points(x, theta)[:, 2] - frame.pivot_wl) * np.tan(frame.cant)
    place = body.points(x, theta)
    place[:, 1:] += rng.normal(0.0, sigma, (len(theta), 2))
    rows = [(frame.name, n, *p) for n, p in zip(angles, place, strict=True)]
    return sim.make_survey(rows, sigma=sigma)


def joined(one, two):
    arrays = {
        name: np.concatenate([value, getattr(two, name)])
        for name, value in vars(one).items()
        if isinstance(value, np.ndarray)
    }
    return replace(one, **arrays)


def test_canted_frames_are_read_in_their_own_planes():
    """Three frames lean by 8 degrees, 100 mm over their height: exact readings, exact body."""
    body = sim.barrel()
    cant = np.deg2rad(8.0)
    frames = tuple(
        replace(f, cant=cant, pivot_wl=50.0) if f.name in ("F4", "F5", "F8") else f
        for f in sim.frames_at(missing=MISSING)
    )
    angles, rng = sim.labels(40), np.random.default_rng(1)
    square = tuple(f for f in frames if not f.cant)
    survey = sim.simulate(body, square, angles, rng, noise=0.0)
    for frame in frames:
        if frame.cant:
            survey = joined(survey, canted_survey(body, frame, angles, rng, 0.0))
    survey = replace(survey, sigma=np.ones(len(survey)),
                     covariance=np.broadcast_to(np.eye(3), (len(survey), 3, 3)))  # fmt: skip
    surface = fair(sim.make_job(frames), survey)
    section = surface.lift(Frame(name="X", station=2500.0))
    assert np.abs(sim.section_error(body, section)).max() < 0.1
    leaning = surface.lift(replace(frames[MISSING], cant=cant, pivot_wl=50.0))
    error = body.outside(leaning.station_at, leaning.bl, leaning.wl)
    assert np.abs(error).max() < 0.1
    assert np.abs(deviation(surface).deviation).max() < 0.1


def test_crowded_frames_are_binned_without_loss():
    """2000 unlabelled points a frame, one in fifty on a stringer 20 mm inside.

    Binned to 180 cells of some 11 points of 1 mm: 0.3 mm each, their stringers left out; what
    is left open is the settlement of the neighbours.
    """
    body, frames = sim.barrel(), sim.frames_at(missing=MISSING)
    rng = np.random.default_rng(2)
    theta = rng.uniform(-np.pi, np.pi, 2000)
    rows = []
    for frame in frames:
        if frame.status == "missing":
            continue
        x = np.full(2000, frame.station)
        place = body.points(x, theta)
        bad = rng.random(2000) < 0.02
        place[bad] -= 20.0 * body.normals(x, theta)[bad]
        place[:, 1:] += rng.normal(0.0, 1.0, (2000, 2))
        rows += [(frame.name, "", frame.station, *p) for p in place[:, 1:]]
    survey = sim.make_survey(rows)
    surface = fair(sim.make_job(frames), survey)
    assert surface.fit.batch.held.sum(1).max() <= 180
    section = surface.lift(Frame(name="X", station=2500.0))
    assert sim.rms(sim.section_error(body, section)) < 0.3
    told = deviation(surface)
    # every one of the 2000 is told, not only the bins
    assert len(told.deviation) == len(survey)
    assert 0.015 < (told.used == "no").mean() < 0.025


def test_an_adjusted_points_own_covariance_is_used():
    """On a taper of 1 in 5 a doubt of 150 mm along the stations is one of 29 mm off the skin.

    F5 and F7 stand 6 mm out; told with that doubt, 24 readings of each leave 6 mm open and
    they are followed less.
    """
    body, frames = sim.cone(1500.0, -0.2), sim.frames_at(missing=MISSING)
    survey = sim.simulate(body, frames, sim.labels(24), np.random.default_rng(3))
    out = np.isin(survey.frame, ["F5", "F7"])
    radius = np.hypot(survey.bl, survey.wl)
    grown = 1 + 6.0 * out / radius
    survey = replace(survey, bl=survey.bl * grown, wl=survey.wl * grown)
    doubtful = np.array(survey.covariance)
    doubtful[out, 0, 0] = 150.0**2
    job = sim.make_job(frames)
    error = [
        float(np.mean(sim.section_error(body, fair(job, s).lift(Frame(name="X", station=2500.0)))))
        for s in (survey, replace(survey, covariance=doubtful))
    ]
    assert error[0] > 3.0
    assert error[1] < 0.7 * error[0]
    # turned about, a doubt along the skin is none off it: the section stays as it was
    flat = sim.Body(a=sim.constant(600), b=sim.constant(600))
    plain = sim.simulate(flat, frames, sim.labels(24), np.random.default_rng(4))
    along = np.array(plain.covariance)
    along[:, 0, 0] = 20.0**2
    one, two = (
        fair(job, s).lift(Frame(name="X", station=2500.0))
        for s in (plain, replace(plain, covariance=along))
    )
    assert np.abs(one.height - two.height).max() < 0.01


def test_points_between_frames_do_not_settle():
    """A frame in the midst of true points 60 mm either side is seen to have fallen 6 mm."""
    body, frames = sim.barrel(), sim.frames_at(missing=MISSING)
    survey = sim.simulate(
        body, frames, sim.labels(24), np.random.default_rng(5), sigma=0.5,
        moved={"F7": (0.0, -6.0, 0.0, 0.0)}, between=(2890.0, 3010.0),
    )  # fmt: skip
    surface = fair(sim.make_job(frames), survey)
    found = settlement(surface)
    at = list(found.frame).index("F7")
    assert abs(found.d_wl[at] + 6.0) < 3 * found.sd_wl[at]
    assert found.sd_wl[at] < 1.0
