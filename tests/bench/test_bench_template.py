"""Blanks and templates: laid flat and folded up again, read back by other readers."""

import io
import math
from dataclasses import replace

import bench_bodies as bodies
import numpy as np
import pytest
from bench_bodies import job_for

from loft.bench.blank import flat_blank, inner_strain, notch
from loft.bench.frame import frame_lines
from loft.bench.marks import frame_marks
from loft.bench.plot import PAPERS, dxf_bytes, pdf_bytes, svg_bytes, tiles
from loft.bench.stock import plain_job, round_section
from loft.bench.template import blank_drawing, template_drawing
from loft.job.errors import LoftError

HASH = "0123456789ab"


# ---- the blank -----------------------------------------------------------------------------


@pytest.mark.parametrize("faces", ["aft", "forward"])
def test_folded_up_the_blank_s_edge_is_the_flange_s_free_edge(faces):
    """Fold every row about its bend, neutral line of equal length, and measure what comes out.

    Across a row the flat is straight; the bend is an arc of the inside radius, and the
    outside of the flange must come to lie `flange` along from the heel at its angle.
    """
    section, job = bodies.section_of(bodies.lopsided), job_for(faces)
    lines = frame_lines(section, job)
    gauge, radius = lines.part.gauge, lines.part.radius
    flat = np.einsum("ij,ij->i", lines.blank - lines.web_tangent, lines.normal)
    straight = flat - lines.allowance  # of the flange beyond its bend
    turn = lines.bend
    # across the row: out of the frame, and up from the heel plane; outside of the sheet
    out = (radius + gauge) * np.sin(turn) + straight * np.cos(turn)
    up = (radius + gauge) * (1 - np.cos(turn)) + straight * np.sin(turn)
    heel_out = lines.setback  # the heel stands SB beyond the web's tangent line
    reach = np.hypot(out - heel_out, up)
    angle = np.arctan2(up, -(out - heel_out))  # between flange and web
    assert reach == pytest.approx(19.0, abs=1e-9)
    assert angle == pytest.approx(lines.angle, abs=1e-12)


def test_strain_is_the_edge_s_length_on_the_part_over_that_of_the_flat():
    """Measured along whole lines in space; the formula's radius is that of the flange line.

    2e-3 of the strain's own size: the bevel changes along the edge, which the mean
    strain of a row does not see. The flat's edge here is the flange's width from the
    heel, as in the formula.
    """
    cut = bodies.Cut()
    section, job = bodies.section_of(bodies.lopsided, cut), job_for("aft")
    lines = frame_lines(section, job, step=2.0)
    width = lines.part.flange
    flat = lines.flange_line + width * lines.normal
    level = -width * np.cos(lines.angle)
    edge = lines.flange_line + level[:, None] * lines.normal
    up = width * np.sin(lines.angle)
    made = np.column_stack([edge, up])

    def length(points):
        return np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)

    mean = np.sum(length(made)) / np.sum(length(flat)) - 1
    weight = length(flat)
    assert mean == pytest.approx(np.sum(lines.strain * weight) / weight.sum(), rel=2e-3)


def test_area_of_a_round_blank():
    """A whole ring without cut-outs: pi (R^2 - r^2); chords of 3 mm take off 4e-6 of it."""
    job = replace(plain_job(), stringer_width=10.0)
    job = replace(job, frame_section=replace(job.frame_section, splices=()))
    lines = frame_lines(round_section(600.0), job, step=3.0)
    blank = flat_blank(lines, [], lines.pieces[0])
    outer, inner = 614.8167 + 6.0, 599.1 - 75.0
    assert blank.area == pytest.approx(math.pi * (outer**2 - inner**2), rel=1e-5)
    assert len(blank.openings) == 1


def test_cut_outs_go_through_the_flange_and_no_deeper_than_they_are_marked():
    from shapely.geometry import Point, Polygon

    section, job = bodies.section_of(bodies.lopsided), job_for()
    lines = frame_lines(section, job, step=3.0)
    marks = frame_marks(section, job, lines)
    for piece in lines.pieces:
        blank = flat_blank(lines, marks, piece)
        sheet = Polygon(blank.cut)
        assert sheet.is_valid
        for mark in marks:
            inside = (mark.girth - piece.start) % section.length
            if mark.kind != "cutout" or not 30 < inside < piece.stop - piece.start - 30:
                continue
            out = np.array([np.sin(mark.angle), np.cos(mark.angle)])
            place = np.array([mark.bl, mark.height])
            assert not sheet.contains(Point(place + 15 * out))
            assert not sheet.contains(Point(place - (mark.depth - 0.2) * out))
            assert sheet.contains(Point(place - (mark.depth + 0.2) * out))
            aside = np.array([out[1], -out[0]]) * (mark.width / 2 + 0.3)
            assert sheet.contains(Point(place - 10 * out + aside))
            assert sheet.contains(Point(place - 10 * out - aside))


