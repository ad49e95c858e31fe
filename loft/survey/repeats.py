"""Compare repeat passes point by point, and find labels that were exchanged."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from loft.job.records import Job, Survey
from loft.job.units import format_length

# Recording Historic Vessels, National Historic Ships UK, p. 18: two measurings of
# the same section that disagree by more than 5 mm per metre are not acceptable
REPEAT_MM_PER_METRE = 5.0
SIGMAS = 3.0


@dataclass(frozen=True, kw_only=True)
class Repeat:
    """One point read in two passes; lengths in mm, the sources as file:row."""

    frame: str
    line: str
    face: str
    difference: float
    limit: float  # 5 mm per metre from the frame's datum lines
    sigma: float  # of the difference of one coordinate
    first: str
    second: str

    @property
    def failed(self) -> bool:
        """Beyond the limit and beyond three standard deviations."""
        return self.difference > max(self.limit, SIGMAS * self.sigma)


def compare_passes(survey: Survey) -> tuple[Repeat, ...]:
    """Return every labelled point that was read in more than one pass, compared.

    Each later pass is compared with the first that read the point, in the
    coordinates that both read. The limit grows with the distance from the
    frame's datum lines, the greater of bl and wl without their signs.

    Parameters
    ----------
    survey : Survey

    Returns
    -------
    tuple of Repeat
        In the order of the survey.

    Examples
    --------
    >>> from loft.job.records import Survey
    >>> # a survey of one pass has nothing to compare
    >>> import numpy as np
    >>> one, word = np.ones(1), np.array(["S4P"])
    >>> survey = Survey(frame=word, line=word, station=one, bl=one, wl=one, sigma=one,
    ...     covariance=np.ones((1, 3, 3)), depth=one, face=word, source=word,
    ...     row=np.array([2]), pass_no=np.array([1]), use=np.array([True]), reason=word)
    >>> compare_passes(survey)
    ()
    """
    first: dict[tuple[str, str, str], int] = {}
    found = []
    order = np.argsort(survey.pass_no, kind="stable")
    for at in order:
        if not survey.line[at]:
            continue
        place = str(survey.frame[at]) or f"station {survey.station[at]:.0f} mm"
        earlier = first.setdefault((place, str(survey.line[at]), str(survey.face[at])), at)
        if survey.pass_no[earlier] == survey.pass_no[at]:
            continue
        pair = np.array([[survey.bl[earlier], survey.wl[earlier]], [survey.bl[at], survey.wl[at]]])
        change = np.diff(pair, axis=0)[0]
        if np.isnan(change).all():
            continue
        found.append(
            Repeat(
                frame=place,
                line=str(survey.line[at]),
                face=str(survey.face[at]),
                difference=float(np.sqrt(np.nansum(change**2))),
                limit=REPEAT_MM_PER_METRE * float(np.nanmax(np.abs(pair))) / 1000.0,
                sigma=math.hypot(survey.sigma[earlier], survey.sigma[at]),
                first=f"{survey.source[earlier]}:{survey.row[earlier]}",
                second=f"{survey.source[at]}:{survey.row[at]}",
            )
        )
    return tuple(found)


def repeat_notes(job: Job, repeats: Sequence[Repeat]) -> list[str]:
    """Return a line for every repeat that failed.

    Examples
    --------
    >>> from pathlib import Path
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> bad = Repeat(frame="F11", line="S4P", face="skin_inner", difference=12.0, limit=3.0,
    ...              sigma=2.0, first="tape.csv:4", second="again.csv:9")
    >>> repeat_notes(job, [bad])[0].split(":")[0]
    'FAILED REPEAT'
    """
    return [
        f"FAILED REPEAT: {one.frame} {one.line} on {one.face}: the passes differ by "
        f"{format_length(one.difference, job.unit)} {job.unit}, limit "
        f"{format_length(max(one.limit, SIGMAS * one.sigma), job.unit)} {job.unit} "
        f"({one.first} and {one.second})"
        for one in repeats
        if one.failed
    ]


def repeat_summary(repeats: Sequence[Repeat]) -> dict[str, Any]:
    """Return how well the passes agree: count, rms (None without any), those that failed.

    Examples
    --------
    >>> repeat_summary([])
    {'compared': 0, 'rms': None, 'largest': None, 'verdict': 'no repeats', 'failed': []}
    """
    failed = [
        {
            "frame": one.frame,
            "line": one.line,
            "face": one.face,
            "difference": one.difference,
            "limit": max(one.limit, SIGMAS * one.sigma),
            "rows": [one.first, one.second],
        }
        for one in repeats
        if one.failed
    ]
    size = [one.difference for one in repeats]
    return {
        "compared": len(repeats),
        "rms": math.sqrt(sum(value * value for value in size) / len(size)) if size else None,
        "largest": max(size) if size else None,
        "verdict": ("FAILED REPEAT" if failed else "passed") if size else "no repeats",
        "failed": failed,
    }
