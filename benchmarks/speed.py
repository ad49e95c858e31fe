"""Processor time, one thread, the two programs in turn in one process."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from benchmarks.accuracy import lift, theirs
from benchmarks.surveys import job_of, missing, prototype
from benchmarks.tally import load, table, verdict
from loft.fairing.evidence import holdout
from loft.fairing.surface import fair

SEED = 5
SURVEYS = 5  # a job's ratio is of the medians summed over so many surveys: passes vary by survey
WANTED, AIM, DENSE_WANTED, HOLDOUT_WANTED = 0.8, 0.4, 2.0, 3.0
SURVEY = {"sigma": 1.0, "rigid": (2.0, 0.15), "real": True}


def tape_survey(number: int, seed: int = SEED) -> tuple:
    """20 frames of 40 points, blunders and gaps among them; one frame is left out."""
    modules = prototype()
    body = modules[1].all_bodies()[number]
    rng = np.random.default_rng(seed)
    frames = modules[0].survey(body, rng, F=21, J=40, miss=0.15, outl=0.04, **SURVEY)
    return body, frames, frames.pop(9)["x"]


def scan_survey(number: int) -> tuple:
    """30 frames of 2000 scanned points."""
    modules = prototype()
    body = modules[1].all_bodies()[number]
    frames = modules[0].survey(
        body, np.random.default_rng(SEED), F=31, scan=2000, outl=0.04, **SURVEY
    )
    return body, frames, frames.pop(14)["x"]


def ours_on(body, frames: list[dict], station: float) -> Callable[[], object]:
    """Fit and section, as timed; the records are made beforehand."""
    job, survey = job_of(frames, body=body)
    job, frame = missing(job, station)
    return lambda: fair(job, survey, lines=False).lift(frame)


def theirs_on(body, frames: list[dict], station: float) -> Callable[[], object]:
    _, scenarios, program = prototype()
    kink = scenarios.kinkcb(body) if body.brk(station) is not None else None
    return lambda: program.Loft3(kink=kink).fit(frames, [station]).section(station)


def seconds(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def in_turn(one: Callable, other: Callable, rounds: int) -> tuple[float, float]:
    one(), other()
    pairs = np.array([(seconds(one), seconds(other)) for _ in range(rounds)])
    return np.median(pairs[:, 0]), np.median(pairs[:, 1])


def line_of(name: str, cases: list[tuple], rounds: int, wanted: float) -> tuple[str, ...]:
    """Medians of every survey; their sums' ratio with the error by survey."""
    times = np.array([in_turn(ours_on(*case), theirs_on(*case), rounds) for case in cases])
    ours, old = times.T
    middle = float(ours.sum() / old.sum())
    error = (ours / old).std(ddof=1) / len(cases) ** 0.5 if len(cases) > 1 else np.nan
    return (
        name,
        f"{1e3 * ours.mean():.1f}",
        f"{1e3 * old.mean():.1f}",
        f"{middle:.2f} ± {error:.2f}",
        verdict(middle <= wanted),
        load(),
    )


def report(seeds: int | None, jobs: int) -> None:
    assert lift is not None
    assert theirs is not None
    bodies = prototype()[1].all_bodies()
    rounds = seeds or 9
    rows = []
    for number, body in enumerate(bodies):
        cases = [tape_survey(number, SEED + k) for k in range(SURVEYS)]
        rows.append(line_of(f"{body.name} 20 x 40", cases, rounds, WANTED))
    for number, body in enumerate(bodies):
        if body.brk(0.0) is not None:
            continue  # a scan has no labels: its edges cannot be marked
        rows.append(line_of(f"{body.name} 30 x 2000", [scan_survey(number)], 5, DENSE_WANTED))
    print(f"fit and section, medians; wanted <= {WANTED} (aim {AIM}), scans <= {DENSE_WANTED}")
    print(table(("job", "ours ms", "earlier ms", "ratio", "", ""), rows), end="\n\n")
    rows = []
    for number, body in enumerate(bodies):
        _, frames, _ = tape_survey(number)
        job, survey = job_of(frames, body=body)
        surface = fair(job, survey, lines=False)
        afresh = [replace(surface) for _ in range(3)]  # of each nothing is known yet
        took = np.median([seconds(lambda one=one: holdout(one)) for one in afresh])
        rows.append((body.name, f"{took:.2f}", verdict(took < HOLDOUT_WANTED), load()))
    print(f"hold-out of all 20 frames, seconds; wanted < {HOLDOUT_WANTED:.0f}")
    print(table(("body", "s", "", ""), rows))
