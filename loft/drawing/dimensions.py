"""Figures read off a drawing, as rows of the fit: (struck - drawn) / sigma.

A drawn radius is written in curvature, so that its row stays finite while the arc
passes through "straight". The sigma of a row is what the figure is good for: a
drawing is believed softly, never held exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from loft.drawing.chain import PI, STRAIGHT, Chain, Shape, Whole, place, project, push
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
    struck, by = _struck(chain, dimensions)
    sigma = np.array([drawn.sigma for drawn in dimensions])
    return (struck - [drawn.value for drawn in dimensions]) / sigma, by / sigma[:, None]


def struck_value(chain: Chain, drawn: Dimension) -> float:
    """Return the chain's own figure for a dimension: a radius as such, inf where straight."""
    if drawn.kind == "radius":
        return float(chain.radius[drawn.element])
    return float(_struck(chain, [drawn])[0][0])


def figure_gradient(chain: Chain, drawn: Dimension) -> Array:
    """Return how the chain's figure for a dimension changes, shape (1 + 2n,)."""
    return _struck(chain, [drawn])[1][0]


def centre_gradients(chain: Chain) -> Array:
    """Return how every arc's centre moves with the figures, shape (n, 2, 1 + 2n)."""
    count = len(chain)
    figures = [_centre(chain, index, axis) for index in range(count) for axis in (0, 1)]
    return _gathered(chain, figures)[1].reshape(count, 2, 1 + 2 * count)


class _Figure(NamedTuple):
    """A figure of a chain or of every chain of a stack: arrays of shape (...) and (..., 2).

    It changes as a material point moves along a direction, and by its own terms besides.
    """

    value: Array
    point: Array
    along_normal: Array
    element: Whole
    along: Array
    terms: tuple[tuple[int, Array], ...] = ()  # by which figure of the chain, and how


def _struck(chain: Shape, dimensions: Sequence[Dimension]) -> tuple[Array, Array]:
    """Return figures of the chain and their gradient, shapes (..., d) and (..., d, 1 + 2n)."""
    return _gathered(chain, [_figure(chain, drawn) for drawn in dimensions])


def _gathered(chain: Shape, figures: Sequence[_Figure]) -> tuple[Array, Array]:
    """Return the values of figures and their gradient."""
    by = push(
        chain,
        np.stack([one.point for one in figures], axis=-2),
        np.stack([one.along_normal for one in figures], axis=-2),
        np.stack([one.element for one in figures], axis=-1),
        np.stack([one.along for one in figures], axis=-1),
    )
    for index, one in enumerate(figures):
        for column, amount in one.terms:
            by[..., index, column] += amount
    return np.stack([one.value for one in figures], axis=-1), by


def _figure(chain: Shape, drawn: Dimension) -> _Figure:
    """Return a figure of the chain."""
    kind, index = drawn.kind, drawn.element
    if kind in ("radius", "sweep", "length"):
        return _own_figure(chain, drawn)
    if kind in ("centre_bl", "centre_wl"):
        return _centre(chain, index, 0 if kind == "centre_bl" else 1)
    if kind in ("tangent_bl", "tangent_wl"):
        return _end(chain, index, 0 if kind == "tangent_bl" else 1)
    if kind == "half_breadth":
        return _half_breadth(chain, drawn)
    if kind == "max_half_breadth":
        point, element, along = _at_turn(chain, PI / 2)
        return _Figure(point[..., 0], point, _axis(chain, 0), element, along)
    if kind == "bottom":
        return _end(chain, chain.count - 1, 1)
    crown = chain.knot[..., 0, 1]  # kind == "top"
    return _term(chain, crown, (0, np.ones(crown.shape)))


def _axis(chain: Shape, axis: int) -> Array:
    """Return the direction of bl or of height, shape (..., 2)."""
    return np.broadcast_to(np.eye(2)[axis], (*chain.curvature.shape[:-1], 2))


def _term(chain: Shape, value: Array, *terms: tuple[int, Array]) -> _Figure:
    """Return a figure that moves with no point."""
    none = np.zeros((*chain.curvature.shape[:-1], 2))
    zero = none[..., 0]
    return _Figure(value, none, none, zero.astype(np.int64), zero, terms)


