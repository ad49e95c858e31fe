"""One banded colour scale for deviations, the same on picture, page and report.

Blue inside, orange outside, safe for the common colour-blindnesses; the middle is
neutral and twice as wide as the other bands, and zero is its centre.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

COLOURS = (
    "#16345f", "#2f6299", "#6b9cc6", "#b3cfe3",
    "#f2efe8",
    "#f3d3a4", "#e39f4f", "#bd6418", "#6e3206",
)  # fmt: skip
UNKNOWN = "#c9ccd0"
MISSING = "#b3300f"
LINE = "#2f5d8c"
INK = "#14181d"


@dataclass(frozen=True)
class Bands:
    """Bounds at −4 −3 −2 −1 1 2 3 4 steps; the outer colours take all beyond.

    Parameters
    ----------
    step : float
        mm.
    """

    step: float

    def bounds(self) -> NDArray[np.float64]:
        """Return the eight bounds between the nine colours, mm.

        Examples
        --------
        >>> Bands(step=0.5).bounds()
        array([-2. , -1.5, -1. , -0.5,  0.5,  1. ,  1.5,  2. ])
        """
        return self.step * np.array([-4.0, -3.0, -2.0, -1.0, 1.0, 2.0, 3.0, 4.0])

    def number(self, deviation: ArrayLike) -> NDArray[np.int64]:
        """Return the band of each deviation, 0 to 8; −1 where it is unknown.

        Examples
        --------
        >>> Bands(step=1.0).number([-9.0, -0.2, 0.9, 1.0, float("nan")])
        array([ 0,  4,  4,  5, -1])
        """
        value = np.asarray(deviation, dtype=np.float64)
        band = np.searchsorted(self.bounds(), value, side="right")
        return np.where(np.isfinite(value), band, -1).astype(np.int64)

    def colour(self, deviation: ArrayLike) -> list[str]:
        """Return the colour of each deviation as #rrggbb.

        Examples
        --------
        >>> Bands(step=1.0).colour([0.0, float("nan")])
        ['#f2efe8', '#c9ccd0']
        """
        return [COLOURS[band] if band >= 0 else UNKNOWN for band in self.number(deviation)]


def bands_for(deviation: ArrayLike) -> Bands:
    """Return the scale whose four steps just hold 95 of 100 of the deviations.

    The step is 1, 2 or 5 times a power of ten; 0.5 mm where nothing is known.

    Examples
    --------
    >>> bands_for(np.linspace(-3.0, 3.0, 101)).step
    1.0
    """
    size = np.abs(np.asarray(deviation, dtype=np.float64))
    size = size[np.isfinite(size)]
    if not len(size) or not size.any():
        return Bands(step=0.5)
    wanted = float(np.percentile(size, 95)) / 4.0
    power = 10.0 ** np.floor(np.log10(wanted))
    factor = next(factor for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= wanted * 0.999)
    return Bands(step=float(factor * power))
