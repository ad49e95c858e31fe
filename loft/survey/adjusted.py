"""Tables of an adjustment: what every reading was worth, and where every point stands."""

from __future__ import annotations

import numpy as np

from loft.job.files import number, table_text
from loft.job.records import Job
from loft.job.units import MM_PER
from loft.survey.adjust import Adjustment
from loft.survey.quality import error_ellipse

TIE_COLUMNS = (
    "row",
    "from",
    "to",
    "kind",
    "value",
    "adjusted",
    "residual",
    "sigma",
    "redundancy",
    "standardised",
    "detectable",
    "used",
    "suggested",
    "slip",
)
POINT_COLUMNS = ("point", "station", "bl", "wl", "sd_station", "sd_bl", "sd_wl") + (
    "semi_axis_1",
    "semi_axis_2",
    "semi_axis_3",
    "axis_1_station",
    "axis_1_bl",
    "axis_1_wl",
)


def adjusted_ties_table(job: Job, adjustment: Adjustment) -> str:
    """Return every reading with its residual and tests as a CSV table, in the job's unit.

    `used` is yes, no or doubted: a doubted one fails together with others that cannot be
    told from it. `suggested` is what the others make of a failing reading; `detectable`
    the smallest error that would have been found, inf where nothing controls it.

    Examples
    --------
    >>> from pathlib import Path
    >>> from loft.survey.adjust import adjust
    >>> from loft.survey.network import Tie
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> ties = [Tie(kind=axis, end="A", value=10.0, sigma=1.0) for axis in
    ...         ("station", "bl", "wl", "wl")]
    >>> print(adjusted_ties_table(job, adjust(ties)).splitlines()[-1])
    0,,A,wl,10.0000,10.0000,0.0000,1.0000,0.5000,0.0000,5.8437,yes,,
    """
    unit = MM_PER[job.unit]
    failures = {_id_of(f.tie): f for f in adjustment.failures}
    rows = []
    for k, tie in enumerate(adjustment.ties):
        failure = failures.get(_id_of(tie))
        used = "yes" if failure is None else "no" if failure.rejected else "doubted"
        lengths = [tie.value, tie.value + adjustment.residual[k], adjustment.residual[k], tie.sigma]
        rows.append(
            [
                tie.row,
                tie.start,
                tie.end,
                tie.kind,
                *(float(value) / unit for value in lengths),
                float(adjustment.redundancy[k]),
                float(adjustment.standardised[k]),
                float(adjustment.detectable[k]) / unit,
                used if adjustment.used[k] or failure is not None else "no",
                number(failure.suggested / unit) if failure else "",
                failure.slip if failure else "",
            ]
        )
    return table_text(TIE_COLUMNS, rows, _heading(job, "readings against the adjusted points"))


def _id_of(tie: object) -> tuple[object, ...]:
    """Return what makes a reading itself: file, row, kind and ends."""
    return tuple(getattr(tie, name) for name in ("file", "row", "kind", "start", "end", "value"))


def adjusted_points_table(job: Job, adjustment: Adjustment) -> str:
    """Return every point with its uncertainty as a CSV table, in the job's unit.

    The semi-axes of the error ellipsoid (one standard deviation) stand from the longest
    to the shortest, and the longest one's direction as a unit vector (blank where the
    point is fixed).

    Examples
    --------
    >>> from pathlib import Path
    >>> from loft.survey.adjust import adjust
    >>> from loft.survey.network import Tie
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> ties = [Tie(kind=axis, end="A", value=10.0, sigma=1.0) for axis in
    ...         ("station", "bl", "wl")]
    >>> print(adjusted_points_table(job, adjust(ties)).splitlines()[-1][:44])
    A,10.0000,10.0000,10.0000,1.0000,1.0000,1.00
    """
    unit = MM_PER[job.unit]
    rows = []
    for k, name in enumerate(adjustment.points):
        semi_axes, directions = error_ellipse(adjustment.covariance[k])
        lengths = np.concatenate([adjustment.position[k], adjustment.sd[k], semi_axes]) / unit
        longest = directions[0] if semi_axes[0] > 0.0 else np.full(3, np.nan)
        rows.append([name, *map(float, lengths), *map(float, longest)])
    return table_text(POINT_COLUMNS, rows, _heading(job, "points adjusted from ties"))


def _heading(job: Job, what: str) -> list[str]:
    """Return the heading lines of a table."""
    return [
        f"{job.title}: {what}" if job.title else what,
        f"units: {job.unit}; station aft, bl to starboard, wl up",
    ]
