"""One plotting field on a sheet: scales, ticks, grid, all in the drawings' own hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from loft.job.records import Array
from loft.show.sheet import FINE, GREY, NARROW, PALE, Sheet, plain


def round_step(span: float, parts: float = 5.0) -> float:
    """Return a step of 1, 2 or 5 times a power of ten that divides `span` into about `parts`.

    Examples
    --------
    >>> round_step(48.0), round_step(0.9)
    (10.0, 0.2)
    """
    raw = max(span, 1e-12) / parts
    power = 10.0 ** np.floor(np.log10(raw))
    return float(next(step for step in (1, 2, 5, 10) if step * power >= raw * 0.9999) * power)


@dataclass(frozen=True)
class Plot:
    """A field of a sheet between `box` (left, top, right, bottom), mm, and its two scales."""

    sheet: Sheet
    box: tuple[float, float, float, float]
    across: tuple[float, float]
    up: tuple[float, float]

    def x(self, value: ArrayLike) -> Array:
        """Return sheet x of a value along the lower edge."""
        left, _, right, _ = self.box
        low, high = self.across
        return left + (np.asarray(value, dtype=np.float64) - low) / (high - low) * (right - left)

    def y(self, value: ArrayLike) -> Array:
        """Return sheet y of a value up the left edge."""
        _, top, _, bottom = self.box
        low, high = self.up
        return bottom - (np.asarray(value, dtype=np.float64) - low) / (high - low) * (bottom - top)

    def frame(self, title: str, *, note: str = "") -> None:
        """Draw the field's edge and letter its title above it."""
        left, top, right, bottom = self.box
        self.sheet.box((left, top), (right - left, bottom - top), width=FINE, colour=GREY)
        self.sheet.text((left, top - 1.6), title, size=2.1, bold=True)
        if note:
            self.sheet.text((right, top - 1.6), note, size=1.8, anchor="end", colour=GREY)

    def rules(self, *, parts: float = 4.0, signs: bool = True) -> None:
        """Draw level rules at round values, lettered on the left; zero a little stronger."""
        low, high = self.up
        step = round_step(high - low, parts)
        left, _, right, _ = self.box
        for value in np.arange(np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9) + 1) * step:
            down = float(self.y(value))
            zero = abs(value) < step / 2
            self.sheet.line((left, down), (right, down), width=NARROW if zero else FINE,
                            colour=GREY if zero else PALE)  # fmt: skip
            words = plain(value).replace("-", "−")
            if signs and value > step / 2:
                words = "+" + words
            self.sheet.text((left - 1.2, down + 0.65), words, size=1.8, anchor="end", colour=GREY)

    def uprights(self, values: Sequence[float], words: Sequence[str], *, turn: bool = False,
                 bold: Sequence[bool] = (), colours: Sequence[str] = ()) -> None:  # fmt: skip
        """Draw upright rules and letter them below."""
        _, top, _, bottom = self.box
        for k, (value, word) in enumerate(zip(values, words, strict=True)):
            across = float(self.x(value))
            colour = colours[k] if colours else GREY
            self.sheet.line((across, top), (across, bottom), width=FINE, colour=PALE)
            if turn:
                self.sheet.text((across + 0.65, bottom + 1.4), word, size=1.8, anchor="end",
                                colour=colour, turn=-90)  # fmt: skip
            else:
                self.sheet.text((across, bottom + 3.1), word, size=1.8, anchor="middle",
                                colour=colour, bold=bool(bold and bold[k]))  # fmt: skip

    def unit(self, words: str, *, off: float = 9.5) -> None:
        """Letter the unit up the left edge."""
        left, top, _, bottom = self.box
        self.sheet.text((left - off, (top + bottom) / 2), words, size=1.8, anchor="middle",
                        colour=GREY, turn=-90)  # fmt: skip

    def mark(self, x: float, y: float, kind: str, *, size: float = 0.75, colour: str,
             edge: str = "none") -> None:  # fmt: skip
        """Draw one mark: up, down (triangles), ring, cross, square or dot."""
        a, b = float(self.x(x)), float(self.y(y))
        sheet = self.sheet
        if kind in ("up", "down"):
            s = size if kind == "up" else -size
            sheet.path([a - size, a + size, a], [b + 0.7 * s, b + 0.7 * s, b - 1.1 * s],
                       width=FINE, colour=edge, fill=colour, closed=True)  # fmt: skip
        elif kind == "ring":
            sheet.dot((a, b), size, fill="#fff", colour=colour, width=0.4)
        elif kind == "cross":
            for sign in (1.0, -1.0):
                sheet.line((a - size, b - sign * size), (a + size, b + sign * size), width=0.5,
                           colour=colour)  # fmt: skip
        elif kind == "square":
            sheet.box((a - size, b - size), (2 * size, 2 * size), width=0.35, colour=colour,
                      fill="#fff")  # fmt: skip
        else:
            sheet.dot((a, b), size, fill=colour, colour=edge)
