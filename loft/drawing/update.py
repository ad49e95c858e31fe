"""Better a lifted section by what survives of its drawing.

The metal followed the drawing, but not to the last tenth: it departs from the struck
arcs by a small random amount that hangs together over some distance round the girth.
With y the lifted mould line (covariance C), g(p) the struck one and D the covariance
of the departure,

    y = metal + surface error (C),   metal = g(p) + departure (D),   figures(p) = drawn,

all linear near the fit and Gaussian, so the metal's line given both is one
least-squares problem. As D grows the section is left as it was; as D vanishes it
becomes the struck chain.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import cho_factor, cho_solve

from loft.drawing.chain import project, push
from loft.drawing.readings import fold, harmonics, read_points
from loft.drawing.solve import Fit, free_directions
from loft.job.errors import LoftError
from loft.job.records import Array, freeze_arrays

DEPARTS = 0.5  # mm, sd of the metal's departure from the struck arcs: common practice, no source
UNSEEN = 10.0  # mm: sd of what is finer than the survey's lines can show, as good as unknown
HANGS = 100.0  # mm of girth over which a departure hangs together


@dataclass(frozen=True, eq=False, kw_only=True)
class Updated:
    """A section bettered by its drawing.

    Parameters
    ----------
    position : ndarray, shape (n, 2)
        (bl, height), mm, moved along the normals given.
    moved : ndarray, shape (n,)
        By how much, mm, positive outwards.
    covariance : ndarray, shape (n, n)
        Of the new line along the normals, mm^2.
    """

    position: Array
    moved: Array
    covariance: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def sd(self) -> Array:
        """Return the standard deviation along the normal at every point, mm."""
        return np.sqrt(np.maximum(np.diag(self.covariance), 0.0))


def departure(position: ArrayLike, *, sd: float = DEPARTS, reach: float = HANGS) -> Array:
    """Return the covariance of the metal's departure from true arcs, shape (n, n), mm^2.

    Exponential in the distance between points: rough enough that no detail of the
    outline is ruled out, smooth enough that a hundred close points do not count as a
    hundred proofs.

    Parameters
    ----------
    position : array_like, shape (n, 2)
        (bl, height), mm.
    sd : float
        Standard deviation of the departure, mm.
    reach : float
        Distance at which it has lost about two thirds of its correlation, mm.

    Examples
    --------
    >>> departure([[0.0, 0.0], [0.0, 100.0]], sd=2.0, reach=100.0).round(3).tolist()
    [[4.0, 1.472], [1.472, 4.0]]
    """
    if not (sd > 0 and reach > 0):
        raise LoftError(f"departure sd {sd:g} and reach {reach:g} found, both more than 0 wanted")
    position = np.asarray(position, dtype=np.float64)
    apart = np.hypot(*(position[:, None] - position[None]).transpose(2, 0, 1))
    return np.asarray(sd**2 * np.exp(-apart / reach))


def update_section(
    position: ArrayLike,
    normal: ArrayLike,
    *,
    covariance: ArrayLike,
    fit: Fit,
    sd: float = DEPARTS,
    reach: float = HANGS,
    finest: float = 0.0,
) -> Updated:
    """Better a lifted section by the chain that its drawing and the section itself suggest.

    Only the drawn figures of the fit are taken from it, and its chain as the point
    about which everything is linear: the readings behind the section stand in its
    covariance already and are not counted twice.

    Parameters
    ----------
    position, normal : array_like, shape (n, 2)
        The lifted mould line and its outward unit normals, (bl, height).
    covariance : array_like, shape (n, n)
        Of its errors along the normals, mm^2.
    fit : Fit
        The drawing's chain, fitted with this section as its outline.
    sd, reach : float
        How far the metal departs from struck arcs, as of `departure`.
    finest : float
        Shortest wavelength round the girth at which the section is believed, mm; what
        is finer then comes from the drawing. 0 believes everything.

    Raises
    ------
    LoftError
        Arrays that do not agree, or a chain too far off to be linear about.

    Examples
    --------
    >>> from loft.drawing.chain import strike, walk
    >>> from loft.drawing.dimensions import Dimension
    >>> from loft.drawing.solve import Task, settle
    >>> true = strike(600.0, [620.0, 300.0], [1.0, 2.0])
    >>> line, normal, _, _ = walk(true, np.linspace(0.0, true.length.sum(), 40))
    >>> high = line + [0.0, 2.0]  # lifted 2 mm too high, good for 3 mm
    >>> spread = 9.0 * np.exp(-np.arange(40)[:, None] * 0.0) * np.ones((40, 40))
    >>> spread += 0.01 * np.eye(40)
    >>> drawn = (Dimension(kind="top", value=600.0, sigma=0.1),)
    >>> task = Task(
    ...     readings=read_points([], 1.0, outline=high, covariance=spread + departure(high)),
    ...     straight=(False,) * 3,
    ...     dimensions=drawn,
    ... )
    >>> better = update_section(high, normal, covariance=spread, fit=settle(true, task))
    >>> bool(better.sd[0] < 1.0), bool(abs(better.position[0, 1] - 600.0) < 1.0)
    (True, True)
    """
    position, normal = (np.asarray(one, dtype=np.float64) for one in (position, normal))
    covariance = np.asarray(covariance, dtype=np.float64)
    count = len(position)
    if position.shape != (count, 2) or normal.shape != (count, 2):
        raise LoftError(f"positions {position.shape} and normals {normal.shape} found, both (n, 2)")
    if covariance.shape != (count, count):
        raise LoftError(f"covariance {covariance.shape} found for {count} points")
    if finest > 0:
        waves = harmonics(position, finest)
        covariance = covariance + UNSEEN**2 * (np.eye(count) - waves @ waves.T)
    offset, by = _struck_line(position, normal, fit)
    free = free_directions(fit.chain, fit.task.fixed)
    slope = by @ free
    row, drawn = _prior_rows(fit)
    drawn = drawn @ free
    total = cho_factor(covariance + departure(position, sd=sd, reach=reach), lower=True)
    gain = cho_solve(total, covariance).T  # C (C + D)^-1
    information = slope.T @ cho_solve(total, slope) + drawn.T @ drawn
    right = -slope.T @ cho_solve(total, offset) - drawn.T @ row
    # directions that neither move the line nor a figure carry nothing: left where they are
    chain_spread = np.linalg.pinv(information, rcond=1e-13, hermitian=True)
    misfit = offset + slope @ (chain_spread @ right)  # struck line less lifted line
    moved = gain @ misfit
    carried = gain @ slope
    spread = covariance - gain @ covariance + carried @ chain_spread @ carried.T
    return Updated(
        position=position + moved[:, None] * normal,
        moved=moved,
        covariance=0.5 * (spread + spread.T),
    )


def _struck_line(position: Array, normal: Array, fit: Fit) -> tuple[Array, Array]:
    """Return how far the struck line stands outside the lifted one, and its gradient.

    Along the section's own normals: the distance along the chain's normal divided by
    the cosine between the two.
    """
    whole = read_points(position, 1.0, centreline=fit.task.readings.centreline)
    pivot = fit.task.readings.pivot
    readings = type(whole)(
        point=whole.point,
        sigma=whole.sigma,
        whitener=whole.whitener,
        spread=whole.spread,
        centreline=whole.centreline,
        pivot=pivot,
    )
    folded, lean_by = fold(readings, fit.lean)
    feet = project(fit.chain, folded)
    sine, cosine = np.sin(fit.lean[1]), np.cos(fit.lean[1])
    off = position[:, 0] - fit.lean[0]
    side = np.where(cosine * off - sine * (position[:, 1] - pivot) < 0, -1.0, 1.0)
    turned = np.stack(
        [
            side * (cosine * normal[:, 0] - sine * normal[:, 1]),
            sine * normal[:, 0] + cosine * normal[:, 1],
        ],
        axis=-1,
    )
    along = np.einsum("mc,mc->m", feet.normal, turned)
    if (along < 0.7).any() or np.abs(feet.distance).max() > 50.0:
        raise LoftError(
            f"the drawing's section stands up to {np.abs(feet.distance).max():.1f} mm off the "
            "lifted one, or is turned from it; check the drawing's facts before it is used"
        )
    line = folded - feet.distance[:, None] * feet.normal
    moved = push(fit.chain, line, feet.normal, feet.element, feet.along)
    leant = np.einsum("mc,mcq->mq", feet.normal, lean_by)
    by = np.concatenate([moved, -leant], axis=1)
    return -feet.distance / along, by / along[:, None]


def _prior_rows(fit: Fit) -> tuple[Array, Array]:
    """Return the rows of drawn figures and of the centreline's priors."""
    start = fit.task.readings.rows
    return fit.row[start:], fit.slope[start:]
