"""Parts proved from their files: which section they are judged by, frame by frame, one sheet."""

import csv
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
import small_body
from runs import loft

from loft.bench.issued import read_issued
from loft.fairing.tables import section_hash, section_text, stringers_text
from loft.job.errors import LoftError
from loft.job.schema import read_job
from loft.steps import compute, open_job

CANT = "cant = 4.0\npivot_wl = 1000.0\n"
CANT_INCH = "cant = 4.0\npivot_wl = 40.0\n"


def part_of(folder, frame="F4", *, name=False, out=()):
    """Write part.csv: the skin's outside where the truth has it, lines in `out` 5 mm out."""
    station = small_body.STATIONS[frame]
    rows = []
    for line, theta in small_body.LINES.items():
        bl, wl = small_body.point(station, theta)
        away = 5.0 * (line in out) * np.array([np.sin(theta), np.cos(theta)])
        rows.append([frame if name else "", line, f"{bl + away[0]:.3f}", f"{wl + away[1]:.3f}"])
    header = "frame,line,bl,wl"
    return [header, *(",".join(row) for row in rows)]


def proved(folder, rows, *more):
    (folder / "part.csv").write_text("\n".join(rows) + "\n")
    more = ("--sigma", "0.3", "--face", "skin_outer", *more)
    done = loft("prove", folder, folder / "part.csv", *more)
    assert done.exit_code == 0, done.output
    return done.output


def record(folder, frame="F4"):
    text = (folder / "out" / frame / "prove.csv").read_text()
    heading = [row for row in text.splitlines() if row.startswith("#")]
    return heading, list(csv.DictReader(r for r in text.splitlines() if not r.startswith("#")))


def test_an_issued_section_is_read_back_to_the_last_digit(tmp_path):
    """Square and canted, millimetres and inches: written again it gives the same bytes."""
    for number, (unit, per, cant) in enumerate(
        (("mm", 1.0, ""), ("in", 25.4, ""), ("in", 25.4, CANT_INCH), ("mm", 1, CANT))
    ):
        folder = small_body.write(tmp_path / str(number), unit=unit, per=per, frame_more=cant)
        job, frames = open_job(folder)
        (section,) = compute(job, frames, lambda words: None).sections
        place = folder / "out" / "F4"
        place.mkdir(parents=True)
        (place / "section.csv").write_text(section_text(section, job))
        (place / "stringers.csv").write_text(stringers_text(section, job))
        back = read_issued(place, "F4", job)
        assert stringers_text(back, job) == stringers_text(section, job)
        assert np.abs(back.crossings.height - section.crossings.height).max() < 2e-4 * per
        assert (back.crossings.kind == section.crossings.kind).all()
    text = section_text(section, job)
    (place / "section.csv").write_text(text.replace("0.0000,", "0.00001,", 1))
    with pytest.raises(LoftError, match="not as it was written"):
        read_issued(place, "F4", job)
    chined = replace(job, lines=(replace(small_line(), chine=True),))
    (place / "section.csv").write_text(text)
    with pytest.raises(LoftError, match=r"a chine \(S2S\)"):
        read_issued(place, "F4", chined)


def small_line():
    from loft.job.records import Line

    return Line(name="S2S", side="starboard")


def test_a_part_is_judged_by_the_section_that_was_issued(tmp_path):
    """The survey is 20 mm wider afterwards: the part still answers to what was issued."""
    folder = small_body.write(tmp_path / "job")
    assert loft("lift", folder).exit_code == 0
    section = folder / "out" / "F4" / "section.csv"
    issued = section.read_bytes()
    name = section_hash(issued.decode())
    told = proved(folder, part_of(folder))
    assert f"section {name} is the one that was issued\n" in told
    _, first = record(folder)
    wider = [[*row[:3], repr(float(row[3]) * 1.04), row[4]] for row in small_body.rows()]
    (folder / "tape.csv").write_text(small_body.table(wider))
    told = proved(folder, part_of(folder))
    assert "the inputs have changed since" in told
    assert section.read_bytes() == issued, "the issued section was not touched"
    heading, second = record(folder)
    assert name in heading[0]
    for a, b in zip(first, second, strict=True):
        # read back from 4 decimals
        assert float(a["deviation"]) == pytest.approx(float(b["deviation"]), abs=3e-4)
    section.unlink()
    told = proved(folder, part_of(folder))
    assert "no section of F4 had been issued" in told
    assert section.exists()
    _, third = record(folder)
    assert max(abs(float(row["deviation"])) for row in third) > 3.0


def test_every_made_frame_is_proved_and_the_unread_ones_are_named(tmp_path):
    folder = small_body.write(tmp_path / "job")
    text = (folder / "job.toml").read_text().replace('["F4"]', '["F4", "F2"]')
    (folder / "job.toml").write_text(text.replace('mould_line = "2 mm"', 'mould_line = "3 mm"'))
    kept = [row for row in small_body.rows() if row[0] != "F2"]
    (folder / "tape.csv").write_text(small_body.table(kept))
    rows = part_of(folder, name=True)
    assert "no reading of F2 in part.csv" in proved(folder, rows)
    assert {row["verdict"] for row in record(folder)[1]} == {"accept"}
    assert not (folder / "out" / "F2" / "prove.csv").exists()
    proved(folder, rows + part_of(folder, "F2", name=True, out=("S3P",))[1:])
    assert {row["verdict"] for row in record(folder)[1]} == {"accept"}
    (bad,) = (row for row in record(folder, "F2")[1] if row["verdict"] == "rework")
    assert bad["name"] == "S3P"
    assert "outside: take it in" in bad["remark"]
    (folder / "part.csv").write_text("\n".join(part_of(folder)) + "\n")
    done = loft("prove", folder, folder / "part.csv", "--sigma", "0.3")
    assert done.exit_code == 2
    assert "frame: nothing found, F4 or F2 wanted" in done.output


def test_the_sheet_shows_every_reading_and_the_record_is_repeatable(tmp_path):
    folder = small_body.write(tmp_path / "job")
    rows = part_of(folder, out=("S3P",))
    rows = [f"{rows[0]},kind,value,sigma", *(f"{row},,,0.3" for row in rows[1:])]
    rows.append(",S3P,,,angle,97.0,0.2")
    text = (folder / "job.toml").read_text() + "flange_angle_deg = 1.0\n"
    (folder / "job.toml").write_text(text)
    proved(folder, rows)
    place = folder / "out" / "F4"
    once = [(place / name).read_bytes() for name in ("prove.csv", "prove.svg")]
    proved(folder, rows)
    assert once == [(place / name).read_bytes() for name in ("prove.csv", "prove.svg")]
    root = ET.fromstring(once[1])
    assert (root.get("width"), root.get("height")) == ("297mm", "210mm")
    told = " ".join(e.text or "" for e in root.iter("{http://www.w3.org/2000/svg}text"))
    for words in ("REWORK", "S3P (", "outside: take it in", "flange angle at S3P",
                  "is the one that was issued", "not approved data", "licensed engineer",
                  "looking forward, starboard right"):  # fmt: skip
        assert words in told, words
    assert read_job(folder / "job.toml").title in told
