"""Find the metal in a slab of a scan: one robust plane in every angular cell.

Each cell's plane is compared with its neighbours: a stringer's crest, a bracket or a
cable stands clear of the skin on both sides of it and is set aside. A step of under
3 mm cannot be told from the metal this way, nor clutter as broad as a floor.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from loft.job.records import Array, freeze_arrays
from loft.survey.planes import (
    FEWEST,
    MAD,
    Planes,
    Stack,
    pick_planes,
    refine_planes,
    row_quantiles,
    solve_three,
    stack_up,
    trial_planes,
)

CELLS = 360, 240, 180, 120  # the most in which half the cells hold ENOUGH points
ENOUGH = 25
STEP = 3.0  # mm: what stands farther than this off its neighbours on either side is set aside
NEIGHBOURS = 8  # cells on each side
FEW_ASIDE = 5  # of them that make a line of one side alone
CREST = 0.25  # share of a stringer's depth by which its crest may be off
FURTHEST = 60.0  # degrees across which two parts of a section may be seen to join
LIKE = 1.6  # ratio of size within which parts farther off are taken for the same body
BESIDE = 1000.0  # mm along the body at which a slab counts half for what size it has
ENDS = 3  # cells at the end of a run of which one must meet the next run
GAP_SLOPE = 0.1  # by how much of the gap they may be out
LENT = 20.0  # points of the slab's usual spread that each cell's own is mixed with
LEAN = 0.35  # slope of a crest against the skin round about
LOOSE = 2.0  # spread of a crest's points over that of the skin's


@dataclass(frozen=True, eq=False, kw_only=True)
class Cells:
    """The metal of one slab, by angular cell; arrays of shape (c,), NaN where none.

    Parameters
    ----------
    bl, wl : ndarray
        Where the metal crosses the slab's reading plane.
    sd : ndarray
        Standard deviation along the metal's normal, from the spread and the number.
    spread : ndarray
        Robust standard deviation of the points about the metal.
    points, agreeing : ndarray
        Points of the sample in the cell, and those that lie on the metal.
    found : ndarray of bool
        True where the metal is given.
    rough : float
        mm, what neighbouring cells scatter beyond `sd`.
    """

    bl: Array
    wl: Array
    sd: Array
    spread: Array
    points: Array
    agreeing: Array
    found: NDArray[np.bool_]
    rough: float

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def blank(self) -> Cells:
        """Return the cells with nothing found in them."""
        gone = np.full(len(self.found), np.nan)
        return replace(
            self, bl=gone, wl=gone, sd=gone, spread=gone,
            agreeing=np.zeros_like(self.agreeing), found=np.zeros_like(self.found),
        )  # fmt: skip


def unlike(slabs: Sequence[Cells], centre_wl: Array, station: Array) -> NDArray[np.bool_]:
    """Tell in which slabs the metal is not the body's: far out, or in, of what its neighbours show.

    So is a wall that is seen through a torn side. Other slabs count by their cells and their
    nearness; one that holds more cells than all others so counted is left as it is.

    Parameters
    ----------
    slabs : sequence of n Cells
    centre_wl, station : ndarray, shape (n,)
        mm.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> theta, along = rng.uniform(-np.pi, np.pi, 9000), rng.uniform(-15.0, 15.0, 9000)
    >>> ring = np.stack([along, np.sin(theta), np.cos(theta)], axis=1)
    >>> skin, wall = (find_metal(ring * (1.0, r, r), 0.0, sigma=0.5) for r in (600.0, 2600.0))
    >>> unlike([skin, skin, wall], np.zeros(3), np.array([0.0, 100.0, 200.0])).tolist()
    [False, False, True]
    """
    count = np.array([part.found.sum() for part in slabs], dtype=np.float64)
    size = np.array(
        [
            np.median(np.hypot(part.bl, part.wl - height)[part.found]) if part.found.any() else 0.0
            for part, height in zip(slabs, centre_wl, strict=True)
        ]
    )
    out = np.zeros(len(slabs), bool)
    order = np.argsort(size)
    for k in np.flatnonzero(count):
        weight = count / (1.0 + (np.abs(station - station[k]) / BESIDE) ** 2)
        weight[k] = 0.0
        if not count[k] < weight.sum():
            continue
        run = np.cumsum(weight[order])
        usual = size[order[np.searchsorted(run, run[-1] / 2.0)]]
        out[k] = not 1.0 / LIKE <= size[k] / usual <= LIKE
    return out


def find_metal(
    points: Array,
    centre_wl: float,
    *,
    sigma: float,
    layer: str = "",
    inside: float = 0.0,
    seed: int = 0,
) -> Cells:
    """Return the metal in every angular cell of a slab.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        (way along from the reading plane, bl, wl), mm.
    centre_wl : float
        Height of the point on bl 0 about which the cells are laid.
    sigma : float
        Stated standard deviation of one point, mm.
    layer : str
        "outermost" where a cell shows several layers and the outer is wanted (a skin seen
        from within); "" for the one with the most points.
    inside : float
        Where not 0: the face wanted stands about so far inside what the cells show
        round about, as a stringer's crest does; mm.
    seed : int
        Of the trials; the same seed gives the same cells.

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(1)
    >>> theta, along = rng.uniform(-np.pi, np.pi, 20000), rng.uniform(-15.0, 15.0, 20000)
    >>> radius = 600.0 + rng.normal(0.0, 0.5, 20000)
    >>> points = np.stack([along, radius * np.sin(theta), radius * np.cos(theta)], axis=1)
    >>> cells = find_metal(points, 0.0, sigma=0.5)
    >>> bool(np.abs(np.hypot(cells.bl, cells.wl) - 600.0).max() < 0.5)
    True
    """
    stack = _stack(points, centre_wl)
    trial, agree = trial_planes(stack, sigma, np.random.default_rng(seed))
    planes = refine_planes(stack, pick_planes(trial, agree, layer=layer), sigma)
    expected = _expected(stack, planes)
    planes = _mend(stack, planes, trial, agree, expected=expected, sigma=sigma, layer=layer)
    if inside:
        planes, good = _inner(stack, planes, trial, agree, inside=inside, sigma=sigma)
    else:
        good = _continuous(planes, _expected(stack, planes), sigma)
    good = _main_body(planes, good)
    return _cells(stack, planes, good, centre_wl)


def _stack(points: Array, centre_wl: float) -> Stack:
    """Sort points into angular cells about (0, centre_wl)."""
    along, bl, up = points[:, 0], points[:, 1], points[:, 2] - centre_wl
    turn = np.arctan2(bl, up) + np.pi
    for count in CELLS:
        width = 2 * np.pi / count
        cell = np.floor(turn / width).astype(np.int64) % count
        held = np.bincount(cell, minlength=count)
        if np.median(held[held > 0]) >= ENOUGH:
            break
    angle = np.asarray((np.arange(count) + 0.5) * width - np.pi, dtype=np.float64)
    return stack_up(cell, angle, bl=bl, up=up, along=along)


def _expected(stack: Stack, planes: Planes) -> Array:
    """Return what the neighbours say of each cell's radius, (3, c): both sides, left, right.

    Both sides together by a robust parabola; where that does not fit, each side alone by
    the median of the slopes between its cells, so that a chine is no fault.
    """
    away = np.arange(-NEIGHBOURS, NEIGHBOURS + 1)
    away = away[away != 0]
    index = (np.arange(len(planes.at))[:, None] + away) % len(planes.at)
    there = (planes.agreeing > 0)[index]
    value = np.where(there, planes.at[index], 0.0)
    both, misfit = _parabola(away.astype(float), value, there)
    sides = [
        _line(away[half].astype(float), value[:, half], there[:, half])
        for half in (away < 0, away > 0)
    ]
    smooth = misfit < STEP / 3.0  # no chine here: the sharper view alone decides
    return np.stack([both, *(np.where(smooth, np.nan, side) for side in sides)])


def _parabola(away: Array, value: Array, there: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Return the value at 0 of a parabola through most of the neighbours, and its misfit.

    The value is NaN and the misfit infinite where there are too few.
    """
    design = np.stack([np.ones_like(away), away, away**2 / NEIGHBOURS], axis=-1)
    square = (design[:, :, None] * design[:, None, :]).reshape(-1, 9)
    weight = there.astype(float)
    fit = np.zeros((len(value), 3))
    for _ in range(12):
        lhs = (weight @ square).reshape(-1, 3, 3) + 1e-9 * np.eye(3)
        rhs = (weight * value) @ design
        fit = solve_three(lhs, rhs)
        error = np.abs(value - fit @ design.T)
        weight = there / (1.0 + (error / (0.3 * STEP)) ** 2)
    enough = (there[:, away < 0].sum(axis=1) >= 2) & (there[:, away > 0].sum(axis=1) >= 2)
    enough &= weight.sum(axis=1) > 3.0
    error[~there] = np.nan
    misfit = np.where(enough, row_quantiles(error, 0.5), np.inf)
    return np.where(enough, fit[:, 0], np.nan), misfit


