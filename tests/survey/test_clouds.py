"""A scan against the Corncrake's true shape, with clutter, wrong units and bad points."""

import json
import tracemalloc

import numpy as np
import pytest
from scanned import (
    SPREAD,
    Moved,
    at_depth,
    corncrake,
    crests,
    near_slabs,
    scan_of,
    skin,
    without_hidden,
    write,
)

from loft.corncrake import CANT_DEG, GAUGE, PIVOT_WL, STATIONS, STRINGER, true_normal, truth
from loft.job.errors import LoftError
from loft.survey.clouds import cloud_survey

CUTS = 5680.0, 5840.0, 6000.0, 6160.0, 6320.0, 6480.0, 6640.0
"""F13, two cuts, the missing F14, two cuts, F15."""
JOB = corncrake()


def off_face(survey):
    """How far each reading stands outside its own true face, mm along the normal.

    Independent of the reader: the nearest of very many true points of the face. Their
    spacing of under 2 mm makes the normal distance good to 0.001 mm.
    """
    theta = np.linspace(-np.pi, np.pi, 3601)
    depth = float(survey.depth[0])
    off = np.zeros(len(survey))
    for station in np.unique(survey.station):
        face = at_depth(station, theta, np.full(len(theta), depth))
        normal = true_normal(station, theta)
        for k in np.flatnonzero(survey.station == station):
            away = (station, survey.bl[k], survey.wl[k]) - face
            near = int(np.argmin((away**2).sum(axis=1)))
            off[k] = away[near] @ normal[near]
    return off


def assert_sound(survey, off):
    """No reading off by what its own sigma cannot carry, and none of another layer.

    The largest of 2500 normal deviates is 3.6 sigma; spreads known from 20 to 200 points
    and the few strays that look like metal lengthen the tail.
    """
    assert (np.abs(off) / survey.sigma).max() < 7.0
    assert (np.abs(off) / survey.sigma > 4.0).mean() < 0.005
    assert np.abs(off).max() < 3.0


def refusal(*args, **more):
    with pytest.raises(LoftError) as refused:
        cloud_survey(*args, **more)
    lines = str(refused.value).splitlines()
    assert len(lines) == 1
    return lines[0]


def bay(seed, count, **more):
    rng = np.random.default_rng(seed)
    return skin(rng, near_slabs(rng, count, *CUTS), **more)


@pytest.fixture(scope="module")
def clean(tmp_path_factory):
    path = tmp_path_factory.mktemp("scan") / "bay.ply"
    write(path, bay(1, 300_000))
    return path


def test_clean_skin_to_a_sixth_of_its_noise(clean):
    """About 90 points a cell, on the flat side 28: their planes' mean is stated as it is."""
    survey, report = cloud_survey(JOB, scan_of(clean), Moved(np.eye(3), np.zeros(3)))
    off = off_face(survey)
    assert len(survey) > 0.99 * 360 * 7  # three frames, and two slabs in each of two bays
    assert np.median(np.abs(off)) < 0.6745 * SPREAD / 6
    assert abs(off.mean()) < 0.02  # 2500 cells: 0.002 by chance; the sagitta of a cell is 0.01
    # stated and true must agree: chi-squared of 2500 cells has sd 0.026; Tukey's own figure of
    # 0.95 and the median-based spread make the statement a little wide or narrow
    assert 0.8 < np.mean((off / survey.sigma) ** 2) < 1.3
    assert report["points"] == 300_000
    assert report["set_aside"] < 0.05  # Tukey lets 1.5 % of sound points go, and some cells go


def test_what_moves_with_a_frame_and_what_does_not(clean):
    survey, _ = cloud_survey(JOB, scan_of(clean))
    by = {station: set(survey.frame[survey.station == station]) for station in set(survey.station)}
    assert by[STATIONS["F13"]] == {"F13"}
    assert by[STATIONS["F15"]] == {"F15"}
    assert by[STATIONS["F14"]] == {""}  # missing: no metal of its own to move with
    assert by[5840.0] == by[6000.0] == {""}
    assert (survey.depth == GAUGE).all()
    assert (survey.line == "").all()
    assert survey.row.tolist() == list(range(1, len(survey) + 1))


def test_chunks_change_nothing(clean):
    one, told = cloud_survey(JOB, scan_of(clean), chunk=299_999)
    other, again = cloud_survey(JOB, scan_of(clean), chunk=21_777)
    for name in ("station", "bl", "wl", "sigma"):
        assert (getattr(one, name) == getattr(other, name)).all(), name
    assert json.dumps(told) == json.dumps(again)


