"""How a frame that was predicted as if missing compares with its own readings, all round."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from loft.fairing.evidence import faired_without, kept
from loft.fairing.surface import Surface, settled_points
from loft.job.errors import LoftError
from loft.job.records import Array, Holdouts, Survey, freeze_arrays


@dataclass(frozen=True, eq=False, kw_only=True)
class HeldFrame:
    """One frame predicted without its readings, and its readings against it; mm.

    Parameters
    ----------
    frame : str
    outline : ndarray, shape (n, 2)
        The predicted mould line (bl, wl), closed.
    place : ndarray, shape (m, 2)
        Where the readings stand on it.
    normal : ndarray, shape (m, 2)
        Unit outward normals there.
    error : ndarray, shape (m,)
        Reading less predicted line, along the normal, positive outside.
    """

    frame: str
    outline: Array
    place: Array
    normal: Array
    error: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)


def worst(holdouts: Holdouts, count: int = 3) -> list[str]:
    """Return the frames with the largest rms, worst first; extrapolated ones come last.

    Examples
    --------
    >>> worst(evidence.holdouts)  # doctest: +SKIP
    ['F16', 'F10', 'F18']
    """
    known = np.flatnonzero(np.isfinite(holdouts.rms))
    ends = holdouts.note == "extrapolated"
    order = sorted(known, key=lambda k: (bool(ends[k]), -holdouts.rms[k], k))
    return [str(holdouts.frame[k]) for k in order[:count]]


def held_out(surface: Surface, frames: Sequence[str]) -> tuple[HeldFrame, ...]:
    """Predict frames without their own readings, by a true refit, for their pictures.

    The same refit as that of the hold-out table: readings that the whole fit rejected are
    left out on both sides, settlement is not taken out. Frames that cannot be predicted
    are left out.

    Parameters
    ----------
    surface : Surface
        Faired from everything.
    frames : sequence of str

    Returns
    -------
    tuple of HeldFrame

    Examples
    --------
    >>> from loft.demo import demo_surface
    >>> surface = demo_surface()
    >>> held_out(surface, ["F15"])[0].frame
    'F15'
    """
    survey = kept(surface)
    found = []
    for frame in frames:
        try:
            without = faired_without(surface, frame)
        except LoftError:
            continue
        found.append(_compared(without, survey, frame))
    return tuple(found)


def _compared(without: Surface, survey: Survey, frame: str) -> HeldFrame:
    """Compare a frame's readings with the surface that was faired without them."""
    own = (survey.frame == frame) & survey.use
    own &= np.isfinite(survey.bl) & np.isfinite(survey.wl)
    at = np.flatnonzero(own)
    arrays: dict[str, Any] = {
        k: v[at] for k, v in vars(survey).items() if isinstance(v, np.ndarray)
    }
    station, bl, wl = settled_points(without, replace(survey, **arrays))
    error = without.distance(station, bl, wl)
    theta = without.theta_of(station, bl, wl)
    normal = without.normals(station, theta)[:, 1:]
    normal = normal / np.linalg.norm(normal, axis=1, keepdims=True)
    circle = np.linspace(0.0, 2.0 * np.pi, 361)
    middle = np.full(circle.shape, float(np.mean(station)))
    return HeldFrame(
        frame=frame,
        outline=without.points(middle, circle)[:, 1:],
        place=without.points(station, theta)[:, 1:],
        normal=normal,
        error=error,
    )
