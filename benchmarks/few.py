"""Jobs of six to nine frames: is the stated spread an honest size of the error?"""

from __future__ import annotations

import numpy as np

from benchmarks.accuracy import lift, outline_error, theirs
from benchmarks.surveys import prototype
from benchmarks.tally import mean, ratio, share, spread, table, verdict

FIRST_SEED = 20_000
MOST = 1.6
COUNTS = 6, 7, 8, 9  # frames that are left
SURVEY = {"sigma": 1.0, "J": 40, "miss": 0.15, "outl": 0.04, "rigid": (2.0, 0.15), "real": True}


def score(
    number: int, count: int, seed: int
) -> tuple[str, float, float, float, bool, float, float]:
    modules = prototype()
    body = modules[1].all_bodies()[number]
    rng = np.random.default_rng([seed, number, count])
    frames = modules[0].survey(body, rng, F=count + 1, **SURVEY)
    station = frames[hidden := int(rng.integers(2, count - 1))]["x"]
    left = [frame for k, frame in enumerate(frames) if k != hidden]
    old = theirs(modules, body, left, station)
    _, section = lift(body, left, station)
    error, row = outline_error(modules, body, station, section)
    return (
        body.name,
        float(np.sqrt(np.mean(error**2))),
        float(np.sqrt(np.mean(section.sd[row] ** 2))),
        float(np.mean(error <= section.band95[row])),
        bool((error <= section.band95_all[row]).all()),
        float(old["rms"]),
        float(old["sd"]),
    )


def line_of(name: str, scores: list[tuple]) -> tuple[str, ...]:
    _, rms, sd, inside, whole, old, old_sd = zip(*scores, strict=True)
    wide = ratio(sd, rms)
    return (
        name,
        str(len(scores)),
        mean(old).show(2),
        ratio(old_sd, old).show(2),
        mean(rms).show(2),
        wide.show(2),
        verdict(wide.value <= MOST),
        f"{np.sqrt(np.mean(np.square(sd)) / np.mean(np.square(rms))):.2f}",
        mean(inside).show(),
        share(whole).show(),
    )


def report(seeds: int | None, jobs: int) -> None:
    bodies = prototype()[1].all_bodies()
    cases = [
        (number, count, FIRST_SEED + k)
        for number in range(len(bodies))
        for count in COUNTS
        for k in range(seeds or 10)
    ]
    scores = spread(score, cases, jobs)
    rows = [line_of(body.name, [s for s in scores if s[0] == body.name]) for body in bodies]
    for count in COUNTS:
        mine = [s for s, case in zip(scores, cases, strict=True) if case[1] == count]
        rows.append(line_of(f"{count} frames", mine))
    rows.append(line_of("all", scores))
    print(f"sd: root mean square over the outline; mean sd over mean RMS error wanted <= {MOST}")
    head = ("job", "n", "earlier mm", "its sd/RMS", "ours mm", "sd/RMS", "", "of squares")
    print(table((*head, "inside band95", "whole in band95_all"), rows))
