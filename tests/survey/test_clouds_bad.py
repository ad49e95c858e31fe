"""Bad scans of every kind through the whole reading: each one clear line, or told and read."""

from pathlib import Path

import numpy as np
import pytest
from scanned import corncrake, near_slabs, scan_of, skin

from loft.job.errors import LoftError
from loft.survey.clouds import cloud_survey
from loft.survey.runs import Run, Tubes

KINDS = "binary.ply", "ascii.ply", "binary.pcd", "ascii.pcd", "bay.pts", "bay.xyz"
PACKED = "bay.las", "bay.laz", "bay.e57"
JOB = corncrake()


def save(path: Path, points: np.ndarray) -> Path:
    """Write points in the kind that the name says, as plainly as it goes."""
    n = len(points)
    rows = "".join(f"{x:.6f} {y:.6f} {z:.6f}\n" for x, y, z in points)
    if path.suffix in (".las", ".laz"):
        laspy = pytest.importorskip("laspy")
        header = laspy.LasHeader(point_format=0, version="1.2")
        header.scales = np.full(3, 1e-5)
        las = laspy.LasData(header)
        las.x, las.y, las.z = points.T
        las.write(path)
    elif path.suffix == ".e57":
        pye57 = pytest.importorskip("pye57")
        lost = ~np.isfinite(points).all(axis=1)
        data = {
            f"cartesian{axis}": np.where(lost, 0.0, points[:, "XYZ".index(axis)]) for axis in "XYZ"
        }
        if lost.any():
            data["cartesianInvalidState"] = lost.astype(np.int8)
        with pye57.E57(str(path), mode="w") as file:
            if n:
                file.write_scan_raw(data)
    elif path.suffix == ".ply":
        form = "ascii" if path.stem == "ascii" else "binary_little_endian"
        head = f"ply\nformat {form} 1.0\ncomment by hand\nelement vertex {n}\n"
        head += "".join(f"property double {axis}\n" for axis in "xyz") + "end_header\n"
        body = rows.encode() if form == "ascii" else points.astype("<f8").tobytes()
        path.write_bytes(head.encode() + body)
    elif path.suffix == ".pcd":
        form = path.stem
        head = f"# by hand\nFIELDS x y z\nSIZE 8 8 8\nTYPE F F F\nPOINTS {n}\nDATA {form}\n"
        body = rows.encode() if form == "ascii" else points.astype("<f8").tobytes()
        path.write_bytes(head.encode() + body)
    else:
        path.write_text((f"{n}\n" if path.suffix == ".pts" else "# by hand\n") + rows)
    return path


def said(path, unit="m"):
    """The one line in which a scan is refused."""
    with pytest.raises(LoftError) as refused:
        cloud_survey(JOB, scan_of(path, unit=unit))
    (line,) = str(refused.value).splitlines()
    line = line.removeprefix(f"{path.parent}/")
    assert line.startswith(path.name)
    return line


def body(count=60_000, seed=5):
    rng = np.random.default_rng(seed)
    return skin(rng, near_slabs(rng, count, 5680.0, 5840.0, 6000.0)) / 1000.0


@pytest.mark.parametrize("name", KINDS + PACKED)
def test_sound_scan_is_read_from_every_kind(tmp_path, name):
    survey, report = cloud_survey(JOB, scan_of(save(tmp_path / name, body()), unit="m"))
    assert report["points"] == 60_000
    assert len(survey) > 300


@pytest.mark.parametrize("name", KINDS + PACKED)
def test_metres_given_as_millimetres(tmp_path, name):
    line = said(save(tmp_path / name, body(2000)), unit="mm")
    assert line.endswith('it would fit with units = "m"')


@pytest.mark.parametrize("name", KINDS + PACKED)
def test_scan_of_no_frame(tmp_path, name):
    """Half a kilometre behind the tail: no unit brings a frame into it."""
    line = said(save(tmp_path / name, body(2000) + (500.0, 0.0, 0.0)))
    assert "frames at " in line
    assert "it fits in no other unit either" in line


