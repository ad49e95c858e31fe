"""A half section struck as a chain of tangent arcs and straights, from crown to keel.

The traverse starts on the centreline at the crown, runs clockwise (looking forward)
down the starboard half and ends on the centreline at the keel. It is described by
curvature and length of every element, not by radii and centres: tangency then holds
by construction, a near-flat side passes smoothly through "straight", and a fitted
curvature is nearly normally distributed where a fitted radius has no moments
(N. Chernov, "Fitting circles to scattered data: parameter estimates have no
moments", arXiv 0907.0429).

`turn` is the angle the outline has turned since the crown, which is also the
direction of its outward normal from up: normal = (sin turn, cos turn) in (bl,
height), tangent = (cos turn, -sin turn).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from loft.job.errors import LoftError
from loft.job.records import Array

PI = np.pi
Whole = NDArray[np.int64]
STRAIGHT = 1e-9  # 1/mm: a radius over a thousand kilometres is a straight


_ARRAYS = ("curvature", "length", "turn", "knot", "tangent")


class Feet(NamedTuple):
    """Where points fall square on a chain; arrays of shape (m,) and (m, 2)."""

    distance: Array  # mm along the outward normal, positive outside
    element: Whole
    along: Array  # mm from the element's start
    normal: Array


@dataclass(frozen=True, eq=False, kw_only=True)
class Shape:
    """What a chain and a stack of chains have in common: "..." is nothing, or (b,).

    Parameters
    ----------
    curvature : ndarray, shape (..., n)
        1/mm; 0 is a straight, negative a hollow (reverse) curve.
    length : ndarray, shape (..., n)
        mm along each element.
    """

    curvature: Array
    length: Array
    turn: Array = field(init=False, repr=False)  # (..., n + 1) at the element ends
    knot: Array = field(init=False, repr=False)  # (..., n + 1, 2) tangent points, (bl, height)
    tangent: Array = field(init=False, repr=False)  # (..., n + 1, 2)

    def _lay_out(self, crown: Array | np.float64) -> None:
        """Work out turns and tangent points from the crown's height, shape (...)."""
        curvature = np.array(self.curvature, dtype=np.float64)
        length = np.array(self.length, dtype=np.float64)
        wide = (*curvature.shape[:-1], curvature.shape[-1] + 1)
        half = 0.5 * curvature * length
        turn = np.zeros(wide)
        (2 * half).cumsum(axis=-1, out=turn[..., 1:])
        middle = turn[..., :-1] + half
        chord = length * sine_share(half)
        knot = np.zeros((*wide, 2))
        knot[..., 0, 1] = crown
        knot[..., 1:, 0], knot[..., 1:, 1] = chord * np.cos(middle), -chord * np.sin(middle)
        knot.cumsum(axis=-2, out=knot)
        tangent = np.zeros((*wide, 2))
        tangent[..., 0], tangent[..., 1] = np.cos(turn), -np.sin(turn)
        arrays = (curvature, length, turn, knot, tangent)
        for name, value in zip(_ARRAYS, arrays, strict=True):
            value.setflags(write=False)
            object.__setattr__(self, name, value)

    @property
    def inward(self) -> Array:
        """Return the normals to the inside at the element ends, shape (..., n + 1, 2)."""
        return np.stack([self.tangent[..., 1], -self.tangent[..., 0]], axis=-1)

    @property
    def count(self) -> int:
        """Return the number of elements."""
        return self.curvature.shape[-1]

    def at(self, element: Whole) -> Whole | tuple[Whole, Whole]:
        """Return the index of given elements, shape (..., m), in an array shaped (..., n)."""
        if self.curvature.ndim == 1:
            return element
        return np.arange(len(self.curvature))[:, None], element


