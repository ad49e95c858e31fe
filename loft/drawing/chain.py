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

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from loft.job.errors import LoftError
from loft.job.records import Array

PI = np.pi
Whole = NDArray[np.int64]
STRAIGHT = 1e-9  # 1/mm: a radius over a thousand kilometres is a straight


_ARRAYS = ("curvature", "length", "turn", "knot", "tangent", "inward")


class Feet(NamedTuple):
    """Where points fall square on a chain; arrays of shape (m,) and (m, 2)."""

    distance: Array  # mm along the outward normal, positive outside
    element: Whole
    along: Array  # mm from the element's start
    normal: Array


@dataclass(frozen=True, eq=False, kw_only=True)
class Chain:
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
    curvature: Array
    length: Array
    turn: Array = field(init=False, repr=False)  # (n + 1,) at the element ends
    knot: Array = field(init=False, repr=False)  # (n + 1, 2) tangent points, (bl, height)
    tangent: Array = field(init=False, repr=False)  # (n + 1, 2)
    inward: Array = field(init=False, repr=False)  # (n + 1, 2) normals to the inside

    def __post_init__(self) -> None:
        curvature = np.array(self.curvature, dtype=np.float64)
        length = np.array(self.length, dtype=np.float64)
        count = len(curvature)
        half = 0.5 * curvature * length
        turn = np.zeros(count + 1)
        np.cumsum(2 * half, out=turn[1:])
        middle = turn[:-1] + half
        chord = length * sine_share(half)
        knot = np.zeros((count + 1, 2))
        np.cumsum(chord * np.cos(middle), out=knot[1:, 0])
        np.cumsum(chord * -np.sin(middle), out=knot[1:, 1])
        knot[:, 1] += self.crown
        tangent = np.zeros((count + 1, 2))
        tangent[:, 0], tangent[:, 1] = np.cos(turn), -np.sin(turn)
        inward = np.zeros((count + 1, 2))
        inward[:, 0], inward[:, 1] = tangent[:, 1], -tangent[:, 0]
        arrays = (curvature, length, turn, knot, tangent, inward)
        for name, value in zip(_ARRAYS, arrays, strict=True):
            value.setflags(write=False)
            object.__setattr__(self, name, value)

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


def sine_share(angle: Array) -> Array:
    """Return sin(u)/u, also at 0."""
    safe = np.where(angle == 0, 1e-20, angle)
    return np.sin(safe) / safe


def cosine_share(angle: Array) -> Array:
    """Return (1 - cos u)/u, also at 0."""
    return np.sin(angle / 2) * sine_share(angle / 2)


def _slopes(angle: Array) -> tuple[Array, Array]:
    """Return the derivatives of sin(u)/u and (1 - cos u)/u; by series where they cancel."""
    small = np.abs(angle) < 1e-2
    safe = np.where(small, 1.0, angle)
    sine, cosine, square = np.sin(safe), np.cos(safe), safe * safe
    first, second = (safe * cosine - sine) / square, (safe * sine - 1 + cosine) / square
    if small.any():
        near = angle[small]
        first[small] = near * (-1 / 3 + near**2 * (1 / 30 - near**2 / 840))
        second[small] = 0.5 - near**2 * (1 / 8 - near**2 / 144)
    return first, second


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


def project(chain: Chain, points: ArrayLike) -> Feet:
    """Return the orthogonal foot of every point on the chain.

    One formula serves arcs, hollows and straights. The first and last element are
    taken on past the centreline, so that a reading a little across it finds a foot.

    Parameters
    ----------
    chain : Chain
    points : array_like, shape (m, 2)
        (bl, height), bl >= 0, mm.

    Examples
    --------
    >>> project(strike(600.0, [600.0], [1.0]), [[605.0, 0.0]]).distance.round(6).tolist()
    [5.0]
    """
    points = np.asarray(points, dtype=np.float64)
    offset = points[:, None, :] - chain.knot[None, :-1, :]
    ahead = np.einsum("mnc,nc->mn", offset, chain.tangent[:-1])
    inside = np.einsum("mnc,nc->mn", offset, chain.inward[:-1])
    curvature = chain.curvature
    across, down = curvature * ahead, 1.0 - curvature * inside
    distance = (curvature * (ahead**2 + inside**2) - 2 * inside) / (np.hypot(across, down) + 1)
    flat = np.abs(curvature) < STRAIGHT
    along = np.where(flat, ahead, np.arctan2(across, down) / np.where(flat, 1.0, curvature))
    before, after = np.maximum(-along, 0.0), np.maximum(along - chain.length, 0.0)
    before[:, 0] = 0.0
    after[:, -1] = 0.0
    beyond = np.maximum(before, after)
    # a foot outside its element loses to any foot inside one
    element = np.argmin(np.abs(distance) + 1e3 * beyond * (beyond > 1e-7), axis=1)
    row = np.arange(len(points))
    along = along[row, element]
    turn = chain.turn[element] + chain.curvature[element] * along
    normal = np.zeros((len(points), 2))
    normal[:, 0], normal[:, 1] = np.sin(turn), np.cos(turn)
    return Feet(distance[row, element], element, along, normal)


