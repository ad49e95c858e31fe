"""The made part judged: planted faults found, poor surveys left open, coverage as claimed."""

import math
from dataclasses import replace

import bench_bodies as bodies
import numpy as np
import pytest

from loft.bench.frame import frame_lines
from loft.bench.lay import foot
from loft.bench.marks import frame_marks
from loft.bench.part_table import PartReading, read_part
from loft.bench.prove import prove, prove_table
from loft.bench.stock import plain_job, round_section
from loft.job.errors import LoftError

NAN = float("nan")
PINS = (("S1S", 45.0), ("S4S", 45.0), ("S2P", 45.0))


@pytest.fixture(scope="module")
def section():
    return bodies.section_of(bodies.lopsided)


def job_for(cut=None):
    job = plain_job()
    cut = cut or bodies.Cut()
    frame = replace(
        job.frames[0], name="F14", station=cut.station, cant=cut.cant, pivot_wl=cut.pivot_wl
    )
    part = replace(job.frame_section, splices=())
    shop = replace(job.shop, block_pins=PINS, tolerance_mould_line=1.5)
    return replace(job, frame_section=part, missing=("F14",), frames=(frame,), shop=shop)


def points_of(section, job, count=40, *, moved=(0.0, 0.0, 0.0), out=None, sigma=0.2, rng=None):
    """Return readings of the flange line of a part that stands moved, `out` of true by places."""
    lines = frame_lines(section, job)
    rows = np.linspace(0, len(lines.girth), count, endpoint=False).astype(int)
    amount = np.zeros(count) if out is None else out
    noise = np.zeros(count) if rng is None else rng.normal(0.0, sigma, count)
    shift = (amount + noise) / np.cos(lines.bevel[rows])
    place = lines.flange_line[rows] + shift[:, None] * lines.normal[rows]
    place = displaced(place, moved)
    return [
        PartReading(
            kind="point",
            line="",
            station=NAN,
            bl=float(b),
            wl=float(w),
            sigma=sigma,
            face="frame_flange",
        )
        for b, w in place
    ]


def displaced(place, moved):
    cos, sin = math.cos(moved[2]), math.sin(moved[2])
    return place @ np.array([[cos, sin], [-sin, cos]]) + np.array(moved[:2])


def pin_readings(section, job, moved=(0.0, 0.0, 0.0), sigma=0.05):
    marks = frame_marks(section, job, frame_lines(section, job))
    pins = [mark for mark in marks if mark.kind == "pin"]
    place = displaced(np.array([[p.bl, p.height] for p in pins]), moved)
    return [
        PartReading(
            kind="pin",
            line=pin.name,
            station=NAN,
            bl=float(b),
            wl=float(w),
            sigma=sigma,
            face="frame_flange",
        )
        for pin, (b, w) in zip(pins, place, strict=True)
    ]


MOVED = (3.0, -2.0, math.radians(0.4))


def test_foot_is_square_to_the_line(section):
    from loft.bench.outline import outline_of

    outline = outline_of(section)
    rng = np.random.default_rng(5)
    place = np.column_stack([section.bl, section.height])[::9] + rng.normal(
        0, 4, (len(section.bl[::9]), 2)
    )
    here = foot(outline, place)
    off = place - here.point
    along = np.column_stack([here.normal[:, 1], -here.normal[:, 0]])
    assert np.abs(np.einsum("ij,ij->i", off, along)).max() < 1e-7


@pytest.mark.parametrize("hold", ["fit", "pins"])
def test_a_true_part_is_accepted_wherever_it_lies(section, hold):
    job = job_for()
    readings = points_of(section, job, moved=MOVED) + pin_readings(section, job, MOVED)
    proved = prove(section, readings, job, hold=hold)
    # by its points alone a nearly round frame is not placed round its girth to 0.3 mm
    judged = [row for row in proved.rows if hold == "pins" or row.kind == "point"]
    assert {row.verdict for row in judged} == {"accept"}
    assert proved.held == hold
    assert max(abs(row.deviation) for row in proved.rows) < 1e-3
    if hold == "fit":
        assert proved.movement[2] == pytest.approx(MOVED[2], abs=1e-6)


