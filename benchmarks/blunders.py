"""One reading in five wrong by 10 to 50 mm, the frames standing true."""

from __future__ import annotations

import numpy as np

from benchmarks.accuracy import lift, outline_error
from benchmarks.surveys import prototype
from benchmarks.tally import mean, ratio, spread, table, verdict

FIRST_SEED = 50_000
WRONG, LEAST, MOST = 0.20, 10.0, 50.0
WANTED = 1.6
SURVEY = {"sigma": 1.0, "J": 40, "miss": 0.15, "real": True}


def spoil(frames: list[dict], rng: np.random.Generator, inward: float) -> list[dict]:
    """Move one reading in five along its radius; `inward` is the share that goes inwards."""
    total = sum(len(frame["p"]) for frame in frames)
    wrong = np.zeros(total, bool)
    wrong[rng.permutation(total)[: round(WRONG * total)]] = True
    out, start = [], 0
    for frame in frames:
        points = frame["p"]
        mine = wrong[start : start + len(points)]
        start += len(points)
        arm = points - (points.min(0) + points.max(0)) / 2
        size = rng.uniform(LEAST, MOST, len(points))
        size *= np.where(rng.uniform(size=len(points)) < inward, -1, 1) * mine
        moved = points + arm / np.hypot(*arm.T)[:, None] * size[:, None]
        out.append(frame | {"p": moved})
    return out


def score(number: int, seed: int) -> tuple[str, list[float], list[float]]:
    """RMS and share inside the band: clean, blunders either way, blunders all inwards."""
    modules = prototype()
    body = modules[1].all_bodies()[number]
    rng = np.random.default_rng([seed, number])
    count = round((body.hi - body.lo) / 480) + 1
    frames = modules[0].survey(body, rng, F=count, **SURVEY)
    hidden = int(rng.integers(3, count - 4))
    station = frames.pop(hidden)["x"]
    rms, inside = [], []
    for survey in (frames, spoil(frames, rng, 0.5), spoil(frames, rng, 1.0)):
        _, section = lift(body, survey, station, settlement=(0.0, 0.0, 0.0))
        error, row = outline_error(modules, body, station, section)
        rms.append(float(np.sqrt(np.mean(error**2))))
        inside.append(float(np.mean(error <= section.band95[row])))
    return body.name, rms, inside


def line_of(name: str, scores: list[tuple]) -> tuple[str, ...]:
    rms, inside = np.array([s[1] for s in scores]), np.array([s[2] for s in scores])
    either, inward = ratio(rms[:, 1], rms[:, 0]), ratio(rms[:, 2], rms[:, 0])
    return (
        name,
        str(len(scores)),
        *[mean(rms[:, k]).show(2) for k in range(3)],
        either.show(2),
        verdict(either.value <= WANTED),
        inward.show(2),
        " ".join(f"{inside[:, k].mean():.3f}" for k in range(3)),
    )


def report(seeds: int | None, jobs: int) -> None:
    bodies = prototype()[1].all_bodies()
    cases = [(n, FIRST_SEED + k) for n in range(len(bodies)) for k in range(seeds or 40)]
    scores = spread(score, cases, jobs)
    rows = [line_of(body.name, [s for s in scores if s[0] == body.name]) for body in bodies]
    rows.append(line_of("all", scores))
    print(f"{WRONG:.0%} of the readings {LEAST:.0f} to {MOST:.0f} mm wrong; wanted <= {WANTED}")
    head = ("body", "n", "clean mm", "either way mm", "all inwards mm", "either / clean", "")
    print(table((*head, "inwards / clean", "inside band95, the three"), rows))
