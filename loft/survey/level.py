"""Level a survey by the body's own symmetry: its centre plane and fore-and-aft axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loft.job.errors import Finding, LoftError
from loft.job.labels import CENTRE_LINES, side_of_label
from loft.job.records import Array, freeze_arrays

BIWEIGHT = 4.685  # 95 % efficient on sound readings (Beaton & Tukey 1974, from memory)
DRAWS = 400  # trial planes, each through three of the mirror pairs
MOST_REJECTED = 0.45  # share of pairs beyond which the body is not symmetric enough
ROUGH = 0.02  # median difference of the sides, as a share of the half-breadth, to be refused
OUTLINE = 12  # unlabelled points of one section that make an outline


@dataclass(frozen=True, eq=False, kw_only=True)
class Centring:
    """How the body stands against the axes, as its own symmetry shows it.

    It fixes bl, roll and heading alone: station, waterline and pitch must come from
    elsewhere.

    Parameters
    ----------
    offset : float
        bl of the centre plane at `centre`, mm.
    roll : float
        About +station, radians; positive where starboard stands high.
    heading : float
        About +wl, radians; positive where the tail stands to starboard.
    centre : ndarray, shape (3,)
        Point about which it was turned.
    covariance : ndarray, shape (3, 3)
        Of offset, roll and heading; the frames' own settlement is in it.
    pairs : int
        Mirror pairs (and points of the centreline) that took part.
    rejected : tuple of str
        Pairs on which the body is not symmetric.
    findings : tuple of Finding
        Warnings and notes.
    """

    offset: float
    roll: float
    heading: float
    centre: Array
    covariance: Array
    pairs: int
    rejected: tuple[str, ...]
    findings: tuple[Finding, ...] = ()

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def sd(self) -> Array:
        """Return the standard deviations of offset (mm), roll and heading (radians)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def rotation(self) -> Array:
        """Return the matrix that turns the body as it stands upright, shape (3, 3)."""
        roll, heading = _turn(0, self.roll), _turn(2, self.heading)
        return np.asarray((heading @ roll).T)

    def apply(self, points: Array) -> Array:
        """Return points levelled: station, bl, wl, shape (n, 3), mm."""
        moved = np.asarray(points, dtype=np.float64) - self.centre - [0.0, self.offset, 0.0]
        return np.asarray(moved @ self.rotation.T + self.centre * [1.0, 0.0, 1.0])

    def covariance_at(self, points: Array) -> Array:
        """Return the covariance that the centring gives to levelled points, (n, 3, 3)."""
        arm = np.asarray(points, dtype=np.float64) - self.centre * [1.0, 0.0, 1.0]
        rows = np.zeros((len(arm), 3, 3))
        rows[:, 1, 0] = -1.0
        rows[:, 1, 1], rows[:, 2, 1] = arm[:, 2], -arm[:, 1]
        rows[:, 0, 2], rows[:, 1, 2] = arm[:, 1], -arm[:, 0]
        return np.asarray(rows @ self.covariance @ np.swapaxes(rows, 1, 2))


def _turn(axis: int, angle: float) -> Array:
    """Return a right-handed rotation about one axis."""
    one, two = (axis + 1) % 3, (axis + 2) % 3
    matrix = np.eye(3)
    matrix[one, one] = matrix[two, two] = np.cos(angle)
    matrix[two, one], matrix[one, two] = np.sin(angle), -np.sin(angle)
    return matrix


# Coefficients of (offset, roll, heading), how far the pair misses, its standard deviation,
# and that of the roll's coefficient.
_Part = tuple[tuple[float, float, float], float, float, float]


@dataclass(frozen=True, eq=False, kw_only=True)
class _Rows:
    """Linear equations ``rows @ (offset, roll, heading) = miss``, in standard deviations.

    `pair` numbers the mirror pair of each, `group` the frame of each pair, `name` it.
    `blur` is the part of the roll's square sum that noise in the outlines feigns.
    """

    rows: Array
    miss: Array
    pair: NDArray[np.int64]
    group: NDArray[np.int64]
    name: tuple[str, ...]
    blur: float

    def size(self, fit: Array) -> Array:
        """Return how far each pair misses, in standard deviations, shape (p,)."""
        square = np.bincount(
            self.pair, (self.miss - self.rows @ fit) ** 2, minlength=len(self.name)
        )
        count = np.bincount(self.pair, minlength=len(self.name))
        return np.sqrt(square / np.maximum(count, 1))


