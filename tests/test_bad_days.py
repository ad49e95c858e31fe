"""Bad days: refusals end to end, full disks, Ctrl-C, killed runs, two runs at once."""

from __future__ import annotations

import errno
import json
import os
import random
import re
import shutil
import signal
import subprocess
import time
from pathlib import Path

import pytest
import runs
import small_body
from runs import loft, started, strict

from loft.job import files
from loft.job.errors import LoftError

TAPE = small_body.table(small_body.rows())
BENCH = ("frame.csv", "template.dxf", "block.stl")


@pytest.fixture
def job(tmp_path):
    return small_body.write(tmp_path / "small")


@pytest.fixture
def done(small_job, tmp_path):
    """A copy of the small body's job with its finished run."""
    return shutil.copytree(small_job, tmp_path / "done")


def refused(*words):
    """Run a command that must be refused; return its lines."""
    done = loft(*words)
    assert done.exit_code == 2, done.output
    assert done.stdout == ""
    lines = done.stderr.splitlines()
    assert lines
    assert all(line.startswith("loft: ") for line in lines), lines
    assert len(set(lines)) == len(lines), "a fault was told twice"
    return lines


# ---- what people hand in ---------------------------------------------------------------

BAD_TABLES = {
    "empty": ("", "an empty table found"),
    "no rows": ("frame,line,station,bl,wl\n", "a header without rows found"),
    "semicolons": (TAPE.replace(",", ";"), "semicolons found between the columns, commas wanted"),
    "tabs": (TAPE.replace(",", "\t"), "tabs found between the columns, commas wanted"),
    "decimal commas": (re.sub(r"(\d)\.(\d)", r"\1,\2", TAPE), "a decimal comma?"),
    "column misspelt": (TAPE.replace("line", "lime", 1), "unknown column lime found"),
    "a word for a number": (TAPE.replace("F2,KEEL,,", "F2,KEEL,,about ", 1), "about"),
    "a date": (re.sub(r"F3,KEEL,,[^,]*", "F3,KEEL,,2005-03-04", TAPE), "2005-03-04"),
    "frame unknown": (TAPE.replace("F3,", "F33,", 1), "F33"),
    "twice": (TAPE + TAPE.splitlines()[3] + "\n", "found again"),
    "zero bytes": (TAPE + "\0", "zero bytes found"),
    "cut short": (TAPE[: len(TAPE) // 2].rsplit(",", 1)[0] + "\n", "cut short"),
    "open quotation": (TAPE.replace("F5,KEEL", 'F5,"KEEL', 1), "quotation mark"),
}


@pytest.mark.parametrize("kind", BAD_TABLES)
def test_bad_table_is_one_line_a_fault_and_2(job, kind):
    text, words = BAD_TABLES[kind]
    (job / "tape.csv").write_text(text)
    lines = refused("lift", job)
    assert any(words in line for line in lines), lines
    assert all("tape.csv" in line for line in lines), lines
    assert not (job / "out" / "points.csv").exists()
    assert not (job / "out" / "summary.json").exists()


def test_all_faults_of_job_and_tables_at_once(job):
    rows = small_body.rows()
    rows[3][3], rows[20][4], rows[40][0] = "wide", "2005-03-04", "F99"
    (job / "tape.csv").write_text(small_body.table(rows))
    lines = refused("survey", job)
    assert len(lines) == 3
    assert [line.split(": ")[1] for line in lines] == ["tape.csv:5", "tape.csv:22", "tape.csv:42"]


def test_all_faults_of_the_job_file_at_once(job):
    text = (job / "job.toml").read_text()
    text = text.replace("flange_faces", "flange_face").replace('sigma = "0.5 mm"', "sigma = -1")
    text = text.replace('file = "tape.csv"', 'file = "tap.csv"')
    (job / "job.toml").write_text(text)
    lines = refused("run", job)
    told = "\n".join(lines)
    assert "flange_face" in told
    assert "sigma" in told
    assert len(lines) >= 2


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda job: (job / "tape.csv").unlink(), "no such file"),
        (lambda job: (job / "tape.csv").write_bytes(b"\xff\xfe\x00"), "UTF-8"),
        (lambda job: (job / "job.toml").write_bytes(b""), "job"),
        (lambda job: (job / "job.toml").write_text("[job\n"), "TOML"),
        (lambda job: (job / "job.toml").unlink(), "job.toml"),
        (lambda job: ((job / "tape.csv").unlink(), (job / "tape.csv").mkdir()), "tape.csv"),
    ],
)
def test_missing_and_broken_files(job, make, words):
    make(job)
    lines = refused("fair", job)
    assert words in lines[0]


