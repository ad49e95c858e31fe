"""Levelling by the body's own symmetry: exact, with a crushed side, with its uncertainty."""

from pathlib import Path

import numpy as np
import pytest

from loft.job.errors import LoftError
from loft.job.records import Job
from loft.survey.datum import level_survey
from loft.survey.gather import survey_of
from loft.survey.level import level
from loft.survey.tables import Reading

STATIONS = np.array([4700.0, 5200.0, 5680.0, 6640.0, 7080.0, 7580.0, 8040.0, 8480.0])


def body(lines=12):
    """A tapering oval body: points, frames and labels, crown and keel on the centreline."""
    points, frame, line = [], [], []
    for k, station in enumerate(STATIONS):
        size = 1.0 - 0.00006 * (station - 4700.0)
        for n in range(lines):
            angle = np.pi * (n + 0.5) / lines
            bl, wl = 620 * size * np.sin(angle), 920 + 800 * size * np.cos(angle)
            for side, letter in ((1, "S"), (-1, "P")):
                points.append([station, side * bl, wl])
                frame.append(f"F{k}")
                line.append(f"S{n + 1}{letter}")
        for label, wl in (("CROWN", 920 + 800 * size), ("KEEL", 920 - 800 * size)):
            points.append([station, 0.0, wl])
            frame.append(f"F{k}")
            line.append(label)
    return np.array(points), np.array(frame), np.array(line)


def turn(axis, angle):
    one, two = (axis + 1) % 3, (axis + 2) % 3
    matrix = np.eye(3)
    matrix[[one, two], [one, two]] = np.cos(angle)
    matrix[two, one], matrix[one, two] = np.sin(angle), -np.sin(angle)
    return matrix


def displaced(points, offset=35.0, roll=0.02, heading=-0.012):
    """The body as it stands in the hangar: rolled starboard up, tail to port, shifted."""
    centre = np.array([points[:, 0].mean(), 0.0, points[:, 2].mean()])
    return (points - centre) @ (turn(2, heading) @ turn(0, roll)).T + centre + [0.0, offset, 0.0]


@pytest.mark.parametrize(
    ("roll", "heading"), [(0.02, -0.012), (-0.15, 0.1), (0.0, 0.0), (0.3, 0.2)]
)
def test_exact_body_is_levelled_exactly(roll, heading):
    """To rounding error, up to 17 degrees of roll: the equations are iterated."""
    points, frame, line = body()
    found = level(displaced(points, 35.0, roll, heading), frame=frame, line=line, sigma=1.0)
    assert found.roll == pytest.approx(roll, abs=1e-9)
    assert found.heading == pytest.approx(heading, abs=1e-9)
    upright = found.apply(displaced(points, 35.0, roll, heading))
    port = {
        (f, n[:-1]): k for k, (f, n) in enumerate(zip(frame, line, strict=True)) if n[-1] == "P"
    }
    for k, (f, n) in enumerate(zip(frame, line, strict=True)):
        if n[-1] == "S":
            assert upright[k, 1] == pytest.approx(-upright[port[f, n[:-1]], 1], abs=1e-6)
            assert upright[k, 2] == pytest.approx(upright[port[f, n[:-1]], 2], abs=1e-6)


def test_signs_of_roll_and_heading():
    """Starboard up is positive roll, tail to starboard positive heading."""
    points, frame, line = body()
    lifted = points + points[:, [1]] * [0.0, 0.0, 0.01] - (points[:, [2]] - 920) * [0.0, 0.01, 0.0]
    assert level(lifted, frame=frame, line=line, sigma=1.0).roll == pytest.approx(0.01, rel=0.01)
    swung = points + (points[:, [0]] - 6500) * [0.0, 0.01, 0.0]
    assert level(swung, frame=frame, line=line, sigma=1.0).heading == pytest.approx(0.01, rel=0.01)


def test_mirrored_body_gives_mirrored_centring():
    points, frame, line = body()
    noise = np.random.default_rng(1).standard_normal(points.shape)
    moved = displaced(points) + noise
    swap = np.array([n[:-1] + {"S": "P", "P": "S"}.get(n[-1], n[-1]) for n in line])
    swap[np.isin(line, ["CROWN", "KEEL"])] = line[np.isin(line, ["CROWN", "KEEL"])]
    one = level(moved, frame=frame, line=line, sigma=1.0)
    two = level(moved * [1, -1, 1], frame=frame, line=swap, sigma=1.0)
    assert two.offset == pytest.approx(-one.offset, abs=1e-5)
    assert two.roll == pytest.approx(-one.roll, abs=1e-8)
    assert two.heading == pytest.approx(-one.heading, abs=1e-8)


