"""A drawing sheet: SVG in millimetres, line widths of ISO 128-2, plain lettering."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np
from numpy.typing import ArrayLike

# ISO 128-2 (2020), line widths 0.13 0.18 0.25 0.35 0.5 0.7 (series step root two); from memory.
FINE, THIN, NARROW, MEDIUM, WIDE, HEAVY = 0.13, 0.18, 0.25, 0.35, 0.5, 0.7
INK, GREY, PALE, MARK = "#14181d", "#5d666f", "#c3c8cd", "#b3300f"
DASHED = "2.4 0.9"
CENTRE = "7 0.9 0.5 0.9"
LETTERING = "'Liberation Sans', Arial, Helvetica, sans-serif"
CAPITAL = 0.72  # height of a capital letter, share of the font size
WIDTH = 0.53  # mean width of a letter, share of the font size


def plain(value: float, places: int = 2) -> str:
    """Return a number as short text without trailing zeros.

    Examples
    --------
    >>> plain(12.50), plain(-0.001), plain(400.0, 0)
    ('12.5', '0', '400')
    """
    text = f"{value:.{places}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def signed(value: float, places: int = 1) -> str:
    """Return a number with its sign, a true minus; "unknown" where it is not known.

    Examples
    --------
    >>> signed(1.26), signed(-0.5), signed(0.0), signed(float("nan"))
    ('+1.3', '−0.5', '0.0', 'unknown')
    """
    if not np.isfinite(value):
        return "unknown"
    text = f"{value:+.{places}f}"
    return text[1:] if not text.strip("+-0.") else text.replace("-", "−")


def spread(wanted: ArrayLike, gap: float, low: float, high: float) -> np.ndarray:
    """Return places as near as may be to those wanted, `gap` apart, between `low` and `high`.

    The order is kept. Where there is no room for all, they share it evenly.

    Examples
    --------
    >>> spread([1.0, 1.2, 9.0], 2.0, 0.0, 10.0)
    array([0.1, 2.1, 9. ])
    """
    want = np.asarray(wanted, dtype=np.float64)
    if not len(want):
        return want
    gap = min(gap, (high - low) / max(len(want) - 1, 1))
    order = np.argsort(want, kind="stable")
    step = gap * np.arange(len(want))
    flat = want[order] - step
    # Pool neighbours that are out of order: least squares under a rising order.
    groups: list[list[float]] = []
    for value in flat:
        groups.append([value, 1.0])
        while len(groups) > 1 and groups[-2][0] > groups[-1][0]:
            mean, count = groups.pop()
            before, number = groups.pop()
            groups.append([(mean * count + before * number) / (count + number), count + number])
    placed = np.concatenate([np.full(int(count), mean) for mean, count in groups])
    placed = np.clip(placed, low, high - step[-1]) + step
    out = np.zeros(len(want))
    out[order] = placed
    return out


@dataclass
class Sheet:
    """An SVG under construction; the user unit is the millimetre, y down."""

    width: float
    height: float
    parts: list[str] = field(default_factory=list)

    def path(
        self,
        x: ArrayLike,
        y: ArrayLike,
        *,
        width: float = THIN,
        colour: str = INK,
        dash: str = "",
        fill: str = "none",
        closed: bool = False,
        opacity: float = 1.0,
    ) -> None:
        """Draw a polyline; a NaN lifts the pen."""
        x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
        known = np.isfinite(x) & np.isfinite(y)
        words, down = [], False
        for right, below, good in zip(x, y, known, strict=True):
            if good:
                words.append(f"{'L' if down else 'M'}{plain(right)} {plain(below)}")
            down = bool(good)
        if not words:
            return
        if closed:
            words.append("Z")
        style = f'fill="{fill}" stroke="{colour}" stroke-width="{width}"'
        if dash:
            style += f' stroke-dasharray="{dash}"'
        if opacity < 1:
            style += f' fill-opacity="{opacity}"'
        self.parts.append(f'<path d="{"".join(words)}" {style}/>')

    def line(
        self,
        start: Sequence[float],
        end: Sequence[float],
        *,
        width: float = THIN,
        colour: str = INK,
        dash: str = "",
    ) -> None:
        """Draw one straight line."""
        self.path([start[0], end[0]], [start[1], end[1]], width=width, colour=colour, dash=dash)

    def box(
        self,
        corner: Sequence[float],
        size: Sequence[float],
        *,
        width: float = NARROW,
        colour: str = INK,
        fill: str = "none",
    ) -> None:
        """Draw a rectangle from its upper left corner; no edge where `width` is 0."""
        edge = f'stroke="{colour}" stroke-width="{width}"' if width else 'stroke="none"'
        self.parts.append(
            f'<rect x="{plain(corner[0])}" y="{plain(corner[1])}" width="{plain(size[0])}" '
            f'height="{plain(size[1])}" fill="{fill}" {edge}/>'
        )

    def dot(
        self,
        place: Sequence[float],
        radius: float,
        *,
        fill: str = INK,
        colour: str = "none",
        width: float = FINE,
    ) -> None:
        """Draw a round spot."""
        self.parts.append(
            f'<circle cx="{plain(place[0])}" cy="{plain(place[1])}" r="{plain(radius)}" '
            f'fill="{fill}" stroke="{colour}" stroke-width="{width}"/>'
        )

    def image(self, corner: Sequence[float], size: Sequence[float], png: bytes) -> None:
        """Lay a PNG over a rectangle given by its upper left corner and size."""
        packed = base64.b64encode(png).decode("ascii")
        self.parts.append(
            f'<image x="{plain(corner[0])}" y="{plain(corner[1])}" width="{plain(size[0])}" '
            f'height="{plain(size[1])}" preserveAspectRatio="none" '
            f'href="data:image/png;base64,{packed}"/>'
        )

    def text(
        self,
        place: Sequence[float],
        words: str,
        *,
        size: float = 2.5,
        anchor: str = "start",
        colour: str = INK,
        bold: bool = False,
        turn: float = 0.0,
        halo: bool = False,
    ) -> None:
        """Letter `words` with their baseline at `place`; `size` is the height of a capital."""
        font = f'font-size="{plain(size / CAPITAL)}"'
        style = f'{font} text-anchor="{anchor}" fill="{colour}"'
        if bold:
            style += ' font-weight="bold"'
        if turn:
            style += f' transform="rotate({plain(turn)} {plain(place[0])} {plain(place[1])})"'
        if halo:
            style += ' paint-order="stroke" stroke="#fff" stroke-width="0.9"'
        self.parts.append(
            f'<text x="{plain(place[0])}" y="{plain(place[1])}" {style}>{escape(words)}</text>'
        )

    def paragraph(
        self,
        place: Sequence[float],
        words: str,
        *,
        room: float,
        size: float = 2.5,
        colour: str = INK,
        lead: float = 1.9,
        bold: bool = False,
    ) -> float:
        """Letter a paragraph broken to `room` mm; return the baseline that follows it."""
        across, down = place
        for row in broken(words, room=room, size=size):
            self.text((across, down), row, size=size, colour=colour, bold=bold)
            down += size * lead
        return down

    def svg(self, *, title: str, description: str) -> str:
        """Return the finished sheet as SVG text."""
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{plain(self.width)}mm" '
            f'height="{plain(self.height)}mm" viewBox="0 0 {plain(self.width)} '
            f'{plain(self.height)}" font-family="{LETTERING}" stroke-linecap="round" '
            f'stroke-linejoin="round" role="img">'
        )
        about = f"<title>{escape(title)}</title>\n<desc>{escape(description)}</desc>"
        ground = f'<rect width="{plain(self.width)}" height="{plain(self.height)}" fill="#fff"/>'
        return "\n".join([head, about, ground, *self.parts, "</svg>"]) + "\n"


def breadth(words: str, size: float) -> float:
    """Return about how wide `words` are, mm, at that height of a capital.

    Examples
    --------
    >>> breadth("WL 400", 2.5) > breadth("WL 4", 2.5)
    True
    """
    return len(words) * WIDTH * size / CAPITAL


def broken(words: str, *, room: float, size: float) -> list[str]:
    """Return `words` broken into rows that fit `room` mm.

    Examples
    --------
    >>> broken("shape only, not approved data", room=30.0, size=2.5)
    ['shape only, not', 'approved data']
    """
    rows, row = [], ""
    for word in words.split():
        longer = f"{row} {word}".strip()
        if row and breadth(longer, size) > room:
            rows.append(row)
            row = word
        else:
            row = longer
    return [*rows, row] if row else rows
