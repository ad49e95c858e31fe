"""What was reached and what was missed, against surveys that lack known readings."""

from pathlib import Path

import numpy as np

from loft.corncrake import GAUGE, LINES, STATIONS, line_theta, touched
from loft.job.records import Damage, Frame, Job, SurveySet
from loft.survey.coverage import coverage_of
from loft.survey.damage import apply_damage
from loft.survey.gather import survey_of
from loft.survey.tables import Reading

NAMES = ("F12", "F13", "F14", "F15", "F16")


def job_of(**more):
    frames = tuple(
        Frame(name=name, station=STATIONS[name], status="missing" if name == "F14" else "sound")
        for name in NAMES
    )
    tape = SurveySet(file=Path("tape.csv"), sigma=1.5, face="frame_flange", unit="mm")
    return Job(path=Path("job.toml"), title="", unit="mm", missing=("F14",), frames=frames,
               surveys=(tape,), **more)  # fmt: skip


def taped(job, lacking=(), passes=(1,), off=None):
    """Every line at every standing frame but those lacking; `off` moves one of a second pass."""
    readings = []
    for number in passes:
        for name in NAMES:
            for line in LINES:
                if name == "F14" or (name, line) in lacking:
                    continue
                station, bl, wl = touched(line, STATIONS[name], depth=GAUGE)
                wl += 50.0 if number == 2 and (name, line) == off else 0.0
                readings.append(
                    Reading(frame=name, line=line, station=station, bl=bl, wl=wl, sigma=1.5,
                            face="frame_flange", depth=GAUGE, source="tape.csv",
                            row=len(readings) + 2, pass_no=number)
                )  # fmt: skip
    return survey_of(job, readings)


def test_what_is_lacking_is_missed_and_nothing_else():
    lacking = (("F12", "S4P"), ("F15", "KEEL"), ("F15", "S13S"))
    found = coverage_of(job_of(), taped(job_of(), lacking))
    assert sorted(found.missed(job_of())) == sorted(lacking)
    assert (found.lines[0], found.lines[-1]) == ("CROWN", "KEEL")
    assert set(found.reached[2]) == {""}  # the missing frame itself, which is never missed
    assert not found.doubted.any()


def test_girth_of_the_picture_is_near_the_bodys():
    """Shares of girth by the readings alone, against the body's own."""
    found = coverage_of(job_of(), taped(job_of()))
    for name, turn in zip(found.lines, found.line_turn, strict=True):
        if name in ("CROWN", "KEEL"):
            continue
        theta = float(line_theta(name, STATIONS["F14"]))
        share = np.sign(theta) * (int(name[1:-1]) / 14.0) / 2.0  # stringers stand evenly
        assert abs(turn - share) < 0.02, name
    turn = found.line_turn[found.lines.index("CROWN")]
    assert abs(turn) < 1e-6


def test_damage_and_failed_repeats_are_doubted():
    job = job_of(damages=(Damage(reason="dent", frames=("F13",), lines=("S6S",), use=False),))
    survey = apply_damage(job, taped(job, passes=(1, 2), off=("F16", "S3P")))
    found = coverage_of(job, survey)
    places = {(str(survey.frame[k]), str(survey.line[k])) for k in np.flatnonzero(found.doubted)}
    assert places == {("F13", "S6S"), ("F16", "S3P")}
    assert found.reached[1, found.lines.index("S6S")] == "doubted"
    assert found.missed(job) == []  # read, if badly


def test_outline_goes_through_the_readings_and_bridges_what_is_unread():
    """F13 without its lower half has the outline of the frames beside it there."""
    low = tuple(("F13", line) for line in LINES if touched(line, STATIONS["F13"])[2] < 600.0)
    assert len(low) > 6
    found = coverage_of(job_of(), taped(job_of(), low))
    whole = coverage_of(job_of(), taped(job_of()))
    # the body tapers by some 20 mm from frame to frame: straight between them it is within 15
    assert np.abs(found.outline[1] - whole.outline[1]).max() < 15.0


def test_a_survey_without_labels_or_frames_is_drawn_too():
    job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    found = coverage_of(job, survey_of(job, []))
    assert (found.lines, found.outline.shape) == ((), (0, 72, 2))
