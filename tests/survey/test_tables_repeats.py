"""Repeat passes and exchanged labels."""

from dataclasses import replace

import numpy as np
import pytest
from hangar import JOB, STATIONS, TAPE, lines, point, put, rows

from loft.job.schema import read_job
from loft.survey.account import survey_summary
from loft.survey.gather import read_survey
from loft.survey.repeats import compare_passes
from loft.survey.swaps import swapped_labels

AGAIN = '[[survey]]\nfile = "again.csv"\nsigma = 1.5\nface = "skin_outer"\npass = 2\n'


def survey_at(folder, tape=None, **tables):
    job = read_job(
        put(folder, tape, job=JOB + TAPE + (AGAIN if "again" in tables else ""), **tables)
    )
    return job, read_survey(job)


def repeat(folder, bl, wl, d_bl, d_wl, sigma="0.1"):
    """Return the comparison of one point read twice, d_bl and d_wl apart."""
    tape = [*rows(), f"F12,S9S,,{bl},{wl}"]
    header = "frame,line,station,bl,wl,sigma\n"
    again = header + f"F12,S9S,,{bl + d_bl if bl else ''},{wl + d_wl},{sigma}\n"
    job, survey = survey_at(folder, tape, again=again)
    (found,) = compare_passes(survey)
    return job, survey, found


@pytest.mark.parametrize(("change", "failed"), [(4.99, False), (5.01, True)])
def test_repeats_fail_over_5_mm_per_metre_recording_historic_vessels_p_18(tmp_path, change, failed):
    """A point one metre from the datum lines; sigma of the difference 0.14 by rows."""
    _, _, found = repeat(tmp_path, 1000.0, 300.0, 0.0, change)
    found = replace(found, sigma=0.14)
    assert found.limit == pytest.approx(5.0, abs=1e-9)
    assert found.failed is failed


def test_the_limit_follows_the_greater_distance_from_the_datum_lines(tmp_path):
    _, _, found = repeat(tmp_path, 400.0, -2000.0, 3.0, 0.0)
    assert found.limit == pytest.approx(10.0, abs=1e-9)
    assert found.difference == pytest.approx(3.0, abs=1e-9)


def test_a_repeat_within_three_sigma_does_not_fail(tmp_path):
    """Both readings with 1.5 mm: three times 2.12 is 6.36 mm, over the 5 mm."""
    _, _, found = repeat(tmp_path, 1000.0, 300.0, 6.0, 0.0, sigma="1.5")
    assert found.sigma == pytest.approx(1.5 * np.sqrt(2.0), abs=1e-12)
    assert not found.failed
    _, _, found = repeat(tmp_path, 1000.0, 300.0, 7.0, 0.0, sigma="1.5")
    assert found.failed


def test_a_failed_repeat_is_said_and_the_job_goes_on(tmp_path):
    job, survey, _ = repeat(tmp_path, 1000.0, 300.0, 30.0, 40.0)
    (note,) = [note for note in survey.notes if "FAILED REPEAT" in note]
    assert "F12 S9S on skin_outer: the passes differ by 50.0 mm" in note
    assert "(tape.csv:74 and again.csv:2)" in note
    told = survey_summary(job, survey)["repeat"]
    assert told["verdict"] == "FAILED REPEAT"
    assert (told["compared"], told["rms"]) == (1, pytest.approx(50.0, abs=1e-9))
    assert told["failed"][0]["rows"] == ["tape.csv:74", "again.csv:2"]


def test_a_repeat_that_agrees_passes(tmp_path):
    again = [line for line in rows() if line.startswith("F12,")]
    job, survey = survey_at(tmp_path, again=again)
    told = survey_summary(job, survey)["repeat"]
    assert (told["compared"], told["verdict"], told["rms"]) == (12, "passed", 0.0)
    assert survey.notes == ()


def test_only_what_both_passes_read_is_compared(tmp_path):
    tape = [*rows(), "F12,S9S,,1000.0,"]
    _, survey = survey_at(tmp_path, tape, again=["F12,S9S,,1003.0,250.0"])
    (found,) = compare_passes(survey)
    assert found.difference == pytest.approx(3.0, abs=1e-9)
    _, survey = survey_at(tmp_path, tape, again=["F12,S9S,,,250.0"])
    assert compare_passes(survey) == ()


