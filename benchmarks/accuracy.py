"""The lifted section against the true one, and against the earlier program's.

Five simulated bodies, eight kinds of survey. Both programs get the very same readings;
bodies with edges have them marked for both. Distances are from 360 points of the true
outline to the lifted one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmarks.surveys import job_of, missing, prototype
from benchmarks.tally import mean, ratio, share, spread, table, verdict
from loft.fairing.surface import fair
from loft.job.errors import LoftError

FIRST_SEED = 10_000
MANY, FEW = 100, 40  # hidden frames a body: the ordinary survey, the others
ORDINARY = "real1"
COVERAGE, SLACK, WHOLE = 0.95, 0.03, 0.93


@dataclass(frozen=True)
class Score:
    body: str
    kind: str
    ours: float = np.nan  # RMS, mm
    theirs: float = np.nan
    inside: float = np.nan  # share of the true outline inside band95
    their_inside: float = np.nan
    whole: bool = False  # all of it inside band95_all
    sd: float = np.nan
    refused: str = ""


def outline_error(modules, body, station: float, section) -> tuple[np.ndarray, np.ndarray]:
    """Distance of the true outline's points from the section, and the section's nearest row."""
    bodies = modules[0]
    lifted = np.stack([section.bl, section.wl], -1)
    return bodies.dist_to_poly(bodies.resample(body.section(station), 360), lifted)


def theirs(modules, body, frames: list[dict], station: float) -> dict:
    bodies, scenarios, program = modules
    kink = scenarios.kinkcb(body) if body.brk(station) is not None else None
    line, sd = program.Loft3(kink=kink).fit(frames, [station]).section(station)
    return bodies.score(body, station, line, sd)


def lift(body, frames: list[dict], station: float, **options):
    """Our surface and section of a simulated survey."""
    job, survey = job_of(frames, body=body, **options)
    job, frame = missing(job, station)
    surface = fair(job, survey, lines=False)
    return surface, surface.lift(frame)


def score(number: int, kind: str, seed: int) -> Score:
    """One hidden frame of body `number`."""
    modules = prototype()
    body = modules[1].all_bodies()[number]
    frames, station = modules[1].case(body, kind, seed)
    old = theirs(modules, body, frames, station)
    try:
        _, section = lift(body, frames, station)
    except LoftError as refusal:
        return Score(body.name, kind, theirs=old["rms"], refused=str(refusal))
    error, row = outline_error(modules, body, station, section)
    return Score(
        body.name,
        kind,
        ours=float(np.sqrt(np.mean(error**2))),
        theirs=float(old["rms"]),
        inside=float(np.mean(error <= section.band95[row])),
        their_inside=float(old["cov"]),
        whole=bool((error <= section.band95_all[row]).all()),
        sd=float(np.sqrt(np.mean(section.sd[row] ** 2))),
    )


def by_cell(scores: list[Score]) -> str:
    rows = []
    for kind in dict.fromkeys(s.kind for s in scores):
        for body in dict.fromkeys(s.body for s in scores):
            mine = [s for s in scores if s.kind == kind and s.body == body]
            lifted = [s for s in mine if not s.refused]
            worse = mean(s.ours - s.theirs for s in lifted)
            rows.append(
                (
                    f"{kind} {body}",
                    str(len(mine)),
                    str(len(mine) - len(lifted)),
                    mean(s.theirs for s in lifted).show(2),
                    mean(s.ours for s in lifted).show(2),
                    worse.show(3, "+"),
                    verdict(worse.value <= 2 * worse.error and len(lifted) == len(mine)),
                )
            )
    return table(("cell", "n", "refused", "earlier mm", "ours mm", "ours - earlier", ""), rows)


def by_kind(scores: list[Score]) -> str:
    rows = []
    for kind in dict.fromkeys(s.kind for s in scores):
        lifted = [s for s in scores if s.kind == kind and not s.refused]
        inside, whole = mean(s.inside for s in lifted), share(s.whole for s in lifted)
        rows.append(
            (
                kind,
                str(len(lifted)),
                ratio((s.ours for s in lifted), (s.theirs for s in lifted)).show(),
                mean(s.their_inside for s in lifted).show(),
                inside.show(),
                verdict(abs(inside.value - COVERAGE) <= SLACK),
                whole.show(),
                verdict(whole.value >= WHOLE),
                ratio((s.sd for s in lifted), (s.ours for s in lifted)).show(2),
            )
        )
    head = (
        "survey",
        "n",
        "RMS ratio",
        "earlier inside",
        "inside band95",
        "",
        "whole in band95_all",
    )
    return table((*head, "", "sd / RMS"), rows)


def whole_by_cell(scores: list[Score]) -> str:
    """Coverage where it fails shows in which body it fails."""
    kinds = list(dict.fromkeys(s.kind for s in scores))
    rows = []
    for body in dict.fromkeys(s.body for s in scores):
        cells = [[s for s in scores if (s.kind, s.body) == (kind, body)] for kind in kinds]
        rows.append(
            (
                body,
                *[
                    f"{np.nanmean([s.inside for s in c]):.3f} {np.mean([s.whole for s in c]):.2f}"
                    for c in cells
                ],
            )
        )
    return table(("inside band95, whole in band95_all", *kinds), rows)


def report(seeds: int | None, jobs: int) -> None:
    modules = prototype()
    kinds, bodies = modules[1].SC, modules[1].all_bodies()
    cases = [
        (number, kind, FIRST_SEED + k)
        for kind in sorted(kinds, key=lambda name: name != ORDINARY)
        for number in range(len(bodies))
        for k in range(seeds or (MANY if kind == ORDINARY else FEW))
    ]
    scores = spread(score, cases, jobs)
    print(by_cell(scores), end="\n\n")
    print(by_kind(scores), end="\n\n")
    print(whole_by_cell(scores))
    for text in sorted({s.refused for s in scores if s.refused}):
        print("refused:", text)
