"""The lines drawing: what is on it, where, and that it is always the same."""

import dataclasses
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
import standin

from loft.show import fairness, layout, lines
from loft.show.sheet import MARK, signed, spread

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def whole():
    return standin.whole(cant=0.07)


@pytest.fixture(scope="module")
def drawing(whole):
    return lines.lines_drawing(*whole)


def words_of(svg):
    return [element.text for element in ET.fromstring(svg).iter(f"{SVG}text")]


def test_sheet_is_a2_in_millimetres(drawing):
    root = ET.fromstring(drawing)
    assert (root.get("width"), root.get("height")) == ("594mm", "420mm")
    assert root.get("viewBox") == "0 0 594 420"


def test_sheet_says_what_it_is_and_what_it_is_not(drawing):
    words = " ".join(words_of(drawing))
    for wanted in (
        "Corncrake frame 14",
        "Lines drawing",
        "14 May 1938",
        "Loft floor, bay 2",
        "Shape only, not approved data",
        "licensed engineer",
        "Profile",
        "Half-breadth plan",
        "Body plan",
        "Second differences",
        "millimetres",
        "WL 400",
        "BL −200",
    ):
        assert wanted in words, wanted


def test_every_frame_is_lettered_and_the_missing_one_is_heavy(whole, drawing):
    job = whole[0]
    root = ET.fromstring(drawing)
    lettered = [e.text for e in root.iter(f"{SVG}text")]
    for frame in job.frames:
        assert lettered.count(frame.name) >= 3  # profile, body plan, differences
    heavy = [e for e in root.iter(f"{SVG}path") if e.get("stroke") == MARK]
    assert any(e.get("stroke-width") == "0.7" for e in heavy)
    marked = {e.text for e in root.iter(f"{SVG}text") if e.get("fill") == MARK}
    assert marked == {"F14"}


def test_heavy_curve_of_the_body_plan_is_the_lifted_section(whole, drawing):
    """Carry the drawn points back to the ship: they must satisfy the ellipse."""
    job, _, body, *_ = whole
    root = ET.fromstring(drawing)
    path = next(
        e.get("d")
        for e in root.iter(f"{SVG}path")
        if e.get("stroke") == MARK and e.get("stroke-width") == "0.7" and len(e.get("d")) > 2000
    )
    point = np.array(re.findall(r"(-?[\d.]+) (-?[\d.]+)", path), dtype=float)
    a, b, *_ = body._axes(job.frame("F14").station)
    scale = 10.0
    middle = (point.max(axis=0) + point.min(axis=0)) / 2
    off = np.hypot(*((point - middle) * scale / np.array([a, b])).T)
    assert np.abs(off - 1.0).max() < 1e-3  # hundredths of a millimetre on the sheet


def test_same_input_gives_the_same_bytes(whole, drawing):
    assert lines.lines_drawing(*whole) == drawing


def test_unknown_date_and_revision_are_said_to_be_unknown(whole):
    job = dataclasses.replace(whole[0], date=None, revision="", prepared_by="")
    assert words_of(lines.lines_drawing(job, *whole[1:])).count("unknown") == 3


def test_hostile_title_stays_text(whole):
    job = dataclasses.replace(whole[0], title='<script>"F&14"</script>')
    svg = lines.lines_drawing(job, *whole[1:])
    assert '<script>"F&14"</script>' in words_of(svg)
    assert "<script>" not in svg


def test_widths_are_those_of_the_standard_series(drawing):
    """ISO 128-2 line widths, from memory."""
    widths = {e.get("stroke-width") for e in ET.fromstring(drawing).iter()} - {None, "0.9"}
    assert widths <= {"0.13", "0.18", "0.25", "0.35", "0.5", "0.7"}


def test_a_raised_frame_shows_in_the_second_differences(whole):
    """Plant a bump: the drawing's strips must change where a fair body's do not."""
    job, _, body, *_ = whole
    stations = np.array([frame.station for frame in job.frames])

    class Bumped(standin.Body):
        def points(self, station, theta):
            point = super().points(station, theta)
            bump = np.where(np.abs(point[..., 0] - 5840.0) < 1.0, 1.01, 1.0)
            point[..., 1] *= bump
            return point

    scene = layout.read_scene(job, body, (), whole[4])
    level, other = (
        {curve.name: curve.value for curve in fairness.strips(s, stations, 475.0)[0][1]}
        for s in (scene, dataclasses.replace(scene, surface=Bumped()))
    )
    change = np.abs(other["WL 0"] - level["WL 0"])
    assert (change > 3.0).sum() == 3


def test_too_few_frames_are_refused(whole):
    body = standin.Body()
    body.stations = body.stations[:2]
    with pytest.raises(ValueError, match="three surveyed frames"):
        lines.lines_drawing(whole[0], whole[1], body, *whole[3:])


def test_spread_keeps_order_and_gap():
    place = spread([5.0, 5.1, 4.9, 5.05], 1.0, 0.0, 10.0)
    order = np.argsort([5.0, 5.1, 4.9, 5.05])
    assert np.allclose(np.diff(place[order]), 1.0)
    assert abs(place.mean() - 5.0125) < 1e-9


def test_signs_are_true_minus_and_never_minus_zero():
    assert signed(-0.04) == "0.0"
    assert signed(-2.0) == "−2.0"
