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
from runs import loft, refused, started, strict

from loft.job import files

TAPE = small_body.table(small_body.rows())


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
        before.pop("summary.json")  # goes first
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
