"""The job file: what is refused, by its words and rows."""

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jobtext import FRAMES, HEAD, put

from loft.job.errors import LoftError
from loft.job.keys import key_rows
from loft.job.schema import parse_job, read_job


def refused(folder, text, files=("tape.csv",)):
    with pytest.raises(LoftError) as refusal:
        read_job(put(folder, text, files))
    return refusal.value.findings


def only(folder, text, column, words, files=("tape.csv",)):
    """Check that one fault alone is found, at this key, in the row of that key."""
    findings = refused(folder, text, files)
    assert [finding.column for finding in findings] == [column], findings
    assert re.search(words, findings[0].text), findings[0].text
    assert "\n" not in findings[0].line()
    return findings[0]


def test_a_missing_job_file_is_refused(tmp_path):
    with pytest.raises(LoftError, match="no such file or folder found"):
        read_job(tmp_path / "other.toml")


def test_text_that_is_not_toml_is_refused_with_its_row(tmp_path):
    findings = refused(tmp_path, HEAD + "station = = 4\n")
    assert findings[0].row == 5
    assert "not TOML" in findings[0].text


def test_a_job_file_that_is_not_utf8_is_refused(tmp_path):
    path = put(tmp_path, HEAD + FRAMES)
    path.write_bytes(b'[job]\ntitle = "\xff\xfe"\n')
    with pytest.raises(LoftError, match="save it as UTF-8"):
        read_job(path)


@pytest.mark.parametrize(
    ("text", "column", "words"),
    [
        (HEAD + FRAMES + "[skin]\ngage = 0.9\n", "skin.gage", "gauge is the nearest known"),
        (HEAD + FRAMES + "[skni]\ngauge = 0.9\n", "skni", "skin is the nearest known"),
        (HEAD + FRAMES + "[[skin]]\ngauge = 0.9\n", "skin", r"a table \[skin\] wanted"),
        (HEAD + FRAMES + "[line]\nname = 'S4P'\n", "line", r"\[\[line\]\] wanted"),
        (HEAD + FRAMES + '[skin]\ngauge = "thin"\n', "skin.gauge", "thin found, a length wanted"),
        (HEAD + FRAMES + "[skin]\ngauge = true\n", "skin.gauge", "true found, a length wanted"),
        (HEAD + FRAMES + "[skin]\ngauge = -0.9\n", "skin.gauge", "more than 0 wanted"),
        (HEAD + FRAMES + "[skin]\ngauge = nan\n", "skin.gauge", "a finite length wanted"),
        (HEAD + FRAMES + "[skin]\ngauge = inf\n", "skin.gauge", "a finite length wanted"),
        (HEAD + FRAMES + "[skin]\ngauge = 2005-03-04\n", "skin.gauge", "this is a date"),
        (HEAD + FRAMES + '[skin]\ngauge = "4-12-0"\n', "skin.gauge", "12 inches, 0 to 11"),
        (HEAD + FRAMES + '[skin]\ngauge = "4-0-8"\n', "skin.gauge", "8 eighths, 0 to 7"),
        (HEAD + FRAMES + "[fair]\nrobust = 1\n", "fair.robust", "true or false wanted"),
        (HEAD + FRAMES + '[fair]\nsymmetry = "sof"\n', "fair.symmetry", "soft is the nearest"),
        (HEAD + FRAMES + "[fair]\nsettlement = [1.0, 2.0]\n", "fair.settlement", "three standard"),
        (HEAD + FRAMES + "[fair]\nsettlement = [1.0, -2.0, 0.0]\n", "fair.settlement", "0 or more"),
        (HEAD + FRAMES + "[datum]\nfrom = 'targets'\n", "datum.from", "names its targets"),
        (HEAD + FRAMES + "[block]\npins = [['S4P']]\n", "block.pins", "a line and a distance"),
        (HEAD + FRAMES + "[block]\noverbend_deg = '2'\n", "block.overbend_deg", "a number wanted"),
        (HEAD + FRAMES + "[break]\nstation = 1.0\n", "break", r"\[\[break\]\] wanted"),
        (HEAD + FRAMES + "[[break]]\nreason = 'x'\n", "break[1].station", "station wanted"),
        (HEAD.replace('"mm"', '"cm"') + FRAMES, "job.units", "mm or in wanted"),
        (HEAD.replace("title", "titel") + FRAMES, "job.titel", "title is the nearest known"),
        (HEAD + "date = '1938-05-14'\n" + FRAMES, "job.date", "a date without quotes"),
        (HEAD + "date = 1938-05-14T10:00:00\n" + FRAMES, "job.date", "a date without quotes"),
        (
            HEAD + FRAMES + "[fair]\nsettlement = [1.0, 2.0, inf]\n",
            "fair.settlement",
            "finite number",
        ),
        (
            HEAD + FRAMES + "[tolerance]\nflange_angle_deg = 0\n",
            "tolerance.flange_angle_deg",
            "more than 0",
        ),
        (HEAD + FRAMES + "[frame_section]\nsplices = 'S4P'\n", "frame_section.splices", "a list"),
        (HEAD + FRAMES + "[skin]\ngauge = [0.9]\n", "skin.gauge", "list found, a length wanted"),
        (
            HEAD + FRAMES + "[frame_section]\nsplices = ['S4P', 'S4P']\n",
            "frame_section.splices",
            "twice",
        ),
        (HEAD + "revision = 1\n" + FRAMES, "job.revision", "text in quotes wanted"),
        (HEAD + 'prepared_by = "a\\nb"\n' + FRAMES, "job.prepared_by", "one line of text"),
    ],
)
def test_a_key_at_fault_is_named_with_its_row(tmp_path, text, column, words):
    findings = [finding for finding in refused(tmp_path, text) if finding.column == column]
    assert len(findings) == 1, refused(tmp_path, text)
    assert re.search(words, findings[0].text), findings[0].text
    key = re.split(r"[.\[]", column)[-1] if "." in column else column
    line = text.splitlines()[findings[0].row - 1]
    assert key in line or line.startswith("[["), (findings[0], line)