def place(chain: Chain, element: Whole, along: Array) -> Array:
    """Return the points at given lengths along given elements, shape (m, 2)."""
    angle = chain.curvature[element] * along
    return chain.knot[element] + along[:, None] * (
        sine_share(angle)[:, None] * chain.tangent[element]
        + cosine_share(angle)[:, None] * chain.inward[element]
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


def push(chain: Chain, points: Array, normal: Array, element: Whole, along: Array) -> Array:
    """Return how far material points move along given normals, shape (m, 1 + 2n).

    By the chain's figures in the order crown, curvatures, lengths. Everything below a
    changed element moves rigidly: its end is displaced and the rest turns about it.
    """
    count = len(chain)
    out = np.zeros((len(points), 1 + 2 * count))
    out[:, 0] = normal[:, 1]
    arm = points[:, None, :] - chain.knot[None, 1:, :]
    turned = normal[:, :1] * arm[..., 1] - normal[:, 1:] * arm[..., 0]
    below = np.arange(count)[None, :] < element[:, None]
    # whole elements first, then every point on its own
    both = _bent(
        chain,
        np.concatenate([np.arange(count), element]),
        np.concatenate([chain.length, along]),
    )
    bent, own = both[:count], both[count:]
    out[:, 1 : 1 + count] = (normal @ bent.T + chain.length * turned) * below
    out[:, 1 + count :] = (normal @ chain.tangent[1:].T + chain.curvature * turned) * below
    out[np.arange(len(points)), 1 + element] += np.einsum("mc,mc->m", normal, own)
    return out


def _bent(chain: Chain, element: Whole, along: Array) -> Array:
    """Return how a point moves with its own element's curvature, the start held."""
    first, second = _slopes(chain.curvature[element] * along)
    square = along * along
    return (square * first)[:, None] * chain.tangent[element] + (square * second)[
        :, None
    ] * chain.inward[element]


def gradient(chain: Chain, point: Array, element: int, along: float) -> Array:
    """Return how one material point moves with the figures, (bl, height), shape (2, 1 + 2n)."""
    return push(
        chain,
        np.stack([point, point]),
        np.eye(2),
        np.array([element, element]),
        np.array([along, along], dtype=np.float64),
    )


def end_gradient(chain: Chain, element: int) -> Array:
    """Return how the lower end of an element moves with the figures, shape (2, 1 + 2n)."""
    out = gradient(chain, chain.knot[element + 1], element, float(chain.length[element]))
    out[:, 1 + len(chain) + element] += chain.tangent[element + 1]
    return out


def gap(chain: Chain) -> Array:
    """Return what is missing to closure: turn less pi (radians), bl at the keel (mm)."""
    return np.array([chain.turn[-1] - PI, chain.knot[-1, 0]])


def gap_gradient(chain: Chain) -> Array:
    """Return how the gap changes with the figures, shape (2, 1 + 2n)."""
    count = len(chain)
    out = np.zeros((2, 1 + 2 * count))
    out[0, 1 : 1 + count], out[0, 1 + count :] = chain.length, chain.curvature
    arm = chain.keel - chain.knot[1:, 1]  # turning the rest moves the end along bl
    bent = _bent(chain, np.arange(count), chain.length)[:, 0]
    out[1, 1 : 1 + count] = bent + chain.length * arm
    out[1, 1 + count :] = chain.tangent[1:, 0] + chain.curvature * arm
    return out
