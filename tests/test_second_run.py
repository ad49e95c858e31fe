"""A second run beside what a first one left: superseded, moved aside, kept, told."""

from __future__ import annotations

import pytest
import runs
import small_body
from runs import loft, refused

from loft.job.errors import LoftError

BENCH = ("frame.csv", "template.dxf", "block.stl")


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


def test_arcs_after_a_run_write_the_same_files(done):
    """The section that the run lifted, bettered by its drawing, is the one that is struck."""
    before = runs.digests(done / "out")
    assert loft("arcs", done, "--frame", "F4").exit_code == 0
    after = runs.digests(done / "out")
    assert {name: after[name] for name in before} == before
    assert runs.consistent(done / "out")


def test_no_summary_stays_beside_files_it_does_not_tell_of(done):
    rows = small_body.rows()
    rows[30][4] = f"{float(rows[30][4]) + 2.0}"
    (done / "tape.csv").write_text(small_body.table(rows))
    assert loft("survey", done).exit_code == 0
    assert not (done / "out" / "summary.json").exists()


def test_a_run_that_is_refused_leaves_the_last_one_whole(done):
    before = runs.digests(done / "out")
    with (done / "tape.csv").open("a") as table:
        table.write("F3,S1S,,word,3\n")
    refused("run", done)
    assert runs.digests(done / "out") == before
