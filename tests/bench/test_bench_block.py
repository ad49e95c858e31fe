"""Forming blocks: volume in closed form, points carried back to the aircraft, hand, refusals."""

import math
import re
from dataclasses import replace
from functools import partial

import bench_bodies as bodies
import numpy as np
import pytest
import trimesh

from loft.bench.block import (
    block_files,
    block_profiles,
    block_rings,
    follower_block,
    forming_block,
)
from loft.bench.boards import board_outlines
from loft.bench.frame import frame_lines
from loft.bench.marks import frame_marks
from loft.bench.solid import swept_solid
from loft.bench.stock import round_section
from loft.job.errors import LoftError
from loft.job.records import Lap

job_for = partial(bodies.job_for, pins=())


def knife(x, t):
    """Sharp at the crown, radius 19 mm there, 25 mm at the keel."""
    grow = 1.0 - 1e-4 * (x - bodies.STATION)
    r = 300.0 * (1 + 0.55 * np.exp(3.0 * np.cos(t) - 3.0))
    return r * np.sin(t) * grow * 0.29, r * np.cos(t) * grow


# ---- volume --------------------------------------------------------------------------------


def ruled_disc(count, radius=600.0, depth=40.0):
    """Return a disc of sharp edge `radius` whose side has in-plane slope k(theta), as a ring."""
    turn = 2 * np.pi * np.arange(count) / count
    k = 0.05 + 0.08 * np.cos(turn) - 0.03 * np.sin(2 * turn)
    out = np.column_stack([np.sin(turn), np.cos(turn)])
    corners = [(100.0, 0.0), (radius, 0.0), (radius + depth * k, -depth), (100.0, -depth)]
    rings = [
        np.column_stack([np.broadcast_to(r, count)[:, None] * out, np.full(count, z)])
        for r, z in corners
    ]
    return np.stack(rings, axis=1)


def test_volume_of_a_ruled_side_is_the_closed_form():
    """V = A0 H + H^2/2 int k ds + H^3/6 int k^2 kappa ds; common geometry, worked by hand.

    For R 600, H 40 and k = .05 + .08 cos - .03 sin 2: int k ds = 2 pi R .05 and
    int k^2 kappa ds = 2 pi (.05^2 + .08^2 / 2 + .03^2 / 2). The slope is alike on no two
    sides, since a symmetric one lets the errors of the quads' diagonals cancel.
    """
    radius, depth, core = 600.0, 40.0, 100.0
    wanted = (
        math.pi * radius**2 * depth
        + depth**2 / 2 * 2 * math.pi * radius * 0.05
        + depth**3 / 6 * 2 * math.pi * (0.05**2 + 0.08**2 / 2 + 0.03**2 / 2)
    )
    assert wanted == pytest.approx(45_390_142.836, abs=0.001)
    error = []
    for count in (500, 1000, 2000):
        inner = 0.5 * count * math.sin(2 * math.pi / count) * core**2 * depth
        volume = swept_solid(ruled_disc(count), closed=True).volume + inner
        error.append(abs(volume / wanted - 1))
    order = np.log2(np.divide(error[:-1], error[1:]))
    assert error[-1] < 1e-5, error
    assert np.allclose(order, 2.0, atol=0.02), (error, order)  # as 1 / n^2


def test_volume_of_a_whole_block_of_unequal_bevel_is_the_closed_form():
    """The block itself, not only its mesh: A0, k and kappa taken off the frame lines.

    Integrals by the trapezium rule over the closed line, whose own error at 1.5 mm is
    under 1e-6. 1e-5 is the tolerance of the trade rule above.
    """
    section, job = bodies.section_of(bodies.lopsided), job_for(splices=())
    (block,) = forming_block(section, job, step=1.5, rounded=False)
    lines = frame_lines(section, job, step=1.5)
    depth, base = block.depth, block.base

    def area(line):
        ahead = np.roll(line, -1, axis=0)
        return abs(0.5 * np.sum(line[:, 0] * ahead[:, 1] - ahead[:, 0] * line[:, 1]))

    edge, k = lines.block_edge, np.tan(lines.block_side)
    step = np.linalg.norm(np.roll(edge, -1, axis=0) - edge, axis=1)
    turn = np.arctan2(lines.normal[:, 0], lines.normal[:, 1])
    bend = (np.roll(turn, -1) - turn + np.pi) % (2 * np.pi) - np.pi
    mean = (k + np.roll(k, -1)) / 2
    top = area(edge)
    wanted = (
        top * depth + depth**2 / 2 * np.sum(mean * step) + depth**3 / 6 * np.sum(mean**2 * bend)
    )
    foot = top + depth * np.sum(mean * step) + depth**2 / 2 * np.sum(mean**2 * bend)
    hole = area(lines.inner_line) * (depth + base)
    assert block.solid.volume == pytest.approx(wanted + foot * base - hole, rel=1e-5)
    assert np.ptp(k) > 0.1  # the bevel does vary


