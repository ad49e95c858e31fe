"""The same inputs give the same bytes; inches and millimetres the same section."""

from __future__ import annotations

import re
import shutil

import numpy as np
import pytest
import runs
import small_body
from runs import column, loft, records, started, strict, table

EXCEPTED = {"view.png", "view.html"}


def compared(one, other):
    """Return the names of files that differ, but for the excepted and what tells of those."""
    first, second = runs.digests(one), runs.digests(other)
    assert set(first) == set(second)
    told = [strict((place / "summary.json").read_text()) for place in (one, other)]
    files = [data.pop("files") for data in told]
    assert told[0] == told[1]
    assert set(files[0]) == set(files[1]) == set(first) - {"summary.json"}
    skip = EXCEPTED | {"summary.json"}
    return [name for name in first if name not in skip and first[name] != second[name]]


def test_demo_twice_is_the_same_bytes(demo_job, tmp_path):
    """Another process, folder, hash seed, time zone and language; the same machine."""
    folder = tmp_path / "elsewhere"
    shutil.copytree(demo_job, folder, ignore=shutil.ignore_patterns("out"))
    run = started("run", folder, "--quiet", PYTHONHASHSEED="7", TZ="Asia/Tokyo", LANG="de_DE")
    said, words = run.communicate(timeout=550)
    assert run.returncode == 0, words
    assert said == words == ""
    assert compared(demo_job / "out", folder / "out") == []


def test_second_run_into_the_same_folder_changes_nothing(small_job, tmp_path):
    folder = shutil.copytree(small_job, tmp_path / "again")
    assert loft("run", folder, "--quiet").output == ""
    assert compared(small_job / "out", folder / "out") == []
    assert not (folder / "out" / "F4" / "superseded").exists()


def test_order_of_rows_is_only_order(small_job, tmp_path):
    """Rows in another order are the same survey: the same section to the last written figure."""
    rows = small_body.rows()
    np.random.default_rng(3).shuffle(rows)
    folder = small_body.write(tmp_path / "shuffled", found=rows)
    assert loft("lift", folder, "--quiet").exit_code == 0
    for name in ("section.csv", "stringers.csv"):
        ours, theirs = small_job / "out" / "F4" / name, folder / "out" / "F4" / name
        for head in table(ours)[0]:
            if head not in ("line", "side"):
                # sums in another order differ in the 12th figure; 4 decimals may turn
                assert np.allclose(column(ours, head), column(theirs, head), rtol=0, atol=2e-4)


@pytest.fixture(scope="module")
def inches(tmp_path_factory):
    def make(folder):
        small_body.write(folder / "inches", unit="in", per=25.4)
        assert loft("run", folder / "inches", "--quiet").exit_code == 0

    return runs.shared(tmp_path_factory, "inches", make) / "inches" / "out"


LENGTHS = {
    "F4/section.csv": ("girth", "bl", "wl", "radius", "sd", "band95", "band95_all", "station"),
    "F4/stringers.csv": ("girth", "bl", "wl", "sd"),
    "settlement.csv": ("d_bl", "d_wl", "sd_bl", "sd_wl"),
    "adjacent.csv": ("station", "bl", "wl", "deviation", "raw_deviation"),
    "holdout.csv": ("station", "rms", "max", "band95"),
    "points.csv": ("station", "bl", "wl", "sigma"),
    "F4/frame.csv": ("girth", "flange_bl", "setback", "blank_height", "block_edge_bl"),
    "F4/marks.csv": ("girth", "bl", "height", "width", "depth", "radius"),
    "F4/plan.csv": ("girth", "sigma", "band_before", "band_after"),
}
PLAIN = {
    "F4/section.csv": ("normal_bl", "normal_wl", "bevel_deg", "bevel_sd_deg"),
    "F4/stringers.csv": ("normal_deg", "bevel_deg", "slope_deg"),
    "settlement.csv": ("roll_deg",),
    "adjacent.csv": ("standardised",),
    "F4/frame.csv": ("flange_deg", "bend_deg", "edge_strain"),
}


@pytest.mark.parametrize("name", LENGTHS)
def test_inch_job_is_the_millimetre_job_in_inches(small_job, inches, name):
    ours, theirs = small_job / "out" / name, inches / name
    assert "lengths in in" in " ".join(table(theirs)[2]) or "units: in" in table(theirs)[2][1]
    assert table(ours)[0] == table(theirs)[0]
    for head in LENGTHS[name]:
        mm, inch = column(ours, head), column(theirs, head) * 25.4
        assert (np.isfinite(mm) == np.isfinite(inch)).all(), head
        known = np.isfinite(mm)
        # 4 decimals of an inch: half a step is 0.0013 mm, and as much again of rounding in mm
        assert np.allclose(mm[known], inch[known], rtol=1e-6, atol=0.0014), head
    for head in PLAIN.get(name, ()):
        assert np.allclose(column(ours, head), column(theirs, head), rtol=0, atol=1.5e-4), head


