"""The offset table: closed forms, both blocks agreeing, notation, standard deviations."""

import csv
import math
from dataclasses import replace

import bench_bodies as bodies
import numpy as np
import pytest

from loft.bench.frame import frame_lines
from loft.bench.offsets import COLUMNS, offset_table, offsets_csv
from loft.bench.stock import plain_job, round_section
from loft.job.errors import LoftError
from loft.job.units import parse_length


def job_for(**spacing):
    job = plain_job()
    return replace(
        job,
        frames=(replace(job.frames[0], name="F14"),),
        frame_section=replace(job.frame_section, splices=()),
        shop=replace(job.shop, **spacing),
    )


def test_half_breadths_and_heights_of_an_ellipse():
    """Half-breadth a sqrt(1 - ((wl - 300) / b)^2), 1e-4 mm: the last digit printed."""
    section = bodies.section_of(bodies.elliptic_cone)
    rows = offset_table(section, job_for())
    water = [row for row in rows if row.kind == "waterline"]
    assert len({row.value for row in water}) == 13  # 900 down to -300; the ends 1000, -400 touch
    for row in water:
        wanted = 520.0 * math.sqrt(1 - ((row.value - 300.0) / 700.0) ** 2)
        assert row.offset == pytest.approx(wanted, abs=1e-4)
    for row in rows:
        if row.kind == "buttock":
            rise = 700.0 * math.sqrt(1 - (row.value / 520.0) ** 2)
            wanted = 300.0 + (rise if row.branch == "upper" else -rise)
            assert row.offset == pytest.approx(wanted, abs=1e-4)
    assert {(row.side, row.branch) for row in rows if row.kind == "buttock"} == {
        (side, branch) for side in ("port", "starboard") for branch in ("upper", "lower")
    }


def test_sides_of_an_unequal_body_are_not_exchanged():
    section = bodies.section_of(bodies.lopsided)
    rows = {
        (row.value, row.side): row.offset
        for row in offset_table(section, job_for())
        if row.kind == "waterline"
    }
    for level in (0.0, 200.0, 400.0):
        beside = np.flatnonzero(np.diff(np.sign(section.wl - level)))
        reach = [section.bl[beside].max(), -section.bl[beside].min()]
        assert rows[(level, "starboard")] == pytest.approx(reach[0], abs=8.0)
        assert rows[(level, "port")] == pytest.approx(reach[1], abs=8.0)
        assert abs(reach[0] - reach[1]) > 12.0


@pytest.mark.parametrize("of", ["mould", "flange"])
def test_both_blocks_agree_where_lines_cross(of):
    """A buttock line set at a printed half-breadth must stand at that waterline.

    The rule of the half-breadth plan: HAER, Recording Historic Ships, 3rd ed. 2004, p. 209.
    """
    section = bodies.section_of(bodies.lopsided)
    first = [r for r in offset_table(section, job_for(), of=of) if r.kind == "waterline"]
    for row in first[4:12]:
        job = job_for(buttocks=row.offset)
        found = [
            other.offset
            for other in offset_table(section, job, of=of)
            if other.kind == "buttock"
            and other.side == row.side
            and abs(other.value - row.offset) < 1e-9
        ]
        assert min(abs(height - row.value) for height in found) < 1e-6


def test_canted_offsets_are_waterlines_not_heights_in_the_plane():
    cut = bodies.Cut(cant=math.radians(5.0), pivot_wl=100.0)
    section = bodies.section_of(bodies.elliptic_cone, cut)
    for row in offset_table(section, job_for()):
        if row.kind == "waterline":
            station = cut.station + (row.value - 100.0) * math.tan(cut.cant)
            grow = 1.0 + 1.6e-4 * (station - bodies.STATION)
            middle = 300.0 + 0.03 * (station - bodies.STATION)
            rise = (row.value - middle) / (700.0 * grow)
            wanted = 520.0 * grow * math.sqrt(1 - rise**2)
            assert row.offset == pytest.approx(wanted, abs=1e-4)


def test_flange_offsets_of_a_cone():
    """The flange line of a square-cut round cone is a circle, radius less depth / cos(bevel)."""
    section = bodies.section_of(bodies.cone)
    radius = 600.0 - 0.9 / math.cos(math.atan(0.1))
    for row in offset_table(section, job_for(), of="flange"):
        if row.kind != "line":
            assert math.hypot(row.offset, row.value) == pytest.approx(radius, abs=1e-6)
        assert row.of == "flange"


