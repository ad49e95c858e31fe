"""What comes off the printer, the cutter and the folder: measured by readers not our own."""

import io
import math
import shutil
import subprocess
from dataclasses import replace

import bench_bodies as bodies
import numpy as np
import pytest
from browser import needs_browser, opened
from test_bench_template import HASH, job_for

from loft.bench.blank import flat_blank
from loft.bench.drawing import Drawing
from loft.bench.frame import frame_lines
from loft.bench.marks import frame_marks
from loft.bench.outline import at
from loft.bench.plot import EDGE, FOOT, OVERLAP, PAPERS, dxf_bytes, pdf_bytes, svg_bytes
from loft.bench.template import blank_drawing, template_drawing

needs_poppler = pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="no pdftoppm here")


def cylinder(x, t):
    """Round body of one radius."""
    return 600.0 * np.sin(t) + 0 * x, 600.0 * np.cos(t) + 0 * x


# ---- DXF -----------------------------------------------------------------------------------


@pytest.mark.parametrize("make", [template_drawing, blank_drawing])
def test_every_entity_of_the_dxf_is_where_it_was_drawn(make):
    """Strokes, circles and lettering one by one, by an independent reader; 1e-5 as written."""
    import ezdxf

    section, job = bodies.section_of(bodies.lopsided), job_for()
    job = replace(job, frame_section=replace(job.frame_section, lightening=(("S1S+80", 40, 30.0),)))
    drawing = make(section, job, section_hash=HASH)
    doc = ezdxf.read(io.StringIO(dxf_bytes(drawing).decode()))
    assert not doc.audit().errors
    assert doc.units == 4
    space = doc.modelspace()
    lines, circles, texts = (space.query(kind) for kind in ("LWPOLYLINE", "CIRCLE", "TEXT"))
    assert len(lines) + len(circles) + len(texts) == len(space)
    for entity, stroke in zip(lines, drawing.strokes, strict=True):
        assert entity.dxf.layer == stroke.layer
        points = np.array([(x, y) for x, y, *_ in entity])
        assert np.abs(points - stroke.points).max() < 1e-5
        assert entity.closed == stroke.closed
    for entity, circle in zip(circles, drawing.circles, strict=True):
        assert math.dist((entity.dxf.center.x, entity.dxf.center.y), circle.centre) < 1e-5
        assert entity.dxf.radius == pytest.approx(circle.radius, abs=1e-5)
    for entity, word in zip(texts, drawing.words, strict=True):
        place = entity.get_placement()[1]
        assert math.dist((place.x, place.y), word.place) < 1e-5
        assert entity.dxf.text == word.text


@pytest.mark.parametrize("faces", ["aft", "forward"])
def test_lines_of_the_template_lie_on_the_body(faces):
    """0.005 mm, chords of 3 mm and all: against the body in closed form, no code of ours between.

    The flange line stands under it by what the mould line's own offset gives.
    """
    section, job = bodies.section_of(bodies.lopsided), job_for(faces)
    drawing = template_drawing(section, job, section_hash=HASH)
    (mould,) = (stroke for stroke in drawing.strokes if stroke.layer == "MOULD_LINE")
    hand = -1.0 if faces == "aft" else 1.0
    shut = np.vstack([mould.points, mould.points[:1]])
    middle = (shut[1:] + shut[:-1]) / 2
    places = np.concatenate([shut[:-1], middle])[::23] * [hand, 1.0]
    space = bodies.Cut().point(*places.T)
    off = bodies.depth_below(bodies.lopsided, space)
    assert np.abs(off).max() < 0.005
    lines = frame_lines(section, job, step=3.0)
    (flange,) = (stroke for stroke in drawing.strokes if stroke.layer == "FLANGE_LINE")
    exact = at(lines.outline, lines.girth)
    wanted = exact.point - 0.9 / np.cos(exact.bevel)[:, None] * exact.normal
    assert np.abs(flange.points * [hand, 1.0] - wanted).max() < 1e-6


# ---- paper ---------------------------------------------------------------------------------


def dark_columns(pdf, page, box):
    """Return the middles of upright lines in a box of a page at 600 dpi, mm from the left.

    Box: left, top, width, height, mm from the page's upper left corner.
    """
    dots = 600 / 25.4
    left, top, wide, tall = (round(value * dots) for value in box)
    call = ["pdftoppm", "-r", "600", "-gray", "-f", str(page), "-l", str(page)]
    call += ["-x", str(left), "-y", str(top), "-W", str(wide), "-H", str(tall), str(pdf)]
    raw = subprocess.run(call, check=True, capture_output=True).stdout
    head = raw.split(b"\n", 3)
    wide, tall = (int(value) for value in head[1].split())
    shade = np.frombuffer(head[3], dtype=np.uint8).reshape(tall, wide)
    ink = 1.0 - np.quantile(shade, 0.9, axis=0) / 255.0  # of what runs all down the box
    columns = np.flatnonzero(ink > 0.05)
    runs = np.split(columns, np.flatnonzero(np.diff(columns) > 1) + 1)
    middles = [np.average(run + 0.5, weights=ink[run]) + left for run in runs if len(run)]
    return np.array(middles) / dots