def level(
    points: Array,
    *,
    frame: Sequence[str] | NDArray[np.str_],
    line: Sequence[str] | NDArray[np.str_],
    sigma: Array | float,
) -> Centring:
    """Find the centre plane of a body from its own symmetry.

    Labelled points are paired (S4P with S4S of the same frame), those of CROWN and KEEL
    lie on the plane; sections of unlabelled points are laid on their own mirror image.
    The plane on which most pairs agree is found first, then refined with a weight that
    falls to nothing for pairs far off it: one crushed side does not draw it over.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        station, bl, wl as read, mm; NaN where not read.
    frame, line : sequences of str, length n
        "" where there is none.
    sigma : float or ndarray, shape (n,)
        One standard deviation of a coordinate, mm.

    Raises
    ------
    LoftError
        Too few pairs, pairs on one frame only, or a body too far from symmetric.

    Notes
    -----
    Frames settle each for itself, so the covariance is taken from how the frames differ
    (six frames or more), and is never below what the scatter of the pairs gives.

    Examples
    --------
    >>> half = np.array([[s, b, w] for s in (0.0, 900.0) for b, w in ((600.0, 900.0),
    ...                                                               (400.0, 200.0))])
    >>> body = np.concatenate([half, half * [1, -1, 1]]) + [0.0, 12.0, 0.0]
    >>> frame = ["F1", "F1", "F2", "F2"] * 2
    >>> line = ["S1S", "S2S"] * 2 + ["S1P", "S2P"] * 2
    >>> round(level(body, frame=frame, line=line, sigma=1.0).offset, 6)
    12.0
    """
    points = np.asarray(points, dtype=np.float64)
    frame, line = np.asarray(frame, dtype=np.str_), np.asarray(line, dtype=np.str_)
    sigma = np.broadcast_to(np.asarray(sigma, dtype=np.float64), (len(points),))
    whole = np.isfinite(points).all(axis=1)
    points, frame, line, sigma = points[whole], frame[whole], line[whole], sigma[whole]
    if not len(points):
        raise LoftError("no point with station, bl and wl found; symmetry needs both sides")
    centre = np.array([points[:, 0].mean(), 0.0, points[:, 2].mean()])
    offset, rotation = _first_offset(points), np.eye(3)
    for _ in range(12):
        here = (points - centre - [0.0, offset, 0.0]) @ rotation.T
        equations = _equations(here, frame, line, sigma)
        _check(equations)
        fit, weight = _robust(equations)
        offset += float(fit[0] / rotation[1, 1])
        normal = rotation.T @ (_turn(2, fit[2]) @ _turn(0, fit[1]))[:, 1]
        heading = float(np.arctan2(-normal[0], normal[1]))
        roll = float(np.arcsin(np.clip(normal[2], -1.0, 1.0)))
        rotation = (_turn(2, heading) @ _turn(0, roll)).T
        if abs(fit[0]) < 1e-7 and np.abs(fit[1:]).max() < 1e-11:
            break
    scatter = float(np.median(equations.size(np.zeros(3))) * np.median(sigma))
    if scatter > ROUGH * float(np.ptp(points[:, 1])) / 2:
        raise LoftError(
            f"the two sides differ by {scatter:.1f} mm in the middle: the body is not symmetric "
            "enough to be levelled by itself; tie it to the datum"
        )
    return _centring(equations, weight, centre=centre, offset=offset, roll=roll, heading=heading)


def _first_offset(points: Array) -> float:
    """Return a bl between the two sides to start from."""
    return float((points[:, 1].max() + points[:, 1].min()) / 2)


def _equations(here: Array, frame: NDArray[np.str_], line: NDArray[np.str_], sigma: Array) -> _Rows:
    """Return the equations of all pairs at the present state."""
    place = [f or f"station {s:.0f}" for f, s in zip(frame.tolist(), here[:, 0], strict=True)]
    pairs: list[tuple[str, str, list[_Part]]] = []
    for name, one, two in _mirror_pairs(place, line):
        middle, apart = (here[one] + here[two]) / 2, here[one] - here[two]
        sd = float(np.hypot(sigma[one], sigma[two]))
        half = float(sigma[one]) if one == two else sd / 2
        parts = [((1.0, -middle[2], middle[0]), middle[1], half, 0.0)]
        if one != two:
            parts.append(((0.0, apart[1], 0.0), apart[2], sd, 0.0))
        pairs.append((name, place[one], parts))
    for name, where in _outlines(here, place, line, sigma):
        pairs.append((f"{name} outline", name, [where]))
    index = {where: k for k, where in enumerate(dict.fromkeys(pair[1] for pair in pairs))}
    flat = [(k, part) for k, pair in enumerate(pairs) for part in pair[2]]
    each = np.array([part[2] for _, part in flat], dtype=np.float64)
    return _Rows(
        rows=np.array([part[0] for _, part in flat]).reshape(-1, 3) / each[:, None],
        miss=np.array([part[1] for _, part in flat]) / each,
        pair=np.array([k for k, _ in flat], dtype=np.int64),
        group=np.array([index[pair[1]] for pair in pairs], dtype=np.int64),
        name=tuple(pair[0] for pair in pairs),
        blur=float(np.sum((np.array([part[3] for _, part in flat]) / each) ** 2)),
    )


