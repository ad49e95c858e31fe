"""Stand a whole survey upright by the body's own symmetry."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from loft.job.errors import Finding, LoftError
from loft.job.records import Array, Survey
from loft.survey.level import Centring, level

UNREAD = 50.0  # mm, how well a coordinate that was not read follows from its line


def level_survey(survey: Survey) -> tuple[Survey, Centring]:
    """Return the survey levelled by the body's own symmetry, and how it stood.

    Readings in use decide; all are moved. A reading of a frame keeps its station, which
    comes from the frame schedule and so from the body itself. The uncertainty of the
    centre plane is not added to the readings: it moves the whole body and no shape. A
    reading of bl or wl alone is turned with the other taken from its line on the frames
    beside it, and its sigma grows by what 50 mm of that would do.

    Raises
    ------
    LoftError
        As `level`; or a reading of bl or wl alone whose line stands on no other frame.

    Examples
    --------
    >>> from pathlib import Path
    >>> from loft.job.records import Job
    >>> from loft.survey.gather import survey_of
    >>> from loft.survey.tables import Reading
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> readings = [Reading(frame="", line=f"S{k}{side}", station=s, bl=bl + 9.0, wl=700.0 * k,
    ...                     sigma=1.5, face="skin_outer", depth=0.0, source="tape.csv", row=2)
    ...             for s in (500.0, 900.0) for k in (1, 2)
    ...             for side, bl in (("P", -600.0), ("S", 600.0))]
    >>> survey, centring = level_survey(survey_of(job, readings))
    >>> round(centring.offset, 6), survey.bl.round(6).tolist()[:2]
    (9.0, [-600.0, 600.0])
    """
    points = np.stack([survey.station, survey.bl, survey.wl], axis=1)
    read = np.isfinite(points)
    whole = np.asarray(read.all(axis=1))
    use = survey.use & whole
    centring = level(
        points[use], frame=survey.frame[use], line=survey.line[use], sigma=survey.sigma[use]
    )
    moved = np.where(read, centring.apply(_filled(survey, points, whole)), np.nan)
    turn = centring.rotation
    covariance = turn @ survey.covariance @ turn.T
    guessed = np.where(whole, 0.0, (UNREAD * math.sin(centring.roll)) ** 2)
    levelled = replace(
        survey,
        station=np.where(survey.frame == "", moved[:, 0], survey.station),
        bl=moved[:, 1],
        wl=moved[:, 2],
        sigma=np.sqrt(survey.sigma**2 + guessed),
        covariance=covariance + guessed[:, None, None] * np.eye(3),
        notes=(*survey.notes, *_level_notes(centring)),
    )
    return levelled, centring


def _filled(survey: Survey, points: Array, whole: NDArray[np.bool_]) -> Array:
    """Return the points with what was not read taken from their line on other frames.

    It only serves to turn the coordinate that was read.
    """
    filled, faults = points.copy(), []
    for k in np.flatnonzero(~whole):
        same = whole & (survey.line == survey.line[k]) & (survey.line[k] != "")
        if not same.any() or not np.isfinite(points[k, 0]):
            text = (
                "bl and wl found one without the other, and no other frame has its line; "
                "levelling by symmetry turns the reading and needs both"
            )
            faults.append(Finding(file=str(survey.source[k]), row=int(survey.row[k]), text=text))
            continue
        order = np.argsort(points[same, 0])
        known = points[same][order]
        for axis in (1, 2):
            if not np.isfinite(points[k, axis]):
                filled[k, axis] = np.interp(points[k, 0], known[:, 0], known[:, axis])
    if faults:
        raise LoftError(faults)
    return filled


def _level_notes(centring: Centring) -> list[str]:
    """Return what must be said of a levelled survey."""
    sd = centring.sd
    told = (
        f"levelled by its own symmetry over {centring.pairs} pairs: bl {centring.offset:.1f} "
        f"± {sd[0]:.1f} mm, roll {math.degrees(centring.roll):.3f} ± "
        f"{math.degrees(sd[1]):.3f} degrees, heading {math.degrees(centring.heading):.3f} ± "
        f"{math.degrees(sd[2]):.3f} degrees taken out"
    )
    words = {"warning": "warning: ", "note": ""}
    return [told, *(words[f.severity] + f.text for f in centring.findings)]
