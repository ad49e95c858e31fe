"""The STEP file, parsed by an independent little reader and evaluated by de Boor's own rule."""

import re

import bench_bodies as bodies
import numpy as np
import pytest

from loft.bench.step import evaluate, patches_of, step_bytes, strands_of
from loft.job.errors import LoftError

STATIONS = np.arange(5200.0, 6801.0, 100.0)


def grid_of(body, columns=160):
    turn = 2 * np.pi * np.arange(columns) / columns
    return np.array(
        [np.column_stack([np.full(columns, x), *body(np.full(columns, x), turn)]) for x in STATIONS]
    )


def entities(content):
    """Return the entities of a STEP file by number: (name, arguments as text)."""
    body = content.decode().split("DATA;")[1].split("ENDSEC;")[0]
    found = {}
    for row in body.strip().split(";\n"):
        number, text = row.rstrip(";").split("=", 1)
        name, inside = re.fullmatch(r"([A-Z0-9_]*)\((.*)\)", text, re.S).groups()
        found[int(number[1:])] = (name, inside)
    return found


def nested(text):
    """Return the arguments of an entity as nested lists of words."""
    out, stack, word = [], [], ""
    current = out
    for sign in text + ",":
        if sign == "(":
            stack.append(current)
            current = []
        elif sign in "),":
            if word:
                current.append(word)
                word = ""
            if sign == ")":
                stack[-1].append(current)
                current = stack.pop()
        else:
            word += sign
    return out


def basis(knots, degree, t):
    """Return all B-spline basis values at t by the recursion of Cox and de Boor."""
    n = len(knots) - degree - 1
    value = np.array([(knots[i] <= t < knots[i + 1]) for i in range(len(knots) - 1)], float)
    if t >= knots[-1]:
        value[:] = 0.0
        value[n - 1] = 1.0
    for k in range(1, degree + 1):
        new = np.zeros(len(value) - 1)
        for i in range(len(new)):
            left, right = knots[i + k] - knots[i], knots[i + k + 1] - knots[i + 1]
            if left > 0:
                new[i] += (t - knots[i]) / left * value[i]
            if right > 0:
                new[i] += (knots[i + k + 1] - t) / right * value[i + 1]
        value = new
    return value[:n]


def read_surfaces(content):
    found = entities(content)
    surfaces = []
    for name, inside in found.values():
        if name != "B_SPLINE_SURFACE_WITH_KNOTS":
            continue
        parts = nested(inside)
        _, u, v, net, _, _, _, _, mu, mv, ku, kv, _ = parts
        assert (u, v) == ("3", "3")
        poles = np.array(
            [[[float(x) for x in nested(found[int(p[1:])][1])[1]] for p in row] for row in net]
        )
        knots = [
            np.repeat([float(k) for k in values], [int(m) for m in mults])
            for mults, values in ((mu, ku), (mv, kv))
        ]
        surfaces.append((poles, *knots))
    return surfaces


@pytest.mark.parametrize("body", [bodies.lopsided, bodies.curved])
def test_the_file_s_surface_is_the_body(body):
    """At places between the grid's points, 0.002 mm: 22 mm of girth to the fourth power."""
    surfaces = read_surfaces(step_bytes(patches_of(grid_of(body)), title="loft"))
    assert len(surfaces) == 2
    rng = np.random.default_rng(3)
    for poles, ku, kv in surfaces:
        assert poles.shape[:2] == (len(ku) - 4, len(kv) - 4)
        for _ in range(12):
            u, v = rng.uniform(ku[0], ku[-1]), rng.uniform(kv[0], kv[-1])
            point = np.einsum("i,j,ijk->k", basis(ku, 3, u), basis(kv, 3, v), poles)
            assert abs(bodies.depth_below(body, point[None])[0]) < 0.002


def test_neighbouring_surfaces_meet_in_line_and_tangent():
    first, last = patches_of(grid_of(bodies.lopsided))
    u = np.linspace(STATIONS[0], STATIONS[-1], 9)
    h = 1e-4
    for one, end, other, start in (
        (first, first.knots_v[-1], last, last.knots_v[0]),
        (last, last.knots_v[-1], first, first.knots_v[0]),
    ):
        before, seam = (evaluate(one, u, np.array([end - s]))[:, 0] for s in (h, 0.0))
        begin, after = (evaluate(other, u, np.array([start + s]))[:, 0] for s in (0.0, h))
        assert np.abs(seam - begin).max() < 1e-9
        assert np.abs((seam - before) - (after - begin)).max() < 1e-7


