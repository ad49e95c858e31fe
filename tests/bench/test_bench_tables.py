"""Published shop figures: each beside where it was published."""

import math
import re
from dataclasses import replace

import bench_bodies as bodies
import numpy as np
import pytest

from loft.bench.bend import bend_allowance, bend_constant, setback
from loft.bench.blank import flat_blank
from loft.bench.frame import frame_lines
from loft.bench.limits import checks, radius_tables
from loft.bench.marks import frame_marks
from loft.bench.part import part_of
from loft.bench.rivets import splice_pattern
from loft.bench.splice import leg_rivets, splice_of, splice_plan
from loft.bench.stock import plain_job, round_section
from loft.bench.tables import (
    AGEING_HOURS,
    COLD_MINUTES,
    CRACK_STOP_INCH,
    INCH,
    RADIUS_TABLES,
    RIVETS_PER_INCH,
    SHEET_SHARE,
    SOFT_MINUTES,
    least_radius,
    relief_hole,
    rivet_length,
    rivets_per_inch,
    transverse_pitch,
)
from loft.bench.template import side_words
from loft.job.errors import LoftError

RIGHT = math.pi / 2


def test_u_channel_of_the_handbook():
    """FAA-H-8083-31 ch. 4: .040 sheet, R .16, legs 1.00, base 2.00.

    Setback .20, flats .8, 1.6, .8 as printed. The developed width of 3.758 follows from
    the formula; the 3.74 printed there (from memory) is rounded.
    """
    back = float(setback(RIGHT, radius=0.16, gauge=0.040))
    assert back == pytest.approx(0.200, abs=1e-9)
    assert [1.00 - back, 2.00 - 2 * back] == pytest.approx([0.8, 1.6], abs=1e-9)
    allowance = float(bend_allowance(RIGHT, radius=0.16, gauge=0.040))
    assert allowance == pytest.approx(0.27907, abs=1e-5)
    width = 2 * (1.00 - back) + 2.00 - 2 * back + 2 * allowance
    assert width == pytest.approx(3.7581, abs=1e-3)
    assert width == pytest.approx(3.74, abs=0.02)


def test_bend_allowance_with_the_constant_of_the_navy():
    """(0.0173 R + 0.0078 T) N: US Navy Airman text p. 13-19; the value is computed."""
    allowance = bend_allowance(RIGHT, radius=0.16, gauge=0.040, constant="navy")
    assert float(allowance) == pytest.approx(0.27720, abs=1e-5)


def test_bend_allowance_and_deduction_of_a_strip():
    """A sheet-metal workbook's 90 degree bends: R .032, T .050, printed .085 and .079; 2.973."""
    figures = {"radius": 0.032, "gauge": 0.050}
    allowance = float(bend_allowance(RIGHT, **figures))
    less = float(2 * setback(RIGHT, **figures)) - allowance
    assert allowance == pytest.approx(0.085, abs=6e-4)
    assert less == pytest.approx(0.079, abs=6e-4)
    strip = 0.740 + 0.420 + 1.050 + 1.000
    assert strip - 3 * less == pytest.approx(2.973, abs=2e-3)  # printed with .079


@pytest.mark.parametrize(
    ("radius", "gauge", "degrees", "printed"), [(3.0, 0.5, 90, 5.10), (1.0, 0.5, 180, 3.925)]
)
def test_arc_of_the_middle_plane(radius, gauge, degrees, printed):
    """NAVEDTRA 14119 fig. 13-49 and 13-50, printed to three figures."""
    arc = bend_allowance(math.radians(degrees), radius=radius, gauge=gauge, constant="mid plane")
    assert float(arc) == pytest.approx(printed, abs=0.01)


@pytest.mark.parametrize(
    ("degrees", "printed"),
    [
        *((30, ".2679"), (45, ".4142"), (60, ".5773"), (75, ".7673"), (90, "1.000")),
        *((80, ".8391"), (85, ".9163"), (95, "1.091"), (100, "1.191"), (105, "1.303")),
        *((120, "1.732"), (135, "2.414"), (150, "3.732")),
    ],
)
def test_setback_chart(degrees, printed):
    """K of FAA AC 43.13-1B table 4-7, whose rows are cut off and not rounded."""
    k = float(setback(math.radians(degrees), radius=0.7, gauge=0.3))
    unit = 10.0 ** -len(printed.split(".")[1])
    assert abs(k - float(printed)) < unit


