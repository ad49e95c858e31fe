"""A small picture of one piece for the shop sheet: not to scale, the heel face up."""

from __future__ import annotations

from html import escape

import numpy as np

from loft.bench.blank import Blank
from loft.bench.frame import FrameLines
from loft.bench.pieces import on_piece
from loft.bench.titles import on_board, view_words
from loft.job.records import Array, Section

_LONG = 178.0  # mm of the picture's longer side


def piece_figure(lines: FrameLines, section: Section, blank: Blank) -> str:
    """Return the flat blank of a piece as a small SVG with its lines named.

    Examples
    --------
    >>> from loft.bench.blank import flat_blank
    >>> from loft.bench.frame import frame_lines
    >>> from loft.bench.stock import plain_job, round_section
    >>> section, job = round_section(600.0), plain_job()
    >>> lines = frame_lines(section, job)
    >>> "S1S" in piece_figure(lines, section, flat_blank(lines, [], lines.pieces[0]))
    True
    """
    outline = on_board(lines, blank.cut)
    names = _names(lines, section, blank)
    reach = np.concatenate([outline, [place for _, place in names] or outline[:1]])
    low, high = reach.min(axis=0), reach.max(axis=0)
    scale = _LONG / float((high - low).max())
    size = (high - low) * scale + [36.0, 20.0]

    def put(points: Array) -> Array:
        return (np.asarray(points) - [low[0], high[1]]) * [scale, -scale] + [18.0, 10.0]

    parts = [_path(put(outline), "#14181d", 0.45, fill="#f3f2ee", closed=True)]
    parts += [
        _path(put(on_board(lines, ring)), "#14181d", 0.45, fill="#fff", closed=True)
        for ring in blank.openings
    ]
    parts.append(_path(put(on_board(lines, blank.web_tangent)), "#1c7a3e", 0.25, dash="2 1"))
    parts.append(_path(put(on_board(lines, lines.flange_line[blank.piece.rows])), "#14181d", 0.3))
    parts.append(_path(put(on_board(lines, blank.trim)), "#b3300f", 0.25, dash="2 1"))
    for pin in blank.pins:
        x, y = put(on_board(lines, np.array([pin.bl, pin.height])))
        parts.append(
            f'<circle cx="{x:.2f}" cy="{y:.2f}" r="1.1" fill="#fff" stroke="#b3300f" '
            'stroke-width=".35"/>'
        )
        parts.append(_word(x, y + 6.4, pin.name, 5.5, "#b3300f"))
    for name, place in names:
        x, y = put(place)
        parts.append(_word(x, y, name, 7.0, "#14181d"))
    return (
        f'<figure><svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size[0]:.1f} '
        f'{size[1]:.1f}" role="img" aria-label="{escape(blank.piece.name)}">'
        + "".join(parts)
        + f"</svg><figcaption>Flat blank, {escape(view_words(lines))}; not to scale. Black: cut "
        "and flange line; green: bend tangent line of the web; red: trim line and pin holes."
        "</figcaption></figure>"
    )


def _names(lines: FrameLines, section: Section, blank: Blank) -> list[tuple[str, Array]]:
    found = []
    for name, girth in zip(section.crossings.line, section.crossings.girth, strict=True):
        if on_piece(blank.piece, float(girth), section.length):
            gap = np.mod(lines.girth - girth + section.length / 2, section.length)
            row = int(np.argmin(np.abs(gap - section.length / 2)))
            out = 3.2 * lines.part.flange + lines.part.trim
            place = lines.flange_line[row] + out * lines.normal[row]
            found.append((str(name), on_board(lines, place)))
    return found


def _path(
    points: Array,
    ink: str,
    width: float,
    *,
    fill: str = "none",
    dash: str = "",
    closed: bool = False,
) -> str:
    line = " L".join(f"{x:.2f} {y:.2f}" for x, y in points)
    style = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<path d="M{line}{" Z" if closed else ""}" fill="{fill}" stroke="{ink}" '
        f'stroke-width="{width}"{style}/>'
    )


def _word(x: float, y: float, text: str, size: float, ink: str) -> str:
    return (
        f'<text x="{x:.2f}" y="{y + size / 3:.2f}" font-size="{size}" text-anchor="middle" '
        f'fill="{ink}" font-family="Liberation Sans, Arial, sans-serif">{escape(text)}</text>'
    )