def _line(away: Array, value: Array, there: NDArray[np.bool_]) -> Array:
    """Return the value at 0 of the median line through one side's neighbours."""
    first, second = np.triu_indices(len(away), 1)
    slope = (value[:, second] - value[:, first]) / (away[second] - away[first])
    slope = np.where(there[:, first] & there[:, second], slope, np.nan)
    enough = there.sum(axis=1) >= FEW_ASIDE
    slope = row_quantiles(slope, 0.5)
    rest = np.where(there, value - slope[:, None] * away, np.nan)
    return np.where(enough, row_quantiles(rest, 0.5), np.nan)


def _continuous(planes: Planes, expected: Array, sigma: float) -> NDArray[np.bool_]:
    """Return where a cell's metal goes on to its neighbours on one side at least.

    A cell in which the points scatter, or hold no firm plane, tells nothing.
    """
    there = planes.agreeing > 0
    usual = float(np.median(planes.spread[there])) if there.any() else 0.0
    firm = there & (planes.spread <= LOOSE * max(sigma, usual))
    limit = _limit(planes)
    firm &= planes.sd <= limit / 3.0
    # a plane that leans from the skin to something beside it meets neither
    lean = _lean(planes)
    tilt = 1.0 / np.hypot(1.0, lean)  # not its own: a steep plane must not look near
    leans = np.abs((planes.round_slope - lean) * planes.middle) * tilt
    off = np.abs(planes.at - expected) * tilt
    off = np.where(np.isnan(off), np.inf, off).min(axis=0)  # the least of the three views
    return firm & (leans <= limit) & (off <= limit)


