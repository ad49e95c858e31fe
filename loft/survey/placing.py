"""Move a scan onto what has been read already: the taped frames, or a scan that it overlaps.

Both are fits of points to a surface. Onto the tape, every taped point is compared with
the scan's own face where it stands, along the normal, each with its depth. Onto a scan,
points are matched to the other's surface. What the fit cannot hold stays as the scan's
targets had it, and is told by its standard deviation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from loft.job.records import Array, freeze_arrays
from loft.survey.similarity import motion

LOOSE_SHIFT, LOOSE_TURN = 300.0, 0.1  # mm and radians: how far a scan without targets may be off


@dataclass(frozen=True, eq=False, kw_only=True)
class Placed:
    """A rigid transform from the scan into the aircraft's axes, after a fit.

    Parameters
    ----------
    rotation, translation : ndarray, shape (3, 3) and (3,)
        ``aircraft = rotation @ scan + translation``, mm.
    centre : ndarray, shape (3,)
        About which `covariance` counts, aircraft axes.
    covariance : ndarray, shape (6, 6)
        Of a small turn (radians, about station, bl, wl) and of a shift (mm).
    """

    rotation: Array
    translation: Array
    centre: Array
    covariance: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def apply(self, scan: Array) -> Array:
        """Return points of the scan in aircraft axes, shape (n, 3), mm."""
        return np.asarray(scan, dtype=np.float64) @ self.rotation.T + self.translation

    def covariance_at(self, points: Array) -> Array:
        """Return the covariance that the fit gives to points, mm^2, (n, 3, 3)."""
        rows = motion(np.asarray(points, dtype=np.float64) - self.centre)
        return np.asarray(rows @ self.covariance @ np.swapaxes(rows, 1, 2))

    def moved(self, step: Array, covariance: Array) -> Placed:
        """Return the transform after a further small turn and shift about its centre.

        Examples
        --------
        >>> start = start_of(None, np.zeros(3))
        >>> step = np.array([0.0, 0.0, np.pi / 2, 10.0, 0.0, 0.0])
        >>> start.moved(step, start.covariance).apply(np.array([[1.0, 0.0, 0.0]])).round(9).tolist()
        [[10.0, 1.0, 0.0]]
        """
        from scipy.spatial.transform import Rotation

        turn = Rotation.from_rotvec(step[:3]).as_matrix()
        return Placed(
            rotation=turn @ self.rotation,
            translation=turn @ (self.translation - self.centre) + self.centre + step[3:],
            centre=self.centre,
            covariance=covariance,
        )


def start_of(registration: Any, centre: Array) -> Placed:
    """Return a registration as the start of a fit, its covariance brought to `centre`.

    Without one the scan stands as it is, and may be off by 300 mm and 0.1 radians.

    Examples
    --------
    >>> start_of(None, np.zeros(3)).covariance.diagonal().tolist()
    [0.010000000000000002, 0.010000000000000002, 0.010000000000000002, 90000.0, 90000.0, 90000.0]
    """
    if registration is None:
        sd = np.repeat([LOOSE_TURN, LOOSE_SHIFT], 3)
        return Placed(
            rotation=np.eye(3), translation=np.zeros(3), centre=centre, covariance=np.diag(sd**2)
        )
    return Placed(
        rotation=registration.rotation,
        translation=registration.translation,
        centre=centre,
        covariance=about(registration, centre),
    )


def about(registration: Any, centre: Array) -> Array:
    """Return a registration's covariance of turn and shift about another centre, (6, 6)."""
    carry = np.eye(6)
    carry[3:] = motion((centre - registration.centre)[None])[0]
    return np.asarray(carry @ registration.covariance @ carry.T)
