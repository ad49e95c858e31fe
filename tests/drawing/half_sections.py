"""Known half sections, surveys of them and the published cases, for the tests of arcs."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from loft.corncrake import ARCS, radii, truth
from loft.drawing.chain import Chain, strike, walk
from loft.drawing.closure import close
from loft.job.records import Fact, Frame

CASES = json.loads((Path(__file__).parents[2] / "shared" / "drawing_cases.json").read_text())
F14 = Frame(name="F14", station=6160.0)
BOUNDS = np.deg2rad([36.0, 78.0, 100.0, 148.0])  # where the Corncrake's arcs join
NAN = float("nan")


def published(case: str) -> dict:
    return next(one for one in CASES["cases"] if one["id"] == case)


def corncrake() -> Chain:
    """Frame F14 of the Corncrake as a chain of five arcs."""
    return strike(float(truth(6160.0, 0.0)[1]), radii(6160.0)[:4], BOUNDS)


def three_arcs() -> Chain:
    return strike(800.0, [700.0, 6000.0], [1.4, 1.55])


def flared() -> Chain:
    """Crown, side, a hollow of 300 mm, bilge and bottom."""
    bend = 1 / np.array([700.0, 2600.0, -300.0, 260.0, 970.0])
    near = Chain(crown=800.0, curvature=bend, length=[820.0, 480.0, 145.0, 315.0, 1012.0])
    return close(near, np.arange(11) < 5)


def survey(chain: Chain, count: int, sigma: float, rng: np.random.Generator) -> np.ndarray:
    """Readings spread along the starboard half, with errors of both coordinates."""
    girth = (np.arange(count) + 0.5) / count * chain.length.sum()
    points = walk(chain, girth)[0]
    return points + rng.normal(0.0, sigma, points.shape)


def both_halves(points: np.ndarray) -> np.ndarray:
    return np.concatenate([points, points * [-1.0, 1.0]])


def moved(points: np.ndarray, shift: float, lean: float, pivot: float) -> np.ndarray:
    """Points of an upright section after its centreline shifts and leans to starboard."""
    off, up = points[:, 0], points[:, 1] - pivot
    bl = shift + np.cos(lean) * off + np.sin(lean) * up
    return np.stack([bl, pivot - np.sin(lean) * off + np.cos(lean) * up], axis=-1)


def drawn(**given: float) -> list[Fact]:
    """The drawing of F14 with those radii it gives; others are left out."""
    return [
        Fact(frame="F14", kind="arc", arc=name, radius=given.get(name, NAN), sigma=1.0)
        for name in ARCS
    ]


TRUE = {"crown": 700.0, "shoulder": 380.0, "side": 2200.0, "bilge": 330.0}
