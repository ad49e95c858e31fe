"""A forming block glued up from boards: the outline of every board at its top and its foot."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from loft.bench.block import block_profiles
from loft.bench.drawing import Drawing
from loft.bench.fold import mend
from loft.bench.frame import FrameLines, frame_lines
from loft.bench.marks import frame_marks
from loft.bench.pieces import Piece, on_piece, piece_at
from loft.bench.template import side_words
from loft.bench.titles import CAUTIONS, measure_square, small, view_words
from loft.job.caution import SHAPE_ONLY
from loft.job.errors import Finding, LoftError
from loft.job.records import Array, Job, Section

STEP = 3.0  # mm of girth between points, at most
_APART = 60.0  # mm between boards laid side by side


def board_outlines(
    lines: FrameLines, piece: Piece, *, depth: float, base: float, thick: float
) -> list[tuple[float, Array, Array]]:
    """Return every board of a block from the top down: its top's depth, top and foot outline.

    The edge at the very top is sharp here; it is rounded once the boards are glued.
    A foot that stands outside its top wants the saw tilted outwards.

    Parameters
    ----------
    lines : FrameLines
    piece : Piece
    depth, base : float
        Of the bevelled side and the plain base below it, mm.
    thick : float
        Of a board, mm; the lowest is planed to what is left.

    Returns
    -------
    list of (float, ndarray (n, 2), ndarray (m, 2))
        Outlines closed, as (bl, height).

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> lines = frame_lines(round_section(600.0), plain_job())
    >>> found = board_outlines(lines, lines.pieces[0], depth=29.0, base=20.0, thick=18.0)
    >>> [(float(top), len(outline)) for top, outline, _ in found]
    [(0.0, 380), (18.0, 380), (36.0, 380)]
    """
    profiles = block_profiles(lines, depth=depth, base=base, rounded=False)
    whole = depth + base
    levels = [*np.arange(0.0, whole - 1e-6, thick).tolist(), whole]
    chain = 3 if base > 0 else 2
    if lines.part.inner_flange and lines.part.inner_faces == lines.part.faces:
        outer, inner = profiles.inset[:, chain:], profiles.inset[:, :chain][:, ::-1]
    else:
        outer, inner = profiles.inset[:, 1 : 1 + chain], profiles.inset[:, [0] * chain]
    knots = np.array([0.0, depth, whole][:chain])
    rims = [
        np.concatenate(
            [
                _line(lines, _at(outer, knots, level), piece.rows),
                _line(lines, _at(inner, knots, level), piece.rows)[::-1],
            ]
        )
        for level in levels
    ]
    return [(levels[k], rims[k], rims[k + 1]) for k in range(len(rims) - 1)]


def boards_drawing(section: Section, job: Job, *, section_hash: str, piece: str) -> Drawing:
    """Draw the boards of one block side by side at full size, seen from above.

    X and Y are block coordinates but for the shift to the right from board to board.

    Raises
    ------
    LoftError
        The job gives no board, no margin, or there is no such piece.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from loft.bench.stock import plain_job, round_section
    >>> job = plain_job()
    >>> job = replace(job, shop=replace(job.shop, block_board=18.0))
    >>> drawing = boards_drawing(
    ...     round_section(600.0), job, section_hash="0123456789ab", piece="CROWN-S1S"
    ... )
    >>> sum(stroke.layer == "BLOCK_TOP" for stroke in drawing.strokes)
    3
    """
    thick, margin = job.shop.block_board, job.shop.block_margin
    faults = [
        Finding(file=job.path.name, column=f"block.{key}", text=f"nothing found, {key} wanted")
        for key, value in (("board", thick), ("margin", margin))
        if value != value
    ]
    if faults:
        raise LoftError(faults)
    return _drawing(section, job, section_hash, piece, thick)


def block_drawing(section: Section, job: Job, *, section_hash: str, piece: str) -> Drawing:
    """Draw one block seen from above at full size, with what is to be scribed on its top.

    Outline of top and foot, pins, and on layer SCRIBE: frame, piece, side of the ship,
    the way the flange faces, the section, every line, and a datum waterline or buttock
    line right across. X and Y are block coordinates.

    Raises
    ------
    LoftError
        There is no such piece.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> drawing = block_drawing(
    ...     round_section(600.0), plain_job(), section_hash="0123456789ab", piece="CROWN-S1S"
    ... )
    >>> [word.text for word in drawing.words if word.layer == "SCRIBE"][:2]
    ['F1 CROWN-S1S STARBOARD', 'FLANGE AFT  section 0123456789ab']
    """
    return _drawing(section, job, section_hash, piece, math.inf)


def _drawing(section: Section, job: Job, section_hash: str, piece: str, thick: float) -> Drawing:
    """Draw a block in boards, or whole where `thick` is infinite."""
    lines = frame_lines(section, job, step=STEP)
    wanted = [one for one in lines.pieces if one.name == piece]
    if not wanted:
        names = ", ".join(one.name for one in lines.pieces)
        raise LoftError(Finding(column="piece", text=f"{piece} found, {names} wanted"))
    base = 0.0 if math.isnan(job.shop.block_base) else job.shop.block_base
    depth = lines.part.flange + job.shop.block_margin
    whole = depth + base
    boards = board_outlines(lines, wanted[0], depth=depth, base=base, thick=min(thick, whole))
    made = "boards of block" if math.isfinite(thick) else "block"
    drawing = Drawing(
        title=f"{section.frame} {made} {piece}, section {section_hash}",
        subject=f"{job.title}; full size, block seen from above; {SHAPE_ONLY}",
    )
    pins = [
        mark
        for mark in frame_marks(section, job, lines)
        if mark.kind == "pin" and piece_at(lines.pieces, mark.girth, section.length).name == piece
    ]
    wide = float(np.ptp(np.concatenate([top for _, top, _ in boards])[:, 0])) + _APART
    for number, (start, top, foot) in enumerate(boards):
        shift = np.array([number * wide, 0.0])
        drawing.stroke("BLOCK_TOP", _on_block(lines, top) + shift, closed=True)
        drawing.stroke("BLOCK_FOOT", _on_block(lines, foot) + shift, closed=True)
        for pin in pins:
            centre = _on_block(lines, np.array([[pin.bl, pin.height]]))[0] + shift
            drawing.circle("PIN_HOLE", centre, pin.radius)
        if number == 0:
            _scribe(drawing, section, job, lines, wanted[0], top, section_hash)
        if math.isfinite(thick):
            stop = min(start + thick, whole)
            _name_board(drawing, lines, wanted[0], shift, number, len(boards), start, stop)
    _foot_words(drawing, lines, section_hash, wanted[0], thick)
    return drawing


def _scribe(
    drawing: Drawing,
    section: Section,
    job: Job,
    lines: FrameLines,
    piece: Piece,
    top: Array,
    section_hash: str,
) -> None:
    """Letter what the block is, and draw its lines and datum across the top."""
    texts = (
        (f"{lines.frame} {piece.name} {side_words(lines, piece)}", 5.0, 0.5),
        (f"FLANGE {lines.part.faces.upper()}  section {section_hash}", 3.5, 0.64),
    )
    for text, height, share in texts:
        place, turn = _along_web(lines, piece, share)
        drawing.letter(place, text, height=height, turn=turn, anchor="middle", layer="SCRIBE")
    for name, girth in zip(section.crossings.line, section.crossings.girth, strict=True):
        if on_piece(piece, float(girth), section.length):
            row = int(np.argmin(np.abs(lines.girth - np.mod(girth, section.length))))
            edge = float(lines.inset[row] + lines.setback[row])
            ends = [lines.mould[row] - (edge + d) * lines.normal[row] for d in (0.0, 10.0, 13.0)]
            drawing.stroke("SCRIBE", _on_block(lines, np.array(ends[:2])))
            drawing.letter(_on_block(lines, ends[2]), str(name), height=2.5, layer="SCRIBE",
                           anchor="middle")  # fmt: skip
    for words, line in _datums(section, job, lines, piece, top):
        drawing.stroke("SCRIBE", _on_block(lines, line))
        drawn = _on_block(lines, line)
        drawn = drawn[np.lexsort((drawn[:, 1], drawn[:, 0]))]
        way = (drawn[1] - drawn[0]) / np.linalg.norm(drawn[1] - drawn[0])
        place = drawn[0] + 3.0 * way + 1.0 * np.array([-way[1], way[0]])
        turn = math.degrees(math.atan2(way[1], way[0]))
        drawing.letter(place, words, height=2.5, layer="SCRIBE", turn=turn)


def _datums(
    section: Section, job: Job, lines: FrameLines, piece: Piece, top: Array
) -> list[tuple[str, Array]]:
    """Return the waterline and the buttock line nearest the piece's middle, across its top."""
    from shapely.geometry import LineString, Polygon

    row = int(piece.rows[len(piece.rows) // 2])
    middle = lines.mould[row] - (lines.inset[row] + lines.part.web_depth / 2) * lines.normal[row]
    fall, pivot = (math.cos(section.cant), section.pivot_wl) if section.cant else (1.0, 0.0)
    level = job.shop.waterlines * round((middle[1] * fall + pivot) / job.shop.waterlines)
    aside = job.shop.buttocks * round(middle[0] / job.shop.buttocks)
    up, far = (level - pivot) / fall, 1e5
    side = " S" if aside > 0 else " P" if aside < 0 else ""
    found = []
    for words, ends in (
        (f"WL {level:g}", [(-far, up), (far, up)]),
        (f"BL {abs(aside):g}{side}", [(aside, -far), (aside, far)]),
    ):
        inside = Polygon(top).buffer(0).intersection(LineString(ends))
        parts = list(getattr(inside, "geoms", [inside]))
        parts = [part for part in parts if part.length > 0]
        if parts:
            found.append((f"{words} mm", np.array(max(parts, key=lambda p: p.length).coords)))
    return found


def _at(inset: Array, knots: Array, level: float) -> Array:
    """Return the inset of one side at a depth."""
    last = min(int(np.searchsorted(knots, level, side="right")), len(knots) - 1)
    share = (level - knots[last - 1]) / (knots[last] - knots[last - 1])
    return (1 - share) * inset[:, last - 1] + share * inset[:, last]


def _line(lines: FrameLines, inset: Array, rows: NDArray[np.int64]) -> Array:
    inwards = lines.inset + inset
    moved = lines.mould - inwards[:, None] * lines.normal
    return mend(moved, lines.mould, lines.normal, lines.girth)[rows]


def _on_block(lines: FrameLines, points: Array) -> Array:
    return points * [-lines.part.hand, 1.0]


def _name_board(
    drawing: Drawing,
    lines: FrameLines,
    piece: Piece,
    shift: Array,
    number: int,
    count: int,
    start: float,
    stop: float,
) -> None:
    place, turn = _along_web(lines, piece, 0.62)
    text = f"{piece.name} board {number + 1} of {count}, {start:g} to {stop:g} mm below the top"
    drawing.letter(place + shift, text, height=4.0, turn=turn, anchor="middle")


def _along_web(lines: FrameLines, piece: Piece, share: float) -> tuple[Array, float]:
    """Return the middle of a piece at a share of its web's depth, and the web's turn there."""
    row = int(piece.rows[len(piece.rows) // 2])
    inwards = lines.inset[row] + share * lines.part.web_depth
    out = _on_block(lines, lines.normal[row])
    turn = (math.degrees(math.atan2(-out[0], out[1])) + 90.0) % 180.0 - 90.0
    return _on_block(lines, lines.mould[row] - inwards * lines.normal[row]), turn


def _foot_words(
    drawing: Drawing, lines: FrameLines, section_hash: str, piece: Piece, thick: float
) -> None:
    low_x, low_y, _, _ = drawing.box()
    way = view_words(lines).split(", heel")[0]
    made = ["BLOCK_TOP: outline of the top, its edge still sharp; BLOCK_FOOT: of the foot"]
    if math.isfinite(thick):
        made = [
            f"boards of {small(thick, 'mm')}; BLOCK_TOP: outline of each board's upper face, "
            "BLOCK_FOOT: of its lower face",
            "glue up on the pins, then round the top edge to the bend radius",
        ]
    y = drawing.rows(
        (low_x, low_y - 16.0),
        [
            f"BLOCK {lines.frame} {piece.name}   FULL SIZE   section {section_hash}",
            f"seen from above, {way}; flange faces {lines.part.faces}",
            *made,
            "SCRIBE: scribe or stamp on the top, out of the web's way; check the datum line",
            *CAUTIONS,
        ],
        height=4.0,
    )
    measure_square(drawing, (low_x, y - 104.0))
