"""The command line on the demo: its commands, its files item by item, and the demo's truth."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import runs
import small_body
from runs import column, distance, loft, records, strict, table

from loft.cli import main
from loft.corncrake import true_bevel, true_deviation
from loft.job.units import parse_length
from loft.show.console import tell_prove

HOUSE = Path(__file__).parent.parent
COMMANDS = (
    "demo", "survey", "fair", "lift", "check", "make", "plan", "arcs", "prove", "report",
    "compare", "view", "run",
)  # fmt: skip
ON_A_JOB = tuple(name for name in COMMANDS if name not in ("demo", "compare"))

# ---- commands --------------------------------------------------------------------------


def test_commands_are_these():
    assert set(main.commands) == set(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_units_an_example_and_a_docs_entry(name):
    done = loft(name, "--help")
    assert done.exit_code == 0
    words = " ".join(done.stdout.split())
    assert f"Example: loft {name} " in words
    assert "Lengths in" in words or "Axes in" in words
    assert f"\n## loft {name}\n" in (HOUSE / "docs" / "commands.md").read_text()
    if name in ON_A_JOB:
        for option in ("--frame", "--out", "--units [mm|in|ft-in]", "--quiet", "--json"):
            assert option in words


def test_help_imports_click_only():
    """Nothing from outside the standard library but click, and of loft only its front door."""
    code = (
        "import sys, loft.cli as c\n"
        "try:\n    c.main(['--help'])\nexcept SystemExit as end:\n    assert not end.code\n"
        "mine = {m.split('.')[0] for m in sys.modules} - set(sys.stdlib_module_names)\n"
        "mine -= {m for m in mine if m.startswith('_')}\n"
        "print(sorted(mine), sorted(m for m in sys.modules if m.startswith('loft')), "
        "file=sys.stderr)"
    )
    run = subprocess.run(
        [sys.executable, "-S", "-c", f"import sys; sys.path += {sys.path!r}\n{code}"],
        cwd=HOUSE, capture_output=True, text=True,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    outside, inside = run.stderr.split("] [")
    assert set(eval(outside + "]")) <= {"click", "loft", "colorama", "typing_extensions"}
    assert set(eval("[" + inside)) <= {"loft", "loft.cli"}


def test_module_and_script_are_the_same_program():
    run = subprocess.run(
        [sys.executable, "-m", "loft", "--version"], cwd=HOUSE, capture_output=True, text=True
    )
    assert run.returncode == 0
    assert "0.1.0" in run.stdout


@pytest.mark.parametrize(
    "words",
    [
        ["lift"],
        ["lift", "nowhere"],
        ["lift", "job.toml", "--frames", "F14"],
        ["lift", "job.toml", "--units", "metres"],
        ["survey", "nowhere", "--quiet"],
        ["run", "nowhere", "--json"],
        ["compare", "nowhere", "elsewhere"],
        ["prove", "nowhere", "part.csv"],
        ["mend", "job.toml"],
    ],
)
def test_misuse_is_2_with_words_on_stderr_alone(words, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = loft(*words)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert done.stderr
    assert "Traceback" not in done.stderr
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("name", ON_A_JOB)
def test_unknown_frame_is_refused_with_the_schedule(name, tmp_path):
    folder = small_body.write(tmp_path / "job")
    part = [folder / "tape.csv"] if name == "prove" else []
    done = loft(name, folder, *part, "--frame", "F41", "--frame", "F4")
    assert done.exit_code == 2
    assert done.stderr.count("\n") == 1
    assert "frame F41 is not in the schedule (F1, F2, F3, F4, F5, F6, F7)" in done.stderr
    assert not (folder / "out").exists()


@pytest.mark.parametrize("name", ["fair", "lift", "check", "plan", "arcs"])
def test_every_length_that_is_printed_is_in_the_unit_asked_for(name, tmp_path):
    folder = small_body.write(tmp_path / "job")
    told = {
        units: loft(name, folder, "--frame", "F4", "--units", units).stdout
        for units in ("mm", "in")
    }
    assert told["mm"] != told["in"]
    assert not re.search(r"\d mm\b(?! per )", told["in"])


def test_from_blank_forms_to_a_block(tmp_path):
    """The job file alone, then the forms, filled in by line and frame, then everything."""
    lines = "".join(
        f'[[line]]\nname = "{name}"\n' + (f'kind = "{name.lower()}"\n' if "S" not in name else "")
        for name in small_body.LINES
    )
    job = small_body.write(tmp_path / "job", job_more=lines)
    (job / "tape.csv").unlink()
    assert loft("survey", job, "--forms", job / "forms").exit_code == 0
    assert not (job / "out").exists()
    assert "tape.csv" in " ".join(runs.refused("survey", job))
    readings = {(row[0], row[1]): row[3:] for row in small_body.rows()}
    columns, blank, heading = table(job / "forms" / "tape-blank.csv")
    bl, wl = columns.index("bl"), columns.index("wl")
    for row in blank:
        row[bl], row[wl] = readings.pop((row[0], row[1]))
    assert not readings, "a row for every frame and line"
    filled = [*heading, ",".join(columns), *(",".join(row) for row in blank)]
    (job / "tape.csv").write_text("\n".join(filled) + "\n")
    assert loft("survey", job).exit_code == 0
    assert loft("run", job).exit_code == 0
    assert (job / "out" / small_body.MISSING / "block.stl").stat().st_size > 10_000


def test_rework_of_a_made_part_is_told_in_the_unit_asked_for():
    """127 mm is 5 in and 2.54 mm a tenth of one, by the inch of 25.4 mm."""
    row = {"girth_mm": 127.0, "remark": "2.54 mm inside: bring it out by 1.27 mm or more"}
    data = {"frame": "F4", "section": "ab", "readings": 3, "held": "fit", "verdict": "rework",
            "rework": [row], "undecided": 0, "notes": []}  # fmt: skip
    told = tell_prove(data, Path("out"), "in")
    assert "girth 5.000: 0.100 in inside: bring it out by 0.050 in or more" in told


# ---- the files, item by item -----------------------------------------------------------

WHOLE_JOB = {
    "points.csv": "frame,line,station,bl,wl,sigma,face,source,row",
    "settlement.csv": "frame,d_bl,d_wl,roll_deg,sd_bl,sd_wl,sd_roll_deg,d_station,sd_station",
    "adjacent.csv": "frame,line,station,bl,wl,deviation,standardised,used,reason,raw_deviation",
    "surface.csv": "station,girth,bl,wl,sd",
    "holdout.csv": "frame,station,points,rms,max,coverage95,band95,note",
    "F14/section.csv": "girth,bl,wl,normal_bl,normal_wl,bevel_deg,radius,sd,band95,band95_all,"
    "station,height,side,bevel_sd_deg",
    "F14/stringers.csv": "line,girth,bl,wl,normal_deg,bevel_deg,slope_deg,sd",
    "F14/offsets.csv": "line_kind,line_value,side,offset,sd,notation,branch,of",
    "F14/drawing.csv": "frame,arc,given_radius,fitted_radius,sd_radius,centre_bl,centre_wl,"
    "sd_centre,standardised,verdict",
    "F14/facts.csv": "frame,arc,dimension,given,sigma,fitted,sd,standardised,detectable,"
    "suggested,verdict",
    "F14/frame.csv": "piece,girth,side,station,bl,height,wl,depth,flange_bl,flange_height,"
    "flange_deg,open_closed,bend_deg,setback,web_tangent_bl,web_tangent_height,bend_allowance,"
    "blank_bl,blank_height,block_edge_bl,block_edge_height,block_side_deg,flange_radius,"
    "edge_strain,shrink_stretch,sd,bevel_sd_deg",
    "F14/marks.csv": "kind,name,girth,bl,height,angle_deg,width,depth,radius",
    "F14/plan.csv": "rank,frame,line,girth,face,sigma,band_before,band_after",
}
NEW_COLUMNS = {  # told after the ones above
    "F14/frame.csv": ["bevel_deg", "edge_shift", "rivet_bl", "rivet_height"],
    "F14/marks.csv": ["lean_deg"],
    "F14/plan.csv": ["station", "widest_before", "widest_after", "taken_before"],
}
OTHERS = (
    "surface.stl", "surface.step", "lines.svg", "summary.json", "view.html", "view.png",
    "report.html", "F14/block.stl", "F14/block.3mf", "F14/blank.dxf", "F14/template.dxf",
    "F14/template.pdf", "F14/template.svg", "F14/shop.html",
    "F14/block_CROWN-S7S+80.stl", "F14/block_S7S+80-KEEL.stl", "F14/block_KEEL-S7P-80.stl",
    "F14/block_S7P-80-CROWN.stl",
)  # fmt: skip


@pytest.mark.parametrize("name", WHOLE_JOB)
def test_table_has_exactly_these_columns(demo_out, name):
    columns, found, heading = table(demo_out / name)
    assert columns == WHOLE_JOB[name].split(",") + NEW_COLUMNS.get(name, [])
    assert found
    assert all(len(row) == len(columns) for row in found)
    assert heading
    assert "mm" in " ".join(heading)


def test_lengths_have_4_decimals_and_degrees_5(demo_out):
    for name in WHOLE_JOB:
        columns, found, _ = table(demo_out / name)
        for row in found:
            for head, cell in zip(columns, row, strict=True):
                if head in ("notation", "edge_strain"):
                    continue
                if cell.lstrip("-").replace(".", "", 1).isdigit() and "." in cell:
                    places = len(cell.split(".")[1])
                    assert places == (5 if head.endswith("_deg") else 4), (name, head, cell)
                assert cell not in ("nan", "NaN", "None", "-0.0000"), (name, head)


def test_every_other_file_is_there(demo_out):
    for name in OTHERS:
        assert (demo_out / name).stat().st_size > 1000, name


def test_nothing_half_written_is_left(demo_out):
    assert not list(demo_out.rglob(".~*"))


def test_summary_has_its_parts_and_tells_of_these_files(demo_job, demo_out):
    data = strict((demo_out / "summary.json").read_text())
    wanted = (
        "job", "frames", "section", "bands", "holdout", "settlement", "rejected", "drawing",
        "make", "verdict", "cautions", "inputs", "versions", "options",
    )  # fmt: skip
    assert set(wanted) <= set(data)
    there = runs.digests(demo_out)
    assert {*data["files"], "summary.json"} == set(there)
    assert runs.consistent(demo_out)
    for name in ("job.toml", "tape.csv", "second.csv", "bay.csv", "ties.csv"):
        assert data["inputs"][name] == runs.digests(demo_job)[name]
    assert data["section"][0]["hash"] == there["F14/section.csv"][:12]
    assert data["verdict"][0]["verdict"] in ("make", "make with care", "measure first")
    assert "whole-outline band" in data["verdict"][0]["rule"]


def test_bench_files_name_their_section(demo_out):
    name = runs.digests(demo_out)["F14/section.csv"][:12]
    for file in (
        "frame.csv", "marks.csv", "offsets.csv", "blank.dxf", "template.dxf", "template.svg",
        "shop.html", "block_CROWN-S7S+80.stl",
    ):  # fmt: skip
        assert name.encode() in (demo_out / "F14" / file).read_bytes(), file


# ---- the section -----------------------------------------------------------------------


@pytest.fixture(scope="module")
def section(demo_out):
    names = ("girth", "bl", "wl", "normal_bl", "normal_wl", "bevel_deg", "band95", "band95_all")
    path = demo_out / "F14" / "section.csv"
    return {name: column(path, name) for name in (*names, "radius", "height", "station", "sd")}


def outline(section):
    return np.column_stack([section["bl"], section["wl"]])


def test_section_is_closed_fine_and_runs_down_the_starboard_side(demo_out, section):
    points = outline(section)
    step = np.linalg.norm(np.roll(points, -1, 0) - points, axis=1)
    assert step.max() <= 10.0
    assert step.min() > 0.01  # the last row does not repeat the first
    heading = table(demo_out / "F14" / "section.csv")[2]
    total = float(next(line for line in heading if "once round" in line).split()[2])
    along = np.diff(np.r_[section["girth"], total])
    assert section["girth"][0] == 0.0
    # a chord is shorter than its arc by s**3 / (24 r**2): 0.0004 at 10 mm on r 330
    assert np.allclose(along, step, rtol=0, atol=0.001)
    assert points[len(points) // 4, 0] > 300.0
    assert points[-len(points) // 4, 0] < -300.0
    turn = (points * np.roll(points[:, ::-1], -1, 0) * [1, -1]).sum() / 2
    assert turn < 0  # clockwise looking forward


def test_chords_lie_within_002_of_their_arcs(section):
    """Independent of the program: a periodic spline through the points, read between them."""
    from scipy.interpolate import CubicSpline

    closed = np.vstack([outline(section), outline(section)[:1]])
    way = np.r_[0, np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))]
    spline = CubicSpline(way, closed, bc_type="periodic")
    middle = spline((way[:-1] + way[1:]) / 2)
    assert distance(middle, outline(section)).max() <= 0.02


def test_normals_are_unit_square_and_outward(section):
    normal = np.column_stack([section["normal_bl"], section["normal_wl"]])
    # four decimals: each component off by 5e-5, so the length by 7.1e-5
    assert np.abs(np.linalg.norm(normal, axis=1) - 1).max() < 7.2e-5
    points = outline(section)
    tangent = np.roll(points, -1, 0) - np.roll(points, 1, 0)
    tangent /= np.linalg.norm(tangent, axis=1)[:, None]
    turned = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    # a secant over 2 s of changing curvature: s**2 / 6 dk/ds, with dk/ds up to 2e-5 here
    assert np.abs(turned - normal).max() < 2e-3
    assert ((points - points.mean(0)) * normal).sum(1).min() > 0


def test_signs(demo_out, section):
    """bl positive to starboard; bevel negative where the body tapers aft, in closed form."""
    sides = [row["side"] for row in records(demo_out / "F14" / "section.csv")]
    off = np.abs(section["bl"]) > 1.0
    starboard = np.array(sides) == "starboard"
    assert (starboard[off] == (section["bl"] > 0)[off]).all()
    theta = np.arctan2(section["normal_bl"], section["normal_wl"])
    true = np.rad2deg(true_bevel(6160.0, theta))
    assert true.max() < 0
    sd = column(demo_out / "F14" / "section.csv", "bevel_sd_deg")
    assert (np.abs(section["bevel_deg"] - true) < 4 * sd).mean() > 0.99
    assert section["bevel_deg"].max() < 0


def test_square_frame_has_one_station_and_its_heights_are_waterlines(section):
    assert (section["station"] == 6160.0).all()
    assert (section["height"] == section["wl"]).all()


def test_radius_is_the_circle_through_neighbours(section):
    """Signed, positive convex; the circle through points three apart, on the broad arcs."""
    points = outline(section)
    a, c = np.roll(points, 3, 0), np.roll(points, -3, 0)
    u, v = points - a, c - points
    cross = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    sizes = [np.linalg.norm(d, axis=1) for d in (u, v, c - a)]
    circle = -sizes[0] * sizes[1] * sizes[2] / (2 * cross)
    ratio = section["radius"] / circle
    # points written to 1e-4 over 20 mm: under 1 % to r 2200; more only where the arcs join
    assert np.median(np.abs(ratio - 1)) < 0.01
    assert (section["radius"] > 0).mean() > 0.95


def test_crossings_lie_on_the_outline(demo_out, section):
    path = demo_out / "F14" / "stringers.csv"
    points = np.column_stack([column(path, "bl"), column(path, "wl")])
    assert distance(points, outline(section)).max() <= 0.02 + 1e-4  # the chord's own
    at = column(path, "girth")
    assert np.allclose(np.interp(at, section["girth"], section["bl"]), points[:, 0], atol=0.02)
    names = [row["line"] for row in records(path)]
    assert len(names) == 28
    for name, place in zip(names, points, strict=True):
        if name[-1] in "PS" and name[0] == "S":
            assert (place[0] > 0) == (name[-1] == "S"), name
    assert (np.diff(at) > 0).all()


def test_offsets_agree_with_the_section(demo_out, section):
    """Every offset is a point of the outline, and its notation reads back as itself."""
    read = records(demo_out / "F14" / "offsets.csv")
    for row in read:
        if row["line_kind"] == "line":
            continue
        value, offset = float(row["line_value"]), float(row["offset"])
        sign = {"starboard": 1.0, "port": -1.0}[row["side"]]
        across = row["line_kind"] == "waterline"
        place = (sign * offset, value) if across else (sign * abs(value), offset)
        assert distance(np.array([place]), outline(section))[0] <= 0.02 + 1e-4, row
        assert abs(parse_length(row["notation"], "mm") - offset) <= 0.05 + 1e-9, row
    kinds = {(row["line_kind"], row["side"]) for row in read}
    assert {(k, s) for k in ("waterline", "buttock") for s in ("port", "starboard")} <= kinds


def test_surface_at_the_frame_is_the_mould_line(demo_out, section):
    """The drawing betters the section by a little; surface.csv is the survey's alone."""
    path = demo_out / "surface.csv"
    here = column(path, "station") == 6160.0
    points = np.column_stack([column(path, "bl"), column(path, "wl")])[here]
    assert len(points) > 90
    off = distance(points, outline(section))
    assert off.max() <= section["band95_all"].max()


