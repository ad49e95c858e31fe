"""All files of a frame: each names its section, says what it is not, is made twice alike."""

import io
import json
import re
import zipfile
from dataclasses import replace
from html.parser import HTMLParser

import bench_bodies as bodies
import numpy as np
import pytest
from bench_bodies import job_for

from loft.bench.boards import block_drawing, boards_drawing
from loft.bench.make import make_files, make_summary, run_curvature, work_of
from loft.bench.shop import shop_html
from loft.bench.stock import plain_job, round_section
from loft.job.errors import LoftError

HASH = "0123456789ab"


@pytest.fixture(scope="module")
def files():
    return make_files(bodies.section_of(bodies.lopsided), job_for(), HASH)


def test_the_files_of_a_frame(files):
    pieces = ("CROWN-S3S", "S3S-KEEL", "KEEL-S3P", "S3P-CROWN")
    wanted = {
        *("frame.csv", "marks.csv", "offsets.csv", "block.stl", "block.3mf", "blank.dxf"),
        *("template.dxf", "template.pdf", "template.svg", "template_tiles.pdf", "shop.html"),
        *(f"block_{name}.stl" for name in pieces),
        *(f"blank_{name}.dxf" for name in pieces),
        *(f"block_{name}.dxf" for name in pieces),
    }
    assert wanted <= set(files)
    assert set(files) - wanted <= {"shop.pdf"}


def test_every_file_names_its_section(files):
    from pypdf import PdfReader

    for name, content in files.items():
        if name.endswith(".pdf"):
            reader = PdfReader(io.BytesIO(content))
            assert HASH in (reader.metadata.title or ""), name
        elif name.endswith(".3mf"):
            with zipfile.ZipFile(io.BytesIO(content)) as box:
                assert HASH.encode() in box.read("3D/3dmodel.model")
        elif name.endswith(".stl"):
            assert HASH.encode() in content[:80], name
        else:
            assert HASH.encode() in content, name


def test_every_sheet_says_that_it_is_not_approved_data(files):
    for name, content in files.items():
        if name.endswith((".csv", ".dxf", ".svg", ".html")):
            assert b"not approved data" in content, name


def test_the_same_bytes_twice(files):
    again = make_files(bodies.section_of(bodies.lopsided), job_for(), HASH)
    assert [name for name in files if files[name] != again[name]] == []


def test_no_file_carries_a_clock_time(files):
    """No year later than the fixed ones of the formats, but for the sources' own."""
    import datetime

    now = datetime.datetime.now(tz=datetime.UTC)
    for name, content in files.items():
        assert now.strftime("%Y-%m-%d").encode() not in content, name
        assert now.strftime("D:%Y%m%d").encode() not in content, name


class Pages(HTMLParser):
    """Collect the text of every section, and check that tags close."""

    def __init__(self):
        super().__init__()
        self.pages, self.open = [], []

    def handle_starttag(self, tag, attrs):
        if tag == "section":
            self.pages.append("")
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.pages:
            self.pages[-1] += data + " "


def pages_of(html):
    reader = Pages()
    reader.feed(html)
    assert reader.open == []
    return reader.pages


def test_shop_sheet_has_a_page_for_each_piece_with_its_cautions(files):
    first, *pieces = pages_of(files["shop.html"].decode())
    assert "Frame F14" in first
    assert "Shape only" in first
    assert "table 4-10" in first
    assert len(pieces) == 4
    for name, page in zip(("CROWN-S3S", "S3S-KEEL", "KEEL-S3P", "S3P-CROWN"), pieces, strict=True):
        assert f"block_{name}.stl" in page
        assert f"blank_{name}.dxf" in page
        for words in ("respirator", "crack", "licensed engineer", "no overbend", "prove it"):
            assert words in page
    for page in (first, *pieces):
        assert "proved by, date licensed engineer, date" in page
    assert "starboard piece" in pieces[0]
    assert "port piece" in pieces[2]
    assert "PIN1" in pieces[0]
    assert "PIN2" in pieces[2]


def test_shop_sheet_prints_the_figures_of_the_frame(files):
    """Every angle printed for a line is that of frame.csv."""
    import csv

    rows = files["frame.csv"].decode().splitlines()
    rows = list(csv.DictReader(row for row in rows if not row.startswith("#")))
    section = bodies.section_of(bodies.lopsided)
    number = section.crossings.line.tolist().index("S2S")
    girth = float(section.crossings.girth[number])
    row = min(rows, key=lambda r: abs(float(r["girth"]) - girth))
    page = files["shop.html"].decode()
    printed = re.search(
        r"<td[^>]*>S2S</td><td[^>]*>([\d.]+)</td><td[^>]*>([\d.]+)</td><td[^>]*>(\w+)</td>", page
    )
    assert float(printed[2]) == pytest.approx(float(row["flange_deg"]), abs=0.006)
    assert printed[3] == row["open_closed"] == "closed"
    assert float(printed[1]) == pytest.approx(girth, abs=0.06)


def test_shop_sheet_in_feet_and_inches():
    section, job = round_section(609.6), replace(plain_job(), missing=("F1",))
    page = shop_html(work_of(section, job, HASH, units="ft-in"))
    assert "3-1-5+" in page  # a quarter of the girth: 957.6 mm, 37.70 in, 603 sixteenths
    assert "ft-in-eighths" in page