@pytest.mark.parametrize("hold", ["fit", "pins"])
def test_a_dent_is_found_where_it_is_and_as_deep(section, hold):
    """2.5 mm inside over 5 readings of 40; with pins exact, by a fit within a tenth."""
    job = job_for()
    out = np.zeros(40)
    out[10:15] = -2.5
    readings = points_of(section, job, moved=MOVED, out=out) + pin_readings(section, job, MOVED)
    proved = prove(section, readings, job, hold=hold)
    rows = [row for row in proved.rows if row.kind == "point"]
    assert proved.verdict == "rework"
    assert [k for k, row in enumerate(rows) if row.verdict == "rework"] == [10, 11, 12, 13, 14]
    found = [row.deviation for row in rows[10:15]]
    assert found == pytest.approx([-2.5] * 5, abs=0.1)
    assert "inside: bring it out by 1.0" in rows[12].remark
    sound = [row.deviation for k, row in enumerate(rows) if not 10 <= k < 15]
    assert np.abs(sound).max() < 0.1


def test_a_survey_too_rough_for_the_tolerance_decides_nothing(section):
    job = job_for()
    proved = prove(section, points_of(section, job, sigma=1.0), job)
    assert proved.verdict == "cannot be decided"
    assert {row.verdict for row in proved.rows} == {"cannot be decided"}
    assert "an sd under 0.77 mm would decide" in proved.rows[0].remark  # 1.5 / 1.96