def test_several_faults_are_told_in_one_go_by_row(tmp_path):
    text = (
        HEAD
        + FRAMES
        + '[skin]\ngauge = 0\n[[survey]]\nfile = "gone.csv"\nsigma = -1\nface = "skin"\npas = 2\n'
    )
    findings = refused(tmp_path, text)
    assert [finding.column for finding in findings] == [
        "skin.gauge",
        "survey[1].file",
        "survey[1].sigma",
        "survey[1].face",
        "survey[1].pas",
    ]
    assert [finding.row for finding in findings] == [21, 23, 24, 25, 26]
    assert all(finding.file.endswith("job.toml") for finding in findings)


def test_bare_lengths_in_a_job_without_units_are_refused(tmp_path):
    text = HEAD.replace('units = "mm"\n', "") + FRAMES
    fault = only(tmp_path, text, "frame[1].station", "a length with its unit wanted")
    assert "4 more bare lengths" in fault.text
    assert 'units = "mm"' in fault.text


def test_a_job_without_units_may_give_every_length_its_own(tmp_path):
    text = HEAD.replace('units = "mm"\n', "") + re.sub(
        r"station = ([\d.]+)", r'station = "\1 mm"', FRAMES
    )
    job = read_job(put(tmp_path, text + '[[survey]]\nfile = "tape.csv"\n'))
    assert job.frames[0].station == 4420.0
    assert job.surveys[0].unit == ""


def frames_with(extra, count=13):
    return FRAMES.replace(f'name = "F{count}"', f'name = "F{count}"\n{extra}')


def test_a_missing_frame_out_of_the_schedule_is_refused(tmp_path):
    text = HEAD.replace("F14", "F41") + FRAMES
    only(tmp_path, text, "job.missing", "frame F41 found, .* F14 is the nearest known")


def test_a_missing_frame_that_is_called_sound_is_refused(tmp_path):
    only(tmp_path, HEAD + frames_with('status = "sound"', 14), "frame[5].status", "missing names")


def test_duplicate_frames_are_refused_with_both_rows(tmp_path):
    text = HEAD + FRAMES + '[[frame]]\nname = "f11"\nstation = 9000.0\n'
    fault = only(tmp_path, text, "frame[6].name", "f11 found again, it stands already in row 9")
    assert fault.row == 21


def test_two_frames_in_one_plane_are_refused(tmp_path):
    text = HEAD + FRAMES + '[[frame]]\nname = "F16"\nstation = 6340.0\n'
    only(tmp_path, text, "frame[6].station", "the same plane as frame F15")


def test_a_cant_without_its_pivot_is_refused(tmp_path):
    only(tmp_path, HEAD + frames_with("cant = 2.0"), "frame[4].pivot_wl", "beside a cant")
    assert read_job(put(tmp_path, HEAD + frames_with("cant = 0.0"))).frames[2].cant == 0.0
    assert read_job(put(tmp_path, HEAD + frames_with("cant = 2.0\npivot_wl = 0.0")))


