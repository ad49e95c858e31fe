"""A flat drawing at full size in layers: strokes, circles and lettering, before any file."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from loft.job.records import Array


@dataclass(frozen=True, kw_only=True)
class Layer:
    """How a layer is drawn. `colour` is an index of the DXF palette, `ink` the same in print."""

    name: str
    colour: int
    ink: str
    width: float  # mm
    dash: tuple[float, ...] = ()  # mm on, off, on, off ...


LAYERS = {
    layer.name: layer
    for layer in (
        Layer(name="GRID", colour=9, ink="#c3c8cd", width=0.13),
        Layer(name="DATUM", colour=8, ink="#5d666f", width=0.25, dash=(12.0, 2.0, 1.0, 2.0)),
        Layer(name="MOULD_LINE", colour=5, ink="#1f4e9e", width=0.25),
        Layer(name="FLANGE_LINE", colour=7, ink="#14181d", width=0.35),
        Layer(name="BEND_TANGENT", colour=3, ink="#1c7a3e", width=0.18, dash=(4.0, 1.5)),
        Layer(name="RIVET_LINE", colour=6, ink="#8a2d86", width=0.18, dash=(6.0, 1.5, 0.6, 1.5)),
        Layer(name="WEB_EDGE", colour=7, ink="#14181d", width=0.35),
        Layer(name="BLANK_EDGE", colour=1, ink="#b3300f", width=0.35),
        Layer(name="TRIM_LINE", colour=30, ink="#b3300f", width=0.18, dash=(3.0, 1.5)),
        Layer(name="CUT_OUT", colour=1, ink="#b3300f", width=0.35),
        Layer(name="STRINGER", colour=8, ink="#5d666f", width=0.18, dash=(12.0, 2.0, 1.0, 2.0)),
        Layer(name="SPLICE", colour=4, ink="#0b7285", width=0.35, dash=(8.0, 2.0, 2.0, 2.0)),
        Layer(name="PIN_HOLE", colour=1, ink="#b3300f", width=0.25),
        Layer(name="LIGHTENING_HOLE", colour=1, ink="#b3300f", width=0.35),
        Layer(name="SPLICE_RIVETS", colour=6, ink="#8a2d86", width=0.18),
        Layer(name="RELIEF_HOLE", colour=1, ink="#b3300f", width=0.25),
        Layer(name="BLOCK_TOP", colour=7, ink="#14181d", width=0.35),
        Layer(name="BLOCK_FOOT", colour=5, ink="#1f4e9e", width=0.25, dash=(4.0, 1.5)),
        Layer(name="SCRIBE", colour=3, ink="#1c7a3e", width=0.25),
        Layer(name="GRAIN", colour=8, ink="#5d666f", width=0.35),
        Layer(name="LETTERING", colour=7, ink="#14181d", width=0.18),
        Layer(name="MEASURE", colour=7, ink="#14181d", width=0.25),
    )
}
FAINT = ("GRID",)  # alone on a tile these are not worth a page


@dataclass(frozen=True, eq=False, kw_only=True)
class Stroke:
    """A line through points, shape (n, 2), mm, X to the right and Y up.

    A key shows the look of another layer without lying on it, so that nobody cuts it.
    """

    layer: str
    points: Array
    closed: bool = False
    look: str = ""  # the layer whose look it has; "" its own


@dataclass(frozen=True, kw_only=True)
class Circle:
    """A circle, mm."""

    layer: str
    centre: tuple[float, float]
    radius: float


@dataclass(frozen=True, kw_only=True)
class Words:
    """One row of lettering: `height` of a capital, mm; `turn` degrees anticlockwise."""

    layer: str
    place: tuple[float, float]
    text: str
    height: float
    turn: float = 0.0
    anchor: str = "start"  # start | middle | end


@dataclass(eq=False, kw_only=True)
class Drawing:
    """What is drawn. `title` and `subject` go into the file's own description."""

    title: str
    subject: str
    strokes: list[Stroke] = field(default_factory=list)
    circles: list[Circle] = field(default_factory=list)
    words: list[Words] = field(default_factory=list)

    def stroke(
        self, layer: str, points: ArrayLike, *, closed: bool = False, look: str = ""
    ) -> None:
        """Draw a line through points."""
        known = np.asarray(points, dtype=np.float64)
        if len(known) > 1 and np.isfinite(known).all():
            self.strokes.append(Stroke(layer=layer, points=known, closed=closed, look=look))

    def circle(self, layer: str, centre: Iterable[float], radius: float) -> None:
        """Draw a circle."""
        x, y = (float(value) for value in centre)
        self.circles.append(Circle(layer=layer, centre=(x, y), radius=float(radius)))

    def letter(
        self,
        place: Iterable[float],
        text: str,
        *,
        height: float = 3.5,
        layer: str = "LETTERING",
        turn: float = 0.0,
        anchor: str = "start",
    ) -> None:
        """Letter one row of text with its baseline at `place`."""
        x, y = (float(value) for value in place)
        self.words.append(
            Words(layer=layer, place=(x, y), text=text, height=height, turn=turn, anchor=anchor)
        )

    def rows(
        self,
        place: Iterable[float],
        texts: Iterable[str],
        *,
        height: float = 3.5,
        lead: float = 1.7,
    ) -> float:
        """Letter rows under one another; return the Y of the row that would follow."""
        x, y = (float(value) for value in place)
        for text in texts:
            self.letter((x, y), text, height=height)
            y -= lead * height
        return y

    def box(self) -> tuple[float, float, float, float]:
        """Return the least X, least Y, greatest X, greatest Y of all that is drawn."""
        low, high = np.full(2, np.inf), np.full(2, -np.inf)
        spans = [(s.points.min(axis=0), s.points.max(axis=0)) for s in self.strokes]
        spans += [
            (np.subtract(c.centre, c.radius), np.add(c.centre, c.radius)) for c in self.circles
        ]
        spans += [word_box(word) for word in self.words]
        for least, most in spans:
            low, high = np.minimum(low, least), np.maximum(high, most)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def word_box(word: Words) -> tuple[Array, Array]:
    """Return about what corner to corner a row of lettering fills.

    Examples
    --------
    >>> low, high = word_box(Words(layer="LETTERING", place=(0.0, 0.0), text="F14", height=5.0))
    >>> float(high[1] - low[1])
    6.5
    """
    wide = 0.78 * word.height * len(word.text)
    start = {"start": 0.0, "middle": -wide / 2, "end": -wide}[word.anchor]
    corners = np.array(
        [
            [start, -0.3 * word.height],
            [start + wide, -0.3 * word.height],
            [start + wide, word.height],
            [start, word.height],
        ]
    )
    turn = np.deg2rad(word.turn)
    spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    placed = corners @ spin + np.array(word.place)
    return placed.min(axis=0), placed.max(axis=0)


def broken(text: str, *, room: float, height: float) -> list[str]:
    """Return a text broken into rows that fit `room` mm at that height of a capital.

    Examples
    --------
    >>> broken("shape only, not approved data", room=40.0, height=3.0)
    ['shape only, not', 'approved data']
    """
    most = max(int(room / (0.78 * height)), 1)
    rows, row = [], ""
    for word in text.split():
        longer = f"{row} {word}".strip()
        if row and len(longer) > most:
            rows.append(row)
            row = word
        else:
            row = longer
    return [*rows, row] if row else rows