def test_the_chart_s_row_of_176_degrees_is_not_ours():
    """26.63 stands there for tan 88 degrees, 28.636: a misprint that must not be copied."""
    k = float(setback(math.radians(176), radius=0.7, gauge=0.3))
    assert k == pytest.approx(28.636, abs=5e-4)
    assert abs(k - 26.63) > 1.0


def test_least_radius_by_three_tables():
    """.040 in 2024-T3: .16 FAA-H-8083-31; 3.3 T an industry table, 2005; .188 a design office's."""
    found = {
        table.name: least_radius(table, alloy="2024-T3 clad", gauge=0.040 * INCH) / INCH
        for table in RADIUS_TABLES
    }
    assert found["handbook"] == pytest.approx(0.16)
    assert found["industry"] == pytest.approx(0.13, abs=0.005)
    assert found["industry"] / 0.040 == pytest.approx(3.3, abs=0.05)
    assert found["design_office"] == pytest.approx(0.188)
    assert math.isnan(found["fabricator"])  # ends at .032


@pytest.mark.parametrize(("gauge", "multiple"), [(1 / 32, 3.0), (1 / 16, 4.0), (1 / 8, 5.0)])
def test_least_radius_in_multiples(gauge, multiple):
    """2024-T3, table 3-1 of January 2005: 3, 4, 5 times the gauge."""
    (table,) = radius_tables("industry")
    radius = least_radius(table, alloy="2024-T3", gauge=gauge * INCH)
    assert radius / gauge / INCH == pytest.approx(multiple)


def test_relief_holes():
    """FAA-H-8083-31 ch. 4: 1/8 in up to .064, 3/16 (printed 3/160) from .072 to .128."""
    assert relief_hole(0.064 * INCH) == pytest.approx(INCH / 8)
    assert relief_hole(0.072 * INCH) == pytest.approx(INCH * 3 / 16)
    assert math.isnan(relief_hole(0.150 * INCH))


def test_rivets_per_inch():
    """1/8 rivets in .032 .040 .051 .064: 4.9 6.2 7.9 9.9. FAA AC 43.13-1B table 4-10."""
    for gauge, count in ((0.032, 4.9), (0.040, 6.2), (0.051, 7.9), (0.064, 9.9)):
        assert rivets_per_inch(gauge * INCH, INCH / 8) == (count, gauge)
    assert rivets_per_inch(1.2, 3.2) == (7.9, 0.051)  # never a lighter row
    assert math.isnan(rivets_per_inch(2.0, 3.2)[0])
    assert math.isnan(rivets_per_inch(1.2, 3.0)[0])  # no such rivet


def test_rivet_table_follows_bearing_and_shear():
    """max(1/1.6 d, t/.5 A) with hole d: found by inference, 0.1 a rivet; guards our typing."""
    holes = {3: 0.0957, 4: 0.1285, 5: 0.159, 6: 0.191, 8: 0.257}
    for gauge, row in RIVETS_PER_INCH.items():
        for size, printed in row.items():
            hole = holes[size]
            count = max(1 / (1.6 * hole), gauge / (0.5 * math.pi / 4 * hole**2))
            assert count == pytest.approx(printed, abs=0.11), (gauge, size)


def test_frame_splice_of_the_published_example():
    """FAA AC 43.13-1B fig. 4-20: .040, 1/8 in, 60 %: leg .6 in 3 and web 2.0 in 8 each side."""
    assert leg_rivets(0.6, 6.2) == 3
    assert leg_rivets(2.0, 6.2) == 8
    job = plain_job()
    sheet = replace(
        job.frame_section,
        **{"gauge": 0.040 * INCH, "flange": 0.6 * INCH, "web_depth": 2.0 * INCH},
    )
    part = part_of(round_section(600.0), replace(job, frame_section=sheet))
    plan = splice_plan(part, kind="plate", rivet=INCH / 8)
    assert {leg.name: leg.rivets for leg in plan.legs} == {"web": 8, "flange": 3}
    assert plan.plate_length >= 2 * 2.0 * INCH  # fig. 4-20: more than twice the web's width
    assert "12.40, up 13, 60 % 7.8, up 8" in plan.legs[0].worked


