"""Frame lines against closed forms and published figures."""

import csv
import math
from dataclasses import replace
from functools import partial

import bench_bodies as bodies
import numpy as np
import pytest

from loft.bench.bend import bend_allowance, edge_strain, setback
from loft.bench.cutout import cut_depth, cut_width, lean
from loft.bench.frame import frame_lines
from loft.bench.listing import FRAME_COLUMNS, MARK_COLUMNS, frame_table, marks_table
from loft.bench.marks import frame_marks
from loft.bench.outline import at, offset_outline, outline_of
from loft.bench.stock import plain_job, round_section
from loft.job.errors import LoftError

job_for = partial(bodies.job_for, pins=())


# ---- the outline ---------------------------------------------------------------------------


def test_outline_error_falls_as_the_fourth_power_of_the_spacing():
    error = []
    for step in (80.0, 40.0, 20.0):
        section = round_section(600.0, step=step)
        girth = np.linspace(0.0, section.length, 1000)
        point = at(outline_of(section), girth).point
        error.append(np.abs(np.hypot(*point.T) - 600.0).max())
    order = np.log2(np.divide(error[:-1], error[1:]))
    assert (order > 3.8).all(), (error, order)
    assert error[-1] < 1e-4


def test_outline_meets_an_unequal_section_between_its_points():
    """Against the body itself at other girths; 1e-4 mm, a tenth of the last printed digit."""
    coarse = bodies.section_of(bodies.lopsided, step=9.0)
    fine = bodies.section_of(bodies.lopsided, step=2.3)
    here = at(outline_of(coarse), fine.girth)
    assert np.abs(here.point - np.column_stack([fine.bl, fine.height])).max() < 1e-4
    normal = np.column_stack([fine.normal_bl, fine.normal_height])
    assert np.abs(here.normal - normal).max() < 1e-5
    assert np.abs(here.bevel - fine.bevel).max() < 1e-6
    # of the second order in 9 mm: a thousandth of the curvature
    assert np.abs(here.curvature * fine.radius - 1).max() < 1e-3


def test_outline_keeps_both_sides_of_a_corner():
    section = bodies.section_of(bodies.chined, chines=(2.0, 2.0 + math.pi))
    outline = outline_of(section)
    for corner in section.corners:
        girth = np.full(2, corner.girth)
        here = at(outline, girth, before=[True, False])
        assert np.allclose(here.normal, [corner.normal_before, corner.normal_after])
        assert np.allclose(here.bevel, [corner.bevel_before, corner.bevel_after], atol=1e-9)
        assert np.allclose(here.point[0], here.point[1])


def test_a_corner_at_girth_zero_is_kept_too():
    section = bodies.section_of(bodies.chined, chines=(2.0, 2.0 + math.pi))
    first = section.corners[0]
    row = int(np.argmin(np.abs(section.girth - first.girth)))
    turned = {
        name: np.roll(getattr(section, name), -row)
        for name in (
            *("bl", "wl", "height", "station_at", "normal_bl", "normal_height", "bevel"),
            *("bevel_sd", "radius", "sd", "band95", "band95_all", "side"),
        )
    }
    girth = np.mod(np.roll(section.girth, -row) - first.girth, section.length)
    corners = [
        replace(corner, girth=float(np.mod(corner.girth - first.girth, section.length)))
        for corner in section.corners
    ]
    moved = replace(section, girth=girth, corners=tuple(corners), **turned)
    here = at(outline_of(moved), [0.0, 0.0], before=[True, False])
    assert np.allclose(here.normal, [first.normal_before, first.normal_after])
    lines = frame_lines(moved, job_for(splices=()))
    assert lines.before[-1]
    assert np.allclose(lines.web_tangent[0], lines.web_tangent[-1])


def test_a_section_that_runs_the_wrong_way_is_refused():
    section = round_section(600.0)
    with pytest.raises(LoftError, match="runs from crown to port"):
        outline_of(replace(section, bl=-section.bl))


def test_offset_outline_of_a_cone_is_exact():
    """In the plane the deduction is depth / cos(bevel), exact on a square-cut round cone."""
    section = bodies.section_of(bodies.cone)
    moved = offset_outline(section, 22.9)
    bevel = math.atan(0.1)
    assert np.hypot(*moved.T) == pytest.approx(600.0 - 22.9 / math.cos(bevel), abs=1e-9)
    with pytest.raises(LoftError, match=r"radius is 600\.0 mm and the line inside it stands 703"):
        offset_outline(section, 700.0)


# ---- published figures ---------------------------------------------------------------------


