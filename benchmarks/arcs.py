"""Tables of the free fit of tangent arcs, on fresh surveys of known sections.

    nice python benchmarks/arcs.py [--cases 6] [--seed 2026] [--all]

Set PROTOTYPE to a folder with an earlier solver (`arc_chain.py`) to run it on the very
same surveys in the same run. Times are processor time of this process.

global    share of cases whose fit at the known number of arcs is at least as good as
          the minimum reached from the truth itself
BIC       share with the right number of arcs / too few / too many
side, other   median relative error of the side's radius and of the others, right number
line      mould-line error, rms and median of the largest, mm, as chosen by BIC
ms        median time at the known number / with the number to be found
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from loft.drawing.chain import Chain, project, strike, walk
from loft.drawing.readings import read_points
from loft.drawing.search import fit_arcs, fit_count
from loft.drawing.solve import Task, settle

QUICK = [(n, count, sigma) for n in (3, 4, 5) for count in (12, 20) for sigma in (1.0, 2.0)]
QUICK += [(6, 40, 1.0)]
EVERY = [(n, c, s) for n in (3, 4, 5) for c in (12, 20, 40) for s in (0.5, 1.0, 2.0)]
EVERY += [(6, c, s) for c in (20, 40) for s in (0.5, 1.0, 2.0)]


def true_section(arcs: int, rng: np.random.Generator) -> Chain:
    """Return a section of 3 to 6 arcs with a side of 5 to 9 m over 500 to 900 mm."""
    while True:
        crown, shoulder, side, bilge = (
            rng.uniform(low, high) for low, high in ((500, 900), (200, 350), (5e3, 9e3), (200, 400))
        )
        run = rng.uniform(500, 900) / side
        first, second = np.deg2rad([rng.uniform(35, 60), rng.uniform(76, 90)])
        radii, turns = [crown, shoulder, side], [first, second, second + run]
        if arcs == 3:
            start = np.deg2rad(rng.uniform(75, 88))
            radii, turns = [crown, side], [start, start + run]
        elif arcs == 5:
            radii += [bilge]
            turns += [turns[-1] + np.deg2rad(rng.uniform(30, 55))]
        elif arcs == 6:
            lower = rng.uniform(1500, 3000)
            radii += [lower, bilge]
            turns += [turns[-1] + rng.uniform(300, 500) / lower]
            turns += [turns[-1] + np.deg2rad(rng.uniform(25, 45))]
        if turns[-1] > np.deg2rad(165):
            continue
        chain = strike(rng.uniform(700, 1000), radii, turns)
        steps = np.abs(np.diff(np.log(chain.radius)))
        if 400 < chain.radius[-1] < 2500 and steps.min() > np.log(1.4):
            return chain


def survey(chain: Chain, count: int, sigma: float, rng: np.random.Generator) -> np.ndarray:
    girth = (np.arange(count) + 0.5 + rng.uniform(-0.25, 0.25, count)) / count
    points = walk(chain, girth * chain.length.sum())[0]
    return points + rng.normal(0.0, sigma, points.shape)


@dataclass
class Score:
    reached: bool
    arcs: int
    side: float
    other: float
    error: np.ndarray
    known_ms: float
    auto_ms: float


def timed(work):
    start = time.process_time()
    result = work()
    return result, 1e3 * (time.process_time() - start)


def radii_error(radius: np.ndarray, true: Chain) -> tuple[float, float]:
    share = np.abs(radius / true.radius - 1)
    side = int(np.argmax(true.radius))
    return float(share[side]), float(np.median(np.delete(share, side)))


def ours(points: np.ndarray, sigma: float, true: Chain, goal: float) -> Score:
    count = len(true)
    readings = read_points(points, sigma)
    known, known_ms = timed(lambda: fit_count(readings, count))
    found, auto_ms = timed(lambda: fit_arcs(points, sigma, conics=False))
    best = found.best.fit.chain
    line = project(best, walk(true, np.linspace(0, true.length.sum(), 300))[0]).distance
    side, other = radii_error(known.chain.radius, true) if known else (np.nan, np.nan)
    reached = known is not None and known.cost <= goal * (1 + 1e-3) + 1e-2
    return Score(reached, len(best), side, other, line, known_ms, auto_ms)


def prototype(module, points: np.ndarray, sigma: float, true: Chain, goal: float) -> Score:
    count = len(true)
    known, known_ms = timed(lambda: module.fit_n(points, sigma, count))
    (fits, chosen), auto_ms = timed(lambda: module.fit_auto(points, sigma))
    best = fits[chosen]["ch"]
    line = best.project(walk(true, np.linspace(0, true.length.sum(), 300))[0])[0]
    side, other = radii_error(known["ch"].R, true)
    reached = known["cost"] <= goal * (1 + 1e-3) + 1e-2
    return Score(reached, chosen, side, other, line, known_ms, auto_ms)


def line_of(scores: list[Score], arcs: int) -> str:
    number = np.array([score.arcs for score in scores])
    rms = np.sqrt(np.mean([np.mean(score.error**2) for score in scores]))
    largest = np.median([np.abs(score.error).max() for score in scores])
    middle = [
        np.nanmedian([getattr(score, name) for score in scores])
        for name in ("side", "other", "known_ms", "auto_ms")
    ]
    return (
        f"global {np.mean([score.reached for score in scores]):.2f}  "
        f"BIC {np.mean(number == arcs):.2f}/{np.mean(number < arcs):.2f}"
        f"/{np.mean(number > arcs):.2f}  "
        f"side {middle[0]:.3f} other {middle[1]:.4f}  line {rms:.2f} / {largest:.2f}  "
        f"ms {middle[2]:.0f} / {middle[3]:.0f}"
    )


def main() -> None:
    ask = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    ask.add_argument("--cases", type=int, default=6)
    ask.add_argument("--seed", type=int, default=2026)
    ask.add_argument("--all", action="store_true")
    given = ask.parse_args()
    module = None
    if os.environ.get("PROTOTYPE"):
        sys.path.insert(0, os.environ["PROTOTYPE"])
        import arc_chain as module
    for arcs, count, sigma in EVERY if given.all else QUICK:
        rng = np.random.default_rng([given.seed, arcs, count, int(10 * sigma)])
        scores: dict[str, list[Score]] = {"here": []} | ({"prototype": []} if module else {})
        for _ in range(given.cases):
            true = true_section(arcs, rng)
            points = survey(true, count, sigma, rng)
            task = Task(readings=read_points(points, sigma), straight=(False,) * arcs)
            goal = settle(true, task).cost
            scores["here"].append(ours(points, sigma, true, goal))
            if module:
                scores["prototype"].append(prototype(module, points, sigma, true, goal))
        for name, rows in scores.items():
            print(
                f"{arcs} arcs N {count} sigma {sigma}  {name:9s} {line_of(rows, arcs)}", flush=True
            )


if __name__ == "__main__":
    main()
