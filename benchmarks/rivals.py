"""Plainer ways to the missing section, on the same surveys as ours.

Each is given what it would be given by a careful user: the surfaces see readings already
turned into angle and scaled radius by our own robust reference body, so that they carry
millimetres and not the body's gross shape, and choose their smoothness from the readings
(generalised cross-validation, left-out readings, marginal likelihood). None knows that
frames settle or that readings are wrong, which is where the difference comes from.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import BSpline, CubicSpline, RBFInterpolator

from benchmarks.accuracy import lift, outline_error, theirs
from benchmarks.surveys import job_of, prototype
from benchmarks.tally import mean, spread, table
from loft.fairing.equations import polar
from loft.fairing.reference import Reference, fit_reference, robust_ellipse

FIRST_SEED = 10_000
KIND = "real1"
ANGLES = 360
LENGTH = 500.0  # mm of run that counts as one unit beside the section's radius of 1


@dataclass(frozen=True)
class Cloud:
    """The readings in the reference's terms, and where the section is wanted."""

    reference: Reference
    station: np.ndarray
    theta: np.ndarray
    rho: np.ndarray
    wanted: float


def straight_lines(frames: list[dict], station: float) -> np.ndarray:
    """Join equal labels of the two frames on either side; a cubic round what that gives."""
    order = sorted(frames, key=lambda frame: frame["x"])
    after = next(k for k, frame in enumerate(order) if frame["x"] > station)
    one, other = order[after - 1], order[after]
    part = (station - one["x"]) / (other["x"] - one["x"])
    first = dict(zip(one["lab"].tolist(), one["p"], strict=True))
    second = dict(zip(other["lab"].tolist(), other["p"], strict=True))
    both = sorted(first.keys() & second.keys())
    points = np.array([(1 - part) * first[label] + part * second[label] for label in both])
    closed = np.concatenate([points, points[:1]])
    run = np.r_[0.0, np.cumsum(np.hypot(*np.diff(closed, axis=0).T))]
    return CubicSpline(run, closed, bc_type="periodic")(np.linspace(0, run[-1], ANGLES + 1)[:-1])


def cloud_of(frames: list[dict], station: float) -> Cloud:
    ellipses = [robust_ellipse(*frame["p"].T) for frame in frames]
    at = np.array([frame["x"] for frame in frames])
    reference = fit_reference(at, ellipses, centred=True)
    x = np.repeat(at, [len(frame["p"]) for frame in frames])
    theta, q, *_ = polar(reference, x, *np.concatenate([frame["p"] for frame in frames]).T)
    return Cloud(reference, x, theta, q * reference.r0, station)


def outline(cloud: Cloud, rho: np.ndarray) -> np.ndarray:
    theta = 2 * np.pi * np.arange(ANGLES) / ANGLES
    cy, cz, a, b = cloud.reference.at(np.array(cloud.wanted))
    q = rho / cloud.reference.r0
    return np.stack([cy + a * q * np.sin(theta), cz + b * q * np.cos(theta)], -1)


def features(station: np.ndarray, theta: np.ndarray, size: float) -> np.ndarray:
    """Places on a cylinder: neighbours round the girth are neighbours at 0 and 2 pi too."""
    return np.stack([np.sin(theta), np.cos(theta), station / LENGTH * (LENGTH / size)], -1)


def asked(cloud: Cloud, size: float) -> np.ndarray:
    theta = 2 * np.pi * np.arange(ANGLES) / ANGLES
    return features(np.full(ANGLES, cloud.wanted), theta, size)


def radial(cloud: Cloud) -> np.ndarray:
    """scipy's thin-plate RBFInterpolator, smoothing by fivefold left-out readings."""
    places, value = features(cloud.station, cloud.theta, cloud.reference.r0), cloud.rho
    fold = np.random.default_rng(0).permutation(len(value)) % 5

    def left_out(smoothing: float) -> float:
        error = [
            RBFInterpolator(places[fold != k], value[fold != k], smoothing=smoothing)(
                places[fold == k]
            )
            - value[fold == k]
            for k in range(5)
        ]
        return float(np.median(np.abs(np.concatenate(error))))

    best = min(np.logspace(-4, 3, 8), key=left_out)
    surface = RBFInterpolator(places, value, smoothing=best)
    return outline(cloud, surface(asked(cloud, cloud.reference.r0)))


