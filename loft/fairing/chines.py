"""Marked chines: which there are, where they run, and the readings taken on them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from loft.fairing.reference import Reference, smooth_series
from loft.job.errors import Finding, LoftError
from loft.job.records import Array, Line, Survey, freeze_arrays

HIGHEST = 4  # degree of a chine's first run along the body


@dataclass(frozen=True, eq=False, kw_only=True)
class Chines:
    """The chines' first angles along the stations, one column of `series` a chine.

    `pairs` and `centred` are those of `basis.choose_modes`. `mark` gives each survey
    reading the column of its chine, -1 for none; `mirror` is -1 where the reading
    stands for the chine's other side (symmetry exact).
    """

    lines: tuple[Line, ...]
    series: tuple[Array, ...]
    pairs: tuple[tuple[int, int], ...]
    centred: tuple[bool, ...]
    mark: NDArray[np.int64]
    middle: float
    half: float

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def theta(self, station: Array) -> Array:
        """Return the first angles, shape of station and (c,), radians."""
        u = (np.asarray(station, float) - self.middle) / self.half
        return np.stack([legendre.legval(u, part) for part in self.series], -1)

    def turn(self, station: Array) -> Array:
        """Return d theta/d station, radians per mm."""
        u = (np.asarray(station, float) - self.middle) / self.half
        rate = [legendre.legval(u, legendre.legder(part)) / self.half for part in self.series]
        return np.stack(rate, -1)


def find_chines(
    survey: Survey, wanted: NDArray[np.bool_], reference: Reference, symmetry: str
) -> Chines | None:
    """Return the marked chines with a first smooth run of each, None where there are none.

    Raises
    ------
    LoftError
        A chine off the centreline was read at fewer than two stations.
    """
    marked = [line for line in survey.lines if line.chine or line.kind == "chine"]
    if not marked:
        return None
    y = (survey.bl - reference.at(survey.station)[0]) / reference.at(survey.station)[2]
    z = (survey.wl - reference.at(survey.station)[1]) / reference.at(survey.station)[3]
    theta = np.arctan2(y, z)
    u = (survey.station - reference.middle) / reference.half
    mark = np.full(len(survey), -1)
    lines: list[Line] = []
    series: list[Array] = []
    faults: list[str] = []
    for line in marked:
        mine = (survey.line == line.name) & wanted
        centre = {"crown": 0.0, "keel": np.pi}.get(line.kind)
        if centre is not None and symmetry != "off":
            found = np.array([centre])
        else:
            known = mine | (_partner(line, marked, survey) & wanted)
            turn = np.where(survey.line == line.name, theta, -theta)
            if symmetry == "off" or centre is not None:
                known, turn = mine, theta
            if len(np.unique(np.round(survey.station[known], 1))) < 2:
                faults.append(line.name)
                continue
            base = _middle_angle(turn[known])
            turned = np.angle(np.exp(1j * (turn[known] - base)))
            found = smooth_series(u[known], turned, HIGHEST)[0]
            found[0] += base
        mark[mine] = len(lines)
        lines.append(line)
        series.append(found)
    if faults:
        raise LoftError(
            [
                Finding(
                    text=f"chine {name} is marked but was read at fewer than two stations; "
                    "label readings on it at two frames or more, or take the mark off"
                )
                for name in faults
            ]
        )
    if symmetry == "exact":
        lines, series = _with_mirrors(lines, series)
    pairs, centred = _pair(series, lines)
    return Chines(
        lines=tuple(lines),
        series=tuple(series),
        pairs=pairs,
        centred=centred,
        mark=mark,
        middle=reference.middle,
        half=reference.half,
    )


def _partner(line: Line, marked: Sequence[Line], survey: Survey) -> NDArray[np.bool_]:
    """Mark the readings of the chine that mirrors a line: the other side's letter in its name."""
    other = {"P": "S", "S": "P"}.get(line.name[-1:], "")
    name = line.name[:-1] + other
    if not other or all(name != item.name for item in marked):
        return np.zeros(len(survey), bool)
    return survey.line == name


def _middle_angle(theta: Array) -> float:
    first = float(np.angle(np.mean(np.exp(1j * theta))))
    return first + float(np.median(np.angle(np.exp(1j * (theta - first)))))


def _with_mirrors(lines: list[Line], series: list[Array]) -> tuple[list[Line], list[Array]]:
    """Give every chine off the centreline its mirror, where only one side was read."""
    out, runs = list(lines), list(series)
    for line, run in zip(lines, series, strict=True):
        if line.kind in ("crown", "keel"):
            continue
        other = {"port": "starboard", "starboard": "port"}[line.side]
        swapped = line.name[:-1] + other[0].upper() if line.name[-1] in "PS" else line.name + "'"
        if all(abs(r[0] + run[0]) > 0.2 for r in runs):
            out.append(Line(name=swapped, kind="chine", side=other, chine=True))
            runs.append(-run)
    return out, runs


def _pair(
    series: Sequence[Array], lines: Sequence[Line]
) -> tuple[tuple[tuple[int, int], ...], tuple[bool, ...]]:
    pairs: list[tuple[int, int]] = []
    centred: list[bool] = []
    taken: set[int] = set()
    for i, run in enumerate(series):
        if i in taken:
            continue
        middle = lines[i].kind in ("crown", "keel")
        other = -1
        for j in range(i + 1, len(series)):
            if not middle and j not in taken and abs(series[j][0] + run[0]) < 0.2:
                other = j
                taken.add(j)
                break
        pairs.append((i, other))
        centred.append(middle)
    return tuple(pairs), tuple(centred)