@pytest.mark.parametrize("name", KINDS + PACKED)
def test_broken_off(tmp_path, name):
    """The last third is missing; a bare list of points cannot tell, but for its last."""
    path = save(tmp_path / name, body(2000))
    content = path.read_bytes()
    path.write_bytes(content[: 2 * len(content) // 3])
    if name == "bay.xyz":
        lines = path.read_bytes().splitlines()
        path.write_bytes(b"\n".join([*lines[:-1], b"5.68 0.1"]))
    words = {
        "bay.xyz": "2 columns found, 3 wanted",
        "bay.pts": "columns found, 3 wanted",
        "ascii.ply": "columns found, 3 wanted",
        "bay.e57": "not a whole E57 file",
        "bay.laz": "not a whole LAZ file",
    }.get(name, "points found, 2000 wanted")
    line = said(path)
    assert words in line or (name in PACKED and "breaks off" in line)


@pytest.mark.parametrize("name", KINDS + PACKED)
def test_no_byte_and_no_point(tmp_path, name):
    path = save(tmp_path / name, np.zeros((0, 3)))
    assert "no points found" in said(path)
    path.write_bytes(b"")
    assert said(path) == f"{name}: an empty file found, a scan of the metal wanted"


@pytest.mark.parametrize("name", KINDS + PACKED)
def test_wrong_head(tmp_path, name):
    path = save(tmp_path / name, body(50))
    path.write_bytes(b"something else \xff\n" + path.read_bytes()[40:])
    words = {".ply": "wrong header", ".pcd": "wrong header", ".e57": "not a whole E57 file"}
    line = said(path)
    assert words.get(path.suffix, "wanted") in line or "not a whole LAS or LAZ file" in line


@pytest.mark.parametrize("name", [*KINDS, "bay.e57"])
def test_points_without_numbers(tmp_path, name):
    """Without one number all of a point is left out and counted; LAS has no such points."""
    points = body()
    points[::10, 1] = np.nan
    survey, report = cloud_survey(JOB, scan_of(save(tmp_path / name, points), unit="m"))
    assert (report["points"], report["without_numbers"]) == (60_000, 6000)
    assert np.isfinite(survey.bl).all()
    if name == "bay.e57":
        return  # the library writes no file of invalid points alone
    points[:] = np.nan
    assert "all 60000 points are without numbers" in said(save(tmp_path / name, points))


def test_ply_of_colours_alone(tmp_path):
    head = "ply\nformat ascii 1.0\nelement vertex 2\nproperty uchar red\nproperty uchar green\n"
    (tmp_path / "bay.ply").write_text(head + "property uchar blue\nend_header\n1 2 3\n4 5 6\n")
    assert "the fields are red, green, blue; x, y and z wanted" in said(tmp_path / "bay.ply")


def test_las_in_steps_of_a_centimetre(tmp_path):
    """Read, and told in the survey's notes."""
    laspy = pytest.importorskip("laspy")
    header = laspy.LasHeader(point_format=0, version="1.2")
    header.scales = np.full(3, 0.01)
    las = laspy.LasData(header)
    las.x, las.y, las.z = body().T
    las.write(tmp_path / "bay.las")
    survey, _ = cloud_survey(JOB, scan_of(tmp_path / "bay.las", unit="m"))
    assert any("rounded to 0.01 of its unit" in note for note in survey.notes)
    assert any("steps of 10 mm, more than its sigma" in note for note in survey.notes)


def test_strays_beyond_all_measure_change_nothing(tmp_path):
    """A few of any size, as a damaged file holds them: no warning, no other reading."""
    run = Run(
        line="S1S", start=np.array([5680.0, 0.0, 2000.0]), end=np.array([6180.0, 0.0, 2000.0])
    )
    strays = np.array([[1e308, 1e308, -1e308], [5.68, 1e200, -1e200], [5.8, np.inf, 0.0]])
    found = []
    for points in (body(), np.concatenate([body(), strays])):
        scan = scan_of(save(tmp_path / "binary.ply", points), unit="m")
        found.append(cloud_survey(JOB, scan, tubes=Tubes([run])))
    (sound, _), (strayed, report) = found
    assert report["points"] == 60_003
    assert np.array_equal(sound.bl, strayed.bl)
    assert any("1 points lie more than 50 m off the centreline" in note for note in strayed.notes)