def test_sheet_splice_of_the_published_example():
    """FAA AC 43.13-1B para 4-58 g: .032 x 10 in at 75 % of 4.9: 36.75, so 37 rivets."""
    per_inch = rivets_per_inch(0.032 * INCH, INCH / 8)[0]
    assert math.ceil(10 * per_inch * SHEET_SHARE) == 37


def test_rivet_length_and_transverse_pitch():
    """1/8 in, grip .072: .2595 (NAVEDTRA 14018). 8 D gives 6 D, floor 2.5 D (lecture notes)."""
    assert rivet_length(0.125, 0.072) == pytest.approx(0.2595, abs=1e-6)
    assert transverse_pitch(8.0, 1.0) == 6.0
    assert transverse_pitch(3.0, 1.0) == 2.5


def test_heat_treatment_and_crack_stops():
    """96 h: T.O. 1-1A-9. 10 and 60 min: FAA-H-8083-30 ch. 5. 3/32 or 1/8 in: AC 43.13-1B 4-59.

    Into the cold within 5 and 30 min: an excerpt of an airline's structural repair manual.
    """
    assert AGEING_HOURS == 96
    assert SOFT_MINUTES == {"2024": 10, "2017": 60}
    assert COLD_MINUTES == {"2024": 5, "2017": 30}
    assert CRACK_STOP_INCH == (3 / 32, 1 / 8)


def test_where_the_tables_do_not_apply_the_plan_says_so():
    part = part_of(round_section(600.0), plain_job())
    soft = splice_plan(replace(part, alloy="6061-T6"), kind="plate", rivet=3.2)
    assert soft.legs[0].rivets == 0
    assert "the job's alloy is 6061-T6: no count is given" in soft.notes[0]
    thick = splice_plan(replace(part, gauge=2.5), kind="plate", rivet=3.2)
    assert "does not reach gauge 2.5 mm" in thick.notes[0]
    with_none = splice_plan(part, kind="plate", rivet=float("nan"))
    assert "the job names no rivet" in with_none.notes[0]


def test_an_overlap_is_read_as_a_single_lap_of_sheet():
    """FAA AC 43.13-1B table 4-10, note c: 75 %. Web 75 mm: 2.953 in x 7.9 = 23.3, 24, 18."""
    part = part_of(round_section(600.0), plain_job())
    lap = splice_plan(part, kind="overlap", rivet=3.2)
    assert {leg.name: leg.rivets for leg in lap.legs} == {"web": 18, "flange": 5}
    assert "up 24, 75 % 18.0, up 18" in lap.legs[0].worked
    assert math.isnan(lap.plate_length)
    assert lap.rivet_length == pytest.approx(2 * 1.2 + 1.5 * 3.2)  # the grip and 1.5 D
    assert "licensed engineer decide" in lap.notes[0]
    soft = splice_plan(replace(part, alloy="6061-T6"), kind="overlap", rivet=3.2)
    assert [leg.rivets for leg in soft.legs] == [0, 0]


# ---- a frame against its limits ------------------------------------------------------------


def found(job, bevel=0.0):
    section = round_section(600.0, bevel=bevel)
    lines = frame_lines(section, job)
    return {f.column: f for f in checks(section, job, lines, frame_marks(section, job, lines))}


def test_bend_radius_is_judged_by_the_tables_or_by_the_job_s_own():
    job = plain_job()
    low = found(job)["frame_section.bend_radius"]
    assert low.severity == "warning"  # 3.45 T of 1.2 is 4.1 mm by the industry table
    assert "industry standard table 3-1" in low.text
    sheet = job.frame_section
    wide = replace(job, frame_section=replace(sheet, bend_radius=5.0))
    assert found(wide)["frame_section.bend_radius"].severity == "note"
    own = replace(job, frame_section=replace(sheet, bend_table="fabricator"))
    assert "could not be judged" in found(own)["frame_section.bend_radius"].text
    with pytest.raises(LoftError, match="mine found, handbook, industry"):
        found(replace(job, frame_section=replace(sheet, bend_table="mine")))