def test_bevel_of_a_cone():
    """R 20 to 18 in over a station spacing of 20 in: -5.7106 degrees all round. Geometry."""
    section = bodies.section_of(bodies.cone)
    assert np.rad2deg(section.bevel) == pytest.approx(-5.7106, abs=1e-4)
    lines = frame_lines(section, job_for())
    assert np.rad2deg(lines.angle) == pytest.approx(90 - 5.7106, abs=1e-4)
    assert set(lines.open_closed) == {"closed"}
    forward = frame_lines(section, job_for("forward"))
    assert np.rad2deg(forward.angle) == pytest.approx(90 + 5.7106, abs=1e-4)
    assert set(forward.open_closed) == {"open"}


def test_skin_in_the_plane():
    """.040 in of skin at 5.7106 degrees is .04020 in the plane.

    Geometry; Gougeon Brothers on Boat Construction p. 184 agrees in words.
    """
    moved = offset_outline(round_section(20.0, bevel=-math.atan(0.1), step=0.2), 0.040)
    assert 20.0 - np.hypot(*moved.T) == pytest.approx(0.04020, abs=1e-5)


def test_canted_frame():
    """5 degrees, 20.000 up: aft shift 1.7498, true height 20.0764. Geometry."""
    cut = bodies.Cut(cant=math.radians(5.0))
    place = cut.point(0.0, 20.0 / math.cos(cut.cant))[0]
    assert place[2] == pytest.approx(20.0)
    assert place[0] - cut.station == pytest.approx(1.7498, abs=1e-4)
    section = bodies.section_of(bodies.elliptic_cone, replace(cut, pivot_wl=100.0))
    lines = frame_lines(section, job_for())
    up = lines.wl - 100.0
    assert lines.mould[:, 1] == pytest.approx(up / math.cos(cut.cant), abs=1e-9)
    assert lines.station == pytest.approx(cut.station + up * math.tan(cut.cant), abs=1e-6)
    rows = np.interp(section.girth, lines.girth, lines.station)
    assert rows == pytest.approx(section.station_at, abs=1e-3)


def test_setback_and_block_edge():
    """T 1.2, R 4: an angle of 98 degrees gives 4.5203, 82 gives 5.9819. Geometry."""
    back = setback(np.deg2rad([180 - 98.0, 180 - 82.0]), radius=4.0, gauge=1.2)
    assert back == pytest.approx([4.5203, 5.9819], abs=5e-5)


@pytest.mark.parametrize("faces", ["aft", "forward"])
def test_lines_stand_where_the_bend_puts_them(faces):
    """Round cone, every line a circle about the axis: radii by hand."""
    bevel = math.radians(8.0) * (1 if faces == "aft" else -1)
    lines = frame_lines(round_section(600.0, bevel=bevel), job_for_round(faces))
    heel = 600.0 - 0.9 / math.cos(bevel)

    def radius(name):
        return np.hypot(*getattr(lines, name).T)

    assert np.rad2deg(lines.angle) == pytest.approx(98.0)
    assert radius("flange_line") == pytest.approx(heel)
    assert radius("web_tangent") == pytest.approx(heel - 4.5203, abs=5e-5)
    assert radius("block_edge") == pytest.approx(heel - 1.0431, abs=5e-5)
    assert np.rad2deg(lines.block_side) == pytest.approx(8.0)
    allowance = (0.01743 * 4.0 + 0.0078 * 1.2) * 82.0
    blank = heel + allowance + 19.0 - 2 * 5.2 * math.tan(math.radians(41.0))
    assert lines.allowance == pytest.approx(allowance)
    assert radius("blank") == pytest.approx(blank, abs=1e-5)
    assert radius("trimmed") == pytest.approx(blank + 6.0, abs=1e-5)
    assert radius("rivets") == pytest.approx(blank - 9.5, abs=1e-5)
    assert radius("inner_line") == pytest.approx(heel - 75.0)
    assert lines.flange_radius == pytest.approx(heel)


def job_for_round(faces):
    job = plain_job()
    return replace(job, frame_section=replace(job.frame_section, flange_faces=faces))


def test_closed_block_edge():
    lines = frame_lines(round_section(600.0, bevel=math.radians(-8.0)), job_for_round("aft"))
    assert lines.edge_inset == pytest.approx(1.3804, abs=5e-5)


def test_edge_strain():
    """R 600, w 19: -3.60, -3.07, -2.54 % at 80, 90, 100 degrees; hollow stretches. Geometry."""
    angle = np.deg2rad([80.0, 90.0, 100.0])
    strain = 100 * edge_strain(angle, width=19.0, radius=600.0)
    assert strain == pytest.approx([-3.60, -3.07, -2.54], abs=5e-3)
    hollow = edge_strain(np.pi / 2, width=19.0, radius=-600.0)
    assert hollow == pytest.approx(19.0 / 581.0)
    assert edge_strain(np.pi / 2, width=19.0, radius=np.inf) == 0.0


