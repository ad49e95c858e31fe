"""Tape ties and plumb readings as one system of equations, and its least-squares solution.

Nothing here knows how many dimensions the aircraft has: a level net is the same code
with the one axis "wl", a section the same with two.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.linalg

from loft.job.errors import Finding, LoftError
from loft.job.records import NAN, Array, freeze_arrays

AXES = ("station", "bl", "wl")
KINDS = ("tape", "bl", "wl", "station", "height", "approx", "control")


@dataclass(frozen=True, kw_only=True)
class Tie:
    """One row of a ties table, lengths in mm.

    Parameters
    ----------
    kind : str
        tape (slope distance), station, bl or wl (plumbed or levelled coordinate of
        `end`), height (wl of `end` less wl of `start`), approx, control.
    end, start : str
        Names of the points; `start` is "" where the kind has none.
    value : float
        The reading; NaN for approx and control.
    place : tuple of float
        Coordinates of an approx or control point, one for every axis.
    sigma : float
        One standard deviation; 0 fixes a control point.
    text, unit : str
        What stood in the file, and the unit of its bare numbers.
    """

    kind: str
    end: str
    start: str = ""
    value: float = NAN
    place: tuple[float, ...] = ()
    sigma: float = 0.0
    text: str = ""
    unit: str = "mm"
    file: str = ""
    row: int = 0
    note: str = ""

    @property
    def name(self) -> str:
        """Return the reading in words: ``tape A to F12:S4P``."""
        if self.start:
            return f"{self.kind} {self.start} to {self.end}"
        return f"{self.kind} of {self.end}"


@dataclass(frozen=True, eq=False, kw_only=True)
class Network:
    """Points and readings, ready to be solved.

    A linear reading is ``coefficient . (end - start)``, a tape ``|end - start|``;
    `start` is -1 where the reading starts from the datum.

    Parameters
    ----------
    points : tuple of str, length n
    fixed : ndarray of bool, shape (n,)
    row : ndarray of int, shape (n,)
        First row that names the point.
    given : ndarray, shape (n, d)
        Position of the fixed points, NaN for the others.
    near : ndarray, shape (n, d)
        Approximate positions, NaN where none was given.
    ties : tuple of Tie, length m
        Where each reading comes from.
    tape : ndarray of bool, shape (m,)
    start, end : ndarray of int, shape (m,)
    coefficient : ndarray, shape (m, d)
    value, sigma : ndarray, shape (m,)
    """

    axes: tuple[str, ...]
    points: tuple[str, ...]
    fixed: np.ndarray
    row: np.ndarray
    given: Array
    near: Array
    ties: tuple[Tie, ...]
    tape: np.ndarray
    start: np.ndarray
    end: np.ndarray
    coefficient: Array
    value: Array
    sigma: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def columns(self) -> np.ndarray:
        """Return which of the n·d coordinates are unknown, shape (n·d,) of bool."""
        return np.repeat(~self.fixed, len(self.axes))


def build_network(ties: Sequence[Tie], *, axes: Sequence[str] = AXES) -> Network:
    """Return the equations of `ties` in the named axes.

    Parameters
    ----------
    ties : sequence of Tie
    axes : sequence of str
        ("wl",) is a level net, two axes a section or plan.

    Raises
    ------
    LoftError
        A reading along an axis that is not there, a point placed twice, a sigma that
        is not positive, or no reading at all.

    Examples
    --------
    >>> ties = [Tie(kind="control", end="A", place=(100.0,)),
    ...         Tie(kind="height", start="A", end="B", value=20.0, sigma=1.0)]
    >>> build_network(ties, axes=("wl",)).points
    ('A', 'B')
    """
    axes = tuple(axes)
    _check(ties, axes)
    first: dict[str, int] = {}
    for tie in ties:
        for name in (tie.start, tie.end):
            if name:
                first.setdefault(name, tie.row)
    names = list(first)
    index = {name: number for number, name in enumerate(names)}
    given = np.full((len(names), len(axes)), NAN)
    near = given.copy()
    rows: list[tuple[Tie, int, int, Array, float]] = []
    for tie in ties:
        if tie.kind == "approx":
            near[index[tie.end]] = tie.place
        elif tie.kind == "control" and tie.sigma == 0.0:
            given[index[tie.end]] = tie.place
        else:
            rows += _equations(tie, axes, index)
    return Network(
        axes=axes,
        points=tuple(names),
        fixed=np.isfinite(given).all(axis=1),
        row=np.array([first[name] for name in names], dtype=np.int64),
        given=given,
        near=near,
        ties=tuple(row[0] for row in rows),
        tape=np.array([row[0].kind == "tape" for row in rows], dtype=bool),
        start=np.array([row[1] for row in rows], dtype=np.int64),
        end=np.array([row[2] for row in rows], dtype=np.int64),
        coefficient=np.array([row[3] for row in rows]).reshape(len(rows), len(axes)),
        value=np.array([row[4] for row in rows], dtype=np.float64),
        sigma=np.array([row[0].sigma for row in rows], dtype=np.float64),
    )


def split_network(net: Network) -> list[tuple[np.ndarray, np.ndarray]]:
    """Return (points, readings) of every part that can be solved by itself.

    Fixed points tie nothing together; a reading between fixed points alone goes with the
    first part.

    Examples
    --------
    >>> ties = [Tie(kind="control", end="A", place=(0.0,)),
    ...         Tie(kind="height", start="A", end="B", value=20.0, sigma=1.0),
    ...         Tie(kind="height", start="A", end="C", value=30.0, sigma=1.0)]
    >>> [part[0].tolist() for part in split_network(build_network(ties, axes=("wl",)))]
    [[0, 1], [0, 2]]
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    free = ~net.fixed
    link = (net.start >= 0) & free[net.end] & free[net.start]
    count = len(net.points)
    edges = (np.ones(int(link.sum())), (net.start[link], net.end[link]))
    _, label = connected_components(coo_array(edges, shape=(count, count)), directed=False)
    own = np.where(free[net.end], net.end, np.maximum(net.start, 0))
    loose = np.flatnonzero(free)
    names = list(dict.fromkeys(label[loose].tolist())) or [-1]
    home = np.where(free[own], label[own], names[0])
    parts = []
    for name in names:
        readings = np.flatnonzero(home == name)
        ends = np.concatenate([net.start[readings], net.end[readings], loose[label[loose] == name]])
        points = np.unique(ends[ends >= 0])
        parts.append((points, readings))
    return parts


