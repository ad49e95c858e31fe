"""Apply what the engineer does not trust; nothing is dropped silently."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from loft.job.records import Damage, Job, Survey


def apply_damage(job: Job, survey: Survey) -> Survey:
    """Return the survey with every [[damage]] entry applied to the readings it meets.

    An entry meets the readings that satisfy all selectors it gives. It sets them
    aside, or raises their sigma (and covariance) to its own; never lowers it.
    Entries by girth are left alone. One that meets nothing is noted.

    Examples
    --------
    >>> from pathlib import Path
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=(),
    ...           damages=(Damage(reason="dent", lines=("S4P",), use=False),))
    >>> from loft.survey.gather import survey_of
    >>> from loft.survey.tables import Reading
    >>> one = Reading(frame="", line="S4P", station=500.0, bl=-600.0, wl=210.0, sigma=1.5,
    ...               face="skin_outer", depth=0.0, source="tape.csv", row=2)
    >>> survey = apply_damage(job, survey_of(job, [one]))
    >>> bool(survey.use[0]), str(survey.reason[0])
    (False, 'damage: dent')
    """
    use, sigma = survey.use.copy(), survey.sigma.copy()
    reason = survey.reason.astype(object)
    notes = list(survey.notes)
    for damage in job.damages:
        if damage.girth is not None:
            continue
        hit = _met(damage, survey)
        if not hit.any():
            notes.append(f'warning: the [[damage]] entry "{damage.reason}" meets no reading')
        if damage.use:
            sigma[hit] = np.maximum(sigma[hit], damage.sigma)
        else:
            use[hit] = False
        for at in np.flatnonzero(hit):
            told = reason[at].removeprefix("damage: ")
            reason[at] = "damage: " + (f"{told}; " if told else "") + damage.reason
    scale = (sigma / survey.sigma) ** 2
    return replace(
        survey,
        use=use,
        sigma=sigma,
        covariance=survey.covariance * scale[:, None, None],
        reason=reason.astype(np.str_),
        notes=tuple(notes),
    )


def _met(damage: Damage, survey: Survey) -> NDArray[np.bool_]:
    """Return which readings satisfy every selector of the entry, girth apart."""
    hit = np.ones(len(survey), dtype=bool)
    if damage.frames:
        hit &= np.isin(survey.frame, damage.frames)
    if damage.lines:
        hit &= np.isin(survey.line, damage.lines)
    if damage.stations is not None:
        low, high = damage.stations
        hit &= (survey.station >= low) & (survey.station <= high)
    if damage.rows:
        marks = [f"{file}:{row}" for file, row in zip(survey.source, survey.row, strict=True)]
        hit &= np.isin(np.array(marks, dtype=np.str_), damage.rows)
    return hit