def test_corners_of_a_cut_out_are_rounded_to_the_job_s_radius():
    section, job = bodies.section_of(bodies.lopsided), job_for()
    marks = frame_marks(section, job, frame_lines(section, job))
    mark = next(mark for mark in marks if mark.kind == "cutout")
    path = notch(mark, beyond=5.0)
    arc = path[1:10]
    a, b, c = arc[0], arc[4], arc[8]
    side = [np.linalg.norm(p - q) for p, q in ((a, b), (b, c), (c, a))]
    area = 0.5 * abs((b - a)[0] * (c - a)[1] - (b - a)[1] * (c - a)[0])
    assert math.prod(side) / 4 / area == pytest.approx(job.shop.cutout_corner_radius)


def test_a_chine_gets_a_relief_hole_where_the_tangent_lines_meet():
    section = bodies.section_of(bodies.chined, chines=(2.0, 2.0 + math.pi))
    job = job_for()
    lines = frame_lines(section, job, step=3.0)
    marks = frame_marks(section, job, lines)
    relieved = [blank for p in lines.pieces if (blank := flat_blank(lines, marks, p)).relief]
    assert len(relieved) == 2
    for blank in relieved:
        assert blank.relief[0][2] == 4.0  # the bend radius, over the table's 1/8 in


@pytest.mark.parametrize(
    ("body", "outward"), [(bodies.chined, True), (bodies.hollow_chined, False)]
)
def test_flanges_of_a_chine_do_not_stand_in_each_other_s_way(body, outward):
    """Outwards each flange ends square to its own side, at or before the corner."""
    from shapely.geometry import Point, Polygon

    section = bodies.section_of(body, chines=(2.0, 2.0 + math.pi))
    job = job_for()
    lines = frame_lines(section, job, step=3.0)
    marks = frame_marks(section, job, lines)
    for corner in section.corners:
        piece = next(p for p in lines.pieces if p.start < corner.girth < p.stop)
        sheet = Polygon(flat_blank(lines, marks, piece).cut)
        row = int(np.argmin(np.abs(lines.girth - corner.girth)))
        centre = lines.web_tangent[row]
        before, after = np.array(corner.normal_before), np.array(corner.normal_after)
        along = np.array([before[1], -before[0]])
        middle = (before + after) / np.linalg.norm(before + after)
        for reach in (8.0, 14.0):
            assert not sheet.contains(Point(centre + reach * middle))
            if outward:
                assert not sheet.contains(Point(centre + reach * before + 1.5 * along))
                assert sheet.contains(Point(centre + reach * before - 4.0 * along))
        assert sheet.contains(Point(centre - 6.0 * middle))


def test_inner_flange_stretches_where_the_outer_shrinks():
    """Inside a ring of 600 - 0.9 - 75: w / (r - w) at a square flange."""
    job = job_for(splices=(), inner_flange=16.0, inner_flange_faces="aft")
    lines = frame_lines(round_section(600.0), replace(job, missing=("F1",)))
    inner = 600.0 - 0.9 - 75.0
    assert inner_strain(lines) == pytest.approx(16.0 / (inner - 16.0))
    blank = flat_blank(lines, [], lines.pieces[0])
    least = np.hypot(*blank.openings[0].T).max()
    less = 2 * 5.2 - (0.01743 * 4 + 0.0078 * 1.2) * 90
    assert least == pytest.approx(inner - (16.0 - less) - 6.0, abs=1e-3)


# ---- files ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def section():
    return bodies.section_of(bodies.lopsided)


@pytest.mark.parametrize("make", [template_drawing, blank_drawing])
def test_dxf_is_read_back_whole_and_in_millimetres(make, section, tmp_path):
    import ezdxf

    content = dxf_bytes(make(section, job_for(), section_hash=HASH))
    path = tmp_path / "t.dxf"
    path.write_bytes(content)
    doc = ezdxf.readfile(path)
    audit = doc.audit()
    assert not audit.errors
    assert not audit.fixes
    assert doc.units == 4
    assert doc.header["$MEASUREMENT"] == 1
    names = {layer.dxf.name for layer in doc.layers}
    assert {"MOULD_LINE", "FLANGE_LINE", "BEND_TANGENT", "RIVET_LINE", "PIN_HOLE"} <= names
    said = " ".join(text.dxf.text for text in doc.modelspace().query("TEXT"))
    for words in ("FULL SIZE", HASH, "STARBOARD", "PIN1", "S2S", "WL 200.0", "Shape only"):
        assert words in said
    assert "looking aft, starboard left".upper() in said
    assert content == dxf_bytes(make(section, job_for(), section_hash=HASH))


