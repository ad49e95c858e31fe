"""What came in: the survey counted by frame, line and set, its repeats and its closures."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loft.job.records import Job, Line, Survey, TieSet
from loft.job.schema import given_name
from loft.survey.repeats import compare_passes, repeat_summary

BETWEEN = "between frames"


def kinds_of(job: Job, survey: Survey) -> NDArray[np.str_]:
    """Return of every reading whether it came from tape, ties or a scan.

    Examples
    --------
    >>> from pathlib import Path
    >>> from loft.survey.gather import survey_of
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> kinds_of(job, survey_of(job, [])).tolist()
    []
    """
    scans = [given_name(job, cloud.file) for cloud in job.clouds]
    ties = [given_name(job, tie_set.file) for tie_set in job.ties]
    kind = np.where(np.isin(survey.source, ties), "ties", "tape")
    return np.where(np.isin(survey.source, scans), "scan", kind)


def line_by_frame(job: Job, survey: Survey) -> dict[str, dict[str, int]]:
    """Return for every line at how many readings in use each frame was reached.

    Examples
    --------
    >>> from pathlib import Path
    >>> from loft.survey.gather import survey_of
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> line_by_frame(job, survey_of(job, []))
    {}
    """
    found = {}
    for line in sorted(survey.lines, key=from_the_crown):
        mine = survey.use & (survey.line == line.name)
        found[line.name] = {
            **{
                frame.name: int((mine & (survey.frame == frame.name)).sum()) for frame in job.frames
            },
            BETWEEN: int((mine & (survey.frame == "")).sum()),
        }
    return found


def from_the_crown(line: Line) -> tuple[int, int, str]:
    """Sort lines from the crown down by their numbers, the sides of one number together."""
    digits = "".join(letter for letter in line.name if letter.isdigit())
    return ({"crown": 0, "keel": 2}.get(line.kind, 1), int(digits or 0), line.name)


def _closure(job: Job, tie_set: TieSet) -> dict[str, Any]:
    """Return how a ties table closes: what its readings miss one another by, over their sigma."""
    from loft.survey.ties import adjust_table

    found = adjust_table(job, tie_set)
    used = found.used & (found.redundancy > 1e-6)
    return {
        "file": given_name(job, tie_set.file),
        "readings": len(found.ties),
        "spare": found.freedom,
        "left_out": int((~found.used).sum()),
        "rms": float(np.sqrt(np.mean(found.residual[used] ** 2))) if used.any() else None,
        "ratio": math.sqrt(found.variance_factor) if found.freedom else None,
    }


def survey_summary(job: Job, survey: Survey) -> dict[str, Any]:
    """Return what was surveyed, in plain numbers and words: mm, None where unknown.

    Examples
    --------
    >>> from pathlib import Path
    >>> from loft.survey.gather import survey_of
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> survey_summary(job, survey_of(job, []))["points"]
    0
    """
    return {
        "points": len(survey),
        "in_use": int(survey.use.sum()),
        "by_frame": {
            **{frame.name: int((survey.frame == frame.name).sum()) for frame in job.frames},
            "between frames": int((survey.frame == "").sum()),
        },
        "by_set": _counts(kinds_of(job, survey), "unknown"),
        "by_line_and_frame": line_by_frame(job, survey),
        "by_line": _counts(survey.line, "without label"),
        "faces": _counts(survey.face, "unknown"),
        "passes": _counts(survey.pass_no.astype(np.str_), "unknown"),
        "repeat": repeat_summary(compare_passes(survey)),
        "closure": [_closure(job, tie_set) for tie_set in job.ties],
        "set_aside": [
            {
                "frame": str(survey.frame[at]),
                "line": str(survey.line[at]),
                "source": f"{survey.source[at]}:{survey.row[at]}",
                "used": bool(survey.use[at]),
                "sigma": float(survey.sigma[at]),
                "reason": str(survey.reason[at]),
            }
            for at in np.flatnonzero(survey.reason != "")
        ],
        "scans": list(survey.scans),
        "notes": list(survey.notes),
    }


def _counts(words: NDArray[np.str_], blank: str) -> dict[str, int]:
    """Return how often every word occurs, by word."""
    names, counts = np.unique(words, return_counts=True)
    return {str(name) or blank: int(count) for name, count in zip(names, counts, strict=True)}