def test_mirrored_survey_is_refused_by_its_labels(job):
    rows = small_body.rows()
    for row in rows:
        row[3] = row[3][1:] if row[3].startswith("-") else "-" + row[3]
    (job / "tape.csv").write_text(small_body.table(rows))
    lines = refused("lift", job)
    assert "starboard" in " ".join(lines)
    assert "port" in " ".join(lines)
    assert not (job / "out" / "F4").exists()


def test_mirrored_survey_without_labels_is_told_to_be_unseen(job):
    rows = small_body.rows()
    for row in rows:
        row[1] = row[1] if row[1] in ("CROWN", "KEEL") else ""
    (job / "tape.csv").write_text(small_body.table(rows))
    done = loft("lift", job, "--json")
    assert done.exit_code == 0, done.output
    cautions = strict(done.stdout)["cautions"]
    assert any("without labels a mirrored survey cannot be seen" in text for text in cautions)


def test_made_part_table_is_refused_whole(done):
    part = done / "part.csv"
    for text, words in (
        ("", "an empty table"),
        ("line,bl\nS1S,3\n", "no column wl"),
        ("line,bl,wl,sigma\nS1S,x,3,0.3\nS2S,4,y,0.3\n", "x"),
    ):
        part.write_text(text)
        lines = refused("prove", done, part)
        assert words in " ".join(lines)
        assert not (done / "out" / "F4" / "prove.csv").exists()
    assert len(lines) == 2
    refused("prove", done, done / "nothing.csv")


def test_a_job_without_a_part_says_which_table_is_wanted(job):
    text = (job / "job.toml").read_text()
    (job / "job.toml").write_text(text[: text.index("[frame_section]")])
    assert "frame_section" in " ".join(refused("make", job))
    assert not (job / "out").exists(), "told before anything is computed"
    done = loft("run", job)  # does what the job has data for
    assert done.exit_code == 0, done.output
    assert "frame_section" in done.output
    assert (job / "out" / "summary.json").exists()
    assert runs.consistent(job / "out")


# ---- what was there before -------------------------------------------------------------


def test_one_reading_changed_supersedes_what_was_made(done):
    out = done / "out"
    before = runs.digests(out)
    mine = done / "notes.txt"
    mine.write_text("mine")
    (out / "mine.txt").write_text("mine too")
    rows = small_body.rows()
    rows[30][4] = f"{float(rows[30][4]) + 2.0}"
    (done / "tape.csv").write_text(small_body.table(rows))
    inputs = runs.digests(done).keys() - {f"out/{name}" for name in before}
    kept = {name: (done / name).read_bytes() for name in inputs}
    told = loft("lift", done)
    assert told.exit_code == 0
    after = runs.digests(out)
    assert after["F4/section.csv"] != before["F4/section.csv"]
    moved = {name for name in before if name.startswith("F4/")} - {
        "F4/section.csv", "F4/stringers.csv",
    }  # fmt: skip
    assert {f"F4/{name}" for name in BENCH} <= moved
    for name in moved:
        new = name.replace("F4/", "F4/superseded/")
        assert name not in after, name
        assert after[new] == before[name]
        assert f"superseded: {out / new}" in told.stdout
    assert {name: (done / name).read_bytes() for name in inputs} == kept
    assert runs.consistent(out)
    again = loft("lift", done)
    assert "superseded:" not in again.stdout
    assert runs.digests(out) == after


