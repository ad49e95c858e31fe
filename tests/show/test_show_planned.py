"""The sheet of planned readings: what stands on it, and where."""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from loft.demo import demo_surface
from loft.fairing.plan import plan
from loft.show.planned import MARK, SKIN, plan_drawing

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def planned():
    surface = demo_surface()
    frame = surface.job.frame("F14")
    return surface, surface.lift(frame), plan(surface, frame, count=20)


@pytest.fixture(scope="module")
def drawing(planned):
    return ET.fromstring(plan_drawing(*planned))


def words_of(root):
    return [element.text for element in root.iter(f"{SVG}text")]


def test_sheet_is_a4_and_says_what_it_is_and_is_not(planned, drawing):
    assert (drawing.get("width"), drawing.get("height")) == ("297mm", "210mm")
    told = " ".join(words_of(drawing))
    for wanted in ("Corncrake frame 14", "band of F14", "revision A", "14 May 1988",
                   "not approved data", "licensed engineer", "starboard above"):  # fmt: skip
        assert wanted in told, wanted
    assert plan_drawing(*planned) == plan_drawing(*planned)


def test_every_planned_reading_is_marked_at_its_station_and_girth(planned, drawing):
    """Frames are lettered at their stations: the marks are measured from those."""
    suggestions = planned[2]
    letters = {e.text: float(e.get("x")) for e in drawing.iter(f"{SVG}text")
               if e.text in ("F8", "F20") and e.get("text-anchor") == "middle"}  # fmt: skip
    scale = (letters["F20"] - letters["F8"]) / (8890.0 - 3060.0)
    dots = [
        (float(e.get("cx")), float(e.get("cy")))
        for e in drawing.iter(f"{SVG}circle")
        if e.get("fill") == MARK and e.get("r") == "0.9" and float(e.get("cy")) < SKIN[3]
    ]
    assert len(dots) == len(suggestions)
    middle = (SKIN[1] + SKIN[3]) / 2
    for (x, y), one in zip(dots, suggestions, strict=True):
        assert x == pytest.approx(letters["F8"] + scale * (one.reading.station - 3060.0), abs=0.02)
        port = str(one.reading.line or one.reading.between).endswith("P")
        starboard = str(one.reading.line or one.reading.between).endswith("S")
        assert not port or y > middle
        assert not starboard or y < middle


def test_list_counts_what_it_leaves_out_and_all_stays_on_the_sheet(planned, drawing):
    suggestions = planned[2]
    told = words_of(drawing)
    listed = sum(bool(re.match(r"Take ", words)) for words in told)
    left = next(re.match(r"and (\d+) more", w) for w in told if w.startswith("and "))
    assert listed + int(left[1]) == len(suggestions) == 20
    for element in drawing.iter(f"{SVG}text"):
        assert 0 < float(element.get("x")) < 297
        assert 0 < float(element.get("y")) < 206


def test_a_plan_of_nothing_says_so(planned):
    surface, section, _ = planned
    told = " ".join(words_of(ET.fromstring(plan_drawing(surface, section, ()))))
    assert "Nothing would narrow the band" in told
    bare = replace(surface, job=replace(surface.job, date=None, revision=""))
    told = " ".join(words_of(ET.fromstring(plan_drawing(bare, section, ()))))
    assert "revision unknown, date unknown" in told


def test_the_band_drawn_last_lies_within_the_first(planned):
    _, section, suggestions = planned
    assert np.all(suggestions[-1].band_at <= section.band95 + 1e-6)
