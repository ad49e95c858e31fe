"""One pass over a scan's file: single precision loses nothing, whatever lies in the file."""

import numpy as np
import pytest

from loft.job.records import Frame
from loft.survey import sieve
from loft.survey.rows import Rows
from loft.survey.runs import BLOCK, Run, Tubes
from loft.survey.slabs import Cutter, Slab

SLABS = (
    Slab(frame="A", station=5680.0, low=0.0),
    Slab(frame="", station=5800.0),
    Slab(frame="B", station=5960.0, low=-7.0, high=8.0),
)
CANTED = Slab(frame="C", station=6050.0, cant=np.deg2rad(4.0))
RUNS = [Run(line="S4P", start=np.array([5600.0, 0, 700]), end=np.array([6100.0, 20, 700]))]
TURN = np.deg2rad(25.0)  # about up: every station is a sum of products
TURNED = np.array([[np.cos(TURN), -np.sin(TURN), 0], [np.sin(TURN), np.cos(TURN), 0], [0, 0, 1.0]])
LAYOUTS = {
    "single": [("x", "<f4"), ("y", "<f4"), ("z", "<f4")],
    "double": [("x", "<f8"), ("y", "<f8"), ("z", "<f8")],
    "swapped": [("x", ">f4"), ("y", ">f4"), ("red", "u1"), ("z", ">f4")],
}


def on_the_brink(rng, count):
    """Points (station, bl, wl) within 0.002 mm of where slabs begin and end, and the blocks end."""
    edges = [slab.station + end for slab in SLABS for end in (slab.low, slab.high)]
    edges.append(RUNS[0].start[0] + 12 * BLOCK)  # 500 mm are twelve whole blocks
    station = rng.choice(edges, count) + rng.uniform(-0.002, 0.002, count)
    theta = rng.uniform(-np.pi, np.pi, count)
    return np.stack([station, 700.0 * np.sin(theta), 700.0 * np.cos(theta)], axis=1)


def written(path, points, layout):
    """A PLY of the points with the fields of a layout."""
    table = np.zeros(len(points), LAYOUTS[layout])
    for axis, column in zip("xyz", points.T, strict=True):
        table[axis] = column
    kinds = {"f4": "float", "f8": "double", "u1": "uchar"}
    order = "big" if layout == "swapped" else "little"
    head = f"ply\nformat binary_{order}_endian 1.0\nelement vertex {len(points)}\n"
    head += "".join(f"property {kinds[of[-2:]]} {name}\n" for name, of in LAYOUTS[layout])
    path.write_bytes(head.encode() + b"end_header\n" + table.tobytes())
    return path


def sifted(path, motion, chunk=7_000):
    """What slabs, a canted one and tubes hold back: heap, offset, bl, wl, seen of each."""
    leaning = Frame(name="C", station=CANTED.station, cant=CANTED.cant)
    sieves = [Cutter(SLABS, ()), Cutter((*SLABS, CANTED), (leaning,)), Tubes(RUNS)]
    found = sieve.sift(path, sieves, motion, name=path.name, chunk=chunk)
    fields = ("slab", "offset", "bl", "wl", "seen")
    return found, [getattr(sample, field) for sample in found.samples for field in fields]


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("rotation", [np.eye(3), TURNED], ids=["straight", "turned"])
def test_single_precision_decides_nothing(tmp_path, monkeypatch, layout, rotation):
    """As with no point let go beforehand, to the bit, where slabs and blocks begin and end."""
    points = on_the_brink(np.random.default_rng(1), 20_000) @ rotation / 1000.0  # metres
    path, motion = written(tmp_path / "bay.ply", points, layout), (1000.0 * rotation, np.zeros(3))
    _, fast = sifted(path, motion)
    for kind in (Cutter, Tubes):
        monkeypatch.setattr(kind, "close", lambda self, station: np.arange(len(station)))
    _, slow = sifted(path, motion)
    assert len(fast[0]) > 1000  # half of the brinks' points lie within
    assert all(np.array_equal(one, other) for one, other in zip(fast, slow, strict=True))


def test_numbers_far_from_their_datum_are_taken_whole(tmp_path):
    """At 400 km a single-precision station is out by 30 mm: double ones are as near the datum."""
    points = on_the_brink(np.random.default_rng(2), 5_000)
    shift = np.array([4e8, 0.0, 0.0])
    near, _ = sifted(written(tmp_path / "near.ply", points, "double"), (np.eye(3), np.zeros(3)))
    far = written(tmp_path / "far.ply", points + shift, "double")
    far, _ = sifted(far, (np.eye(3), -shift))
    for one, other in zip(near.samples, far.samples, strict=True):
        # 4e8 is good to 6e-8 in double precision: of 5000 points within 0.002 mm, under one
        assert np.abs(one.seen - other.seen).max() <= 1


def test_points_without_numbers_are_counted_in_their_piece_alone(tmp_path, monkeypatch):
    monkeypatch.setattr(sieve, "PIECE", 1_000)
    points = on_the_brink(np.random.default_rng(3), 6_000)
    whole, kept = sifted(
        written(tmp_path / "whole.ply", points, "double"), (np.eye(3), np.zeros(3))
    )
    points = np.insert(points, [2_500, 2_501], [[5690.0, np.nan, 0.0], [np.inf, 0, 0]], axis=0)
    holed, same = sifted(
        written(tmp_path / "holed.ply", points, "double"), (np.eye(3), np.zeros(3))
    )
    assert (whole.blank, holed.blank, holed.read) == (0, 2, 6_002)
    assert all(
        np.array_equal(kept[k], same[k]) for k in (4, 9, 14)
    )  # how many every heap was offered


def test_rows_are_scaled_only_where_the_file_says_so():
    table = np.array([[1, -2, 3], [4, 5, -9]], dtype=np.int32)
    rows = Rows(table=table, scale=(0.5, 1.0, 2.0), offset=(0.0, 0.0, 7.0))
    assert rows.points().tolist() == [[0.5, -2.0, 13.0], [2.0, 5.0, -11.0]]
    assert rows.largest() == 9.0
    assert np.isnan(Rows(table=np.array([[0.0, np.nan, np.inf]])).largest())