def test_pieces_of_other_splices_are_moved_aside(done):
    job, out = done / "job.toml", done / "out" / "F4"
    job.write_text(job.read_text().replace('["CROWN", "KEEL"]', '["CROWN", "S3S", "KEEL"]'))
    told = loft("make", done)
    assert told.exit_code == 0, told.output
    pieces = ("CROWN-S3S", "S3S-KEEL", "KEEL-CROWN")
    assert {path.name for path in out.glob("block_*")} == {
        f"block_{piece}.{form}" for piece in pieces for form in ("stl", "dxf")
    }
    assert (out / "superseded" / "block_CROWN-KEEL.stl").exists()
    assert "block_CROWN-KEEL.stl" in told.stdout
    assert not (out / "superseded" / "section.csv").exists()


def test_what_was_superseded_twice_is_kept_twice(done):
    """The second time lands beside the first; both are named and neither is lost."""
    out, rows = done / "out" / "F4", small_body.rows()
    blocks = [(out / "block_CROWN-KEEL.stl").read_bytes()]
    for turn in (1, 2):
        rows[30][4] = f"{float(rows[30][4]) + 2.0}"
        (done / "tape.csv").write_text(small_body.table(rows))
        assert loft("make", done).exit_code == 0
        blocks.append((out / "block_CROWN-KEEL.stl").read_bytes())
        assert runs.consistent(done / "out"), turn
    past = out / "superseded"
    assert blocks[0] != blocks[1] != blocks[2]
    assert (past / "block_CROWN-KEEL.stl").read_bytes() == blocks[0]
    assert (past / "block_CROWN-KEEL_2.stl").read_bytes() == blocks[1]


def test_a_part_that_cannot_be_made_is_refused_before_anything_is_written(done):
    """The bench finds it only on the section: a web deeper than the section is wide."""
    before = runs.digests(done / "out")
    rows = small_body.rows()
    rows[30][4] = f"{float(rows[30][4]) + 2.0}"
    (done / "tape.csv").write_text(small_body.table(rows))
    job = done / "job.toml"
    job.write_text(job.read_text().replace('web_depth = "60 mm"', 'web_depth = "900 mm"'))
    refused("make", done)
    refused("run", done)
    assert runs.digests(done / "out") == before
    assert runs.consistent(done / "out")


def test_a_picture_that_is_refused_leaves_no_old_one(done, monkeypatch):
    from loft.show import window

    def refuse(*anything, **told):
        raise LoftError("this machine has no OpenGL library")

    assert (done / "out" / "view.png").exists()
    monkeypatch.setattr(window, "picture", refuse)
    told = loft("run", done)
    assert told.exit_code == 0
    assert "no picture: this machine has no OpenGL library" in told.stdout
    assert not (done / "out" / "view.png").exists()
    assert runs.consistent(done / "out")


def test_inputs_of_one_name_in_two_folders_are_both_told(job):
    text = (job / "job.toml").read_text()
    for name, chosen in (("bay", slice(0, 20)), ("tail", slice(20, None))):
        (job / name).mkdir()
        (job / name / "tape.csv").write_text(small_body.table(small_body.rows()[chosen]))
    (job / "tape.csv").unlink()
    table = text[text.index("[[survey]]") : text.index("[frame_section]")]
    both = [table.replace("tape.csv", f"{name}/tape.csv") for name in ("bay", "tail")]
    (job / "job.toml").write_text(text.replace(table, "".join(both)))
    told = runs.strict(loft("fair", job, "--json").stdout)["inputs"]
    there = runs.digests(job)
    assert told == {name: there[name] for name in ("job.toml", "bay/tape.csv", "tail/tape.csv")}


@pytest.mark.parametrize("words", ["fair", "run"])
def test_survey_after_a_run_writes_the_same_files(done, words):
    """Also where a height was not read: the fairing fills it in, the survey's table does not."""
    rows = small_body.rows()
    rows[30][4] = ""
    (done / "tape.csv").write_text(small_body.table(rows))
    assert loft(words, done).exit_code == 0
    before = runs.digests(done / "out")
    assert loft("survey", done).exit_code == 0
    after = runs.digests(done / "out")
    assert after["points.csv"] == before["points.csv"]
    assert words == "fair" or after == before
    assert runs.consistent(done / "out")


