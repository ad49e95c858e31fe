"""Every reader against an independent writer, bare files, several scans, and damaged ones."""

import importlib.util
import shutil
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from loft.job.errors import LoftError
from loft.survey.readers import cloud_head, iter_cloud

SHARED = Path(__file__).parents[2] / "shared"
RNG = np.random.default_rng(20)
POINTS = RNG.normal(size=(257, 3)) * 1000.0  # more than one chunk of 100


def read(path, chunk=100, **more):
    parts = list(iter_cloud(path, chunk, **more))
    assert all(part.dtype == np.float64 and part.shape[1] == 3 for part in parts)
    assert max(map(len, parts)) <= chunk
    return np.concatenate(parts)


def refusal(path, chunk=100):
    with pytest.raises(LoftError) as refused:
        list(iter_cloud(path, chunk))
    lines = str(refused.value).splitlines()
    assert len(lines) == 1
    return lines[0]


def text(points=POINTS, separator=" "):
    return "".join(separator.join(repr(float(x)) for x in row) + "\n" for row in points)


def ply(form="binary_little_endian", kind="double", points=POINTS, before="", between=""):
    head = f"ply\nformat {form} 1.0\ncomment made here\n{before}element vertex {len(points)}\n"
    head += f"property {kind} x\n{between}property {kind} y\nproperty {kind} z\nend_header\n"
    return head.encode()


# ---- PLY ---------------------------------------------------------------------------------


@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize(("kind", "code"), [("double", "f8"), ("float32", "f4"), ("short", "i2")])
def test_binary_ply_keeps_every_bit(tmp_path, order, kind, code):
    points = POINTS.astype(code)
    path = tmp_path / "bay.ply"
    sign = {"little": "<", "big": ">"}[order]
    path.write_bytes(ply(f"binary_{order}_endian", kind) + points.astype(sign + code).tobytes())
    assert (read(path) == points).all()


def test_ply_layout_is_that_of_the_header(tmp_path):
    """A list element stands before the vertices, and a colour between x and y."""
    before = "element face 2\nproperty list uchar int vertex_indices\nproperty uchar flag\n"
    rows = np.zeros(len(POINTS), dtype=[("x", ">f8"), ("red", "u1"), ("y", ">f8"), ("z", ">f8")])
    for axis, values in zip("xyz", POINTS.T, strict=True):
        rows[axis] = values
    faces = struct.pack(">B3iB", 3, 0, 1, 2, 7) + struct.pack(">B4iB", 4, 0, 1, 2, 3, 7)
    path = tmp_path / "bay.ply"
    head = ply("binary_big_endian", before=before, between="property uchar red\n")
    path.write_bytes(head + faces + rows.tobytes())
    assert (read(path) == POINTS).all()


def test_ascii_ply_stops_at_its_vertices(tmp_path):
    path = tmp_path / "bay.ply"
    head = ply("ascii", before="element camera 1\nproperty float f\n")
    path.write_bytes(head + b"1.5\n" + text().encode() + b"3 0 1 2\n4 0 1 2 3\n")
    assert (read(path) == POINTS).all()


def test_ply_written_by_trimesh(tmp_path):
    import trimesh

    path = tmp_path / "bay.ply"
    trimesh.PointCloud(POINTS).export(path)
    # the writer stores float32: steps of 2^-13 at 1000 to 2048
    assert np.allclose(read(path), POINTS, rtol=0, atol=2.0**-12)


# ---- PCD ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("ascii_", "packed"), [(True, False), (False, False), (False, True)])
def test_pcd_written_by_open3d(tmp_path, ascii_, packed):
    open3d = pytest.importorskip("open3d")
    path = tmp_path / "bay.pcd"
    cloud = open3d.t.geometry.PointCloud(POINTS)
    open3d.t.io.write_point_cloud(str(path), cloud, write_ascii=ascii_, compressed=packed)
    # text carries ten figures: half a step of 1e-6 at 1000 to 9999
    assert np.allclose(read(path), POINTS, rtol=0, atol=0.51e-6 if ascii_ else 0)