def test_a_cant_beyond_sixty_degrees_is_refused(tmp_path):
    text = HEAD + frames_with("cant = 61.0\npivot_wl = 0.0")
    only(tmp_path, text, "frame[4].cant", "-60 to 60 wanted")


def test_fewer_than_four_frames_besides_the_missing_are_refused(tmp_path):
    text = HEAD + frames_with('status = "missing"')
    only(tmp_path, text, "frame[1]", "3 frames besides the missing found, 4 or more wanted")


@pytest.mark.parametrize("name", ["../F13", "F13/x", "F13:S4P", "", "F13,", ".F13", "-F13", "F13."])
def test_a_frame_name_that_cannot_name_a_folder_is_refused(tmp_path, name):
    text = HEAD + FRAMES.replace('"F13"', f'"{name}"')
    columns = [finding.column for finding in refused(tmp_path, text)]
    assert "frame[4].name" in columns


@pytest.mark.parametrize(
    ("text", "column", "words"),
    [
        ('name = "S4P"\nside = "starboard"', "line[1].side", "port wanted .* by its last letter"),
        ('name = "S4S"\nside = "port"', "line[1].side", "starboard wanted"),
        (
            'name = "CROWN"\nside = "port"',
            "line[1].side",
            "centre wanted for line CROWN by a crown",
        ),
        ('name = "KEEL"\nkind = "crown"', "line[1].kind", "keel wanted for line KEEL"),
        ('name = "DL"', "line[1].side", "the side of line DL wanted"),
        ('name = "C1P"\nkind = "chine"\nchine = false', "line[1].chine", "of kind chine"),
        ('kind = "chine"', "line[1].name", "name wanted"),
        ('name = "CROWN"\n[[line]]\nname = "TOP"\nkind = "crown"', "line[2].kind", "second crown"),
        ('name = "S4P"\n[[line]]\nname = "S4P"', "line[2].name", "found again"),
    ],
)
def test_a_line_that_contradicts_itself_is_refused(tmp_path, text, column, words):
    only(tmp_path, HEAD + FRAMES + f"[[line]]\n{text}\n", column, words)


def test_files_that_are_not_there_are_refused(tmp_path):
    text = HEAD + FRAMES + '[[survey]]\nfile = "gone.csv"\n'
    only(tmp_path, text, "survey[1].file", "gone.csv found: no such file")
    (tmp_path / "gone.csv").mkdir()
    only(tmp_path, text, "survey[1].file", "gone.csv found: a folder")


def test_one_file_as_two_sets_is_refused_unless_it_is_another_pass(tmp_path):
    text = HEAD + FRAMES + '[[survey]]\nfile = "tape.csv"\n' * 2
    only(tmp_path, text, "survey[2].file", r"tape.csv found again, .* \(row 20\)")
    other = text.replace('"tape.csv"', '"./tape.csv"', 1)
    only(tmp_path, other, "survey[2].file", r"tape.csv found again, .* \(row 20\)")
    assert len(read_job(put(tmp_path, text + "pass = 2\n")).surveys) == 2


@pytest.mark.parametrize(
    ("value", "words"), [("1.5", "a whole number"), ("0", "1 or more"), ("true", "a whole")]
)
def test_a_pass_is_a_whole_number_from_one(tmp_path, value, words):
    text = HEAD + FRAMES + f'[[survey]]\nfile = "tape.csv"\npass = {value}\n'
    only(tmp_path, text, "survey[1].pass", words)


@pytest.mark.parametrize("key", ["units", "sigma", "face"])
def test_a_scan_states_its_unit_sigma_and_face(tmp_path, key):
    cloud = 'file = "tape.csv"\nunits = "m"\nsigma = 0.8\nface = "skin_inner"\n'
    text = HEAD + FRAMES + "[[cloud]]\n" + re.sub(rf"{key} = .*\n", "", cloud)
    only(tmp_path, text, f"cloud[1].{key}", f"{key} wanted")