def test_summary_of_the_inch_job_is_in_millimetres(small_job, inches):
    mm, inch = (strict((out / "summary.json").read_text()) for out in (small_job / "out", inches))
    for part in ("section", "bands", "holdout", "settlement", "frames", "survey"):
        for ours, theirs in zip(mm[part], inch[part], strict=True):
            if not isinstance(ours, dict):
                continue
            for key in ours.keys() - {"hash"}:
                if isinstance(ours[key], float):
                    assert theirs[key] == pytest.approx(ours[key], abs=2e-3, rel=1e-6), key
    assert [v["verdict"] for v in mm["verdict"]] == [v["verdict"] for v in inch["verdict"]]
    assert mm["cautions"] == inch["cautions"]


def test_blocks_of_the_inch_job_are_the_same_blocks(small_job, inches):
    import trimesh

    one, other = (trimesh.load(out / "F4" / "block.stl") for out in (small_job / "out", inches))
    # an STL has no unit: both are in millimetres, and float32 steps at 1000 mm are 6e-5
    assert one.volume == pytest.approx(other.volume, rel=1e-5)
    assert np.allclose(one.bounds, other.bounds, rtol=0, atol=0.001)


@pytest.mark.parametrize(
    ("units", "form"),
    [("mm", r"-?\d+\.\d"), ("in", r"-?\d+\.\d{3}"), ("ft-in", r"-?(\d+-\d+-\d[+-]?)")],
)
def test_units_are_those_of_people_alone(small_job, tmp_path, units, form):
    """Notation and words change; tables for machines do not, but for the notation's column."""
    folder = shutil.copytree(small_job, tmp_path / "job", ignore=shutil.ignore_patterns("out"))
    done = loft("make", folder, "--units", units)
    assert done.exit_code == 0
    ours = small_job / "out"
    for name in ("points.csv", "settlement.csv", "F4/section.csv", "F4/frame.csv", "F4/marks.csv"):
        assert (folder / "out" / name).read_bytes() == (ours / name).read_bytes(), name
    plain, told = records(ours / "F4" / "offsets.csv"), records(folder / "out/F4/offsets.csv")
    for one, other in zip(plain, told, strict=True):
        notation = other.pop("notation")
        one.pop("notation")
        assert one == other
        assert re.fullmatch(form, notation), notation
    station = {"mm": "2600.0", "in": "102.36", "ft-in": "8-6-3:"}[units]
    assert f"F4 at station {station}" in done.stdout


def test_a_canted_missing_frame_lifts_a_plane_section(tmp_path):
    """Cant 4 degrees: the points lie in the heel plane, on the true body within the band."""
    more = "cant = 4.0\npivot_wl = 1000.0\n"
    folder = small_body.write(tmp_path / "canted", frame_more=more)
    done = loft("make", folder, "--json")
    assert done.exit_code == 0, done.output
    path = folder / "out" / "F4" / "section.csv"
    station, bl, wl, height = (column(path, name) for name in ("station", "bl", "wl", "height"))
    cant = np.deg2rad(4.0)
    # written to 4 decimals: half a step on either side
    assert np.abs(station - (2600.0 + (wl - 1000.0) * np.tan(cant))).max() < 1.01e-4
    assert np.abs(height - (wl - 1000.0) / np.cos(cant)).max() < 1.01e-4
    place = np.column_stack([bl, height])
    step = np.linalg.norm(np.roll(place, -1, 0) - place, axis=1)
    assert step.max() <= 10.0
    normal = np.column_stack([column(path, "normal_bl"), column(path, "normal_wl")])
    assert np.abs(np.linalg.norm(normal, axis=1) - 1).max() < 7.2e-5
    across, up = small_body.axes(station)
    level = np.hypot(bl / across, (wl - 1000.0) / up)  # 1 on the body; times the size, a distance
    off = (level - 1.0) * np.minimum(across, up)
    assert np.abs(off).max() < column(path, "band95_all").max()
    top, bottom = np.argmax(height), np.argmin(height)
    # crown falls and keel rises going aft; N leans down aft, so the keel's bevel is the larger
    bevel = column(path, "bevel_deg")
    fall = np.rad2deg(np.arctan(-np.gradient(small_body.axes([2599.0, 2601.0])[1], 2.0)[0]))
    assert bevel[top] == pytest.approx(-fall + 4.0, abs=0.5)
    assert bevel[bottom] == pytest.approx(-fall - 4.0, abs=0.5)
    told = strict(done.stdout)
    assert told["section"][0]["cant_deg"] == 4.0


@pytest.mark.parametrize("words", [["survey"], ["lift"], ["arcs", "--frame", "F3"], ["plan"]])
def test_json_is_alone_on_stdout_and_quiet_is_silent(small_job, tmp_path, words):
    folder = shutil.copytree(small_job, tmp_path / "job", ignore=shutil.ignore_patterns("out"))
    done = loft(words[0], folder, *words[1:], "--json", "--out", tmp_path / "here")
    assert done.exit_code == 0, done.output
    data = strict(done.stdout)
    assert data
    assert done.stderr.strip(), "words for people are still said, on stderr"
    if words[0] in ("lift", "plan"):
        assert data == strict((tmp_path / "here" / "summary.json").read_text())
    assert not (folder / "out").exists(), "--out moves the files"
    both = loft(words[0], folder, *words[1:], "--json", "--quiet")
    assert strict(both.stdout) == data
    assert both.stderr == ""
    quiet = loft(words[0], folder, *words[1:], "--quiet")
    assert quiet.output == ""