def test_no_reading_passes_for_having_pulled_the_fit_towards_itself(section):
    """Few readings: the one that is 6 mm out must not be taken for sound."""
    job = job_for()
    out = np.array([0.0, 0.0, 6.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    proved = prove(section, points_of(section, job, 8, out=out), job)
    assert proved.rows[2].verdict == "rework"
    assert proved.rows[2].deviation == pytest.approx(6.0, abs=0.3)


def test_the_stated_sd_is_what_repeated_surveys_show(section):
    """100 surveys of a true part with sigma 0.3: deviation / sd has unit spread.

    4000 ratios in all: the tolerances are three to four of their standard errors.
    """
    job = job_for()
    rng = np.random.default_rng(11)
    ratio = []
    for _ in range(100):
        readings = points_of(section, job, moved=MOVED, sigma=0.3, rng=rng)
        ratio += [row.deviation / row.sd for row in prove(section, readings, job).rows]
    assert np.std(ratio) == pytest.approx(1.0, abs=0.05)
    assert np.mean(np.abs(ratio) < 1.96) == pytest.approx(0.95, abs=0.012)


@pytest.mark.parametrize("cant", [0.0, math.radians(5.0)])
def test_readings_taken_along_the_flange_answer_to_the_bevel(cant):
    """Points on the parallel surface of a cone 10 mm aft of the heel plane: no deviation."""
    cut = bodies.Cut(cant=cant, pivot_wl=100.0 if cant else 0.0)
    cone = bodies.section_of(bodies.elliptic_cone, cut)
    job = job_for(cut)
    lines = frame_lines(cone, job)
    rows = slice(0, None, 12)
    line, normal, bevel = lines.flange_line[rows], lines.normal[rows], lines.bevel[rows]
    aft = 10.0
    place = cut.point(*(line + aft * np.tan(bevel)[:, None] * normal).T, aft)
    readings = [
        PartReading(
            kind="point",
            line="",
            station=float(x),
            bl=float(b),
            wl=float(w),
            sigma=0.1,
            face="frame_flange",
        )
        for x, b, w in place
    ]
    pins = []
    for pin in pin_readings(cone, job):
        wl = pin.wl * math.cos(cant) + cut.pivot_wl if cant else pin.wl
        pins.append(replace(pin, wl=wl))
    proved = prove(cone, [*readings, *pins], job)
    found = [row.deviation for row in proved.rows if row.kind == "point"]
    assert np.abs(found).max() < 0.01


def test_faces_are_taken_off_by_their_depth(section):
    job = job_for()
    on_skin = [replace(r, face="skin_inner") for r in points_of(section, job)]
    assert prove(section, on_skin, job).verdict == "accept"
    proud = [replace(r, face="skin_outer") for r in points_of(section, job)]
    pins = pin_readings(section, job)
    rows = [r for r in prove(section, proud + pins, job).rows if r.kind == "point"]
    assert [r.deviation for r in rows] == pytest.approx([-0.9] * len(rows), abs=1e-3)


def test_pins_out_of_place_are_told_with_their_way(section):
    job = job_for()
    pins = pin_readings(section, job)
    pins[1] = replace(pins[1], bl=pins[1].bl + 3.0)
    proved = prove(section, points_of(section, job) + pins, job, hold="fit")
    found = {row.name: row for row in proved.rows if row.kind == "pin"}
    assert found["PIN2"].verdict == "rework"
    assert found["PIN2"].deviation == pytest.approx(3.0, abs=0.01)
    assert found["PIN2"].remark.startswith("+3.0")
    assert found["PIN1"].deviation < 0.01


def test_flange_angles_are_judged_against_the_local_bevel(section):
    job = job_for()
    row = int(np.flatnonzero(section.crossings.line == "S2P")[0])
    true = math.pi / 2 + float(section.crossings.bevel[row])
    base = PartReading(
        kind="angle",
        line="S2P",
        station=NAN,
        bl=NAN,
        wl=NAN,
        sigma=math.radians(0.2),
        face="frame_flange",
        value=true,
    )
    pins = pin_readings(section, job)
    for off, verdict in ((0.1, "accept"), (0.9, "cannot be decided"), (2.0, "rework")):
        angle = replace(base, value=true + math.radians(off))
        proved = prove(section, [*pins, angle], job)
        (judged,) = [r for r in proved.rows if r.kind == "angle"]
        assert judged.verdict == verdict, off
        assert judged.deviation == pytest.approx(math.radians(off), abs=1e-5)
    assert "2.00 degrees too open: close it" in judged.remark


def test_a_round_piece_that_can_slide_is_told(section):
    job = plain_job()
    cone = round_section(600.0)
    lines = frame_lines(cone, job)
    readings = [
        PartReading(
            kind="point",
            line="",
            station=NAN,
            bl=float(b),
            wl=float(w),
            sigma=0.2,
            face="frame_flange",
        )
        for b, w in lines.flange_line[::20]
    ]
    proved = prove(cone, readings, job)
    assert "can slide along itself" in proved.notes[0]


def test_table_is_written_with_its_section_and_its_caution(section):
    job = job_for()
    text = prove_table(section, prove(section, points_of(section, job), job), "0123456789ab")
    heading = [line for line in text.splitlines() if line.startswith("#")]
    assert "section 0123456789ab" in heading[0]
    assert "verdict: accept" in heading[1]
    assert "not approved data" in heading[-1]
    assert text.splitlines()[len(heading)].startswith("girth,bl,wl,deviation,sd,tolerance,verdict")


# ---- the part's table ----------------------------------------------------------------------

GOOD = """line,bl,wl,sigma,kind,value
S1S,300.0,600.0,0.2,,
PIN1,250.0,500.0,0.1,,
S2P,,,0.2,angle,88.5
"""


def test_table_of_a_made_part_is_read():
    readings = read_part(job_for(), "part.csv", frame="F14", source=GOOD)
    assert [r.kind for r in readings] == ["point", "pin", "angle"]
    assert readings[2].value == pytest.approx(math.radians(88.5))
    assert readings[2].sigma == pytest.approx(math.radians(0.2))
    inches = read_part(job_for(), "part.csv", frame="F14", unit="in", source=GOOD)
    assert inches[0].bl == pytest.approx(7620.0)


def test_every_fault_of_the_table_is_told():
    bad = """line,bl,wl,sigma,kind,value
S1S,-300.0,600.0,0.2,,
S2P,-250.0,500.0,,,
S2P,,,0.2,angle,wide
S3P,-10.0,,0.2,,
S3P,-10.0,1.0,0.2,hole,
"""
    with pytest.raises(LoftError) as caught:
        read_part(job_for(), "part.csv", frame="F14", source=bad)
    said = [f"{f.row}: {f.column}: {f.text}" for f in caught.value.findings]
    for words in (
        "2: bl: -300.0 found for line S1S, a starboard point at positive bl wanted",
        "3: sigma: nothing found",
        "4: value: wide found, degrees wanted",
        "5: bl: bl or wl not found",
        "6: kind: hole found, point, angle, pin wanted",
    ):
        assert any(words in line for line in said), (words, said)


def test_refusals_of_the_proof(section):
    job = job_for()
    bare = replace(job, shop=replace(job.shop, tolerance_mould_line=NAN))
    with pytest.raises(LoftError, match=r"tolerance\.mould_line: nothing found"):
        prove(section, points_of(section, job), bare)
    with pytest.raises(LoftError, match="4 points on the part found, 5 or more wanted"):
        prove(section, points_of(section, job, 4), job)
    wrong = replace(pin_readings(section, job)[0], line="PIN9", source="part.csv", row=7)
    with pytest.raises(LoftError, match=r"part\.csv:7: line: PIN9 found, PIN1, PIN2, PIN3 is in"):
        prove(section, [*points_of(section, job), wrong], job)
    one = pin_readings(section, job)[:1]
    with pytest.raises(LoftError, match="fewer than two pin holes"):
        prove(section, [*points_of(section, job), *one], job, hold="pins")


# ---- the wrong hand ------------------------------------------------------------------------


def angles_of(section, hand=1.0, off=0.0):
    """Return flange angles at every stringer as of a flange that faces `hand`."""
    cross = section.crossings
    return [
        PartReading(
            kind="angle",
            line=str(name),
            station=NAN,
            bl=NAN,
            wl=NAN,
            sigma=math.radians(0.2),
            face="frame_flange",
            value=math.pi / 2 + hand * float(bevel) + off,
        )
        for name, bevel in zip(cross.line, cross.bevel, strict=True)
    ]


@pytest.mark.parametrize("with_pins", [False, True])
def test_a_part_made_to_the_other_hand_is_recognised(section, with_pins):
    job = job_for()
    rng = np.random.default_rng(4)
    true = points_of(section, job, moved=MOVED, sigma=0.3, rng=rng)
    if with_pins:
        true += pin_readings(section, job, MOVED)
    assert not any("MIRRORED" in note for note in prove(section, true, job).notes)
    mirrored = [replace(r, bl=-r.bl) for r in true]
    proved = prove(section, mirrored, job)
    assert proved.verdict == "rework"
    assert any("MIRRORED: with port and starboard exchanged" in note for note in proved.notes)


def test_a_dented_part_is_not_taken_for_a_mirrored_one(section):
    job = job_for()
    out = np.zeros(40)
    out[8:20] = -4.0
    assert not any(
        "MIRRORED" in n for n in prove(section, points_of(section, job, out=out), job).notes
    )


def test_a_part_alike_on_both_sides_says_nothing_of_its_hand():
    job = replace(job_for(), missing=("F1",))
    cone = round_section(600.0)
    readings = points_of(cone, replace(job, shop=replace(job.shop, block_pins=())), sigma=0.2)
    readings = [replace(r, bl=r.bl + 6.0 * (k == 3)) for k, r in enumerate(readings)]
    plain = replace(job, shop=replace(job.shop, block_pins=()))
    assert not any("MIRRORED" in note for note in prove(cone, readings, plain).notes)


def test_a_reversed_flange_is_recognised_by_its_angles():
    """Bevels of -2 to -8 degrees: the wrong way is off by twice that."""
    tail = bodies.section_of(bodies.curved)
    job = job_for()
    job = replace(job, shop=replace(job.shop, block_pins=()))
    points = points_of(tail, job)
    right = prove(tail, [*points, *angles_of(tail)], job)
    assert right.verdict == "accept"
    assert right.notes == ()
    wrong = prove(tail, [*points, *angles_of(tail, -1.0)], job)
    assert any("angles are those of a flange that faces forward" in n for n in wrong.notes)
    sprung = prove(tail, [*points, *angles_of(tail, off=math.radians(5.0))], job)
    assert not any("REVERSED" in note for note in sprung.notes)


def test_a_flange_read_on_the_wrong_side_of_its_web_is_told(section):
    job = job_for()
    points = points_of(section, job)
    aft = [replace(r, station=bodies.STATION + 10.0) for r in points]
    ahead = [replace(r, station=bodies.STATION - 10.0) for r in points]
    assert not any("REVERSED" in note for note in prove(section, aft, job).notes)
    (note,) = (n for n in prove(section, ahead, job).notes if "REVERSED" in n)
    assert (
        "40 of 40 flange readings stand forward of the heel plane, the flange is to face aft"
        in note
    )
