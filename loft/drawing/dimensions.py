"""Figures read off a drawing, as rows of the fit: (struck - drawn) / sigma.

A drawn radius is written in curvature, so that its row stays finite while the arc
passes through "straight". The sigma of a row is what the figure is good for: a
drawing is believed softly, never held exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from loft.drawing.chain import (
    PI,
    STRAIGHT,
    Chain,
    Shape,
    Stack,
    end_gradient,
    gradient,
    place,
    project,
    push,
)
from loft.job.records import NAN, Array

KINDS = (
    "radius",
    "centre_bl",
    "centre_wl",
    "sweep",
    "length",
    "tangent_bl",
    "tangent_wl",
    "half_breadth",
    "max_half_breadth",
    "top",
    "bottom",
)
LEAST_RUN = 0.05  # of the normal across a waterline: flatter, a half-breadth says nothing


@dataclass(frozen=True, kw_only=True)
class Dimension:
    """One figure of a drawing.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    element : int
        The arc or straight it belongs to, from the crown; -1 for the whole section.
        A tangent point is that at the lower end of its element.
    value : float
        mm, or radians for a sweep.
    sigma : float
        One standard deviation, in the unit of `value`.
    at : float
        Height of a half-breadth, mm.
    fact : int
        Which of the drawing's rows it was read from; -1 for none.
    """

    kind: str
    value: float
    sigma: float
    element: int = -1
    at: float = NAN
    fact: int = -1


def dimension_rows(chain: Shape, dimensions: Sequence[Dimension]) -> tuple[Array, Array]:
    """Return the rows of drawing figures and their gradient.

    Parameters
    ----------
    chain : Chain or Stack
    dimensions : sequence of Dimension

    Returns
    -------
    row : ndarray, shape (..., d)
        (struck - drawn) / sigma.
    slope : ndarray, shape (..., d, 1 + 2n)
        By crown, curvatures and lengths.

    Examples
    --------
    >>> from loft.drawing.chain import strike
    >>> drawn = [Dimension(kind="top", value=598.0, sigma=1.0)]
    >>> dimension_rows(strike(600.0, [600.0], [1.0]), drawn)[0].tolist()
    [2.0]
    """
    if isinstance(chain, Stack):
        parts = [dimension_rows(chain.one(index), dimensions) for index in range(len(chain))]
        return np.array([row for row, _ in parts]), np.array([slope for _, slope in parts])
    assert isinstance(chain, Chain)
    row = np.zeros(len(dimensions))
    slope = np.zeros((len(dimensions), 1 + 2 * len(chain)))
    for index, drawn in enumerate(dimensions):
        struck, by = _struck(chain, drawn)
        row[index] = (struck - drawn.value) / drawn.sigma
        slope[index] = by / drawn.sigma
    return row, slope


def struck_value(chain: Chain, drawn: Dimension) -> float:
    """Return the chain's own figure for a dimension: a radius as such, inf where straight."""
    if drawn.kind == "radius":
        return float(chain.radius[drawn.element])
    return _struck(chain, drawn)[0]


def figure_gradient(chain: Chain, drawn: Dimension) -> Array:
    """Return how the chain's figure for a dimension changes, shape (1 + 2n,)."""
    return _struck(chain, drawn)[1]


def _struck(chain: Chain, drawn: Dimension) -> tuple[float, Array]:
    """Return a figure of the chain and its gradient."""
    kind, index = drawn.kind, drawn.element
    if kind in ("radius", "sweep", "length"):
        return _own_figure(chain, drawn)
    if kind in ("centre_bl", "centre_wl"):
        return _centre(chain, index, 0 if kind == "centre_bl" else 1)
    if kind in ("tangent_bl", "tangent_wl"):
        axis = 0 if kind == "tangent_bl" else 1
        return float(chain.knot[index + 1, axis]), end_gradient(chain, index)[axis]
    if kind == "half_breadth":
        return _half_breadth(chain, drawn)
    if kind == "max_half_breadth":
        point, element, along = at_turn(chain, PI / 2)
        return float(point[0]), gradient(chain, point, element, along)[0]
    if kind == "bottom":
        return chain.keel, end_gradient(chain, len(chain) - 1)[1]
    top = np.zeros(1 + 2 * len(chain))  # kind == "top"
    top[0] = 1.0
    return chain.crown, top


def _own_figure(chain: Chain, drawn: Dimension) -> tuple[float, Array]:
    """Return radius, sweep or length of an element, and its gradient."""
    count, index = len(chain), drawn.element
    bend, run = float(chain.curvature[index]), float(chain.length[index])
    by = np.zeros(1 + 2 * count)
    if drawn.kind == "length":
        by[1 + count + index] = 1.0
        return run, by
    if drawn.kind == "sweep":
        sign = -1.0 if bend < 0 else 1.0
        by[1 + index], by[1 + count + index] = sign * run, sign * bend
        return sign * bend * run, by
    # the drawn radius less R^2 (k - 1/R): first order in the curvature
    by[1 + index] = -(drawn.value**2)
    return drawn.value - drawn.value**2 * (bend - 1 / drawn.value), by


def _centre(chain: Chain, index: int, axis: int) -> tuple[float, Array]:
    """Return a coordinate of an arc's centre and its gradient; a straight's is far away."""
    bend = float(chain.curvature[index])
    if abs(bend) < 1e-7:
        bend = 1e-7
    inward = chain.inward[index]
    centre = chain.knot[index] + inward / bend
    by = gradient(chain, centre, index, 0.0)
    by[:, 1 + index] -= inward / bend**2
    return float(centre[axis]), by[axis]


def centre_gradient(chain: Chain, index: int) -> Array:
    """Return how an arc's centre moves with the figures, shape (2, 1 + 2n)."""
    return np.stack([_centre(chain, index, axis)[1] for axis in (0, 1)])


def _half_breadth(chain: Chain, drawn: Dimension) -> tuple[float, Array]:
    """Return the half-breadth at a height and its gradient, by Newton steps along bl."""
    out = max(drawn.value, 0.0)
    feet = project(chain, [[out, drawn.at]])
    for _ in range(12):
        step = -feet.distance[0] / max(abs(feet.normal[0, 0]), LEAST_RUN)
        out = max(out + step, 0.0)
        feet = project(chain, [[out, drawn.at]])
        if abs(step) < 1e-9:
            break
    point = np.array([[out, drawn.at]])
    by = push(chain, point, feet.normal, feet.element, feet.along)[0]
    return out, by / max(abs(feet.normal[0, 0]), LEAST_RUN)


def at_turn(chain: Chain, turn: float) -> tuple[Array, int, float]:
    """Return the first point with that direction of the normal, its element and length along.

    Examples
    --------
    >>> from loft.drawing.chain import strike
    >>> at_turn(strike(600.0, [600.0], [1.0]), np.pi / 2)[0].round(6)[0].tolist()
    600.0
    """
    for index in range(len(chain)):
        low, high = chain.turn[index], chain.turn[index + 1]
        if chain.curvature[index] > STRAIGHT and low - 1e-12 <= turn <= high + 1e-12:
            along = (turn - low) / float(chain.curvature[index])
            return place(chain, np.array([index]), np.array([along]))[0], index, along
    index = int(np.argmin(np.abs(chain.turn[:-1] - turn)))
    return chain.knot[index], index, 0.0
