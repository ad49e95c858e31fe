"""One survey table: what its rows mean, and what is refused."""

import math
import re
from pathlib import Path

import numpy as np
import pytest
from hangar import HEADER, JOB, STATIONS, TAPE, put, rows
from hypothesis import given, settings
from hypothesis import strategies as st

from loft.job.errors import LoftError
from loft.job.records import Frame, SurveySet
from loft.job.schema import parse_job, read_job
from loft.survey.tables import face_depth, read_table, station_on

ROW = "F11,S4P,,-600.0,210.5"


def job_with(extra="", text=JOB):
    return parse_job(text + extra, Path("job.toml"))


def tape(unit="mm", sigma=1.5, face="skin_outer", pass_no=1):
    return SurveySet(file=Path("tape.csv"), sigma=sigma, face=face, unit=unit, pass_no=pass_no)


def read(*lines, header=HEADER, job=None, **options):
    source = "\n".join([header, *lines]) + "\n"
    return read_table(job or job_with(), tape(**options), source=source)


def refused(source, job=None, **options):
    with pytest.raises(LoftError) as refusal:
        read_table(job or job_with(), tape(**options), source=source)
    for finding in refusal.value.findings:
        assert finding.file == "tape.csv"
        assert "\n" not in finding.line()
    return refusal.value.findings


def only(line, words, *, column, header=HEADER, job=None, **options):
    """Check that one fault alone is found, in row 3, and that the row before is sound."""
    findings = refused(f"{header}\n{ROW}\n{line}\n", job, **options)
    assert [(finding.row, finding.column) for finding in findings] == [(3, column)], findings
    assert re.search(words, findings[0].text), findings[0].text


# what a row means


def test_a_frame_alone_is_read_at_its_heel_plane():
    (reading,) = read("F12,S4P,,-600.0,210.5")
    assert (reading.frame, reading.line, reading.station) == ("F12", "S4P", STATIONS["F12"])
    assert (reading.bl, reading.wl, reading.sigma) == (-600.0, 210.5, 1.5)
    assert (reading.source, reading.row, reading.depth) == ("tape.csv", 2, 0.0)


def test_a_frame_alone_is_read_where_its_flange_was_touched():
    job = job_with(text=JOB.replace('name = "F12"', 'name = "F12"\ntouch = 10.0'))
    assert read("F12,S4P,,-600.0,210.5", job=job)[0].station == STATIONS["F12"] + 10.0
    # both given: taken at that station, the touch is not added
    assert read("F12,S4P,4912.5,-600.0,210.5", job=job)[0].station == 4912.5


def test_a_canted_frame_moves_the_station_with_the_waterline():
    """cant 5 deg, 20 above the pivot: 1.7498 aft, by geometry x = s + (wl - pivot) tan c."""
    frame = Frame(name="F", station=0.0, cant=math.radians(5.0), pivot_wl=100.0)
    assert station_on(frame, 120.0) == pytest.approx(1.7498, abs=5e-5)  # the digits printed
    assert station_on(frame, 80.0) == pytest.approx(-1.7498, abs=5e-5)
    assert math.isnan(station_on(frame, math.nan))


def test_a_canted_frame_without_waterline_has_no_known_station():
    job = job_with(text=JOB.replace('name = "F12"', 'name = "F12"\ncant = 5.0\npivot_wl = 0.0'))
    assert math.isnan(read("F12,S4P,,-600.0,", job=job)[0].station)


def test_a_station_alone_lies_between_frames():
    (reading,) = read(",S4P,5100.0,-600.0,210.5")
    assert (reading.frame, reading.station) == ("", 5100.0)


def test_a_coordinate_that_was_not_read_stays_unknown():
    half, height = read("F11,S4P,,-600.0,", "F11,S5P,,,210.5")
    assert math.isnan(half.wl)
    assert math.isnan(height.bl)


def test_a_row_may_have_its_own_sigma_and_face():
    header = "note,sigma,face,wl,bl,station,line,frame"
    own, other = read("rivet,0.5,skin_inner,210.5,-600,,S4P,F11", ",,,1,2,,,F11", header=header)
    assert (own.sigma, own.face, own.depth, own.note) == (0.5, "skin_inner", 0.9, "rivet")
    assert (other.sigma, other.face, other.depth) == (1.5, "skin_outer", 0.0)


@pytest.mark.parametrize(
    ("face", "stands", "depth"),
    [
        ("skin_outer", "on_skin", 0.0),
        ("skin_inner", "on_skin", 0.9),
        ("stringer_inner", "on_skin", 22.9),
        ("frame_flange", "on_skin", 0.9),
        ("frame_flange", "inside_stringers", 22.9),
    ],
)
def test_depth_of_a_face_inside_the_mould_line(face, stands, depth):
    frame = Frame(name="F", station=0.0, stands=stands)
    assert face_depth(job_with(), face, frame=frame) == pytest.approx(depth, abs=1e-12)