def crushed(points, frame, line):
    """The starboard side of three frames pushed in by 20 to 60 mm."""
    points = points.copy()
    hit = np.isin(frame, ["F1", "F2", "F3"]) & np.char.endswith(line, "S") & (points[:, 1] > 250)
    points[hit, 1] -= 20 + 40 * (points[hit, 1] - 250) / 370
    points[hit, 2] -= 8.0
    return points, hit


def test_crushed_side_does_not_draw_the_plane_over():
    """Sound and crushed body, same noise: the plane moves by less than its own sd."""
    points, frame, line = body()
    dented, hit = crushed(points, frame, line)
    noise = 1.5 * np.random.default_rng(2).standard_normal(points.shape)
    sound = level(displaced(points) + noise, frame=frame, line=line, sigma=1.5)
    found = level(displaced(dented) + noise, frame=frame, line=line, sigma=1.5)
    moved = np.abs(
        [
            found.offset - sound.offset,
            found.roll - sound.roll,
            found.heading - sound.heading,
        ]
    )
    assert (moved < found.sd).all()
    assert len(found.rejected) >= 0.8 * hit.sum()
    assert all(name.split()[0] in ("F1", "F2", "F3") for name in found.rejected)
    assert "not symmetric" in found.findings[0].text


def test_stated_uncertainty_holds_the_truth():
    """Frames settle 2 mm and 0.1 degree each for itself: chi-square of 3, mean 3.

    60 draws of 8 frames: so few frames make the law wider than the normal one; with 8 - 2
    degrees of freedom the mean is 3 . 6/(6 - 2) = 4.5.
    """
    points, frame, line = body()
    rng = np.random.default_rng(3)
    truth = np.array([35.0, 0.02, -0.012])
    worth = []
    for _ in range(60):
        moved = points.copy()
        for name in np.unique(frame):
            pick = frame == name
            roll = np.deg2rad(0.1) * rng.standard_normal()
            lever = moved[pick] - [0.0, 0.0, 920.0]
            moved[pick, 1] += 2 * rng.standard_normal() - roll * lever[:, 2]
            moved[pick, 2] += roll * lever[:, 1]
        moved = displaced(moved) + 1.5 * rng.standard_normal(points.shape)
        found = level(moved, frame=frame, line=line, sigma=1.5)
        error = np.array([found.offset, found.roll, found.heading]) - truth
        worth.append(error @ np.linalg.solve(found.covariance, error))
    assert 2.0 < np.mean(worth) < 5.5


def test_covariance_at_is_the_derivative_of_apply():
    """Move offset, roll and heading a little: points move as the covariance says."""
    points, frame, line = body()
    noise = np.random.default_rng(5).standard_normal(points.shape)
    found = level(displaced(points) + noise, frame=frame, line=line, sigma=1.0)
    where = np.array([[8000.0, 500.0, 1500.0]])
    expected = np.zeros((3, 3))
    rows = []
    for step in np.eye(3) * [1e-3, 1e-7, 1e-7]:
        other = type(found)(
            offset=found.offset + step[0],
            roll=found.roll + step[1],
            heading=found.heading + step[2],
            centre=found.centre,
            covariance=found.covariance,
            pairs=1,
            rejected=(),
        )
        rows.append((other.apply(where)[0] - found.apply(where)[0]) / step.sum())
    slope = np.array(rows).T
    expected = slope @ found.covariance @ slope.T
    got = found.covariance_at(found.apply(where))[0]
    # Roll and heading of some degrees leave a few hundredths of cross terms.
    assert got == pytest.approx(expected, abs=0.05 * np.abs(expected).max())


def test_outlines_without_labels_are_levelled():
    """80 unlabelled points a frame; the polygon between them costs under 0.1 mm."""
    points, frame, _ = body(lines=60)
    line = np.full(len(points), "")
    found = level(displaced(points, 20.0, 0.01, 0.004), frame=frame, line=line, sigma=1.0)
    assert found.offset == pytest.approx(20.0, abs=0.2)
    assert found.roll == pytest.approx(0.01, abs=2e-4)
    assert found.heading == pytest.approx(0.004, abs=1e-4)