def test_surface_stl_is_the_loft(demo_out):
    import trimesh

    mesh = trimesh.load(demo_out / "surface.stl")
    low, high = mesh.bounds
    station = column(demo_out / "surface.csv", "station")
    # float32 steps at 8890 mm are 0.001
    assert low[0] == pytest.approx(station.min(), abs=0.001)
    assert high[0] == pytest.approx(station.max(), abs=0.001)
    assert abs(low[1] + high[1]) < 10.0
    outward = mesh.face_normals[:, 1] * (mesh.triangles_center[:, 1])
    assert (outward > -1e-3).mean() > 0.99


def test_lines_drawing_is_xml_with_the_missing_frame(demo_out):
    import xml.etree.ElementTree as tree

    root = tree.parse(demo_out / "lines.svg").getroot()
    words = " ".join("".join(text.itertext()) for text in root.iter() if text.tag.endswith("text"))
    assert "F14" in words
    for name in ("body plan", "half-breadth", "profile"):
        assert name in words.lower()


# ---- the demo's truth ------------------------------------------------------------------


def test_lifted_section_holds_the_true_one_within_its_band(section):
    """Closed form: rms 0.6 mm, largest 1.3 mm off the true F14; band 1.2 mm on average."""
    off = -true_deviation(6160.0, section["bl"], section["wl"])
    inside = np.abs(off) <= section["band95"]
    assert inside.mean() >= 0.90, (inside.mean(), np.abs(off).max())
    assert (np.abs(off) <= section["band95_all"]).all()
    assert np.sqrt((off**2).mean()) < 1.0
    assert section["band95"].mean() < 2.0