@pytest.mark.parametrize(("faces", "sign"), [("aft", -1.0), ("forward", 1.0)])
def test_template_shows_the_heel_face(faces, sign, section):
    """Looking aft starboard is on the left. The body is unequal: a mirrored sheet fails."""
    import ezdxf

    job = job_for(faces)
    drawing = template_drawing(section, job, section_hash=HASH)
    doc = ezdxf.read(io.StringIO(dxf_bytes(drawing).decode()))
    (mould,) = doc.modelspace().query("LWPOLYLINE[layer=='MOULD_LINE']")[:1]
    points = np.array([(x, y) for x, y, *_ in mould])
    assert sign * points[:, 0].max() * sign == pytest.approx(
        section.bl.max() if sign > 0 else -section.bl.min(), abs=0.05
    )
    assert abs(section.bl.max() + section.bl.min()) > 5.0
    pin = frame_marks(section, job, frame_lines(section, job))
    pin = next(mark for mark in pin if mark.name == "PIN1")
    circles = [(c.dxf.center.x, c.dxf.center.y) for c in doc.modelspace().query("CIRCLE")]
    assert any(math.dist(c, (sign * pin.bl, pin.height)) < 1e-5 for c in circles)


def test_canted_grid_is_drawn_at_true_height():
    cut = bodies.Cut(cant=math.radians(5.0), pivot_wl=100.0)
    canted = bodies.section_of(bodies.elliptic_cone, cut)
    drawing = template_drawing(canted, job_for(), section_hash=HASH)
    word = next(word for word in drawing.words if word.text == "WL 600.0")
    assert word.place[1] - 1.0 == pytest.approx(500.0 / math.cos(cut.cant))


def test_single_sheet_pdf_is_full_size_and_asks_not_to_be_scaled(section):
    from pypdf import PdfReader

    drawing = template_drawing(section, job_for(), section_hash=HASH)
    content = pdf_bytes(drawing)
    reader = PdfReader(io.BytesIO(content))
    (page,) = reader.pages
    low_x, low_y, high_x, high_y = drawing.box()
    # 0.01 mm: the page's size is written to a few decimals of a point
    assert float(page.mediabox.width) * 25.4 / 72 == pytest.approx(high_x - low_x + 30, abs=0.01)
    assert float(page.mediabox.height) * 25.4 / 72 == pytest.approx(high_y - low_y + 30, abs=0.01)
    root = reader.trailer["/Root"]
    assert root["/ViewerPreferences"]["/PrintScaling"] == "/None"
    assert HASH in reader.metadata.title
    text = page.extract_text()
    assert "FULL SIZE" in text
    assert "Shape only" in text
    assert content == pdf_bytes(template_drawing(section, job_for(), section_hash=HASH))


@pytest.mark.parametrize("paper", list(PAPERS))
def test_tiles_cover_every_line_and_overlap(paper, section):
    from pypdf import PdfReader

    drawing = template_drawing(section, job_for(), section_hash=HASH)
    made = tiles(drawing, paper)
    points = np.concatenate([s.points for s in drawing.strokes if s.layer == "FLANGE_LINE"])
    seen = np.zeros(len(points), dtype=int)
    for tile in made:
        low, size = np.array(tile["corner"]), np.array(tile["window"])
        seen += ((points >= low) & (points <= low + size)).all(axis=1)
    assert seen.min() >= 1
    assert seen.max() >= 2  # in the overlap a line stands on both sheets
    wide, tall = PAPERS[paper]
    reader = PdfReader(io.BytesIO(pdf_bytes(drawing, paper=paper)))
    assert len(reader.pages) == len(made)
    assert float(reader.pages[0].mediabox.width) * 25.4 / 72 == pytest.approx(wide, abs=0.01)
    assert float(reader.pages[0].mediabox.height) * 25.4 / 72 == pytest.approx(tall, abs=0.01)
    text = reader.pages[0].extract_text()
    assert made[0]["name"] in text
    assert "print without scaling" in text


def test_svg_is_in_millimetres(section):
    import xml.etree.ElementTree as ET

    drawing = template_drawing(section, job_for(), section_hash=HASH)
    root = ET.fromstring(svg_bytes(drawing))
    low_x, low_y, high_x, high_y = drawing.box()
    assert root.get("width") == f"{round(high_x - low_x + 30, 4):g}mm" or float(
        root.get("width")[:-2]
    ) == pytest.approx(high_x - low_x + 30, abs=1e-3)
    assert [float(v) for v in root.get("viewBox").split()[2:]] == pytest.approx(
        [high_x - low_x + 30, high_y - low_y + 30], abs=1e-3
    )
    assert {"MOULD_LINE", "PIN_HOLE"} <= {g.get("id") for g in root.iter() if g.get("id")}


def test_refusals_of_the_sheets(section):
    with pytest.raises(LoftError, match="CROWN-S9S found, CROWN-S3S, S3S-KEEL"):
        blank_drawing(section, job_for(), section_hash=HASH, piece="CROWN-S9S")
    with pytest.raises(LoftError, match="A5 found, A4, A3, Letter wanted"):
        pdf_bytes(template_drawing(section, job_for(), section_hash=HASH), paper="A5")
    bare = job_for()
    bare = replace(bare, shop=replace(bare.shop, waterlines=float("nan")))
    with pytest.raises(LoftError, match="the grid's spacing wanted"):
        template_drawing(section, bare, section_hash=HASH)
