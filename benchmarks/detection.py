"""What is wrong with a job is seen and named: edges, stations, reach, folds."""

from __future__ import annotations

import re
from itertools import pairwise

import numpy as np

from benchmarks.accuracy import ORDINARY, outline_error
from benchmarks.surveys import job_of, missing, prototype
from benchmarks.tally import mean, share, spread, table, verdict
from loft.fairing.evidence import holdout
from loft.fairing.places import girth_of
from loft.fairing.surface import fair
from loft.fairing.unmarked import unmarked_chines
from loft.fairing.warnings import reach_of, stations_out
from loft.job.errors import LoftError

CHINE_SEED, STATION_SEED, REACH_SEED, FOLD_SEED = 30_000, 40_000, 70_000, 80_000
NEAR = 50.0  # mm of girth: a chine named within this is found
SMOOTH = "ellipsoid", "searshaack", "comparc"
SHIFTS = 0.0, 50.0, 150.0
FOUND, FALSE = 0.9, 0.05
SURVEYS = 40
SPACINGS = 25.0, 50.0, 100.0  # mm between the readings on a folded part


def named_girths(surface) -> list[float]:
    """Girths of the unmarked chines that the program names."""
    texts = [finding.text for finding in unmarked_chines(surface)]
    found = [re.search(r"about girth (-?[\d.]+) mm", text) for text in texts]
    assert all(found), texts
    return [float(match[1]) for match in found if match]


def chine(number: int, seed: int) -> tuple[str, int, int, int]:
    """Edges of the body (one of a mirrored pair), those named, and names that are none."""
    modules = prototype()
    body = modules[1].all_bodies()[number]
    frames, _ = modules[1].case(body, ORDINARY, seed)
    surface = fair(*job_of(frames, marked=False), lines=False)
    named = named_girths(surface)
    middle = float(surface.stations.mean())
    edges = body.brk(middle)
    if edges is None:
        return body.name, 0, 0, len(named)
    edges = edges[edges[:, 0] > -1e-6]
    theta = surface.theta_of(np.full(len(edges), middle), *edges.T)
    girth, whole = girth_of(surface, middle, theta)
    apart = np.abs(np.subtract.outer(named, girth)).reshape(len(named), len(girth))
    apart = np.minimum(apart, whole - apart)
    hit = (apart <= NEAR).any(0) if named else np.zeros(len(girth), bool)
    false = int((apart > NEAR).all(1).sum()) if named else 0
    return body.name, len(edges), int(hit.sum()), false


def chines(surveys: int, jobs: int) -> None:
    bodies = prototype()[1].all_bodies()
    cases = [(n, CHINE_SEED + k) for n in range(len(bodies)) for k in range(surveys)]
    scores = spread(chine, cases, jobs)
    rows = []
    for body in bodies:
        mine = [s for s in scores if s[0] == body.name]
        false = share(s[3] > 0 for s in mine)
        if body.name in SMOOTH:
            rows.append(
                (
                    body.name,
                    str(len(mine)),
                    "",
                    "",
                    "",
                    false.show(2),
                    verdict(false.value <= FALSE),
                )
            )
            continue
        every, one = share(s[2] == s[1] for s in mine), share(s[2] > 0 for s in mine)
        rows.append(
            (
                body.name,
                str(len(mine)),
                one.show(2),
                every.show(2),
                verdict(every.value >= FOUND),
                false.show(2),
                "",
            )
        )
    smooth = share(s[3] > 0 for s in scores if s[0] in SMOOTH)
    rows.append(
        (
            "smooth ones",
            str(surveys * len(SMOOTH)),
            "",
            "",
            "",
            smooth.show(2),
            verdict(smooth.value <= FALSE),
        )
    )
    print(f"unmarked chines, named within {NEAR:.0f} mm of girth at the middle station")
    print(table(("body", "n", "one edge", "every edge", "", "false names", ""), rows), end="\n\n")


def station(number: int, off: float, seed: int) -> tuple[str, float, bool, bool]:
    """Was the shifted neighbour named, and was any other frame?"""
    modules = prototype()
    body = modules[1].all_bodies()[number]
    frames, hidden = modules[1].case(body, ORDINARY, seed)
    frames = sorted((dict(frame) for frame in frames), key=lambda frame: frame["x"])
    wrong = int(np.argmin([abs(frame["x"] - hidden) for frame in frames]))
    frames[wrong]["x"] += off * (1 if seed % 2 else -1)
    job, survey = job_of(frames, body=body)
    _, shifts = holdout(fair(job, survey, lines=False))
    named = [finding.text.split(":")[0].split()[1] for finding in stations_out(shifts, job)]
    true = job.frames[wrong].name
    return body.name, off, bool(off) and true in named, any(n != true or not off for n in named)