def test_a_radius_below_every_table_is_told_with_its_girth_and_all_figures():
    """.032 in 2024-T3, R 0.5 mm: .098 by the industry table, .120 a fabricator's."""
    job = plain_job()
    sheet = replace(job.frame_section, gauge=0.032 * INCH, bend_radius=0.5)
    low = found(replace(job, frame_section=sheet), bevel=-0.05)["frame_section.bend_radius"]
    assert low.severity == "warning"
    assert re.search(r"bent up to 9[23]\.\d degrees at girth \d+ mm", low.text)
    assert "2.5 mm by industry standard" in low.text
    assert "3.0 mm by a fabricator's" in low.text
    assert "the largest counts" in low.text


def test_an_alloy_that_no_table_knows_is_told():
    sheet = replace(plain_job().frame_section, alloy="D16T")
    note = found(replace(plain_job(), frame_section=sheet))["frame_section.bend_radius"]
    assert "handbook, industry, fabricator, design_office) reaches D16T of 1.2 mm" in note.text
    bare = found(replace(plain_job(), frame_section=replace(sheet, alloy="")))
    assert "reaches an unknown alloy" in bare["frame_section.bend_radius"].text


def test_rivet_line_too_near_the_edge_or_the_bend_is_told():
    job = plain_job()
    sheet = job.frame_section
    edge = found(replace(job, frame_section=replace(sheet, rivet_line=14.0)))
    assert "5.0 mm from the flange's edge, 6.4 mm is the least" in (
        edge["frame_section.rivet_line"].text
    )
    bend = found(replace(job, frame_section=replace(sheet, rivet_line=7.0)))
    assert "1.8 mm beyond the bend's tangent line" in bend["frame_section.rivet_line"].text
    assert "frame_section.rivet_line" not in found(job)


def test_strain_is_held_to_the_job_s_limits_only():
    job = plain_job()
    note = found(job)["frame_section.strain_limit"]
    assert note.severity == "note"
    assert "ask the shop" in note.text
    own = replace(job, frame_section=replace(job.frame_section, strain_limit=(-0.02, 0.05)))
    warned = found(own)["frame_section.strain_limit"]
    assert warned.severity == "warning"
    assert "shrinks by -3.07 %, the job's limit is -2.00 %" in warned.text


def test_corner_radius_wider_than_its_cut_out_is_told():
    job = plain_job()
    wide = replace(job, shop=replace(job.shop, cutout_corner_radius=12.0))
    assert "more than half the cut-out" in found(wide)["cutout.corner_radius"].text
    sharp = replace(job, shop=replace(job.shop, cutout_corner_radius=0.0))
    assert "a sharp corner starts cracks" in found(sharp)["cutout.corner_radius"].text


def test_a_section_known_less_well_than_the_tolerance_is_told():
    """Its band of 0.9 mm against 0.5 mm."""
    job = plain_job()
    assert "tolerance.mould_line" not in found(job)
    tight = replace(job, shop=replace(job.shop, tolerance_mould_line=0.5))
    assert "known to 0.90 mm either side" in found(tight)["tolerance.mould_line"].text


def test_a_splice_in_a_cut_out_is_told_and_where_to_put_it():
    """Two cut-outs, half a turn apart: 942.5 mm from either lies the middle."""
    said = found(plain_job())["frame_section.splices"].text
    assert "the splice S1P at girth 2827.4 mm stands in the cut-out of S1P, 20.5 mm wide" in said
    assert '"S1P+942.5" would part the frame midway' in said
    for splices in (("CROWN", "KEEL"), ("CROWN", "S1S+900", "KEEL", "S1P-900.5")):
        sheet = replace(plain_job().frame_section, splices=splices)
        assert "frame_section.splices" not in found(replace(plain_job(), frame_section=sheet))