def test_without_registration_the_stated_sigma_stands_whole(clean):
    survey, _ = cloud_survey(JOB, scan_of(clean, sigma=0.8))
    assert (survey.shared >= 0.8).all()
    assert any("how well it was registered is not known" in note for note in survey.notes)


def test_registration_is_applied_with_its_covariance(clean, tmp_path):
    """The scanner's own axes: turned 30 degrees about up, shifted, in metres."""
    turn = np.deg2rad(30.0)
    rotation = np.array(
        [[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1.0]]
    )
    shift = np.array([5000.0, -2000.0, 300.0])
    points = bay(1, 300_000)
    path = write(tmp_path / "bay.ply", (points - shift) @ rotation / 1000.0)
    moved = Moved(rotation, shift, sd=0.3)
    survey, _ = cloud_survey(JOB, scan_of(path, unit="m"), moved)
    plain, _ = cloud_survey(JOB, scan_of(clean), Moved(np.eye(3), np.zeros(3)))
    assert len(survey) == len(plain)
    # the same points but for the rounding of double precision, so the same sample and planes
    assert np.allclose(survey.bl, plain.bl, rtol=0, atol=1e-3)
    assert np.allclose(survey.wl, plain.wl, rtol=0, atol=1e-3)
    # what all readings share stands apart from what each has of its own
    assert np.allclose(survey.sigma, plain.sigma, rtol=1e-3)
    assert np.allclose(survey.shared, 0.3)


def test_clutter_does_not_drag_the_skin(tmp_path):
    """Stringers hide a ninth of the skin; webs, cables, a flange's inside and strays stand by."""
    rng = np.random.default_rng(5)
    parts = [without_hidden(bay(5, 200_000)), crests(rng, near_slabs(rng, 25_000, *CUTS))]
    for name in ("F13", "F15"):  # the webs, 75 deep
        station = STATIONS[name] + rng.uniform(-0.6, 0.6, 8_000)
        depth = rng.uniform(GAUGE, 75.0, 8_000)
        parts.append(at_depth(station, rng.uniform(-np.pi, np.pi, 8_000), depth))
    for theta in (0.7, -2.0):  # two cables 40 mm inside
        angle = np.full(2000, theta) + rng.normal(0, 0.004, 2000)
        parts.append(at_depth(near_slabs(rng, 2000, *CUTS), angle, 40.0 + rng.normal(0, 3, 2000)))
    box = np.column_stack(
        [
            near_slabs(rng, 8_000, *CUTS),
            rng.uniform(-600, 600, 8_000),
            rng.uniform(150, 1650, 8_000),
        ]
    )
    path = write(tmp_path / "bay.ply", np.concatenate([*parts, box]))
    survey, report = cloud_survey(JOB, scan_of(path), Moved(np.eye(3), np.zeros(3)))
    off = off_face(survey)
    # nothing of 22 or 40 mm gets in; a cell of which little is seen is off by its own sd
    assert np.abs(off).max() < 3.0
    assert np.sqrt(np.mean(off**2)) < 0.25
    assert (np.abs(off) > 1.0).mean() < 0.005
    assert 0.1 < report["set_aside"] < 0.4


def test_far_layer_behind_a_hole_is_not_the_skin(tmp_path):
    """A hangar wall seen through a torn side: nothing is read there."""
    rng = np.random.default_rng(6)
    points = bay(6, 150_000)
    hole = (points[:, 1] > 0) & (np.abs(points[:, 2] - 900.0) < 200.0)
    wall = np.column_stack(
        [near_slabs(rng, 40_000, *CUTS), np.full(40_000, 4000.0), rng.uniform(0.0, 3000.0, 40_000)]
    )
    path = write(tmp_path / "bay.ply", np.concatenate([points[~hole], wall]))
    survey, _ = cloud_survey(JOB, scan_of(path), Moved(np.eye(3), np.zeros(3)))
    assert survey.bl.max() < 700.0
    torn = (survey.bl > 0) & (np.abs(survey.wl - 900.0) < 180.0)
    assert not torn.any()
    assert_sound(survey, off_face(survey))


def test_one_side_alone(tmp_path):
    points = bay(7, 60_000, port=0.5, starboard=2.2)
    survey, report = cloud_survey(
        JOB, scan_of(write(tmp_path / "bay.ply", points)), Moved(np.eye(3), np.zeros(3))
    )
    assert len(survey) > 7 * 75  # of the 79 cells or so between those two normals
    assert_sound(survey, off_face(survey))
    assert not any(slab["hardly_seen"] for slab in report["slabs"])


