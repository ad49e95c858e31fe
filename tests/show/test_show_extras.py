"""Settlement, construction, block and pieces: layers that are shown when they are asked for."""

from __future__ import annotations

import dataclasses
import re
import time

import numpy as np
import pytest
import standin
from browser import needs_browser, opened

from loft.bench.step import in_space
from loft.bench.stock import plain_job, round_section
from loft.drawing.chain import strike
from loft.drawing.construction import construct
from loft.job.records import FrameSection, Job, Section
from loft.show import extras, page, screen, window
from loft.show.scene import scene_of

needs_gl = pytest.mark.skipif(
    not any(screen.loads(library) for library, _ in screen.WINDOWS),
    reason="no OpenGL library on this machine",
)
GAUGE, DEPTH, RADIUS = 1.2, 0.9, 600.0


def made(faces: str) -> tuple[Section, Job]:
    """A round frame at station 1000 whose flange faces aft or forward."""
    job = plain_job()
    part = dataclasses.replace(job.frame_section, flange_faces=faces)
    assert isinstance(part, FrameSection)
    return round_section(RADIUS), dataclasses.replace(job, frame_section=part)


@pytest.fixture(scope="module")
def whole():
    return standin.whole()


@pytest.fixture(scope="module")
def blocks():
    return extras.blocks_of(*made("aft"))


# ---- places ----------------------------------------------------------------------------


def test_plane_of_a_canted_frame_is_the_sections():
    """(bl, height) comes back to the station, bl and wl that the lift gives."""
    section = standin.Body().lift(standin.make_job(cant=np.deg2rad(4.0)).frame("F17"))
    place = in_space(section, np.column_stack([section.bl, section.height]))
    assert np.ptp(section.station_at) > 40.0
    wanted = np.column_stack([section.station_at, section.bl, section.wl])
    assert np.allclose(place, wanted, atol=1e-6)


def test_aft_of_a_canted_frame_is_square_to_it():
    frame = standin.make_job(cant=np.deg2rad(4.0)).frame("F17")
    near, far = (in_space(frame, [[100.0, 500.0]], aft=d)[0] for d in (0.0, 10.0))
    top = in_space(frame, [[100.0, 501.0]])[0]
    assert far[0] > near[0]
    assert np.linalg.norm(far - near) == pytest.approx(10.0)
    assert (far - near) @ (top - near) == pytest.approx(0.0, abs=1e-9)


# ---- block and pieces --------------------------------------------------------------------


@pytest.mark.parametrize(("faces", "hand"), [("aft", 1.0), ("forward", -1.0)])
def test_block_lies_on_the_webs_inside_face_and_inside_the_skin(faces, hand):
    section, job = made(faces)
    layer = extras.blocks_of(section, job)
    assert len(layer.solids) == len(job.frame_section.splices)
    for name, (points, triangles) in layer.solids.items():
        away = hand * (points[:, 0] - section.station)
        assert away.min() == pytest.approx(GAUGE), "its top bears on the web"
        assert away.max() > GAUGE + 19.0, "and it reaches beyond the flange"
        round_ = np.hypot(points[:, 1], points[:, 2])
        # inside the skin, but for the end plane's chords and the block's side at bevel 0
        assert round_.max() == pytest.approx(RADIUS - DEPTH - GAUGE, abs=0.05)
        a, b, c = (points[triangles[:, k]] for k in range(3))
        assert np.einsum("ij,ij->", a, np.cross(b, c)) > 0, f"{name} is wound inwards: mirrored"


def test_pieces_stand_on_their_own_side(blocks):
    """S1S is abeam to starboard: the pieces that end on it, and their blocks, are there."""
    for name in ("F1 CROWN-S1S", "F1 S1S-KEEL"):
        for points in (blocks.curves[name], blocks.solids[name][0]):
            assert points[:, 1].max() > 500.0
            assert points[:, 1].min() > -1.0
    assert (blocks.curves["F1 CROWN-S1S"][:, 2] > -1.0).all()


def test_a_job_without_the_part_has_no_blocks(whole):
    job, _, _, sections, _ = whole
    assert extras.extras_of(job, sections, {}) == ()


# ---- settlement ----------------------------------------------------------------------------