def test_a_chine_is_an_edge_between_surfaces():
    columns = 160
    grid = grid_of(bodies.chined, columns)
    turn = 2 * np.pi * np.arange(columns) / columns
    breaks = [int(np.argmin(np.abs(turn - angle))) for angle in (2.0, 2.0 + np.pi)]
    for k, angle in zip(breaks, (2.0, 2.0 + np.pi), strict=True):
        for row, x in enumerate(STATIONS):
            grid[row, k, 1:] = [float(v) for v in bodies.chined(np.array(x), np.array(angle))]
    patches = patches_of(grid, breaks=breaks)
    assert len(patches) == 2
    for patch in patches:
        middle = 0.5 * (patch.knots_v[4] + patch.knots_v[0])
        point = evaluate(patch, np.array([6000.0]), np.array([middle]))[0]
        assert abs(bodies.depth_below(bodies.chined, point)[0]) < 0.01


def read_curves(content, name):
    curves = []
    for kind, inside in entities(content).values():
        parts = nested(inside)
        if kind != "B_SPLINE_CURVE_WITH_KNOTS" or parts[0] != f"'{name}'":
            continue
        found = entities(content)
        _, degree, poles, _, _, _, mults, values, _ = parts
        assert degree == "3"
        poles = np.array([[float(x) for x in nested(found[int(p[1:])][1])[1]] for p in poles])
        knots = np.repeat([float(v) for v in values], [int(m) for m in mults])
        curves.append((poles, knots))
    return curves


@pytest.mark.parametrize(
    ("body", "cut", "chines", "count"),
    [
        (bodies.lopsided, bodies.Cut(), (), 1),
        (bodies.elliptic_cone, bodies.Cut(cant=np.deg2rad(5.0), pivot_wl=100.0), (), 1),
        (bodies.chined, bodies.Cut(), (2.0, 2.0 + np.pi), 3),  # at the crown and two chines
    ],
)
def test_the_file_s_section_lies_on_the_body_and_in_its_plane(body, cut, chines, count):
    """Between the section's points, 8 mm apart: 0.001 mm by the fourth power."""
    section = bodies.section_of(body, cut, chines=chines)
    strands = strands_of(section, name="F14 section 0123")
    content = step_bytes(patches_of(grid_of(bodies.cone, 32)), title="loft", strands=strands)
    curves = read_curves(content, "F14 section 0123")
    assert len(curves) == count
    for number, (poles, knots) in enumerate(curves):
        assert np.abs(poles[-1] - curves[(number + 1) % count][0][0]).max() < 1e-8  # as written
        places = np.random.default_rng(7).uniform(knots[0], knots[-1], 8)
        points = np.array([basis(knots, 3, t) @ poles for t in places])
        up = points[:, 2] - cut.pivot_wl
        assert np.abs(points[:, 0] - cut.station - up * np.tan(cut.cant)).max() < 1e-6
        assert np.abs(bodies.depth_below(body, points)).max() < 1e-3
    names = [name for name, _ in entities(content).values()]
    assert names.count("GEOMETRIC_CURVE_SET") == 1
    assert names.count("PRODUCT") == 2


def test_every_reference_of_the_file_is_there_and_units_are_millimetres():
    content = step_bytes(patches_of(grid_of(bodies.cone, 32)), title="it's", description="d")
    text = content.decode()
    found = entities(content)
    for _, inside in found.values():
        assert all(int(number) in found for number in re.findall(r"#(\d+)", inside))
    assert "SI_UNIT(.MILLI.,.METRE.)" in text
    assert "AUTOMOTIVE_DESIGN" in text
    assert "'it''s'" in text
    names = [name for name, _ in found.values()]
    assert names.count("ADVANCED_FACE") == 2
    assert names.count("EDGE_CURVE") == 8
    assert content == step_bytes(
        patches_of(grid_of(bodies.cone, 32)), title="it's", description="d"
    )


def test_edges_run_round_each_face_in_order():
    """Every loop closes: each edge begins at the vertex where the one before it ended."""
    found = entities(step_bytes(patches_of(grid_of(bodies.cone, 32)), title="loft"))
    loops = [nested(inside)[1] for name, inside in found.values() if name == "EDGE_LOOP"]
    assert len(loops) == 2
    for loop in loops:
        ends = []
        for name in loop:
            _, _, _, edge, ahead = nested(found[int(name[1:])][1])
            _, start, stop, _, _ = nested(found[int(edge[1:])][1])
            ends.append((start, stop) if ahead == ".T." else (stop, start))
        assert all(ends[k][1] == ends[(k + 1) % 4][0] for k in range(4))


def test_a_grid_that_cannot_be_is_refused():
    with pytest.raises(LoftError, match="4 rows of 8 points or more wanted"):
        patches_of(np.zeros((3, 20, 3)))
    grid = grid_of(bodies.cone, 32)
    grid[2, 3, 1] = np.nan
    with pytest.raises(LoftError, match="not finite"):
        patches_of(grid)
    with pytest.raises(LoftError, match="not in order of station"):
        patches_of(grid_of(bodies.cone, 32)[::-1])
