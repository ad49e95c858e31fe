"""The fit itself: settlement, shifts, symmetry, faces, partial readings, invariance, refusals."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
import simulated as sim

from loft.fairing.evidence import deviation, settlement
from loft.fairing.surface import fair
from loft.fairing.unmarked import unmarked_chines
from loft.fairing.warnings import reach_of, scatter, shifted_frames, thin_frames
from loft.job.errors import LoftError
from loft.job.records import Break, Damage, Frame, Lap

MISSING = 5
SETTLE = 2.0, 2.0, np.deg2rad(0.1)  # true sd of the simulated frames' movements


def settling(frames, rng) -> dict:
    return {f.name: (*rng.normal(0.0, SETTLE), 0.0) for f in frames}


def lifted(body, survey, frames, station: float = sim.STATIONS[MISSING], **fair_options):
    surface = fair(sim.make_job(frames, **fair_options), survey)
    section = surface.lift(Frame(name="X", station=float(station)))
    return surface, section, sim.section_error(body, section)


@pytest.fixture(scope="module")
def barrel():
    """A realistic survey of a smooth body: 24 readings a frame, sigma 1, frames settled."""
    rng = np.random.default_rng(11)
    body, frames = sim.barrel(), sim.frames_at(missing=MISSING)
    moved = settling(frames, rng)
    survey = sim.simulate(body, frames, sim.labels(24), rng, moved=moved)
    surface, section, error = lifted(body, survey, frames)
    return body, frames, moved, survey, surface, section, error


# ---- what is recovered ---------------------------------------------------------------------


def test_missing_section_of_a_realistic_survey(barrel):
    """Readings of sigma 1 on frames settled by 2 mm: rms under a millimetre and a half."""
    *_, error = barrel
    assert sim.rms(error) < 1.5


def test_exact_readings_give_the_exact_body():
    """No error, no settlement: what the harmonics and the run leave, hundredths of a mm."""
    body, frames = sim.barrel(), sim.frames_at(missing=MISSING)
    survey = sim.simulate(body, frames, sim.labels(40), np.random.default_rng(0), noise=0.0)
    *_, error = lifted(body, survey, frames, settlement=(0.0, 0.0, 0.0))
    assert np.abs(error).max() < 0.05


def test_settlement_is_recovered_within_its_sd():
    """Standardised errors of the movements over 8 surveys have mean square near 1.

    About 190 dependent values; the bounds are those of some 60 independent ones (0.67 to
    1.4 for 95 %), widened below because the learned prior tends to be wide.
    """
    body, frames = sim.barrel(), sim.frames_at(missing=MISSING)
    ratio, size, left = [], [], []
    for seed in range(8):
        rng = np.random.default_rng(100 + seed)
        moved = settling(frames, rng)
        survey = sim.simulate(body, frames, sim.labels(24), rng, moved=moved)
        found = settlement(fair(sim.make_job(frames), survey, lines=False))
        true = np.array([moved[str(name)] for name in found.frame])
        # the datum of a settled body is the body's own: its mean and its tilt along the run
        # cannot be known, they are taken up by the surface
        for k, (value, sd) in enumerate(
            ((found.d_bl, found.sd_bl), (found.d_wl, found.sd_wl), (found.roll, found.sd_roll))
        ):
            ratio.append((value - true[:, k]) / sd)
            if k < 2:
                size.append(true[:, k])
                left.append(value - true[:, k])
    assert 0.4 < np.mean(np.square(ratio)) < 1.4
    assert sim.rms(left) < 0.75 * sim.rms(size)


def test_one_frame_moved_far_is_found_in_sign_and_size():
    """F4 settled by (6, -9) mm and 0.8 degrees, the others true."""
    body, frames = sim.barrel(), sim.frames_at(missing=MISSING)
    roll = np.deg2rad(0.8)
    survey = sim.simulate(
        body, frames, sim.labels(24), np.random.default_rng(3), sigma=0.5,
        moved={"F4": (6.0, -9.0, roll, 0.0)},
    )  # fmt: skip
    surface, _, error = lifted(body, survey, frames)
    found = settlement(surface)
    at = list(found.frame).index("F4")
    assert abs(found.d_bl[at] - 6.0) < 4 * found.sd_bl[at]
    assert abs(found.d_wl[at] + 9.0) < 4 * found.sd_wl[at]
    assert abs(found.roll[at] - roll) < 4 * found.sd_roll[at]
    others = np.arange(len(found.frame)) != at
    assert np.abs(np.r_[found.d_bl[others], found.d_wl[others]]).max() < 1.5
    assert sim.rms(error) < 0.6
    # deviations are told after the movement, raw ones before
    told = deviation(surface)
    mine = survey.frame == "F4"
    assert sim.rms(told.deviation[mine]) < 1.0
    assert sim.rms(told.raw[mine]) > 4.0


def test_zeros_switch_settlement_off(barrel):
    _, frames, _, survey, *_ = barrel
    surface = fair(sim.make_job(frames, settlement=(0.0, 0.0, 0.0)), survey)
    found = settlement(surface)
    for name in ("d_bl", "d_wl", "roll", "sd_bl", "sd_wl", "sd_roll"):
        assert (getattr(found, name) == 0.0).all(), name
    told = deviation(surface)
    assert told.raw == pytest.approx(told.deviation, abs=1e-6)
    one = settlement(fair(sim.make_job(frames, settlement=(3.0, 3.0, 0.0)), survey))
    assert (one.roll == 0.0).all()
    assert np.abs(one.d_bl).max() > 0.5


def test_fore_and_aft_shift_is_recovered_where_it_is_allowed():
    """A frame taped 25 mm out on a strong taper, its station given a sigma of 20 mm."""
    body = sim.elliptic_cone(apex=7000.0)
    frames = tuple(
        replace(f, station_sigma=20.0) if f.name == "F5" else f
        for f in sim.frames_at(missing=MISSING)
    )
    survey = sim.simulate(
        body, frames, sim.labels(24), np.random.default_rng(6), moved={"F5": (0, 0, 0, 25.0)}
    )
    surface, _, error = lifted(body, survey, frames)
    found = settlement(surface)
    at = list(found.frame).index("F5")
    assert abs(found.d_station[at] - 25.0) < 3 * found.sd_station[at]
    assert found.sd_station[at] < 8.0  # 24 readings of 1 mm at a tangent of .07 to .1, and bands
    assert np.isnan(np.delete(found.d_station, at)).all()
    told = shifted_frames(found, surface.job)
    assert [("F5" in f.text, "aft" in f.text) for f in told] == [(True, True)]
    exact = tuple(replace(f, station_sigma=0.0) for f in frames)
    *_, worse = lifted(body, survey, exact)
    assert sim.rms(error) < sim.rms(worse)


# ---- symmetry ------------------------------------------------------------------------------


def test_exact_symmetry_takes_a_survey_of_one_half():
    """Starboard readings alone: a mirrored section, the truth within a millimetre and a half."""
    body, frames = sim.barrel(), sim.frames_at(missing=MISSING)
    survey = sim.simulate(
        body, frames, sim.labels(24, sides="S"), np.random.default_rng(8), noise=1.0
    )
    surface, section, error = lifted(
        body, survey, frames, symmetry="exact", settlement=(0.0, 3.0, 0.0)
    )
    theta = np.linspace(0.1, 3.0, 40)
    x = np.full(40, 2500.0)
    left, right = surface.points(x, -theta), surface.points(x, theta)
    assert left * [1, -1, 1] == pytest.approx(right, abs=1e-9)
    assert sim.rms(error) < 1.5
    port, starboard = (section.bl[section.side == s] for s in ("port", "starboard"))
    assert -port.min() == pytest.approx(starboard.max(), abs=0.05)  # spacing of the rows


def test_soft_symmetry_learns_a_lopsided_body_and_helps_a_like_one():
    """A bulge of 6 mm to starboard alone on every frame shows under soft and off."""
    plain = sim.barrel()
    bulged = replace(plain, r=lambda t: plain.r(t) + 0.01 * np.exp(-(((t - 1.2) / 0.4) ** 2)))
    frames = sim.frames_at(missing=MISSING)
    rng = np.random.default_rng(9)
    survey = sim.simulate(bulged, frames, sim.labels(40), rng)
    for symmetry in ("soft", "off"):
        *_, error = lifted(bulged, survey, frames, symmetry=symmetry)
        assert sim.rms(error) < 1.2, symmetry
    *_, forced = lifted(bulged, survey, frames, symmetry="exact")
    assert np.abs(forced).max() > 2.0
    # few readings, all of one flank to port lost: likeness fills in, its absence does not
    patchy = sim.simulate(plain, frames, sim.labels(24), np.random.default_rng(10))
    gap = (patchy.bl < 0) & (np.abs(patchy.wl) < 450)
    few = sim.take(patchy, ~gap)
    soft = sim.rms(lifted(plain, few, frames)[2])
    off = sim.rms(lifted(plain, few, frames, symmetry="off")[2])
    assert soft < off


# ---- faces, laps, damage, partial readings -------------------------------------------------


def test_face_depth_is_taken_along_the_normal_on_a_strong_taper():
    """The inside of stringers 25 mm deep on a 20-degree cone: depth / cos bevel in the plane.

    The in-plane deduction is 26.6 mm; taking 25 would leave 1.6 mm.
    """
    rate = -np.tan(np.deg2rad(20.0))
    body = sim.cone(2500.0, rate)
    frames = sim.frames_at(missing=MISSING)
    survey = sim.simulate(
        body, frames, sim.labels(24), np.random.default_rng(2), noise=0.0, depth=25.0
    )
    at = survey.frame == "F1"
    radius = np.hypot(survey.bl[at], survey.wl[at])
    assert radius == pytest.approx(2500.0 - 25.0 / np.cos(np.deg2rad(20.0)), abs=1e-3)
    surface, section, error = lifted(body, survey, frames)
    assert np.abs(error).max() < 0.1
    assert np.rad2deg(section.bevel) == pytest.approx(-20.0, abs=0.05)
    assert sim.rms(deviation(surface).deviation) < 0.05


def test_lap_by_girth_deepens_the_readings_it_covers():
    """A doubler of 3 mm on F5's starboard side between girths 400 and 900.

    Told, its readings lie on the surface; untold, they stand 3 mm inside.
    """
    body, frames = sim.barrel(), sim.frames_at(missing=MISSING)
    survey = sim.simulate(
        body, frames, sim.labels(40), np.random.default_rng(4), sigma=0.3, depth=1.0
    )
    girth = 700.0 * np.arctan2(survey.bl, survey.wl)  # near enough: readings are 100 apart
    under = (survey.frame == "F5") & (girth > 380) & (girth < 1000)
    normal = body.normals(
        survey.station, np.arctan2(survey.bl / body.a(survey.station),
                                   (survey.wl - body.centre(survey.station))
                                   / body.b(survey.station)))  # fmt: skip
    survey = replace(
        survey,
        bl=survey.bl - 3.0 * under * normal[:, 1],
        wl=survey.wl - 3.0 * under * normal[:, 2],
    )
    job = sim.make_job(frames)
    untold = deviation(fair(job, survey)).deviation[under]
    assert np.median(untold) < -1.5
    laps = (Lap(girth=(400.0, 950.0), frames=("F5",), extra=3.0),)
    surface = fair(replace(job, laps=laps), survey)
    deep = surface.survey.depth > 1.5
    assert (surface.survey.frame[deep] == "F5").all()
    assert 3 <= deep.sum() <= under.sum()
    assert (surface.survey.bl[deep] > 0).all()
    assert sim.rms(deviation(surface).deviation[deep]) < 0.8
    outside = replace(survey, face=np.full(len(survey), "skin_outer"))
    assert (fair(replace(job, laps=laps), outside).survey.depth == survey.depth).all()


def test_damage_by_girth_sets_aside_or_inflates():
    """F5 crushed by 20 mm over its port shoulder, -900 to -300 from the crown."""
    body, frames = sim.barrel(), sim.frames_at(missing=MISSING)
    survey = sim.simulate(body, frames, sim.labels(40), np.random.default_rng(5))
    job = sim.make_job(frames)
    for damage in (
        Damage(frames=("F5",), girth=(-900.0, -300.0), use=False, reason="crushed"),
        Damage(frames=("F5",), girth=(-900.0, -300.0), sigma=8.0, reason="crushed"),
    ):
        told = fair(replace(job, damages=(damage,)), survey)
        struck = told.survey.reason == "damage: crushed"
        assert 4 <= struck.sum() <= 8  # 600 mm of girth, a reading about every 105
        assert (told.survey.frame[struck] == "F5").all()
        assert (told.survey.bl[struck] < 0).all()
        if damage.use:
            assert (told.survey.sigma[struck] == 8.0).all()
            assert told.survey.covariance[struck][:, 0, 0] == pytest.approx(64.0)
            assert told.survey.use.all()
        else:
            assert not told.survey.use[struck].any()
            assert (deviation(told).used[struck] == "no").all()
        assert (told.survey.sigma[~struck] == 1.0).all()


@pytest.mark.parametrize("coordinate", ["bl", "wl"])
def test_a_reading_of_one_coordinate_counts(coordinate):
    """Two frames beside the missing one read only as half-breadths, or only as heights.

    Exact readings: the completed ones lie on the true body once completed on their line;
    lines that run along the skin there are set aside with a reason.
    """
    body, frames = sim.barrel(), sim.frames_at(missing=MISSING)
    survey = sim.simulate(
        body, frames, sim.labels(24), np.random.default_rng(7), sigma=0.5, noise=0.0
    )
    single = np.isin(survey.frame, ["F5", "F7"])
    partial = sim.with_(survey, single, **{coordinate: np.nan})
    surface, _, error = lifted(body, partial, frames)
    placed = surface.survey
    done = single & np.isfinite(placed.bl) & np.isfinite(placed.wl) & placed.use
    assert 12 <= done.sum() < single.sum()
    gap = body.outside(placed.station[done], placed.bl[done], placed.wl[done])
    assert np.abs(gap).max() < 1.0
    assert (placed.sigma[done] >= 0.5).all()
    left = single & ~placed.use
    assert all("runs along the skin" in reason for reason in placed.reason[left])
    assert left.sum() + done.sum() == single.sum()
    assert sim.rms(error) < 0.5


def test_half_breadths_alone_move_the_surface():
    """Their readings 8 mm further out bring the surface out between them."""
    body, frames = sim.barrel(), sim.frames_at(missing=MISSING)
    survey = sim.simulate(body, frames, sim.labels(24), np.random.default_rng(7), sigma=0.3)
    single = np.isin(survey.frame, ["F5", "F7"])
    partial = sim.with_(survey, single, wl=np.nan)
    wide = replace(partial, bl=partial.bl + 8.0 * np.sign(partial.bl) * single)
    middle = Frame(name="X", station=2500.0)
    job = sim.make_job(frames)
    plain, out = (fair(job, s).lift(middle) for s in (partial, wide))
    assert out.bl.max() - plain.bl.max() > 4.0


def test_points_between_frames_are_readings_of_the_body():
    """Three stations in the missing frame's bay make its section better and its band less."""
    body, frames = sim.barrel(), sim.frames_at(missing=MISSING)
    bay = (2200.0, 2480.0, 2700.0)
    rng = np.random.default_rng(12)
    moved = settling(frames, rng)
    with_bay = sim.simulate(body, frames, sim.labels(24), rng, moved=moved, between=bay)
    without = sim.take(with_bay, with_bay.frame != "")
    surface, section, error = lifted(body, with_bay, frames)
    _, wider, _ = lifted(body, without, frames)
    assert section.band95.mean() < 0.9 * wider.band95.mean()
    assert sim.rms(error) < 1.0
    assert set(bay) <= set(surface.fit.run.station)
    assert len(settlement(surface).frame) == len(frames) - 1  # they move with no frame