# ---- the side lies on the part -------------------------------------------------------------

CUTS = [bodies.Cut(), bodies.Cut(cant=math.radians(3.0), pivot_wl=100.0)]


def side_points(section, job, cut):
    """Return points of the block's sharp edge and foot, carried back to station, bl, wl."""
    lines = frame_lines(section, job)
    rings, _ = block_rings(lines, block_profiles(lines, depth=29.0, base=0.0, rounded=False))
    hand = 1.0 if job.frame_section.flange_faces == "aft" else -1.0
    picked = rings[::40, 1:3].reshape(-1, 3)
    # looking aft starboard is on the left; the top lies on the web's inside face
    aft = hand * (job.frame_section.gauge - picked[:, 2])
    return cut.point(-hand * picked[:, 0], picked[:, 1], aft)


@pytest.mark.parametrize("cut", CUTS, ids=["square", "canted"])
@pytest.mark.parametrize("faces", ["aft", "forward"])
@pytest.mark.parametrize("body", [bodies.cone, bodies.elliptic_cone, bodies.lopsided])
def test_side_lies_on_the_surface_at_depth_and_gauge(body, faces, cut):
    """A ruled flange of a cone lies on its parallel surface.

    0.01 mm: the flange's rulings are square to the section, the cone's are not quite, so
    29 mm down they part by w^2 slant^2 / 2R, 0.006 mm here.
    """
    section, job = bodies.section_of(body, cut), job_for(faces)
    depth = bodies.depth_below(body, side_points(section, job, cut))
    assert np.abs(depth - (job.skin_gauge + job.frame_section.gauge)).max() < 0.01


def test_a_mirrored_block_would_be_seen():
    """The check above is not blind: bl negated, the points leave the surface by far."""
    section, job = bodies.section_of(bodies.lopsided), job_for()
    points = side_points(section, job, CUTS[0]) * [1.0, -1.0, 1.0]
    depth = bodies.depth_below(bodies.lopsided, points)
    assert np.abs(depth - 2.1).max() > 5.0


def test_a_bevel_of_the_wrong_sign_would_be_seen():
    section, job = bodies.section_of(bodies.lopsided), job_for()
    wrong = replace(section, bevel=-section.bevel)
    depth = bodies.depth_below(bodies.lopsided, side_points(wrong, job, CUTS[0]))
    assert np.abs(depth - 2.1).max() > 1.0


@pytest.mark.parametrize("faces", ["aft", "forward"])
def test_blocks_are_closed_and_wound_outwards(faces):
    pins = (("S2S", 45.0), ("S4P", 40.0))
    for block in forming_block(bodies.section_of(bodies.lopsided), job_for(faces, pins=pins)):
        mesh = block.mesh
        assert mesh.is_watertight
        assert mesh.is_winding_consistent
        assert mesh.volume > 1e6
        assert mesh.body_count == 1
        assert mesh.euler_number == 2 - 2 * len(block.pins)  # a hole through makes a handle


def covered(solid, x, y):
    """Return how many triangles lie over or under a point of the plane."""
    corners = solid.points[solid.triangles][:, :, :2] - [x, y]
    ahead = np.roll(corners, -1, axis=1)
    turn = corners[..., 0] * ahead[..., 1] - corners[..., 1] * ahead[..., 0]
    return int(((turn > 0).all(axis=1) | (turn < 0).all(axis=1)).sum())


