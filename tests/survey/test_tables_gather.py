"""All tables of a job together: damage, refusals of the whole, summary."""

import csv
import io
import json
import re

import numpy as np
import pytest
from hangar import HEADER, JOB, STATIONS, TAPE, put, rows

from loft.job.errors import LoftError
from loft.job.schema import read_job
from loft.survey.account import survey_summary
from loft.survey.gather import (
    join,
    points_table,
    read_survey,
    read_tables,
    surveyed_stations,
)

SECOND = '[[survey]]\nfile = "second.csv"\nsigma = 2.0\nface = "skin_inner"\n'


def survey_at(folder, *args, **options):
    job = read_job(put(folder, *args, **options))
    return job, read_survey(job)


def refused(folder, *args, **options):
    with pytest.raises(LoftError) as refusal:
        survey_at(folder, *args, **options)
    return refusal.value.findings


def one(findings, words):
    assert len(findings) == 1, findings
    assert re.search(words, findings[0].text), findings[0].text


# what is read


def test_a_clean_survey_arrives_whole(tmp_path):
    _, survey = survey_at(tmp_path)
    assert len(survey) == len(rows()) == 72
    assert survey.use.all()
    assert set(survey.reason) == {""}
    assert survey.notes == ()
    assert (survey.covariance == 1.5**2 * np.eye(3)).all()
    assert [line.name for line in survey.lines][:3] == ["CROWN", "KEEL", "S1P"]
    assert {line.name: (line.kind, line.side) for line in survey.lines}["S1P"] == (
        "stringer",
        "port",
    )
    assert not survey.bl.flags.writeable


def test_tables_follow_each_other_in_the_order_of_the_job(tmp_path):
    _, survey = survey_at(tmp_path, job=JOB + TAPE + SECOND, second=["F11,S4P,,-500.0,1.0"])
    assert (survey.source[-1], survey.sigma[-1], survey.depth[-1]) == ("second.csv", 2.0, 0.9)
    assert len(survey) == 73


def test_the_order_of_the_rows_changes_no_reading(tmp_path):
    def plain(survey):
        places = zip(survey.frame, survey.line, survey.station, survey.bl, survey.wl, strict=True)
        return sorted(places)

    _, here = survey_at(tmp_path)
    _, there = survey_at(tmp_path, rows()[::-1])
    assert plain(here) == plain(there)


def test_joined_surveys_keep_lines_and_notes(tmp_path):
    job = read_job(put(tmp_path))
    survey = read_tables(job)
    both = join([survey, survey])
    assert len(both) == 2 * len(survey)
    assert both.lines == survey.lines
    assert both.covariance.shape == (144, 3, 3)


def test_progress_names_the_file(tmp_path):
    told = []
    read_survey(read_job(put(tmp_path)), progress=told.append)
    assert told == ["reading tape.csv"]


# damage

DAMAGE = '[[damage]]\nreason = "crushed"\n'


def test_damage_meets_the_readings_that_satisfy_all_its_selectors(tmp_path):
    extra = DAMAGE + 'frames = ["F12", "F13"]\nlines = ["S4P", "S5P"]\nuse = false\n'
    _, survey = survey_at(tmp_path, job=JOB + TAPE + extra)
    hit = np.isin(survey.frame, ["F12", "F13"]) & np.isin(survey.line, ["S4P", "S5P"])
    assert hit.sum() == 4
    assert (survey.use == ~hit).all()
    assert (survey.reason == np.where(hit, "damage: crushed", "")).all()


@pytest.mark.parametrize(
    ("selector", "meets"),
    [
        ('rows = ["tape.csv:3"]', lambda s: s.row == 3),
        ('rows = ["./tape.csv:003"]', lambda s: s.row == 3),
        ("stations = [4900.0, 5380.0]", lambda s: np.isin(s.frame, ["F12", "F13"])),
        ('lines = ["CROWN"]', lambda s: s.line == "CROWN"),
    ],
)
def test_every_selector_by_itself(tmp_path, selector, meets):
    extra = DAMAGE + selector + "\nsigma = 8.0\n"
    _, survey = survey_at(tmp_path, job=JOB + TAPE + extra)
    hit = meets(survey)
    assert 0 < hit.sum() < len(survey)
    assert (survey.sigma == np.where(hit, 8.0, 1.5)).all()
    assert np.allclose(survey.covariance[hit], 64.0 * np.eye(3), rtol=1e-14)
    assert survey.use.all()


def test_damage_never_makes_a_reading_better(tmp_path):
    extra = DAMAGE + 'frames = ["F12"]\nsigma = 0.5\n'
    _, survey = survey_at(tmp_path, job=JOB + TAPE + extra)
    assert (survey.sigma == 1.5).all()


