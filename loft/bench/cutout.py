"""Cut-outs through which stringers pass."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def lean(bevel: ArrayLike, slope: ArrayLike) -> Array:
    """Return how far a stringer's bottom leans round the girth, radians.

    Its section in the frame's plane leans by atan(sin(bevel) tan(slope)) from
    square to the mould line; negative: the bottom leans to lesser girth, as it
    does where bevel and slope are both positive.

    Examples
    --------
    >>> round(float(np.rad2deg(lean(np.deg2rad(6), np.deg2rad(8)))), 3)
    -0.842
    """
    return -np.arctan(np.sin(bevel) * np.tan(slope)) + 0.0


def cut_width(
    width: float, slope: ArrayLike, bevel: ArrayLike, *, gauge: float = 0.0, clearance: float = 0.0
) -> Array:
    """Return the width of a cut-out round the girth, mm.

    A stringer of `width` crosses at a slant, and through the gauge of the web it
    moves sideways. Without gauge and clearance it is the stringer's own section.

    Examples
    --------
    >>> round(float(cut_width(19.0, np.deg2rad(8), np.deg2rad(6))), 3)
    19.187
    """
    slope, bevel = np.asarray(slope, dtype=np.float64), np.asarray(bevel, dtype=np.float64)
    return width / np.cos(slope) + gauge * np.tan(np.abs(slope)) / np.cos(bevel) + clearance


def cut_depth(
    depth: float, bevel: ArrayLike, *, gauge: float = 0.0, clearance: float = 0.0
) -> Array:
    """Return the depth of a cut-out inside the flange line, mm.

    Examples
    --------
    >>> round(float(cut_depth(22.0, np.deg2rad(6))), 3)
    22.121
    """
    bevel = np.asarray(bevel, dtype=np.float64)
    return depth / np.cos(bevel) + gauge * np.tan(np.abs(bevel)) + clearance
