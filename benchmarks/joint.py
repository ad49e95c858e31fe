"""Arcs along the fuselage against the surface alone, on hidden frames.

Bodies struck with arcs: the compound body of the simulated surveys, and the Corncrake
(fictional). Bodies that were not: an ellipsoid, a body of revolution with a bent axis.
Bodies with chines are not tried and are left out. What is measured is what `loft lift`
does without a drawing.

Where frames settled, most of the error is where the hidden frame stood: that arcs cannot
tell. Its share of the surface's square error is printed ("place"), and the gain of shape,
what is left once the section is laid onto the truth as it fits best.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from benchmarks.accuracy import lift, outline_error
from benchmarks.surveys import prototype
from benchmarks.tally import mean, ratio, share, spread, table, verdict
from loft.corncrake import STATIONS, truth
from loft.drawing.trial import along_fuselage

FIRST_SEED = 40_000
MANY = 24  # hidden frames a cell
KINDS = "clean1", "real1", "real3", "sparse12"
STRUCK = "comparc", "corncrake"
GAIN, HARM = 0.75, 1.02  # RMS with arcs over that without: where there are arcs, and where not
COVERAGE, SLACK = 0.95, 0.03


class Corncrake:
    """The Corncrake's section as the simulated surveys want it: a dense closed line."""

    name = "corncrake"
    lo, hi = min(STATIONS.values()), max(STATIONS.values())

    def section(self, station: float, n: int = 1440) -> np.ndarray:
        fine = truth(station, np.linspace(-np.pi, np.pi, 4 * n + 1)[:-1])
        return prototype()[0].resample(np.roll(fine, 2 * n, axis=0), n)

    def brk(self, station: float) -> None:
        return None


@dataclass(frozen=True)
class Score:
    body: str
    kind: str
    alone: float  # RMS of the surface's section, mm
    lifted: float  # of the section that is lifted
    shape_alone: float  # ... either of them laid onto the truth
    shape_lifted: float
    used: bool
    inside: float  # share of the true outline inside band95
    whole: bool  # all of it inside band95_all
    said: str


def score(body_name: str, kind: str, seed: int) -> Score:
    """One hidden frame."""
    modules = prototype()
    bodies = {body.name: body for body in (*modules[1].all_bodies(), Corncrake())}
    body = bodies[body_name]
    frames, station = modules[1].case(body, kind, seed)
    surface, section = lift(body, frames, station)
    before, _ = outline_error(modules, body, station, section)
    found, spreads, finding = along_fuselage(surface, [section], lambda text: None)
    after = found[section.frame]
    error, row = outline_error(modules, body, station, after)
    return Score(
        body_name,
        kind,
        alone=float(np.sqrt(np.mean(before**2))),
        lifted=float(np.sqrt(np.mean(error**2))),
        shape_alone=shape_error(modules, body, station, section),
        shape_lifted=shape_error(modules, body, station, after),
        used=bool(spreads),
        inside=float(np.mean(error <= after.band95[row])),
        whole=bool((error <= after.band95_all[row]).all()),
        said=finding.text,
    )


def shape_error(modules, body, station: float, section) -> float:
    """RMS of the error along the section's normals, the best shift and roll taken out, mm."""
    bodies = modules[0]
    true = bodies.resample(body.section(station), 4 * 360)
    some = np.arange(0, len(section.girth), max(1, len(section.girth) // 360))
    point = np.stack([section.bl, section.wl], -1)[some]
    normal = np.stack([section.normal_bl, section.normal_height], -1)[some]
    tree = cKDTree(true)
    near = tree.query(point)[1]
    ahead, behind = true[(near + 1) % len(true)], true[near - 1]
    run = (ahead - behind) / np.linalg.norm(ahead - behind, axis=1, keepdims=True)
    away = true[near] - point
    error = ((away - (away * run).sum(1, keepdims=True) * run) * normal).sum(1)
    arm = point - point.mean(0)
    roll = normal[:, 1] * arm[:, 0] - normal[:, 0] * arm[:, 1]
    design = np.concatenate([normal, roll[:, None]], 1)
    rest = error - design @ np.linalg.lstsq(design, error, rcond=None)[0]
    return float(np.sqrt(np.mean(rest**2)))


def by_cell(scores: list[Score]) -> str:
    rows = []
    for kind, body in dict.fromkeys((s.kind, s.body) for s in scores):
        mine = [s for s in scores if s.kind == kind and s.body == body]
        gain = ratio((s.lifted for s in mine), (s.alone for s in mine))
        shape = ratio((s.shape_lifted for s in mine), (s.shape_alone for s in mine))
        place = 1 - sum(s.shape_alone**2 for s in mine) / sum(s.alone**2 for s in mine)
        inside = mean(s.inside for s in mine)
        rows.append(
            (
                f"{kind} {body}",
                str(len(mine)),
                mean(s.alone for s in mine).show(2),
                mean(s.lifted for s in mine).show(2),
                gain.show(),
                verdict(gain.value <= (GAIN if body in STRUCK else HARM)),
                f"{place:.2f}",
                shape.show(2),
                share(s.used for s in mine).show(2),
                inside.show(),
                verdict(abs(inside.value - COVERAGE) <= SLACK),
                share(s.whole for s in mine).show(2),
            )
        )
    head = (
        "cell",
        "n",
        "surface mm",
        "lifted mm",
        "ratio",
        "",
        "place",
        "shape",
        "arcs used",
        "inside band95",
        "",
    )
    return table((*head, "whole in band95_all"), rows)


def report(seeds: int | None, jobs: int) -> None:
    """Print a table for each kind of survey as it is done."""
    for kind in KINDS:
        cases = [
            (body, kind, FIRST_SEED + k)
            for body in (*STRUCK, "ellipsoid", "searshaack")
            for k in range(seeds or MANY)
        ]
        print(by_cell(spread(score, cases, jobs)), end="\n\n", flush=True)