def test_pcd_fields_of_any_order_with_padding(tmp_path):
    rows = np.zeros(
        len(POINTS), [("p", "u1", 4), ("z", "<f8"), ("n", "<f4", 3), ("x", "<f4"), ("y", "<f8")]
    )
    for axis, values in zip("xyz", POINTS.T, strict=True):
        rows[axis] = values
    head = (
        "# .PCD v0.7\nVERSION 0.7\nFIELDS _ z n x y\nSIZE 1 8 4 4 8\nTYPE U F F F F\n"
        f"COUNT 4 1 3 1 1\nWIDTH {len(POINTS)}\nHEIGHT 1\nVIEWPOINT 0 0 0 1 0 0 0\n"
        f"POINTS {len(POINTS)}\nDATA binary\n"
    )
    path = tmp_path / "bay.pcd"
    path.write_bytes(head.encode() + rows.tobytes())
    got = read(path)
    assert (got[:, 1:] == POINTS[:, 1:]).all()
    assert (got[:, 0] == POINTS[:, 0].astype("f4")).all()


@pytest.mark.parametrize("form", ["ascii", "binary", "binary_compressed"])
def test_pcd_of_another_writer(form):
    """Test data of pypcd4's source package (shared/scans.md): the same points in three forms."""
    if form == "binary_compressed":
        pytest.importorskip("open3d")
    points = read(SHARED / f"points_{form}.pcd", 50)
    assert points.shape == (213, 3)
    first = (0.93773, 0.33763, 0.0), (0.90805, 0.35641, 0.0), (0.81915, 0.32, 0.0)
    assert np.allclose(points[:3], first, rtol=0, atol=1e-7)  # single precision
    assert np.allclose(points, read(SHARED / "points_ascii.pcd", 213), rtol=0, atol=1e-7)


def test_compressed_pcd_past_its_limit_is_refused(tmp_path):
    path = tmp_path / "bay.pcd"
    path.write_text(
        "FIELDS x y z\nSIZE 4 4 4\nTYPE F F F\nWIDTH 20000001\nHEIGHT 1\nPOINTS 20000001\n"
        "DATA binary_compressed\n"
    )
    assert "20000001 compressed points found, at most 20000000" in refusal(path)


# ---- text --------------------------------------------------------------------------------


@pytest.mark.parametrize("separator", [" ", ",", ";", "\t", ", ", "   "])
@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_text_with_any_separator(tmp_path, separator, ending):
    path = tmp_path / "bay.xyz"
    path.write_bytes(text(separator=separator).replace("\n", ending).encode())
    assert (read(path) == POINTS).all()


def test_text_with_comments_header_blank_lines_and_more_columns(tmp_path):
    lines = text(np.column_stack([RNG.uniform(size=257), POINTS[:, [2, 0, 1]]]), ",").splitlines()
    lines[100:100] = ["# moved the tripod", "", "// and again"]
    path = tmp_path / "bay.csv"
    path.write_text("\ufeff# scan of the bay\nintensity,Z,X,Y\n" + "\n".join(lines))
    assert (read(path) == POINTS).all()


def test_pts_with_its_count_and_colours(tmp_path):
    path = tmp_path / "bay.pts"
    path.write_text("257\n" + text(np.column_stack([POINTS, RNG.integers(0, 255, (257, 4))])))
    assert cloud_head(path).points == 257
    assert (read(path) == POINTS).all()