# ---- invariance ----------------------------------------------------------------------------


def test_order_of_rows_does_not_matter(barrel):
    """Sums in another order: rounding, magnified by a dozen passes."""
    _, frames, _, survey, _, section, _ = barrel
    order = np.random.default_rng(1).permutation(len(survey))
    other = fair(sim.make_job(frames), sim.take(survey, order)).lift(
        Frame(name="X", station=2500.0)
    )
    assert other.bl == pytest.approx(section.bl, abs=1e-5)
    assert other.height == pytest.approx(section.height, abs=1e-5)
    assert other.sd == pytest.approx(section.sd, abs=1e-5)


def test_datum_shift_along_the_stations_shifts_the_body(barrel):
    _, frames, _, survey, _, section, _ = barrel
    far = 12_345.0
    later = tuple(replace(f, station=f.station + far) for f in frames)
    moved = replace(survey, station=survey.station + far)
    other = fair(sim.make_job(later), moved).lift(Frame(name="X", station=2500.0 + far))
    assert other.bl == pytest.approx(section.bl, abs=1e-5)
    assert other.wl == pytest.approx(section.wl, abs=1e-5)
    assert other.bevel == pytest.approx(section.bevel, abs=1e-7)


def test_a_lift_of_the_datum_lifts_the_section(barrel):
    """Waterlines 300 mm higher: the reference's centre follows, the section with it."""
    _, frames, _, survey, _, section, _ = barrel
    raised = replace(survey, wl=survey.wl + 300.0)
    other = fair(sim.make_job(frames), raised).lift(Frame(name="X", station=2500.0))
    assert other.wl - 300.0 == pytest.approx(section.wl, abs=1e-4)