@dataclass(frozen=True, eq=False, kw_only=True)
class Chain(Shape):
    """Tangent arcs and straights from the crown to the keel.

    Parameters
    ----------
    crown : float
        Height of the start on the centreline, mm.
    curvature : ndarray, shape (n,)
        1/mm; 0 is a straight, negative a hollow (reverse) curve.
    length : ndarray, shape (n,)
        mm along each element.
    """

    crown: float

    def __post_init__(self) -> None:
        self._lay_out(np.float64(self.crown))

    def __len__(self) -> int:
        return len(self.curvature)

    @property
    def radius(self) -> Array:
        """Return the radii, inf where straight, shape (n,)."""
        with np.errstate(divide="ignore"):
            return np.where(np.abs(self.curvature) < STRAIGHT, np.inf, 1.0 / self.curvature)

    @property
    def centre(self) -> Array:
        """Return the centres as (bl, height), NaN where straight, shape (n, 2)."""
        radius = np.where(np.isinf(self.radius), np.nan, self.radius)
        return self.knot[:-1] + radius[:, None] * self.inward[:-1]

    @property
    def keel(self) -> float:
        """Return the height of the end on the centreline."""
        return float(self.knot[-1, 1])


@dataclass(frozen=True, eq=False, kw_only=True)
class Stack(Shape):
    """Chains of one number of elements side by side: b at the price of two.

    Parameters
    ----------
    crown : ndarray, shape (b,)
    curvature, length : ndarray, shape (b, n)
    """

    crown: Array

    def __post_init__(self) -> None:
        self._lay_out(self.crown)

    def __len__(self) -> int:
        return len(self.crown)

    def one(self, index: int) -> Chain:
        """Return one of the chains."""
        return Chain(
            crown=float(self.crown[index]),
            curvature=self.curvature[index],
            length=self.length[index],
        )

    def some(self, which: Whole) -> Stack:
        """Return some of the chains."""
        return Stack(
            crown=self.crown[which], curvature=self.curvature[which], length=self.length[which]
        )


def stacked(chains: Sequence[Chain]) -> Stack:
    """Return chains of one number of elements as a stack.

    Examples
    --------
    >>> pair = [strike(600.0, [620.0, size], [1.0, 2.0]) for size in (300.0, 310.0)]
    >>> len(stacked(pair)), stacked(pair).count, stacked(pair).one(1).radius[1].round(9)
    (2, 3, np.float64(310.0))
    """
    return Stack(
        crown=np.array([chain.crown for chain in chains]),
        curvature=np.array([chain.curvature for chain in chains]),
        length=np.array([chain.length for chain in chains]),
    )


def sine_share(angle: Array) -> Array:
    """Return sin(u)/u, also at 0."""
    safe = np.where(angle == 0, 1e-20, angle)
    return np.sin(safe) / safe


def cosine_share(angle: Array) -> Array:
    """Return (1 - cos u)/u, also at 0."""
    return np.sin(angle / 2) * sine_share(angle / 2)


def _sine_slope(angle: Array, share: Array) -> Array:
    """Return the derivative of sin(u)/u, given that share; by series where it cancels."""
    small = np.abs(angle) < 5e-3  # the next term of the series is 1e-12 of the first
    safe = np.where(small, 1.0, angle)
    near = angle * (angle * angle / 30 - 1 / 3)
    return np.where(small, near, (np.cos(safe) - share) / safe)


def strike(crown: float, radii: ArrayLike, turns: ArrayLike) -> Chain:
    """Return the closed chain of given arcs, the last radius following from closure.

    Parameters
    ----------
    crown : float
        Height of the crown, mm.
    radii : array_like, shape (n - 1,)
        Radii of all arcs but the last, crown to keel, mm.
    turns : array_like, shape (n - 1,)
        Turn at the lower end of each of them, radians, rising, between 0 and pi.

    Raises
    ------
    LoftError
        A radius that is not positive, turns out of order, or arcs that cannot be
        brought back to the centreline by one more.

    Examples
    --------
    >>> chain = strike(900.0, [620.0, 250.0], [0.8, 1.9])
    >>> chain.radius.round(1).tolist(), round(float(chain.knot[-1, 0]), 9) + 0.0
    ([620.0, 250.0, 530.5], 0.0)
    """
    radii = np.asarray(radii, dtype=np.float64)
    turns = np.asarray(turns, dtype=np.float64)
    if not (np.isfinite(radii).all() and (radii > 0).all()):
        raise LoftError(f"radii {radii.tolist()} found, positive lengths wanted")
    if len(radii) != len(turns) or (np.diff([0.0, *turns, PI]) <= 0).any():
        raise LoftError(
            f"turns {turns.tolist()} found, one for each radius wanted, rising between 0 and pi"
        )
    swept = np.diff([0.0, *turns])
    bend, reach = 1 / radii, radii * swept
    run = Chain(crown=crown, curvature=np.append(bend, 1e-3), length=np.append(reach, 1.0))
    out = run.knot[-2, 0]
    if out <= 0:
        raise LoftError(
            f"these arcs cross the centreline by {-out:.1f} mm before the keel: no last arc closes"
        )
    last = out / np.sin(run.turn[-2])
    return Chain(
        crown=crown,
        curvature=np.append(bend, 1 / last),
        length=np.append(reach, last * (PI - run.turn[-2])),
    )