def test_edge_strain_as_width_over_radius():
    """w .75, R 24: .03125, logarithmic .03077; standard geometry, R that of the flat's edge."""
    shrink = float(edge_strain(np.pi / 2, width=0.75, radius=24.0 - 0.75))
    stretch = float(edge_strain(np.pi / 2, width=0.75, radius=-(24.0 + 0.75)))
    assert [-shrink, stretch] == pytest.approx([0.03125, 0.03125], abs=1e-5)
    assert math.log1p(stretch) == pytest.approx(0.03077, abs=1e-5)


def test_edge_strain_is_the_travel_of_the_free_edge():
    """By construction: circumference of the edge on the part over that in the flat."""
    for degrees in (80.0, 100.0):
        turn = math.radians(degrees)
        flat, made = 600.0 + 19.0, 600.0 - 19.0 * math.cos(turn)
        wanted = (made - flat) / flat
        assert edge_strain(turn, width=19.0, radius=600.0) == pytest.approx(wanted)


def test_bend_deduction_changes_with_the_bevel():
    """R .125, T .040: 2 SB - BA is .0776, .1058, .1442 in at N 80, 90, 100. Worked figures."""
    bend = np.deg2rad([80.0, 90.0, 100.0])
    figures = {"radius": 0.125, "gauge": 0.040}
    less = 2 * setback(bend, **figures) - bend_allowance(bend, **figures)
    assert less == pytest.approx([0.0776, 0.1058, 0.1442], abs=1e-4)


def test_cut_out_of_a_slanting_stringer():
    """Bevel 6, slope 8, w 19, d 22: turn -0.842 degrees, 19.187 by 22.121. Geometry."""
    bevel, slope = math.radians(6.0), math.radians(8.0)
    assert math.degrees(lean(bevel, slope)) == pytest.approx(-0.842, abs=5e-4)
    assert cut_width(19.0, slope, bevel) == pytest.approx(19.187, abs=5e-4)
    assert cut_depth(22.0, bevel) == pytest.approx(22.121, abs=5e-4)


def test_a_stringer_carried_through_the_web_clears_its_cut_out():
    """Built in space: both faces of the web cut a slanting stringer; all of it must pass."""
    bevel, slope, gauge = math.radians(6.0), math.radians(8.0), 1.2
    aft, along, up = np.eye(3)
    normal = math.cos(bevel) * up - math.sin(bevel) * aft
    ahead = math.cos(bevel) * aft + math.sin(bevel) * up
    run = math.cos(slope) * ahead + math.sin(slope) * along
    across = math.cos(slope) * along - math.sin(slope) * ahead
    corners = [s * 9.5 * across - d * normal for s in (-1, 1) for d in (0.0, 22.0)]
    turn = float(lean(bevel, slope))
    width = float(cut_width(19.0, slope, bevel, gauge=gauge))
    depth = float(cut_depth(22.0, bevel, gauge=gauge))
    spans = []
    for face in (0.0, gauge):
        for corner in corners:
            _, sideways, upwards = corner + run * (face - corner[0]) / run[0]
            spans.append([sideways + math.tan(turn) * upwards, -upwards])
    # its section is a parallelogram: the foot along the mould line, the sides leaning
    wide, deep = np.ptp(np.array(spans), axis=0)
    assert deep == pytest.approx(depth, abs=1e-9)
    assert 0.0 <= width - wide < 0.002  # the rise through the gauge takes back that much


# ---- the flange line is the section of the parallel surface --------------------------------


@pytest.mark.parametrize("body", [bodies.elliptic_cone, bodies.lopsided, bodies.curved])
def test_flange_line_lies_at_its_depth_under_the_skin(body):
    """Stringers 22 mm deep. The deduction is exact on a cone, a few thousandths off on a tail."""
    cut = bodies.Cut(cant=math.radians(3.0), pivot_wl=100.0)
    section = bodies.section_of(body, cut)
    job = job_for(stands="inside_stringers")
    lines = frame_lines(section, job)
    rows = slice(0, None, 40)
    place = cut.point(lines.flange_line[rows, 0], lines.flange_line[rows, 1])
    assert bodies.depth_below(body, place) == pytest.approx(22.9, abs=0.004)


# ---- tables --------------------------------------------------------------------------------


def read(text):
    return list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))


