"""Read every scan of the job: into the aircraft's axes, to readings, along the stringers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from loft.job.errors import Finding, LoftError
from loft.job.records import CloudSet, Job, Survey
from loft.job.schema import given_name
from loft.survey.clouds import Registration, cloud_survey
from loft.survey.crests import crest_survey
from loft.survey.datum import register_cloud
from loft.survey.gather import join, note_of
from loft.survey.onto_scan import place_on_scan
from loft.survey.onto_tape import place_on_tape
from loft.survey.runs import Tubes, runs_of, runs_within

Progress = Callable[[str], None]
INSIDE = ("skin_inner", "stringer_inner")  # faces of which a scan may show the stringers
LISTED = 6  # stations or lines named one by one; more are counted


@dataclass(frozen=True, eq=False, kw_only=True)
class Scanned:
    """One scan as it entered the survey."""

    cloud: CloudSet
    registration: Registration | None
    survey: Survey


def read_scans(job: Job, hand: Survey, *, progress: Progress) -> tuple[list[Survey], list[Finding]]:
    """Return one survey a scan, each with its account, and the faults of all.

    Parameters
    ----------
    job : Job
    hand : Survey
        What was read by hand, damage applied: its labelled stringers are followed in
        the scans of the inside.
    progress : callable

    Examples
    --------
    >>> from pathlib import Path
    >>> from loft.survey.gather import survey_of
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> read_scans(job, survey_of(job, []), progress=print)
    ([], [])
    """
    done: dict[str, Scanned] = {}
    faults: list[Finding] = []
    for cloud in job.clouds:
        try:
            done[given_name(job, cloud.file)] = _read(job, cloud, hand, done, progress)
        except LoftError as refusal:
            faults.extend(refusal.findings)
    surveys = [one.survey for one in done.values()]
    reports = [survey.scans[0] for survey in surveys]
    surveys = [_shared(survey, reports) for survey in surveys]
    if surveys:
        told = _not_shown(reports)
        surveys[-1] = replace(surveys[-1], notes=(*surveys[-1].notes, *told))
    return surveys, faults


def _read(
    job: Job, cloud: CloudSet, hand: Survey, done: dict[str, Scanned], progress: Progress
) -> Scanned:
    """Read one scan: its registration, its readings, its stringers."""
    targets = register_cloud(job, cloud) if cloud.targets else None
    tubes = _tubes(job, cloud, hand)
    registration, survey, report = _placed(job, cloud, hand, done, targets, tubes, progress)
    notes = [*survey.notes]
    if targets is not None:
        report["targets"] = targets.summary()
        notes += [note_of(finding) for finding in targets.findings]
    if "fit" in report:
        notes += [note.replace("warning: ", f"warning: {report['file']}: ", 1)
                  for note in report["fit"]["notes"]]  # fmt: skip
    crests, report["stringers"] = _stringers(job, cloud, hand, registration, report, tubes)
    report["crests"] = len(crests)
    report["frames_without"] = _frames_without(job, report)
    survey = replace(_joined(survey, crests), notes=tuple(notes), scans=(report,))
    return Scanned(cloud=cloud, registration=registration, survey=survey)


def _placed(
    job: Job,
    cloud: CloudSet,
    hand: Survey,
    done: dict[str, Scanned],
    targets: Registration | None,
    tubes: Tubes | None,
    progress: Progress,
) -> tuple[Registration | None, Survey, dict[str, Any]]:
    """Read a scan as its targets place it, or fitted to the tape or to another scan."""
    name = given_name(job, cloud.file)

    def read(placed: Registration | None) -> tuple[Survey, dict[str, Any]]:
        return cloud_survey(
            job,
            cloud,
            placed,
            lambda share: progress(f"reading {name}: {share:.0%}"),
            tubes=tubes,
        )

    if not cloud.fit_to:
        return (targets, *read(targets))
    if cloud.fit_to == "tape":
        try:
            return place_on_tape(read, hand, targets)
        except LoftError as refusal:
            raise LoftError(
                finding if finding.file else replace(finding, file=name, column="fit_to")
                for finding in refusal.findings
            ) from None
    if cloud.fit_to not in done:  # that scan's own faults are told already
        raise LoftError(Finding(file=name, column="fit_to", text=f"{cloud.fit_to} was not read"))
    other = done[cloud.fit_to]
    progress(f"fitting {name} to {cloud.fit_to}")
    placed, fit = place_on_scan(
        job, cloud, other.cloud, registration=targets, reference=other.registration
    )
    survey, report = read(placed)
    return placed, survey, {**report, "fit": fit}


def _frames_without(job: Job, report: dict[str, Any]) -> list[str]:
    """Name the standing frames that the scan reaches and at which it brought no reading."""
    low, high = report["extent"]["station"]
    read = {slab["frame"] for slab in report["slabs"] if slab["cells"]}
    reached = [frame for frame in job.frames if low <= frame.station <= high]
    standing = [frame.name for frame in reached if frame.status != "missing"]
    return [name for name in standing if name not in read and name not in job.missing]


def _joined(survey: Survey, crests: Survey | tuple[()]) -> Survey:
    """Return both as readings of one scan, numbered through."""
    if isinstance(crests, tuple) or not len(crests):
        return survey
    return join([survey, replace(crests, row=crests.row + len(survey), notes=())])


def _tubes(job: Job, cloud: CloudSet, hand: Survey) -> Tubes | None:
    """Lay the tubes about the labelled stringers; None where the scan is not asked for any."""
    given = np.isfinite(job.stringer_depth) and np.isfinite(job.stringer_width)
    if not (cloud.stringers and cloud.face in INSIDE and given):
        return None
    runs = runs_of(job, hand)
    return Tubes(runs) if runs else None


def _stringers(
    job: Job,
    cloud: CloudSet,
    hand: Survey,
    registration: Registration | None,
    report: dict[str, Any],
    tubes: Tubes | None,
) -> tuple[Survey | tuple[()], list[dict[str, Any]]]:
    """Follow the labelled stringers in a scan of the inside, as far as it reaches."""
    reach = tuple(report["extent"]["station"])
    if tubes is None or not runs_within(tubes.runs, reach):
        return (), []
    crests, told = crest_survey(
        job, cloud, hand, registration=registration, tubes=tubes, reach=reach
    )
    return crests, told["runs"]


def _shared(survey: Survey, reports: Sequence[dict[str, Any]]) -> Survey:
    """Return a scan's survey with the readings of every stringer's run weakened to one together.

    They are points of one smooth line through one length of metal: how it hangs between
    the frames is common to all of them, in every scan, and is not seen as scatter.
    """
    runs: dict[tuple[str, float, float], int] = {}
    for report in reports:
        for run in report["stringers"]:
            key = (run["line"], run["from"], run["to"])
            runs[key] = runs.get(key, 0) + len(run["stations"])
    count = np.ones(len(survey))
    for (line, start, end), number in runs.items():
        mine = (survey.line == line) & (survey.station > start) & (survey.station < end)
        count[mine] = max(number, 1)
    return replace(
        survey,
        sigma=survey.sigma * np.sqrt(count),
        covariance=survey.covariance * count[:, None, None],
    )


def _not_shown(reports: Sequence[dict[str, Any]]) -> list[str]:
    """Say, run by run, at which stations no scan shows the stringer; alike runs together."""
    shown: dict[tuple[str, float, float], set[float]] = {}
    wanted: dict[tuple[str, float, float], set[float]] = {}
    why: dict[tuple[str, float, float], str] = {}
    for report in reports:
        for run in report["stringers"]:
            key = (run["line"], run["from"], run["to"])
            shown.setdefault(key, set()).update(run["stations"])
            wanted.setdefault(key, set()).update(run["stations"], run["not_shown"])
            why[key] = run["why"] or why.get(key, "")
    alike: dict[tuple[tuple[float, ...], str], list[str]] = {}
    for key in wanted:
        lacking = tuple(sorted(wanted[key] - shown[key]))
        if lacking:
            alike.setdefault((lacking, why[key]), []).append(key[0])
    return [
        f"no scan shows the inner edge of {_some(lines)} at station "
        f"{_some([f'{station:.0f}' for station in lacking])} mm: {reason}"
        for (lacking, reason), lines in alike.items()
    ]


def _some(words: Sequence[str]) -> str:
    """Return words one after the other; of many the first, and how many more."""
    more = len(words) - LISTED
    return ", ".join(words[:LISTED]) + (f" and {more} more" if more > 0 else "")