def test_flange_offsets_agree_with_the_frame_lines():
    section = bodies.section_of(bodies.lopsided)
    lines = frame_lines(section, job_for())
    rows = [r for r in offset_table(section, job_for(), of="flange") if r.kind == "line"]
    table = {(r.value, r.branch): r.offset for r in rows}
    for name, girth in zip(section.crossings.line, section.crossings.girth, strict=True):
        row = int(np.argmin(np.abs(lines.girth - girth)))
        bl, height = lines.flange_line[row]
        assert table[(str(name), "half_breadth")] == pytest.approx(abs(bl), abs=1e-4)
        assert table[(str(name), "height")] == pytest.approx(height, abs=1e-4)


def test_every_line_has_its_offsets():
    section = bodies.section_of(bodies.lopsided)
    rows = [row for row in offset_table(section, job_for()) if row.kind == "line"]
    assert {row.value for row in rows} == set(bodies.LINES)
    assert len(rows) == 2 * len(bodies.LINES)
    sides = {row.value: row.side for row in rows}
    assert sides["S2S"] == "starboard"
    assert sides["S2P"] == "port"


def test_sd_is_that_of_the_printed_offset():
    """On a circle the half-breadth at wl leans from the normal by asin(wl / R)."""
    section = round_section(600.0)
    rows = offset_table(section, job_for())
    for row in rows:
        if row.kind == "waterline":
            cosine = math.sqrt(1 - (row.value / 600.0) ** 2)
            assert row.sd == pytest.approx(0.3 / cosine, rel=1e-6)
    crown = [row for row in rows if row.kind == "line" and row.value == "CROWN"]
    assert math.isnan(next(row.sd for row in crown if row.branch == "half_breadth"))
    assert next(row.sd for row in crown if row.branch == "height") == pytest.approx(0.3)


def test_sd_is_blank_beyond_85_degrees():
    level = 600.0 * math.sin(math.radians(85.5))
    rows = offset_table(round_section(600.0), job_for(waterlines=level))
    high = [row for row in rows if row.kind == "waterline" and row.value == level]
    assert len(high) == 2
    assert all(math.isnan(row.sd) for row in high)


def test_a_waterline_that_crosses_twice_has_an_outer_and_an_inner_branch():
    """A hollow crown: a chine dips below its shoulders."""
    section = bodies.section_of(bodies.hollow_chined, chines=(2.0, 2.0 + math.pi))
    rows = [row for row in offset_table(section, job_for(waterlines=10.0)) if row.kind != "line"]
    inner = [row for row in rows if row.branch == "inner"]
    for row in inner:
        outer = next(
            other
            for other in rows
            if (other.kind, other.value, other.side) == (row.kind, row.value, row.side)
            and other.branch == "outer"
        )
        assert outer.offset > row.offset
    assert inner


@pytest.mark.parametrize(("units", "half"), [("mm", 0.05), ("in", 0.0127), ("ft-in", 0.79375)])
def test_notation_rounds_by_no_more_than_half_its_last_unit(units, half):
    text = offsets_csv(
        bodies.section_of(bodies.lopsided), job_for(), section_hash="0123456789ab", units=units
    )
    rows = list(csv.DictReader(r for r in text.splitlines() if not r.startswith("#")))
    assert list(rows[0]) == list(COLUMNS)
    assert "section 0123456789ab" in text.splitlines()[0]
    assert len(rows) > 40
    for row in rows:
        back = parse_length(row["notation"], units if units != "ft-in" else "in")
        assert abs(back - float(row["offset"])) <= half + 5e-5


def test_spacing_and_line_must_be_given():
    job = job_for(waterlines=float("nan"), buttocks=float("nan"))
    with pytest.raises(LoftError) as caught:
        offset_table(round_section(600.0), job)
    assert [f.column for f in caught.value.findings] == ["offsets.waterlines", "offsets.buttocks"]
    with pytest.raises(LoftError, match="inner found, mould or flange wanted"):
        offset_table(round_section(600.0), job_for(), of="inner")