def test_frame_table_is_whole_and_closely_spaced():
    section = bodies.section_of(bodies.lopsided, step=10.0)
    lines = frame_lines(section, job_for())
    rows = read(frame_table(lines, "0123456789ab"))
    assert list(rows[0]) == list(FRAME_COLUMNS)
    pieces = {}
    for row in rows:
        pieces.setdefault(row["piece"], []).append(float(row["girth"]))
    assert list(pieces) == ["CROWN-S3S", "S3S-KEEL", "KEEL-S3P", "S3P-CROWN"]
    for name, girth in pieces.items():
        gap = np.diff(np.unwrap(girth, period=section.length))
        assert gap.max() <= 10.0 + 1e-4, name
        assert gap.min() > 0.0
    marks = [float(g) for g in section.crossings.girth]
    printed = np.array([g for girth in pieces.values() for g in girth])
    assert all(np.abs(printed - mark).min() < 2e-4 for mark in marks)
    assert all(row["bl"] != "" and row["rivet_bl"] != "" for row in rows)
    assert {row["side"] for row in rows} == {"port", "starboard"}
    heading = frame_table(lines, "0123456789ab").splitlines()[0]
    assert "section 0123456789ab" in heading


def test_pieces_run_from_splice_to_splice_and_miss_nothing():
    section = bodies.section_of(bodies.lopsided)
    lines = frame_lines(section, job_for())
    places = dict(zip(section.crossings.line, section.crossings.girth, strict=True))
    followers = (*lines.pieces[1:], lines.pieces[0])
    for piece, follower in zip(lines.pieces, followers, strict=True):
        first, last = lines.girth[piece.rows[[0, -1]]]
        assert first == pytest.approx(places[piece.ends[0]], abs=1e-4)
        assert last % section.length == pytest.approx(places[piece.ends[1]], abs=1e-4)
        assert np.allclose(lines.mould[piece.rows[-1]], lines.mould[follower.rows[0]])
    assert sum(piece.stop - piece.start for piece in lines.pieces) == pytest.approx(section.length)


def test_a_splice_at_a_chine_gives_each_piece_its_own_side():
    section = bodies.section_of(bodies.chined, chines=(2.0, 2.0 + math.pi))
    names = section.crossings.line.astype("U8").copy()
    girth = section.crossings.girth.copy()
    moved = list(names).index("S4S")
    girth[moved] = section.corners[0].girth
    crossings = replace(section.crossings, girth=girth)
    lines = frame_lines(replace(section, crossings=crossings), job_for(splices=("CROWN", "S4S")))
    first, second = lines.pieces
    corner = section.corners[0]
    assert np.allclose(lines.normal[first.rows[-1]], corner.normal_before)
    assert np.allclose(lines.normal[second.rows[0]], corner.normal_after)


def test_marks_table_lists_cut_outs_and_splices():
    section = bodies.section_of(bodies.lopsided)
    job = job_for()
    lines = frame_lines(section, job)
    rows = read(marks_table(frame_marks(section, job, lines), lines, "0123456789ab"))
    assert list(rows[0]) == list(MARK_COLUMNS)
    assert [row["name"] for row in rows if row["kind"] == "splice"] == [
        *("CROWN", "S3S", "KEEL", "S3P")
    ]
    cuts = {row["name"]: row for row in rows if row["kind"] == "cutout"}
    assert len(cuts) == 8  # every stringer; neither crown nor keel
    number = int(np.flatnonzero(section.crossings.line == "S4P")[0])
    bevel, slope = (float(getattr(section.crossings, n)[number]) for n in ("bevel", "slope"))
    wide = 19.0 / math.cos(slope) + 1.2 * math.tan(abs(slope)) / math.cos(bevel) + 1.5
    deep = 22.0 / math.cos(bevel) + 1.2 * math.tan(abs(bevel)) + 1.5
    assert float(cuts["S4P"]["width"]) == pytest.approx(wide, abs=1e-4)
    assert float(cuts["S4P"]["depth"]) == pytest.approx(deep, abs=1e-4)
    out = math.degrees(section.crossings.normal[number])
    leaning = math.degrees(math.atan(math.sin(bevel) * math.tan(slope)))
    assert float(cuts["S4P"]["angle_deg"]) == pytest.approx(out + leaning, abs=1e-3)
    assert float(cuts["S4P"]["lean_deg"]) == pytest.approx(-leaning, abs=1e-5)
    assert abs(leaning) > 0.05


def test_a_frame_inside_the_stringers_has_no_cut_outs():
    section, job = bodies.section_of(bodies.lopsided), job_for(stands="inside_stringers")
    marks = frame_marks(section, job, frame_lines(section, job))
    assert not [mark for mark in marks if mark.kind == "cutout"]
    bare = replace(job_for(), stringer_width=float("nan"))
    with pytest.raises(LoftError, match=r"stringer\.width: nothing found"):
        frame_marks(section, bare, frame_lines(section, bare))