def test_blocks_of_text_lose_no_line(tmp_path, monkeypatch):
    """Lines that cross the edge of a block of 999 bytes, with a comment and a short block."""
    monkeypatch.setattr("loft.survey.plaintext.BLOCK", 999)
    path = tmp_path / "bay.txt"
    path.write_text(text().rstrip("\n"))
    assert (read(path) == POINTS).all()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("1 2 3\n1 2\n", "bay.xyz:2: 2 columns found, 3 wanted"),
        ("# a\n1 2 3\n1 2 3\n\n1 2 x\n", "bay.xyz:5: 'x' found, a number wanted"),
        ("1 2\n", "bay.xyz:1: 2 columns found, x y z wanted"),
        ("1,5 2,5 3,5\n", "bay.xyz:1: '1,5 2,5 3,5' found: decimal commas; write decimal points"),
        ("1,5;2,5;3,5\n", "decimal commas"),
        ("lat lon height\n1 2 3\n", "columns lat, lon, height found; x, y and z wanted among them"),
        ("x,y,z,i\n1,2,3\n", "bay.xyz:2: 3 columns found, 4 wanted by the header"),
        ("# nothing\n", "no points found, x y z in columns wanted"),
        ("3\n1 2 3\n4 5 6\n", "2 points found, 3 wanted by its first line"),
        ("1 2 3\n1 ,2 ,3 4\n", "bay.xyz:2: 4 columns found, 3 wanted"),
        ("\x00\x01\x02\x03", "not text found, x y z in columns wanted"),
    ],
)
def test_damaged_text_is_named_by_its_row(tmp_path, content, said):
    path = tmp_path / "bay.xyz"
    path.write_text(content)
    assert said in refusal(path)


# ---- E57 ---------------------------------------------------------------------------------


def write_e57(path, scans):
    """Scans of (points, rotation quaternion, translation), with no field but x, y, z."""
    pye57 = pytest.importorskip("pye57")
    with pye57.E57(str(path), mode="w") as file:
        for points, rotation, translation in scans:
            data = dict(zip(("cartesianX", "cartesianY", "cartesianZ"), points.T, strict=True))
            file.write_scan_raw(data, rotation=rotation, translation=translation)


def test_e57_with_only_xyz_and_two_posed_scans(tmp_path):
    """The second scan is turned a quarter about z and shifted: closed form."""
    path = tmp_path / "bay.e57"
    half = np.sqrt(0.5)
    write_e57(
        path,
        [
            (POINTS, np.array([1.0, 0, 0, 0]), np.zeros(3)),
            (POINTS, np.array([half, 0, 0, half]), np.array([10.0, 20.0, 30.0])),
        ],
    )
    turned = np.column_stack([-POINTS[:, 1], POINTS[:, 0], POINTS[:, 2]]) + [10.0, 20.0, 30.0]
    # the writer stores float32: steps of 2^-13 at 1000 to 2048, 2^-12 past that
    assert np.allclose(read(path), np.concatenate([POINTS, turned]), rtol=0, atol=2.0**-11)
    head = cloud_head(path)
    assert head.points == 514
    assert head.notes == ("2 scans, 2 of them moved by the pose that the file gives",)


def test_real_e57_of_another_writer():
    pytest.importorskip("pye57")
    path = SHARED / "tinyCartesianFloatRgb.e57"
    points = read(path, 1000)
    assert len(points) == cloud_head(path).points == 2090
    # the first point as the library's own whole-file reader gives it
    assert np.allclose(points[0], (-8.67362976, 4.57541847, 295.54946899), rtol=0, atol=1e-7)


def test_real_spherical_e57_with_invalid_points():
    """Range 1 throughout: every valid point lies on the unit sphere."""
    pytest.importorskip("pye57")
    points = read(SHARED / "tiny_spherical.e57", 7)
    good = np.isfinite(points).all(axis=1)
    assert len(points) == 360
    assert 0 < (~good).sum() < 360
    assert np.allclose(np.linalg.norm(points[good], axis=1), 1.0, rtol=0, atol=1e-12)
    # azimuth = elevation in this file, half a degree a step: point 3 lies at twice 0.00872222
    turn = 2 * 0.00872222
    wanted = np.cos(turn) ** 2, np.cos(turn) * np.sin(turn), np.sin(turn)
    assert np.allclose(points[2], wanted, rtol=0, atol=1e-7)