def part_of(net: Network, points: np.ndarray, readings: np.ndarray) -> Network:
    """Return the network of some points and readings alone.

    Examples
    --------
    >>> net, place = example_network()
    >>> part_of(net, np.array([0, 3]), np.array([0])).points
    ('A', 'P')
    """
    place = np.full(len(net.points) + 1, -1)  # the last stands for the datum, -1
    place[points] = np.arange(len(points))
    return Network(
        axes=net.axes,
        points=tuple(net.points[k] for k in points),
        fixed=net.fixed[points],
        row=net.row[points],
        given=net.given[points],
        near=net.near[points],
        ties=tuple(net.ties[k] for k in readings),
        tape=net.tape[readings],
        start=place[net.start[readings]],
        end=place[net.end[readings]],
        coefficient=net.coefficient[readings],
        value=net.value[readings],
        sigma=net.sigma[readings],
    )


def _equations(
    tie: Tie, axes: tuple[str, ...], index: Mapping[str, int]
) -> list[tuple[Tie, int, int, Array, float]]:
    """Return the equations of one reading: (tie, start, end, coefficient, value)."""
    unit = np.eye(len(axes))
    end, start = index[tie.end], index.get(tie.start, -1)
    if tie.kind == "control":
        return [
            (replace(tie, kind=axis, value=value, text="", note="control"), -1, end, unit[k], value)
            for k, (axis, value) in enumerate(zip(axes, tie.place, strict=True))
        ]
    if tie.kind == "tape":
        return [(tie, start, end, np.zeros(len(axes)), tie.value)]
    if tie.kind == "plane":
        return [(tie, -1, end, np.array(tie.place), tie.value)]
    axis = "wl" if tie.kind == "height" else tie.kind
    return [(tie, start, end, unit[axes.index(axis)], tie.value)]


