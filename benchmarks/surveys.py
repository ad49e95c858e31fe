"""Turn simulated surveys into jobs, so that the program is measured through its own door.

The simulated bodies and surveys come from a folder named by the environment variable
PROTOTYPE (modules bodies, scenarios, surface_prototype); it is not part of this
repository. Without it the benchmarks that compare with it are skipped.
"""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from loft.job.records import Fair, Frame, Job, Line, Survey

FOLDER = os.environ.get("PROTOTYPE", "")
SETTLEMENT = 3.0, 3.0, np.deg2rad(0.2)  # what the jobs expect of a frame


def prototype():
    """Return the modules (bodies, scenarios, surface_prototype), or None."""
    if not FOLDER or not Path(FOLDER).is_dir():
        return None
    if FOLDER not in sys.path:
        sys.path.insert(0, FOLDER)
    import bodies
    import scenarios
    import surface_prototype

    return bodies, scenarios, surface_prototype


def make_job(stations, *, symmetry="soft", settlement=SETTLEMENT, lines=()):
    frames = tuple(
        Frame(name=f"F{k + 1}", station=float(x)) for k, x in enumerate(np.sort(stations))
    )
    return Job(
        path=Path("job.toml"),
        title="simulated",
        unit="mm",
        missing=(),
        frames=frames,
        lines=tuple(lines),
        fair=Fair(symmetry=symmetry, settlement=settlement),
    )


def make_survey(rows, lines=(), sigma=1.0):
    """Rows of (frame name, label, station, bl, wl)."""
    frame, label, station, bl, wl = (np.array(part) for part in zip(*rows, strict=True))
    n = len(frame)
    return Survey(
        frame=frame.astype(str),
        line=label.astype(str),
        station=station.astype(float),
        bl=bl.astype(float),
        wl=wl.astype(float),
        sigma=np.full(n, float(sigma)),
        covariance=np.full((n, 1, 1), float(sigma) ** 2) * np.eye(3),
        depth=np.zeros(n),
        face=np.full(n, "skin_outer"),
        source=np.full(n, "simulated"),
        row=np.arange(1, n + 1),
        pass_no=np.ones(n, int),
        use=np.ones(n, bool),
        reason=np.full(n, "", dtype="<U64"),
        lines=tuple(lines),
    )


def edge_labels(body, frames):
    """Labels of the survey points that stand on the body's edges: {point label: line}."""
    bodies = sys.modules["bodies"]
    middle = body.section((body.lo + body.hi) / 2)
    edges = body.brk((body.lo + body.hi) / 2)
    if edges is None:
        return {}, ()
    closed = np.vstack([middle, middle[:1]])
    run = np.r_[0, np.cumsum(np.hypot(*np.diff(closed, axis=0).T))]
    count = 1 + max(int(f["lab"].max()) for f in frames)
    out, lines = {}, []
    for point in edges:
        here = run[np.argmin(np.hypot(*(middle - point).T))] / run[-1]
        label = round(here * count) % count
        if abs(point[0]) < 1e-6:
            kind = "crown" if point[1] > middle[:, 1].mean() else "keel"
            line = Line(name=kind.upper(), kind=kind, side="centre", chine=True)
        else:
            side = "starboard" if point[0] > 0 else "port"
            line = Line(name=f"C1{side[0].upper()}", kind="chine", side=side, chine=True)
        out[label] = line.name
        lines.append(line)
    assert bodies
    return out, tuple(lines)


def job_of(frames, *, body=None, marked=True, sigma=1.0, **options):
    """Return (Job, Survey) of a simulated survey; `marked` labels the body's edges."""
    frames = sorted(frames, key=lambda f: f["x"])
    labels, lines = edge_labels(body, frames) if body is not None and marked else ({}, ())
    job = make_job([f["x"] for f in frames], lines=lines, **options)
    rows = [
        (frame.name, labels.get(int(lab), ""), frame.station, *point)
        for frame, f in zip(job.frames, frames, strict=True)
        for lab, point in zip(f["lab"], f["p"], strict=True)
    ]
    return job, make_survey(rows, lines, sigma)


def missing(job: Job, station: float) -> tuple[Job, Frame]:
    """Return the job with a missing frame at `station` in its schedule, and the frame."""
    frame = Frame(name="MISSING", station=float(station), status="missing")
    frames = tuple(sorted((*job.frames, frame), key=lambda f: f.station))
    return replace(job, frames=frames, missing=("MISSING",)), frame