def test_canted_frame_is_cut_along_its_plane(tmp_path):
    rng = np.random.default_rng(8)
    points = skin(rng, near_slabs(rng, 200_000, 8040.0, half=150.0))
    path = write(tmp_path / "bay.ply", points)
    survey, _ = cloud_survey(JOB, scan_of(path), Moved(np.eye(3), np.zeros(3)))
    own = survey.frame == "F18"
    assert own.sum() > 350
    plane = STATIONS["F18"] + (survey.wl[own] - PIVOT_WL) * np.tan(np.deg2rad(CANT_DEG))
    assert np.allclose(survey.station[own], plane, rtol=0, atol=1e-9)
    assert_sound(survey, off_face(survey))


def test_flange_side_of_a_web_is_not_read_as_skin(tmp_path):
    """The flange lies forward and hides the skin there: its inside is 1.2 mm off."""
    rng = np.random.default_rng(9)
    station = STATIONS["F13"]
    points = skin(rng, near_slabs(rng, 60_000, station))
    hidden = (points[:, 0] > station - 19.0) & (points[:, 0] < station)
    flange = skin(rng, rng.uniform(station - 19.0, station, 30_000), depth=GAUGE + 1.2)
    path = write(tmp_path / "bay.ply", np.concatenate([points[~hidden], flange]))
    exact = Moved(np.eye(3), np.zeros(3))
    seen, _ = cloud_survey(corncrake(touch=-10.0), scan_of(path), exact)
    blind, _ = cloud_survey(JOB, scan_of(path), exact)
    assert abs(off_face(seen).mean()) < 0.02
    assert (seen.station == station + 7.5).all()
    assert off_face(blind).mean() < -0.3  # what not knowing the side costs


def test_flange_is_read_where_it_was_touched(tmp_path):
    rng = np.random.default_rng(10)
    station = STATIONS["F13"]
    points = skin(rng, rng.uniform(station - 19.0, station, 40_000))
    path = write(tmp_path / "bay.ply", points)
    survey, _ = cloud_survey(corncrake(touch=-10.0), scan_of(path, face="frame_flange"))
    assert set(survey.frame) == {"F13"}
    assert (survey.station == station - 10.0).all()
    assert_sound(survey, off_face(survey))


def test_stringer_crests_are_picked_from_the_skin(tmp_path):
    rng = np.random.default_rng(11)
    points = [without_hidden(bay(11, 200_000)), crests(rng, near_slabs(rng, 40_000, *CUTS))]
    path = write(tmp_path / "bay.ply", np.concatenate(points))
    survey, _ = cloud_survey(JOB, scan_of(path, face="stringer_inner"))
    assert (survey.depth == GAUGE + STRINGER).all()
    assert len(survey) > 7 * 20  # 26 stringers, each one or two cells wide
    assert_sound(survey, off_face(survey))


def test_skin_alone_shows_no_stringer(clean):
    said = refusal(JOB, scan_of(clean, face="stringer_inner"))
    assert "nothing stands about 22 mm inside the skin" in said


# ---- what is refused or told -------------------------------------------------------------


@pytest.mark.parametrize(
    ("real", "stated"), [("m", "mm"), ("mm", "m"), ("mm", "in"), ("in", "mm"), ("m", "ft")]
)
def test_wrong_unit_is_caught_and_the_right_one_named(tmp_path, real, stated):
    rng = np.random.default_rng(12)
    size = {"mm": 1.0, "m": 1000.0, "in": 25.4}
    points = skin(rng, rng.uniform(3000.0, 9000.0, 20_000)) / size[real]
    said = refusal(JOB, scan_of(write(tmp_path / "bay.ply", points), unit=stated))
    assert "bay.ply: units: stations " in said
    assert said.endswith(f'it would fit with units = "{real}"')


def test_cloud_beside_the_schedule_is_refused(tmp_path):
    rng = np.random.default_rng(12)
    points = skin(rng, rng.uniform(200.0, 2800.0, 20_000))
    said = refusal(JOB, scan_of(write(tmp_path / "bay.ply", points)))
    assert "frames at 3060.0 to 8890.0 mm wanted" in said
    assert "stations 2" in said


