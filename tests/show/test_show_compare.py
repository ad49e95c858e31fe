"""Two runs compared: a known movement must come back as it was made."""

import copy
import dataclasses
import json

import numpy as np
import pytest
import standin

from loft.fairing.tables import section_text
from loft.job.errors import LoftError
from loft.job.files import digest, write_text
from loft.show.compare import compare, comparison_text, outside


def write_run(folder, summary, section, job):
    path = folder / section.frame / "section.csv"
    write_text(path, section_text(section, job))
    told = {**copy.deepcopy(summary), "files": {f"{section.frame}/section.csv": digest(path)}}
    write_text(folder / "summary.json", json.dumps(told))
    return told


@pytest.fixture(scope="module")
def parts():
    job, survey, body, sections, evidence = standin.whole()
    summary = standin.make_summary(job, survey, body, sections, evidence)
    return job, sections[0], summary


def grown(section, by):
    """Return the section moved outwards along its normal."""
    return dataclasses.replace(
        section,
        bl=section.bl + by * section.normal_bl,
        height=section.height + by * section.normal_height,
    )


def test_same_run_twice_says_nothing_changed(parts, tmp_path):
    job, section, summary = parts
    for name in ("a", "b"):
        write_run(tmp_path / name, summary, section, job)
    found = compare(tmp_path / "a", tmp_path / "b")
    assert found.nothing()
    assert "nothing changed" in comparison_text(found)


@pytest.mark.parametrize("by", [0.5, -0.25, 6.0])
def test_uniform_growth_comes_back_signed(parts, tmp_path, by):
    job, section, summary = parts
    write_run(tmp_path / "a", summary, section, job)
    write_run(tmp_path / "b", summary, grown(section, by), job)
    moved = compare(tmp_path / "a", tmp_path / "b").sections[0]
    # 480 chords of a section 3.4 m round: sagitta 0.011 mm where the outline is between vertices.
    assert moved.mean == pytest.approx(by, abs=0.012)
    assert moved.largest == pytest.approx(by, abs=0.012)
    assert moved.beyond == (1.0 if abs(by) > section.band95.max() else 0.0)


def test_inch_job_against_millimetre_job_is_the_same_section(parts, tmp_path):
    """Unit invariance: the same section written in inches has not moved."""
    job, section, summary = parts
    inches = dataclasses.replace(job, unit="in")
    told = copy.deepcopy(summary)
    told["job"]["unit"] = "in"
    write_run(tmp_path / "a", summary, section, job)
    write_run(tmp_path / "b", told, section, inches)
    moved = compare(tmp_path / "a", tmp_path / "b").sections[0]
    assert abs(moved.largest) < 0.003  # tables carry four decimals of an inch
    bump = 2.0 * np.exp(-(((section.girth - 1200.0) / 60.0) ** 2))
    write_run(tmp_path / "b", told, grown(section, bump), inches)
    moved = compare(tmp_path / "a", tmp_path / "b").sections[0]
    assert moved.at_girth == pytest.approx(1200.0, abs=8.0)  # a point every 7.2 mm
    assert moved.largest == pytest.approx(2.0, abs=0.05)


def test_verdict_inputs_figures_and_readings_are_told(parts, tmp_path):
    job, section, summary = parts
    after = copy.deepcopy(summary)
    after["inputs"] = {"tape.csv": "cd" * 32}
    after["verdict"][0]["verdict"] = "make"
    after["section"][0]["girth_mm"] += 1.25
    after["holdout"][2]["rms_mm"] = None
    gone = after["rejected"].pop(0)
    write_run(tmp_path / "a", {**summary, "inputs": {"tape.csv": "ab" * 32}}, section, job)
    write_run(tmp_path / "b", after, section, job)
    found = compare(tmp_path / "a", tmp_path / "b")
    assert [(c.before[:2], c.after[:2]) for c in found.inputs] == [("ab", "cd")]
    assert [(c.before, c.after) for c in found.verdicts] == [("measure first", "make")]
    told = {change.what: change for change in found.figures}
    assert told["F14: girth once round, mm"].change == "+1.25"
    assert told[f"{after['holdout'][2]['frame']}: as if missing, rms, mm"].after == "unknown"
    assert [(c.what.split()[0], c.before, c.after) for c in found.readings] == [
        (gone["place"], gone["used"], "yes")
    ]
    text = comparison_text(found)
    for wanted in ("verdicts", "measure first", "+1.25", gone["place"]):
        assert wanted in text


def test_unfinished_and_missing_runs_are_refused_all_at_once(parts, tmp_path):
    job, section, summary = parts
    write_run(tmp_path / "a", summary, section, job)
    (tmp_path / "a" / "F14" / "section.csv").write_text("touched")
    with pytest.raises(LoftError) as caught:
        compare(tmp_path / "a", tmp_path / "none")
    words = str(caught.value)
    assert "section.csv" in words
    assert "run it again" in words
    assert "summary.json of a finished run wanted" in words


def test_distance_to_a_circle_is_radial():
    """Closed form: a point at radius r stands r - R outside a circle."""
    angle = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    unit = np.stack([np.sin(angle), np.cos(angle)], axis=1)
    point = np.array([[3.0, 4.0], [0.0, -1.5], [-6.0, 0.0]])
    distance, _ = outside(point, 5.0 * unit, unit)
    assert np.allclose(distance, [0.0, -3.5, 1.0], atol=1e-5)  # sagitta of 4000 chords: 1.5e-6
