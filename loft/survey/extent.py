"""Does a cloud fit the frame schedule? A wrong unit shows as a body that meets no frame."""

from __future__ import annotations

from typing import Any

import numpy as np

from loft.job.errors import Finding, LoftError
from loft.job.records import Array, Job
from loft.job.units import MM_PER

UNITS = ("mm", "m", "in", "ft")
TAILS = 0.5, 99.5  # percent: what a few strays do not move
THINNEST = 0.3  # of the frames' spacing: no body is slimmer
LONGEST = 20.0  # times the schedule's length: no hangar is longer
MARGIN = 15.0  # mm beyond the cloud at which a frame still counts as covered
BEYOND = 1e9  # mm: no coordinate of an aircraft is a thousandth as far


def check_extent(
    job: Job, look: Array, unit: str, *, rotation: Array, shift: Array, name: str
) -> dict[str, Any]:
    """Return how far the cloud reaches in aircraft axes; refuse what fits no frame.

    Parameters
    ----------
    job : Job
    look : ndarray, shape (n, 3)
        Some of the cloud's points as they stand in the file.
    unit : str
        What the job says that they are in.
    rotation, shift : ndarray, shape (3, 3) and (3,)
        The registration, mm.
    name : str
        What to call the file.

    Raises
    ------
    LoftError
        No frame lies within the cloud, or its size is none of a body with these frames.
        The units in which it would fit are named.

    Examples
    --------
    >>> from pathlib import Path
    >>> from loft.job.records import Frame
    >>> frames = (Frame(name="F1", station=3000.0), Frame(name="F2", station=3500.0))
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=frames)
    >>> look = np.array([[2.9, -0.6, 0.0], [3.6, 0.6, 1.2]])
    >>> try:
    ...     check_extent(job, look, "mm", rotation=np.eye(3), shift=np.zeros(3), name="bay.ply")
    ... except LoftError as refusal:
    ...     print(refusal)
    bay.ply: units: stations 2.9 to 3.6 mm found in mm, frames at 3000.0 to 3500.0 mm wanted; \
it would fit with units = "m"
    """
    low, high = _reach(look, unit, rotation, shift)
    fault = _fault(job, low, high)
    if fault:
        fit = [
            other
            for other in UNITS
            if other != unit and not _fault(job, *_reach(look, other, rotation, shift))
        ]
        if fit:
            asked = " or ".join(f'units = "{other}"' for other in fit)
            fault += f"; it would fit with {asked}"
        else:
            fault += "; it fits in no other unit either: look at its targets, or at the file"
        raise LoftError(Finding(file=name, column="units", text=fault.replace("@", unit)))
    axes = ("station", "bl", "wl")
    return {
        axis: [round(float(low[k]), 1), round(float(high[k]), 1)] for k, axis in enumerate(axes)
    }


def frame_spacing(job: Job) -> float:
    """Return the median distance between neighbouring frames, mm; 0 for a single one.

    Examples
    --------
    >>> from pathlib import Path
    >>> frame_spacing(Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=()))
    0.0
    """
    stations = np.sort([frame.station for frame in job.frames])
    return float(np.median(np.diff(stations))) if len(stations) > 1 else 0.0


def _reach(look: Array, unit: str, rotation: Array, shift: Array) -> tuple[Array, Array]:
    """Return the least and greatest station, bl, wl in mm, a few strays left out."""
    with np.errstate(over="ignore", invalid="ignore"):  # a damaged file holds any number
        placed = np.clip(look * MM_PER[unit], -BEYOND, BEYOND) @ rotation.T + shift
    low, high = np.percentile(placed, TAILS, axis=0)
    return low, high


def _fault(job: Job, low: Array, high: Array) -> str:
    """Say what does not fit, with @ for the unit; "" where all does."""
    stations = np.array([frame.station for frame in job.frames])
    first, last = stations.min(), stations.max()
    spacing = frame_spacing(job)
    if max(abs(low[0]), abs(high[0])) > BEYOND / 10:
        return "stations beyond all measure found in @, a whole file wanted"
    found = f"stations {low[0]:.1f} to {high[0]:.1f} mm found in @"
    if not ((stations >= low[0] - MARGIN) & (stations <= high[0] + MARGIN)).any():
        return f"{found}, frames at {first:.1f} to {last:.1f} mm wanted"
    across = float((high - low)[1:].max())
    if across < THINNEST * spacing:
        return f"{found}, only {across:.1f} mm across; too slim for frames {spacing:.0f} mm apart"
    if spacing and high[0] - low[0] > LONGEST * (last - first + spacing):
        return f"{found}; too long for frames at {first:.1f} to {last:.1f} mm"
    return ""
