"""What an engineer signs on: hold-out, wrong stations, deviations, and whether bands hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import simulated as sim
from scipy.stats import binom

from loft.fairing.evidence import deviation, holdout
from loft.fairing.surface import fair
from loft.fairing.warnings import stations_out
from loft.job.records import Frame

MISSING = 5
SETTLE = 2.0, 2.0, np.deg2rad(0.1)


def survey_of(body, frames, seed, **options):
    rng = np.random.default_rng(seed)
    moved = {f.name: (*rng.normal(0.0, SETTLE), 0.0) for f in frames}
    return sim.simulate(body, frames, sim.labels(24, edges=body.edges), rng, moved=moved, **options)


@pytest.fixture(scope="module")
def held():
    """A tapering squarish body of 12 frames, all surveyed, one blunder of 40 mm on F3."""
    body, frames = sim.barrel(), sim.frames_at()
    survey = survey_of(body, frames, 21)
    at = int(np.flatnonzero((survey.frame == "F3") & (survey.line == "S6S"))[0])
    survey = sim.with_(survey, at, bl=survey.bl[at] + 40.0)
    job = sim.make_job(frames)
    surface = fair(job, survey)
    return body, job, survey, surface, *holdout(surface), at


# ---- deviations ----------------------------------------------------------------------------


def test_deviation_is_positive_where_metal_stands_outside(held):
    *_, survey, surface, _, _, at = held
    told = deviation(surface)
    assert told.used[at] == "no"
    assert told.deviation[at] == pytest.approx(40.0, abs=4.0)  # 40 mm out to starboard, abeam
    assert told.reason[at].startswith("fit: ")
    assert "outside" in told.reason[at]
    sound = np.delete(told.standardised, at)
    # Student-t fit: the scale of noise is that of the middle, the rest close to normal
    assert 0.75 < sim.rms(sound) < 1.3
    assert told.theta[at] == pytest.approx(np.arctan2(survey.bl[at], survey.wl[at]), abs=0.2)


def test_deviation_of_another_survey_of_the_same_surface(held):
    """Readings 5 mm outside along the normal deviate by 5 mm."""
    _, _, _, surface, *_ = held
    x, theta = np.full(30, 2700.0), np.linspace(-3, 3, 30)
    normal = surface.normals(x, theta)
    out = surface.points(x, theta) + 5.0 * normal
    rows = [("", "", *p) for p in out]
    told = deviation(surface, sim.make_survey(rows))
    # first order of curvature: 25/(2 R) with R over 300
    assert told.deviation == pytest.approx(5.0, abs=0.05)
    assert told.raw == pytest.approx(told.deviation)


# ---- hold-out ------------------------------------------------------------------------------


def test_holdout_is_a_true_refit(held):
    """Each frame's figures equal fairing the survey without that frame."""
    _, job, survey, _, found, _, at = held
    kept = np.arange(len(survey)) != at  # the reading that the full fit rejected
    for name in ("F2", "F6", "F11"):
        without = fair(job, replace(survey, use=kept & (survey.frame != name)))
        mine = kept & (survey.frame == name)
        error = without.distance(survey.station[mine], survey.bl[mine], survey.wl[mine])
        k = list(found.frame).index(name)
        assert found.points[k] == mine.sum()
        # the same readings in the same order: rounding alone
        assert found.rms[k] == pytest.approx(sim.rms(error), rel=1e-6)
        assert abs(found.largest[k]) == pytest.approx(np.abs(error).max(), rel=1e-6)
        section = without.lift(job.frame(name))
        assert found.band95[k] == pytest.approx(1.96 * sim.rms(section.sd), rel=0.1)


def test_holdout_tells_the_ends_apart_and_finds_most_readings_inside(held):
    *_, found, shifts, _ = held
    assert [n for n, note in zip(found.frame, found.note, strict=True) if note] == ["F1", "F12"]
    assert set(found.note) == {"", "extrapolated"}
    inner = found.note == ""
    assert np.isnan(shifts.shift[~inner]).all()
    # readings share their frame's settlement: ten frames of three movements each; fewer than
    # three quarters inside would be one frame in four wholly out
    assert found.coverage95[inner].mean() > 0.8
    assert (found.rms[inner] < 6.0).all()


def test_holdout_says_when_nothing_can_be_predicted():
    """With four frames, three are left: every prediction is refused in words."""
    body, frames = sim.barrel(), sim.frames_at(np.array([0, 500, 1000, 1500.0]))
    survey = survey_of(body, frames, 5)
    job = sim.make_job(frames)
    found, _ = holdout(fair(job, survey))
    assert all(note.startswith("cannot be predicted: only 3 frames") for note in found.note)
    assert np.isnan(found.rms).all()