def test_straight_flange_s_gap_is_printed_when_the_body_s_run_is_known():
    section, job = round_section(600.0), plain_job()
    page = shop_html(work_of(section, job, HASH, run_curvature=1 / 8000.0))
    assert "up to 0.023 mm at the free edge" in page  # 19^2 / 16000
    assert "the body&#x27;s run is not known" in shop_html(work_of(section, job, HASH))


def test_summary_is_plain_and_says_what_was_checked():
    summary = make_summary(bodies.section_of(bodies.lopsided), job_for(), HASH)
    assert json.loads(json.dumps(summary)) == summary
    assert summary["section"] == HASH
    assert summary["pieces"][0]["name"] == "CROWN-S3S"
    assert summary["splice_rivets"] == {"web": 15, "flange": 4}
    assert any("bend_radius" in line for line in summary["checks"])
    assert summary["overbend_deg"] is None


def test_tables_are_in_the_job_s_unit_and_files_to_cut_in_millimetres(files):
    import csv

    inches = make_files(
        bodies.section_of(bodies.lopsided), replace(job_for(), unit="in"), HASH, units="ft-in"
    )

    def rows(content):
        return list(csv.DictReader(r for r in content.decode().splitlines() if r[0] != "#"))

    for name, lengths in (
        ("frame.csv", ("girth", "bl", "flange_bl", "setback", "flange_radius", "rivet_bl", "sd")),
        ("marks.csv", ("girth", "bl", "height")),
        ("offsets.csv", ("offset",)),
    ):
        assert b"lengths in in" in inches[name].splitlines()[0]
        for metric, imperial in zip(rows(files[name]), rows(inches[name]), strict=True):
            for column in lengths:
                wide = float(metric[column])
                assert float(imperial[column]) == pytest.approx(wide / 25.4, abs=6e-5)
            for column in ("flange_deg", "edge_strain", "angle_deg"):
                assert metric.get(column) == imperial.get(column)
    assert inches["block.stl"] == files["block.stl"]


def test_boards_are_drawn_when_the_job_gives_their_thickness():
    section, job = bodies.section_of(bodies.lopsided), job_for()
    with pytest.raises(LoftError, match=r"block\.board: nothing found"):
        boards_drawing(section, job, section_hash=HASH, piece="CROWN-S3S")
    job = replace(job, shop=replace(job.shop, block_board=18.0))
    drawing = boards_drawing(section, job, section_hash=HASH, piece="CROWN-S3S")
    tops = [stroke for stroke in drawing.strokes if stroke.layer == "BLOCK_TOP"]
    assert len(tops) == 3
    assert len([circle for circle in drawing.circles if circle.layer == "PIN_HOLE"]) == 3
    said = " ".join(word.text for word in drawing.words)
    for words in (HASH, "FULL SIZE", "looking aft, starboard left", "board 3 of 3, 36 to 49 mm"):
        assert words in said
    # looking aft a starboard piece lies at negative X
    assert tops[0].points[:, 0].max() < 1.0


def test_shop_sheet_is_a_page_for_the_frame_and_one_for_each_piece(files):
    from pypdf import PdfReader

    if "shop.pdf" not in files:
        pytest.skip("no PDF maker here")
    assert len(PdfReader(io.BytesIO(files["shop.pdf"])).pages) == 5


@pytest.mark.parametrize(("faces", "sign"), [("aft", -1.0), ("forward", 1.0)])
def test_a_block_s_drawing_says_what_to_scribe(faces, sign):
    """In block coordinates: a starboard piece, its datum waterline at its own height."""
    from shapely.geometry import LineString, Polygon

    section, job = bodies.section_of(bodies.lopsided), job_for(faces)
    drawing = block_drawing(section, job, section_hash=HASH, piece="CROWN-S3S")
    scribed = [word.text for word in drawing.words if word.layer == "SCRIBE"]
    assert scribed[0] == "F14 CROWN-S3S STARBOARD"
    assert scribed[1] == f"FLANGE {faces.upper()}  section {HASH}"
    assert {"CROWN", "S1S", "S2S", "S3S"} <= set(scribed)
    (level,) = (float(text.split()[1]) for text in scribed if text.startswith("WL"))
    (aside,) = (float(text.split()[1]) for text in scribed if text.startswith("BL"))
    (top,) = (stroke.points for stroke in drawing.strokes if stroke.layer == "BLOCK_TOP")
    block = Polygon(top).buffer(1e-6)
    assert block.centroid.x * sign > 100.0
    lines = [stroke.points for stroke in drawing.strokes if stroke.layer == "SCRIBE"]
    assert all(block.contains(LineString(line).centroid) for line in lines)
    assert any((np.abs(line[:, 1] - level) < 1e-9).all() for line in lines)
    assert any((np.abs(line[:, 0] - sign * aside) < 1e-9).all() for line in lines)


def test_run_curvature_of_a_curved_body():
    """Depth 720 - .09 x - 4e-5 x^2 at crown and keel: 8e-5 / (1 + slope^2)^1.5. Closed form.

    3 %: half the distance to the neighbour, over which the slope itself changes.
    """
    first = bodies.section_of(bodies.curved)
    second = bodies.section_of(bodies.curved, bodies.Cut(station=bodies.STATION + 19.0))
    top = 8e-5 / (1 + (0.09 - 0.03) ** 2) ** 1.5
    keel = 8e-5 / (1 + (0.09 + 0.03) ** 2) ** 1.5
    assert run_curvature(first, second) == pytest.approx(max(top, keel), rel=0.03)
    with pytest.raises(LoftError, match="no run between them"):
        run_curvature(first, first)
