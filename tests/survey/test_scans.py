"""Scans in the survey: their stringers, their account, where they are fitted to the tape."""

import json

import numpy as np
import pytest
from click.testing import CliRunner
from scanned import GAUGE, crests, near_slabs, skin, without_hidden, write
from test_clouds_job import ROTATION, SHIFT, folder

from loft.cli import main
from loft.corncrake import STRINGER, line_theta, touched
from loft.job.schema import read_job
from loft.survey.account import survey_summary
from loft.survey.gather import read_survey

FOLLOWED = ("S4P", "S7P", "S10P", "S4S", "S7S", "S10S")  # the stringers taped in the job
TORN = "S7S"


def with_stringers(tmp_path, extra=""):
    """The bay's job, its scan with stringers too; one of them is torn out."""
    folder(tmp_path, extra=extra)
    rng = np.random.default_rng(8)
    hull = without_hidden(skin(rng, rng.uniform(5600.0, 6720.0, 400_000)))
    edges = crests(rng, rng.uniform(5600.0, 6720.0, 90_000))
    run = np.array([touched(TORN, x)[1:] for x in (5600.0, 6720.0)])
    share = (edges[:, 0] - 5600.0) / 1120.0
    away = np.hypot(*(edges[:, 1:] - run[0] - share[:, None] * (run[1] - run[0])).T)
    points = np.concatenate([hull, edges[away > 45.0]])
    write(tmp_path / "bay.ply", (points - SHIFT) @ ROTATION / 1000.0)
    return tmp_path


@pytest.fixture(scope="module")
def bay(tmp_path_factory):
    return with_stringers(tmp_path_factory.mktemp("bay"))


def test_labelled_stringers_enter_the_survey_between_frames(bay):
    """At the stations across the bay, the missing frame's own among them."""
    survey = read_survey(read_job(bay))
    mine = (survey.source == "bay.ply") & (survey.line != "")
    assert set(survey.line[mine]) == set(FOLLOWED) - {TORN}
    assert set(survey.face[mine]) == {"stringer_inner"}
    assert set(survey.frame[mine]) == {""}
    assert set(survey.depth[mine]) == {GAUGE + STRINGER}
    assert 6160.0 in survey.station[mine]
    for k in np.flatnonzero(mine):
        true = touched(survey.line[k], survey.station[k], depth=GAUGE + STRINGER)[1:]
        theta = float(line_theta(survey.line[k], survey.station[k]))
        away = np.array([survey.bl[k], survey.wl[k]]) - true
        # the targets' sd of 0.5 mm and the tapes' 1.5 at the ends of the run; as measured
        # on scans without either the edge itself is met to 0.4 and 1.0 mm
        assert abs(away @ (np.sin(theta), np.cos(theta))) < 1.0
        assert abs(away @ (np.cos(theta), -np.sin(theta))) < 1.5
    numbers = survey.row[survey.source == "bay.ply"]
    assert len(np.unique(numbers)) == len(numbers)


def test_readings_of_one_run_weigh_as_one(bay):
    """Five points of one parabola through one length of metal are not five readings."""
    survey = read_survey(read_job(bay))
    one = (survey.source == "bay.ply") & (survey.line == "S4P") & (survey.station > 5680)
    one &= survey.station < 6640
    assert one.sum() == 5
    together = 1.0 / np.sqrt(np.sum(survey.sigma[one] ** -2.0))
    # alone the edge is known to some tenths: the sum must not be surer than one of them
    assert 0.3 < together < 1.0


def test_what_no_scan_shows_is_said(bay):
    survey = read_survey(read_job(bay))
    told = [note for note in survey.notes if "inner edge" in note]
    assert (
        "no scan shows the inner edge of S7S at station 5840, 6000, 6160, 6320, 6480 mm: nothing "
        "stands its depth inside the skin" in told
    )
    assert len([note for note in told if "S4P" in note]) == 0


def test_stringers_can_be_left_out(tmp_path):
    survey = read_survey(read_job(with_stringers(tmp_path, extra="stringers = false\n")))
    assert set(survey.line[survey.source == "bay.ply"]) == {""}
    assert survey.scans[0]["stringers"] == []


def test_account_of_the_scan_is_carried(bay):
    job = read_job(bay)
    data = survey_summary(job, read_survey(job))
    (scan,) = data["scans"]
    json.dumps(data, allow_nan=False)
    assert [target["name"] for target in scan["targets"]["targets"]] == [
        f"T{k}" for k in range(1, 6)
    ]
    assert scan["targets"]["rms"] < 0.01  # the test's targets are exact
    assert scan["targets"]["hand_proved"]
    assert {slab["frame"] for slab in scan["slabs"] if slab["cells"]} >= {"F13", "F15"}
    assert scan["frames_without"] == []
    assert data["by_set"]["scan"] == scan["readings"] + scan["crests"]
    assert data["by_line_and_frame"]["S4P"]["F12"] == 1
    assert data["by_line_and_frame"]["S4P"]["F14"] == 0
    assert data["by_line_and_frame"]["S4P"]["between frames"] >= 5


def test_frame_in_reach_without_a_reading_is_named(tmp_path):
    """The scan goes on past F15, whose skin was hidden."""
    folder(tmp_path)
    rng = np.random.default_rng(9)
    points = skin(rng, near_slabs(rng, 200_000, 5680, 5840, 6000, 6160, 6320, 6480, 6800))
    write(tmp_path / "bay.ply", (points - SHIFT) @ ROTATION / 1000.0)
    survey = read_survey(read_job(tmp_path))
    assert survey.scans[0]["frames_without"] == ["F15"]


def test_survey_command_prints_the_whole_account(bay, tmp_path):
    done = CliRunner().invoke(main, ["survey", str(bay), "--out", str(tmp_path)])
    assert done.exit_code == 0, done.output
    for words in (
        "from: scan", "readings in use by line and frame", "targets, misses 0.00 rms, hand proved",
        "set aside as not on the face skin_inner", "5 stringers followed along the bays",
        "repeats: no point was read twice", "no scan shows the inner edge of S7S",
    ):  # fmt: skip
        assert words in done.output, words
    assert (tmp_path / "points.csv").exists()