def _check(ties: Sequence[Tie], axes: tuple[str, ...]) -> None:
    """Refuse what cannot be put into equations."""
    faults: list[Finding] = []
    seen: dict[tuple[str, str], Tie] = {}
    for tie in ties:
        text = ""
        if tie.kind in ("control", "approx"):
            first = seen.setdefault((tie.kind, tie.end), tie)
            if first is not tie:
                text = f"{tie.kind} point {tie.end} found twice (first in row {first.row})"
            elif len(tie.place) != len(axes):
                text = f"{len(tie.place)} coordinates found, {len(axes)} wanted: {' '.join(axes)}"
        elif ("wl" if tie.kind == "height" else tie.kind) not in (*axes, "tape", "plane"):
            text = f"kind {tie.kind} found, there is no such axis in {' '.join(axes)}"
        if not text and tie.kind != "approx" and not _good_sigma(tie):
            text = f"sigma {tie.sigma:g} of {tie.name} found, more than 0 wanted"
        if text:
            faults.append(Finding(file=tie.file, row=tie.row, text=text))
    if not any(tie.kind not in ("control", "approx") or tie.sigma > 0 for tie in ties):
        faults.append(Finding(text="no reading found, a tape or a plumbed coordinate wanted"))
    if faults:
        raise LoftError(faults)


def _good_sigma(tie: Tie) -> bool:
    """Return whether the sigma is positive, or 0 for a fixed point."""
    return bool(np.isfinite(tie.sigma)) and (
        tie.sigma > 0 or (tie.kind == "control" and tie.sigma == 0)
    )


def example_network() -> tuple[Network, Array]:
    """Return the network of the examples: tapes from A, B and C to P, and the four places.

    Examples
    --------
    >>> net, place = example_network()
    >>> net.value.tolist(), place[3].tolist()
    ([500.0, 500.0, 600.0], [400.0, 300.0])
    """
    marks = {"A": (0.0, 0.0), "B": (800.0, 0.0), "C": (400.0, 900.0)}
    ties = [Tie(kind="control", end=name, place=place) for name, place in marks.items()]
    ties += [
        Tie(kind="tape", start=name, end="P", value=value, sigma=1.0)
        for name, value in (("A", 500.0), ("B", 500.0), ("C", 600.0))
    ]
    return build_network(ties, axes=("bl", "wl")), np.array([*marks.values(), (400.0, 300.0)])


def computed(net: Network, position: Array) -> Array:
    """Return every reading as it follows from the positions, shape (m,).

    Examples
    --------
    >>> net, place = example_network()
    >>> computed(net, place).tolist()
    [500.0, 500.0, 600.0]
    """
    step = _steps(net, position)
    return np.where(net.tape, np.linalg.norm(step, axis=1), np.sum(net.coefficient * step, axis=1))


def _steps(net: Network, position: Array) -> Array:
    """Return end less start of every reading, shape (m, d)."""
    origin = np.where((net.start >= 0)[:, None], position[net.start], 0.0)
    return position[net.end] - origin


def jacobian(net: Network, position: Array) -> Array:
    """Return the derivatives of the readings to the unknown coordinates, shape (m, u).

    Examples
    --------
    >>> net, place = example_network()
    >>> jacobian(net, place).tolist()
    [[0.8, 0.6], [-0.8, 0.6], [0.0, -1.0]]
    """
    step = _steps(net, position)
    length = np.linalg.norm(step, axis=1)
    unit = step / np.where(length > 0, length, 1.0)[:, None]
    row = np.where(net.tape[:, None], unit, net.coefficient)
    count, size = len(net.value), len(net.axes)
    full = np.zeros((count, len(net.points), size))
    every = np.arange(count)
    full[every, net.end] += row
    from_point = net.start >= 0
    full[every[from_point], net.start[from_point]] -= row[from_point]
    return full.reshape(count, -1)[:, net.columns]