def test_points_without_numbers_are_dropped_and_counted(tmp_path, clean):
    from loft.survey.readers import iter_cloud

    points = np.concatenate(list(iter_cloud(clean)))
    points[::10, 1] = np.nan
    points[5::1000] = np.inf
    path = write(tmp_path / "bay.ply", points)
    survey, report = cloud_survey(JOB, scan_of(path))
    assert report["without_numbers"] == 30_300
    said = "bay.ply: 30300 of 300000 points carry no numbers and were left out"
    assert any(note.endswith(said) for note in survey.notes)
    assert_sound(survey, off_face(survey))


def test_nothing_but_blanks_is_refused(tmp_path):
    path = write(tmp_path / "bay.ply", np.full((100, 3), np.nan))
    assert "all 100 points are without numbers" in refusal(JOB, scan_of(path))


def test_noise_is_no_metal(tmp_path):
    rng = np.random.default_rng(13)
    points = rng.uniform([5600, -600, 100], [6720, 600, 1600], (20_000, 3))
    path = write(tmp_path / "bay.ply", points)
    said = refusal(JOB, scan_of(path))
    assert "no metal in them that goes on from cell to cell" in said


def test_missing_depth_is_named(clean):
    said = refusal(corncrake(skin_gauge=float("nan")), scan_of(clean))
    assert "gauge wanted in [skin]" in said


def test_coarse_numbers_are_told(tmp_path):
    """Single precision of numbers far from their datum goes in steps of millimetres."""
    points = bay(14, 150_000)
    far = points + [0.0, 3e7, 0.0]
    path = write(tmp_path / "bay.ply", far, "<f4")
    moved = Moved(np.eye(3), np.array([0.0, -3e7, 0.0]))
    survey, _ = cloud_survey(JOB, scan_of(path), moved)
    assert any("its numbers go in steps of 2 mm" in note for note in survey.notes)


def test_rougher_than_stated_is_told(clean):
    survey, _ = cloud_survey(JOB, scan_of(clean, sigma=0.3))
    assert any("more than twice the stated sigma of 0.3 mm" in note for note in survey.notes)


def test_memory_does_not_grow_with_the_points(tmp_path):
    """Every point in a slab, and twenty chunks of them: what is kept stays the same."""
    rng = np.random.default_rng(15)
    path = write(tmp_path / "bay.ply", skin(rng, rng.uniform(5665.0, 5695.0, 500_000)))
    peaks = []
    for chunk in (25_000, 50_000):
        tracemalloc.start()
        cloud_survey(JOB, scan_of(path), chunk=chunk)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    # 460 squares of 64 points at 40 bytes, and what waits to be merged, at most 1 M x 40 x 3
    assert max(peaks) < 200e6


def test_report_is_plain(clean):
    _, report = cloud_survey(JOB, scan_of(clean))
    again = json.loads(json.dumps(report, allow_nan=False))
    assert again["extent"]["station"] == pytest.approx([5661.0, 6659.0], abs=1.0)
    assert again["readings"] == sum(slab["cells"] for slab in again["slabs"])


def test_true_body_of_the_tests_is_the_corncrake():
    """The tests' own face lies on the mould line where its depth is 0."""
    theta = np.linspace(-3.0, 3.0, 7)
    assert np.allclose(at_depth(6160.0, theta, np.zeros(7))[:, 1:], truth(6160.0, theta))


def test_a_wall_behind_a_torn_side_is_not_the_body(tmp_path):
    """F15 shows nothing but the hangar's wall: left out and said, and the skin stays."""
    rng = np.random.default_rng(21)
    body = skin(rng, near_slabs(rng, 120_000, *CUTS[:-1]))
    height = rng.uniform(700.0, 1600.0, 8000)
    out = 2600.0 + rng.normal(0.0, SPREAD, len(height))
    wall = np.stack([near_slabs(rng, len(height), CUTS[-1]), out, height], axis=1)
    plain, _ = cloud_survey(JOB, scan_of(write(tmp_path / "body.ply", body)))
    scan = scan_of(write(tmp_path / "both.ply", np.concatenate([body, wall])))
    survey, report = cloud_survey(JOB, scan)
    assert np.abs(survey.bl).max() < 700.0
    assert len(survey) == pytest.approx(len(plain), rel=0.01)
    assert "F15" not in survey.frame
    told = [note for note in survey.notes if "not the body" in note]
    assert len(told) == 1
    assert "at station 6640 mm lies so far out" in told[0]
    assert next(row for row in report["slabs"] if row["frame"] == "F15")["hardly_seen"]