@pytest.mark.parametrize("faces", ["aft", "forward"])
def test_an_off_centre_pin_falls_on_its_own_side(faces):
    """S2S is to starboard: at negative X looking aft, at positive X looking forward."""
    section, job = bodies.section_of(bodies.lopsided), job_for(faces, pins=(("S2S", 45.0),))
    plain = forming_block(section, replace(job, shop=replace(job.shop, block_pins=())))
    blocks = forming_block(section, job)
    (number,) = [n for n, block in enumerate(blocks) if block.pins]
    pin = blocks[number].pins[0]
    x = -pin.bl if faces == "aft" else pin.bl
    assert pin.bl > 100.0
    lost = plain[number].solid.volume - blocks[number].solid.volume
    assert lost == pytest.approx(math.pi * 2.4**2 * (29.0 + 20.0), abs=0.5)
    assert covered(blocks[number].solid, x, pin.height) == 0
    assert covered(plain[number].solid, x, pin.height) == 2  # top and bottom


def test_the_two_hands_of_an_unequal_frame_are_no_mirror_images():
    section = bodies.section_of(bodies.lopsided)
    first, _, _, last = forming_block(section, job_for())
    assert abs(first.solid.volume - last.solid.volume) > 1e4


# ---- edge, overbend, inner flange, chines ---------------------------------------------------


def test_rounding_takes_off_what_lies_outside_the_radius():
    """Off a square edge of a straight-ish bar: (1 - pi/4) R^2 per mm of edge.

    The rounded corner is drawn by 6 chords, which take off (pi/4 - 6 sin(15 deg)/2) R^2
    more; the edge's length is that through the centroid of what comes off.
    """
    section, job = round_section(600.0), job_for(splices=())
    job = replace(job, frames=(replace(job.frames[0], name="F1"),))
    sharp, soft = (forming_block(section, job, rounded=r)[0].solid.volume for r in (False, True))
    r = 4.0
    taken = r * r * (1 - 6 * math.sin(math.pi / 12) / 2)
    edge = 2 * math.pi * (600.0 - 0.9 - 1.2 - 0.22 * r)
    assert sharp - soft == pytest.approx(taken * edge, rel=1e-3)


def test_overbend_leans_the_side_in_and_moves_the_edge_out():
    section = round_section(600.0)
    plain = job_for(splices=())
    over = replace(plain, shop=replace(plain.shop, block_overbend=math.radians(3.0)))
    (before,), (after,) = (forming_block(section, job, rounded=False) for job in (plain, over))
    lines = frame_lines(section, over)
    assert np.rad2deg(lines.block_side) == pytest.approx(-3.0)
    # by hand: N 90, o 3, R 4, T 1.2, neutral line at .0078/.01743 T = 0.53701
    after_radius = (4.0 + 0.0078 / 0.01743 * 1.2) * 93.0 / 90.0 - 0.0078 / 0.01743 * 1.2
    shift = 4.0 * math.tan(math.radians(46.5)) - after_radius
    assert lines.shift == pytest.approx(shift)
    assert 0.05 < shift < 0.08
    assert after.solid.volume < before.solid.volume
    assert "0.06" in after.notes[0]
    assert before.notes[0].startswith("no overbend: the job gives none")


def test_an_inner_flange_has_its_own_edge_on_the_same_block():
    job = job_for(splices=(), inner_flange=16.0, inner_flange_faces="aft")
    (block,) = forming_block(round_section(600.0), job, rounded=False)
    least = np.hypot(*block.solid.points[:, :2].T).min()
    # square flange: the inner heel lies web_depth inside, the block its own gauge outside that
    assert least == pytest.approx(600.0 - 0.9 - 75.0 + 1.2, abs=2e-3)
    (other,) = forming_block(
        round_section(600.0),
        job_for(splices=(), inner_flange=16.0, inner_flange_faces="forward"),
    )
    assert any("faces the other way" in note for note in other.notes)


def test_a_web_deeper_than_a_bilge_s_radius_is_trimmed_and_told():
    """A crown of 26 mm radius with a web 60 mm deep: the inner edge folds, the block closes."""
    section = bodies.section_of(knife, step=4.0)
    job = job_for(web_depth=60.0, splices=("S2S", "S3P"))
    blocks = forming_block(section, job)
    assert any("folded over and was trimmed at girth" in n for b in blocks for n in b.notes)
    for block in blocks:
        assert block.mesh.is_watertight
        assert block.mesh.is_winding_consistent
    lines = frame_lines(section, job)
    from shapely.geometry import LinearRing

    inner = LinearRing(np.round(lines.inner_line, 6))
    assert inner.is_simple or inner.simplify(1e-3).is_simple
    assert inner.distance(LinearRing(lines.flange_line)) == pytest.approx(60.0, abs=0.05)


