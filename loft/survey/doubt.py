"""Points whose readings would agree in another place as well."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from loft.job.records import Array
from loft.survey.consensus import possible_places
from loft.survey.held import place_words, wrong_sides
from loft.survey.network import Network
from loft.survey.quality import CRITICAL, DETECT, cofactors, quality_of


@dataclass(frozen=True, kw_only=True)
class Doubt:
    """A point that may stand `reach` mm off, and why."""

    point: int
    reach: float
    text: str


def doubtful(
    net: Network, position: Array, *, used: np.ndarray, sides: Mapping[str, str]
) -> list[Doubt]:
    """Return points with a second place, on which as many of their readings agree.

    Only points with a rejected reading are looked at. Places on the side that the label
    forbids, much farther from the approximate position, or within the point's own
    uncertainty (4.13 standard deviations) do not count. A point with a rejected reading
    that is taped to a doubtful one is as doubtful.

    Examples
    --------
    >>> from loft.survey.network import example_network
    >>> net, place = example_network()
    >>> used = np.ones(3, dtype=bool)
    >>> doubtful(net, place, used=used, sides={})
    []
    """
    touched = set(net.end[~used].tolist()) | set(net.start[~used].tolist())
    touched -= {-1, *np.flatnonzero(net.fixed).tolist()}
    found: dict[int, Doubt] = {}
    if not touched:
        return []
    spread = cofactors(net, quality_of(net, position, used=used).inverse)
    for point in sorted(touched):
        place = _second_place(net, position, point, spread=spread[point], sides=sides)
        if place is None:
            continue
        reach = float(np.linalg.norm(place - position[point]))
        text = (
            f"point {net.points[point]}: its readings agree as well at "
            f"{place_words(net.axes, place)}, {reach:.1f} mm off, with others of them left "
            "out; not to be trusted until one more reading tells"
        )
        found[point] = Doubt(point=point, reach=reach, text=text)
    for point in sorted(touched - set(found)):
        if doubt := _hung_on(net, point, found):
            found[point] = doubt
    return [found[point] for point in sorted(found)]


def _second_place(
    net: Network, position: Array, point: int, *, spread: Array, sides: Mapping[str, str]
) -> Array | None:
    """Return the best other place of a point that costs less than one more rejection."""
    places, cost = possible_places(net, position, point)
    here = int(np.argmin(np.linalg.norm(places - position[point], axis=1)))
    for place, price in zip(places, cost, strict=True):
        gap = place - position[point]
        if price > cost[here] + 0.9 * CRITICAL**2:
            continue
        if gap @ np.linalg.solve(spread, gap) < DETECT**2:
            continue
        trial = position.copy()
        trial[point] = place
        off = np.linalg.norm(net.near[point] - place)
        if off > 2.0 * np.linalg.norm(net.near[point] - position[point]):
            continue
        if not wrong_sides(net, trial, [point], sides):
            return place
    return None


def _hung_on(net: Network, point: int, found: Mapping[int, Doubt]) -> Doubt | None:
    """Return the doubt that a point takes over from a doubtful one it is taped to."""
    mine = net.tape & ((net.end == point) | (net.start == point))
    others = np.where(net.end[mine] == point, net.start[mine], net.end[mine])
    near = [found[k] for k in others.tolist() if k in found]
    if not near:
        return None
    worst = max(near, key=lambda doubt: doubt.reach)
    text = (
        f"point {net.points[point]}: readings of its own were left out, and it is taped to "
        f"{net.points[worst.point]}, which may stand {worst.reach:.1f} mm off; not to be "
        "trusted either"
    )
    return Doubt(point=point, reach=worst.reach, text=text)
