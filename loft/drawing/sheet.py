"""The construction of a section on a sheet: SVG in millimetres, A4 upright."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from textwrap import wrap

import numpy as np

from loft.drawing.check import Check
from loft.drawing.construction import (
    AXES,
    OUTLINE,
    POINTS,
    RADII,
    Construction,
    Stroke,
    radius_letters,
)
from loft.drawing.diagnosis import radius_words
from loft.drawing.verdicts import CONTRADICTED
from loft.job.caution import CAUTION
from loft.job.files import number

WIDTH, HEIGHT = 210.0, 297.0
ROOM = (15.0, 29.0, 180.0, 175.0)  # left, top, width, height of the drawing
LETTERS = 54.0  # beside the section, mm
SCALES = (1.0, 2.0, 2.5, 5.0, 10.0, 20.0, 25.0, 50.0, 100.0)
INK, GREY, MARK = "#14181d", "#5d666f", "#b3300f"
FONT = "'Liberation Sans', Arial, Helvetica, sans-serif"
# ISO 128-2 line widths, series step root two; from memory
LOOKS = {
    OUTLINE: f'stroke="{INK}" stroke-width="0.5"',
    AXES: f'stroke="{GREY}" stroke-width="0.18" stroke-dasharray="7 1 0.6 1"',
    RADII: f'stroke="{GREY}" stroke-width="0.18"',
    POINTS: f'stroke="{MARK}" stroke-width="0.25"',
}


def construction_svg(plan: Construction, *, title: str, notes: Sequence[str] = ()) -> str:
    """Return the sheet with the construction, its figures and its notes.

    Parameters
    ----------
    plan : Construction
    title : str
        Heading: frame and station.
    notes : sequence of str
        Told under the table, as many as there is room for.

    Examples
    --------
    >>> from loft.drawing.chain import strike
    >>> from loft.drawing.construction import construct
    >>> plan = construct(strike(600.0, [620.0, 300.0], [1.0, 2.0]), ["crown", "side", "bottom"])
    >>> construction_svg(plan, title="Frame F14").startswith("<svg")
    True
    """
    scale = _scale(plan)
    page = _Page(plan, scale)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH:g}mm" height="{HEIGHT:g}mm" '
        f'viewBox="0 0 {WIDTH:g} {HEIGHT:g}" font-family="{FONT}">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{WIDTH:g}" height="{HEIGHT:g}" fill="#ffffff"/>',
        _text(15, 17, title, size=5.2, bold=True),
        _text(
            15,
            23.5,
            "Construction of the half section, looking forward: starboard right. "
            f"Scale 1:{scale:g}. Lengths in mm; heights in the frame's plane.",
            size=3.2,
            colour=GREY,
        ),
        *(page.stroke(stroke) for stroke in plan.strokes),
        *page.lettering(),
        *_table(plan, 211.0),
    ]
    below = 216.0 + 5.2 * (len(plan.names) + 1) + 4.0
    for line in _fitting(notes, max(int((HEIGHT - 18.0 - below) / 4.0), 1)):
        parts.append(_text(15, below, line, size=2.7))
        below += 4.0
    told = f"{CAUTION} Figures marked “found” were not drawn."
    for index, line in enumerate(wrap(told, 140)):
        down = HEIGHT - 12.0 + 3.6 * index
        parts.append(_text(15, down, line, size=2.6, colour=GREY))
    return "\n".join([*parts, "</svg>"]) + "\n"


def _fitting(notes: Sequence[str], room: int) -> list[str]:
    """Return as many whole notes as there are lines for, and how many are left out."""
    wrapped = [wrap(note, 135, subsequent_indent="    ") for note in notes]
    if sum(map(len, wrapped)) <= room:
        return [line for note in wrapped for line in note]
    lines: list[str] = []
    for index, note in enumerate(wrapped):
        if len(lines) + len(note) >= room:  # a line is kept for what is left out
            return [*lines, f"… and {len(notes) - index} more: see the check's own notes"]
        lines += note
    return lines


def lettering_of(check: Check) -> list[str]:
    """Return how every radius of a check is lettered: as drawn, or as found.

    A radius that nobody drew carries its interval, never a bare figure.
    """
    words = []
    for arc in check.arcs:
        if np.isinf(arc.radius):
            words.append("straight")
        elif np.isnan(arc.sd_radius):
            words.append("R not determined")
        elif arc.verdict == CONTRADICTED:
            words.append(f"{radius_letters(arc.radius)} (drawn {abs(arc.given_radius):,.1f})")
        elif np.isfinite(arc.given_radius):
            words.append(radius_letters(arc.given_radius))
        else:
            span = radius_words(arc.interval).removesuffix(" mm")
            words.append(f"{radius_letters(arc.radius)} (found: {span})")
    return words


def _scale(plan: Construction) -> float:
    """Return the first usual scale at which the section has room, lettering included."""
    chain = plan.chain
    broad = 2.0 * float(np.abs(chain.knot[:, 0]).max()) + 1.0
    tall = chain.crown - chain.keel
    for scale in SCALES:
        if broad / scale < ROOM[2] - LETTERS and tall / scale < ROOM[3] - 18.0:
            return scale
    return SCALES[-1]


def _text(
    across: float,
    down: float,
    words: str,
    *,
    size: float = 3.0,
    colour: str = INK,
    anchor: str = "start",
    bold: bool = False,
) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{across:.2f}" y="{down:.2f}" font-size="{size:g}" fill="{colour}" '
        f'text-anchor="{anchor}" xml:space="preserve"{weight}>{escape(words)}</text>'
    )


class _Page:
    """Where the section lies on the sheet."""

    def __init__(self, plan: Construction, scale: float):
        self.plan, self.scale = plan, scale
        left, top, width, height = ROOM
        middle = 0.5 * (plan.chain.crown + plan.chain.keel)
        broad = float(np.abs(plan.chain.knot[:, 0]).max()) / scale
        spare = width - LETTERS - 2 * broad
        self.across0 = left + 8.0 + broad + 0.5 * spare
        self.down0 = top + 0.5 * height + middle / scale

    def at(self, place: Sequence[float]) -> tuple[float, float]:
        """Return the sheet's place of (bl, height)."""
        return self.across0 + place[0] / self.scale, self.down0 - place[1] / self.scale

    def stroke(self, one: Stroke) -> str:
        """Return one stroke as SVG."""
        look = LOOKS[one.layer]
        if one.kind == "line":
            (x1, y1), (x2, y2) = self.at(one.start), self.at(one.end)
            return (
                f'<line x1="{x1:.3f}" y1="{y1:.3f}" x2="{x2:.3f}" y2="{y2:.3f}" {look} '
                'stroke-linecap="round"/>'
            )
        if one.kind == "circle":
            x, y = self.at(one.centre)
            radius = one.radius / self.scale
            return f'<circle cx="{x:.3f}" cy="{y:.3f}" r="{radius:.3f}" fill="#ffffff" {look}/>'
        ends = np.deg2rad(one.angles)
        radius = one.radius
        places = [
            self.at(
                (
                    one.centre[0] + radius * float(np.cos(angle)),
                    one.centre[1] + radius * float(np.sin(angle)),
                )
            )
            for angle in ends
        ]
        size = radius / self.scale
        return (
            f'<path d="M{places[0][0]:.3f} {places[0][1]:.3f}A{size:.3f} {size:.3f} 0 0 0 '
            f'{places[1][0]:.3f} {places[1][1]:.3f}" fill="none" {look} stroke-linecap="round"/>'
        )

    def lettering(self) -> list[str]:
        """Return names of points, and the radii beside their arcs on leaders."""
        plan, parts = self.plan, []
        for bl, height, out, up in plan.middles:
            x, y = self.at((bl, height))
            parts.append(
                f'<line x1="{x:.2f}" y1="{y:.2f}" x2="{x + 7 * out:.2f}" y2="{y - 7 * up:.2f}" '
                f'stroke="{INK}" stroke-width="0.18"/>'
            )
        for (bl, height, out, up), name, words in zip(
            plan.middles, plan.names, plan.words, strict=True
        ):
            x, y = self.at((bl, height))
            x, y = x + 8 * out, y - 8 * up
            parts.append(_text(x, y - 0.4, name, size=2.9, bold=True))
            parts.append(_text(x, y + 3.0, words, size=2.9))
        for mark, turn in zip(plan.tangents[1:-1], plan.chain.turn[1:-1], strict=True):
            x, y = self.at((mark.bl, mark.height))
            x, y = x + 3.2 * float(np.sin(turn)), y - 3.2 * float(np.cos(turn)) + 1.0
            parts.append(_text(x, y, mark.name, size=2.7, colour=MARK, anchor="middle"))
        parts += self._centres()
        for stroke in plan.strokes:
            if stroke.text:  # a radius broken off: where it goes
                x, y = self.at(stroke.end)
                inwards = stroke.end[0] < stroke.start[0]
                anchor, shift = ("end", -1.0) if inwards else ("start", 1.0)
                words = _text(x + shift, y + 1.0, stroke.text, size=2.7, colour=MARK, anchor=anchor)
                parts.append(words)
        return parts

    def _centres(self) -> list[str]:
        """Return the centres' names, each clear of the others on the centreline."""
        parts: list[str] = []
        taken: list[float] = []
        for mark in self.plan.centres:
            if not (mark.name and mark.shown):
                continue
            x, y = self.at((mark.bl, mark.height))
            on_line = abs(mark.bl) < 1.0
            while on_line and any(abs(y - other) < 3.2 for other in taken):
                y += 3.3
            if on_line:
                taken.append(y)
            anchor, shift = ("end", -1.8) if on_line else ("start", 1.8)
            parts.append(_text(x + shift, y - 0.6, mark.name, size=2.7, colour=MARK, anchor=anchor))
        return parts