def p_spline(cloud: Cloud) -> np.ndarray:
    """Tensor P-spline: periodic round the girth, cubic along; both penalties by GCV."""
    low, high = cloud.station.min(), cloud.station.max()
    count = len(np.unique(cloud.station))
    inner = np.linspace(low, high, count - 1)
    pace = inner[1] - inner[0]
    knots = np.r_[inner[0] - pace * np.arange(3, 0, -1), inner, inner[-1] + pace * np.arange(1, 4)]
    around = 32
    turns = 2 * np.pi / around * np.arange(-3, around + 4)

    def design(station: np.ndarray, theta: np.ndarray) -> np.ndarray:
        along = BSpline.design_matrix(station, knots, 3).toarray()
        raw = BSpline.design_matrix(np.mod(theta, 2 * np.pi), turns, 3).toarray()
        ring = raw[:, :around].copy()
        ring[:, :3] += raw[:, around:]
        return np.einsum("ni,nj->nij", along, ring).reshape(len(station), -1)

    rows = design(cloud.station, cloud.theta)
    long = rows.shape[1] // around
    bend = np.diff(np.eye(long), 2, axis=0)
    turn = np.eye(around) - 2 * np.roll(np.eye(around), 1, 1) + np.roll(np.eye(around), 2, 1)
    by_run = np.kron(bend.T @ bend, np.eye(around))
    by_girth = np.kron(np.eye(long), turn.T @ turn)
    gram, right = rows.T @ rows, rows.T @ (cloud.rho - cloud.reference.r0)

    def fitted(one: float, other: float) -> tuple[float, np.ndarray]:
        whole = gram + one * by_run + other * by_girth + 1e-8 * np.eye(len(gram))
        told = np.linalg.solve(whole, np.column_stack([right, gram]))
        rest = cloud.rho - cloud.reference.r0 - rows @ told[:, 0]
        spare = len(rest) - np.trace(told[:, 1:])
        return float(len(rest) * np.sum(rest**2) / spare**2), told[:, 0]

    grid = [(one, other) for one in np.logspace(-1, 5, 7) for other in np.logspace(-2, 3, 6)]
    series = min((fitted(*pair) for pair in grid), key=lambda found: found[0])[1]
    theta = 2 * np.pi * np.arange(ANGLES) / ANGLES
    return outline(
        cloud, design(np.full(ANGLES, cloud.wanted), theta) @ series + cloud.reference.r0
    )


def gaussian_process(cloud: Cloud) -> np.ndarray:
    """scikit-learn's, squared-exponential with its own lengths round and along, and noise."""
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel

    places = features(cloud.station, cloud.theta, LENGTH)
    kernel = ConstantKernel(100.0, (1e-2, 1e6)) * RBF(
        [0.5, 0.5, 4.0], [(0.05, 1e2), (0.05, 1e2), (0.3, 1e3)]
    ) + WhiteKernel(4.0, (1e-2, 1e4))
    process = GaussianProcessRegressor(kernel)
    middle = cloud.rho.mean()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        process.fit(places, cloud.rho - middle)
    return outline(cloud, process.predict(asked(cloud, LENGTH)) + middle)


def has_scikit() -> bool:
    try:
        import sklearn.gaussian_process  # noqa: F401
    except ImportError:
        return False
    return True


RIVALS: dict[str, Callable[[Cloud], np.ndarray]] = {
    "RBFInterpolator": radial,
    "P-spline": p_spline,
    "Gaussian process": gaussian_process,
}


def score(number: int, seed: int) -> tuple[str, dict[str, float]]:
    modules = prototype()
    bodies, scenarios, _ = modules
    body = scenarios.all_bodies()[number]
    frames, station = scenarios.case(body, KIND, seed)
    assert job_of(frames, body=body)
    out = {"straight lines": bodies.score(body, station, straight_lines(frames, station))["rms"]}
    cloud = cloud_of(frames, station)
    for name, rival in RIVALS.items():
        if name != "Gaussian process" or has_scikit():
            out[name] = bodies.score(body, station, rival(cloud))["rms"]
    out["earlier"] = theirs(modules, body, frames, station)["rms"]
    _, section = lift(body, frames, station)
    out["ours"] = float(np.sqrt(np.mean(outline_error(modules, body, station, section)[0] ** 2)))
    return body.name, out


def report(seeds: int | None, jobs: int) -> None:
    bodies = prototype()[1].all_bodies()
    cases = [(n, FIRST_SEED + k) for n in range(len(bodies)) for k in range(seeds or 20)]
    scores = spread(score, cases, jobs)
    names = list(scores[0][1])
    rows = [
        (
            body.name,
            *[mean(s[name] for who, s in scores if who == body.name).show(2) for name in names],
        )
        for body in bodies
    ]
    rows.append(("all", *[mean(s[name] for _, s in scores).show(2) for name in names]))
    print(f"RMS, mm, survey {KIND}, {len(cases) // len(bodies)} hidden frames a body")
    print(table(("body", *names), rows))
    if not has_scikit():
        print("no Gaussian process: scikit-learn is not installed")
