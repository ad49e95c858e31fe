"""From a scan to readings: one pass over the file, cut to slabs, binned to angular cells.

Memory does not grow with the file: of the points in the slabs a fair sample of bounded
size is kept, thinned by area. A cell's reading is the metal's robust plane where it
crosses the slab's reading plane. Its standard deviation is that of the plane (the
spread of its points over the root of their number), together with what neighbouring
cells scatter beyond it, together with the registration's own. A scan that comes
without a registration (already in aircraft axes) has an unknown common error: then
the sigma that the job states for the scan stands whole under every cell.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from loft.job.errors import Finding, LoftError
from loft.job.records import NAN, Array, CloudSet, Job, Survey
from loft.job.schema import given_name
from loft.job.units import MM_PER
from loft.survey.cells import Cells, find_metal, unlike
from loft.survey.centre import centre_heights
from loft.survey.extent import check_extent, frame_spacing
from loft.survey.plaintext import CloudHead
from loft.survey.readers import CHUNK, cloud_head
from loft.survey.runs import Tubes
from loft.survey.sample import Sample
from loft.survey.sieve import Pass, in_order, sift
from loft.survey.slabs import Cutter, Slab, slabs_of
from loft.survey.tables import face_depth

LEAST_SHARE = 0.05  # of a point's own sigma, under which no cell's goes
LAYER = {"skin_inner": "outermost", "stringer_inner": "outermost"}
SPARSE = 20  # cells of a slab under which it is told as hardly seen


class Registration(Protocol):
    """What moves a cloud into aircraft axes: mm = rotation @ (mm of the cloud) + translation."""

    @property
    def rotation(self) -> Array:
        """Shape (3, 3)."""

    @property
    def translation(self) -> Array:
        """Shape (3,), mm."""

    def covariance_at(self, points: Array) -> Array:
        """Return covariances, shape (n, 3, 3) in mm^2, at points (station, bl, wl) (n, 3)."""


def cloud_survey(
    job: Job,
    cloud_set: CloudSet,
    registration: Registration | None = None,
    progress: Callable[[float], None] | None = None,
    *,
    chunk: int = CHUNK,
    tubes: Tubes | None = None,
) -> tuple[Survey, dict[str, Any]]:
    """Read a scan into readings at every frame and across every bay.

    Parameters
    ----------
    job : Job
    cloud_set : CloudSet
        Its unit is believed, and refused where no frame of the job can be made of it.
    registration : Registration, optional
        None: the scan is already in aircraft axes.
    progress : callable, optional
        Told the share of the file that has been read, 0 to 1.
    chunk : int
        Most points in one array; the result does not depend on it.
    tubes : Tubes, optional
        About the stringers: filled in the same pass.

    Returns
    -------
    survey : Survey
        One reading a cell, `row` its number in the scan from 1, without labels. `frame`
        is the frame's name at a standing frame, "" across the bays and at a missing one.
    report : dict
        Points read, dropped and set aside, and every slab, in plain numbers: mm, None
        where unknown.

    Raises
    ------
    LoftError
        The file cannot be read, its extent does not fit the frame schedule (with the
        unit that would), or no metal is found in it.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> import numpy as np
    >>> theta, station = np.meshgrid(np.linspace(-3, 3, 2000), np.linspace(-10, 10, 11))
    >>> tube = np.stack([station, 600 * np.sin(theta), 600 * np.cos(theta)], axis=-1)
    >>> from loft.job.records import Frame
    >>> frames = (Frame(name="F1", station=0.0), Frame(name="F2", station=500.0))
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=frames)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "bay.xyz")
    ...     np.savetxt(path, tube.reshape(-1, 3), fmt="%.3f")
    ...     scan = CloudSet(file=path, sigma=0.5, face="skin_outer", unit="mm")
    ...     survey, report = cloud_survey(job, scan)
    >>> set(survey.frame.tolist()), report["points"], bool(abs(np.hypot(
    ...     survey.bl, survey.wl) - 600).max() < 0.05)
    ({'F1'}, 22000, True)
    """
    name = given_name(job, cloud_set.file)
    head = cloud_head(cloud_set.file, name=name)
    slabs = slabs_of(job, cloud_set.face)
    if not slabs:
        text = f"no frame of the job shows the face {cloud_set.face}"
        raise LoftError(Finding(file=name, text=text))
    rotation, shift = motion_of(registration)
    found = sift(
        cloud_set.file,
        [Cutter(slabs, job.frames), *([tubes] if tubes else [])],
        (rotation * MM_PER[cloud_set.unit], shift),
        name=name,
        points=head.points,
        chunk=chunk,
        progress=progress,
    )
    sample = found.samples[0]
    if tubes:
        tubes.sample = found.samples[1]
    if found.read == found.blank:
        text = f"all {found.read} points are without numbers, a scan of the metal wanted"
        raise LoftError(Finding(file=name, text=text))
    extent = check_extent(
        job, found.look, cloud_set.unit, rotation=rotation, shift=shift, name=name
    )
    cells, strange = _all_cells(job, cloud_set, slabs, sample)
    survey = _survey(job, cloud_set, slabs, cells, registration, name)
    if not len(survey):
        raise LoftError(Finding(file=name, text=_nothing(job, cloud_set, found)))
    notes = _notes(cloud_set, head, found, cells, registration, strange, name)
    report = _report(cloud_set, slabs, cells, found, extent, survey)
    report["notes"] = list(notes)
    return replace(survey, notes=notes), report


def motion_of(registration: Registration | None) -> tuple[Array, Array]:
    """Return rotation and translation (mm); those of rest without a registration.

    Examples
    --------
    >>> motion_of(None)[1].tolist()
    [0.0, 0.0, 0.0]
    """
    if registration is None:
        return np.eye(3), np.zeros(3)
    return (
        np.asarray(registration.rotation, dtype=np.float64),
        np.asarray(registration.translation, dtype=np.float64),
    )


def _all_cells(
    job: Job, cloud_set: CloudSet, slabs: tuple[Slab, ...], sample: Sample
) -> tuple[dict[int, tuple[Cells, float, float]], list[float]]:
    """Return for every slab with points its cells, its count and the share on the metal.

    Last the stations at which the metal was not the body's and was let go.
    """
    edges = np.searchsorted(sample.slab, np.arange(len(slabs) + 1))
    parts = {k: slice(edges[k], edges[k + 1]) for k in range(len(slabs)) if edges[k] < edges[k + 1]}
    centre = centre_heights(
        np.array([slabs[k].station for k in parts]),
        [np.stack([sample.bl[part], sample.wl[part]], axis=1) for part in parts.values()],
        spacing=frame_spacing(job),
    )
    inside = job.stringer_depth if cloud_set.face == "stringer_inner" else 0.0

    def metal(slab: tuple[int, float]) -> Cells:
        k, height = slab
        part = parts[k]
        return find_metal(
            np.stack([sample.offset[part] - slabs[k].at, sample.bl[part], sample.wl[part]], 1),
            height,
            sigma=cloud_set.sigma,
            layer=LAYER.get(cloud_set.face, ""),
            inside=inside,
            seed=k,
        )

    every = [*in_order(metal, zip(parts, centre, strict=True))]
    strange = unlike(every, centre, np.array([slabs[k].station for k in parts]))
    found = {}
    for k, cells, wrong in zip(parts, every, strange.tolist(), strict=True):
        own = cells.blank() if wrong else cells
        share = float(own.agreeing.sum() / max(own.points.sum(), 1.0))
        found[k] = (own, float(sample.seen[k]), share)
    return found, [slabs[k].station for k, wrong in zip(parts, strange, strict=True) if wrong]


def _survey(
    job: Job,
    cloud_set: CloudSet,
    slabs: tuple[Slab, ...],
    cells: dict[int, tuple[Cells, float, float]],
    registration: Registration | None,
    name: str,
) -> Survey:
    """Return the accepted cells of all slabs as readings, by slab and angle."""
    rows: dict[str, list[Any]] = {key: [] for key in ("frame", "place", "sd", "depth")}
    for k, (found, _, _) in cells.items():
        held = np.flatnonzero(found.found)
        bl, wl = found.bl[held], found.wl[held]
        station = slabs[k].plane(wl) + slabs[k].at
        rows["place"].append(np.stack([station, bl, wl], axis=1))
        rows["sd"].append(np.hypot(found.sd[held], found.rough))
        rows["frame"].append(np.full(len(held), slabs[k].frame))
        rows["depth"].append(np.full(len(held), _depth(job, cloud_set.face, slabs[k], name)))
    place = np.concatenate([np.zeros((0, 3)), *rows["place"]])
    sd = np.concatenate([np.zeros(0), *rows["sd"]])
    own, moved = _covariance(place, sd, cloud_set.sigma, registration)
    n = len(sd)
    return Survey(
        frame=np.concatenate([np.zeros(0, "U1"), *rows["frame"]]),
        line=np.full(n, ""),
        station=place[:, 0],
        bl=place[:, 1],
        wl=place[:, 2],
        sigma=np.sqrt(np.trace(own, axis1=1, axis2=2) / 3.0),
        covariance=own,
        depth=np.concatenate([np.zeros(0), *rows["depth"]]),
        face=np.full(n, cloud_set.face),
        source=np.full(n, name),
        row=np.arange(1, n + 1),
        pass_no=np.ones(n, dtype=np.int64),
        use=np.ones(n, dtype=bool),
        reason=np.full(n, ""),
        shared=np.sqrt(np.trace(moved, axis1=1, axis2=2) / 3.0),
    )


def _depth(job: Job, face: str, slab: Slab, name: str) -> float:
    """Return the depth of the face; refuse where the job does not give it."""
    frame = job.frame(slab.frame) if slab.frame else None
    try:
        return face_depth(job, face, frame=frame)
    except ValueError as error:
        raise LoftError(Finding(file=name, column="face", text=str(error))) from error


def _covariance(
    place: Array, sd: Array, sigma: float, registration: Registration | None
) -> tuple[Array, Array]:
    """Return (n, 3, 3) twice: the cell's own covariance and what all share, mm^2."""
    if registration is None:
        return sd[:, None, None] ** 2 * np.eye(3), np.full((len(sd), 1, 1), sigma**2) * np.eye(3)
    own = np.maximum(sd, LEAST_SHARE * sigma) ** 2
    moved = np.asarray(registration.covariance_at(place)) if len(place) else np.zeros((0, 3, 3))
    return own[:, None, None] * np.eye(3), moved


