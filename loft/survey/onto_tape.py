"""Move a scan onto the frames that were read by hand: a robust fit of points to its face."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loft.job.errors import LoftError
from loft.job.records import Array, Survey, freeze_arrays
from loft.survey.placing import Placed, start_of
from loft.survey.planes import MAD
from loft.survey.similarity import motion

LEAST_READINGS, LEAST_FRAMES = 8, 2
NEAREST = 300.0  # mm: a taped point farther from any cell of its frame is not compared
ROUND = 70.0  # mm to each side: the cells that show the face where it was taped
ALONG = 250.0  # mm fore and aft: those that show how it runs
FEWEST = 6  # cells that show a face and its curve
PASSES = 6  # over the scan, at most
STILL = 0.05  # mm: the scan has come to rest
FREEDOM = 4.0  # of the weights: a reading at 4 sigma counts a quarter
DOUBTED = 0.25  # weight under which a reading is named
AMISS = 2.0  # times their sigma, by which readings and scan may differ
LOOSE = 10.0  # mm of standard deviation past which a shift was not held


@dataclass(frozen=True, eq=False, kw_only=True)
class Pairs:
    """Taped points against the scan's face; arrays of n.

    `off` is how far the scan's face stands outside the taped one, mm along `normal`
    (n, 3) at `point` (n, 3); `sigma` of tape and cells together; `index` in the survey
    by hand.
    """

    point: Array
    normal: Array
    off: Array
    sigma: Array
    index: NDArray[np.int64]

    def __post_init__(self) -> None:
        freeze_arrays(self)


def pair_up(scan: Survey, hand: Survey) -> Pairs:
    """Compare every taped point of a frame with the scan's face there.

    Parameters
    ----------
    scan : Survey
        The scan's cells, in aircraft axes so far as is known.
    hand : Survey
        Readings by hand; those of frames that the scan shows are compared.
    """
    rows = []
    whole = hand.use & np.isfinite(hand.bl + hand.wl + hand.station) & np.isfinite(hand.depth)
    cells = np.stack([scan.station, scan.bl, scan.wl], axis=1)
    for name in np.unique(scan.frame[scan.frame != ""]):
        own = np.flatnonzero(scan.frame == name)
        middle = np.array([0.0, (scan.wl[own].max() + scan.wl[own].min()) / 2.0])
        near = np.flatnonzero(np.abs(scan.station - np.median(scan.station[own])) <= ALONG)
        for k in np.flatnonzero(whole & (hand.frame == name)):
            point = np.array([hand.station[k], hand.bl[k], hand.wl[k]])
            found = _face_at(scan, cells, point, own=own, near=near, middle=middle)
            if found is not None:
                normal, off, sd = found
                off += scan.depth[own[0]] - hand.depth[k]
                rows.append((point, normal, off, float(np.hypot(hand.sigma[k], sd)), k))
    return Pairs(
        point=np.array([row[0] for row in rows]).reshape(-1, 3),
        normal=np.array([row[1] for row in rows]).reshape(-1, 3),
        off=np.array([row[2] for row in rows], dtype=np.float64),
        sigma=np.array([row[3] for row in rows], dtype=np.float64),
        index=np.array([row[4] for row in rows], dtype=np.int64),
    )


def _face_at(
    scan: Survey,
    cells: Array,
    point: Array,
    *,
    own: NDArray[np.int64],
    near: NDArray[np.int64],
    middle: Array,
) -> tuple[Array, float, float] | None:
    """Return the face's outward normal, how far it stands outside a point, and its sd."""
    away = np.hypot(*(cells[own, 1:] - point[1:]).T)
    if away.min() > NEAREST:
        return None
    foot = cells[own[away.argmin()], 1:]
    close = own[np.hypot(*(cells[own, 1:] - foot).T) <= ROUND]
    if len(close) < FEWEST:
        return None
    spread = cells[close, 1:] - cells[close, 1:].mean(axis=0)
    out = np.linalg.svd(spread, full_matrices=False)[2][1]
    out = out if out @ (foot - middle) > 0 else -out
    round_ = np.array([-out[1], out[0]])
    beside = near[np.abs((cells[near, 1:] - foot) @ round_) <= ROUND]
    beside = beside[np.abs((cells[beside, 1:] - foot) @ out) <= ROUND]
    place = cells[beside] - point
    at, high = place[:, 1:] @ round_, place[:, 1:] @ out
    design = np.stack([np.ones_like(at), at, at**2 / ROUND, place[:, 0]], axis=1)
    # its own frame says where the face is; those beside it only how it runs fore and aft
    root = np.where(np.isin(beside, close), 1.0, 0.1)
    fit, *_ = np.linalg.lstsq(design * root[:, None], high * root, rcond=None)
    normal = np.array([-fit[3], *(out - fit[1] * round_)])
    size = float(np.linalg.norm(normal))
    error = (high - design @ fit)[root == 1.0]
    sd = MAD * float(np.median(np.abs(error))) / np.sqrt(len(error))
    return normal / size, float(fit[0]) / size, sd


