"""Tables, tape ties and scans of one job come together in one survey."""

import numpy as np
import pytest
from hangar import JOB, STATIONS, TAPE, point, put, rows

from loft.job.errors import LoftError
from loft.job.schema import read_job
from loft.survey.gather import read_survey

TIES = '[[ties]]\nfile = "ties.csv"\nsigma = 1.0\nface = "skin_inner"\n'
CLOUD = '[[cloud]]\nfile = "bay.xyz"\nunits = "mm"\nsigma = 0.5\nface = "skin_outer"\n'
CONTROL = [
    "from,to,kind,value",
    ",A,control,4900 -2000 -1000",
    ",B,control,4900 2000 -1000",
    ",C,control,5400 -2000 -1000",
]


def ties(frame="F12"):
    """Return ties from three floor marks to a point at bl -300, wl 400 of a frame."""
    place = np.array([STATIONS["F12"], -300.0, 400.0])
    marks = {"A": (4900, -2000, -1000), "B": (4900, 2000, -1000), "C": (5400, -2000, -1000)}
    return [
        *CONTROL,
        *(
            f"{name},{frame}:S9P,tape,{np.linalg.norm(place - mark):.3f}"
            for name, mark in marks.items()
        ),
        f",{frame}:S9P,approx,4900 -300 400",
    ]


def scan(folder):
    """Write a scan of the skin about frame F12, every 2 mm round it."""
    station = np.repeat(STATIONS["F12"] + np.arange(-12.0, 13.0, 3.0), 2200)
    bl, wl = point(station, np.tile(np.linspace(-np.pi, np.pi, 2200), 9))
    np.savetxt(folder / "bay.xyz", np.column_stack([station, bl, wl]), fmt="%.3f")


def test_tables_ties_and_scans_are_joined_in_this_order(tmp_path):
    scan(tmp_path)
    put(tmp_path, job=JOB + TAPE + TIES + CLOUD, ties="\n".join(ties()))
    told = []
    survey = read_survey(read_job(tmp_path), progress=told.append)
    _, first = np.unique(survey.source, return_index=True)
    assert survey.source[np.sort(first)].tolist() == ["tape.csv", "ties.csv", "bay.xyz"]
    tied = np.flatnonzero(survey.source == "ties.csv")
    assert survey.line[tied].tolist() == ["S9P"]
    # three decimals of the tapes, and the frame's plane held to its station
    assert np.allclose([survey.bl[tied[0]], survey.wl[tied[0]]], [-300.0, 400.0], atol=0.01)
    assert "S9P" in [line.name for line in survey.lines]
    scanned = survey.source == "bay.xyz"
    bl, wl = point(
        survey.station[scanned], np.arctan2(survey.bl / 600.0, survey.wl / 800.0)[scanned]
    )
    assert scanned.sum() > 50
    assert np.hypot(bl - survey.bl[scanned], wl - survey.wl[scanned]).max() < 0.5
    assert any("tape.csv" in line for line in told)
    assert any("bay.xyz" in line for line in told)
    assert any(
        note.startswith("bay.xyz: taken as already in aircraft axes") for note in survey.notes
    )


def test_damage_meets_tied_points_too_and_raises_their_whole_covariance(tmp_path):
    put(tmp_path, job=JOB + TAPE + TIES, ties="\n".join(ties()))
    before = read_survey(read_job(tmp_path))
    damage = '[[damage]]\nlines = ["S9P"]\nsigma = 9.0\nreason = "bent"\n'
    put(tmp_path, job=JOB + TAPE + TIES + damage, ties="\n".join(ties()))
    after = read_survey(read_job(tmp_path))
    at = np.flatnonzero(before.line == "S9P")[0]
    assert after.sigma[at] == 9.0
    scale = (9.0 / before.sigma[at]) ** 2
    assert np.allclose(after.covariance[at], scale * before.covariance[at], rtol=1e-12)


def test_faults_of_every_kind_of_file_are_told_at_once(tmp_path):
    (tmp_path / "bay.xyz").write_text("this is no scan\n", encoding="utf-8")
    put(
        tmp_path,
        [*rows(), "F12,S9P,,x,1"],
        job=JOB + TAPE + TIES + CLOUD,
        ties="\n".join([*ties(), "A,F99:S1P,tape,x"]),
    )
    with pytest.raises(LoftError) as refusal:
        read_survey(read_job(tmp_path))
    files = {finding.file for finding in refusal.value.findings}
    assert files == {"tape.csv", "ties.csv", "bay.xyz"}
