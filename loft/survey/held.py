"""Whether the readings hold every point, and on which side: refused in words if not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from loft.job.errors import Finding, LoftError
from loft.job.records import Array
from loft.survey.mirrors import Mirror, mirrored
from loft.survey.network import Network, lacking, loose_points
from loft.survey.quality import DETECT, cofactors, error_ellipse, quality_of


def scatter(net: Network) -> Array:
    """Return positions in general place, for what the readings can hold at all.

    Examples
    --------
    >>> from loft.survey.network import example_network
    >>> net, place = example_network()
    >>> scatter(net)[:2].tolist()
    [[0.0, 0.0], [800.0, 0.0]]
    """
    spread = max(1.0, float(np.abs(net.value).max(initial=1.0)))
    rng = np.random.default_rng(14)
    anywhere = spread * rng.uniform(-1.0, 1.0, net.given.shape)
    return np.where(np.isfinite(net.given), net.given, anywhere)


def refuse_loose(net: Network, position: Array, *, used: np.ndarray) -> None:
    """Refuse points that the readings leave free, each with the reading it lacks.

    Examples
    --------
    >>> from loft.survey.network import example_network
    >>> net, place = example_network()
    >>> try:
    ...     refuse_loose(net, place, used=np.array([False, False, True]))
    ... except LoftError as refusal:
    ...     print(str(refusal)[:43])
    point P cannot be solved from 3 tapes; read
    """
    wanted = lacking(net, position, used=used)
    if not wanted:
        return
    loose = loose_points(net, position, used=used)
    by_point: dict[int, list[str]] = {}
    for point, axis in wanted:
        by_point.setdefault(point, []).append(net.axes[axis])
    faults = []
    for point, missing in by_point.items():
        faults.append(
            Finding(
                file=net.ties[0].file,
                row=int(net.row[point]),
                text=f"point {net.points[point]} cannot be solved from {_holdings(net, point)}; "
                f"read its {' and '.join(missing)}, or tape it to "
                f"{'another point' if len(missing) == 1 else f'{len(missing)} more points'} "
                "that is held, not in line with the rest",
            )
        )
    others = [net.points[k] for k in loose if k not in by_point]
    if others:
        text = f"these points hang on them and are solved with them: {', '.join(others)}"
        faults.append(Finding(text=text, severity="note"))
    raise LoftError(faults)


def _holdings(net: Network, point: int) -> str:
    """Return in words what holds a point: ``2 tapes and 1 wl``."""
    name = net.points[point]
    kinds = [tie.kind for tie in net.ties if name in (tie.start, tie.end)]
    count = {kind: kinds.count(kind) for kind in dict.fromkeys(kinds)}
    words = [f"{n} {kind}{'s' if kind == 'tape' and n > 1 else ''}" for kind, n in count.items()]
    return " and ".join(words) or "no reading at all"


def refuse_weak(net: Network, position: Array, *, used: np.ndarray) -> None:
    """Refuse points whose tapes lie so flat that the equations are not straight there.

    A tape of length L and sigma s says nothing about a movement across it of less than
    about the root of L s: both sides of the tape's arc run together there.

    Examples
    --------
    >>> from loft.survey.network import example_network
    >>> net, place = example_network()
    >>> used = np.ones(3, dtype=bool)
    >>> refuse_weak(net, place, used=used)  # held well: nothing is said
    """
    spread = cofactors(net, quality_of(net, position, used=used).inverse)
    faults = []
    for point in np.flatnonzero(~net.fixed):
        mine = used & net.tape & ((net.end == point) | (net.start == point))
        if not mine.any():
            continue
        semi_axes, directions = error_ellipse(spread[point])
        limit = float(np.sqrt(net.value[mine].max() * net.sigma[mine].min()))
        if semi_axes[0] <= limit:
            continue
        axis = net.axes[int(np.abs(directions[0]).argmax())]
        faults.append(
            Finding(
                file=net.ties[0].file,
                row=int(net.row[point]),
                text=f"point {net.points[point]} is held too weakly: {semi_axes[0]:.0f} mm "
                f"along {axis}, where its tapes run almost square to that; read its {axis}",
            )
        )
    if faults:
        raise LoftError(faults)


def choose_side(
    net: Network, position: Array, *, used: np.ndarray, sides: Mapping[str, str]
) -> tuple[Array, list[Finding]]:
    """Exclude mirrored solutions by approximate positions and labels, or refuse them.

    Examples
    --------
    >>> from loft.survey.network import example_network
    >>> net, place = example_network()
    >>> used = np.ones(3, dtype=bool)
    >>> choose_side(net, place, used=used, sides={})[1]
    []
    """
    notes: dict[str, Finding] = {}
    for _ in range(2 * len(net.points) + 1):
        faults: list[Finding] = []
        swapped = False
        for mirror in mirrored(net, position, used=used, allowed=DETECT**2):
            better, why = _judged(net, position, mirror, sides)
            if better is None:
                faults.append(_ambiguous(net, position, mirror, why))
                continue
            text = f"{_group(net, mirror)} fits on both sides; the side was taken from {why}"
            notes[text] = Finding(text=text, severity="note")
            if better is mirror:
                position, swapped = mirror.position, True
                break
        if not swapped:
            break
    if faults:
        raise LoftError(faults)
    return position, list(notes.values())


def _judged(
    net: Network, position: Array, mirror: Mirror, sides: Mapping[str, str]
) -> tuple[Mirror | str | None, str]:
    """Return the mirror, "here" or None (undecided), and what decided."""
    points = list(mirror.points)
    near = net.near[points]
    given = np.isfinite(near).all(axis=1)
    why = ""
    if given.any():
        here = float(np.linalg.norm(near[given] - position[points][given]))
        there = float(np.linalg.norm(near[given] - mirror.position[points][given]))
        if min(here, there) < 0.5 * max(here, there):
            return ("here" if here < there else mirror), "the approximate position"
        why = "; the approximate position lies between both"
    wrong_here = wrong_sides(net, position, points, sides)
    wrong_there = wrong_sides(net, mirror.position, points, sides)
    if (wrong_here == 0) != (wrong_there == 0):
        return ("here" if wrong_here == 0 else mirror), "its label"
    return None, why


def wrong_sides(
    net: Network, position: Array, points: Sequence[int], sides: Mapping[str, str]
) -> int:
    """Return how many of the points stand on the side that their label forbids.

    `sides` is port or starboard by the name of the point.

    Examples
    --------
    >>> from loft.survey.network import example_network
    >>> net, place = example_network()
    >>> wrong_sides(net, place, [3], {"P": "port"})
    1
    """
    if "bl" not in net.axes:
        return 0
    bl = position[:, net.axes.index("bl")]
    sign = {"port": -1.0, "starboard": 1.0}
    return sum(bool(bl[k] * sign.get(sides.get(net.points[k], ""), 0.0) < 0) for k in points)


def _group(net: Network, mirror: Mirror) -> str:
    """Return the mirrored points in words."""
    names = [net.points[k] for k in mirror.points]
    more = f" and {len(names) - 4} more" if len(names) > 4 else ""
    told = f"{', '.join(names[:4])}{more}"
    if mirror.whole and len(names) > 1:
        return f"the network of {told}, reflected in the plane of its control points,"
    if mirror.whole:
        return f"point {told}, reflected in the plane of its control points,"
    return f"point {told}" if len(names) == 1 else f"the group of points {told}"


def _ambiguous(net: Network, position: Array, mirror: Mirror, why: str) -> Finding:
    """Return the refusal of a second solution, with the reading that would settle it."""
    apart = np.abs(mirror.position - position)
    point, axis = np.unravel_index(int(apart.argmax()), apart.shape)
    name = net.points[point]
    return Finding(
        file=net.ties[0].file,
        row=int(net.row[point]),
        text=f"{_group(net, mirror)} fits as well on the other side: {name} at "
        f"{place_words(net.axes, position[point])} or at "
        f"{place_words(net.axes, mirror.position[point])}{why}; "
        f"plumb its {net.axes[axis]}, or give an approx row for it",
    )


def place_words(axes: Sequence[str], place: Array) -> str:
    """Return a position in words.

    Examples
    --------
    >>> place_words(("bl", "wl"), np.array([-612.0, 900.04]))
    'bl -612.0, wl 900.0'
    """
    return ", ".join(
        f"{axis} {round(float(value), 1) + 0.0:.1f}"
        for axis, value in zip(axes, place, strict=True)
    )
