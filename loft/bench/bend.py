"""Sheet-metal figures of one bend, in closed form. mm and radians.

R is the inside radius, T the gauge, N the bend angle from flat, 180 degrees less
the angle between flange and web.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from loft.job.errors import Finding, LoftError

Array = NDArray[np.float64]

# (a, b, what it is): allowance = (a R + b T) per degree of bend
_ALLOWANCES = {
    "faa": (
        0.01743,
        0.0078,
        "(0.01743 R + 0.0078 T) N, a shop formula known from quotations only: try it on a strip",
    ),
    "navy": (0.0173, 0.0078, "(0.0173 R + 0.0078 T) N, US Navy Airman text p. 13-19"),
    "mid_plane": (
        math.pi / 180,
        math.pi / 360,
        "arc of the middle plane, NAVEDTRA 14119 fig. 13-49",
    ),
}
USUAL_CONSTANT = "faa"


def bend_constant(name: str) -> tuple[float, float, str]:
    """Return the two factors of a bend allowance formula and what to print for it.

    Parameters
    ----------
    name : str
        faa, navy or mid_plane; "" is faa.

    Raises
    ------
    LoftError
        Another name.

    Examples
    --------
    >>> bend_constant("navy")[0]
    0.0173
    """
    given = name.strip()
    key = given.lower().replace(" ", "_").replace("-", "_") or USUAL_CONSTANT
    if key not in _ALLOWANCES:
        raise LoftError(
            Finding(
                column="frame_section.bend_constant",
                text=f"{name} found, {', '.join(_ALLOWANCES)} wanted",
            )
        )
    a, b, words = _ALLOWANCES[key]
    return a, b, words if given else f"{words}; the job names no bend_constant"


def bend_allowance(bend: ArrayLike, *, radius: float, gauge: float, constant: str = "") -> Array:
    """Return the developed length of a bend, mm.

    Parameters
    ----------
    bend : array_like
        Bend angle N, radians.
    radius, gauge : float
        Inside radius R and thickness T, mm.
    constant : str
        Name of the formula, as `bend_constant`.

    Raises
    ------
    LoftError
        The formula is not known.

    Examples
    --------
    >>> round(float(bend_allowance(np.pi / 2, radius=0.16, gauge=0.040)), 4)
    0.2791
    """
    a, b, _ = bend_constant(constant)
    return (a * radius + b * gauge) * np.rad2deg(np.asarray(bend, dtype=np.float64))


def setback(bend: ArrayLike, *, radius: float, gauge: float) -> Array:
    """Return (R + T) tan(N/2): from the heel to either bend tangent line, mm.

    Examples
    --------
    >>> setback(np.deg2rad([82.0, 98.0]), radius=4.0, gauge=1.2).round(4).tolist()
    [4.5203, 5.9819]
    """
    return (radius + gauge) * np.tan(np.asarray(bend, dtype=np.float64) / 2)


def inside_edge(bend: ArrayLike, *, gauge: float) -> Array:
    """Return T tan(N/2): how far the sharp edge of the block stands inside the heel, mm.

    Examples
    --------
    >>> inside_edge(np.deg2rad([82.0, 98.0]), gauge=1.2).round(4).tolist()
    [1.0431, 1.3804]
    """
    return gauge * np.tan(np.asarray(bend, dtype=np.float64) / 2)


def released_radius(
    bend: ArrayLike, overbend: float, *, radius: float, gauge: float, constant: str = ""
) -> Array:
    """Return the inside radius after the flange has sprung back by `overbend`.

    The neutral line keeps its length: it was bent through N + o about the block's
    radius and holds N afterwards.

    Examples
    --------
    >>> float(released_radius(np.pi / 2, 0.0, radius=4.0, gauge=1.2))
    4.0
    """
    bend = np.asarray(bend, dtype=np.float64)
    a, b, _ = bend_constant(constant)
    neutral = b / a * gauge
    return (radius + neutral) * (bend + overbend) / bend - neutral


def overbend_shift(
    bend: ArrayLike, overbend: float, *, radius: float, gauge: float, constant: str = ""
) -> Array:
    """Return how far the block's sharp edge moves outwards for the overbend, mm.

    The web's tangent line stays where it is; the flange turns about the finished
    part's bend.

    Examples
    --------
    >>> float(overbend_shift(np.pi / 2, 0.0, radius=4.0, gauge=1.2))
    0.0
    """
    bend = np.asarray(bend, dtype=np.float64)
    after = released_radius(bend, overbend, radius=radius, gauge=gauge, constant=constant)
    return radius * np.tan((bend + overbend) / 2) - after * np.tan(bend / 2)


def edge_strain(angle: ArrayLike, *, width: float, radius: ArrayLike) -> Array:
    """Return the mean strain of a flange's free edge, shrink negative.

    The edge travels from its place in the flat, `width` outside the flange line,
    to its place on the part: -w (1 + cos angle) / (R + w) where the frame is
    convex (R positive), and the same with R negative where it is hollow.

    Parameters
    ----------
    angle : array_like
        Between flange and web, radians.
    width : float
        Flange width, mm.
    radius : array_like
        Of the flange line, mm, positive convex; inf where straight.

    Examples
    --------
    >>> (100 * edge_strain(np.deg2rad([80, 90, 100]), width=19.0, radius=600.0)).round(2).tolist()
    [-3.6, -3.07, -2.54]
    """
    angle = np.asarray(angle, dtype=np.float64)
    return -width * (1 + np.cos(angle)) / (np.asarray(radius, dtype=np.float64) + width) + 0.0


def ruling_sagitta(width: float, curvature: float) -> float:
    """Return w^2 k / 2: how far a body of fore-and-aft curvature k leaves a straight flange.

    Examples
    --------
    >>> round(ruling_sagitta(19.0, 1 / 8000), 4)
    0.0226
    """
    return width**2 * curvature / 2