def stations(surveys: int, jobs: int) -> None:
    bodies = prototype()[1].all_bodies()
    cases = [
        (n, off, STATION_SEED + k)
        for off in SHIFTS
        for n in range(len(bodies))
        for k in range(surveys)
    ]
    scores = spread(station, cases, jobs)
    rows = []
    for body in [*[b.name for b in bodies], "all"]:
        mine = [s for s in scores if body in (s[0], "all")]
        quiet = share(s[3] for s in mine if not s[1])
        near, far = (share(s[2] for s in mine if s[1] == off) for off in SHIFTS[1:])
        other = share(s[3] for s in mine if s[1] == SHIFTS[-1])
        rows.append(
            (
                body,
                str(len(mine) // len(SHIFTS)),
                quiet.show(2),
                verdict(quiet.value <= FALSE),
                near.show(2),
                far.show(2),
                verdict(far.value >= FOUND),
                other.show(2),
            )
        )
    print("a neighbour of the missing frame out of station; hold-out of every frame")
    head = ("body", "n", "false alarm, 0 mm", "", "named, 50 mm", "named, 150 mm", "")
    print(table((*head, "another named, 150 mm"), rows), end="\n\n")


def reach(number: int, seed: int) -> tuple[str, bool, bool, float, float]:
    """A frame past the surveyed run: refused, warned of when allowed, and how it comes out."""
    modules = prototype()
    body = modules[1].all_bodies()[number]
    frames, _ = modules[1].case(body, ORDINARY, seed)
    frames = sorted(frames, key=lambda frame: frame["x"])
    out = frames.pop(0 if seed % 2 else -1)
    job, frame = missing(job_of(frames, body=body)[0], out["x"])
    surface = fair(job, job_of(frames, body=body)[1], lines=False)
    try:
        reach_of(surface, frame, extrapolate=False)
        refused = False
    except LoftError:
        refused = True
    warned = reach_of(surface, frame, extrapolate=True) is not None
    section = surface.lift(frame)
    error, row = outline_error(modules, body, out["x"], section)
    return (
        body.name,
        refused,
        warned,
        float(np.sqrt(np.mean(error**2))),
        float(np.mean(error <= section.band95[row])),
    )


def fin(size: float, thick: float, spacing: float) -> np.ndarray:
    """A fin that leaves the side at the waterline and turns up: rays cut it three times."""
    rise = 0.8 * size
    corners = [
        (0, 0),
        (size, 0),
        (size, rise),
        (size - thick, rise),
        (size - thick, thick),
        (0, thick),
    ]
    out = []
    for one, other in pairwise(corners):
        run = np.arange(0, np.hypot(*np.subtract(other, one)), spacing)[1:, None]
        out.append(one + run * np.subtract(other, one) / np.hypot(*np.subtract(other, one)))
    return np.concatenate(out)


def fold(number: int, spacing: float, seed: int) -> tuple[str, float, bool, bool]:
    """A frame whose section folds back is refused by name; the others are not."""
    modules = prototype()
    body = modules[1].all_bodies()[number]
    frames, _ = modules[1].case(body, ORDINARY, seed)
    frames = sorted((dict(frame) for frame in frames), key=lambda frame: frame["x"])
    rng = np.random.default_rng([seed, number])
    which = int(rng.integers(1, len(frames) - 1))
    points = frames[which]["p"]
    size = rng.uniform(250, 500)
    thick = rng.uniform(60, min(200, size / 2))  # a thicker one is a block, and hides nothing
    added = fin(size, thick, spacing)
    added = added + points[np.argmax(points[:, 0])] + rng.normal(0, 1.0, added.shape)
    frames[which]["p"] = np.concatenate([points, added])
    frames[which]["lab"] = np.arange(len(points) + len(added))
    job, survey = job_of(frames, marked=False)
    said, name = [], job.frames[which].name
    try:
        fair(job, survey, lines=False)
    except LoftError as refusal:
        said = [finding.text for finding in refusal.findings if "star-shaped" in finding.text]
    mine = [text for text in said if text.startswith(f"frame {name}:")]
    return body.name, spacing, bool(mine), len(said) > len(mine)


def ends(surveys: int, jobs: int) -> None:
    bodies = prototype()[1].all_bodies()
    cases = [(n, REACH_SEED + k) for n in range(len(bodies)) for k in range(surveys)]
    scores = spread(reach, cases, jobs)
    rows = []
    for body in [*[b.name for b in bodies], "all"]:
        mine = [s for s in scores if body in (s[0], "all")]
        told = share(s[1] and s[2] for s in mine)
        rows.append(
            (
                body,
                str(len(mine)),
                told.show(2),
                verdict(told.value == 1),
                mean(s[3] for s in mine).show(2),
                mean(s[4] for s in mine).show(),
            )
        )
    print("the first or last frame missing: refused, and warned of where it is allowed")
    head = ("body", "n", "told", "", "if allowed, mm", "inside band95")
    print(table(head, rows), end="\n\n")


def folds(surveys: int, jobs: int) -> None:
    bodies = prototype()[1].all_bodies()
    cases = [
        (n, spacing, FOLD_SEED + k)
        for spacing in SPACINGS
        for n in range(len(bodies))
        for k in range(surveys)
    ]
    scores = spread(fold, cases, jobs)
    rows = []
    for body in [*[b.name for b in bodies], "all"]:
        row = [body, str(len([s for s in scores if body in (s[0], "all")]) // len(SPACINGS))]
        for spacing in SPACINGS:
            named = share(s[2] for s in scores if body in (s[0], "all") and s[1] == spacing)
            row += [named.show(2), verdict(named.value == 1)]
        rows.append((*row, share(s[3] for s in scores if body in (s[0], "all")).show(2)))
    print("one frame with a fin, its section folding back; readings on the fin so far apart")
    head = [part for spacing in SPACINGS for part in (f"refused, {spacing:.0f} mm", "")]
    print(table(("body", "n", *head, "another refused"), rows))


def report(seeds: int | None, jobs: int) -> None:
    surveys = seeds or SURVEYS
    chines(surveys, jobs)
    stations(surveys, jobs)
    ends(surveys, jobs)
    folds(surveys, jobs)