@pytest.mark.parametrize("body", [bodies.chined, bodies.hollow_chined])
def test_a_chine_is_mitred_and_the_block_stays_closed(body):
    section = bodies.section_of(body, chines=(2.0, 2.0 + math.pi))
    lines = frame_lines(section, job_for())
    for corner in section.corners:
        rows = np.flatnonzero(np.abs(lines.girth - corner.girth) < 1e-6)
        assert len(rows) == 2
        base = lines.mould[rows[0]]
        mitre = lines.web_tangent[rows[0]]
        assert np.allclose(mitre, lines.web_tangent[rows[1]])
        # the mitre stands at its inset from both sides; 0.2 mm: the sides are not straight
        for normal in (corner.normal_before, corner.normal_after):
            row = rows[0] if normal == corner.normal_before else rows[1]
            inset = lines.inset[row] + lines.setback[row]
            assert float((base - mitre) @ normal) == pytest.approx(inset, abs=0.2)
    for block in forming_block(section, job_for()):
        assert block.mesh.is_watertight
        assert block.mesh.is_winding_consistent


def test_a_lap_steps_the_block_and_is_marked():
    job = replace(job_for(), laps=(Lap(girth=(-200.0, 300.0), frames=("F14",), extra=0.9),))
    section = bodies.section_of(bodies.lopsided)
    lines = frame_lines(section, job)
    rows = np.flatnonzero(lines.girth == 300.0)
    assert lines.depth[rows].tolist() == pytest.approx([1.8, 0.9])
    gap = np.linalg.norm(lines.flange_line[rows[0]] - lines.flange_line[rows[1]])
    assert gap == pytest.approx(0.9 / math.cos(lines.bevel[rows[0]]))
    near_crown = (lines.girth < 299.0) | (lines.girth > section.length - 199.0)
    assert lines.depth[near_crown] == pytest.approx(1.8)
    steps = [mark for mark in frame_marks(section, job, lines) if mark.kind == "lap_step"]
    assert [round(mark.girth, 3) for mark in steps] == [round(section.length - 200.0, 3), 300.0]
    assert all(block.mesh.is_watertight for block in forming_block(section, job))


# ---- refusals ------------------------------------------------------------------------------


def refusal(section, job):
    with pytest.raises(LoftError) as caught:
        forming_block(section, job)
    return [finding.line() for finding in caught.value.findings]


def test_missing_figures_are_named_all_at_once():
    job = job_for()
    bare = replace(
        job,
        skin_gauge=float("nan"),
        frame_section=replace(job.frame_section, gauge=float("nan"), flange_faces=""),
    )
    said = refusal(round_section(600.0), bare)
    assert [line.split(": ")[1] for line in said] == [
        "frame_section.gauge",
        "frame_section.flange_faces",
        "skin.gauge",
    ]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"flange": 80.0}, "80 mm found, wider than the web of 75 mm"),
        ({"splices": ("CROWN", "S77S")}, "S77S found, a line that crosses F1 wanted"),
        ({"bend_radius": 19.0}, "takes 20.20 mm of the flange and 19 mm is all there is"),
        ({"web_depth": 650.0}, "the web is deeper than the frame's own radius"),
        ({"inner_flange": 16.0}, "inner_flange_faces: nothing found, aft or forward"),
        ({"bend_constant": "guess"}, "guess found, faa, navy, mid_plane wanted"),
    ],
)
def test_figures_that_cannot_be_are_refused(change, words):
    job = job_for(splices=("CROWN",))
    said = refusal(
        round_section(600.0), replace(job, frame_section=replace(job.frame_section, **change))
    )
    assert any(words in line for line in said), said