def _nothing(job: Job, cloud_set: CloudSet, found: Pass) -> str:
    """Say why no reading came of a cloud that was read."""
    where = "at the frames" if cloud_set.face == "frame_flange" else "at the frames and bays"
    near = found.samples[0].seen.sum()
    text = f"{found.read} points found, {near} of them {where}, but no metal in them"
    if cloud_set.face == "stringer_inner":
        return f"{text}: nothing stands about {job.stringer_depth:g} mm inside the skin"
    return f"{text} that goes on from cell to cell; a denser scan wanted"


def _notes(
    cloud_set: CloudSet,
    head: CloudHead,
    found: Pass,
    cells: dict[int, tuple[Cells, float, float]],
    registration: Registration | None,
    strange: list[float],
    name: str,
) -> tuple[str, ...]:
    """Return what a reader of the survey must know of this scan."""
    notes = [*head.notes]
    if found.blank:
        notes.append(f"{found.blank} of {found.read} points carry no numbers and were left out")
    if found.samples[0].far:
        notes.append(
            f"{found.samples[0].far} points lie more than 50 m off the centreline, left out"
        )
    if strange:
        places = ", ".join(f"{at:.0f} mm" for at in strange)
        notes.append(
            f"what it shows at station {places} lies so far out, or in, of what it shows on "
            "either side that it is not the body (a wall behind a torn side?): left out"
        )
    spread = _middle([c.spread[c.found] for c, _, _ in cells.values()])
    if spread > 2.0 * cloud_set.sigma:
        notes.append(
            f"its points scatter by {spread:.2f} mm about the metal, "
            f"more than twice the stated sigma of {cloud_set.sigma:g} mm"
        )
    step = head.step * MM_PER[cloud_set.unit]
    if head.single and len(found.look):
        largest = float(np.abs(found.look).max())
        step = max(step, float(np.spacing(np.float32(largest))) * MM_PER[cloud_set.unit])
    if step > cloud_set.sigma:
        notes.append(f"its numbers go in steps of {step:.2g} mm, more than its sigma")
    if registration is None:
        notes.append(
            "taken as already in aircraft axes; how well it was registered is not known, "
            f"so its sigma of {cloud_set.sigma:g} mm stands whole under every reading"
        )
    return tuple(f"{name}: {note}" for note in notes)