def settle(net: Network, position: Array, *, used: np.ndarray, bend: float = np.inf) -> Array:
    """Return the least-squares positions reached from `position`, shape (n, d).

    A damped Gauss-Newton descent: it goes downhill only, so it stays on the side of a
    control plane on which it was started. Readings whose residual exceeds `bend`
    standard deviations count by their size, not their square (inf: plain squares).

    Examples
    --------
    >>> net, place = example_network()
    >>> used = np.ones(3, dtype=bool)
    >>> place[3] = 350.0, 200.0
    >>> settle(net, place, used=used)[3].round(6).tolist()
    [400.0, 300.0]
    """
    position = np.array(position, dtype=np.float64)
    enough = 1e-15 if bend == np.inf else 1e-4  # bent residuals only serve the search
    damping, cost = 1e-6, cost_of(net, position, used, bend)
    for _ in range(200):
        residual = (net.value - computed(net, position)) / net.sigma
        weight = used * np.minimum(1.0, bend / np.maximum(np.abs(residual), 1e-300)) ** 0.5
        scaled = jacobian(net, position) * (weight / net.sigma)[:, None]
        normal, right = scaled.T @ scaled, scaled.T @ (weight * residual)
        diagonal = np.diag(normal).copy()
        diagonal[diagonal == 0] = 1.0
        moved = cost
        while damping < 1e12:
            step = np.linalg.solve(normal + np.diag(damping * diagonal), right)
            trial = position.copy()
            trial.reshape(-1)[net.columns] += step
            moved = cost_of(net, trial, used, bend)
            if moved <= cost:
                break
            damping *= 10.0
        else:
            return position
        position, gain, cost = trial, cost - moved, moved
        damping = max(damping / 10.0, 1e-12)
        if np.abs(step).max(initial=0.0) < 1e-9 * max(1.0, _size(net, position)) / 100:
            break
        if gain <= enough * cost and (bend < np.inf or np.abs(step).max(initial=0.0) < 1e-6):
            break
    return position


def _size(net: Network, position: Array) -> float:
    """Return how far the points are spread, mm."""
    return float(np.ptp(position, axis=0).max())


def cost_of(net: Network, position: Array, used: np.ndarray, bend: float = np.inf) -> float:
    """Return the sum of squared standardised residuals, linear beyond `bend`.

    Examples
    --------
    >>> net, place = example_network()
    >>> used = np.ones(3, dtype=bool)
    >>> place[3] = 400.0, 299.0
    >>> round(cost_of(net, place, used), 2)
    1.72
    """
    residual = (net.value - computed(net, position)) / net.sigma
    return float(np.sum(bent(residual[used], bend)))


def bent(residual: Array, bend: float) -> Array:
    """Return squares of standardised residuals that grow linearly beyond `bend`.

    Examples
    --------
    >>> bent(np.array([1.0, 10.0]), 2.0).tolist()
    [1.0, 36.0]
    """
    size = np.abs(residual)
    if bend == np.inf:
        return np.asarray(size**2)
    return np.where(size > bend, bend * (2 * size - bend), size**2)


def lacking(net: Network, position: Array, *, used: np.ndarray) -> list[tuple[int, int]]:
    """Return (point, axis) of a smallest set of coordinates which, plumbed, would solve it.

    Empty where every point is held. The freedoms left are the null space of the
    equations; pivoting picks the coordinates that move most in them.

    Examples
    --------
    >>> net, place = example_network()
    >>> lacking(net, place, used=np.array([False, False, True]))
    [(3, 0)]
    """
    free = np.flatnonzero(net.columns)
    matrix = jacobian(net, position)[used]
    if not len(free):
        return []
    _, sizes, right = np.linalg.svd(matrix, full_matrices=True)
    rank = int(np.sum(sizes > 1e-7))
    if rank == len(free):
        return []
    _, _, pivot = scipy.linalg.qr(right[rank:], pivoting=True)
    chosen = sorted(free[pivot[: len(free) - rank]])
    return [divmod(int(column), len(net.axes)) for column in chosen]


def loose_points(net: Network, position: Array, *, used: np.ndarray) -> list[int]:
    """Return the points that the readings leave free to move.

    Examples
    --------
    >>> net, place = example_network()
    >>> loose_points(net, place, used=np.array([False, False, True]))
    [3]
    """
    free = np.flatnonzero(net.columns)
    _, sizes, right = np.linalg.svd(jacobian(net, position)[used], full_matrices=True)
    null = right[int(np.sum(sizes > 1e-7)) :]
    moving = np.abs(null).max(axis=0, initial=0.0) > 1e-6
    return sorted({int(column) // len(net.axes) for column in free[moving]})
