"""Move a scan onto another that it overlaps: points to surface, by open3d."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from loft.job.errors import Finding, LoftError
from loft.job.records import Array, CloudSet, Job
from loft.job.schema import given_name
from loft.job.units import MM_PER
from loft.survey.placing import LOOSE_SHIFT, Placed, about, start_of
from loft.survey.readers import CHUNK, iter_cloud
from loft.survey.similarity import motion

MOST = 400_000  # points of a scan that are looked at
GRAIN = 8.0  # mm: one point of each such cube
REACHES = (60.0, 20.0)  # mm: how far a point looks for its match, coarse to fine
NORMALS = 40.0  # mm about a point, from which the surface's direction is taken
NEIGHBOURS = 150
FLAT = 1.5  # times the scans' sigma, over which a surface is not flat there
STEPS, STILL = 40, 0.002  # of the fine fit, and mm at which it rests
PATCH = 100.0  # mm: the errors of points so near go together
LEAST_SHARE = 0.05  # of the points that must find a flat match
LEAST_PATCHES = 30
# On simulated bays the movement that is held least is off by 2.5 times what the patches say
# (round the section, where it is nearly a circle).
UNSURE = 3.0
LEAST_HELD = 1e-5  # share of the rows' squares under which a movement is not held at all
LOOSE = 5.0  # mm of stated sd at an arm's length over which a movement counts as not held
ARM = 500.0  # mm: at which a turn is weighed against a shift
AMISS = 3.0  # times the scans' sigma, by which they may differ in the overlap

Matched = tuple[Array, Array, NDArray[np.int64], Array, float]  # off, rows, patch, noise, share


def place_on_scan(
    job: Job, cloud: CloudSet, other: CloudSet, *, registration: Any, reference: Any
) -> tuple[Placed, dict[str, Any]]:
    """Fit a scan to another that is in aircraft axes, where the two overlap.

    Each point is matched to the other's surface along its normal, outliers losing their
    say; the errors of points within 100 mm are taken to go together. What the overlap
    does not hold (along a straight run without frames, say) stays with the scan's own
    targets.

    Parameters
    ----------
    job : Job
    cloud, other : CloudSet
        The scan to be moved, and the one that stays.
    registration, reference : Registration or None
        Of the two; None for a scan that stands in aircraft axes.

    Returns
    -------
    placed : Placed
        With the uncertainty of the fit and of the scan that stays.
    report : dict
        Share matched, residual, movement: mm, degrees.

    Raises
    ------
    LoftError
        The scans do not overlap, or open3d cannot be loaded.
    """
    still = start_of(reference, np.zeros(3))
    fixed = still.apply(thinned(job, other))
    centre = fixed.mean(axis=0)
    start = start_of(registration, centre)
    free = start.apply(thinned(job, cloud))
    name, onto = given_name(job, cloud.file), given_name(job, other.file)
    sigma = float(np.hypot(cloud.sigma, other.sigma))
    found, matched, slack = _match(free, fixed, sigma, name=name, onto=onto)
    off, rows, patch, noise, share = matched
    if share < LEAST_SHARE or len(np.unique(patch)) < LEAST_PATCHES:
        text = (
            f"{share:.0%} of its points found on {onto}, {LEAST_SHARE:.0%} spread over the overlap "
            "wanted; scan an overlap, or give it targets"
        )
        raise LoftError(Finding(file=name, column="fit_to", text=text))
    spread = UNSURE**2 * spread_of(rows, off, patch, sigma, noise=noise) + slack
    step, covariance = _weighed(found, start, spread, _standing(reference, other, centre))
    placed = start.moved(step, covariance)
    return placed, _account(placed, step, off, onto=onto, sigma=sigma, share=share)


def thinned(job: Job, cloud: CloudSet) -> Array:
    """Return a fair few of a scan's points, mm in its own axes, in the file's order."""
    held, stride, read = np.zeros((0, 3)), 1, 0
    for points in iter_cloud(cloud.file, CHUNK, name=given_name(job, cloud.file)):
        number = np.arange(read, read + len(points))
        read += len(points)
        good = np.isfinite(points).all(axis=1) & (number % stride == 0)
        held = np.concatenate([held, points[good]])
        while len(held) > MOST:
            held, stride = held[::2], stride * 2
    return held * MM_PER[cloud.unit]


def _cut(job_points: Array, low: Array, high: Array) -> Array:
    inside = ((job_points >= low) & (job_points <= high)).all(axis=1)
    return job_points[inside]


def _match(
    free: Array, fixed: Array, sigma: float, *, name: str, onto: str
) -> tuple[Array, Matched, Array]:
    """Return turn and shift about the fixed points' middle, and what was matched after it.

    Last how far the scan may be off where the overlap does not hold it, as a covariance:
    there it stays as it came.
    """
    try:
        import open3d
    except (ImportError, OSError) as error:
        text = "fitting a scan to a scan needs open3d, which cannot be loaded: pip install open3d"
        raise LoftError(Finding(file=name, column="fit_to", text=text)) from error
    from scipy.spatial.transform import Rotation

    margin = REACHES[0]
    centre = fixed.mean(axis=0)
    shared = _cut(free, fixed.min(axis=0) - margin, fixed.max(axis=0) + margin)
    near = _cut(fixed, free.min(axis=0) - margin, free.max(axis=0) + margin)
    if not (len(shared) and len(near)):
        text = (
            f"no point found where {onto} has any; its targets or axes do not bring them together"
        )
        raise LoftError(Finding(file=name, column="fit_to", text=text))
    moving, still = (_cloud(open3d, points - centre) for points in (shared, near))
    still = _flat(open3d, still, sigma)
    if not len(still.points):
        return np.zeros(6), _nothing(), np.zeros((6, 6))
    tools, placed = open3d.pipelines.registration, np.eye(4)
    for reach in REACHES:
        loss = tools.TukeyLoss(k=max(reach / 3.0, 3.0 * sigma))
        found = tools.registration_icp(
            moving, still, reach, placed, tools.TransformationEstimationPointToPlane(loss),
            tools.ICPConvergenceCriteria(1e-9, 1e-9, 60),
        )  # fmt: skip
        placed = np.array(found.transformation)

    placed, matched = _rest(tools, moving, still, placed, sigma)
    keep, slack = _held(matched, sigma)
    if slack.any():  # along what does not hold it the search may have slid, by a stringer's pitch
        placed = np.eye(4)
        for reach in (*REACHES, 0.0):
            placed, matched = _rest(tools, moving, still, placed, sigma, reach=reach, keep=keep)
    turn = Rotation.from_matrix(placed[:3, :3]).as_rotvec()
    # rounded, since the order of its sums is open3d's own: the same input, the same bytes
    return np.r_[turn.round(8), placed[:3, 3].round(4)], matched, slack


def _held(matched: Matched, sigma: float) -> tuple[Array, Array]:
    """Return what lets only movements pass that the overlap holds, and a covariance of the others.

    Both (6, 6), of a turn and a shift about the points' middle.
    """
    off, rows, patch, noise, _ = matched
    if not len(off):
        return np.eye(6), np.zeros((6, 6))
    scale = np.repeat([ARM, 1.0], 3)
    spread = UNSURE**2 * spread_of(rows, off, patch, sigma, noise=noise)
    square, axes = np.linalg.eigh(spread * np.outer(scale, scale))
    held, loose = axes[:, square <= LOOSE**2], axes[:, square > LOOSE**2]
    keep = (held @ held.T) * (scale / scale[:, None])
    free = loose @ loose.T / np.outer(scale, scale)
    return keep, LOOSE_SHIFT**2 * free


def _rest(
    tools: Any,
    moving: Any,
    still: Any,
    start: Array,
    sigma: float,
    *,
    reach: float = 0.0,
    keep: Array | None = None,
) -> tuple[Array, Matched]:
    """Return where a fit comes to rest from a start near by, and what is matched there."""
    from scipy.spatial.transform import Rotation

    placed, matched = start.copy(), _nothing()
    for _ in range(STEPS):
        found = tools.evaluate_registration(moving, still, max(5.0, 4.0 * sigma, reach), placed)
        pairs = np.asarray(found.correspondence_set)
        if not len(pairs):
            return placed, _nothing()
        points = np.asarray(moving.points) @ placed[:3, :3].T + placed[:3, 3]
        told = _by_patches(points, np.asarray(still.points), np.asarray(still.normals), pairs)
        matched = (*told, len(pairs) / len(points))
        step = _step(matched[0], matched[1], max(sigma, reach / 4.0))
        step = step if keep is None else keep @ step
        turn = Rotation.from_rotvec(step[:3]).as_matrix()
        placed[:3] = np.c_[turn @ placed[:3, :3], turn @ placed[:3, 3] + step[3:]]
        if np.abs(step[3:]).max() < STILL and np.abs(step[:3]).max() < STILL / 1000.0:
            break
    return placed, matched


def _flat(open3d: Any, cloud: Any, sigma: float) -> Any:
    """Return a cloud's points about which it is flat, with their normals.

    Where two levels stand side by side, as at the edge of a stringer, a plane through
    both leans, and would hold the other scan where nothing does.
    """
    cloud.estimate_covariances(
        open3d.geometry.KDTreeSearchParamHybrid(radius=NORMALS, max_nn=NEIGHBOURS)
    )
    size, axes = np.linalg.eigh(np.asarray(cloud.covariances, dtype=np.float64))
    flat = (size[:, 0] <= (FLAT * sigma) ** 2) & (size[:, 1] >= (NORMALS / 5.0) ** 2)
    found = open3d.geometry.PointCloud()
    found.points = open3d.utility.Vector3dVector(np.asarray(cloud.points)[flat])
    found.normals = open3d.utility.Vector3dVector(axes[flat, :, 0])
    return found


def _nothing() -> Matched:
    return np.zeros(0), np.zeros((0, 6)), np.zeros(0, np.int64), np.zeros((6, 6)), 0.0


def _by_patches(
    points: Array, still: Array, normals: Array, pairs: NDArray[np.int64]
) -> tuple[Array, Array, NDArray[np.int64], Array]:
    """Return how far matched points stand off, how they move along the normal, and their patch.

    Last what of the squares of those movements is the normals' noise, (6, 6).

    The movement is the mean one of the patch: the noise of single normals would hold a
    scan where nothing does.
    """
    place, normal = points[pairs[:, 0]], normals[pairs[:, 1]].copy()
    facing = np.abs(normal).argmax(axis=1)
    sign = np.sign(normal[np.arange(len(normal)), facing])
    normal *= sign[:, None]
    block = np.column_stack([np.floor(place / PATCH).astype(np.int64), facing])
    patch = np.unique(block, axis=0, return_inverse=True)[1].ravel().astype(np.int64)
    rows = np.einsum("nd,ndp->np", normal, motion(place))
    sums = np.stack([np.bincount(patch, part) for part in rows.T], axis=1)
    mean = np.asarray(sums / np.bincount(patch)[:, None], dtype=np.float64)
    left = rows - mean[patch]
    noise = left.T @ left / max(1.0, PATCH**2 / (np.pi * NORMALS**2))
    off = ((place - still[pairs[:, 1]]) * normal).sum(axis=1)
    return off, mean[patch], patch, noise


def _step(off: Array, rows: Array, sigma: float) -> Array:
    """Return the turn and shift that bring matched points onto the surface, strays losing say."""
    pull = np.clip(1.0 - (off / (4.0 * sigma)) ** 2, 0.0, None) ** 2
    unit = np.sqrt((rows**2).mean(axis=0))
    scaled = rows / unit
    lhs = (scaled * pull[:, None]).T @ scaled + 1e-6 * len(rows) * np.eye(6)
    return np.asarray(np.linalg.solve(lhs, -(scaled * pull[:, None]).T @ off) / unit)


def _cloud(open3d: Any, points: Array) -> Any:
    cloud = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(points))
    return cloud.voxel_down_sample(GRAIN)


def spread_of(
    rows: Array, off: Array, patch: NDArray[np.int64], sigma: float, *, noise: Array | None = None
) -> Array:
    """Return the covariance of turn and shift from residuals that go together by patches.

    Parameters
    ----------
    rows : ndarray, shape (n, 6)
    off : ndarray, shape (n,)
        mm.
    patch : ndarray of int, shape (n,)
    sigma : float
        Of the two scans together: the least that a residual is taken for.
    noise : ndarray, shape (6, 6), optional
        What of the rows' squares holds nothing.

    Examples
    --------
    >>> rows = np.tile(np.eye(6), (50, 1))
    >>> patch = np.arange(300)
    >>> cov = spread_of(rows, np.random.default_rng(1).normal(0, 1, 300), patch, 1.0)
    >>> bool((np.abs(np.sqrt(cov.diagonal()) - 1 / np.sqrt(50)) < 0.05).all())
    True
    """
    count = int(patch.max()) + 1
    unit = np.sqrt((rows**2).mean(axis=0))
    scaled = rows / unit
    # no less than sigma: of residuals that are small by chance nothing is learnt
    told = np.sign(off) * np.maximum(np.abs(off), 0.5 * sigma)
    sums = np.stack([np.bincount(patch, part * told, count) for part in scaled.T], axis=1)
    held = scaled.T @ scaled
    if noise is not None:
        held = held - noise / np.outer(unit, unit)
    size, axes = np.linalg.eigh(held)
    lhs = (axes / np.maximum(size, LEAST_HELD * len(rows))) @ axes.T
    return np.asarray((lhs @ (sums.T @ sums) @ lhs) / np.outer(unit, unit))


def _standing(reference: Any, other: CloudSet, centre: Array) -> Array:
    """Return the covariance of the scan that stays, about the centre."""
    if reference is not None:
        return about(reference, centre)
    return np.asarray(np.diag(np.repeat([1e-12, other.sigma**2], 3)))


def _weighed(step: Array, start: Placed, fit: Array, standing: Array) -> tuple[Array, Array]:
    """Return the step and its covariance: the fit and what was known before, each by its own."""
    unit = np.sqrt(np.diag(start.covariance))
    before = np.linalg.inv(start.covariance / np.outer(unit, unit))
    seen = np.linalg.inv((fit + standing) / np.outer(unit, unit))
    both = np.linalg.inv(before + seen)
    return (both @ seen @ (step / unit)) * unit, both * np.outer(unit, unit)


def _account(
    placed: Placed, step: Array, off: Array, *, onto: str, sigma: float, share: float
) -> dict[str, Any]:
    rms = float(np.sqrt(np.mean(off**2)))
    sd = np.sqrt(np.diag(placed.covariance))
    notes = []
    if rms > AMISS * sigma:
        notes.append(
            f"warning: after the fit to {onto} the two still differ by {rms:.2f} mm, "
            f"{rms / sigma:.1f} times their sigma"
        )
    if max(ARM * sd[:3].max(), sd[3:].max()) > LOOSE:
        notes.append(
            f"warning: the overlap with {onto} does not hold it: turn ± "
            f"{np.rad2deg(sd[:3].max()):.1f} degrees, shift ± {sd[3:].max():.0f} mm; "
            "scan a wider overlap, or give it targets"
        )
    return {
        "to": onto,
        "readings": len(off),
        "matched": round(share, 4),
        "rms": round(rms, 3),
        "ratio": round(rms / sigma, 3),
        "turn_deg": [round(float(value), 5) for value in np.rad2deg(step[:3])],
        "shift": [round(float(value), 3) for value in step[3:]],
        "sd_turn_deg": [round(float(value), 5) for value in np.rad2deg(sd[:3])],
        "sd_shift": [round(float(value), 3) for value in sd[3:]],
        "notes": notes,
    }