@pytest.mark.parametrize(("unit", "text"), [("mm", "S1S+80"), ("in", "S1S+3.5"), ("mm", "S1P-80")])
def test_a_frame_is_split_at_a_distance_from_a_line(unit, text):
    """Row, mark and both pieces' ends stand at that girth, greater girth for plus."""
    job = plain_job()
    sheet = replace(job.frame_section, splices=("CROWN", text))
    section, job = round_section(600.0), replace(job, unit=unit, frame_section=sheet)
    lines = frame_lines(section, job)
    quarter = 600.0 * math.pi / 2
    girth = {"S1S+80": quarter + 80.0, "S1S+3.5": quarter + 88.9, "S1P-80": 3 * quarter - 80.0}[
        text
    ]
    first, second = lines.pieces
    assert (first.name, second.name) == (f"CROWN-{text}", f"{text}-CROWN")
    assert lines.girth[first.rows[-1]] == pytest.approx(girth, abs=1e-9)
    assert lines.girth[second.rows[0]] == pytest.approx(girth, abs=1e-9)
    marks = {mark.name: mark for mark in frame_marks(section, job, lines) if mark.kind == "splice"}
    assert marks[text].girth == pytest.approx(girth, abs=1e-9)
    for wrong in ("S9S+80", "S1S+", "S1S+x"):
        sheet = replace(job.frame_section, splices=("CROWN", wrong))
        with pytest.raises(LoftError, match="or a distance from one, such as S4S"):
            frame_lines(section, replace(job, frame_section=sheet))


def test_nothing_known_from_quotations_is_printed_as_a_handbook_s():
    """The usual bend formula was seen only in notes that quote it; a strip tells."""
    for name in ("", "faa"):
        words = bend_constant(name)[2]
        assert "FAA" not in words
        assert "handbook" not in words
        assert "known from quotations only" in words
    assert bend_constant("")[2].endswith("the job names no bend_constant")
    assert "US Navy Airman text p. 13-19" in bend_constant("navy")[2]


def test_pin_near_the_inner_edge_is_told():
    job = plain_job()
    job = replace(job, shop=replace(job.shop, block_pins=(("S1S", 70.0),)))
    job = replace(job, frame_section=replace(job.frame_section, splices=("CROWN", "KEEL")))
    assert "stands 5.0 mm from the web's inner edge" in found(job)["block.pins"].text


# ---- rivets of a splice --------------------------------------------------------------------


@pytest.mark.parametrize(("kind", "sides"), [("plate", 2), ("overlap", 1)])
def test_rivets_of_a_splice_keep_their_published_distances(kind, sides):
    """2.5 D from joint and edges, 3 D and more apart, clear of cut-outs, all that are wanted."""
    job = plain_job()
    sheet = replace(job.frame_section, splices=("CROWN", "S1S+25", "KEEL"))
    job = replace(job, frame_section=sheet, shop=replace(job.shop, splice_type=kind))
    section = round_section(600.0)
    lines = frame_lines(section, job)
    marks = frame_marks(section, job, lines)
    plan = splice_plan(lines.part, kind=kind, rivet=3.2)
    wanted = {leg.name: sides * leg.rivets for leg in plan.legs}
    for splice in marks[:3]:
        pattern = splice_pattern(lines, plan, splice, marks)
        assert len(pattern.web) == wanted["web"]
        assert len(pattern.flange) == wanted["flange"]
        assert pattern.notes == ()
        inside = 599.1 - np.hypot(*pattern.web.T)
        assert inside.min() >= 5.2 + 2.5 * 3.2 - 0.3  # bend tangent; 0.3: rows stand on a chord
        assert inside.max() <= 75.0 - 2.5 * 3.2 + 0.3
        apart = np.linalg.norm(pattern.web[:, None] - pattern.web[None], axis=2)
        assert apart[~np.eye(len(apart), dtype=bool)].min() >= 3.0 * 3.2 - 1e-6
        assert np.hypot(*pattern.flange.T) == pytest.approx(599.1 + 9.5 - 2 * 5.2 + 7.117, abs=0.01)
        for cut in (mark for mark in marks if mark.kind == "cutout"):
            away = pattern.web - [cut.bl, cut.height]
            out = np.array([math.sin(cut.angle), math.cos(cut.angle)])
            aside = np.abs(away @ [out[1], -out[0]]) - cut.width / 2
            below = -(away @ out) - cut.depth
            assert (np.maximum(aside, below) >= 2.5 * 3.2 - 1e-9).all()