def _middle(parts: list[NDArray[np.float64]]) -> float:
    """Return the median of all parts; NaN where there is nothing."""
    both = np.concatenate([np.zeros(0), *parts])
    return float(np.median(both)) if len(both) else NAN


def _report(
    cloud_set: CloudSet,
    slabs: tuple[Slab, ...],
    cells: dict[int, tuple[Cells, float, float]],
    found: Pass,
    extent: dict[str, Any],
    survey: Survey,
) -> dict[str, Any]:
    """Return the account of the whole scan and of every slab, in plain numbers."""
    total = sum(count for _, count, _ in cells.values())
    on_metal = sum(count * share for _, count, share in cells.values())
    rows, last = [], 0
    for k, (part, count, share) in cells.items():
        held = int(part.found.sum())
        sigma = survey.sigma[last : last + held]
        last += held
        rows.append(
            {
                "frame": slabs[k].frame,
                "station": slabs[k].station,
                "points": round(count),
                "cells": held,
                "cells_seen": int((part.points > 0).sum()),
                "set_aside": round(1.0 - share, 4),
                "spread": _plain(_middle([part.spread[part.found]])),
                "sigma": _plain(_middle([sigma])),
                "hardly_seen": held < SPARSE,
            }
        )
    return {
        "file": survey.source[0].item(),
        "face": cloud_set.face,
        "points": found.read,
        "without_numbers": found.blank,
        "in_slabs": int(found.samples[0].seen.sum() + found.samples[0].far),
        "per_square": found.samples[0].per_square,
        "readings": len(survey),
        "set_aside": round(1.0 - on_metal / max(total, 1.0), 4),
        "extent": extent,
        "slabs": rows,
    }


def _plain(value: float) -> float | None:
    return round(value, 4) if np.isfinite(value) else None