def _own_figure(chain: Shape, drawn: Dimension) -> _Figure:
    """Return radius, sweep or length of an element."""
    count, index = chain.count, drawn.element
    bend, run = chain.curvature[..., index], chain.length[..., index]
    if drawn.kind == "length":
        return _term(chain, run, (1 + count + index, np.ones(run.shape)))
    if drawn.kind == "sweep":
        sign = np.where(bend < 0, -1.0, 1.0)
        terms = (1 + index, sign * run), (1 + count + index, sign * bend)
        return _term(chain, sign * bend * run, *terms)
    # the drawn radius less R^2 (k - 1/R): first order in the curvature
    square = np.full(bend.shape, drawn.value**2)
    return _term(chain, drawn.value - square * (bend - 1 / drawn.value), (1 + index, -square))


def _centre(chain: Shape, index: int, axis: int) -> _Figure:
    """Return a coordinate of an arc's centre; a straight's is far away."""
    bend = chain.curvature[..., index]
    bend = np.where(np.abs(bend) < 1e-7, 1e-7, bend)
    inward = chain.inward[..., index, :]
    centre = chain.knot[..., index, :] + inward / bend[..., None]
    return _Figure(
        centre[..., axis],
        centre,
        _axis(chain, axis),
        np.full(bend.shape, index),
        np.zeros(bend.shape),
        ((1 + index, -inward[..., axis] / bend**2),),
    )


def _end(chain: Shape, index: int, axis: int) -> _Figure:
    """Return a coordinate of the lower end of an element."""
    point, along = chain.knot[..., index + 1, :], chain.length[..., index]
    grown = chain.tangent[..., index + 1, axis]
    return _Figure(
        point[..., axis],
        point,
        _axis(chain, axis),
        np.full(along.shape, index),
        along,
        ((1 + chain.count + index, grown),),
    )


def _half_breadth(chain: Shape, drawn: Dimension) -> _Figure:
    """Return the half-breadth at a height, by Newton steps along bl."""
    point = np.zeros((*chain.curvature.shape[:-1], 1, 2))
    point[..., 0], point[..., 1] = max(drawn.value, 0.0), drawn.at
    feet = project(chain, point)
    for _ in range(12):
        step = -feet.distance / np.maximum(np.abs(feet.normal[..., 0]), LEAST_RUN)
        point[..., 0] = np.maximum(point[..., 0] + step, 0.0)
        feet = project(chain, point)
        if (np.abs(step) < 1e-9).all():
            break
    normal = feet.normal[..., 0, :]
    return _Figure(
        point[..., 0, 0],
        point[..., 0, :],
        normal / np.maximum(np.abs(normal[..., :1]), LEAST_RUN),
        feet.element[..., 0],
        feet.along[..., 0],
    )


def at_turn(chain: Chain, turn: float) -> tuple[Array, int, float]:
    """Return the first point with that direction of the normal, its element and length along.

    Examples
    --------
    >>> from loft.drawing.chain import strike
    >>> at_turn(strike(600.0, [600.0], [1.0]), np.pi / 2)[0].round(6)[0].tolist()
    600.0
    """
    point, element, along = _at_turn(chain, turn)
    return point, int(element), float(along)


def _at_turn(chain: Shape, turn: float) -> tuple[Array, Whole, Array]:
    """Return what `at_turn` does of a chain or of every chain of a stack."""
    low, high, bend = chain.turn[..., :-1], chain.turn[..., 1:], chain.curvature
    inside = (bend > STRAIGHT) & (low - 1e-12 <= turn) & (turn <= high + 1e-12)
    found = np.asarray(inside.any(axis=-1))
    element = np.where(found, inside.argmax(axis=-1), np.abs(low - turn).argmin(axis=-1))
    at = chain.at(element[..., None])
    on = np.where(found[..., None], bend[at], np.inf)  # where there is none, a joint
    along = (turn - low[at]) / on
    return place(chain, element[..., None], along)[..., 0, :], element, along[..., 0]
