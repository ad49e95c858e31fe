"""A small tapered body of ellipses and its survey: quick to run, every point in closed form."""

from __future__ import annotations

from pathlib import Path

import numpy as np

STATIONS = {f"F{k}": 1000.0 + 400.0 * k for k in range(1, 8)}
MISSING = "F4"
LINES = {
    "CROWN": 0.0,
    **{f"S{k}S": k / 7 * np.pi for k in range(1, 7)},
    "KEEL": np.pi,
    **{f"S{k}P": -k / 7 * np.pi for k in range(6, 0, -1)},
}
SIGMA = 0.5
JOB = """\
[job]
title = "Small body"
units = "{unit}"
missing = ["F4"]
{frames}
[skin]
gauge = "0.9 mm"
[stringer]
depth = "15 mm"
width = "15 mm"
[[survey]]
file = "tape.csv"
sigma = "0.5 mm"
face = "skin_outer"
[frame_section]
stands = "on_skin"
gauge = "1.2 mm"
flange = "19 mm"
flange_faces = "forward"
web_depth = "60 mm"
bend_radius = "4 mm"
splices = ["CROWN", "KEEL"]
[offsets]
waterlines = "100 mm"
buttocks = "100 mm"
[cutout]
clearance = "1.5 mm"
corner_radius = "4 mm"
[block]
margin = "10 mm"
base = "20 mm"
[tolerance]
mould_line = "2 mm"
"""


def axes(station):
    """Half axes of the ellipse at a station: across and up."""
    share = (np.asarray(station, dtype=float) - 1400.0) / 2400.0
    return 500.0 * (1.0 - 0.25 * share**2), 600.0 * (1.0 - 0.30 * share**2)


def point(station, theta):
    """(bl, wl) of the mould line."""
    across, up = axes(station)
    return np.stack([across * np.sin(theta), 1000.0 + up * np.cos(theta)], axis=-1)


def bearing(station, bl, wl):
    """theta of a point of the section, from up, positive to starboard."""
    across, up = axes(station)
    return np.arctan2(bl / across, (wl - 1000.0) / up)


def rows(per=1.0, places=1, seed=5):
    """The tape's rows, in millimetres to `places`, then over `per` to the last bit."""
    rng = np.random.default_rng(seed)
    found = []
    for frame, station in STATIONS.items():
        for line, theta in LINES.items():
            read = point(station, theta) + rng.normal(0.0, SIGMA, 2)
            if frame != MISSING:
                cells = [repr(round(float(value), places) / per) for value in read]
                found.append([frame, line, "", *cells])
    return found


def table(found, header="frame,line,station,bl,wl"):
    return "\n".join([header, *(",".join(row) for row in found)]) + "\n"


def write(folder, *, unit="mm", per=1.0, found=None, frame_more="", job_more=""):
    """Write job.toml and tape.csv; `frame_more` goes to the missing frame."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    frames = "".join(
        f'[[frame]]\nname = "{name}"\nstation = {station / per!r}\n'
        + (frame_more if name == MISSING else "")
        for name, station in STATIONS.items()
    )
    (folder / "job.toml").write_text(JOB.format(unit=unit, frames=frames) + job_more)
    (folder / "tape.csv").write_text(table(rows(per) if found is None else found))
    return folder
