"""Tables of the free fit of tangent arcs, on fresh surveys of known sections.

    nice python benchmarks/arcs.py [free kinds short drawn alarms conic] [--cases 6]
        [--seed 2026] [--all]

Tables: free (fits without a drawing), kinds (an upright straight, a hollow that the drawing
shows, a shifted and tilted centreline, a lifted section with correlated errors, both it and
readings), short (a 5 m radius over a short arc), drawn (how often a wrong drawn radius is
noticed, and what it costs), alarms (true figures contradicted, 50 times --cases), conic
(conics told from arcs).

Set PROTOTYPE to a folder with an earlier solver (`arc_chain.py`) to run it on the very
same surveys in the same run. Times are processor time of this process.

global    share of cases whose fit at the known number of arcs is at least as good as
          the minimum reached from the truth itself: thorough (the better of the fit at
          the known number and of that on the way to BIC's choice) / quick (no exchanges;
          the earlier solver has this mode alone)
BIC       share with the right number of arcs / too few / too many
side, other   median relative error of the side's radius and of the others, right number
line      mould-line error as chosen by BIC, mm: rms, (rms over the bound that the truth
          itself gives, case by case), median of the largest
ms        median time at the known number, quick / thorough / with the number to be found
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from benchmarks.arc_cases import KINDS, bound, survey, true_section
from benchmarks.tally import share
from loft.drawing.chain import Chain, project, strike, walk
from loft.drawing.check import check_facts
from loft.drawing.conic import Conic
from loft.drawing.diagnosis import REJECT, diagnose, line_covariance
from loft.drawing.dimensions import at_turn
from loft.drawing.drawn import must_fit
from loft.drawing.facts import read_facts
from loft.drawing.readings import read_points
from loft.drawing.search import fit_arcs, fit_count
from loft.drawing.solve import Task, settle
from loft.job.records import Fact, Frame

QUICK = [(n, count, sigma) for n in (3, 4, 5) for count in (12, 20) for sigma in (1.0, 2.0)]
QUICK += [(6, 40, 1.0)]
EVERY = [(n, c, s) for n in (3, 4, 5) for c in (12, 20, 40) for s in (0.5, 1.0, 2.0)]
EVERY += [(6, c, s) for c in (20, 40) for s in (0.5, 1.0, 2.0)]


@dataclass
class Score:
    reached: bool
    quick: bool
    bound: float
    arcs: int
    side: float
    other: float
    error: np.ndarray
    quick_ms: float
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
    quick, quick_ms = timed(lambda: fit_count(readings, count, exchanges=0))
    found, auto_ms = timed(lambda: fit_arcs(points, sigma, conics=False))
    best = found.best.fit.chain
    line = project(best, walk(true, np.linspace(0, true.length.sum(), 300))[0]).distance
    side, other = radii_error(known.chain.radius, true) if known else (np.nan, np.nan)
    on_the_way = [one.fit for one in found.tried if one.arcs == count and not one.straights]
    enough = goal * (1 + 1e-3) + 1e-2
    quickly = quick is not None and quick.cost <= enough
    reached = any(fit is not None and fit.cost <= enough for fit in (known, *on_the_way))
    least = bound(true, Task(readings=readings, straight=(False,) * count))
    return Score(reached, quickly, least, len(best), side, other, line, quick_ms, known_ms, auto_ms)


def prototype(module, points: np.ndarray, sigma: float, true: Chain, goal: float) -> Score:
    count = len(true)
    known, known_ms = timed(lambda: module.fit_n(points, sigma, count))
    (fits, chosen), auto_ms = timed(lambda: module.fit_auto(points, sigma))
    best = fits[chosen]["ch"]
    line = best.project(walk(true, np.linspace(0, true.length.sum(), 300))[0])[0]
    side, other = radii_error(known["ch"].R, true)
    reached = known["cost"] <= goal * (1 + 1e-3) + 1e-2
    least = bound(true, Task(readings=read_points(points, sigma), straight=(False,) * count))
    return Score(reached, reached, least, chosen, side, other, line, known_ms, known_ms, auto_ms)


def line_of(scores: list[Score], arcs: int) -> str:
    number = np.array([score.arcs for score in scores])
    square = np.array([np.mean(score.error**2) for score in scores])
    least = np.array([score.bound**2 for score in scores])
    rms, over = np.sqrt(square.mean()), np.sqrt(np.mean(square / least))
    largest = np.median([np.abs(score.error).max() for score in scores])
    middle = [
        np.nanmedian([getattr(score, name) for score in scores])
        for name in ("side", "other", "quick_ms", "known_ms", "auto_ms")
    ]
    return (
        f"global {np.mean([score.reached for score in scores]):.2f}"
        f"/{np.mean([score.quick for score in scores]):.2f}  "
        f"BIC {np.mean(number == arcs):.2f}/{np.mean(number < arcs):.2f}"
        f"/{np.mean(number > arcs):.2f}  "
        f"side {middle[0]:.3f} other {middle[1]:.4f}  "
        f"line {rms:.2f} ({over:.2f}) {largest:.2f}  "
        f"ms {middle[2]:.0f} / {middle[3]:.0f} / {middle[4]:.0f}"
    )


def free_table(given: argparse.Namespace, module) -> None:
    every: dict[str, list[tuple[bool, ...]]] = {}
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
        for name, found in scores.items():
            print(
                f"{arcs} arcs N {count} sigma {sigma}  {name:9s} {line_of(found, arcs)}", flush=True
            )
            every.setdefault(name, []).extend(
                (one.reached, one.quick, one.arcs == arcs) for one in found
            )
    for name, hits in every.items():
        parts = [share(column).show() for column in zip(*hits, strict=True)]
        print(
            f"all {len(hits)} {name}: global thorough {parts[0]}, quick {parts[1]}, BIC {parts[2]}"
        )


def kinds_table(given: argparse.Namespace, module) -> None:
    """Make-up right, line error over its bound, and how often 2 sd hold the truth."""
    del module
    for index, (name, make) in enumerate(KINDS.items()):
        rng = np.random.default_rng([given.seed, 77, index])
        right, error, least, held, took = [], [], [], [], []
        for _ in range(2 * given.cases):
            case, ms = timed(lambda make=make, rng=rng: make(rng))
            chain, fit = case.true, case.fit
            line = walk(chain, np.linspace(0, chain.length.sum(), 300))[0]
            away = project(fit.chain, line).distance
            girth = np.linspace(0, fit.chain.length.sum(), 300)
            sd = np.sqrt(np.diag(line_covariance(fit, diagnose(fit), girth)[0]))
            right.append(case.right)
            error.append(np.mean(away**2))
            least.append(case.bound**2)
            held.append(np.mean(np.abs(away) < 1.96 * sd))
            took.append(ms)
        rms, low = np.sqrt(np.mean(error)), np.sqrt(np.mean(least))
        print(
            f"{name}: right {np.mean(right):.2f}  line {rms:.2f} ({rms / low:.2f} of the bound)  "
            f"95 % band holds {np.mean(held):.2f}  ms {np.median(took):.0f}",
            flush=True,
        )


def alarms_table(given: argparse.Namespace, module) -> None:
    """True figures that are contradicted: wanted at most .002 of them."""
    del module
    true, alarms, figures = board_section(), 0, 0
    for index in range(50 * given.cases):
        rng = np.random.default_rng([given.seed, 99, index])
        count, sigma = ((12, 1.5), (20, 1.5), (40, 1.0))[index % 3]
        # a board is read to within the sigma that is stated for it
        check = board_check(true, board_figures(true), survey(true, count, sigma, rng), sigma, rng)
        alarms += sum(one.verdict == "contradicted" for one in check.facts)
        figures += len(check.facts)
    print(
        f"false alarms: {alarms} of {figures} true figures ({alarms / figures:.4f}), "
        f"{50 * given.cases} surveys"
    )


def short_table(given: argparse.Namespace, module) -> None:
    """The stated sd of a radius against its closed form and against repeated surveys."""
    del module
    rng = np.random.default_rng(given.seed)
    radius, sigma = 5000.0, 1.0
    chain = Chain(crown=0.0, curvature=np.array([1 / radius]), length=np.array([radius * np.pi]))
    for length, count in ((600.0, 5), (600.0, 10), (900.0, 10), (1200.0, 10)):
        middle = 0.5 * radius * np.pi
        points, normals, _, _ = walk(chain, middle + np.linspace(-length / 2, length / 2, count))
        shape = 720 * (count - 1) ** 3 / (count * (count + 1) * (count**2 - 4))
        formula = sigma * radius**2 / length**2 * np.sqrt(shape)
        found, stated = [], []
        for _ in range(20 * given.cases):
            read = points + rng.normal(0.0, sigma, (count, 1)) * normals
            task = Task(readings=read_points(read, sigma, centreline=(1e8, 0.0)), straight=(False,))
            fit = settle(chain, task)
            found.append(fit.chain.curvature[0])
            stated.append(diagnose(fit).sd_curvature[0])
        spread = np.std(found) * radius**2
        print(
            f"short arc L {length:.0f} N {count}: sd of R by formula {formula:.0f}, "
            f"stated {np.median(stated) * radius**2:.0f}, of repeated surveys {spread:.0f}"
        )


NAMES = ("crown", "shoulder", "side", "bilge", "bottom")


def board_section() -> Chain:
    """The section of the drawing tables: 620 / 250 / 5500 / 300 / about 646."""
    return strike(800.0, [620.0, 250.0, 5500.0, 300.0], np.deg2rad([41.25, 84.22, 91.67, 140.94]))


def board_figures(true: Chain, **wrong: float) -> dict[str, float]:
    drawn = dict(zip(NAMES, true.radius, strict=True)) | {"bilge": np.nan}
    return {**drawn, **wrong}


def board_facts(true: Chain, figures: dict[str, float]) -> list[Fact]:
    facts = [
        Fact(frame="F", kind="arc", arc=name, radius=figures[name], sigma=1.0) for name in NAMES
    ]
    facts[0] = replace(facts[0], centre_wl=float(true.centre[0, 1]))
    facts += [Fact(frame="F", kind="top", value=true.crown, sigma=1.0)]
    facts += [Fact(frame="F", kind="bottom", value=true.keel, sigma=1.0)]
    widest = float(at_turn(true, np.pi / 2)[0][0])
    return [*facts, Fact(frame="F", kind="max_half_breadth", value=widest, sigma=1.0)]


def board_check(true: Chain, figures: dict[str, float], points, sigma: float, rng=None):
    """Check the board's figures; with `rng` each is misread by its own sigma."""
    facts = board_facts(true, figures)
    if rng is not None:
        names = ("radius", "centre_wl", "value")
        facts = [
            replace(one, **{name: getattr(one, name) + rng.normal() for name in names})
            for one in facts
        ]
    plane = Frame(name="F", station=0.0)
    return check_facts(facts, plane, points=points, sigma=sigma, robust=False)


