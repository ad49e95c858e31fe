"""Bad scans and targets at the command line: one clear line for each fault, nothing else."""

import numpy as np
import pytest
from click.testing import CliRunner
from scanned import near_slabs, skin, write
from test_clouds_job import ROTATION, SHIFT, folder

from loft.cli import main
from loft.job.errors import LoftError
from loft.job.schema import read_job
from loft.survey.gather import read_survey


def table(job, change):
    """Change the rows of targets.csv, each a list of cells; the header stays."""
    path = job / "targets.csv"
    head, *rows = path.read_text().splitlines()
    kept = change([row.split(",") for row in rows])
    path.write_text("\n".join([head, *(",".join(row) for row in kept)]) + "\n")


def in_line(rows):
    """Three targets along one stringer, given exactly."""
    kept = rows[:3]
    for k, cells in enumerate(kept):
        place = np.array([5600.0 + 500.0 * k, -500.0, 200.0])
        x, y, z = ROTATION.T @ (place - SHIFT) / 1000.0
        cells[1:7] = f"{x:.6f}", f"{y:.6f}", f"{z:.6f}", *(f"{value:.0f}" for value in place)
    return kept


def named_twice(rows):
    rows[3][0] = rows[1][0]
    return rows


def mirrored(rows):
    """Port and starboard exchanged in every target."""
    for cells in rows:
        cells[5] = f"{-float(cells[5]):g}"
    return rows


def far_off(rows):
    """All targets given 40 m aft of where they are: the scan then covers no frame."""
    for cells in rows:
        cells[4] = f"{float(cells[4]) + 40000.0:g}"
    return rows


FAULTS = {
    "named twice": (named_twice, "targets.csv:5: name: target T2 found again"),
    "in one line": (in_line, "targets.csv: 3 targets in one line found"),
    "mirrored": (mirrored, "targets.csv: the targets fit only mirrored"),
    "no frame": (far_off, "wanted; it fits in no other unit either: look at its targets"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_one_line_for_a_fault_of_the_targets(tmp_path, fault):
    change, words = FAULTS[fault]
    table(folder(tmp_path), change)
    done = CliRunner().invoke(main, ["survey", str(tmp_path)])
    assert done.exit_code == 2, done.output
    lines = done.stderr.splitlines()
    assert len(lines) == 1, lines
    assert words in lines[0]


@pytest.mark.parametrize(("unit", "hint"), [("mm", "metres taken for mm"), ("ft", "metres taken")])
def test_wrong_unit_with_targets_names_the_likely_one(tmp_path, unit, hint):
    done = CliRunner().invoke(main, ["survey", str(folder(tmp_path, unit=unit))])
    assert done.exit_code == 2
    (line,) = done.stderr.splitlines()
    assert "a scan is never scaled" in line
    assert hint in line


def bare(tmp_path, unit, extra=""):
    """A scan in aircraft axes and metres, without targets."""
    folder(tmp_path, unit=unit)
    text = (tmp_path / "job.toml").read_text().replace('targets = "targets.csv"\n', extra)
    (tmp_path / "job.toml").write_text(text)
    rng = np.random.default_rng(3)
    points = skin(rng, near_slabs(rng, 120_000, 5680, 5840, 6000, 6160, 6320, 6480, 6640))
    write(tmp_path / "bay.ply", points / 1000.0)
    return tmp_path


@pytest.mark.parametrize("unit", ["mm", "in", "ft"])
def test_wrong_unit_without_targets_is_caught_by_the_schedule(tmp_path, unit):
    """Metres given as anything else: refused, with the unit that would fit."""
    done = CliRunner().invoke(main, ["survey", str(bare(tmp_path, unit))])
    assert done.exit_code == 2
    (line,) = done.stderr.splitlines()
    assert 'it would fit with units = "m"' in line


def test_wrong_unit_is_not_fitted_away(tmp_path):
    """Fitting to the tape guesses no unit: the same refusal."""
    with pytest.raises(LoftError) as refused:
        read_survey(read_job(bare(tmp_path, "mm", extra='fit_to = "tape"\n')))
    assert 'it would fit with units = "m"' in str(refused.value)


def test_right_unit_is_read(tmp_path):
    assert len(read_survey(read_job(bare(tmp_path, "m"))))


def test_faults_of_two_scans_are_told_together(tmp_path):
    folder(tmp_path)
    table(tmp_path, named_twice)
    (tmp_path / "empty.ply").write_bytes(b"")
    with (tmp_path / "job.toml").open("a") as file:
        file.write('[[cloud]]\nfile = "empty.ply"\nunits = "m"\nsigma = 0.8\nface = "skin_inner"\n')
    done = CliRunner().invoke(main, ["survey", str(tmp_path)])
    lines = done.stderr.splitlines()
    assert done.exit_code == 2
    assert len(lines) == 2
    assert "targets.csv:5" in lines[0]
    assert "empty.ply" in lines[1]
