"""Least-squares fit of one set of points to another: turned, shifted, scaled, mirrored."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loft.job.records import Array, freeze_arrays


@dataclass(frozen=True, eq=False, kw_only=True)
class Similarity:
    """A least-squares fit ``target = scale * rotation @ source + shift``.

    Parameters
    ----------
    rotation : ndarray, shape (d, d)
        Determinant +1, or -1 where a mirrored fit was asked for.
    scale : float
    shift : ndarray, shape (d,)
    residual : ndarray, shape (n, d)
        Fitted less target.
    square : float
        Weighted square sum of the residuals.
    """

    rotation: Array
    scale: float
    shift: Array
    residual: Array
    square: float

    def __post_init__(self) -> None:
        freeze_arrays(self)


def similarity(
    source: Array,
    target: Array,
    *,
    weight: Array | None = None,
    scaled: bool = False,
    mirrored: bool = False,
) -> Similarity:
    """Fit a turned, shifted and, if asked, scaled or mirrored copy of points to others.

    Parameters
    ----------
    source, target : ndarray, shape (n, d)
        The same points in both systems, d = 2 or 3.
    weight : ndarray, shape (n,), optional
        One over the variance of each point; 1 by default.
    scaled : bool
        Fit a scale too.
    mirrored : bool
        Fit a reflected copy (determinant -1) instead.

    References
    ----------
    S. Umeyama, Least-squares estimation of transformation parameters between two point
    patterns, IEEE PAMI 13(4), 1991, 376-380.

    Examples
    --------
    >>> square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]])
    >>> fit = similarity(square, 2.0 * square + 5.0, scaled=True)
    >>> round(fit.scale, 9), fit.shift.round(9).tolist()
    (2.0, [5.0, 5.0])
    """
    source = np.asarray(source, dtype=np.float64)
    target = np.asarray(target, dtype=np.float64)
    weight = np.ones(len(source)) if weight is None else np.asarray(weight, dtype=np.float64)
    share = weight / weight.sum()
    from_centre, to_centre = share @ source, share @ target
    near, far = source - from_centre, target - to_centre
    left, sizes, right = np.linalg.svd((far * share[:, None]).T @ near)
    sign = np.ones(len(sizes))
    sign[-1] = np.sign(np.linalg.det(left) * np.linalg.det(right)) * (-1.0 if mirrored else 1.0)
    rotation = left @ np.diag(sign) @ right
    scale = float((sizes * sign).sum() / np.sum(share[:, None] * near**2)) if scaled else 1.0
    shift = to_centre - scale * rotation @ from_centre
    residual = scale * source @ rotation.T + shift - target
    return Similarity(
        rotation=rotation,
        scale=scale,
        shift=shift,
        residual=residual,
        square=float(np.sum(weight[:, None] * residual**2)),
    )


def motion(arm: Array) -> Array:
    """Return how points move with a small turn and shift, shape (n, d, p).

    Examples
    --------
    >>> motion(np.array([[3.0, 4.0]])).tolist()
    [[[-4.0, 1.0, 0.0], [3.0, 0.0, 1.0]]]
    """
    count, size = arm.shape
    if size == 2:
        turn = np.stack([-arm[:, 1], arm[:, 0]], axis=1)[:, :, None]
    else:
        turn = np.zeros((count, 3, 3))
        for axis in range(3):
            turn[:, :, axis] = np.cross(np.eye(3)[axis], arm)
    return np.concatenate([turn, np.broadcast_to(np.eye(size), (count, size, size))], axis=2)