def check_ours(true: Chain, figures: dict[str, float], points, sigma: float):
    check = board_check(true, figures, points, sigma)
    wrong = {one.arc for one in check.facts if one.verdict == "contradicted"}
    return wrong, check.reading.fit.chain


def solve_ours(true: Chain, figures: dict[str, float], points, sigma: float):
    """Solve and test every figure, no more: what the prototype does."""
    drawing = read_facts(board_facts(true, figures), Frame(name="F", station=0.0))
    fit = must_fit(drawing, read_points(points, sigma)).fit
    found = diagnose(fit).standardised[fit.task.readings.rows :]
    wrong = {
        drawing.slots[one.element].name
        for one, size in zip(drawing.dimensions, found, strict=False)
        if one.element >= 0 and abs(size) > REJECT
    }
    return wrong, fit.chain


def check_prototype(true: Chain, figures: dict[str, float], points, sigma: float):
    import arc_drawing

    slots = [
        {"name": name, "R": None if np.isnan(figures[name]) else figures[name], "s": 1.0}
        for name in NAMES
    ]
    widest = float(at_turn(true, np.pi / 2)[0][0])
    dims = [("CX", 0, 0.0, 0.5), ("CZ", 0, float(true.centre[0, 1]), 1.0)]
    dims += [("TOP", None, true.crown, 1.0), ("BOT", None, true.keel, 1.0)]
    dims += [("B", None, widest, 1.0)]
    fit = arc_drawing.solve(slots, dims[1:], points, sigma)[0]
    found = arc_drawing.diagnose(fit)["w"][fit["npts"] :]
    names = [slots[one[1]]["name"] if one[1] is not None else "" for one in fit["dims"]]
    wrong = {name for name, size in zip(names, found, strict=True) if abs(size) > REJECT}
    return wrong, fit["ch"]


