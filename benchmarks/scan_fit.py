"""Is a scan as well placed as it says: fitted to another, and along its stringers.

    nice python benchmarks/scan_fit.py [--seeds 6] [--jobs 2]

The body is the Corncrake, four of her bays, each from frame to frame with skin, stringers
and webs. Fits: the starboard part of a bay, displaced by a few millimetres and tenths of a
degree, is fitted to the port part, of which a strip over the crown is common to both.
Edges: the stringers' inner edges of a bay are followed between two taped frames.

inside   share of the errors within 1.96 of what is stated as their standard deviation
error    root mean square error, mm (turns: mrad) / the root mean square of what is stated
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

import numpy as np

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(threads, "1")
HOUSE = Path(__file__).parent.parent
sys.path[:0] = [str(HOUSE), str(HOUSE / "tests" / "survey")]

from scanned import (  # noqa: E402
    Moved,
    by_hand,
    corncrake,
    half,
    off_line,
    scan_of,
    write,
)
from scipy.spatial.transform import Rotation  # noqa: E402

from benchmarks.tally import mean, spread, table  # noqa: E402
from loft.corncrake import STATIONS  # noqa: E402
from loft.survey.crests import crest_survey  # noqa: E402
from loft.survey.onto_scan import place_on_scan  # noqa: E402
from loft.survey.placing import start_of  # noqa: E402

FIRST_SEED = 90_000
BAYS = ("F9", "F10"), ("F11", "F12"), ("F13", "F15"), ("F16", "F17")
STRIPS = 0.4, 0.7, 1.0  # radians either side of the crown
ASTRAY = np.deg2rad(0.2), 6.0  # sd of the displacement: turn, mm
STILL = np.diag(np.repeat([1e-4, 0.3], 3) ** 2)  # of the scan that stays
NAMES = ("turn about station", "turn about bl", "turn about wl", "station", "bl", "wl")


def fitted(bay: tuple[str, str], strip: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return errors and stated standard deviations of a fit: three turns, three shifts."""
    rng = np.random.default_rng([seed, BAYS.index(bay), STRIPS.index(strip)])
    middle = np.array([np.mean([STATIONS[frame] for frame in bay]), 0.0, 900.0])
    turn = Rotation.from_rotvec(rng.normal(0.0, ASTRAY[0], 3))
    away = rng.normal(0.0, ASTRAY[1], 3)

    def displaced(points: np.ndarray) -> np.ndarray:
        return turn.apply(points - middle) + middle + away

    with tempfile.TemporaryDirectory() as folder:
        port = write(Path(folder, "port.ply"), half(rng, -3.0, strip, bay))
        other = write(Path(folder, "starboard.ply"), displaced(half(rng, -strip, 3.0, bay)))
        placed, _ = place_on_scan(
            corncrake(),
            scan_of(other),
            scan_of(port),
            registration=None,
            reference=start_of(None, middle).moved(np.zeros(6), STILL),
        )
    left = Rotation.from_matrix(placed.rotation) * turn
    shift = placed.apply(displaced(placed.centre[None]))[0] - placed.centre
    return np.r_[left.as_rotvec(), shift], np.sqrt(np.diag(placed.covariance))


def followed(bay: tuple[str, str], seed: int) -> np.ndarray:
    """Return off, stated of every place on an edge: outwards, round, sd outwards, sd round."""
    rng = np.random.default_rng([seed, BAYS.index(bay)])
    tape = by_hand(rng, frames=bay)
    with tempfile.TemporaryDirectory() as folder:
        path = write(Path(folder, "bay.ply"), half(rng, -np.pi, np.pi, bay))
        exact = Moved(np.eye(3), np.zeros(3))
        survey, _ = crest_survey(corncrake(), scan_of(path), tape, registration=exact)
    return off_line(survey)


def row(name: str, error: np.ndarray, stated: np.ndarray, unit: float = 1.0) -> tuple[str, ...]:
    """One line of a table; `error` and `stated` of any shape."""
    size, said = (unit * np.sqrt(np.mean(one**2)) for one in (error, stated))
    inside = (np.abs(error) <= 1.96 * stated).ravel()
    return name, str(inside.size), mean(inside).show(2), f"{size:.3f} / {said:.3f}"


def report(seeds: int, jobs: int) -> None:
    again = range(FIRST_SEED, FIRST_SEED + seeds)
    cases = [(bay, strip, seed) for bay in BAYS for strip in STRIPS for seed in again]
    error, stated = (np.array(part) for part in zip(*spread(fitted, cases, jobs), strict=True))
    head = ("", "n", "inside", "error / stated")
    print(f"a scan fitted to another: {len(BAYS)} bays, {len(STRIPS)} strips, {seeds} each")
    rows = [
        row(name, error[:, k], stated[:, k], 1000.0 if k < 3 else 1.0)
        for k, name in enumerate(NAMES)
    ]
    strip = np.array([case[1] for case in cases])
    rows += [
        row(f"all six, strip of {2 * s:.1f} rad", error[strip == s] / stated[strip == s],
            np.ones_like(error[strip == s]))
        for s in STRIPS
    ]  # fmt: skip
    print(table(head, rows), flush=True)
    edges = spread(followed, [(bay, seed) for bay in BAYS for seed in again], jobs)
    out, around, sd_out, sd_around = np.concatenate(edges, axis=1)
    print(f"edges followed: {len(BAYS)} bays, {seeds} each")
    print(table(head, [row("outwards", out, sd_out), row("round the section", around, sd_around)]))


if __name__ == "__main__":
    asked = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    asked.add_argument("--seeds", type=int, default=6)
    asked.add_argument("--jobs", type=int, default=2, help="processes")
    given = asked.parse_args()
    report(given.seeds, given.jobs)
