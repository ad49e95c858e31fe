"""The job file: what it gives."""

import dataclasses
import math
import re
from pathlib import Path

import pytest
from jobtext import FRAMES, HEAD, put

from loft.job.keys import Log, key_rows
from loft.job.known import REPEATED, SINGLE
from loft.job.schema import given_name, parse_job, read_job

FULL = """
[job]
title = "Corncrake frame 14"
units = "mm"
missing = ["F14"]
revision = "A"
date = 1938-05-14
prepared_by = "the mail hangar"
[[frame]]
name = "F14"
station = "19-0-4"
[[frame]]
name = "F11"
station = 4420.0
status = "suspect"
station_sigma = 2.0
stands = "inside_stringers"
touch = 10.0
[[frame]]
name = "F12"
station = 4900.0
cant = 5.0
pivot_wl = "200 mm"
[[frame]]
name = "F13"
station = 5380.0
[[frame]]
name = "F15"
station = 6340.0
[skin]
gauge = 0.9
[stringer]
depth = 22.0
width = 19.0
[[line]]
name = "DL"
kind = "longeron"
side = "port"
[[line]]
name = "S9S"
chine = true
[[line]]
name = "CROWN"
[[lap]]
girth = [-100.0, 900.0]
frames = ["F13"]
extra = 0.9
[[survey]]
file = "tape.csv"
sigma = 1.5
face = "frame_flange"
units = "in"
pass = 2
[[survey]]
file = "more.csv"
[[ties]]
file = "ties.csv"
units = "mm"
sigma = 2.0
face = "skin_inner"
[[cloud]]
file = "bay.ply"
units = "m"
sigma = 0.8
face = "skin_inner"
targets = "targets.csv"
stringers = false
fit_to = "tape"
[[damage]]
frames = ["F13"]
lines = ["S4P"]
stations = [5200.0, 5800.0]
girth = [400.0, 1100.0]
rows = ["tape.csv:31"]
sigma = 8.0
reason = "crushed starboard side"
[[damage]]
lines = ["S4P"]
use = false
reason = "patched"
[[break]]
station = 7200.0
reason = "start of taper"
[[break]]
station = 4000.0
[datum]
from = "targets"
[fair]
symmetry = "exact"
settlement = [3.0, "2 mm", 0.2]
robust = false
arcs = false
extrapolate = true
[[drawing]]
frame = "F14"
kind = "arc"
arc = "side"
radius = 5200.0
sigma = 1.0
centre_bl = 10.0
centre_wl = 20.0
sweep_deg = 90.0
length = 100.0
at_wl = 5.0
value = 6.0
side = "port"
[frame_section]
stands = "on_skin"
gauge = 1.2
alloy = "2024-T3"
flange = 19.0
flange_faces = "aft"
web_depth = 75.0
bend_radius = 4.0
splices = ["CROWN", "S9S", "KEEL", "S9P"]
inner_flange = 16.0
inner_flange_faces = "forward"
inner_angle = 80.0
rivet_line = 9.5
trim = 6.0
bend_table = "table"
bend_constant = "constant"
strain_limit = [0.03, 0.05]
lightening = [["S4S+60", 40.0, 30.0]]
[offsets]
waterlines = 100.0
buttocks = 50.0
of = "flange"
[cutout]
clearance = 1.5
corner_radius = 4.0
[splice]
type = "plate"
lap = 60.0
rivet = 3.2
[block]
margin = 10.0
base = 20.0
pins = [["S4P", 30.0]]
pin_diameter = 4.8
overbend_deg = 2.0
board = 18.0
follower = 12.0
[tolerance]
mould_line = 1.0
flange_angle_deg = 1.0
hole = 0.3
"""