def test_a_frame_stands_its_own_way_before_that_of_the_part():
    job = job_with(text=JOB.replace('name = "F12"', 'name = "F12"\nstands = "inside_stringers"'))
    here, there = read("F11,S4P,,-1,2", "F12,S4P,,-1,2", job=job, face="frame_flange")
    assert (here.depth, there.depth) == (0.9, 22.9)


def test_lengths_in_any_notation():
    cells = ["F11,S4P,,-4-3-5,1311.3 mm", 'F11,S5P,,-51.625 in,"4\' 3 5/8"""', "F11,S6P,,-1.3,4'"]
    first, second, third = read(*cells, unit="m")
    assert first.bl == second.bl == pytest.approx(-1311.275, abs=1e-9)
    assert (first.wl, third.bl, third.wl) == (1311.3, -1300.0, 1219.2)
    assert second.wl == pytest.approx(1311.275, abs=1e-9)


def test_an_inch_mark_without_quotes_is_read():
    assert read('F11,S4P,,-600,51 5/8"')[0].wl == pytest.approx(1311.275, abs=1e-9)


def plain(readings):
    return sorted((one.frame, one.line, one.station, one.bl, one.wl, one.depth) for one in readings)


def test_order_of_rows_and_columns_comments_bom_and_crlf_change_nothing(tmp_path):
    job = read_job(put(tmp_path))
    sound = plain(read_table(job, job.surveys[0]))
    lines = rows()
    turned = ["wl,bl,frame,station,line"]
    for line in reversed(lines):
        frame, label, station, bl, wl = line.split(",")
        turned.append(f"{wl}, {bl} ,{frame},{station},{label}")
    for text in (
        "\n".join(turned),
        "# the tape's zero is 2 mm short, \"see\n\n" + "\n".join([HEADER, *lines, "", ",,,,"]),
        "\r\n".join([HEADER, *lines, ""]),
        "\r".join([HEADER, *lines, ""]),
    ):
        (tmp_path / "tape.csv").write_bytes(b"\xef\xbb\xbf" + text.encode())
        assert plain(read_table(job, job.surveys[0])) == sound


def test_the_unit_of_a_table_changes_nothing_but_its_figures(tmp_path):
    job = read_job(put(tmp_path))
    sound = np.array([[one.bl, one.wl] for one in read_table(job, job.surveys[0])])
    for unit, mm in (("m", 1000.0), ("in", 25.4), ("ft", 304.8)):
        put(tmp_path, rows(unit=mm), job=JOB + TAPE + f'units = "{unit}"\n')
        job = read_job(tmp_path)
        here = np.array([[one.bl, one.wl] for one in read_table(job, job.surveys[0])])
        # nine decimals of a metre are 1e-6 mm
        assert np.abs(here - sound).max() < 1e-6


def test_row_numbers_are_those_of_the_file():
    source = f"# mm\n\n{HEADER}\n# next\n{ROW}\n\n,,,,\nF12,S4P,,-1,2\n"
    assert [one.row for one in read_table(job_with(), tape(), source=source)] == [5, 8]


def test_further_columns_are_handed_on_to_who_asks_for_them():
    source = f"{HEADER},kind\n{ROW},angle\n"
    (reading,) = read_table(job_with(), tape(), source=source, also=("kind",))
    assert reading.more == {"kind": "angle"}
    assert "unknown column kind" in refused(source)[0].text


# the table as a whole is refused


def test_a_missing_table_is_refused(tmp_path):
    job = read_job(put(tmp_path))
    (tmp_path / "tape.csv").unlink()
    with pytest.raises(LoftError, match=r"tape\.csv: no such file found"):
        read_table(job, job.surveys[0])


def test_a_table_that_cannot_be_read_is_refused(tmp_path):
    job = read_job(put(tmp_path))
    (tmp_path / "tape.csv").unlink()
    (tmp_path / "tape.csv").mkdir()
    with pytest.raises(LoftError, match=r"tape\.csv: cannot be read"):
        read_table(job, job.surveys[0])


def test_a_cell_without_end_is_refused():
    only("F12,S4P,,-600," + "2" * 200_000, "not CSV", column="")


@pytest.mark.parametrize("source", ["", "\n\n", "# only words\n"])
def test_an_empty_table_is_refused(source):
    (fault,) = refused(source)
    assert "an empty table found, the header frame,line,station,bl,wl wanted" in fault.text