def test_pieces_of_an_overlap_are_longer_by_the_lap():
    """Every rivet goes through both pieces, 2 D and more from the end of each."""
    job = plain_job()
    sheet = replace(job.frame_section, stands="inside_stringers")  # no cut-outs in the way
    shop = replace(job.shop, splice_type="overlap")
    job = replace(job, frame_section=sheet, shop=shop)
    section = round_section(600.0)
    lines = frame_lines(section, job)
    plan = splice_of(lines.part, job)
    # 18 in the web, 5 in a row of it: 4 rows 3/4 x 4 D apart; 5 in the flange, 4 D apart
    assert plan.lap == math.ceil(5 * 3.2 + max(3 * 0.75 * 12.8, 4 * 12.8))
    marks = frame_marks(section, job, lines)
    quarter = section.length / 4
    for number, piece in enumerate(lines.pieces):
        assert piece.run == pytest.approx(quarter + plan.lap, abs=0.01)
        last = lines.girth[piece.rows[-1]]
        assert (last - piece.start) % section.length == pytest.approx(piece.run, abs=0.01)
        edge = flat_blank(lines, [], piece).trim
        turn = np.ptp(np.unwrap(np.arctan2(edge[:, 0], edge[:, 1])))
        assert turn * 600.0 == pytest.approx(quarter + plan.lap, abs=0.01)
        splice = marks[(number + 1) % 4]
        pattern = splice_pattern(lines, plan, splice, marks)
        assert pattern.notes == ()
        for bl, height in (*pattern.web, *pattern.flange):
            past = (math.atan2(bl, height) - splice.girth / 600.0) % (2 * np.pi)
            far = math.hypot(bl, height) * math.sin(plan.lap / 600.0 - past)
            assert math.hypot(bl, height) * math.sin(past) >= 2.5 * 3.2 - 0.1
            assert far >= 2.0 * 3.2  # the least, FAA AC 43.13-1B as quoted
    assert [side_words(lines, piece) for piece in lines.pieces] == ["STARBOARD"] * 2 + ["PORT"] * 2


def test_a_lap_that_cannot_be_is_told():
    job = plain_job()
    short = replace(job, shop=replace(job.shop, splice_type="overlap", splice_lap=20.0))
    section = round_section(600.0)
    lines = frame_lines(section, short)
    marks = frame_marks(section, short, lines)
    told = [f.text for f in checks(section, short, lines, marks) if f.column == "splice.rivet"]
    assert any("of the web's rivets at CROWN find no room" in text for text in told)
    long = replace(job, shop=replace(job.shop, splice_type="overlap", splice_lap=500.0))
    with pytest.raises(LoftError, match=r"CROWN-S1S found 942.5 mm.* twice the lap of 500.0 mm"):
        frame_lines(section, long)


def test_rivets_that_find_no_room_are_told():
    job = plain_job()
    sheet = replace(job.frame_section, web_depth=20.0, flange=12.0, rivet_line=float("nan"))
    job = replace(job, frame_section=replace(sheet, stands="inside_stringers"))
    section = round_section(600.0)
    lines = frame_lines(section, job)
    marks = frame_marks(section, job, lines)
    plan = splice_plan(lines.part, kind="plate", rivet=3.2)
    pattern = splice_pattern(lines, plan, marks[0], marks)
    assert any("find no room between bend and edge" in note for note in pattern.notes)
    assert any("the job gives no rivet_line" in note for note in pattern.notes)


def test_mirror_pairs_are_spoken_of_either_way():
    """A round frame is alike; the lopsided one differs by some 60 mm, its band is 0.6."""
    alike = found(plain_job())["section"]
    assert "are alike within the section's band: 0.00 mm apart" in alike.text
    lapped = replace(plain_job(), shop=replace(plain_job().shop, splice_type="overlap"))
    assert "no mirror pairs: each piece of an overlap has its lap" in found(lapped)["section"].text
    section = bodies.section_of(bodies.lopsided)
    job = replace(plain_job(), missing=("F14",))
    sheet = replace(job.frame_section, splices=("CROWN", "KEEL"))
    lines = frame_lines(section, replace(job, frame_section=sheet))
    (note,) = (f for f in checks(section, job, lines, []) if f.column == "section")
    assert "differ by more than the section's band" in note.text
    assert "no mirror pairs: every piece is made from its own files" in note.text