@pytest.mark.parametrize(
    ("text", "column", "words"),
    [
        ('frames = ["F13"]\nuse = false', "damage[1].reason", "reason wanted"),
        ('frames = ["F13"]\nuse = false\nreason = " "', "damage[1].reason", "empty text found"),
        ('use = false\nreason = "x"', "damage[1]", "no selector found"),
        ('frames = ["F13"]\nreason = "x"', "damage[1]", "sigma = ... or use = false wanted"),
        ('frames = ["F13"]\nuse = true\nreason = "x"', "damage[1]", "sigma = ... or use = false"),
        (
            'frames = ["F13"]\nuse = false\nsigma = 1\nreason = "x"',
            "damage[1].sigma",
            "one of them",
        ),
        ('frames = ["F31"]\nuse = false\nreason = "x"', "damage[1].frames", "F13 is the nearest"),
        ('rows = ["tape.csv"]\nuse = false\nreason = "x"', "damage[1].rows", "a file and a row"),
        ('rows = ["tape.csv:0"]\nuse = false\nreason = "x"', "damage[1].rows", "a file and a row"),
        ('rows = ["tap.csv:3"]\nuse = false\nreason = "x"', "damage[1].rows", "tape.csv is the"),
        ('girth = [9, 4]\nuse = false\nreason = "x"', "damage[1].girth", "the lesser first"),
        ('stations = [9, 4]\nuse = false\nreason = "x"', "damage[1].stations", "the lesser first"),
        ('frames = []\nuse = false\nreason = "x"', "damage[1].frames", "1 or more wanted"),
    ],
)
def test_a_damage_entry_without_sense_is_refused(tmp_path, text, column, words):
    survey = '[[survey]]\nfile = "tape.csv"\n'
    findings = refused(tmp_path, HEAD + FRAMES + survey + f"[[damage]]\n{text}\n")
    assert column in [finding.column for finding in findings]
    assert any(re.search(words, finding.text) for finding in findings), findings


@pytest.mark.parametrize(
    ("text", "column", "words"),
    [
        ('frame = "F99"\nkind = "arc"', "drawing[1].frame", "frame F99 found"),
        ('frame = "F14"\nkind = "curve"', "drawing[1].kind", "tangent_point wanted"),
        ('frame = "F14"\nkind = "top"', "drawing[1].value", "value wanted for a top"),
        ('frame = "F14"\nkind = "half_breadth"\nvalue = 1', "drawing[1].at_wl", "at_wl wanted"),
        ('frame = "F14"\nkind = "arc"\nradius = 0', "drawing[1].radius", "a radius wanted"),
    ],
)
def test_a_fact_that_says_nothing_is_refused(tmp_path, text, column, words):
    only(tmp_path, HEAD + FRAMES + f"[[drawing]]\n{text}\n", column, words)


def test_a_lap_on_an_unknown_frame_is_refused(tmp_path):
    text = HEAD + FRAMES + '[[lap]]\ngirth = [1, 2]\nframes = ["F99"]\nextra = 0.9\n'
    only(tmp_path, text, "lap[1].frames", "frame F99 found")


def test_a_job_file_that_cannot_be_read_is_refused(tmp_path):
    (tmp_path / "job.toml").mkdir()
    with pytest.raises(LoftError, match="cannot be read"):
        read_job(tmp_path)


def test_brackets_without_end_are_refused(tmp_path):
    fault = refused(tmp_path, "a = " + "[" * 100_000)[0]
    assert "brackets without end" in fault.text


def test_figures_beyond_all_measure_are_refused(tmp_path):
    huge = "9" * 400
    only(tmp_path, HEAD + FRAMES + f"[skin]\ngauge = {huge}\n", "skin.gauge", "finite length")
    text = HEAD + FRAMES + f"[block]\noverbend_deg = {huge}\n"
    only(tmp_path, text, "block.overbend_deg", "finite number")
    text = HEAD + FRAMES + f'[skin]\ngauge = "{huge}-0-0"\n'
    only(tmp_path, text, "skin.gauge", "9... found, a length wanted")


def faults_of(text):
    """Return the findings of a text; any other exception than a refusal fails the test."""
    try:
        parse_job(text, Path("job.toml"))
    except LoftError as refusal:
        return refusal.findings
    return ()


PIECES = st.sampled_from(
    ["[", "]", "[[frame]]", "[job]", "name", "station", " = ", '"', "'", "\n", "#", "4-3-5", "1e9"]
    + ["{", "}", ",", "\\", '"""', "nan", "1938-05-14", "true", "ä", "\0", "[[survey]]", "file"]
)


@settings(derandomize=True, max_examples=300, deadline=None)
@given(st.lists(PIECES, max_size=40).map("".join))
def test_any_text_is_a_job_or_is_refused(text):
    key_rows(text)
    assert all("\n" not in finding.line() for finding in faults_of(text))


@settings(derandomize=True, max_examples=300, deadline=None)
@given(st.lists(PIECES, max_size=40).map("".join))
def test_any_text_behind_a_sound_job_is_read_or_refused(text):
    assert all("\n" not in finding.line() for finding in faults_of(HEAD + FRAMES + text))