def test_a_mirrored_survey_gives_the_mirrored_section(barrel):
    """Port and starboard swapped, labels with them."""
    _, frames, _, survey, surface, _, _ = barrel
    swap = {"P": "S", "S": "P"}
    label = np.array([name[:-1] + swap[name[-1]] for name in survey.line])
    other = fair(sim.make_job(frames), replace(survey, bl=-survey.bl, line=label))
    theta = np.linspace(-3, 3, 60)
    x = np.full(60, 2500.0)
    mirrored = other.points(x, -theta) * [1, -1, 1]
    assert mirrored == pytest.approx(surface.points(x, theta), abs=1e-5)
    assert settlement(other).d_bl == pytest.approx(-settlement(surface).d_bl, abs=1e-5)
    assert settlement(other).roll == pytest.approx(-settlement(surface).roll, abs=1e-8)


def test_a_common_factor_on_all_sigmas_is_learned_away(barrel):
    """The scale of noise is learned: sigma stated twice too small changes next to nothing.

    Settlement and smoothness are priors in millimetres, so the answer is not identical.
    """
    _, frames, _, survey, _, section, _ = barrel
    half = replace(survey, sigma=survey.sigma / 2, covariance=survey.covariance / 4)
    surface = fair(sim.make_job(frames), half)
    other = surface.lift(Frame(name="X", station=2500.0))
    assert np.abs(np.hypot(other.bl - section.bl, other.wl - section.wl)).max() < 0.2
    assert other.band95.mean() == pytest.approx(section.band95.mean(), rel=0.1)