def test_progress_is_told():
    body, frames = sim.cone(), sim.frames_at(np.arange(0, 3000, 500.0))
    survey = survey_of(body, frames, 5)
    job, said = sim.make_job(frames), []
    holdout(fair(job, survey), lambda done, of: said.append((done, of)))
    assert said == [(k, 6) for k in range(7)]


# ---- a station that is wrong ---------------------------------------------------------------


@pytest.mark.parametrize("out", [150.0, -150.0, 60.0])
def test_a_neighbour_out_of_station_is_named(out):
    """F5 stands 150 mm aft of its stated station, or forward, or 60: named, size and side.

    At 150 mm most of its readings are rejected; they are its own evidence all the same.
    """
    body, frames = sim.elliptic_cone(apex=8000.0), sim.frames_at(missing=MISSING)
    rng = np.random.default_rng(31)
    moved = {f.name: (*rng.normal(0.0, SETTLE), 0.0) for f in frames}
    moved["F5"] = (*moved["F5"][:3], out)
    survey = sim.simulate(body, frames, sim.labels(24), rng, moved=moved)
    job = sim.make_job(frames)
    found, shifts = holdout(fair(job, survey))
    k = list(shifts.frame).index("F5")
    assert found.points[k] == 24
    # the prediction's own error is in the sd, the linearity of 150 mm of taper is not: 5 mm
    assert abs(shifts.shift[k] - out) < 3 * shifts.sd[k] + 5.0
    told = stations_out(shifts, job)
    assert len(told) == 1
    assert told[0].text.startswith(
        f"frame F5: its readings fit a station {abs(shifts.shift[k]):.0f} mm further "
        + ("aft" if out > 0 else "forward")
    )
    assert told[0].severity == "warning"


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_true_stations_are_not_named(seed):
    """The alarm is 2.5 standard deviations: three surveys of ten frames raise none."""
    body, frames = sim.elliptic_cone(apex=8000.0), sim.frames_at(missing=MISSING)
    survey = survey_of(body, frames, seed)
    job = sim.make_job(frames)
    _, shifts = holdout(fair(job, survey))
    assert stations_out(shifts, job) == ()


# ---- do the bands hold? --------------------------------------------------------------------


def share_held(body, seeds) -> tuple[float, int, np.ndarray]:
    """Mean share of the outline inside band95, sections wholly inside band95_all."""
    frames = sim.frames_at(missing=MISSING)
    inside, whole, errors = [], 0, []
    for seed in seeds:
        survey = survey_of(body, frames, seed)
        surface = fair(sim.make_job(frames), survey, lines=False)
        section = surface.lift(Frame(name="X", station=float(sim.STATIONS[MISSING])))
        error = sim.section_error(body, section)
        inside.append(np.mean(np.abs(error) < section.band95))
        whole += bool((np.abs(error) < section.band95_all).all())
        errors.append(np.mean(error / section.sd))
    return float(np.mean(inside)), whole, np.array(errors)


@pytest.mark.parametrize(
    ("body", "count"),
    [(sim.barrel(), 30), (sim.elliptic_cone(), 20), (sim.ellipsoid(9000.0, 620.0, 740.0), 20)],
    ids=["barrel", "cone", "ellipsoid"],
)
def test_bands_hold_as_often_as_they_claim(body, count):
    """band95 over the outline, band95_all over whole outlines, on simulated surveys.

    An outline has about three independent errors (its place and its size), so the mean
    share is judged as of 3 * count trials; the limits are binomial at 1 in 1000. A band
    that holds more often than it says is no danger; the cone's prior fits it and is
    judged from below like the others.
    """
    share, whole, mean = share_held(body, range(400, 400 + count))
    assert share >= binom.ppf(0.001, 3 * count, 0.95) / (3 * count)
    assert whole >= binom.ppf(0.001, count, 0.95)
    # no bias: the mean standardised error of a section has mean 0, sd at most 1
    assert abs(mean.mean()) < 3.3 / np.sqrt(count)


def test_bands_are_not_idly_wide():
    """Four times the true error would hold always and tell nothing."""
    body, frames = sim.barrel(), sim.frames_at(missing=MISSING)
    error, sd = [], []
    for seed in range(500, 512):
        surface = fair(sim.make_job(frames), survey_of(body, frames, seed), lines=False)
        section = surface.lift(Frame(name="X", station=float(sim.STATIONS[MISSING])))
        error.append(sim.rms(sim.section_error(body, section)))
        sd.append(sim.rms(section.sd))
    assert sim.rms(sd) < 2.0 * sim.rms(error)


def test_half_the_readings_widen_the_band():
    body, frames = sim.barrel(), sim.frames_at(missing=MISSING)
    survey = survey_of(body, frames, 3)
    few = sim.take(survey, ~np.isin(survey.frame, ["F5", "F7"]))
    job = sim.make_job(frames)
    wide, narrow = (fair(job, s).lift(Frame(name="X", station=2500.0)) for s in (few, survey))
    assert wide.band95.mean() > 1.2 * narrow.band95.mean()