def _table(plan: Construction, top: float) -> list[str]:
    """Return the table of arcs: radius, centre, where each ends."""
    stops = (15.0, 28.0, 62.0, 112.0, 136.0, 160.0, 178.0, 195.0)
    heads = ("", "arc", "radius", "centre bl", "height", "ends at bl", "height", "turned °")
    parts = []
    for stop, head in zip(stops, heads, strict=True):
        anchor = "start" if stop < 70 else "end"
        if head:
            parts.append(_text(stop, top, head, size=2.8, colour=GREY, anchor=anchor))
    parts.append(_rule(top + 1.6))
    for index, name in enumerate(plan.names):
        down = top + 5.2 * (index + 1) + 0.6
        centre, end = plan.centres[index], plan.tangents[index + 1]
        known = bool(centre.name)
        cells = (
            f"{centre.name or '–'}  {end.name}" if index + 1 < len(plan.names) else centre.name,
            name,
            plan.words[index],
            number(centre.bl, 1) if known else "–",
            f"{centre.height:.1f}" if known else "–",
            number(end.bl, 1),
            f"{end.height:.1f}",
            f"{np.rad2deg(plan.chain.turn[index + 1]):.2f}",
        )
        for stop, cell in zip(stops, cells, strict=True):
            anchor = "start" if stop < 70 else "end"
            words = cell.replace("-", "−") if anchor == "end" else cell
            if words:
                parts.append(_text(stop, down, words, size=3.0, anchor=anchor))
    parts.append(_rule(top + 5.2 * len(plan.names) + 2.6))
    return parts


def _rule(down: float) -> str:
    return (
        f'<line x1="15" y1="{down:.2f}" x2="195" y2="{down:.2f}" stroke="{GREY}" '
        'stroke-width="0.13"/>'
    )