@pytest.mark.parametrize("keep", [20, 1000, 30000])
def test_broken_e57_is_one_line(tmp_path, keep):
    """The library's exception is not an Exception: it must not pass through."""
    pytest.importorskip("pye57")
    path = tmp_path / "bay.e57"
    path.write_bytes((SHARED / "tinyCartesianFloatRgb.e57").read_bytes()[:keep])
    assert refusal(path).startswith("bay.e57: not a whole E57 file: ")


def test_damaged_inside_e57_is_one_line(tmp_path):
    pytest.importorskip("pye57")
    content = bytearray((SHARED / "tinyCartesianFloatRgb.e57").read_bytes())
    content[3000:3040] = bytes(40)  # inside the points: the page's checksum fails
    path = tmp_path / "bay.e57"
    path.write_bytes(content)
    assert "bay.e57: not a whole E57 file" in refusal(path)


# ---- LAS and LAZ -------------------------------------------------------------------------


def write_las(path, scale=1e-5, points=POINTS):
    laspy = pytest.importorskip("laspy")
    header = laspy.LasHeader(point_format=0, version="1.2")
    header.scales, header.offsets = np.full(3, scale), np.floor(points.mean(axis=0))
    las = laspy.LasData(header)
    las.x, las.y, las.z = points.T
    las.write(str(path))


@pytest.mark.parametrize("suffix", ["las", "laz"])
def test_las_to_half_a_step(tmp_path, suffix):
    if suffix == "laz":
        pytest.importorskip("lazrs")
    path = tmp_path / f"bay.{suffix}"
    write_las(path)
    assert np.abs(read(path) - POINTS).max() <= 0.5e-5 * 1.001  # half the header's scale
    assert cloud_head(path).notes == ()


def test_coarse_scale_of_las_is_said(tmp_path):
    path = tmp_path / "bay.las"
    write_las(path, scale=0.01)
    assert cloud_head(path).step == 0.01
    assert "rounded to 0.01 of its unit" in cloud_head(path).notes[0]


@pytest.mark.parametrize(("suffix", "keep"), [("las", 400), ("las", 100), ("laz", 800)])
def test_broken_las_is_one_line(tmp_path, suffix, keep):
    if suffix == "laz":
        pytest.importorskip("lazrs")
    whole, path = tmp_path / f"whole.{suffix}", tmp_path / f"bay.{suffix}"
    write_las(whole)
    path.write_bytes(whole.read_bytes()[:keep])
    said = refusal(path)
    assert "breaks off" in said or "not a whole LAS or LAZ file" in said


@pytest.mark.parametrize("suffix", ["las", "laz"])
def test_real_las_from_a_scanner_in_the_air(suffix):
    """Test data of laspy's source package (shared/scans.md); it reads them whole besides."""
    laspy = pytest.importorskip("laspy")
    path = SHARED / f"simple.{suffix}"
    points = read(path, 400)
    assert len(points) == cloud_head(path).points == 1065
    # by its header these are its least and greatest numbers
    assert np.allclose(points.min(axis=0), (635619.85, 848899.70, 406.59), rtol=0, atol=1e-9)
    assert np.allclose(points.max(axis=0), (638982.55, 853535.43, 586.38), rtol=0, atol=1e-9)
    assert np.array_equal(points, laspy.read(path).xyz)
    assert np.array_equal(points, read(SHARED / "simple.las", 1065))
    assert "rounded to 0.01 of its unit" in cloud_head(path).notes[0]


# ---- all kinds ---------------------------------------------------------------------------