def _limit(planes: Planes) -> float:
    """Return what a cell may stand off its neighbours: STEP, or more in a coarse scan."""
    there = planes.agreeing > 0
    return max(STEP, 5.0 * float(np.median(planes.sd[there]))) if there.any() else STEP


def _lean(planes: Planes) -> Array:
    """Return the usual slope round the section of each cell and its neighbours."""
    there = planes.agreeing > 0
    window = np.arange(len(there))[:, None] + np.arange(-NEIGHBOURS, NEIGHBOURS + 1)
    window %= len(there)
    slope = np.where(there, planes.round_slope, np.nan)[window]
    slope[~there[window].any(axis=1)] = 0.0
    return row_quantiles(slope, 0.5)


def _main_body(planes: Planes, good: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Leave out what stands apart from the rest: a wall behind a hole, a broad bracket.

    Cells that go on into one another make a run. The longest of the usual size is the body
    (the skin's own runs may be short between stringers); another belongs to it where it
    goes on into it, across a gap within a share of its width.
    """
    held = np.flatnonzero(good)
    if not len(held):
        return good
    limit, reach = _limit(planes), planes.at * np.tan(np.pi / len(good))
    after = np.roll(held, -1)
    gap = (after - held) % len(good) - 1
    joined = (gap == 0) & _meets(planes, reach, held, after, gap, limit)
    if joined.all():
        return good
    last = np.flatnonzero(~joined)
    length = (last - np.roll(last, 1) - 1) % len(held) + 1
    runs = [
        held[np.arange(end + 1 - count, end + 1) % len(held)]
        for end, count in zip(last, length, strict=True)
    ]
    share = [float(np.median(planes.at[run]) / np.median(planes.at[held])) for run in runs]
    usual = [len(run) * (1 / LIKE < by < LIKE) for run, by in zip(runs, share, strict=True)]
    body = runs.pop(int(np.argmax(usual)))
    while runs:  # the nearest first: a far one may be joined by what lies between
        run = runs.pop(int(np.argmin([min(_gaps(run, body, len(good))) for run in runs])))
        if _belongs(planes, reach, run, body, limit):
            body = np.append(body, run)
    kept = np.zeros(len(good), bool)
    kept[body] = True
    return kept


def _gaps(run: NDArray[np.int64], body: NDArray[np.int64], count: int) -> tuple[int, int]:
    """Return how many cells a run stands behind the body, and before it."""
    return int(((run[0] - body) % count).min()), int(((body - run[-1]) % count).min())


def _belongs(
    planes: Planes, reach: Array, run: NDArray[np.int64], body: NDArray[np.int64], limit: float
) -> bool:
    """Return whether a run goes on into the body at the end that is nearer to it.

    A part that lies far off on both sides, as the other side of a body of which crown and
    keel were not scanned, need only be of like size.
    """
    count = len(planes.at)
    before, behind = _gaps(run, body, count)
    if min(before, behind) > FURTHEST / 360.0 * count:
        size = np.median(planes.at[run]) / np.median(planes.at[body])
        return bool(1.0 / LIKE < size < LIKE)
    if before <= behind:
        one, other = body[np.argsort((run[0] - body) % count)[:ENDS]], run[:ENDS]
    else:
        one, other = run[-ENDS:], body[np.argsort((body - run[-1]) % count)[:ENDS]]
    one, other = (part.ravel() for part in np.meshgrid(one, other))
    gap = (other - one) % count - 1
    return bool(_meets(planes, reach, one, other, gap, limit).any())


def _meets(
    planes: Planes,
    reach: Array,
    one: NDArray[np.int64],
    other: NDArray[np.int64],
    gap: NDArray[np.int64],
    limit: float,
) -> NDArray[np.bool_]:
    """Return where two cells' metal, gone on to half way between them, meets.

    It meets too where one line crosses the other between them, as at a chine.
    """
    way = reach[one] * (gap + 1)
    apart = planes.at[other] - planes.at[one]
    slope, other_slope = planes.round_slope[one], planes.round_slope[other]
    middle = np.abs(apart - (slope + other_slope) * way)
    tilt = np.minimum(planes.tilt[one], planes.tilt[other])
    near = middle * tilt <= limit + GAP_SLOPE * 2.0 * reach[one] * gap
    crossed = (apart - 2.0 * slope * way) * (apart - 2.0 * other_slope * way) < 0.0
    return np.asarray(near | (crossed & (gap < ENDS)))


def _mend(
    stack: Stack,
    planes: Planes,
    trial: Array,
    agree: Array,
    *,
    expected: Array,
    sigma: float,
    layer: str,
) -> Planes:
    """Where a cell stands off its neighbours, take the trial plane nearest to them instead."""
    wrong = (planes.agreeing > 0) & ~_continuous(planes, expected, sigma)
    at = np.flatnonzero(wrong)
    target = np.where(np.isnan(expected[0]), planes.at, expected[0])[at]
    other = _nearest(
        stack.some(at), trial[:, at], agree[at], target=target, within=STEP, sigma=sigma
    )
    off = np.abs(other.at - target) / np.hypot(1.0, _lean(planes)[at])
    good = (other.agreeing > 0) & (off <= STEP)
    if layer == "outermost":  # behind what was seen farther out there can be no skin
        good &= target > planes.at[at]
    better = np.zeros(len(wrong), bool)
    better[at[good]] = True
    gone = wrong & ~better  # what nobody agrees with must not speak for its neighbours
    fields = {}
    for name in planes.__dataclass_fields__:
        fields[name] = getattr(planes, name).copy()
        fields[name][better] = getattr(other, name)[good]
    fields["agreeing"] = np.where(gone, 0, fields["agreeing"])
    return Planes(**fields)


def _inner(
    stack: Stack, planes: Planes, trial: Array, agree: Array, *, inside: float, sigma: float
) -> tuple[Planes, NDArray[np.bool_]]:
    """Return the planes that stand about `inside` within what lies round about.

    A plane that leans against its neighbours, or about which the points scatter, joins
    the crest to the skin beside it and is none.
    """
    there = planes.agreeing > 0
    lean = _lean(planes)
    target = _expected(stack, planes)[0] - inside * np.hypot(1.0, lean)
    inner = _nearest(stack, trial, agree, target=target, within=CREST * inside, sigma=sigma)
    off = np.abs(inner.at - target) * inner.tilt
    good = (inner.agreeing >= FEWEST) & (off <= CREST * inside)
    good &= np.abs(inner.round_slope - lean) <= LEAN
    good &= inner.spread <= LOOSE * max(
        sigma, float(np.median(planes.spread[there])) if there.any() else 0.0
    )
    return inner, good


def _nearest(
    stack: Stack, trial: Array, agree: Array, *, target: Array, within: float, sigma: float
) -> Planes:
    """Return the planes with the most points among those near `target` in each cell."""
    near = np.abs(trial[0] - target[:, None]) <= within * np.hypot(1.0, trial[1])
    score = np.where(near, agree, 0.0)
    chosen = score.argmax(axis=1)
    plane = trial[:, np.arange(len(agree)), chosen]
    return refine_planes(stack, np.where(score.max(axis=1) >= FEWEST, plane, np.nan), sigma)


def _cells(stack: Stack, planes: Planes, good: NDArray[np.bool_], centre_wl: float) -> Cells:
    """Return the accepted cells in aircraft axes."""
    radius = planes.at + planes.round_slope * planes.middle
    sine, cosine = np.sin(stack.angle), np.cos(stack.angle)
    blank = np.where(good, 0.0, np.nan)
    usual = float(np.median(planes.spread[good])) if good.any() else 0.0
    shared = (planes.agreeing * planes.spread**2 + LENT * usual**2) / (planes.agreeing + LENT)
    sd = planes.sd * np.sqrt(shared) / planes.spread
    return Cells(
        bl=radius * sine + planes.middle * cosine + blank,
        wl=centre_wl + radius * cosine - planes.middle * sine + blank,
        sd=sd + blank,
        spread=planes.spread + blank,
        points=stack.held.sum(axis=1),
        agreeing=np.where(good, planes.agreeing, 0),
        found=good,
        rough=_rough(planes, good, sd),
    )


def _rough(planes: Planes, good: NDArray[np.bool_], sd: Array) -> float:
    """Return what four cells in a row scatter about a parabola beyond their own sd, mm."""
    at = planes.at
    third = (at - 3 * np.roll(at, -1) + 3 * np.roll(at, -2) - np.roll(at, -3)) * planes.tilt
    whole = good & np.roll(good, -1) & np.roll(good, -2) & np.roll(good, -3)
    if whole.sum() < 10:
        return 0.0
    scatter = (MAD * np.median(np.abs(third[whole]))) ** 2 / 20.0  # 1 + 9 + 9 + 1
    return float(np.sqrt(max(scatter - np.median(sd[whole] ** 2), 0.0)))