@needs_poppler
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_metre_across_tiles_is_a_metre(paper, tmp_path):
    """Printed at 600 dpi and laid cross on cross: ticks 1000 mm apart, 0.1 mm in all.

    Only what the paper shows is used: each tile's own crosses, and its neighbour's.
    """
    drawing = Drawing(title="metre", subject="s")
    drawing.stroke("MOULD_LINE", [[0.0, 0.0], [1000.0, 0.0]])
    for x in range(0, 1001, 50):
        drawing.stroke("FLANGE_LINE", [[x, -20.0], [x, 20.0]])
    pdf = tmp_path / "tiles.pdf"
    pdf.write_bytes(pdf_bytes(drawing, paper=paper))
    wide, tall = PAPERS[paper]
    window = tall - EDGE - FOOT - EDGE
    middle = EDGE + window / 2  # the drawing's middle lies in the window's
    origin, found = 0.0, []
    for page in range(1, math.ceil((1000.0 - OVERLAP) / (wide - 2 * EDGE - OVERLAP)) + 1):
        crosses = dark_columns(pdf, page, (EDGE + 1, EDGE + window - 3.0, wide - 2 * EDGE - 2, 2.0))
        assert len(crosses) == 2
        assert crosses == pytest.approx([EDGE + 6.0, wide - EDGE - 6.0], abs=0.05)
        ticks = dark_columns(pdf, page, (EDGE + 1, middle - 15.0, wide - 2 * EDGE - 2, 4.0))
        origin -= crosses[0]
        found += [origin + tick for tick in ticks]
        origin += crosses[1]
    found = np.unique(np.round(np.array(found), 2))
    ticks = found[np.insert(np.diff(found) > 1.0, 0, True)]
    assert len(ticks) == 21
    assert ticks[-1] - ticks[0] == pytest.approx(1000.0, abs=0.1)
    assert np.diff(ticks) == pytest.approx(50.0, abs=0.06)  # a dot and a half


@needs_poppler
def test_the_one_sheet_template_prints_its_square_at_100_mm(tmp_path):
    drawing = template_drawing(bodies.section_of(bodies.lopsided), job_for(), section_hash=HASH)
    pdf = tmp_path / "template.pdf"
    pdf.write_bytes(pdf_bytes(drawing))
    square = next(stroke for stroke in drawing.strokes if stroke.layer == "MEASURE")
    low_x, _, _, high_y = drawing.box()
    left = square.points[:, 0].min() - low_x + 15.0
    top = high_y + 15.0 - square.points[:, 1].max()
    edges = dark_columns(pdf, 1, (left - 2.0, top + 5.0, 104.0, 20.0))
    assert edges[-1] - edges[0] == pytest.approx(100.0, abs=0.05)


# ---- the browser ---------------------------------------------------------------------------


@needs_browser
def test_svg_is_full_size_in_a_browser(tmp_path):
    """A CSS millimetre is 96 / 25.4 dots; the sheet and its square are measured there."""
    drawing = template_drawing(bodies.section_of(bodies.lopsided), job_for(), section_hash=HASH)
    svg = svg_bytes(drawing).decode()
    page = f'<!DOCTYPE html><body style="margin:0">{svg}</body>'
    low_x, low_y, high_x, high_y = drawing.box()
    with opened(page, tmp_path) as browser:
        ask = "(e => {let b = e.getBoundingClientRect(); return [b.width, b.height]})"
        sheet = browser.eval(f"{ask}(document.querySelector('svg'))")
        square = browser.eval(f"{ask}(document.querySelector('#MEASURE path'))")
        texts = browser.eval("[...document.querySelectorAll('text')].map(e => e.textContent)")
        assert browser.faults == []
    mm = 25.4 / 96
    assert np.array(sheet) * mm == pytest.approx(
        [high_x - low_x + 30, high_y - low_y + 30], abs=0.05
    )
    assert np.array(square) * mm == pytest.approx([100.0, 100.0], abs=0.05)
    assert {"FULL SIZE", "PIN1 dia 4.8", "S2S"} <= set(texts)


# ---- the blank folded up again -------------------------------------------------------------


@pytest.mark.parametrize("faces", ["aft", "forward"])
@pytest.mark.parametrize("body", [cylinder, bodies.cone])
def test_the_blank_folded_up_lies_under_the_skin(body, faces):
    """Every row of the blank is bent about its tangent line and carried into the aircraft.

    From bend to free edge the outside of the flange must lie at the skin's depth under
    the body, whose closed form alone says where that is; the free edge 19 mm from the
    heel. 0.05 mm is what the shop is promised; the rulings of a cone are straight.
    """
    section, job = bodies.section_of(body), job_for(faces)
    lines = frame_lines(section, job, step=3.0)
    marks = frame_marks(section, job, lines)
    part = lines.part
    for piece in lines.pieces:
        blank = flat_blank(lines, marks, piece)
        rows = piece.rows[::40]
        foot, edge = blank.web_tangent[::40], blank.trim[::40]
        normal, turn = lines.normal[rows], lines.bend[rows]
        straight = np.einsum("ij,ij->i", edge - foot, normal) - lines.allowance[rows]
        outer = part.radius + part.gauge
        for share in (0.0, 0.5, 1.0):
            out = outer * np.sin(turn) + share * straight * np.cos(turn)
            up = outer * (1 - np.cos(turn)) + share * straight * np.sin(turn)
            flat = foot + out[:, None] * normal
            space = bodies.Cut().point(*flat.T, part.hand * up)
            depth = bodies.depth_below(body, space)
            assert depth == pytest.approx(0.9, abs=0.05)
            assert depth == pytest.approx(0.9, abs=0.002)  # as measured, not as promised
        heel = lines.flange_line[rows]
        reach = np.hypot(np.einsum("ij,ij->i", flat - heel, normal), up)
        assert reach == pytest.approx(19.0, abs=1e-6)