def test_a_radius_smaller_than_the_depth_is_refused_with_its_girth():
    """The tightest place is named: the crown, girth 0 or all but the whole girth."""
    job = job_for(splices=())
    job = replace(job, frame_section=replace(job.frame_section, stands="inside_stringers"))
    section = bodies.section_of(knife, step=4.0)
    assert section.radius[section.radius > 0].min() < 22.0
    (said,) = refusal(section, job)
    found = re.search(r"at girth ([\d.]+) mm the mould line's radius is ([\d.]+) mm", said)
    girth = float(found[1])
    assert min(girth, section.length - girth) < 8.0
    assert float(found[2]) == pytest.approx(section.radius[0], rel=0.03)
    assert "a greater radius, or a chine, is wanted" in said


@pytest.mark.parametrize(
    ("pin", "words"),
    [
        (("S9S", 40.0), "pin 1 at S9S found, a line that crosses F1 wanted, or a distance"),
        (("S1S", 80.0), "stands 80.0 mm inside the flange line, off the flat of the web"),
        (("S1S", 3.0), "off the flat of the web: 7.6 to 72.6 mm is wanted"),
        (("S1S", 20.0), "in the cut-out of S1S"),
        (("KEEL", 40.0), "on the splice KEEL"),
    ],
)
def test_a_pin_off_the_block_is_refused(pin, words):
    job = job_for(splices=("CROWN", "KEEL"), pins=(pin,))
    said = refusal(round_section(600.0), job)
    assert any(words in line for line in said), said


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"stringer_depth": 80.0}, "at girth 942.5 mm the cut-out of S1S is 81.5 mm deep, the web"),
        (
            {"stringer_width": 2000.0},
            "the cut-outs of S1S at girth 942.5 mm and S1P at 2827.4 mm overlap: 1811.0 mm apart",
        ),
    ],
)
def test_cut_outs_that_cannot_be_are_refused_with_their_girth(change, words):
    said = refusal(round_section(600.0), replace(job_for(splices=("CROWN",)), **change))
    assert any(words in line for line in said), said


@pytest.mark.parametrize(
    ("hole", "words"),
    [
        (("S9S", 40.0, 30.0), "hole 1 at S9S found, a line that crosses F1 wanted"),
        (("S1S+80", 62.0, 30.0), "off the flat of the web: 20.2 to 60.0 mm is wanted"),
        (("S1S+20", 36.0, 30.0), "in the cut-out of S1S"),
        (("KEEL+10", 40.0, 30.0), "on the splice KEEL"),
        (("S1P+75", 45.0, 30.0), "H1 at girth 2902.4 mm stands 45.0 mm inside the flange line, in"),
    ],
)
def test_a_lightening_hole_off_the_web_is_refused(hole, words):
    job = job_for(splices=("CROWN", "KEEL"), pins=(("S1P+60", 40.0),), lightening=(hole,))
    said = refusal(round_section(600.0), job)
    assert any(words in line for line in said), said


@pytest.mark.parametrize("faces", ["aft", "forward"])
def test_a_follower_covers_the_flat_of_the_web_on_its_own_side(faces):
    """Unequal body: web between tangent line and inner edge, less 0.01 mm at both ends."""
    section = bodies.section_of(bodies.lopsided)
    job = job_for(faces, pins=(("S2S", 45.0),))
    job = replace(job, shop=replace(job.shop, block_follower=12.0))
    lines = frame_lines(section, job, step=3.0)
    blocks = {block.name: block for block in forming_block(section, job)}
    for name, solid in follower_block(section, job):
        mesh = trimesh.Trimesh(solid.points, solid.triangles, process=False)
        assert mesh.is_watertight
        assert mesh.volume > 0
        assert mesh.bounds[:, 2].tolist() == pytest.approx([1.2, 13.2])
        piece = blocks[name].piece
        rim = np.concatenate([lines.web_tangent[piece.rows], lines.inner_line[piece.rows][::-1]])
        x, y = rim.T
        area = 0.5 * abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
        holes = sum(math.pi * pin.radius**2 for pin in blocks[name].pins)
        assert mesh.volume == pytest.approx(12.0 * (area - holes - 0.02 * 69.8), rel=2e-6)
        starboard = mesh.centroid[0] * -lines.part.hand > 0
        assert starboard == name.endswith(("S3S", "S3S-KEEL"))


