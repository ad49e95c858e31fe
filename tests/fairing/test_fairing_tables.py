"""The fairing's tables: units, blanks, headings, the section's name, the loft as a mesh."""

from __future__ import annotations

import hashlib
import io
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from runs import column, table

from loft.bench.stock import plain_job, round_section
from loft.demo import demo_surface
from loft.fairing import tables
from loft.fairing.evidence import settlement
from loft.job.caution import CAUTION


def read(text, tmp_path):
    path = tmp_path / "any.csv"
    path.write_text(text)
    return path


def test_section_is_in_the_jobs_unit_and_says_what_it_is(tmp_path):
    section, job = round_section(600.0, bevel=-0.1), plain_job()
    mm = read(tables.section_text(section, job), tmp_path)
    girth, radius = column(mm, "girth"), column(mm, "radius")
    heading = " ".join(table(mm)[2])
    for words in ("lengths in mm", CAUTION):
        assert words in heading
    assert np.allclose(column(mm, "bevel_deg"), np.rad2deg(-0.1), rtol=0, atol=0.6e-5)
    inch = read(tables.section_text(section, replace(job, unit="in")), tmp_path)
    assert "lengths in in" in " ".join(table(inch)[2])
    assert np.allclose(column(inch, "girth") * 25.4, girth, rtol=0, atol=0.0014)
    assert np.allclose(column(inch, "radius") * 25.4, radius, rtol=0, atol=0.0014)


def test_straight_is_inf_and_unknown_is_blank(tmp_path):
    section = round_section(600.0)
    radius, sd = section.radius.copy(), section.sd.copy()
    radius[3], sd[4] = np.inf, np.nan
    path = read(tables.section_text(replace(section, radius=radius, sd=sd), plain_job()), tmp_path)
    columns, rows, _ = table(path)
    assert rows[3][columns.index("radius")] == "inf"
    assert rows[4][columns.index("sd")] == ""
    assert not any(cell in ("nan", "-0.0000") for row in rows for cell in row)


def test_section_is_named_by_its_bytes():
    section, job = round_section(600.0), plain_job()
    text = tables.section_text(section, job)
    assert tables.section_hash(text) == hashlib.sha256(text.encode()).hexdigest()[:12]
    other = tables.section_text(replace(section, bl=section.bl + 0.001), job)
    assert tables.section_hash(other) != tables.section_hash(text)


def test_canted_plane_is_told():
    section = replace(round_section(600.0), cant=np.deg2rad(3.0), pivot_wl=900.0)
    text = tables.section_text(section, plain_job())
    assert "canted 3.00000 about waterline 900.0000" in text


def test_crossings_and_settlement_scale_but_angles_do_not(tmp_path):
    surface = demo_surface()
    job, found = surface.job, settlement(surface)
    mm = read(tables.settlement_text(found, job), tmp_path)
    kept = {name: column(mm, name) for name in tables.SETTLEMENT[1:]}
    assert "roll + lifts starboard" in mm.read_text()
    inch = read(tables.settlement_text(found, replace(job, unit="in")), tmp_path)
    for name, values in kept.items():
        per = 1.0 if name.endswith("_deg") else 25.4
        now = column(inch, name) * per
        assert (np.isnan(now) == np.isnan(values)).all()  # stations taken as exact stay blank
        known = np.isfinite(values)
        assert np.allclose(now[known], values[known], rtol=0, atol=0.0014), name
    assert np.isnan(kept["d_station"]).sum() == len(found.frame) - 1  # only F16 may shift


def test_surface_stands_at_every_frame_and_every_50_mm(tmp_path):
    surface = demo_surface()
    path = read(tables.surface_text(surface, surface.job), tmp_path)
    stations = np.unique(column(path, "station"))
    frames = [f.station for f in surface.job.frames]
    assert set(frames) <= set(stations)
    assert np.diff(stations).max() <= tables.EVERY
    assert set(np.arange(3100.0, 8890.0, 50.0)) <= set(stations)
    girth, here = column(path, "girth"), column(path, "station") == 6160.0
    assert np.diff(girth[here]).max() <= tables.EVERY
    assert girth[here][0] == 0.0
    assert (column(path, "sd") > 0).all()


@pytest.fixture(scope="module")
def mesh():
    return trimesh.load(io.BytesIO(tables.surface_stl(demo_surface())), file_type="stl")


def test_mesh_is_an_open_tube_wound_outwards(mesh):
    edges = np.sort(mesh.edges_unique, axis=1)
    border = trimesh.grouping.group_rows(mesh.edges_sorted, require_count=1)
    assert mesh.is_winding_consistent
    # two rims of 240 edges, and nothing else is open
    assert len(border) == 480
    assert len(edges) - len(border) == (3 * len(mesh.faces) - len(border)) / 2
    middle = np.array([0.0, 0.0, 900.0])
    out = (mesh.triangles_center - middle)[:, 1:]
    assert ((mesh.face_normals[:, 1:] * out).sum(1) > 0).all()


def test_mesh_lies_on_the_surface(mesh):
    """Corners are points of the loft to a float32 step, 0.0005 mm at 8192."""
    surface = demo_surface()
    grid, breaks = tables.loft_grid(surface, 40.0, 240)
    assert breaks == []
    corners = {tuple(row) for row in mesh.vertices.round(2)}
    wanted = {tuple(row) for row in grid.reshape(-1, 3).astype("<f4").astype(float).round(2)}
    assert corners == wanted
    assert np.diff(grid[:, 0, 0]).max() <= 40.0