def test_every_key_arrives_in_mm_and_radians(tmp_path):
    job = read_job(put(tmp_path, FULL))
    assert (job.title, job.unit, job.missing, job.revision) == (
        "Corncrake frame 14",
        "mm",
        ("F14",),
        "A",
    )
    assert job.date.isoformat() == "1938-05-14"
    assert [frame.name for frame in job.frames] == ["F11", "F12", "F13", "F14", "F15"]
    f11, f12, _, f14, _ = job.frames
    assert (f11.status, f11.station_sigma, f11.stands, f11.touch) == (
        "suspect",
        2.0,
        "inside_stringers",
        10.0,
    )
    assert (f12.cant, f12.pivot_wl, f12.stands) == (math.radians(5.0), 200.0, "on_skin")
    assert (f14.station, f14.status) == (pytest.approx(19 * 304.8 + 12.7, abs=1e-9), "missing")
    assert (job.skin_gauge, job.stringer_depth, job.stringer_width) == (0.9, 22.0, 19.0)
    assert [(line.name, line.kind, line.side, line.chine) for line in job.lines] == [
        ("DL", "longeron", "port", False),
        ("S9S", "stringer", "starboard", True),
        ("CROWN", "crown", "centre", False),
    ]
    assert (job.laps[0].girth, job.laps[0].extra) == ((-100.0, 900.0), 0.9)
    tape, more = job.surveys
    assert (tape.file, tape.sigma, tape.face, tape.unit, tape.pass_no) == (
        tmp_path / "tape.csv",
        1.5,
        "frame_flange",
        "in",
        2,
    )
    assert (math.isnan(more.sigma), more.face, more.unit, more.pass_no) == (True, "", "mm", 1)
    assert (job.ties[0].sigma, job.ties[0].unit) == (2.0, "mm")
    assert (job.clouds[0].unit, job.clouds[0].targets) == ("m", tmp_path / "targets.csv")
    first, second = job.damages
    assert (first.stations, first.girth, first.rows) == (
        (5200.0, 5800.0),
        (400.0, 1100.0),
        ("tape.csv:31",),
    )
    assert (first.sigma, first.use, second.use, math.isnan(second.sigma)) == (
        8.0,
        True,
        False,
        True,
    )
    assert [item.station for item in job.breaks] == [4000.0, 7200.0]
    assert job.datum_from == "targets"
    assert job.fair.settlement == (3.0, 2.0, math.radians(0.2))
    assert (job.fair.symmetry, job.fair.robust, job.fair.extrapolate) == ("exact", False, True)
    assert not job.fair.arcs
    fact = job.facts[0]
    assert (fact.radius, fact.sweep, fact.side) == (5200.0, math.radians(90.0), "port")
    section = job.frame_section
    assert (section.web_depth, section.inner_angle) == (75.0, math.radians(80.0))
    assert section.splices == ("CROWN", "S9S", "KEEL", "S9P")
    assert section.strain_limit == (0.03, 0.05)
    assert section.lightening == (("S4S+60", 40.0, 30.0),)
    shop = job.shop
    assert (shop.waterlines, shop.buttocks, shop.offsets_of) == (100.0, 50.0, "flange")
    assert (shop.cutout_clearance, shop.cutout_corner_radius) == (1.5, 4.0)
    assert (shop.splice_type, shop.splice_rivet) == ("plate", 3.2)
    assert (shop.block_margin, shop.block_base, shop.block_board) == (10.0, 20.0, 18.0)
    assert shop.block_follower == 12.0
    assert shop.block_pins == (("S4P", 30.0),)
    assert shop.block_overbend == math.radians(2.0)
    assert (shop.tolerance_mould_line, shop.tolerance_hole) == (1.0, 0.3)
    assert shop.tolerance_flange_angle == math.radians(1.0)


def test_the_full_example_gives_every_key_that_is_known():
    rows = key_rows(FULL)
    for table, spec in {**SINGLE, **REPEATED}.items():
        for key in spec:
            places = [f"{table}.{key}"] + [f"{table}[{count}].{key}" for count in range(1, 6)]
            assert any(place in rows for place in places), (table, key)