def _mirror_pairs(place: Sequence[str], line: NDArray[np.str_]) -> list[tuple[str, int, int]]:
    """Return (name, starboard, port) of every pair; a centreline point is both its own."""
    waiting: dict[tuple[str, str, str], list[int]] = {}
    pairs = []
    for k, label in enumerate(line.tolist()):
        if label in CENTRE_LINES:
            pairs.append((f"{place[k]} {label}", k, k))
        side = side_of_label(label)
        if not side:
            continue
        other = "port" if side == "starboard" else "starboard"
        partners = waiting.get((place[k], label[:-1], other), [])
        if partners:
            partner = partners.pop(0)
            one, two = (k, partner) if side == "starboard" else (partner, k)
            pairs.append((f"{place[k]} {label[:-1]}", one, two))
        else:
            waiting.setdefault((place[k], label[:-1], side), []).append(k)
    return pairs


def _outlines(
    here: Array, place: Sequence[str], line: NDArray[np.str_], sigma: Array
) -> list[tuple[str, _Part]]:
    """Return how far points stand off the mirrored outline of the other side.

    Only unlabelled points, of sections with enough of them on both sides. Both sides
    are taken, so that the chords between points cost nothing; each counts for half.
    """
    found: list[tuple[str, _Part]] = []
    places = np.array(place)
    for name in dict.fromkeys(place):
        pick = np.flatnonzero((places == name) & (line == ""))
        sides = [pick[here[pick, 1] < 0], pick[here[pick, 1] > 0]]
        if min(map(len, sides)) < OUTLINE / 2:
            continue
        middle = (here[pick, 2].max() + here[pick, 2].min()) / 2
        for side, other in (sides, sides[::-1]):
            mirror = here[other][:, 1:] * [-1.0, 1.0]
            mirror = mirror[np.argsort(np.arctan2(mirror[:, 1] - middle, np.abs(mirror[:, 0])))]
            reach = float(np.abs(mirror[:, 0]).max()) / 4
            for k in side:
                part = _outside(here[k], mirror, sd=2.0 * float(sigma[k]), reach=reach)
                if part is not None:
                    found.append((name, part))
    return found


def _outside(point: Array, outline: Array, *, sd: float, reach: float) -> _Part | None:
    """Return the equation of one point against an outline, None where none faces it."""
    start, run = outline[:-1], np.diff(outline, axis=0)
    length = np.linalg.norm(run, axis=1)
    good = (length > 1e-9) & (length < reach)
    if not good.any():
        return None
    start, run, length = start[good], run[good], length[good]
    along = np.clip(np.sum((point[1:] - start) * run, axis=1) / length**2, 0.0, 1.0)
    gap = point[1:] - start - along[:, None] * run
    nearest = int(np.argmin(np.linalg.norm(gap, axis=1)))
    if not 0.0 < along[nearest] < 1.0:
        return None
    normal = np.array([-run[nearest, 1], run[nearest, 0]]) / length[nearest]
    station, bl, wl = point
    row = (2 * normal[0], 2 * (normal[1] * bl - normal[0] * wl), 2 * normal[0] * station)
    lean = sd / 2**0.5 / length[nearest]  # of the chord, from noise at both its ends
    return row, float(gap[nearest] @ normal), sd, 2 * float(np.hypot(bl, wl)) * float(lean)


def _check(equations: _Rows) -> None:
    """Refuse what symmetry cannot settle."""
    count, frames = len(equations.name), len(set(equations.group.tolist()))
    if count < 4:
        raise LoftError(
            f"{count} mirror pairs found, 4 or more wanted: the same line on both sides of a "
            "frame (S4P and S4S), CROWN and KEEL, or whole outlines"
        )
    if frames < 2:
        raise LoftError(
            "mirror pairs of one frame alone found, two frames or more wanted: one frame does "
            "not show the heading"
        )


def _robust(equations: _Rows) -> tuple[Array, Array]:
    """Return the plane on which most pairs agree and the weight of every pair."""
    fit = _most_agree(equations)
    weight = np.ones(len(equations.name))
    for _ in range(40):
        size = equations.size(fit)
        scale = max(1.0, float(np.median(size)) / 0.75)
        weight = np.maximum(1.0 - (size / (BIWEIGHT * scale)) ** 2, 0.0) ** 2
        each = weight[equations.pair]
        normal = equations.rows.T @ (each[:, None] * equations.rows)
        before, fit = (
            fit,
            np.asarray(np.linalg.solve(normal, equations.rows.T @ (each * equations.miss))),
        )
        if np.allclose(before, fit, rtol=1e-9, atol=1e-12):
            break
    return fit, weight