def drawn_table(given: argparse.Namespace, module) -> None:
    true = board_section()
    line = walk(true, np.linspace(0.0, true.length.sum(), 300))[0]
    cases = [{}, {"side": 5050.0}, {"side": 8000.0}, {"shoulder": 300.0}, {"crown": 630.0}]
    cases += [{"bottom": 700.0}]
    solvers = {"solved": solve_ours, "checked": check_ours} | (
        {"prototype": check_prototype} if module else {}
    )
    for wrong in cases:
        for name, solver in solvers.items():
            parts = []
            for count, sigma in ((12, 1.5), (20, 1.5), (40, 1.0)):
                rng = np.random.default_rng([given.seed, count])
                seen, error, took = [], [], []
                for _ in range(given.cases):
                    points = survey(true, count, sigma, rng)
                    figures = board_figures(true, **wrong)
                    (told, chain), ms = timed(
                        lambda f=figures, p=points, s=sigma, work=solver: work(true, f, p, s)
                    )
                    away = (
                        chain.project(line)[0]
                        if name == "prototype"
                        else project(chain, line).distance
                    )
                    seen.append(bool(told & set(wrong)) if wrong else bool(told))
                    error.append(np.abs(away).max())
                    took.append(ms)
                parts.append(
                    f"N {count}: {np.mean(seen):.2f} {np.median(error):.1f} mm "
                    f"{np.median(took):.0f} ms"
                )
            what = " ".join(f"{key} {value:.0f}" for key, value in wrong.items()) or "none"
            print(
                f"drawn wrong: {what:14s} {name:9s} noticed, line error, time: {'; '.join(parts)}",
                flush=True,
            )