def test_a_closed_piece_of_more_than_half_a_turn_cannot_leave_its_block():
    job = job_for(splices=("CROWN", "KEEL"))
    closed = round_section(600.0, bevel=-0.1)
    assert not any("cannot leave" in n for b in forming_block(closed, job) for n in b.notes)
    one = replace(job, frame_section=replace(job.frame_section, splices=("CROWN",)))
    (block,) = forming_block(closed, one)
    assert any("wraps 360 degrees" in note for note in block.notes)
    (opened,) = forming_block(round_section(600.0, bevel=0.1), one)
    assert not any("cannot leave" in note for note in opened.notes)


# ---- files ---------------------------------------------------------------------------------


def test_files_are_read_back_by_another_reader(tmp_path):
    import trimesh

    blocks = forming_block(bodies.section_of(bodies.lopsided), job_for(pins=(("S2S", 45.0),)))
    files = block_files(blocks, frame="F14", section_hash="0123456789ab")
    assert set(files) == {
        "block.stl",
        "block.3mf",
        *(f"block_{name}.stl" for name in ("CROWN-S3S", "S3S-KEEL", "KEEL-S3P", "S3P-CROWN")),
    }
    whole = sum(block.solid.volume for block in blocks)
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
    for block in blocks:
        mesh = trimesh.load(tmp_path / f"block_{block.name}.stl")
        assert mesh.is_watertight
        # float32 steps are 6e-5 mm at 600 mm
        assert mesh.volume == pytest.approx(block.solid.volume, rel=1e-5)
        assert b"section 0123456789ab" in files[f"block_{block.name}.stl"][:80]
    together = trimesh.load(tmp_path / "block.stl")
    assert together.is_watertight
    assert together.body_count == 4
    assert together.volume == pytest.approx(whole, rel=1e-5)
    scene = trimesh.load(tmp_path / "block.3mf")
    assert scene.units == "mm" or scene.units == "millimeter"
    assert sorted(scene.geometry) == sorted(block.name for block in blocks)
    assert sum(mesh.volume for mesh in scene.geometry.values()) == pytest.approx(whole, rel=1e-5)
    import zipfile

    with zipfile.ZipFile(tmp_path / "block.3mf") as box:
        assert b"section 0123456789ab" in box.read("3D/3dmodel.model")


def test_the_same_section_gives_the_same_bytes():
    section, job = round_section(600.0), job_for(splices=("CROWN", "KEEL"))
    first, second = (
        block_files(forming_block(section, job), frame="F1", section_hash="0" * 12)
        for _ in range(2)
    )
    assert first == second


# ---- boards --------------------------------------------------------------------------------


def test_boards_of_a_block_are_its_slices():
    """Cut the closed solid by planes just inside each board's faces and compare areas.

    1e-4: the solid's ruled quads are flat triangles, which bulge by that share.
    """
    section, job = bodies.section_of(bodies.lopsided), job_for()
    lines = frame_lines(section, job, step=3.0)
    blocks = forming_block(section, job, step=3.0, rounded=False)
    for piece, block in zip(lines.pieces, blocks, strict=True):
        boards = board_outlines(lines, piece, depth=29.0, base=20.0, thick=18.0)
        assert [top for top, _, _ in boards] == [0.0, 18.0, 36.0]
        for top, rim, foot in boards:
            for level, outline in ((top + 1e-4, rim), (min(top + 18.0, 49.0) - 1e-4, foot)):
                ahead = np.roll(outline, -1, axis=0)
                area = 0.5 * abs(np.sum(outline[:, 0] * ahead[:, 1] - ahead[:, 0] * outline[:, 1]))
                assert section_area(block.solid, -level) == pytest.approx(area, rel=1e-4)


def section_area(solid, z):
    """Return the area of a solid's level section, from the segments its triangles leave."""
    corners = solid.points[solid.triangles]
    total = 0.0
    for triangle in corners[
        (corners[:, :, 2].min(axis=1) < z) & (corners[:, :, 2].max(axis=1) > z)
    ]:
        hits = []
        for k in range(3):
            a, b = triangle[k], triangle[(k + 1) % 3]
            if (a[2] - z) * (b[2] - z) < 0:
                hits.append((a + (b - a) * (z - a[2]) / (b[2] - a[2]), a[2] > z))
        (p, falling), (q, _) = hits
        start, stop = (p, q) if falling else (q, p)
        total += 0.5 * (start[0] * stop[1] - stop[0] * start[1])
    return abs(total)