def test_a_run_that_is_refused_leaves_the_last_one_whole(done):
    before = runs.digests(done / "out")
    with (done / "tape.csv").open("a") as table:
        table.write("F3,S1S,,word,3\n")
    refused("run", done)
    assert runs.digests(done / "out") == before


# ---- folders and disks -----------------------------------------------------------------


def test_out_that_is_a_file_is_refused(job):
    (job / "out").write_text("mine")
    for words in (["survey"], ["lift"], ["arcs"], ["run"]):
        lines = refused(*words, job)
        assert lines == [f"loft: {job / 'out'}: cannot be written: File exists"]
    assert (job / "out").read_text() == "mine"


def test_folder_without_leave_to_write(job):
    """Root may write anywhere, so the file system is asked to refuse where it can."""
    out = job / "shut"
    out.mkdir()
    out.chmod(0o555)
    if os.access(out, os.W_OK):
        assert "Permission" in os.strerror(errno.EACCES)
        out = Path("/proc/loft-out")  # nobody may write there, root included
    lines = refused("survey", job, "--out", out)
    assert len(lines) == 1
    assert "cannot be written" in lines[0]


@pytest.fixture
def full_disk(tmp_path):
    """A disk of the given size, for those who may mount one."""
    place = tmp_path / "disk"
    place.mkdir()
    mounted = []

    def mount(size):
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={size}", "none", str(place)], capture_output=True
        )
        if done.returncode:
            pytest.skip("no leave to mount a disk of limited size")
        mounted.append(place)
        return place

    yield mount
    for place in mounted:
        subprocess.run(["umount", str(place)], check=True)


def test_full_disk_is_one_line_and_no_torn_file(job, full_disk, small_job):
    """The small body's files are about 12 MB; the disk holds 4."""
    disk = full_disk("4m")
    lines = refused("run", job, "--out", disk)
    assert len(lines) == 1
    assert "No space left on device" in lines[0]
    whole = runs.digests(small_job / "out")
    there = runs.digests(disk)
    assert there
    for name, mark in there.items():
        assert mark == whole[name], f"{name} is torn"
    assert "summary.json" not in there
    assert not list(disk.rglob(".~*"))


@pytest.mark.parametrize("at", [1, 3, 7])
def test_disk_that_fills_at_any_file(job, monkeypatch, at):
    plain, count = files.os.close, iter(range(10**6))

    def close(handle):
        plain(handle)
        if next(count) == at:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(files.os, "close", close)
    lines = refused("lift", job)
    assert "cannot be written: No space left on device" in lines[0]
    monkeypatch.undo()
    assert not (job / "out" / "summary.json").exists()
    assert not [path for path in (job / "out").rglob(".~*") if path.stat().st_size]


# ---- stopped and killed ----------------------------------------------------------------


