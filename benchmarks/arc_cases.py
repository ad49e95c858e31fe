"""Known sections, surveys of them, and the cases of the table of kinds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loft.drawing.chain import Chain, strike, walk
from loft.drawing.check import check_facts
from loft.drawing.closure import close
from loft.drawing.diagnosis import diagnose, line_covariance
from loft.drawing.readings import read_points
from loft.drawing.search import fit_arcs
from loft.drawing.solve import Fit, Task, rows
from loft.job.records import Fact, Frame


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


def bound(true: Chain, task: Task, lean: tuple[float, float] = (0.0, 0.0)) -> float:
    """Return the rms error of the mould line that the readings allow, mm."""
    row, slope = rows(true, np.array(lean), task)
    fit = Fit(chain=true, lean=np.array(lean), row=row, slope=slope, cost=0.0, steps=0, task=task)
    girth = np.linspace(0, true.length.sum(), 300)
    return float(np.sqrt(np.mean(np.diag(line_covariance(fit, diagnose(fit), girth)[0]))))


def closed(bend: list[float], length: list[float], crown: float) -> Chain | None:
    """Return the closed chain near some arcs, None where it turned out otherwise."""
    near = Chain(crown=crown, curvature=np.array(bend), length=np.array(length))
    held = np.array([False, *(one == 0 for one in bend), *([False] * len(bend))])
    chain = close(near, held, most=20)
    same = chain is not None and (np.sign(chain.curvature) == np.sign(bend)).all()
    return chain if same and chain.length.min() > 60 and chain.radius[-1] > 300 else None


def slab_section(rng: np.random.Generator) -> Chain:
    """Return crown, shoulder, an upright straight, bilge and bottom."""
    while True:
        crown, shoulder, bilge = (
            rng.uniform(low, high) for low, high in ((500, 900), (180, 320), (150, 280))
        )
        first = np.deg2rad(rng.uniform(35, 55))
        last = np.deg2rad(rng.uniform(40, 60))
        length = [crown * first, shoulder * (np.pi / 2 - first), rng.uniform(300, 700)]
        length += [bilge * last, 900.0 * (np.pi / 2 - last)]
        chain = closed([1 / crown, 1 / shoulder, 0, 1 / bilge, 1 / 900], length, 800.0)
        if chain is not None:
            return chain


def flared_section(rng: np.random.Generator) -> Chain:
    """Return crown, shoulder, a hollow towards the keel, and bottom."""
    while True:
        crown, shoulder, hollow = (
            rng.uniform(low, high) for low, high in ((500, 700), (200, 320), (600, 1200))
        )
        length = [crown * 0.95, shoulder * rng.uniform(0.95, 1.2), rng.uniform(150, 250), 900.0]
        chain = closed([1 / crown, 1 / shoulder, -1 / hollow, 1 / 700], length, 900.0)
        if chain is not None and chain.radius[-1] < 2000:
            return chain


@dataclass
class Case:
    """One section of the table of kinds: what is fitted, and what was found."""

    true: Chain
    fit: Fit
    right: bool
    bound: float


def slab_case(rng: np.random.Generator) -> Case:
    true = slab_section(rng)
    points = survey(true, 40, 1.0, rng)
    best = fit_arcs(points, 1.0, conics=False).best
    task = Task(readings=read_points(points, 1.0), straight=(False, False, True, False, False))
    right = (best.arcs, best.straights) == (4, 1) and best.fit.task.straight == task.straight
    return Case(true, best.fit, right, bound(true, task))


def flared_case(rng: np.random.Generator) -> Case:
    """The drawing gives the order of the arcs, that one is hollow, and the crown's radius."""
    true = flared_section(rng)
    points = survey(true, 40, 1.0, rng)
    drawn = {"crown": true.radius[0], "shoulder": np.nan, "flare": true.radius[2]}
    facts = [
        Fact(frame="F", kind="arc", arc=name, radius=value, sigma=1.0 if value > 0 else 20.0)
        for name, value in (drawn | {"bottom": np.nan}).items()
    ]
    check = check_facts(facts, Frame(name="F", station=0.0), points=points, sigma=1.0)
    right = check.p > 0.001 and all(one.verdict != "contradicted" for one in check.facts)
    return Case(true, check.reading.fit, right, bound(true, check.reading.fit.task))


def leaning_case(rng: np.random.Generator) -> Case:
    """Both halves, the centreline 3 mm off and tilted 0.3 degree, with priors of 5 mm, 0.5."""
    true = true_section(4, rng)
    half = [survey(true, 20, 0.0, rng) * [side, 1.0] for side in (1.0, -1.0)]
    points, shift, lean = np.concatenate(half), 3.0, np.deg2rad(0.3)
    up = points[:, 1] - points[:, 1].mean()
    turned = np.stack(
        [
            shift + np.cos(lean) * points[:, 0] + np.sin(lean) * up,
            points[:, 1].mean() - np.sin(lean) * points[:, 0] + np.cos(lean) * up,
        ],
        axis=-1,
    )
    read = turned + rng.normal(0.0, 1.0, turned.shape)
    centreline = (5.0, float(np.deg2rad(0.5)))
    found = fit_arcs(read, 1.0, centreline=centreline, conics=False)
    task = Task(readings=read_points(read, 1.0, centreline=centreline), straight=(False,) * 4)
    away = np.abs(found.best.fit.lean - [shift, lean])
    sd = np.sqrt(np.diag(diagnose(found.best.fit).covariance)[-2:])
    right = found.best.arcs == 4 and bool((away < 3.29 * sd).all())
    return Case(true, found.best.fit, right, bound(true, task, (shift, lean)))


def lifted_line(true: Chain, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return a lifted outline and its covariance: errors of 1.5 mm that hang over 150 mm."""
    girth = np.linspace(0.0, true.length.sum(), 50)
    points, normals, _, _ = walk(true, girth)
    apart = girth[:, None] - girth[None]
    covariance = 1.5**2 * np.exp(-np.abs(apart) / 150.0) + 0.2**2 * np.eye(len(girth))
    error = np.linalg.cholesky(covariance) @ rng.normal(size=len(girth))
    return points + error[:, None] * normals, covariance


def lifted_case(rng: np.random.Generator, count: int = 0) -> Case:
    true = true_section(4, rng)
    line, covariance = lifted_line(true, rng)
    points = survey(true, count, 1.0, rng) if count else np.zeros((0, 2))
    given = {"outline": line, "covariance": covariance}
    found = fit_arcs(points, 1.0, conics=False, **given)
    task = Task(readings=read_points(points, 1.0, **given), straight=(False,) * 4)
    return Case(true, found.best.fit, found.best.arcs == 4, bound(true, task))


def both_case(rng: np.random.Generator) -> Case:
    return lifted_case(rng, 16)


KINDS = {
    "4 arcs and an upright straight, N 40": slab_case,
    "a hollow that the drawing shows, N 40": flared_case,
    "4 arcs, centreline 3 mm and 0.3 degree off, N 2 x 20": leaning_case,
    "4 arcs, a lifted section, correlated errors": lifted_case,
    "4 arcs, that section and 16 readings in one": both_case,
}
