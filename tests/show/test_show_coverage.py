"""The picture of the survey: every reading drawn once, every line missed ringed."""

import dataclasses
import re
import xml.etree.ElementTree as Tree

import numpy as np
import pytest

from loft.demo import write_demo
from loft.job.schema import read_job
from loft.show.coverage import survey_drawing
from loft.show.sheet import MARK
from loft.survey.account import survey_summary
from loft.survey.coverage import coverage_of
from loft.survey.gather import read_survey

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def corncrake(tmp_path_factory):
    folder = tmp_path_factory.mktemp("corncrake")
    write_demo(folder)
    job = read_job(folder)
    return job, read_survey(job)


def drawn(job, survey):
    return survey_drawing(job, survey, survey_summary(job, survey))


def words(svg):
    return [text.text for text in Tree.fromstring(svg).iter(f"{SVG}text")]


def test_views_frames_and_lines_are_lettered(corncrake):
    job, survey = corncrake
    told = words(drawn(job, survey))
    for heading in ("Profile", "Plan", "Skin rolled out", "Section at F14", "Read at each frame"):
        assert told.count(heading) == 1
    for frame in job.frames:
        assert told.count(frame.name) >= 2  # over the profile and in the table
    for line in survey.lines:
        assert line.name in told


def test_rings_count_the_lines_missed(corncrake):
    """Those of the rolled-out skin: a keel on both of its edges; and one in the key."""
    job, survey = corncrake
    missed = coverage_of(job, survey).missed(job)
    rings = [
        dot for dot in Tree.fromstring(drawn(job, survey)).iter(f"{SVG}circle")
        if dot.get("stroke") == MARK and dot.get("r") == "0.95"
    ]  # fmt: skip
    keels = sum(line == "KEEL" for _, line in missed)
    assert missed
    assert len(rings) == len(missed) + keels + 1


def test_missed_lines_stand_in_the_table(corncrake):
    job, survey = corncrake
    told = words(drawn(job, survey))
    missed = [line for name, line in coverage_of(job, survey).missed(job) if name == "F17"]
    assert missed
    assert ", ".join(missed) in told
    assert "missing frame, to be lifted" in told


def test_same_survey_same_picture_and_all_on_the_sheet(corncrake):
    job, survey = corncrake
    svg = drawn(job, survey)
    assert svg == drawn(job, survey)
    for dot in Tree.fromstring(svg).iter(f"{SVG}circle"):
        assert 20.0 <= float(dot.get("cx")) <= 584.0
        assert 10.0 <= float(dot.get("cy")) <= 410.0
    for path in Tree.fromstring(svg).iter(f"{SVG}path"):
        places = [float(value) for value in re.findall(r"-?[\d.]+", path.get("d"))]
        assert all(-1.0 <= value <= 595.0 for value in places)


def test_a_survey_without_labels_is_drawn(corncrake):
    job, survey = corncrake
    bare = dataclasses.replace(survey, line=np.full(len(survey), ""), lines=())
    svg = drawn(job, bare)
    assert "Section at F14" in words(svg)
    spots = [dot for dot in Tree.fromstring(svg).iter(f"{SVG}circle") if dot.get("r") == "0.65"]
    assert len(spots) > 300  # side views and section; two in the key
