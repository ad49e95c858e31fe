"""The construction: strokes that meet, a sheet that reads back, figures as found."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from half_sections import F14, TRUE, corncrake, drawn, survey

from loft.drawing.chain import Chain, project
from loft.drawing.check import check_facts
from loft.drawing.closure import close
from loft.drawing.construction import LAYERS, OUTLINE, RADII, construct, lettered
from loft.drawing.sheet import construction_svg, lettering_of
from loft.job.errors import LoftError
from loft.show.console import tell_arcs

NAMES = ["crown", "shoulder", "side", "bilge", "bottom"]


def hollow() -> Chain:
    bend = np.array([1 / 600, 0.0, 1 / 250, -1 / 900, 1 / 700])
    length = np.array([700.0, 180.0, 220.0, 120.0, 600.0])
    return close(
        Chain(crown=900.0, curvature=bend, length=length), np.zeros(11, dtype=bool), most=20
    )


def ends(stroke) -> np.ndarray:
    """Both ends of an outline stroke; an arc runs anticlockwise from first to second angle."""
    if stroke.kind == "line":
        return np.array([stroke.start, stroke.end])
    angle = np.deg2rad(stroke.angles)
    return np.array(stroke.centre) + stroke.radius * np.stack([np.cos(angle), np.sin(angle)], -1)


@pytest.mark.parametrize("chain", [corncrake(), hollow()], ids=["convex", "hollow"])
def test_outline_strokes_join_into_one_closed_line_on_the_chain(chain):
    plan = construct(chain, [f"arc {index}" for index in range(5)])
    outline = [stroke for stroke in plan.strokes if stroke.layer == OUTLINE]
    places = np.concatenate([ends(stroke) for stroke in outline])
    assert len(places) == 20
    for place in places:  # every end is shared by two strokes
        assert (np.abs(places - place).max(axis=1) < 1e-9).sum() == 2
    inside = []
    for stroke in outline:
        if stroke.kind == "arc":
            low, high = stroke.angles
            assert 0 < high - low < 180
            angle = np.deg2rad(0.5 * (low + high))
            middle = np.array(stroke.centre) + stroke.radius * np.array(
                [np.cos(angle), np.sin(angle)]
            )
            inside.append([abs(middle[0]), middle[1]])
    np.testing.assert_allclose(project(chain, inside).distance, 0.0, atol=1e-9)


def test_centres_lie_where_tangency_puts_them():
    """Neighbouring centres and their tangent point stand in one line."""
    plan = construct(corncrake(), NAMES)
    for index in range(4):
        one, two = plan.centres[index], plan.centres[index + 1]
        point = plan.tangents[index + 1]
        first = np.array([one.bl - point.bl, one.height - point.height])
        second = np.array([two.bl - point.bl, two.height - point.height])
        across = first[0] * second[1] - first[1] * second[0]
        assert abs(across) < 1e-9 * np.hypot(*first) * np.hypot(*second)


def test_a_centre_off_the_sheet_is_broken_off_and_named():
    plan = construct(corncrake(), NAMES)
    assert [mark.shown for mark in plan.centres] == [True, True, False, True, True]
    broken = [stroke.text for stroke in plan.strokes if stroke.layer == RADII and stroke.text]
    assert broken == ["to O3", "to O3"]


def test_strokes_keep_to_their_layers_and_names():
    plan = construct(hollow(), NAMES)
    assert {stroke.layer for stroke in [*plan.strokes, *lettered(plan)]} <= set(LAYERS)
    assert [mark.name for mark in plan.centres] == ["O1", "", "O3", "O4", "O5"]
    assert plan.words[1] == "straight"
    with pytest.raises(LoftError, match="2 names found for 5 arcs"):
        construct(hollow(), ["a", "b"])


def sheet(**wrong: float) -> str:
    points = survey(corncrake(), 60, 0.5, np.random.default_rng(41))
    check = check_facts(drawn(**(TRUE | wrong)), F14, points=points, sigma=0.5, robust=False)
    names = [arc.name for arc in check.arcs]
    plan = construct(check.reading.fit.chain, names, lettering_of(check))
    return construction_svg(plan, title="Frame F14 & its <arcs>", notes=["Readings: 60"])


def test_the_sheet_reads_back_in_millimetres_with_its_caution():
    text = sheet()
    root = ElementTree.fromstring(text)
    assert root.get("width") == "210mm"
    assert root.get("viewBox") == "0 0 210 297"
    words = [one.text for one in root.iter("{http://www.w3.org/2000/svg}text")]
    assert "Frame F14 & its <arcs>" in words
    assert any("looking forward: starboard right" in one for one in words)
    assert any("not approved data" in one for one in words)
    assert "R 700.0" in words
    assert sheet() == text


def test_everything_on_the_sheet_lies_on_it():
    numbers = [float(n) for n in re.findall(r'\b(?:x|x1|x2|cx)="(-?[\d.]+)"', sheet())]
    assert min(numbers) >= 0.0
    assert max(numbers) <= 210.0
    heights = [float(n) for n in re.findall(r'\b(?:y|y1|y2|cy)="(-?[\d.]+)"', sheet())]
    assert min(heights) >= 0.0
    assert max(heights) <= 297.0


def test_notes_stand_whole_or_not_at_all_and_the_rest_is_counted():
    plan = construct(corncrake(), list("abcde"))
    notes = [f"note {index} " + "word " * 40 + f"end {index}." for index in range(30)]
    text = construction_svg(plan, title="F14", notes=notes)
    begun, ended = re.findall(r"note (\d+) word", text), re.findall(r"end (\d+)\.", text)
    assert begun == ended
    assert 1 < len(begun) < 30
    assert f"… and {30 - len(begun)} more" in text
    assert "more" not in construction_svg(plan, title="F14", notes=notes[:2])
    feet = re.findall(r'y="(2[89]\d[\d.]*)"', text)  # the caution, in rows that the sheet holds
    assert len(feet) == 2


def test_a_radius_nobody_drew_carries_its_interval_and_a_contradicted_one_says_so():
    text = sheet(crown=740.0)
    assert re.search(r"R [\d,.]+ \(drawn 740\.0\)", text)
    points = survey(corncrake(), 60, 0.5, np.random.default_rng(42))
    check = check_facts(drawn(crown=700.0), F14, points=points, sigma=0.5, robust=False)
    assert re.fullmatch(r"R [\d,.]+ \(found: [\d,]+ to [\d,]+\)", lettering_of(check)[1])


def test_a_centre_on_the_centreline_is_never_minus_nothing():
    points = survey(corncrake(), 40, 1.0, np.random.default_rng(1))
    check = check_facts([], F14, points=points, sigma=1.0)
    near = tuple(replace(arc, centre_bl=-1e-9) for arc in check.arcs)
    assert "-0.0" not in tell_arcs([replace(check, arcs=near)], [], Path("out"))
