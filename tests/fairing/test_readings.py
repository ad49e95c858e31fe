"""Readings of every kind in the fit: canted frames, crowded scans, adjusted points."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import simulated as sim

from loft import corncrake
from loft.fairing.evidence import deviation, settlement
from loft.fairing.surface import fair
from loft.job.records import CloudSet, Frame

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


def test_raw_deviation_keeps_the_frames_movement():
    """A frame 8 mm up, the rest true: its crown reads 8 mm outside raw, its keel 8 inside."""
    body, frames = sim.barrel(), sim.frames_at(missing=MISSING)
    survey = sim.simulate(
        body, frames, sim.labels(24), np.random.default_rng(6), sigma=0.3,
        moved={"F4": (0.0, 8.0, 0.0, 0.0)},
    )  # fmt: skip
    told = deviation(fair(sim.make_job(frames), survey))
    mine = survey.frame == "F4"
    crown = mine & np.isin(survey.line, ["S1S", "S1P"])
    keel = mine & np.isin(survey.line, ["S12S", "S12P"])
    # the surface is drawn by the neighbours, to about a millimetre
    assert np.abs(told.raw[crown] - 8.0).max() < 1.5
    assert np.abs(told.raw[keel] + 8.0).max() < 1.5
    assert np.abs(told.deviation[mine]).max() < 1.5


def test_a_half_breadth_is_read_on_its_face():
    """Inside faces 20 mm deep, two frames read in half-breadth alone: still on the body."""
    body, frames = sim.barrel(), sim.frames_at(missing=MISSING)
    survey = sim.simulate(
        body, frames, sim.labels(24), np.random.default_rng(7), sigma=0.5, noise=0.0, depth=20.0
    )
    single = np.isin(survey.frame, ["F5", "F7"])
    surface = fair(sim.make_job(frames), sim.with_(survey, single, wl=np.nan))
    placed = surface.survey
    done = single & placed.use
    told = deviation(surface)
    # completed a little off its own place along the skin: a share of the 20 mm's turn
    assert np.abs(told.deviation[done]).max() < 0.5
    assert done.sum() >= 12


def test_a_lines_crossing_has_the_sd_it_is_given():
    """The crossings of 20 stringers in 15 surveys against the truth, along the girth.

    Cylinder, straight lines, nothing settles. Mean square of 300 errors over their sd: 1
    within a fifth by chance, and up to half as much again because every line has a prior of
    2 mm of run of its own, which takes some of the reading error for run: sd a fifth short.
    """
    r = 600.0
    body, frames = sim.Body(a=sim.constant(r), b=sim.constant(r)), sim.frames_at(missing=MISSING)
    angles = sim.labels(20)
    job = sim.make_job(frames, settlement=(0.0, 0.0, 0.0))
    ratio = []
    for seed in range(15):
        survey = sim.simulate(body, frames, angles, np.random.default_rng(600 + seed))
        crossings = fair(job, survey).lift(Frame(name="X", station=2500.0)).crossings
        for name, bl, wl, sd in zip(
            crossings.line, crossings.bl, crossings.wl, crossings.sd, strict=True
        ):
            if name in angles:
                turn = np.arctan2(bl, wl) - angles[str(name)]
                ratio.append(r * np.angle(np.exp(1j * turn)) / sd)
    assert len(ratio) == 300
    assert 0.5 < np.mean(np.square(ratio)) < 1.8


def test_a_scan_between_frames_moves_as_a_whole():
    """Two slabs of one scan stand 4 mm to starboard: told as theirs, not as the body's."""
    body, frames = sim.barrel(), sim.frames_at(missing=MISSING)
    rng, theta = np.random.default_rng(3), np.linspace(-np.pi, np.pi, 120, endpoint=False)
    by_hand = sim.simulate(body, frames, sim.labels(28), rng, noise=0.5)
    rows = []
    for station in (2300.0, 2700.0):
        place = body.points(np.full(120, station), theta)
        place[:, 1:] += rng.normal(0.0, 0.3, (120, 2)) + [4.0, 0.0]
        rows += [("", "", *point) for point in place]
    scan = replace(sim.make_survey(rows, sigma=0.3), source=np.full(len(rows), "bay.ply"))
    cloud = CloudSet(file=Path("bay.ply"), sigma=0.3, face="skin_outer", unit="mm")
    error = {}
    for name, clouds in (("scan", (cloud,)), ("by hand", ())):
        surface = fair(replace(sim.make_job(frames), clouds=clouds), joined(by_hand, scan))
        section = surface.lift(Frame(name="X", station=2500.0))
        error[name] = np.abs(sim.section_error(body, section)).max()
        if clouds:
            off = deviation(surface).deviation[-240:]  # what is left once it is moved back
            assert np.sqrt(np.mean(off**2)) < 0.6
            assert set(settlement(surface).frame) == {f.name for f in frames if f != frames[5]}
    assert error["scan"] < 2.0  # half of what the scan is off
    assert error["by hand"] > 3.0  # readings by hand between frames are taken as they are


def test_close_readings_show_finer_shapes():
    """Arcs that meet tangent hold more than 16 waves: 0.3 mm of the Corncrake's section."""
    frames = sim.frames_at(sim.STATIONS / 2 + 3100.0)
    worst = {}
    for count in (240, 80):
        rng, rows = np.random.default_rng(1), []
        share = np.linspace(-1.0, 1.0, count, endpoint=False)
        angle = np.linspace(-np.pi, np.pi, 8001)
        for frame in frames:
            place = np.interp(share, corncrake.girth_share(frame.station, angle), angle)
            read = corncrake.truth(frame.station, place) + rng.normal(0.0, 0.3, (count, 2))
            rows += [(frame.name, "", frame.station, *point) for point in read]
        section = fair(sim.make_job(frames), sim.make_survey(rows, sigma=0.3)).lift(frames[6])
        off = corncrake.true_deviation(section.station, section.bl, section.wl)
        worst[count] = np.sqrt(np.mean(off**2))
    assert worst[240] < 0.12  # 0.3 mm over the root of four readings a shape, and frames beside it
    assert worst[80] > 0.25