@pytest.mark.parametrize("at", [0, 4, 6])
def test_ctrl_c_while_writing_is_130_and_leaves_no_torn_file(done, monkeypatch, at):
    before = runs.digests(done / "out")
    rows = small_body.rows()
    rows[30][4] = f"{float(rows[30][4]) + 2.0}"
    (done / "tape.csv").write_text(small_body.table(rows))
    plain, count = Path.write_bytes, iter(range(10**6))

    def write(path, content):
        if path.name.startswith(".~") and next(count) == at:
            plain(path, content[: len(content) // 2])
            raise KeyboardInterrupt
        return plain(path, content)

    monkeypatch.setattr(Path, "write_bytes", write)
    stopped = loft("lift", done)
    monkeypatch.undo()
    assert stopped.exit_code == 130
    assert stopped.stderr.splitlines()[-1] == "loft: stopped"
    assert not list((done / "out").rglob(".~*"))
    if at:
        assert not runs.consistent(done / "out"), "an unfinished folder is known by its summary"
    else:
        assert runs.digests(done / "out") == before
    assert loft("lift", done).exit_code == 0
    assert runs.consistent(done / "out")


@pytest.mark.parametrize("words", [["demo", "there"], ["compare", "one", "two"]])
def test_ctrl_c_in_commands_without_a_job(words, monkeypatch, tmp_path):
    import loft.demo
    import loft.show.compare

    def stop(*anything, **told):
        raise KeyboardInterrupt

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(loft.demo, "write_demo", stop)
    monkeypatch.setattr(loft.show.compare, "compare", stop)
    stopped = runs.loft(*words)
    assert stopped.exit_code == 130
    assert stopped.stderr == "loft: stopped\n"


KILLS = int(os.environ.get("LOFT_KILLS", "10"))  # LOFT_KILLS=50 for a long look
TORN = random.Random(20)


def whole_runs(folder):
    """Return the bytes of both runs that the killed ones start from and go to."""
    a, b = folder / "a", folder / "b"
    rows = small_body.rows()
    small_body.write(a, found=rows)
    rows[30][4] = f"{float(rows[30][4]) + 2.0}"
    small_body.write(b, found=rows)
    for place in (a, b):
        assert loft("lift", place, "--quiet").exit_code == 0


@pytest.fixture(scope="module")
def two_runs(tmp_path_factory):
    return runs.shared(tmp_path_factory, "two", whole_runs)


@pytest.mark.parametrize("turn", range(KILLS))
def test_killed_at_any_moment(two_runs, tmp_path, turn):
    """A run in another process, killed or stopped while it writes: each file is old or new.

    Half are killed at a moment of the whole run, half as soon as some file is seen to change.
    """
    place = shutil.copytree(two_runs / "a", tmp_path / "job")
    shutil.copy(two_runs / "b" / "tape.csv", place / "tape.csv")
    old, new = (runs.digests(two_runs / name / "out") for name in "ab")
    blow = (signal.SIGKILL, signal.SIGINT)[turn % 2]
    process = started("lift", place)
    touched = place / "out" / "points.csv"
    first = touched.stat().st_ino
    deadline = time.monotonic() + 120
    while process.poll() is None and touched.stat().st_ino == first:
        assert time.monotonic() < deadline
        time.sleep(0.002)
    time.sleep(TORN.uniform(0.0, 0.15))
    process.send_signal(blow)
    _, words = process.communicate(timeout=60)
    there = runs.digests(place / "out")
    for name, mark in there.items():
        plain = name.replace("superseded/", "")
        assert mark in (old.get(plain), new.get(plain)), f"{name} is torn"
    told = {name: mark for name, mark in there.items() if name != "summary.json"}
    changed = {name for name in new if name != "summary.json" and told.get(name) != old[name]}
    if there["summary.json"] == new["summary.json"]:
        assert runs.consistent(place / "out")
    elif changed:
        assert not runs.consistent(place / "out")
    if blow == signal.SIGINT and process.returncode != 0:
        assert process.returncode in (130, -signal.SIGINT)
        assert "Traceback" not in words or process.returncode == -signal.SIGINT
    assert loft("lift", place, "--quiet").exit_code == 0
    assert runs.digests(place / "out") == new
    assert not list((place / "out").rglob(".~*")), "what was left is swept by the next run"


def test_two_runs_into_one_folder(job):
    """The second is refused while the first still works, and harms nothing."""
    first = started("lift", job)
    deadline = time.monotonic() + 120
    while not (job / "out" / ".held").exists():
        assert time.monotonic() < deadline
        assert first.poll() is None
        time.sleep(0.01)
    time.sleep(0.05)
    lines = refused("survey", job)
    assert lines == [f"loft: {job / 'out'}: another run is writing here; wait for it to end"]
    assert first.wait(timeout=120) == 0
    first.communicate()
    assert runs.consistent(job / "out")
    assert loft("survey", job).exit_code == 0


def test_summary_is_json_that_any_reader_takes(small_job):
    strict((small_job / "out" / "summary.json").read_text())
    with pytest.raises(AssertionError):
        strict(json.dumps({"a": float("nan")}))