def test_what_is_not_given_stays_unknown(tmp_path):
    job = read_job(put(tmp_path, HEAD + FRAMES))
    for record in (job.shop, job.frame_section):
        for item in dataclasses.fields(record):
            value = getattr(record, item.name)
            if isinstance(value, float) and item.name != "inner_angle":
                assert math.isnan(value), item.name
    assert math.isnan(job.skin_gauge)
    assert job.frames[0].stands == ""


def test_a_job_in_inches_is_the_same_job(tmp_path):
    inches = HEAD.replace('"mm"', '"in"') + re.sub(
        r"station = ([\d.]+)", lambda match: f"station = {float(match[1]) / 25.4!r}", FRAMES
    )
    here = read_job(put(tmp_path, inches))
    there = read_job(put(tmp_path, HEAD + FRAMES))
    for one, two in zip(here.frames, there.frames, strict=True):
        assert one.station == pytest.approx(two.station, abs=1e-9)  # float64 at metres


def test_the_folder_stands_for_its_job_file(tmp_path):
    put(tmp_path, HEAD + FRAMES)
    assert read_job(str(tmp_path)).path == tmp_path / "job.toml"


def test_a_byte_order_mark_and_crlf_change_nothing(tmp_path):
    path = put(tmp_path, HEAD + FRAMES)
    path.write_bytes(b"\xef\xbb\xbf" + (HEAD + FRAMES).replace("\n", "\r\n").encode())
    assert [frame.station for frame in read_job(path).frames] == [
        4420.0,
        4900.0,
        5380.0,
        5860.0,
        6340.0,
    ]


def test_a_file_keeps_the_name_that_the_job_gave(tmp_path):
    (tmp_path / "day 1").mkdir()
    text = HEAD + FRAMES + '[[survey]]\nfile = "day 1/tape.csv"\n'
    job = read_job(put(tmp_path, text, ("day 1/tape.csv",)))
    assert given_name(job, job.surveys[0].file) == "day 1/tape.csv"


def test_rows_are_found_past_long_values():
    text = (
        "[job]\n"
        'missing = [  # ]\n  "F[1",\n  "F2",\n]\n'
        'title = """\n[frame]\nname = 1\n"""\n'
        "[[frame]]\n'name' = 'a'\n[[frame]]\nname='b'\n"
    )
    rows = key_rows(text)
    assert rows == {
        "job": 1,
        "job.missing": 2,
        "job.title": 6,
        "frame[1]": 10,
        "frame[1].name": 11,
        "frame[2]": 12,
        "frame[2].name": 13,
    }


@pytest.mark.parametrize("key", ["", ".", "[", "[x]", "a[1", "..", "]"])
def test_the_row_of_a_key_of_any_letters_is_its_table(key):
    """A damaged file may hold a key without a name; the search for its row must end."""
    log = Log(file="job.toml", rows={"survey[3]": 110})
    assert log.row(f"survey[3].{key}") == 110
    assert log.row(f"tie.{key}") == 0


def test_text_and_file_give_the_same_job(tmp_path):
    path = put(tmp_path, FULL)
    assert dataclasses.astuple(read_job(path))[:5] == dataclasses.astuple(parse_job(FULL, path))[:5]


def test_the_page_on_the_job_file_knows_every_key():
    page = (Path(__file__).parents[2] / "docs" / "job-file.md").read_text(encoding="utf-8")
    words = set(re.findall(r"`(?:\[+)?([a-z_]+)(?:\]+)?`", page))
    for table, spec in {**SINGLE, **REPEATED}.items():
        assert {table, *spec} <= words, (table, {table, *spec} - words)


def test_the_example_of_the_page_is_a_job(tmp_path):
    page = (Path(__file__).parents[2] / "docs" / "job-file.md").read_text(encoding="utf-8")
    example = re.search(r"```toml\n(.*?)```", page, re.DOTALL)[1]
    assert read_job(put(tmp_path, example)).missing == ("F14",)