def test_round_body_does_not_show_its_roll():
    """A circle looks alike however it is rolled: the sd of roll says so."""
    angle = np.deg2rad(np.arange(0.0, 360.0, 3.0) + 0.7)
    ring = np.stack([0 * angle, 600 * np.sin(angle), 900 + 600 * np.cos(angle)], axis=1)
    points = np.concatenate([ring + [s, 0, 0] for s in STATIONS])
    frame = np.repeat([f"F{k}" for k in range(len(STATIONS))], len(angle))
    points += 0.5 * np.random.default_rng(6).standard_normal(points.shape)
    found = level(points, frame=frame, line=np.full(len(points), ""), sigma=0.5)
    assert abs(found.offset) < 4 * found.sd[0]
    assert any("roll known to" in finding.text for finding in found.findings)


def test_pairs_of_one_frame_are_refused():
    points, frame, line = body()
    one = frame == "F2"
    with pytest.raises(LoftError, match="two frames or more wanted"):
        level(points[one], frame=frame[one], line=line[one], sigma=1.0)


def test_one_side_alone_is_refused():
    points, frame, line = body()
    port = np.char.endswith(line, "P") & (line != "KEEL")
    with pytest.raises(LoftError, match=r"0 mirror pairs found, 4 or more wanted"):
        level(points[port], frame=frame[port], line=line[port], sigma=1.0)


@pytest.mark.parametrize(
    ("count", "words"), [(84, "the two sides differ by"), (53, "53 of 112 mirror pairs disagree")]
)
def test_body_that_is_not_symmetric_is_refused(count, words):
    """So many starboard points 60 to 300 mm off: most of the 112 pairs, or nearly half."""
    points, frame, line = body()
    rng = np.random.default_rng(4)
    starboard = np.flatnonzero(points[:, 1] > 1.0)
    bad = rng.permutation(starboard)[:count]
    points[bad] += rng.uniform(60, 300, (count, 3)) * [0, 1, 1]
    with pytest.raises(LoftError, match=words):
        level(points, frame=frame, line=line, sigma=1.0)


def test_nothing_read_is_refused():
    with pytest.raises(LoftError, match="symmetry needs both sides"):
        level(np.full((3, 3), np.nan), frame=[""] * 3, line=[""] * 3, sigma=1.0)


def as_survey(points, frame, line):
    job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    readings = [
        Reading(
            frame=str(frame[k]),
            line=str(line[k]),
            station=points[k, 0],
            bl=points[k, 1],
            wl=points[k, 2],
            sigma=1.5,
            face="skin_outer",
            depth=0.0,
            source="tape.csv",
            row=k + 2,
        )
        for k in range(len(points))
    ]
    return survey_of(job, readings)


def test_levelled_survey_is_upright_and_says_how_it_stood():
    """Frames keep their stations; the rest is the body as built, to second order."""
    points, frame, line = body()
    moved = displaced(points, 35.0, 0.02, 0.004)
    moved[:, 0] = points[:, 0]
    survey, centring = level_survey(as_survey(moved, frame, line))
    assert survey.station.tolist() == points[:, 0].tolist()
    upright = np.stack([survey.station, survey.bl, survey.wl], axis=1)
    crown = line == "CROWN"
    assert upright[crown, 1] == pytest.approx(np.zeros(crown.sum()), abs=0.1)
    # Heading shortens the stations by s (1 - cos): bl follows by 0.004 * 0.004 * 600.
    assert upright == pytest.approx(points + [0, 0, 0], abs=0.1)
    assert survey.notes[0].startswith("levelled by its own symmetry over 112 pairs: bl 35.0 ± ")
    assert centring.roll == pytest.approx(0.02, abs=1e-4)


def test_half_read_point_is_turned_by_its_line():
    """Its wl follows from the frames beside it: 0.1 mm of bl for 5 mm of wl at 0.02."""
    points, frame, line = body()
    moved = displaced(points, 35.0, 0.02, 0.0)
    moved[:, 0] = points[:, 0]
    k = int(np.flatnonzero((frame == "F3") & (line == "S4P"))[0])
    moved[k, 2] = np.nan
    survey, _ = level_survey(as_survey(moved, frame, line))
    assert survey.bl[k] == pytest.approx(points[k, 1], abs=0.2)
    assert np.isnan(survey.wl[k])
    assert survey.sigma[k] == pytest.approx(np.hypot(1.5, 50 * 0.02), rel=1e-3)


def test_half_read_point_without_its_line_is_refused():
    points, frame, line = body()
    points[5, 2] = np.nan
    line = line.astype(object)
    line[5] = "S77S"
    with pytest.raises(LoftError, match=r"tape\.csv:7: bl and wl found one without the other"):
        level_survey(as_survey(points, frame, line))