def test_two_entries_on_one_reading_are_both_told(tmp_path):
    extra = DAMAGE + 'frames = ["F12"]\nsigma = 8.0\n' + DAMAGE.replace("crushed", "bent")
    _, survey = survey_at(tmp_path, job=JOB + TAPE + extra + 'lines = ["S4P"]\nsigma = 4.0\n')
    at = (survey.frame == "F12") & (survey.line == "S4P")
    assert survey.reason[at].tolist() == ["damage: crushed; bent"]
    assert survey.sigma[at].tolist() == [8.0]


def test_damage_that_meets_nothing_is_noted(tmp_path):
    extra = DAMAGE + 'lines = ["S44P"]\nuse = false\n'
    _, survey = survey_at(tmp_path, job=JOB + TAPE + extra)
    assert survey.notes == ('warning: the [[damage]] entry "crushed" meets no reading',)


def test_damage_by_girth_is_left_to_the_fairing(tmp_path):
    extra = DAMAGE + 'frames = ["F12"]\ngirth = [100.0, 200.0]\nuse = false\n'
    _, survey = survey_at(tmp_path, job=JOB + TAPE + extra)
    assert survey.use.all()
    assert survey.notes == ()


# the whole is refused


def test_a_job_without_measurements_is_refused(tmp_path):
    one(refused(tmp_path, job=JOB), "no measurements found")


def test_all_faults_of_all_tables_are_told_at_once(tmp_path):
    findings = refused(
        tmp_path,
        [*rows(), "F12,S9P,,600.0,1.0"],
        job=JOB + TAPE + SECOND,
        second=["F12,S4P,,-1,x", "F99,S4P,,-1,2"],
    )
    assert [(finding.file, finding.row, finding.column) for finding in findings] == [
        ("tape.csv", 74, "bl"),
        ("second.csv", 2, "wl"),
        ("second.csv", 3, "frame"),
    ]


def test_the_same_reading_in_two_tables_is_refused_with_both(tmp_path):
    job = JOB + TAPE + SECOND.replace("skin_inner", "skin_outer")
    findings = refused(tmp_path, job=job, second=["F11,S4P,,-500.0,1.0"])
    one(findings, "F11 S4P on skin_outer found again, it stands already in tape.csv:11")
    assert (findings[0].file, findings[0].row) == ("second.csv", 2)
    _, survey = survey_at(tmp_path, job=job + "pass = 2\n", second=["F11,S4P,,-500.0,1.0"])
    assert survey.pass_no[-1] == 2


@pytest.mark.parametrize(("side", "kept"), [("starboard", ">="), ("port", "<=")])
def test_all_points_on_one_side_are_refused_unless_mirrored(tmp_path, side, kept):
    half = [
        line
        for line in rows()
        if (
            float(line.split(",")[3]) >= -1e-6
            if kept == ">="
            else float(line.split(",")[3]) <= 1e-6
        )
    ]
    assert len(half) == 6 * 7  # crown, keel and five stringers of one side, six frames
    one(refused(tmp_path, half), f"all points found on the {side} side")
    _, survey = survey_at(tmp_path, half, job=JOB + TAPE + '[fair]\nsymmetry = "exact"\n')
    assert len(survey) == 42


def test_a_crown_a_little_off_centre_is_no_second_side(tmp_path):
    half = [line for line in rows() if not line.split(",")[1].endswith("P")]
    half = [line.replace("CROWN,,0.000000000", "CROWN,,-2.0") for line in half]
    assert any("CROWN,,-2.0" in line for line in half)
    one(refused(tmp_path, half), "all points found on the starboard side")


def test_points_set_aside_do_not_make_a_side(tmp_path):
    port = ", ".join(f'"S{count}P"' for count in range(1, 6))
    extra = DAMAGE + f"lines = [{port}]\nuse = false\n"
    one(refused(tmp_path, job=JOB + TAPE + extra), "all points found on the starboard side")


def test_fewer_than_four_surveyed_frames_are_refused(tmp_path):
    few = rows(["F12", "F13", "F15"])
    one(refused(tmp_path, few), r"3 surveyed frames found \(F12, F13, F15\), 4 or more besides")
    # remains of the missing frame do not count among its neighbours
    one(refused(tmp_path, rows(["F12", "F13", "F14", "F15"])), "3 surveyed frames found")
    assert len(survey_at(tmp_path, rows(["F12", "F13", "F15", "F16"]))[1]) == 48


def test_stations_between_frames_count_where_a_section_was_read(tmp_path):
    loose = [
        line.replace("F16,", ",").replace(",,", f",{STATIONS['F16']},") for line in rows(["F16"])
    ]
    job, survey = survey_at(tmp_path, rows(["F12", "F13", "F15"]) + loose)
    assert surveyed_stations(job, survey)["station 6820 mm"] == STATIONS["F16"]
    one(refused(tmp_path, rows(["F12", "F13", "F15"]) + loose[:3]), "3 surveyed frames found")


