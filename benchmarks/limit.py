"""How near the fit comes to the information limit where its own prior is true.

Bodies are drawn from the prior (every coefficient an integrated Wiener process of known
variance, the fine shapes held by their sizes), frames settle and readings scatter by
Student's t as the model says. The limit is the fit that is told all variances; against
it stand the fit that must learn them, with the same reference body, and `fair`, which
must find the reference too.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import solve_triangular

from benchmarks.surveys import make_job, make_survey
from benchmarks.tally import mean, ratio, spread, table, verdict
from loft.fairing import basis
from loft.fairing.fit import fit_surface, links_of
from loft.fairing.learner import FREEDOM, Variances
from loft.fairing.reference import Reference
from loft.fairing.rows import knot_stations, make_batch, sort_rows
from loft.fairing.smoother import Run, make_run
from loft.fairing.surface import Surface, fair

FIRST_SEED = 60_000
WANTED = 1.07
SETTLEMENT = 2.0, 2.0, np.deg2rad(0.15)
NOISE = 1.0
START = 10.0, 5.0  # mm: spread of what the prior leaves free at the first frame, value and slope
READINGS = 34
# how much rougher than typical along the run, and larger in its fine shapes, a body is
ROUGH = {"typical": (1.0, 1.0), "fair": (0.4, 0.4), "rough": (2.5, 2.0)}
REFERENCE = Reference(
    middle=0.0,
    half=4500.0,
    centre_bl=np.zeros(1),
    centre_wl=np.array([40.0, 30.0]),
    log_a=np.array([6.35, -0.12, -0.10]),
    log_b=np.array([6.55, -0.10, -0.12]),
    r0=640.0,
)
MODES = basis.choose_modes("soft")


@dataclass(frozen=True)
class Truth:
    """A drawn body: the states at every station of its run."""

    run: Run
    states: np.ndarray

    def rho(self, knot: int, theta: np.ndarray) -> np.ndarray:
        return basis.evaluate(MODES, theta)[0] @ self.states[knot, : len(MODES)] + REFERENCE.r0

    def points(self, knot: int, theta: np.ndarray) -> np.ndarray:
        q = self.rho(knot, theta) / REFERENCE.r0
        cy, cz, a, b = REFERENCE.at(self.run.station[knot])
        return np.stack([cy + a * q * np.sin(theta), cz + b * q * np.cos(theta)], -1)


def variances(rough: float, size: float) -> Variances:
    return Variances(
        noise=NOISE,
        run=1 / (rough * basis.TYPICAL_RUN) ** 2,
        size=1 / (size * basis.TYPICAL_SIZE) ** 2,
        settle=np.square(SETTLEMENT),
    )


def draw_body(stations: np.ndarray, known: Variances, rng: np.random.Generator) -> Truth:
    """Draw all states at once from the prior's precision."""
    run, b = make_run(stations), len(MODES)
    links = links_of(run, MODES, known)
    m, size = len(run), 2 * b
    whole = np.zeros((m, size, m, size))
    at, on = np.arange(b), np.arange(b, size)
    for i in range(m):
        for k, (rows, columns) in enumerate(((at, at), (at, on), (on, on))):
            whole[i, rows, i, columns] = links.own[i, k]
            whole[i, columns, i, rows] = links.own[i, k]
    for i in range(m - 1):
        for k, (rows, columns) in enumerate(((at, at), (at, on), (on, at), (on, on))):
            whole[i, rows, i + 1, columns] = links.onward[i, k]
            whole[i + 1, columns, i, rows] = links.onward[i, k]
    whole[0, at, 0, at] += START[0] ** -2
    whole[0, on, 0, on] += START[1] ** -2
    root = np.linalg.cholesky(whole.reshape(m * size, m * size))
    states = solve_triangular(root.T, rng.standard_normal(m * size), lower=False)
    return Truth(run, states.reshape(m, size))


def read_frame(truth: Truth, knot: int, rng: np.random.Generator) -> np.ndarray:
    """Readings of one frame: scattered along the normal, then moved with the frame."""
    theta = np.sort(rng.uniform(0, 2 * np.pi, READINGS))
    points = truth.points(knot, theta)
    chord = truth.points(knot, theta + 1e-5) - truth.points(knot, theta - 1e-5)
    normal = np.stack([-chord[:, 1], chord[:, 0]], -1) / np.hypot(*chord.T)[:, None]
    points = points + NOISE * rng.standard_t(FREEDOM, READINGS)[:, None] * normal
    wide = np.sqrt(FREEDOM / rng.chisquare(FREEDOM))
    d_bl, d_wl, roll = np.array(SETTLEMENT) * rng.standard_normal(3) * wide
    centre = np.array([part.item() for part in REFERENCE.at(truth.run.station[knot])[:2]])
    arm = points - centre
    turn = np.array([[np.cos(roll), -np.sin(roll)], [np.sin(roll), np.cos(roll)]])
    return centre + arm @ turn.T + np.array([d_bl, d_wl])


def score(kind: str, seed: int) -> tuple[str, float, float, float]:
    """RMS at the hidden frame: variances known, learned, and all found by `fair`."""
    rng = np.random.default_rng([seed, list(ROUGH).index(kind)])
    known = variances(*ROUGH[kind])
    stations = np.cumsum(rng.uniform(300, 650, 20))
    stations -= stations.mean()
    hidden = int(rng.integers(3, 16))
    truth = draw_body(stations, known, rng)
    left = [k for k in range(20) if k != hidden]
    job = make_job(stations[left])
    readings = [
        (frame.name, "", frame.station, *point)
        for frame, k in zip(job.frames, left, strict=True)
        for point in read_frame(truth, k, rng)
    ]
    survey = make_survey(readings)
    wanted = np.ones(len(survey), bool)
    rows = sort_rows(job, survey, wanted)
    run = make_run(knot_stations(rows))
    batch = make_batch(job, survey, rows, run, None)

    def surface(given: Variances | None) -> Surface:
        fit = fit_surface(batch, REFERENCE, MODES, run, settlement=job.fair.settlement, given=given)
        return replace(whole, fit=fit)

    whole = fair(job, survey, lines=False)
    place = truth.points(hidden, 2 * np.pi * np.arange(360) / 360)
    station = np.full(360, stations[hidden])
    found = [
        float(np.sqrt(np.mean(made.distance(station, *place.T) ** 2)))
        for made in (surface(known), surface(None), whole)
    ]
    return (kind, *found)


def line_of(name: str, scores: list[tuple]) -> tuple[str, ...]:
    known, learned, whole = (np.array([s[k] for s in scores]) for k in (1, 2, 3))
    near = ratio(learned, known)
    return (
        name,
        str(len(scores)),
        mean(known).show(),
        mean(learned).show(),
        mean(whole).show(),
        near.show(),
        verdict(near.value <= WANTED),
        ratio(whole, known).show(),
    )


def report(seeds: int | None, jobs: int) -> None:
    cases = [(kind, FIRST_SEED + k) for kind in ROUGH for k in range(seeds or 60)]
    scores = spread(score, cases, jobs)
    rows = [line_of(kind, [s for s in scores if s[0] == kind]) for kind in ROUGH]
    rows.append(line_of("all", scores))
    print(f"RMS, mm, at a hidden frame of 20; ratio to the limit wanted <= {WANTED}")
    head = ("bodies", "n", "all known", "learned", "fair", "learned / known", "")
    print(table((*head, "fair / known"), rows))