# ---- bad readings, bad marks ---------------------------------------------------------------


def test_blunders_are_ignored_and_named():
    """One reading in twelve wrong by 15 to 60 mm: told "no" or "doubted", little harm done."""
    body, frames = sim.barrel(), sim.frames_at(missing=MISSING)
    rng = np.random.default_rng(13)
    moved = settling(frames, rng)
    clean = sim.simulate(body, frames, sim.labels(30), rng, moved=moved)
    wrong = np.sort(rng.choice(len(clean), len(clean) // 12, replace=False))
    angle = np.arctan2(clean.bl[wrong], clean.wl[wrong])
    size = rng.uniform(15, 60, len(wrong)) * rng.choice([-1, 1], len(wrong))
    bad = sim.with_(clean, wrong, bl=clean.bl[wrong] + size * np.sin(angle))
    bad = sim.with_(bad, wrong, wl=clean.wl[wrong] + size * np.cos(angle))
    surface, _, error = lifted(body, bad, frames)
    *_, best = lifted(body, clean, frames)
    told = deviation(surface)
    caught = told.used[wrong] != "yes"
    assert caught.mean() > 0.95
    assert (told.weight[told.used == "no"] == 0).all()
    good = np.setdiff1d(np.arange(len(bad)), wrong)
    assert (told.used[good] == "no").mean() < 0.01
    assert sim.rms(error) < sim.rms(best) + 0.7
    *_, plain = lifted(body, bad, frames, robust=False)
    assert sim.rms(plain) > 1.5 * sim.rms(error)
    side = np.array(["outside" if s > 0 else "inside" for s in size[caught]])
    text = told.reason[wrong[caught]]
    assert all(t.startswith("fit: ") and s in t for t, s in zip(text, side, strict=True))


@pytest.fixture(scope="module")
def floor():
    """A body with a flat floor, a chine each side of it, read on the chines too."""
    rng = np.random.default_rng(14)
    body, frames = sim.floored(), sim.frames_at(missing=MISSING)
    angles = sim.labels(28, edges=body.edges)
    survey = sim.simulate(body, frames, angles, rng, moved=settling(frames, rng))
    return body, frames, survey


def test_a_marked_chine_is_recovered(floor):
    """Marked: 1 to 2 mm; its corner stands within 5 mm of where the floor meets the side.

    Frames settled by 2 mm and read to 1 mm leave the section's own place about 1 mm open.
    """
    body, frames, survey = floor
    _, section, error = lifted(body, survey, frames)
    assert sim.rms(error) < 2.0
    assert (np.abs(error) < section.band95_all).all()
    edge, corner = body.edges[0], section.corners[0]
    a, b, c = (float(f(np.array(2500.0))) for f in (body.a, body.b, body.centre))
    true = a * np.sin(edge), c + b * np.cos(edge)
    row = int(np.argmin(np.abs(section.girth - corner.girth)))
    assert np.hypot(section.bl[row] - true[0], section.wl[row] - true[1]) < 5.0


def test_an_unmarked_chine_is_named_within_50_mm(floor):
    """Labelled but not marked: the surface is worse, and the finding says where and what."""
    body, frames, survey = floor
    bare = replace(
        survey, lines=tuple(replace(i, chine=False, kind="stringer") for i in survey.lines)
    )
    surface, _, error = lifted(body, bare, frames)
    *_, marked = lifted(body, survey, frames)
    assert sim.rms(error) > sim.rms(marked)
    found = unmarked_chines(surface)
    assert found
    assert "mark the line chine = true" in found[0].text
    assert "near line C1" in found[0].text
    middle = float(surface.stations.mean())
    t = np.linspace(0, body.edges[0], 4001)
    girth = np.sum(np.hypot(*np.diff(body.points(np.full(4001, middle), t)[:, 1:], axis=0).T))
    said = float(found[0].text.split("girth ")[1].split(" mm")[0])
    assert abs(said - girth) < 50.0
    assert not unmarked_chines(fair(sim.make_job(frames), survey))


def test_a_smooth_body_has_no_unmarked_chine(barrel):
    *_, surface, _, _ = barrel
    assert unmarked_chines(surface) == ()


@pytest.mark.parametrize("sigma", [0.05, 0.1])
def test_precise_readings_do_not_throw_a_chine_off_its_marks(sigma):
    """Scans binned to angular cells: 100 readings a frame, a few hundredths each."""
    body, frames = sim.floored(), sim.frames_at(missing=MISSING)
    for seed in (1, 3):
        rng = np.random.default_rng(seed)
        survey = sim.simulate(
            body, frames, sim.labels(100, edges=body.edges), rng, sigma=sigma,
            moved=settling(frames, rng),
        )  # fmt: skip
        surface, _, error = lifted(body, survey, frames)
        assert sim.rms(error) < 1.0
        # 16 harmonics leave 0.2 mm beside a corner, more than six times such sigmas
        assert (deviation(surface).used == "no").mean() < 0.1
        true = body.points(np.array(2500.0), np.array(body.edges[0]))
        place = surface.lines["C1S"].theta(np.array(2500.0))
        # a degree is 10 mm of girth: settlement of 2 mm and a corner of 37 degrees
        assert np.rad2deg(place) == pytest.approx(np.rad2deg(surface.theta_of(*true)), abs=1.0)


def test_a_break_must_be_marked():
    """Parallel, then a straight taper from station 2700: marked, as good there as elsewhere."""
    size = lambda x: 600.0 * (1 - 0.12 * np.maximum(x - 2700.0, 0) / 1000.0)  # noqa: E731
    body = replace(sim.barrel(), a=size, b=lambda x: 1.2 * size(x), centre=sim.constant(0))
    stations = np.array([0, 480, 1000, 1450, 1960, 2300, 2950, 3480, 4020, 4500, 5000, 5490.0])
    frames = sim.frames_at(stations)
    survey = sim.simulate(body, frames, sim.labels(24), np.random.default_rng(15), sigma=0.5)
    job = sim.make_job(frames)
    error = []
    for breaks in ((), (Break(station=2700.0, reason="start of taper"),)):
        surface = fair(replace(job, breaks=breaks), survey)
        assert surface.fit.variances.noise < 1.3  # no false peace: the readings are followed
        sections = [surface.lift(Frame(name="X", station=x)) for x in (1700.0, 2450.0, 2700.0)]
        error.append([sim.rms(sim.section_error(body, section)) for section in sections])
    (_, near, at), (far, near_marked, at_marked) = error
    assert at > 5.0
    assert near > 1.0
    assert max(far, near_marked, at_marked) < 0.6  # readings' sigma 0.5, 24 a frame


# ---- refusals ------------------------------------------------------------------------------


def test_fewer_than_four_frames_are_refused(barrel):
    _, frames, _, survey, *_ = barrel
    few = sim.take(survey, np.isin(survey.frame, ["F1", "F2", "F3"]))
    with pytest.raises(LoftError, match="only 3 frames have usable readings; at least 4"):
        fair(sim.make_job(frames), few)
    more = np.isin(survey.frame, ["F4"]) & np.isin(survey.line, ["S1S", "S1P"])
    mixed = sim.take(survey, np.isin(survey.frame, ["F1", "F2", "F3"]) | more)
    with pytest.raises(LoftError, match="only 3 frames have six readings or more"):
        fair(sim.make_job(frames), mixed)


def test_readings_set_aside_do_not_count_as_frames(barrel):
    _, frames, _, survey, *_ = barrel
    kept = np.isin(survey.frame, ["F1", "F2", "F3"])
    with pytest.raises(LoftError, match="trust one that is set aside"):
        fair(sim.make_job(frames), replace(survey, use=kept))


def test_a_folded_section_is_refused_by_frame():
    """A deep fillet: one frame's readings zigzag by angle between two branches."""
    body, frames = sim.barrel(), sim.frames_at(missing=MISSING)
    survey = sim.simulate(body, frames, sim.labels(40), np.random.default_rng(16))
    folded = (survey.frame == "F4") & (survey.bl > 0)
    inner = np.flatnonzero(folded)[::2]
    survey = sim.with_(survey, inner, bl=0.7 * survey.bl[inner])
    survey = sim.with_(survey, inner, wl=0.7 * survey.wl[inner])
    with pytest.raises(LoftError, match=r"frame F4: .*not star-shaped"):
        fair(sim.make_job(frames), survey)


@pytest.mark.parametrize("apart", [25.0, 100.0])
def test_a_fin_is_refused_however_few_its_readings(apart):
    """A strake that turns up: seen from the centre, the side stands behind it."""
    frames = sim.frames_at(missing=MISSING)
    survey = sim.simulate(sim.barrel(), frames, sim.labels(40), np.random.default_rng(17))
    mine = np.flatnonzero(survey.frame == "F4")
    root = mine[np.argmax(survey.bl[mine])]
    corners = np.array([(0, 0), (300, 0), (300, 240), (220, 240), (220, 80), (0, 80)], float)
    run = np.r_[0.0, np.cumsum(np.hypot(*np.diff(corners, axis=0).T))]
    along = np.arange(apart, run[-1], apart)
    spare = np.flatnonzero(survey.frame == "F2")[: len(along)]
    moved = {
        "frame": np.array(["F4"] * len(spare)),
        "station": np.full(len(spare), survey.station[root]),
        "bl": survey.bl[root] + np.interp(along[: len(spare)], run, corners[:, 0]),
        "wl": survey.wl[root] + np.interp(along[: len(spare)], run, corners[:, 1]),
    }
    for name, value in moved.items():
        survey = sim.with_(survey, spare, **{name: value})
    with pytest.raises(LoftError, match=r"frame F4: .*not star-shaped") as told:
        fair(sim.make_job(frames), survey, lines=False)
    assert len(told.value.findings) == 1


def test_blunders_and_a_dent_are_no_fold():
    """Two feet misread, five short readings, and a side pushed in by 150 mm: still faired."""
    frames = sim.frames_at(missing=MISSING)
    survey = sim.simulate(sim.barrel(), frames, sim.labels(40), np.random.default_rng(18))
    mine = np.flatnonzero(survey.frame == "F4")
    turn = np.arctan2(survey.bl[mine], survey.wl[mine] - survey.wl[mine].mean())
    dent = 150.0 * np.exp(-(((turn - 1.6) / 0.35) ** 2))
    wrong = mine[[2, 30]], mine[[5, 6, 7, 25, 26]]
    survey = sim.with_(survey, mine, bl=survey.bl[mine] - dent * np.sin(turn))
    survey = sim.with_(survey, wrong[0], wl=survey.wl[wrong[0]] - 304.8)
    survey = sim.with_(survey, wrong[1], bl=0.94 * survey.bl[wrong[1]])
    assert fair(sim.make_job(frames), survey, lines=False).lift(frames[0]).length > 0


def test_wild_readings_of_a_crowded_frame_are_no_fold_and_hide_none():
    """800 readings a frame, one in 25 wild by up to half the radius; then a fin read as closely."""
    frames = sim.frames_at(missing=MISSING)
    survey = sim.simulate(sim.barrel(), frames, sim.labels(800), np.random.default_rng(21))
    rng = np.random.default_rng(22)
    wild = np.flatnonzero(rng.random(len(survey.bl)) < 0.04)
    share = 1.0 + rng.uniform(-0.5, 0.5, len(wild))
    middle = survey.wl.mean()
    survey = sim.with_(survey, wild, bl=survey.bl[wild] * share)
    survey = sim.with_(survey, wild, wl=middle + (survey.wl[wild] - middle) * share)
    job = sim.make_job(frames)
    assert fair(job, survey, lines=False).lift(frames[0]).length > 0
    mine = np.flatnonzero(survey.frame == "F4")
    root = mine[np.argmax(survey.bl[mine])]
    reach = np.arange(3.0, 240.0, 3.0)
    fin = mine[rng.permutation(len(mine))[: 2 * len(reach)]]  # what is read of it replaces others
    survey = sim.with_(survey, fin, bl=survey.bl[root] + np.tile(reach, 2))
    survey = sim.with_(survey, fin, wl=survey.wl[root] + np.repeat([0.0, 80.0], len(reach)))
    with pytest.raises(LoftError, match=r"frame F4: .*not star-shaped") as told:
        fair(job, survey, lines=False)
    assert len(told.value.findings) == 1


def test_shape_is_not_taken_for_scatter():
    """Four frames far apart on a body that swells and narrows: its run is learned, not doubted."""
    body = replace(
        sim.barrel(),
        a=lambda x: 450.0 - 45.0 * ((x - 2600.0) / 1200.0) ** 2,
        b=lambda x: 560.0 - 55.0 * ((x - 2600.0) / 1200.0) ** 2,
    )
    frames = sim.frames_at(np.array([1400.0, 2200.0, 3000.0, 3800.0]))
    survey = sim.simulate(body, frames, sim.labels(24), np.random.default_rng(20), sigma=0.5)
    surface = fair(sim.make_job(frames), survey, lines=False)
    assert surface.fit.variances.noise < 2.0
    assert np.quantile(np.abs(surface.fit.error), 0.9) < 1.5


def test_a_chine_read_once_is_refused(floor):
    _, frames, survey = floor
    chine = np.isin(survey.line, ["C1S", "C1P"])
    once = sim.take(survey, ~chine | (survey.frame == "F3"))
    with pytest.raises(LoftError, match="C1S is marked but was read at fewer than two") as told:
        fair(sim.make_job(frames), once)
    assert "C1P" in str(told.value)


def test_readings_worse_than_their_sigma_are_told():
    """Read to 3 mm and said to be good for 1: told, and the band is the wider for it."""
    frames = sim.frames_at(missing=MISSING)
    job = sim.make_job(frames)
    honest, boast = (
        fair(
            job,
            sim.simulate(
                sim.barrel(),
                frames,
                sim.labels(40),
                np.random.default_rng(19),
                sigma=said,
                noise=3.0,
            ),
        )
        for said in (3.0, 1.0)
    )
    assert scatter(honest) == ()
    told = re.search(r"scatter ([0-9.]+) times", scatter(boast)[0].text)
    assert told is not None
    # the surface follows some of it: 480 readings, some 60 effective parameters
    assert float(told[1]) == pytest.approx(2.85, abs=0.25)
    missing = Frame(name="X", station=frames[MISSING].station)
    sd = [np.median(surface.lift(missing).sd) for surface in (honest, boast)]
    assert sd[1] == pytest.approx(sd[0], rel=0.15)


def test_past_the_surveyed_run_is_refused_or_warned(barrel):
    *_, surface, _, _ = barrel
    beyond = Frame(name="F13", station=5800.0)
    with pytest.raises(LoftError, match=r"F13: station 5800.0 mm is outside .* 0.0 to 5490.0"):
        reach_of(surface, beyond, False)
    told = reach_of(surface, beyond, True)
    assert told is not None
    assert told.severity == "warning"
    assert "extrapolated" in told.text
    assert reach_of(surface, Frame(name="F6", station=2500.0), False) is None


def test_a_thinly_read_chined_body_is_warned_of(floor, barrel):
    body, frames, survey = floor
    thin = sim.simulate(body, frames, sim.labels(10, edges=body.edges), np.random.default_rng(17))
    told = thin_frames(fair(sim.make_job(frames), thin))
    assert "12 points a frame" in told[0].text
    assert thin_frames(fair(sim.make_job(frames), survey)) == ()
    assert thin_frames(barrel[4]) == ()