# exchanged labels


def exchange(table, frame, one, two):
    """Return the rows with two labels of one frame exchanged."""
    turn = {f"{frame},{one},": f"{frame},{two},", f"{frame},{two},": f"{frame},{one},"}
    found = []
    for line in table:
        for old, new in turn.items():
            if line.startswith(old):
                line = new + line.removeprefix(old)
                break
        found.append(line)
    return found


@pytest.mark.parametrize("frame", ["F11", "F13", "F17"])
def test_exchanged_labels_are_named_with_their_frame(tmp_path, frame):
    job = read_job(put(tmp_path, exchange(rows(count=9), frame, "S4P", "S5P")))
    survey = read_survey(job)
    (found,) = swapped_labels(survey)
    assert found.severity == "warning"
    assert f"frame {frame}: the labels S4P and S5P look exchanged" in found.text
    swapped = np.flatnonzero((survey.frame == frame) & np.isin(survey.line, ["S4P", "S5P"]))
    assert found.row == survey.row[swapped[0]]
    assert f"tape.csv:{survey.row[swapped[1]]}" in found.text
    assert [note for note in survey.notes if "look exchanged" in note]
    assert survey.use.all(), "nothing is changed"


def test_labels_exchanged_on_two_frames_in_a_row_are_both_named(tmp_path):
    table = exchange(rows(count=9), "F12", "S4P", "S5P")
    survey = read_survey(read_job(put(tmp_path, exchange(table, "F13", "S4P", "S5P"))))
    texts = [found.text for found in swapped_labels(survey)]
    assert len(texts) == 2
    assert "frame F12" in texts[0]
    assert "frame F13" in texts[1]


def test_a_label_moved_by_one_is_named_alone(tmp_path):
    table = [line for line in rows(count=9) if not line.startswith("F13,S5P,")]
    table = [line.replace("F13,S4P,", "F13,S5P,") for line in table]
    (found,) = swapped_labels(read_survey(read_job(put(tmp_path, table))))
    assert "frame F13: the point labelled S5P lies on the run of S4P" in found.text


def test_a_misread_point_beside_a_line_that_was_read_is_no_wrong_label(tmp_path):
    table = rows(count=9)
    there = next(line for line in table if line.startswith("F13,S6P,")).removeprefix("F13,S6P,")
    table = [f"F13,S4P,{there}" if line.startswith("F13,S4P,") else line for line in table]
    assert swapped_labels(read_survey(read_job(put(tmp_path, table)))) == ()


def noisy(rng, *, roll=0.0, shift=(0.0, 0.0), crush=0.0):
    """Return a survey with noise, one frame displaced and one crushed to starboard."""
    found = []
    for frame, station in STATIONS.items():
        if frame == "F14":
            continue
        for label, angle in lines(16).items():
            place = np.array(point(station, angle)) + rng.normal(0.0, 1.5, 2)
            if frame == "F13":
                place = place + np.array(shift) + roll * np.array([place[1], -place[0]])
            if frame == "F15" and label.endswith("S"):
                place = place * (1.0 - crush / 700.0)
            bl, wl = place
            if label[-1] in "PS" and (bl > 0.0) != label.endswith("S"):
                bl = -bl
            found.append(f"{frame},{label},,{bl:.3f},{wl:.3f}")
    return found


def test_noise_displacement_and_crush_are_no_exchange(tmp_path):
    """Frames moved by 40 mm, rolled by 1 deg and crushed by 40 mm keep their labels."""
    for seed in range(10):
        rng = np.random.default_rng(seed)
        table = noisy(rng, roll=np.deg2rad(1.0), shift=(25.0, -30.0), crush=40.0)
        assert swapped_labels(read_survey(read_job(put(tmp_path, table)))) == ()


def test_an_exchange_is_seen_through_noise_and_displacement(tmp_path):
    for seed in range(10):
        rng = np.random.default_rng(100 + seed)
        table = noisy(rng, roll=np.deg2rad(0.5), shift=(15.0, -20.0))
        table = exchange(table, "F13", "S7S", "S8S")
        (found,) = swapped_labels(read_survey(read_job(put(tmp_path, table))))
        assert "frame F13: the labels S7S and S8S look exchanged" in found.text
