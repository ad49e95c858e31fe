"""The construction of a section as it is set out on the board.

Centres, radii, tangent points and centre lines of every arc, as plain strokes in the
frame's plane: for a layer of a DXF, and on a sheet of its own (`sheet`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from loft.drawing.chain import Chain, walk
from loft.job.errors import LoftError
from loft.job.records import Array

OUTLINE, AXES, RADII, POINTS, LETTERING = (
    "OUTLINE",
    "CENTRE LINES",
    "RADII",
    "TANGENT POINTS",
    "LETTERING",
)
LAYERS = (OUTLINE, AXES, RADII, POINTS, LETTERING)


@dataclass(frozen=True, kw_only=True)
class Stroke:
    """One line, arc, circle or piece of lettering, in (bl, height), mm.

    Parameters
    ----------
    kind : str
        "line", "arc", "circle" or "text".
    layer : str
        One of `LAYERS`.
    start, end : tuple of float
        Ends of a line; `start` alone is the place of lettering.
    centre : tuple of float
    radius : float
        Of an arc or circle, mm.
    angles : tuple of float
        Start and end of an arc, degrees anticlockwise from the bl axis.
    text : str
        The lettering; of a radius that is broken off, where it goes.
    """

    kind: str
    layer: str
    start: tuple[float, float] = (0.0, 0.0)
    end: tuple[float, float] = (0.0, 0.0)
    centre: tuple[float, float] = (0.0, 0.0)
    radius: float = 0.0
    angles: tuple[float, float] = (0.0, 0.0)
    text: str = ""


@dataclass(frozen=True, kw_only=True)
class Mark:
    """A point with a name: a centre O1, O2 ... or a tangent point T1, T2 ...

    `shown` is False where it lies off the sheet.
    """

    name: str
    bl: float
    height: float
    shown: bool = True


@dataclass(frozen=True, eq=False, kw_only=True)
class Construction:
    """A section set out.

    Parameters
    ----------
    strokes : tuple of Stroke
    centres : tuple of Mark
        One for every arc, in order; a straight has none (name "").
    tangents : tuple of Mark
        From the crown (T0) to the keel.
    middles : ndarray, shape (n, 4)
        Middle of every element and its outward normal: bl, height, normal.
    chain : Chain
    names : tuple of str
    words : tuple of str
        Radius of every element as it is lettered.
    """

    strokes: tuple[Stroke, ...]
    centres: tuple[Mark, ...]
    tangents: tuple[Mark, ...]
    middles: Array = field(repr=False)
    chain: Chain
    names: tuple[str, ...]
    words: tuple[str, ...]


def construct(chain: Chain, names: Sequence[str], words: Sequence[str] = ()) -> Construction:
    """Set a section out from its chain.

    Parameters
    ----------
    chain : Chain
    names : sequence of str
        Of its arcs and straights, from the crown.
    words : sequence of str
        Lettering of every element; its radius where not given.

    Raises
    ------
    LoftError
        Names that do not match the chain.

    Examples
    --------
    >>> from loft.drawing.chain import strike
    >>> plan = construct(strike(600.0, [620.0, 300.0], [1.0, 2.0]), ["crown", "side", "bottom"])
    >>> [mark.name for mark in plan.centres], plan.words[0]
    (['O1', 'O2', 'O3'], 'R 620.0')
    """
    if len(names) != len(chain):
        raise LoftError(f"{len(names)} names found for {len(chain)} arcs and straights")
    radius = chain.radius
    default = [radius_letters(one) for one in radius]
    reach = 1.3 * max(float(np.abs(chain.knot[:, 0]).max()), 0.5 * (chain.crown - chain.keel))
    middle = 0.5 * (chain.crown + chain.keel)
    centres = []
    for index, (bl, height) in enumerate(chain.centre):
        straight = np.isinf(radius[index])
        shown = not straight and abs(bl) < reach and abs(height - middle) < 1.3 * reach
        name = "" if straight else f"O{index + 1}"
        centres.append(Mark(name=name, bl=float(bl), height=float(height), shown=bool(shown)))
    tangents = tuple(
        Mark(name=f"T{index}", bl=float(bl) + 0.0, height=float(height))
        for index, (bl, height) in enumerate(chain.knot)
    )
    start = np.concatenate([[0.0], np.cumsum(chain.length)])
    points, normals, _, _ = walk(chain, 0.5 * (start[1:] + start[:-1]))
    return Construction(
        strokes=(
            *_outline(chain),
            *_axes(chain, reach),
            *_radii(chain, centres),
            *_points(chain, centres),
        ),
        centres=tuple(centres),
        tangents=tangents,
        middles=np.concatenate([points, normals], axis=1),
        chain=chain,
        names=tuple(names),
        words=tuple(words) or tuple(default),
    )


def radius_letters(radius: float) -> str:
    """Return how a radius is lettered.

    Examples
    --------
    >>> radius_letters(2200.0), radius_letters(-900.0), radius_letters(np.inf)
    ('R 2,200.0', 'R 900.0 hollow', 'straight')
    """
    if np.isinf(radius):
        return "straight"
    return f"R {abs(radius):,.1f}" + (" hollow" if radius < 0 else "")


def _outline(chain: Chain) -> list[Stroke]:
    """Return both halves of the outline as arcs and lines."""
    out = []
    for index, bend in enumerate(chain.curvature):
        for side in (1.0, -1.0):
            if np.isinf(chain.radius[index]):
                start, end = chain.knot[index], chain.knot[index + 1]
                out.append(
                    Stroke(
                        kind="line",
                        layer=OUTLINE,
                        start=(side * float(start[0]), float(start[1])),
                        end=(side * float(end[0]), float(end[1])),
                    )
                )
                continue
            bl, height = chain.centre[index]
            # from up and clockwise, to from the bl axis and anticlockwise
            turned = 90.0 - np.rad2deg(chain.turn[[index + 1, index]])
            if bend < 0:
                turned = turned[::-1] + 180.0
            if side < 0:
                turned = 180.0 - turned[::-1]
            out.append(
                Stroke(
                    kind="arc",
                    layer=OUTLINE,
                    centre=(side * float(bl) + 0.0, float(height)),
                    radius=abs(1.0 / float(bend)),
                    angles=(float(turned[0]), float(turned[1])),
                )
            )
    return out


def _axes(chain: Chain, reach: float) -> list[Stroke]:
    """Return the centreline and the level of the greatest half-breadth."""
    over = 0.06 * reach
    widest = int(np.argmax(chain.knot[:, 0]))
    level, out = float(chain.knot[widest, 1]), float(chain.knot[widest, 0])
    for index in range(len(chain)):
        if chain.turn[index] <= np.pi / 2 <= chain.turn[index + 1] and chain.curvature[index] > 0:
            level, out = (
                float(chain.centre[index, 1]),
                float(chain.centre[index, 0] + chain.radius[index]),
            )
    return [
        Stroke(
            kind="line", layer=AXES, start=(0.0, chain.crown + over), end=(0.0, chain.keel - over)
        ),
        Stroke(kind="line", layer=AXES, start=(-out - over, level), end=(out + over, level)),
    ]


def _radii(chain: Chain, centres: list[Mark]) -> list[Stroke]:
    """Return the radii to the tangent points; those to a far centre are broken off."""
    out = []
    for index, centre in enumerate(centres):
        if not centre.name:
            continue
        for at in (index, index + 1):
            bl, height = (float(one) for one in chain.knot[at])
            goal = np.array([centre.bl, centre.height])
            if not centre.shown:
                way = goal - [bl, height]
                goal = [bl, height] + way / np.hypot(*way) * 0.3 * abs(chain.crown - chain.keel)
            out.append(
                Stroke(
                    kind="line",
                    layer=RADII,
                    start=(bl, height),
                    end=(float(goal[0]), float(goal[1])),
                    text="" if centre.shown else f"to {centre.name}",
                )
            )
    return out


def _points(chain: Chain, centres: list[Mark]) -> list[Stroke]:
    """Return small circles at tangent points and crosses at centres."""
    size = 0.006 * abs(chain.crown - chain.keel)
    out = [
        Stroke(kind="circle", layer=POINTS, centre=(float(bl), float(height)), radius=size)
        for bl, height in chain.knot[1:-1]
    ]
    for mark in centres:
        if mark.shown and mark.name:
            for across, up in ((1.6 * size, 0.0), (0.0, 1.6 * size)):
                out.append(
                    Stroke(
                        kind="line",
                        layer=POINTS,
                        start=(mark.bl - across, mark.height - up),
                        end=(mark.bl + across, mark.height + up),
                    )
                )
    return out


def lettered(plan: Construction) -> list[Stroke]:
    """Return the lettering as strokes for a DXF layer: names of points, radii.

    Examples
    --------
    >>> from loft.drawing.chain import strike
    >>> plan = construct(strike(600.0, [620.0, 300.0], [1.0, 2.0]), ["crown", "side", "bottom"])
    >>> [stroke.text for stroke in lettered(plan)][:2]
    ['crown R 620.0', 'side R 300.0']
    """
    away = 0.03 * abs(plan.chain.crown - plan.chain.keel)
    out = [
        Stroke(
            kind="text",
            layer=LETTERING,
            start=(float(bl + away * out_bl), float(height + away * out_height)),
            text=f"{name} {words}",
        )
        for (bl, height, out_bl, out_height), name, words in zip(
            plan.middles, plan.names, plan.words, strict=True
        )
    ]
    marks = [*plan.tangents[1:-1], *(mark for mark in plan.centres if mark.shown and mark.name)]
    for mark in marks:
        place = (mark.bl + 0.4 * away, mark.height + 0.4 * away)
        out.append(Stroke(kind="text", layer=LETTERING, start=place, text=mark.name))
    return out