def settle(pairs: Pairs, start: Placed, gone: Array) -> tuple[Array, Array, Array]:
    """Fit the turn and shift that bring the scan's face onto the taped points.

    Parameters
    ----------
    pairs : Pairs
    start : Placed
        What was known before: its covariance holds what the tape cannot.
    gone : ndarray, shape (6,)
        How far the scan has been moved from there already.

    Returns
    -------
    step : ndarray, shape (6,)
    covariance : ndarray, shape (6, 6)
        Enlarged where the readings differ by more than their sigma.
    weight : ndarray, shape (n,)
        1 for a sound reading.
    """
    rows = np.einsum("nd,ndp->np", pairs.normal, motion(pairs.point - start.centre))
    unit = np.sqrt(np.diag(start.covariance))
    known = np.linalg.inv(start.covariance / np.outer(unit, unit))  # in its own sd's, for the sums
    scaled = rows * unit
    step, wide = np.zeros(6), 1.0
    for _ in range(30):
        error = (pairs.off + scaled @ step) / pairs.sigma
        wide = max(1.0, MAD * float(np.median(np.abs(error))))
        weight = (FREEDOM + 1.0) / (FREEDOM + (error / wide) ** 2)
        pull = np.minimum(weight, 1.0) / (wide * pairs.sigma) ** 2
        lhs = (scaled * pull[:, None]).T @ scaled + known
        rhs = -(scaled * pull[:, None]).T @ pairs.off - known @ (gone / unit)
        step = np.linalg.solve(lhs, rhs)
    return step * unit, np.linalg.inv(lhs) * np.outer(unit, unit), np.minimum(weight, 1.0)


Read = Callable[[Placed], tuple[Survey, dict[str, Any]]]


def place_on_tape(
    read: Read, hand: Survey, registration: Any
) -> tuple[Placed, Survey, dict[str, Any]]:
    """Read a scan again and again, each time moved nearer to the frames read by hand.

    Parameters
    ----------
    read : callable
        Reads the scan as placed; returns its survey and report.
    hand : Survey
    registration : Registration or None
        Of its targets; None where it stands in aircraft axes already, more or less.

    Returns
    -------
    placed : Placed
    survey : Survey
        Of the last reading.
    report : dict
        Of the last reading, with `fit`, the account of the fit.

    Raises
    ------
    LoftError
        Too little of the tape stands in the scan.
    """
    placed = start_of(registration, np.zeros(3))
    survey, report = read(placed)
    pairs = _enough(pair_up(survey, hand), hand)
    placed = start = start_of(registration, pairs.point.mean(axis=0))
    gone = np.zeros(6)
    for _ in range(PASSES):
        step, covariance, weight = settle(pairs, start, gone)
        gone = gone + step
        placed = placed.moved(step, covariance)
        survey, report = read(placed)
        pairs = _enough(pair_up(survey, hand), hand)
        if np.abs(motion(pairs.point - start.centre) @ step).max() < STILL:
            break
    _, covariance, weight = settle(pairs, start, gone)
    placed = placed.moved(np.zeros(6), covariance)
    return placed, survey, {**report, "fit": _account(pairs, hand, placed, weight, gone)}


def _enough(pairs: Pairs, hand: Survey) -> Pairs:
    """Return the pairs, or refuse where they cannot hold a scan."""
    frames = np.unique(hand.frame[pairs.index])
    if len(pairs.index) >= LEAST_READINGS and len(frames) >= LEAST_FRAMES:
        return pairs
    names = f" ({', '.join(frames)})" if len(frames) else ""
    raise LoftError(
        f"{len(pairs.index)} readings by hand at {len(frames)} frames{names} found where the scan "
        f"shows its face, {LEAST_READINGS} at {LEAST_FRAMES} frames wanted to fit it to the tape"
    )


def _account(
    pairs: Pairs, hand: Survey, placed: Placed, weight: Array, gone: Array
) -> dict[str, Any]:
    """Return how well tape and scan agree after the fit, in plain numbers and words."""
    sound = weight > DOUBTED
    rms = float(np.sqrt(np.mean(pairs.off[sound] ** 2)))
    ratio = MAD * float(np.median(np.abs(pairs.off / pairs.sigma)))
    sd = np.sqrt(np.diag(placed.covariance))
    shift = np.abs(motion(pairs.point - placed.centre) @ gone)
    notes = []
    if ratio > AMISS:
        notes.append(
            f"warning: after the fit to the tape its face and the taped points still differ by "
            f"{ratio:.1f} times their sigma: a wrong face, unit or frame?"
        )
    axes = ("station", "bl", "wl")
    for axis, loose in zip(axes, sd[3:], strict=True):
        if loose > LOOSE:
            notes.append(f"warning: the tape does not hold it in {axis}: ± {loose:.0f} mm")
    doubted = [f"{hand.source[k]}:{hand.row[k]}" for k in pairs.index[~sound]]
    return {
        "to": "tape",
        "readings": len(pairs.index),
        "frames": sorted(set(hand.frame[pairs.index].tolist())),
        "rms": round(rms, 3),
        "ratio": round(ratio, 3),
        "moved_most": round(float(shift.max()), 3),
        "turn_deg": [round(float(value), 5) for value in np.rad2deg(gone[:3])],
        "shift": [round(float(value), 3) for value in gone[3:]],
        "sd_turn_deg": [round(float(value), 5) for value in np.rad2deg(sd[:3])],
        "sd_shift": [round(float(value), 3) for value in sd[3:]],
        "doubted": doubted,
        "notes": notes,
    }