@pytest.mark.parametrize(
    ("kept", "run"), [(["F15", "F16", "F17"], "6340"), (["F11", "F12", "F13"], "4420")]
)
def test_a_missing_frame_outside_the_surveyed_run_is_refused(tmp_path, kept, run):
    other = 'name = "F10"\nstation = 3940.0' if "F11" in kept else 'name = "F18"\nstation = 7780.0'
    job = JOB + f"[[frame]]\n{other}\n" + TAPE
    name, station = re.search(r'"(F\d+)"\nstation = ([\d.]+)', other).groups()
    end = [line.replace("F11,", f"{name},") for line in rows(["F11"])]
    findings = refused(tmp_path, rows(kept) + end, job=job)
    one(findings, "frame F14 at station 5860.0 mm found outside the surveyed run")
    assert run in findings[0].text or station in findings[0].text
    _, survey = survey_at(tmp_path, rows(kept) + end, job=job + "[fair]\nextrapolate = true\n")
    assert "warning: frame F14 lies outside the surveyed run and is extrapolated" in survey.notes


def test_faults_of_the_whole_are_told_together(tmp_path):
    half = [line for line in rows(["F11", "F12", "F13"]) if not line.split(",")[1].endswith("P")]
    texts = " ".join(finding.text for finding in refused(tmp_path, half))
    for words in ("all points found", "3 surveyed frames", "outside the surveyed run"):
        assert words in texts


# what must be said


def test_without_labels_a_mirrored_survey_cannot_be_seen(tmp_path):
    bare = [re.sub(r",S\d[PS],", ",,", line) for line in rows()]
    _, survey = survey_at(tmp_path, bare)
    assert any("without labels a mirrored survey cannot be seen" in note for note in survey.notes)


def test_readings_of_the_missing_frame_itself_are_noted(tmp_path):
    _, survey = survey_at(tmp_path, rows(list(STATIONS)))
    assert survey.notes == ("12 readings of the missing frame F14 itself are in use",)


def test_a_frame_without_readings_is_noted(tmp_path):
    _, survey = survey_at(tmp_path, rows([name for name in STATIONS if name not in ("F14", "F16")]))
    assert survey.notes == ("frame F16 of the schedule has no readings",)


def test_the_summary_counts_by_frame_line_face_and_pass(tmp_path):
    extra = DAMAGE + 'frames = ["F12"]\nlines = ["S4P"]\nuse = false\n'
    job, survey = survey_at(
        tmp_path, job=JOB + TAPE + SECOND + "pass = 2\n" + extra, second=[",S4P,5000.0,-500.0,1.0"]
    )
    summary = survey_summary(job, survey)
    assert (summary["points"], summary["in_use"]) == (73, 72)
    assert summary["by_frame"]["F11"] == 12
    assert summary["by_frame"]["F14"] == 0
    assert summary["by_frame"]["between frames"] == 1
    assert summary["by_line"]["S4P"] == 7
    assert summary["faces"] == {"skin_inner": 1, "skin_outer": 72}
    assert summary["passes"] == {"1": 72, "2": 1}
    assert summary["set_aside"] == [
        {
            "frame": "F12",
            "line": "S4P",
            "source": "tape.csv:23",
            "used": False,
            "sigma": 1.5,
            "reason": "damage: crushed",
        }
    ]
    assert summary["repeat"] == {
        "compared": 0,
        "rms": None,
        "largest": None,
        "verdict": "no repeats",
        "failed": [],
    }
    json.dumps(summary, allow_nan=False)


@pytest.mark.parametrize(("unit", "mm"), [("mm", 1.0), ("in", 25.4)])
def test_the_table_of_points_reads_back_in_the_unit_of_the_job(tmp_path, unit, mm):
    job = read_job(put(tmp_path, [*rows(), "F11,S9P,,-5.0,"]))
    survey = read_survey(job)
    object.__setattr__(job, "unit", unit)
    table = points_table(job, survey)
    body = [line for line in table.splitlines() if not line.startswith("#")]
    assert body[0] == "frame,line,station,bl,wl,sigma,face,source,row"
    assert f"units: {unit}" in table
    back = list(csv.DictReader(io.StringIO("\n".join(body))))
    assert back[-1]["wl"] == ""
    for name in ("station", "bl", "sigma"):
        figures = np.array([float(row[name]) for row in back]) * mm
        # four decimals of the unit, halved
        assert np.abs(figures - getattr(survey, name)).max() <= 0.5e-4 * mm + 1e-9
    assert [int(row["row"]) for row in back] == survey.row.tolist()
    assert back[0]["source"] == "tape.csv"


def test_header_of_the_fixture_is_that_of_the_format():
    assert HEADER == "frame,line,station,bl,wl"