def test_planted_mistakes_are_all_named(demo_out):
    data = strict((demo_out / "summary.json").read_text())
    told = " ".join(data["cautions"])
    assert "F10: the labels S7P and S8P look exchanged" in told
    shift = next(row for row in data["settlement"] if row["frame"] == "F16")["d_station_mm"]
    assert shift == pytest.approx(40.0, abs=10.0)
    assert "F16 stands" in told
    assert "aft of its stated station" in told
    assert "tape B to F15:S11P" in told
    assert "100 mm too much" in told
    assert "F15 S6S on frame_flange: the passes differ by 28.3 mm" in told  # a six for a nine
    set_aside = {(row["frame"], row["line"]): row for row in data["rejected"]}
    for frame, line in (("F9", "S3P"), ("F12", "S11S"), ("F16", "S4P")):
        assert set_aside[frame, line]["used"] == "no"
        assert set_aside[frame, line]["reason"].startswith("fit:")
    for line in ("S6S", "S7S", "S8S"):
        assert set_aside["F13", line]["used"] == "no"
        assert set_aside["F13", line]["reason"].startswith("damage:")
    for line in ("S5S", "S9S"):  # crushed too, but nobody had marked them
        assert set_aside["F13", line]["used"] in ("no", "doubted")
    assert "S10P" in {row["line"] for row in data["rejected"] if row["place"].startswith("bay")}


def test_settlement_is_the_planted_one(demo_out):
    """Each frame's planted movement lies inside 4 sd of what was found, but F16's own."""
    from loft.demo import true_settlement

    true = true_settlement()
    for row in records(demo_out / "settlement.csv"):
        across, up, _ = true[row["frame"]]
        assert abs(float(row["d_bl"]) - across) < 4 * float(row["sd_bl"]), row
        assert abs(float(row["d_wl"]) - up) < 4 * float(row["sd_wl"]), row