def project(chain: Shape, points: ArrayLike) -> Feet:
    """Return the orthogonal foot of every point on the chain.

    One formula serves arcs, hollows and straights. The first and last element are
    taken on past the centreline, so that a reading a little across it finds a foot.

    Parameters
    ----------
    chain : Chain or Stack
    points : array_like, shape (m, 2), or (b, m, 2) for a stack
        (bl, height), bl >= 0, mm.

    Examples
    --------
    >>> project(strike(600.0, [600.0], [1.0]), [[605.0, 0.0]]).distance.round(6).tolist()
    [5.0]
    """
    points = np.asarray(points, dtype=np.float64)
    cosine, sine = chain.tangent[..., None, :-1, 0], chain.tangent[..., None, :-1, 1]
    curvature = chain.curvature[..., None, :]
    out = points[..., :, None, 0] - chain.knot[..., None, :-1, 0]
    up = points[..., :, None, 1] - chain.knot[..., None, :-1, 1]
    ahead, inside = out * cosine + up * sine, out * sine - up * cosine
    across, bent = curvature * ahead, curvature * inside
    down = 1.0 - bent
    distance = (across * ahead + (bent - 2.0) * inside) / (np.hypot(across, down) + 1.0)
    flat = np.abs(curvature) < STRAIGHT
    along = np.arctan2(across, down)
    if flat.any():
        along = np.where(flat, ahead, along / np.where(flat, 1.0, curvature))
    else:
        along /= curvature
    beyond = along - chain.length[..., None, :]
    beyond[..., -1] = 0.0
    beyond[..., 1:] = np.maximum(beyond[..., 1:], -along[..., 1:])
    # a foot outside its element loses to any foot inside one
    miss = np.abs(distance) + 1e3 * beyond * (beyond > 1e-7)
    element = np.argmin(miss, axis=-1)
    at = chain.at(element)
    row = (*_each(element), element)
    along = along[row]
    turn = chain.turn[at] + chain.curvature[at] * along
    normal = np.zeros((*turn.shape, 2))
    normal[..., 0], normal[..., 1] = np.sin(turn), np.cos(turn)
    return Feet(distance[row], element, along, normal)


def _each(element: Whole) -> tuple[Whole, ...]:
    """Return the index of every point in an array shaped (..., m)."""
    points = np.arange(element.shape[-1])
    return (points,) if element.ndim == 1 else (np.arange(len(element))[:, None], points)


def place(chain: Shape, element: Whole, along: Array) -> Array:
    """Return the points at given lengths along given elements, shape (..., m, 2)."""
    at = chain.at(element)
    angle = chain.curvature[at] * along
    return chain.knot[at] + along[..., None] * (
        sine_share(angle)[..., None] * chain.tangent[at]
        + cosine_share(angle)[..., None] * chain.inward[at]
    )


