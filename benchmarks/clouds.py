"""A scan turned into readings: time against the plain chunked reader, and peak memory.

    nice python benchmarks/clouds.py [--kinds ply,las,laz,e57,xyz]

POINTS (environment variable, 5000000 by default) sets the size of the scan, which is
made at run time in a folder of its own and removed. Every figure comes from a fresh
process: seconds of processor time, peak resident memory in MB.

reader    iter_cloud alone, every chunk looked at once (its sum)
survey    cloud_survey: the same file to readings
ratio     survey over reader
sections  of those seconds what the cells take after the file has been read; it does not
          grow with the file
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
from pathlib import Path

import numpy as np

HOUSE = Path(__file__).parent.parent
sys.path[:0] = [str(HOUSE), str(HOUSE / "tests" / "survey")]

from scanned import corncrake, scan_of, skin  # noqa: E402

from loft.survey import clouds  # noqa: E402
from loft.survey.readers import iter_cloud  # noqa: E402

BODY = 3000.0, 9000.0
BATCH = 500_000


def batches(count):
    """The whole body's skin from within, in metres, a batch at a time."""
    rng = np.random.default_rng(2026)
    while count > 0:
        part = min(BATCH, count)
        yield skin(rng, rng.uniform(*BODY, part)) / 1000.0
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


def measure(path, what):
    """Do one of the two in this process; print seconds, memory and what came of it."""
    sections = 0.0
    start = time.process_time()
    if what == "reader":
        read, total = 0, 0.0
        for points in iter_cloud(path):
            read += len(points)
            total += float(points.sum())
        told = {"points": read}
    else:
        inner = clouds._all_cells

        def timed(*arguments):
            nonlocal sections
            begun = time.process_time()
            found = inner(*arguments)
            sections = time.process_time() - begun
            return found

        clouds._all_cells = timed
        survey, report = clouds.cloud_survey(corncrake(), scan_of(path, unit="m"))
        told = {"points": report["points"], "readings": len(survey)}
    told["seconds"] = time.process_time() - start
    told["sections"] = sections
    told["peak"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(json.dumps(told))


def fresh(path, what):
    """Make or measure in a process of its own: a parent's peak would count as the child's."""
    command = [sys.executable, __file__, "--measure", what, "--file", str(path)]
    if what == "make":
        subprocess.run(command, check=True)
        return {}
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return json.loads(done.stdout)


def main():
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--kinds", default="ply,las,laz,e57,xyz")
    asked.add_argument("--measure", choices=("make", "reader", "survey"))
    asked.add_argument("--file", type=Path)
    options = asked.parse_args()
    count = int(os.environ.get("POINTS", "5000000"))
    if options.measure == "make":
        make(options.file, count)
        return
    if options.measure:
        measure(options.file, options.measure)
        return
    print(f"{count} points of the whole body, 2 million a chunk")
    print("kind     MB   reader s  MB   survey s  MB  ratio  sections s  readings")
    for kind in options.kinds.split(","):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder, f"body.{kind}")
            fresh(path, "make")
            plain, whole = fresh(path, "reader"), fresh(path, "survey")
            print(
                f"{kind:4} {path.stat().st_size / 1e6:7.0f} "
                f"{plain['seconds']:8.2f} {plain['peak']:5.0f} "
                f"{whole['seconds']:9.2f} {whole['peak']:5.0f} "
                f"{whole['seconds'] / plain['seconds']:6.2f} {whole['sections']:9.2f} "
                f"{whole['readings']:11d}",
                flush=True,
            )


if __name__ == "__main__":
    main()
