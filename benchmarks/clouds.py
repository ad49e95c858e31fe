"""A scan turned into readings: time against plain chunked readers, and peak memory.

    nice python benchmarks/clouds.py [--kinds ply,las,laz,e57,xyz]

POINTS (environment variable, 10000000 by default) sets the size of the scan, which is
made at run time in a folder of its own and removed: the inside of the whole body, skin
and stringers, by the same random numbers in every kind. RUNS (2) is how often each is
measured, turn about; the least stands. Every figure comes from a fresh process, of a file
that lies in the system's cache: `library`, `reader` and `survey` are seconds by the clock with, in
brackets, seconds of processor time, of which two processors give two by the clock.

library   what one writes without us: chunks of the usual size by the general library of the
          format (numpy.fromfile for PLY, numpy.loadtxt for XYZ, laspy's chunk_iterator for
          LAS and LAZ, pye57's buffers for E57), each made x, y, z as float64, and the points
          counted that lie within 25 mm of a frame's station
reader    the plain reader: iter_cloud, chunks of the usual size as float64 x, y, z, each
          let go at once. Nothing else is done, not even a sum
survey    read_scans, which is what `loft survey` does with a scan: the same chunks to
          readings at the frames and bays, and along the stringers taped at every frame
to lib    survey over library, by the clock; in brackets by processor time
to reader survey over reader, likewise
fixed     processor time of it that does not grow with the file: planes in the cells
peak      greatest resident memory of the survey, MiB
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
import warnings
from pathlib import Path

import numpy as np

HOUSE = Path(__file__).parent.parent
sys.path[:0] = [str(HOUSE), str(HOUSE / "tests" / "survey")]

from scanned import STRINGER_NAMES, corncrake, crests, scan_of, skin  # noqa: E402

from loft.corncrake import GAUGE, MISSING, STATIONS, touched  # noqa: E402
from loft.survey import clouds, scans  # noqa: E402
from loft.survey import crests as edges  # noqa: E402
from loft.survey.gather import survey_of  # noqa: E402
from loft.survey.readers import CHUNK, iter_cloud  # noqa: E402
from loft.survey.tables import Reading  # noqa: E402

BODY = 3000.0, 9000.0
BATCH = 500_000
ON_CREST = 0.15  # share of the points that lie on a stringer's inner edge
KINDS = "ply,las,laz,e57,xyz"
MEASURED = "library", "reader", "survey"
COUNTED = 25.0  # mm to each side of a frame's station


def batches(count):
    """The whole body from within, in metres, a batch at a time."""
    rng = np.random.default_rng(2026)
    while count > 0:
        part = min(BATCH, count)
        high = int(ON_CREST * part)
        points = np.concatenate(
            [skin(rng, rng.uniform(*BODY, part - high)), crests(rng, rng.uniform(*BODY, high))]
        )
        yield rng.permutation(points) / 1000.0
        count -= part


def make(path, count):
    """Write the scan in the kind that the suffix names."""
    kind = path.suffix[1:]
    if kind == "ply":
        head = f"ply\nformat binary_little_endian 1.0\nelement vertex {count}\n"
        head += "".join(f"property float {axis}\n" for axis in "xyz") + "end_header\n"
        with path.open("wb") as file:
            file.write(head.encode())
            for points in batches(count):
                points.astype("<f4").tofile(file)
    elif kind == "xyz":
        with path.open("w") as file:
            for points in batches(count):
                np.savetxt(file, points, fmt="%.4f")
    elif kind in ("las", "laz"):
        import laspy

        header = laspy.LasHeader(point_format=0, version="1.2")
        header.scales = np.full(3, 1e-5)
        with laspy.open(path, mode="w", header=header) as file:
            for points in batches(count):
                record = laspy.ScaleAwarePointRecord.zeros(len(points), header=header)
                record.x, record.y, record.z = points.T
                file.write_points(record)
    elif kind == "e57":
        import pye57

        points = np.concatenate(list(batches(count)))
        names = ("cartesianX", "cartesianY", "cartesianZ")
        with pye57.E57(str(path), mode="w") as file:
            file.write_scan_raw(dict(zip(names, points.T, strict=True)))


def by_hand(job):
    """The flanges of every standing frame at every stringer."""
    places = [
        (frame, line, touched(line, station, depth=GAUGE))
        for frame, station in STATIONS.items()
        for line in STRINGER_NAMES
        if frame != MISSING
    ]
    readings = [
        Reading(frame=frame, line=line, station=station, bl=bl, wl=wl, sigma=1.5,
                face="frame_flange", depth=GAUGE, source="tape.csv", row=row)
        for row, (frame, line, (station, bl, wl)) in enumerate(places, start=2)
    ]  # fmt: skip
    return survey_of(job, readings)


def by_library(path):
    """Yield x, y, z of a scan that `make` wrote, in chunks, without any of our readers."""
    if path.suffix == ".ply":
        with path.open("rb") as file:
            while file.readline() != b"end_header\n":
                pass
            while len(flat := np.fromfile(file, "<f4", 3 * CHUNK)):
                yield flat.reshape(-1, 3).astype(np.float64)
    elif path.suffix == ".xyz":
        with path.open() as file, warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # of a file at its end
            while len(points := np.loadtxt(file, max_rows=CHUNK, ndmin=2)):
                yield points
    elif path.suffix in (".las", ".laz"):
        import laspy

        with laspy.open(path) as file:
            for record in file.chunk_iterator(CHUNK):
                yield np.stack([record.x, record.y, record.z], axis=1)
    elif path.suffix == ".e57":
        import pye57

        names = ("cartesianX", "cartesianY", "cartesianZ")
        with pye57.E57(str(path)) as file:
            data, buffers = file.make_buffers(names, CHUNK)
            reader = file.get_header(0).points.reader(buffers)
            while count := reader.read():
                yield np.stack([data[name][:count] for name in names], axis=1).astype(np.float64)
            reader.close()


def near_frames(chunks):
    """Count the points, and those near the plane of a frame."""
    stations = np.sort(np.array(list(STATIONS.values()))) / 1000.0
    between = (stations[1:] + stations[:-1]) / 2.0
    points = near = 0
    for part in chunks:
        nearest = stations[np.searchsorted(between, part[:, 0])]
        near += int(np.count_nonzero(np.abs(part[:, 0] - nearest) <= COUNTED / 1000.0))
        points += len(part)
    return {"points": points, "near": near}


def timed(module, name, spent):
    """Let a function of a module add the processor time it takes to a list."""
    inner = getattr(module, name)

    def outer(*arguments):
        begun = time.process_time()
        found = inner(*arguments)
        spent.append(time.process_time() - begun)
        return found

    setattr(module, name, outer)


def measure(path, what):
    """Do one of the three in this process; print seconds, memory and what came of it."""
    fixed = []
    timed(clouds, "_all_cells", fixed)
    timed(edges, "_read_blocks", fixed)
    job = corncrake(clouds=(scan_of(path, unit="m"),))
    hand = by_hand(job)
    clock, spent = time.perf_counter(), time.process_time()
    if what == "reader":
        told = {"points": sum(map(len, iter_cloud(path)))}
    elif what == "library":
        told = near_frames(by_library(path))
    else:
        surveys, faults = scans.read_scans(job, hand, progress=lambda line: None)
        assert not faults, faults
        told = {"readings": len(surveys[0]), "crests": surveys[0].scans[0]["crests"]}
    told["clock"] = time.perf_counter() - clock
    told["cpu"] = time.process_time() - spent
    told["fixed"] = sum(fixed)
    told["peak"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(json.dumps(told))


def fresh(path, what):
    """Make or measure in a process of its own: a parent's peak would count as the child's."""
    command = [sys.executable, __file__, "--measure", what, "--file", str(path)]
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True)
    return json.loads(done.stdout or "{}")


def least(runs):
    """Return the least seconds of several runs, and the greatest peak."""
    best = dict(runs[0])
    best.update({key: min(run[key] for run in runs) for key in ("clock", "cpu", "fixed")})
    best["peak"] = max(run["peak"] for run in runs)
    return best


def main():
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--kinds", default=KINDS)
    asked.add_argument("--measure", choices=("make", *MEASURED))
    asked.add_argument("--file", type=Path)
    options = asked.parse_args()
    count, runs = (int(os.environ.get(*pair)) for pair in (("POINTS", "10000000"), ("RUNS", "2")))
    if options.measure == "make":
        make(options.file, count)
        return
    if options.measure:
        measure(options.file, options.measure)
        return
    print(f"{count} points, {os.cpu_count()} processors, least of {runs} runs", flush=True)
    print(
        "kind     MB    library s      reader s       survey s      to lib        to reader     "
        "fixed  peak  readings crests"
    )
    for kind in options.kinds.split(","):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder, f"body.{kind}")
            fresh(path, "make")
            done = [[fresh(path, what) for what in MEASURED] for _ in range(runs)]
            library, plain, whole = (least(column) for column in zip(*done, strict=True))
            assert library["points"] == plain["points"] == count, (library, plain)
            print(
                f"{kind:4} {path.stat().st_size / 1e6:6.0f} "
                f"{library['clock']:6.2f} ({library['cpu']:5.2f}) "
                f"{plain['clock']:6.2f} ({plain['cpu']:5.2f}) "
                f"{whole['clock']:6.2f} ({whole['cpu']:5.2f}) "
                f"{whole['clock'] / library['clock']:6.2f} "
                f"({whole['cpu'] / library['cpu']:5.2f}) "
                f"{whole['clock'] / plain['clock']:6.2f} ({whole['cpu'] / plain['cpu']:5.2f}) "
                f"{whole['fixed']:6.2f} {whole['peak']:5.0f} "
                f"{whole['readings']:9d} {whole['crests']:6d}",
                flush=True,
            )


if __name__ == "__main__":
    main()