def walk(chain: Chain, girth: ArrayLike) -> tuple[Array, Array, Whole, Array]:
    """Return points, normals, elements and lengths along them at a girth from the crown.

    Examples
    --------
    >>> points, normals, _, _ = walk(strike(600.0, [600.0], [1.0]), [0.0, 600.0 * np.pi])
    >>> points.round(6).tolist(), normals.round(6).tolist()
    ([[0.0, 600.0], [0.0, -600.0]], [[0.0, 1.0], [0.0, -1.0]])
    """
    girth = np.asarray(girth, dtype=np.float64)
    start = np.concatenate([[0.0], np.cumsum(chain.length)])
    element = np.clip(np.searchsorted(start, girth, "right") - 1, 0, len(chain) - 1)
    along = girth - start[element]
    turn = chain.turn[element] + chain.curvature[element] * along
    normal = np.stack([np.sin(turn), np.cos(turn)], axis=-1)
    return place(chain, element, along), normal, element, along


def push(chain: Shape, points: Array, normal: Array, element: Whole, along: Array) -> Array:
    """Return how far material points move along given normals, shape (..., m, 1 + 2n).

    By the chain's figures in the order crown, curvatures, lengths. Everything below a
    changed element moves rigidly: its end is displaced and the rest turns about it.
    """
    count = chain.count
    out = np.zeros((*element.shape, 1 + 2 * count))
    across, upward = normal[..., 0], normal[..., 1]
    out[..., 0] = upward
    knot, tangent = chain.knot[..., None, 1:, :], chain.tangent[..., 1:, :]
    turned = across[..., None] * (points[..., :, None, 1] - knot[..., 1])
    turned -= upward[..., None] * (points[..., :, None, 0] - knot[..., 0])
    below = np.arange(count) < element[..., None]
    bent_bl, bent_height = _bent(chain.turn[..., :-1], chain.curvature, chain.length)
    moved = (
        across[..., None] * bent_bl[..., None, :] + upward[..., None] * bent_height[..., None, :]
    )
    moved += chain.length[..., None, :] * turned
    out[..., 1 : 1 + count] = moved * below
    moved = normal @ np.swapaxes(tangent, -1, -2) + chain.curvature[..., None, :] * turned
    out[..., 1 + count :] = moved * below
    at = chain.at(element)
    own_bl, own_height = _bent(chain.turn[at], chain.curvature[at], along)
    out[(*_each(element), 1 + element)] += across * own_bl + upward * own_height
    return out


def _bent(turn: Array, curvature: Array, along: Array) -> tuple[Array, Array]:
    """Return how a point of an element moves, (bl, height), with its curvature, the start held."""
    half = 0.5 * curvature * along
    share = sine_share(half)
    slope = _sine_slope(half, share)
    cosine, sine = np.cos(turn + half), np.sin(turn + half)
    size = 0.5 * along * along
    return size * (slope * cosine - share * sine), -size * (slope * sine + share * cosine)


def end_gradient(chain: Chain, element: int) -> Array:
    """Return how the lower end of an element moves with the figures, shape (2, 1 + 2n)."""
    end = np.broadcast_to(chain.knot[element + 1], (2, 2))
    here = np.full(2, element)
    out = push(chain, end, np.eye(2), here, np.full(2, chain.length[element]))
    out[:, 1 + len(chain) + element] += chain.tangent[element + 1]
    return out


def gap(chain: Shape) -> Array:
    """Return what is missing to closure: turn less pi (radians), bl at the keel (mm)."""
    return np.stack([chain.turn[..., -1] - PI, chain.knot[..., -1, 0]], axis=-1)


def gap_gradient(chain: Shape) -> Array:
    """Return how the gap changes with the figures, shape (..., 2, 1 + 2n)."""
    count = chain.count
    out = np.zeros((*chain.curvature.shape[:-1], 2, 1 + 2 * count))
    out[..., 0, 1 : 1 + count], out[..., 0, 1 + count :] = chain.length, chain.curvature
    # turning the rest moves the end along bl
    arm = chain.knot[..., -1:, 1] - chain.knot[..., 1:, 1]
    bent = _bent(chain.turn[..., :-1], chain.curvature, chain.length)[0]
    out[..., 1, 1 : 1 + count] = bent + chain.length * arm
    out[..., 1, 1 + count :] = chain.tangent[..., 1:, 0] + chain.curvature * arm
    return out