def conic_table(given: argparse.Namespace, module) -> None:
    del module
    for count, sigma in ((16, 1.0), (24, 1.0), (40, 0.5)):
        rng = np.random.default_rng([given.seed, count])
        right, arcs_right, took = [], [], []
        for index in range(given.cases):
            out, level = rng.uniform(500, 700), rng.uniform(-150, 150)
            top, bottom = rng.uniform(700, 950), rng.uniform(-900, -600)
            upper = Conic(
                start=np.array([0.0, top]),
                corner=np.array([out, top]),
                end=np.array([out, level]),
                rho=rng.uniform(0.44, 0.58),
            )
            lower = Conic(
                start=np.array([out, level]),
                corner=np.array([out, bottom]),
                end=np.array([0.0, bottom]),
                rho=rng.uniform(0.44, 0.62),
            )
            share = (np.arange(count // 2) + 0.5) / (count // 2)
            points = np.concatenate([one.at(share)[0] for one in (upper, lower)])
            points += rng.normal(0.0, sigma, points.shape)
            found, ms = timed(lambda p=points, s=sigma: fit_arcs(p, s))
            took.append(ms)
            right.append(found.conics[0].bic < found.best.bic)
            points = survey(true_section(3 + index % 3, rng), count, sigma, rng)
            found = fit_arcs(points, sigma)
            arcs_right.append(found.best.bic < found.conics[0].bic)
        print(
            f"conic or arcs N {count} sigma {sigma}: conics known {np.mean(right):.2f}, "
            f"arcs known {np.mean(arcs_right):.2f}, both fitted in {np.median(took):.0f} ms"
        )


TABLES = {
    "free": free_table,
    "kinds": kinds_table,
    "short": short_table,
    "drawn": drawn_table,
    "alarms": alarms_table,
    "conic": conic_table,
}


def main() -> None:
    ask = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    ask.add_argument("tables", nargs="*", choices=[*TABLES, []], default=[])
    ask.add_argument("--cases", type=int, default=6)
    ask.add_argument("--seed", type=int, default=2026)
    ask.add_argument("--all", action="store_true")
    given = ask.parse_args()
    module = None
    if os.environ.get("PROTOTYPE"):
        sys.path.insert(0, os.environ["PROTOTYPE"])
        import arc_chain as module
    for name in given.tables or TABLES:
        TABLES[name](given, module)


if __name__ == "__main__":
    main()