def test_nothing_found_is_said(tmp_path):
    assert "no such file found" in refusal(tmp_path / "bay.ply")
    (tmp_path / "bay.doc").write_text("x")
    assert "a cloud of kind .doc found, one of PLY" in refusal(tmp_path / "bay.doc")
    for suffix in ("ply", "pcd", "pts", "xyz", "csv", "e57", "las", "laz"):
        path = tmp_path / f"bay.{suffix}"
        path.write_bytes(b"")
        assert refusal(path) == f"bay.{suffix}: an empty file found, a scan of the metal wanted"


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("bay.ply", b"solid\n", "wrong header: the first line is not 'ply'"),
        ("bay.ply", b"ply\nformat ascii 1.0\n", "wrong header: no line 'end_header' found"),
        ("bay.ply", b"ply\nformat binary 1.0\nend_header\n", "bay.ply:2: wrong header: 'format"),
        ("bay.ply", b"ply\nelement vertex 2\nend_header\n", "no line 'format"),
        ("bay.ply", ply("ascii", points=[]) + b"", "no points found"),
        ("bay.ply", ply("ascii", "quadruple"), "wrong header: 'property quadruple x' found"),
        ("bay.ply", ply().replace(b"double z", b"double w"), "x, y and z wanted among them"),
        ("bay.ply", ply() + POINTS[:100].tobytes(), "100 points found, 257 wanted by its header"),
        ("bay.ply", ply("ascii") + b"1 2 3\n", "breaks off: 1 points found, 257 wanted"),
        ("bay.ply", ply("ascii") + b"1 2 3\n1 2 a\n", "bay.ply:10: 'a' found, a number wanted"),
        ("bay.pcd", b"FIELDS x y z\n", "wrong header: no line 'DATA' found"),
        ("bay.pcd", b"FIELDS x y z\nDATA zip\n", "DATA zip found; ascii, binary or"),
        ("bay.pcd", b"FIELDS x y z\nSIZE 4 4\nTYPE F F F\nPOINTS 1\nDATA ascii\n", "do not agree"),
        (
            "bay.pcd",
            b"FIELDS x y z\nSIZE 4 4 4\nTYPE F F F\nWIDTH 9\nHEIGHT 1\nDATA binary\n123456789012",
            "breaks off: 1 points found, 9 wanted",
        ),
    ],
)
def test_wrong_headers_and_broken_files(tmp_path, name, content, said):
    path = tmp_path / name
    path.write_bytes(content)
    assert said in refusal(path)


def test_progress_grows_to_the_whole(tmp_path):
    path = tmp_path / "bay.ply"
    path.write_bytes(ply() + POINTS.tobytes())
    told = []
    read(path, progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0
    assert len(told) == 3


def test_a_chunk_of_nothing_is_refused(tmp_path):
    with pytest.raises(ValueError, match="1 or more wanted"):
        list(iter_cloud(tmp_path / "bay.ply", 0))


@pytest.mark.parametrize(("module", "extra"), [("pye57", "e57"), ("laspy", "las")])
def test_missing_package_names_the_extra(tmp_path, monkeypatch, module, extra):
    monkeypatch.setitem(sys.modules, module, None)
    path = tmp_path / f"bay.{extra}"
    path.write_bytes(b"something")
    assert f"pip install 'fuselage-loft[{extra}]'" in refusal(path)


def test_readers_load_no_optional_package():
    code = (
        "import sys, loft.survey.readers; print([m for m in sys.modules if m in "
        "('pye57', 'laspy', 'open3d', 'pandas')])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("name", ["nut.ply", "ant.ply", "sphere.ply"])
def test_real_ply_of_a_general_library(tmp_path, name):
    """Files that lie in the wheel of pyvista, read a second way by trimesh."""
    place = importlib.util.find_spec("pyvista")
    path = Path(place.origin).parent / "examples" / name if place else Path(name)
    if not path.exists():
        pytest.skip(f"this pyvista carries no {name}")
    import trimesh

    shutil.copy(path, tmp_path / name)
    other = trimesh.load(tmp_path / name, process=False)
    # the other reader rounds to float32
    assert np.array_equal(read(tmp_path / name).astype(np.float32), np.float32(other.vertices))