def _most_agree(equations: _Rows) -> Array:
    """Return the trial plane with the least median miss, out of planes through few pairs."""
    count = len(equations.name)
    outer = equations.rows[:, :, None] * equations.rows[:, None, :]
    normal, right = np.zeros((count, 3, 3)), np.zeros((count, 3))
    np.add.at(normal, equations.pair, outer)
    np.add.at(right, equations.pair, equations.rows * equations.miss[:, None])
    rng = np.random.default_rng(14)
    draw = rng.integers(0, count, (DRAWS, 4))
    sums = normal[draw].sum(axis=1)
    ridge = 1e-9 * normal.sum(axis=0) / count
    trials = np.linalg.solve(sums + ridge, right[draw].sum(axis=1)[:, :, None])[:, :, 0]
    middle = [float(np.median(equations.size(trial))) for trial in trials]
    return np.asarray(trials[int(np.argmin(middle))])


def _centring(
    equations: _Rows, weight: Array, *, centre: Array, offset: float, roll: float, heading: float
) -> Centring:
    """Return the centring with its uncertainty and what must be said of it."""
    rejected = tuple(equations.name[k] for k in np.flatnonzero(weight == 0.0))
    count = len(equations.name)
    if len(rejected) > MOST_REJECTED * count:
        raise LoftError(
            f"{len(rejected)} of {count} mirror pairs disagree with the rest: the body is not "
            "symmetric enough to be levelled by itself; tie it to the datum"
        )
    covariance = _covariance(equations, weight)
    findings = []
    if rejected:
        names = ", ".join(dict.fromkeys(rejected[:6]))
        more = f" and {len(rejected) - 6} more" if len(rejected) > 6 else ""
        text = f"not symmetric, left out of the centre plane: {names}{more}"
        findings.append(Finding(text=text, severity="warning"))
    if np.sqrt(covariance[1, 1]) > np.deg2rad(1.0):
        text = (
            f"roll known to {np.rad2deg(np.sqrt(covariance[1, 1])):.1f} degrees only: the "
            "sections are too round, or the pairs too low, to show it"
        )
        findings.append(Finding(text=text, severity="warning"))
    text = "levelled by its own symmetry: station, waterline and pitch must come from elsewhere"
    findings.append(Finding(text=text, severity="note"))
    return Centring(
        offset=offset,
        roll=roll,
        heading=heading,
        centre=centre,
        covariance=covariance,
        pairs=count - len(rejected),
        rejected=rejected,
        findings=tuple(findings),
    )


def _covariance(equations: _Rows, weight: Array) -> Array:
    """Return the covariance of offset, roll and heading.

    The scatter of the pairs counts, and with six frames or more also how far the frames
    have settled in bl and roll, each for itself: all pairs of one frame move together.
    """
    each = weight[equations.pair]
    scaled = each[:, None] * equations.rows
    normal = scaled.T @ equations.rows
    inverse = np.linalg.inv(normal)
    residual = equations.miss - equations.rows @ (inverse @ (scaled.T @ equations.miss))
    freedom = max(1.0, float(each.sum()) - 3.0)
    scatter = max(1.0, float(np.sum(each * residual**2)) / freedom)
    group = equations.group[equations.pair]
    frames = int(group.max()) + 1
    within, pulls, moves = [], [], []
    for k in range(frames):
        pick = group == k
        own = scaled[pick].T @ equations.rows[pick]
        small = np.linalg.pinv(own[:2, :2])
        pulls.append(own[:, :2])
        within.append(scatter * np.diag(small))
        moves.append(small @ (scaled[pick].T @ residual[pick])[:2])
    middle = normal * scatter
    if frames >= 6:
        lost = np.array([2.0, 1.0])  # freedoms that the fit itself took: offset and heading; roll
        between = np.sum(np.square(moves), axis=0) / (frames - lost) - np.mean(within, axis=0)
        settled = np.diag(np.maximum(between, 0.0))
        middle = middle + sum(pull @ settled @ pull.T for pull in pulls)
    covariance = inverse @ middle @ inverse
    shown = max(1.0 - equations.blur / normal[1, 1], 1e-4)  # what noise feigns is no roll
    stretch = np.diag([1.0, shown**-0.5, 1.0])
    return np.asarray(stretch @ covariance @ stretch)
