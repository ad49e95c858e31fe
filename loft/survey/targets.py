"""Read the targets of a scan: the same marks in the scan and in aircraft axes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from loft.job.errors import LoftError
from loft.job.records import Array, CloudSet, Job, freeze_arrays
from loft.job.rows import Faults, Row, read_length, table_rows, table_source
from loft.job.schema import given_name
from loft.survey.network import AXES

TARGET_COLUMNS = ("name", "x", "y", "z", "station", "bl", "wl")


@dataclass(frozen=True, eq=False, kw_only=True)
class Targets:
    """Targets of one scan in both systems, mm; arrays of n rows."""

    name: tuple[str, ...]
    scan: Array  # (n, 3)
    aircraft: Array  # (n, 3) station, bl, wl
    sigma: Array  # (n,)
    row: tuple[int, ...]
    file: str = ""

    def __post_init__(self) -> None:
        freeze_arrays(self)


def read_targets(job: Job, cloud: CloudSet, *, source: str | None = None) -> Targets:
    r"""Return the targets of a scan, or refuse their table with all its faults.

    Columns ``name,x,y,z,station,bl,wl`` and optionally ``sigma``: x y z in the unit of
    the cloud, the others in that of the job. A row without sigma has the cloud's.

    Examples
    --------
    >>> from pathlib import Path
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> cloud = CloudSet(file=Path("bay.ply"), sigma=0.8, face="skin_inner", unit="m",
    ...                  targets=Path("targets.csv"))
    >>> rows = ["name,x,y,z,station,bl,wl", "T1,1.5,0,0,5000,-300,900"]
    >>> read_targets(job, cloud, source="\n".join(rows)).scan.tolist()
    [[1500.0, 0.0, 0.0]]
    """
    if cloud.targets is None:
        raise LoftError(f"no targets named for {given_name(job, cloud.file)}; targets wanted")
    name = given_name(job, cloud.targets)
    faults = Faults(file=name)
    if source is None:
        source = table_source(cloud.targets, name)
    rows = table_rows(source, faults, required=TARGET_COLUMNS, optional=("sigma", "note"))
    scan = [_cells(row, ("x", "y", "z"), cloud.unit, faults) for row in rows]
    aircraft = [_cells(row, AXES, job.unit, faults) for row in rows]
    sigma = [_target_sigma(row, job, cloud, faults) for row in rows]
    seen: dict[str, int] = {}
    for row in rows:
        label = row.cells["name"]
        if not label:
            faults.add(row.number, "name", "nothing found, the name of a target wanted")
        elif label in seen:
            text = f"target {label} found again, it stands already in row {seen[label]}"
            faults.add(row.number, "name", text)
        seen.setdefault(label, row.number)
    if faults.shared:
        raise LoftError(faults.findings())
    return Targets(
        name=tuple(row.cells["name"] for row in rows),
        scan=np.array(scan).reshape(-1, 3),
        aircraft=np.array(aircraft).reshape(-1, 3),
        sigma=np.array(sigma, dtype=np.float64),
        row=tuple(row.number for row in rows),
        file=name,
    )


def _cells(row: Row, columns: Sequence[str], unit: str, faults: Faults) -> list[float]:
    """Return the lengths of a row in mm; a blank one is a fault."""
    for column in columns:
        if not row.cells[column]:
            faults.add(row.number, column, "nothing found, a length wanted")
    return [read_length(row, column, unit, faults) for column in columns]


def _target_sigma(row: Row, job: Job, cloud: CloudSet, faults: Faults) -> float:
    """Return the sigma of a target: its own, else that of the cloud."""
    if not row.cells.get("sigma"):
        return cloud.sigma
    sigma = read_length(row, "sigma", job.unit, faults)
    if sigma <= 0.0:
        faults.add(row.number, "sigma", f"{row.cells['sigma']} found, more than 0 wanted")
    return sigma