def test_a_header_without_rows_is_refused():
    (fault,) = refused(HEADER + "\n# nothing\n")
    assert "a header without rows found" in fault.text


@pytest.mark.parametrize(("sign", "word"), [(";", "semicolons"), ("\t", "tabs"), ("|", "bars")])
def test_a_wrong_delimiter_is_refused_by_name(sign, word):
    (fault,) = refused(f"{HEADER}\n{ROW}\n".replace(",", sign))
    assert f"{word} found between the columns, commas wanted" in fault.text
    assert fault.row == 1


def test_a_missing_column_is_refused():
    (fault,) = refused("frame,line,station,bl\nF11,S4P,,-600\n")
    assert (fault.row, fault.column) == (1, "wl")
    assert "no column wl found" in fault.text


def test_a_misspelt_column_is_refused_with_the_nearest_name():
    findings = refused("frame,line,staton,bl,wl\n" + ROW + "\n")
    assert [finding.column for finding in findings] == ["staton", "station"]
    assert "unknown column staton found; station is the nearest known" in findings[0].text


def test_a_column_twice_or_without_a_name_is_refused():
    findings = refused(HEADER + ",bl,\n" + ROW + ",1,\n")
    assert [finding.text for finding in findings] == [
        "column bl found twice, once wanted",
        "column 7 without a name found, a name wanted",
    ]


def test_a_table_that_is_no_utf8_text_is_refused(tmp_path):
    job = read_job(put(tmp_path))
    for content, words in (
        (f"{HEADER}\n{ROW}".encode("utf-16"), "not UTF-8"),
        (f"{HEADER}\n{ROW}\nF12,S4P\xe9".encode("latin-1"), "tape.csv:3: not UTF-8"),
        (f"{HEADER}\n{ROW}".encode("utf-16-be"), "zero bytes found"),
    ):
        (tmp_path / "tape.csv").write_bytes(content)
        with pytest.raises(LoftError, match=words):
            read_table(job, job.surveys[0])


# single rows are refused


@pytest.mark.parametrize(
    ("line", "column", "words"),
    [
        ("F12,S4P,,about 600,210", "bl", "about 600 found, a length wanted"),
        ("F12,S4P,,-600,nan", "wl", "nan found, a finite length wanted"),
        ("F12,S4P,,-inf,210", "bl", "-inf found, a finite length wanted"),
        ("F12,S4P,,NaN,210", "bl", "a finite length wanted"),
        ("F12,S4P,,-600,2005-03-04", "wl", "this is a date, as a spreadsheet"),
        ("F12,S4P,,-600,4/3/05", "wl", "this is a date"),
        ("F12,S4P,,-4-12-0,210", "bl", "12 inches, 0 to 11 wanted"),
        ("F12,S4P,,-4-3-8,210", "bl", "8 eighths, 0 to 7 wanted"),
        ("F12,S4P,,-600,100-200", "wl", "reads as a range"),
        ("F12,S4P,inf,-600,210", "station", "a finite length wanted"),
        ("F12,S4P,,600,210", "bl", "600 found for line S4P, a port point at negative bl"),
        ("F12,S4S,,-600,210", "bl", "-600 found for line S4S, a starboard point at positive bl"),
        ("F99,S4P,,-600,210", "frame", "frame F99 found, a frame of the job wanted"),
        (",S4P,,-600,210", "frame", "neither frame nor station found"),
        ("F12,S4P,,,", "bl", "neither bl nor wl found"),
        ("F12,DL,,-600,210", "line", "line DL found: its label tells no side"),
        ("F12,S4P,,-600,210,5", "", "6 cells found, 5 wanted: a decimal comma"),
        ("F12,S4P,,-600", "", "4 cells found, 5 wanted: cut short"),
        ('F12,S4P,,-600,"210', "", "a quotation mark that is not closed"),
    ],
)
def test_a_row_at_fault_is_named(line, column, words):
    only(line, words, column=column)


def test_figures_turned_round_name_the_frame_that_was_meant():
    only("F21,S4P,,-600,210", "F12 is the nearest known", column="frame")


def test_a_line_must_lie_on_the_side_that_the_job_states():
    job = job_with('[[line]]\nname = "DL"\nkind = "longeron"\nside = "port"\n')
    assert read("F12,DL,,-600,210", job=job)[0].line == "DL"
    only("F12,DL,,600,210", "a port point at negative bl wanted", column="bl", job=job)


@pytest.mark.parametrize(
    ("cell", "words"),
    [("skin", "face skin found"), ("skin_iner", "skin_inner is the nearest known")],
)
def test_an_unknown_face_is_refused(cell, words):
    header = HEADER + ",face"
    findings = refused(f"{header}\nF12,S4P,,-600,210,{cell}\n")
    assert [(finding.row, finding.column) for finding in findings] == [(2, "face")]
    assert re.search(words, findings[0].text)