def test_settlement_is_drawn_a_stated_number_of_times(whole):
    """Roll positive lifts starboard; F11 moves by hand, the others stand still."""
    job, _, body, _, evidence = whole
    zero = np.zeros_like(evidence.settlements.d_bl)
    at = int(np.flatnonzero(evidence.settlements.frame == "F11")[0])
    one = zero.copy()
    one[at] = 1.0
    found = dataclasses.replace(
        evidence.settlements, d_bl=2.0 * one, d_wl=-3.0 * one, roll=0.004 * one
    )
    layer = extras.settled(job, body, found)[0]
    times = float(re.fullmatch(r"settlement, (\d+) times as large", layer.words).group(1))
    assert times > 1.0
    theta = np.linspace(0.0, 2.0 * np.pi, 361)
    fair = body.points(job.frame("F11").station, theta)
    move = (layer.curves["F11"] - fair) / times
    starboard, port = 90, 270
    assert move[starboard] - move[port] == pytest.approx(
        [0.0, 0.0, 0.004 * (fair[starboard, 1] - fair[port, 1])], abs=1e-9
    )
    wanted = [0.0, 2.0 - 0.004 * (fair[0, 2] - 40.0), -3.0]
    assert move[0] == pytest.approx(wanted, abs=1e-9)
    still = body.points(job.frame("F12").station, theta)
    assert np.allclose(layer.curves["F12"], still)
    assert "F14" not in layer.curves, "nobody knows how a missing frame stood"
    moveless = dataclasses.replace(found, d_bl=zero, d_wl=zero, roll=zero)
    assert extras.settled(job, body, moveless) == ()


# ---- construction ----------------------------------------------------------------------------


def test_strokes_of_the_construction_lie_on_its_arcs():
    chain = strike(600.0, [620.0, 300.0], [1.0, 2.0])
    plan = construct(chain, ["crown", "side", "bottom"])
    for stroke in plan.strokes:
        if stroke.kind in ("arc", "circle"):
            away = np.linalg.norm(extras._bent(stroke) - stroke.centre, axis=1)
            assert np.allclose(away, stroke.radius)
    outline = np.vstack([extras._bent(s) for s in plan.strokes if s.layer == "OUTLINE"])
    for knot in chain.knot:
        assert np.linalg.norm(outline - knot, axis=1).min() < 1e-6


# ---- what shows them --------------------------------------------------------------------------


@needs_gl
def test_window_hides_them_until_they_are_asked_for(whole, blocks):
    pyvista = screen.renderer()
    scene = scene_of(*whole, extras=[blocks])
    assert [extra.layer for extra in scene.extras] == ["settlement", "blocks"]
    view = window.viewer(pyvista, whole[0], whole[2], scene, off_screen=True)
    try:
        view.toggle("skin", False)
        seen = []
        for _ in range(2):
            view.plotter.render()
            seen.append(np.asarray(view.plotter.screenshot(return_img=True), dtype=int))
            assert not any(actor.GetVisibility() for actor in view.layers["blocks"])
            view.toggle("settlement", len(seen) == 1)
        assert (np.abs(seen[0] - seen[1]).max(axis=-1) > 40).mean() > 0.002
    finally:
        view.plotter.close()


@needs_browser
def test_page_hides_them_until_they_are_asked_for(whole, blocks, tmp_path):
    html = page.view_page(*whole, extras=[blocks])
    plot = 'document.getElementById("loft")'
    box = '[...document.querySelectorAll("#controls label")].find(l => l.innerText.includes("{}"))'
    with opened(html, tmp_path, ready='document.body.dataset.ready === "yes"') as browser:
        for words in ("settlement, ", "forming blocks and pieces"):
            label = box.format(words)
            traces = browser.eval(f"{label}.control.dataset.traces")
            shown = f"[{traces}].map(k => {plot}._fullData[k].visible)"
            assert not any(browser.eval(shown)), words
            browser.eval(f"{label}.control.click()")
            end = time.monotonic() + 20.0
            while not all(browser.eval(shown)):
                assert time.monotonic() < end, words
                time.sleep(0.1)
        assert browser.faults == []


def test_bar_has_zero_in_its_middle_and_marks_the_band(whole):
    """The bar is to one scale: a band of two steps reaches two steps either way of zero."""
    scene = scene_of(*whole)
    ribbon = scene.ribbons[0]
    step = ribbon.half / 2.0
    bar = page._bar(dataclasses.replace(scene.bands, step=step), [ribbon])
    tall = float(re.search(r'class="bar" width="\d+" height="([\d.]+)"', bar).group(1))
    top, low = (float(v) for v in re.search(r'd="M\d+ ([\d.]+)V([\d.]+)M', bar).groups())
    assert (top + low) / 2 == pytest.approx(tall / 2)
    assert (low - top) / tall == pytest.approx(4.0 / 10.0)
    zero = float(re.search(r'y="([\d.]+)">0<', bar).group(1))
    assert zero - 4.5 == pytest.approx(tall / 2)  # a letter's middle over its foot
    assert f"± {ribbon.half:.2f} mm" in bar
    narrow = page._bar(dataclasses.replace(scene.bands, step=step / 10), [ribbon])
    assert "beyond the bar" in narrow
