"""About which height the angular cells of a scan are laid.

It need only lie well inside the body, on the centreline. The body is told from walls,
floor and staging by going round the centre: the circle is wanted that most directions
meet, not the one that most points lie on.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from loft.job.records import Array
from loft.survey.sieve import in_order

TRIALS = 200
LOOKED_AT = 1500  # points of a slab
SECTORS = 72
BAND = 0.15  # of the radius: how far a section may be from a circle
SLIMMEST, WIDEST = 0.15, 6.0  # radius over the frames' spacing
STIFF = 1000.0  # mm of station over which the height may turn by its own scatter


def centre_heights(stations: Array, sections: Sequence[Array], *, spacing: float) -> Array:
    """Return for every slab the waterline of a point inside the body, on bl 0.

    Parameters
    ----------
    stations : ndarray, shape (n,)
    sections : sequence of n ndarray, shape (m, 2)
        Points (bl, wl) of each slab, in no order, mm.
    spacing : float
        Of the frames, which bounds the size of the body; 0 where unknown.

    Returns
    -------
    ndarray, shape (n,)
        From one circle a slab, then a robust straight line along the stations.

    Examples
    --------
    >>> theta = np.random.default_rng(1).uniform(-np.pi, np.pi, 500)
    >>> ring = np.stack([600 * np.sin(theta), 900 + 600 * np.cos(theta)], axis=1)
    >>> bool(abs(centre_heights(np.zeros(1), [ring], spacing=500.0)[0] - 900) < 1)
    True
    """
    stations = np.asarray(stations, dtype=np.float64)
    circles = in_order(lambda part: _circle(part[1], spacing, part[0]), enumerate(sections))
    height, weight = np.array([*circles]).reshape(-1, 2).T
    middle = np.average(stations, weights=weight)
    design = np.stack([np.ones_like(stations), (stations - middle) / STIFF], axis=1)
    pull = np.diag([0.0, weight.mean()])
    robust = np.ones_like(weight)
    for _ in range(10):
        scaled = (design * (weight * robust)[:, None]).T
        line = np.linalg.solve(scaled @ design + pull, scaled @ height)
        off = np.abs(height - design @ line)
        robust = 1.0 / np.maximum(1.0, off / (2.0 * np.median(off) + 1.0))
    return np.asarray(design @ line)


def _circle(points: Array, spacing: float, seed: int) -> tuple[float, float]:
    """Return the height of the circle on bl 0 that most directions meet, and their number."""
    bl, wl = points[:LOOKED_AT].T
    pick = np.random.default_rng(seed).integers(0, len(bl), (2, TRIALS))
    rise = wl[pick[1]] - wl[pick[0]]
    rise = np.where(np.abs(rise) < 1.0, 1.0, rise)
    half = (bl[pick[1]] ** 2 - bl[pick[0]] ** 2) / (2.0 * rise)
    height = np.append((wl[pick[0]] + wl[pick[1]]) / 2.0 + half, np.median(wl))
    radius = np.hypot(bl[pick[0]], wl[pick[0]] - height[:-1])
    radius = np.append(radius, np.median(np.hypot(bl, wl - height[-1])))
    up = (wl - height[:, None]).astype(np.float32)  # of what is counted millimetres do
    side, reach = bl.astype(np.float32), radius[:, None].astype(np.float32)
    square = side**2 + up**2
    on = square >= ((1.0 - BAND) * reach) ** 2
    on &= square <= ((1.0 + BAND) * reach) ** 2
    turn = np.arctan2(side, up) / np.float32(np.pi) + np.float32(1.0)
    sector = (turn * np.float32(SECTORS / 2.0)).astype(np.int32) % np.int32(SECTORS)
    sector += SECTORS * np.arange(len(height), dtype=np.int32)[:, None]
    flat = sector.ravel().take(np.flatnonzero(on))
    met = np.bincount(flat, minlength=SECTORS * len(height)).reshape(-1, SECTORS) >= 2
    score = met.sum(axis=1) + on.mean(axis=1)
    if spacing:
        fit = (radius >= SLIMMEST * spacing) & (radius <= WIDEST * spacing)
        score = np.where(fit, score, 0.0)
    best = int(score.argmax())
    near = on[best]
    return _settled(bl[near], wl[near], float(height[best])), max(float(score[best]), 0.1)


def _settled(bl: Array, wl: Array, height: float) -> float:
    """Return the least-squares height of a circle on bl 0, if it stays within its points."""
    up = wl - height
    design = np.stack([2.0 * up, np.ones_like(up)], axis=1)
    fit = np.linalg.lstsq(design, bl**2 + up**2, rcond=None)[0]
    move = float(fit[0]) if len(up) > 10 else 0.0
    return height + move if up.min(initial=0.0) <= move <= up.max(initial=0.0) else height