@pytest.mark.parametrize(("cell", "words"), [("0", "more than 0"), ("-1", "more than 0")])
def test_a_sigma_that_is_not_positive_is_refused(cell, words):
    (fault,) = refused(f"{HEADER},sigma\nF12,S4P,,-600,210,{cell}\n")
    assert (fault.row, fault.column) == (2, "sigma")
    assert words in fault.text


@pytest.mark.parametrize(
    ("option", "column"), [({"sigma": math.nan}, "sigma"), ({"face": ""}, "face")]
)
def test_sigma_and_face_must_be_given_somewhere(option, column):
    (fault,) = refused(f"{HEADER}\n{ROW}\nF12,S4P,,-600,210\n", **option)
    assert fault.column == column
    assert "wanted in the row or [[survey]] (and 1 more rows)" in fault.text
    assert read("F12,S4P,,-600,210,1,skin_outer", header=HEADER + ",sigma,face", **option)


def test_a_bare_length_is_refused_where_neither_job_nor_table_has_a_unit():
    (fault, second) = refused(f"{HEADER}\n{ROW}\nF12,S4P,,-600 mm,210\n", unit="")
    assert (fault.column, fault.row, second.column) == ("bl", 2, "wl")
    assert "a length without its unit found" in fault.text
    assert read("F12,S4P,,-600 mm,4-3-5", unit="")[0].bl == -600.0


@pytest.mark.parametrize(
    ("face", "gone", "words"),
    [
        ("skin_inner", "gauge = 0.9\n", "no skin gauge; gauge wanted in"),
        ("stringer_inner", "depth = 22.0\n", "no stringer depth; depth wanted in"),
        ("frame_flange", 'stands = "on_skin"\n', "what frame F11 stands on"),
    ],
)
def test_a_face_whose_depth_is_unknown_is_refused(face, gone, words):
    (fault,) = refused(f"{HEADER}\n{ROW}\n", job_with(text=JOB.replace(gone, "")), face=face)
    assert fault.column == "face"
    assert words in fault.text


def test_the_outside_of_the_skin_needs_no_gauge():
    job = job_with(text=JOB.replace("gauge = 0.9\n", ""))
    assert read(ROW, job=job)[0].depth == 0.0


def test_a_flange_without_a_frame_is_refused():
    only(",S4P,5000,-600,210", "a frame wanted whose flange", column="face", face="frame_flange")


def test_a_duplicate_reading_is_refused_with_both_rows():
    (fault,) = refused(f"{HEADER}\n{ROW}\nF12,S4P,,-1,2\nF11,S4P,,-599.0,210.5\n")
    assert fault.row == 4
    assert "F11 S4P on skin_outer found again, it stands already in tape.csv:2" in fault.text


def test_points_without_label_and_other_faces_may_repeat():
    assert len(read("F11,,,1,2", "F11,,,1,2")) == 2
    header = HEADER + ",face"
    assert len(read(ROW + ",skin_inner", ROW + ",skin_outer", header=header)) == 2


def test_all_faults_of_a_table_are_told_at_once():
    lines = ["F12,S4P,,600,210", "F99,S4P,,-1,x", ",S4P,,-1,2", "F12,S5P,,-1,2,7", ROW]
    findings = refused("\n".join([HEADER, ROW, *lines]))
    assert [(finding.row, finding.column) for finding in findings] == [
        (3, "bl"),
        (4, "frame"),
        (4, "wl"),
        (5, "frame"),
        (6, ""),
        (7, "line"),
    ]


PIECES = st.sampled_from(
    [HEADER, ROW, ",", "\n", "\r", '"', "'", "#", ";", "F12", "S4S", "-600", "4-3-5", "2005-03-04"]
    + ["nan", " ", "\t", "\x0b", "\u2028", "ä", "1e400", "-", "5/8", "skin_inner", "9" * 400]
)


@settings(derandomize=True, max_examples=300, deadline=None)
@given(st.booleans(), st.lists(PIECES, max_size=30).map("".join))
def test_any_text_is_a_table_or_is_refused(headed, text):
    source = f"{HEADER}\n{text}" if headed else text
    try:
        readings = read_table(job_with(), tape(), source=source)
    except LoftError as refusal:
        for finding in refusal.findings:
            assert 0 <= finding.row <= len(re.split("\r\n|\n|\r", source))
            assert "\n" not in finding.line()
    else:
        assert all(math.isfinite(one.station) for one in readings)
