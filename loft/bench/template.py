"""Full-size templates and blanks as drawings: the heel face, the flange turning away."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from loft.bench.blank import Blank, flat_blank, notch
from loft.bench.drawing import Drawing
from loft.bench.frame import FrameLines, frame_lines
from loft.bench.marks import Mark, frame_marks
from loft.bench.outline import SAME_GIRTH
from loft.bench.pieces import Piece, on_piece
from loft.bench.rivets import splice_pattern
from loft.bench.splice import splice_of
from loft.bench.titles import on_board, ring_title, title_block, view_words
from loft.job.caution import SHAPE_ONLY
from loft.job.errors import Finding, LoftError
from loft.job.records import Array, Job, Section
from loft.job.units import format_length

STEP = 3.0  # mm of girth between points, at most
_BESIDE = 45.0  # mm of grid beside what is drawn


def template_drawing(
    section: Section, job: Job, *, section_hash: str, units: str = "mm"
) -> Drawing:
    """Draw the frame at full size with every line and mark.

    The heel face is up: looking aft for a flange that faces aft (X = -bl), looking
    forward for one that faces forward (X = bl); Y is the height in the plane.

    Parameters
    ----------
    section : Section
    job : Job
    section_hash : str
    units : str
        mm, in or ft-in, of what is lettered.

    Returns
    -------
    Drawing

    Raises
    ------
    LoftError
        A figure is missing or cannot be.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> drawing = template_drawing(round_section(600.0), plain_job(), section_hash="0123456789ab")
    >>> sorted({stroke.layer for stroke in drawing.strokes})[:4]
    ['BEND_TANGENT', 'CUT_OUT', 'DATUM', 'FLANGE_LINE']
    """
    lines = frame_lines(section, job, step=STEP)
    marks = frame_marks(section, job, lines)
    drawing = Drawing(
        title=f"{section.frame} template, full size, section {section_hash}",
        subject=f"{job.title}; {view_words(lines)}; {SHAPE_ONLY}",
    )
    _grid(drawing, section, job, lines, units, np.arange(len(lines.girth)))
    _frame(drawing, lines)
    _marks(drawing, section, lines, marks)
    _rivets(drawing, lines, job, marks, lines.pieces)
    for piece in lines.pieces:
        _piece_name(drawing, lines, piece)
    ring_title(drawing, section, job, lines, section_hash, units)
    return drawing


def blank_drawing(
    section: Section, job: Job, *, section_hash: str, units: str = "mm", piece: str = ""
) -> Drawing:
    """Draw the flat blanks at full size, all in their places or one alone.

    Parameters
    ----------
    section : Section
    job : Job
    section_hash : str
    piece : str
        Name of one piece; "" draws all.

    Returns
    -------
    Drawing

    Raises
    ------
    LoftError
        No piece of that name; a figure is missing or cannot be.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> drawing = blank_drawing(
    ...     round_section(600.0), plain_job(), section_hash="0123456789ab", piece="S1S-KEEL"
    ... )
    >>> len([stroke for stroke in drawing.strokes if stroke.layer == "BLANK_EDGE"])
    1
    """
    lines = frame_lines(section, job, step=STEP)
    marks = frame_marks(section, job, lines)
    wanted = [one for one in lines.pieces if piece in ("", one.name)]
    if not wanted:
        names = ", ".join(one.name for one in lines.pieces)
        raise LoftError(Finding(column="piece", text=f"{piece} found, {names} wanted"))
    drawing = Drawing(
        title=f"{section.frame} flat blank {piece or 'of every piece'}, section {section_hash}",
        subject=f"{job.title}; {view_words(lines)}; {SHAPE_ONLY}",
    )
    rows = np.concatenate([one.rows for one in wanted])
    _grid(drawing, section, job, lines, units, rows)
    for one in wanted:
        _blank(drawing, section, lines, flat_blank(lines, marks, one))
    _rivets(drawing, lines, job, marks, wanted)
    if not piece:
        ring_title(drawing, section, job, lines, section_hash, units)
        return drawing
    low_x, low_y, high_x, _ = drawing.box()
    room = float(np.clip(high_x - low_x, 260.0, 480.0))
    name = f"BLANK {piece} {side_words(lines, wanted[0])}"
    corner = (low_x, low_y - 30.0)
    title_block(drawing, corner, room, section, job, lines, section_hash, units, name=name)
    return drawing


def _frame(drawing: Drawing, lines: FrameLines) -> None:
    part = lines.part
    flange_tangent = lines.inside(lines.setback - lines.allowance)
    for layer, points in (
        ("MOULD_LINE", lines.mould),
        ("FLANGE_LINE", lines.flange_line),
        ("BEND_TANGENT", lines.web_tangent),
        ("BEND_TANGENT", flange_tangent),
        ("RIVET_LINE", lines.rivets),
        ("WEB_EDGE", lines.inner_line),
    ):
        if np.isfinite(points).all():
            drawing.stroke(layer, on_board(lines, points), closed=True)
    if part.inner_flange:
        back = (part.radius + part.gauge) * math.tan((math.pi - part.inner_angle) / 2)
        drawing.stroke(
            "BEND_TANGENT", on_board(lines, lines.inside(part.web_depth - back)), closed=True
        )


def _marks(drawing: Drawing, section: Section, lines: FrameLines, marks: Sequence[Mark]) -> None:
    cuts = {mark.name for mark in marks if mark.kind == "cutout"}
    for mark in marks:
        if mark.kind == "cutout":
            drawing.stroke("CUT_OUT", on_board(lines, notch(mark, beyond=0.0)))
        elif mark.kind == "splice":
            drawing.stroke("SPLICE", on_board(lines, _across(lines, mark, -16.0, mark.depth)))
            _label(drawing, lines, mark, "SPLICE", inwards=mark.depth + 20.0)
        elif mark.kind in ("pin", "hole"):
            _pin(drawing, lines, mark)
        elif mark.kind == "lap_step":
            drawing.stroke("STRINGER", on_board(lines, _across(lines, mark, -12.0, 12.0)))
            _label(drawing, lines, mark, f"{mark.name} {mark.depth:+.2f}", inwards=-14.0)
        elif mark.kind == "chine":
            _label(drawing, lines, mark, f"CHINE {mark.name}: relieve the flange", inwards=-14.0)
    for mark in _crossings(section, lines):
        deep = 26.0 if mark.name in cuts else 10.0
        drawing.stroke("STRINGER", on_board(lines, _across(lines, mark, -8.0, deep)))
        _label(drawing, lines, mark, mark.name, inwards=-19.0)


def _crossings(section: Section, lines: FrameLines) -> Iterator[Mark]:
    for name, girth in zip(section.crossings.line, section.crossings.girth, strict=True):
        row = int(np.argmin(np.abs(lines.girth - np.mod(girth, section.length))))
        bl, height = lines.flange_line[row].tolist()
        out = lines.normal[row]
        angle = float(np.arctan2(out[0], out[1]))
        yield Mark(
            kind="line", name=str(name), girth=float(girth), bl=bl, height=height, angle=angle
        )


def _across(lines: FrameLines, mark: Mark, start: float, stop: float) -> Array:
    """Return a line square to the mould line, from `start` to `stop` inside the flange line."""
    place = np.array([mark.bl, mark.height])
    out = np.array([np.sin(mark.angle), np.cos(mark.angle)])
    return np.array([place - start * out, place - stop * out])


def _label(
    drawing: Drawing,
    lines: FrameLines,
    mark: Mark,
    text: str,
    *,
    inwards: float,
    height: float = 3.5,
) -> None:
    """Letter a mark along its own direction, never upside down."""
    away, toward = on_board(lines, _across(lines, mark, inwards, inwards + 1.0))
    heading = away - toward  # outwards
    turn = math.degrees(math.atan2(heading[1], heading[0]))
    upside = not -90.0 <= turn <= 90.0
    across = np.array([-heading[1], heading[0]]) * (height / 2) * (1 if upside else -1)
    drawing.letter(
        away + across,
        text,
        height=height,
        turn=turn + 180.0 if upside else turn,
        anchor="end" if upside else "start",
    )


def _pin(drawing: Drawing, lines: FrameLines, mark: Mark) -> None:
    (centre,) = on_board(lines, np.array([[mark.bl, mark.height]]))
    layer = "PIN_HOLE" if mark.kind == "pin" else "LIGHTENING_HOLE"
    drawing.circle(layer, centre, mark.radius)
    reach = mark.radius + 3.0
    for way in ([1.0, 0.0], [0.0, 1.0]):
        drawing.stroke(layer, [centre - reach * np.array(way), centre + reach * np.array(way)])
    side = np.array([math.sin(mark.angle), math.cos(mark.angle)]) * [-lines.part.hand, 1.0]
    place = centre - (mark.radius + 4.0) * side - [0.0, 1.2]
    anchor = "end" if side[0] > 0.35 else "start" if side[0] < -0.35 else "middle"
    drawing.letter(place, f"{mark.name} dia {mark.width:g}", height=2.5, anchor=anchor)


def _rivets(
    drawing: Drawing,
    lines: FrameLines,
    job: Job,
    marks: tuple[Mark, ...],
    pieces: Sequence[Piece],
) -> None:
    """Draw the splice rivets that lie on some pieces; those of the flange as on the flat."""
    plan = splice_of(lines.part, job)
    length = lines.outline.length
    for mark in (mark for mark in marks if mark.kind == "splice"):
        pattern = splice_pattern(lines, plan, mark, marks)
        along = [math.cos(mark.angle), -math.sin(mark.angle)]
        for place in (*pattern.web, *pattern.flange):
            aside = float((place - [mark.bl, mark.height]) @ along)
            if any(on_piece(one, (mark.girth + aside) % length, length) for one in pieces):
                (centre,) = on_board(lines, place[None])
                drawing.circle("SPLICE_RIVETS", centre, plan.rivet / 2)


def _piece_name(drawing: Drawing, lines: FrameLines, piece: Piece) -> None:
    """Letter the piece's name along the middle of its web."""
    row = int(piece.rows[len(piece.rows) // 2])
    inwards = lines.inset[row] + 0.75 * lines.part.web_depth
    place = on_board(lines, lines.mould[row] - inwards * lines.normal[row])
    out = on_board(lines, lines.normal[row])
    turn = math.degrees(math.atan2(-out[0], out[1]))
    turn = (turn + 90.0) % 180.0 - 90.0
    drawing.letter(
        place,
        f"{lines.frame} {piece.name} {side_words(lines, piece)}",
        height=5.0,
        turn=turn,
        anchor="middle",
    )


def side_words(lines: FrameLines, piece: Piece) -> str:
    """Return the side of the ship a piece belongs to, in capitals.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> lines = frame_lines(round_section(600.0), plain_job())
    >>> [side_words(lines, piece) for piece in lines.pieces]
    ['STARBOARD', 'STARBOARD', 'PORT', 'PORT']
    """
    past = np.mod(lines.girth[piece.rows] - piece.start, lines.outline.length)
    sides = lines.side[piece.rows[(past > SAME_GIRTH) & (past < piece.stop - piece.start)]]
    share = float(np.mean(sides == "starboard"))
    return "STARBOARD" if share > 0.98 else "PORT" if share < 0.02 else "PORT AND STARBOARD"


def _grid(
    drawing: Drawing,
    section: Section,
    job: Job,
    lines: FrameLines,
    units: str,
    rows: NDArray[np.int64],
) -> None:
    """Draw waterlines and buttock lines about some rows; bl 0 and wl 0 as datum lines."""
    spaces = (job.shop.buttocks, job.shop.waterlines)
    names = ("offsets.buttocks", "offsets.waterlines")
    faults = [name for name, gap in zip(names, spaces, strict=True) if not gap > 0]
    if faults:
        raise LoftError(
            Finding(
                file=job.path.name, column=name, text="nothing found, the grid's spacing wanted"
            )
            for name in faults
        )
    reach = np.concatenate([lines.trimmed[rows], lines.inner_line[rows]])
    (left, low), (right, high) = reach.min(axis=0) - _BESIDE, reach.max(axis=0) + _BESIDE
    hand = -lines.part.hand
    for number in range(math.ceil(left / spaces[0]), math.floor(right / spaces[0]) + 1):
        bl = number * spaces[0]
        layer = "DATUM" if number == 0 else "GRID"
        drawing.stroke(layer, [[hand * bl, low], [hand * bl, high]])
        side = "" if number == 0 else " S" if bl > 0 else " P"
        drawing.letter(
            (hand * bl + 1.5, high - 4.0), f"BL {format_length(abs(bl), units)}{side}", height=2.5
        )
    fall = math.cos(section.cant) if section.cant else 1.0
    pivot = section.pivot_wl if section.cant else 0.0
    first, last = ((edge * fall + pivot) / spaces[1] for edge in (low, high))
    start, stop = sorted((hand * left, hand * right))
    for number in range(math.ceil(first), math.floor(last) + 1):
        level = number * spaces[1]
        height = (level - pivot) / fall
        drawing.stroke("DATUM" if number == 0 else "GRID", [[start, height], [stop, height]])
        drawing.letter((start + 1.5, height + 1.0), f"WL {format_length(level, units)}", height=2.5)


def _blank(drawing: Drawing, section: Section, lines: FrameLines, blank: Blank) -> None:
    for outline in (blank.cut, *blank.openings):
        drawing.stroke("BLANK_EDGE", on_board(lines, outline), closed=True)
    closed = blank.piece.closed
    drawing.stroke(
        "FLANGE_LINE", on_board(lines, lines.flange_line[blank.piece.rows]), closed=closed
    )
    drawing.stroke("MOULD_LINE", on_board(lines, lines.mould[blank.piece.rows]), closed=closed)
    for layer, points in (
        ("TRIM_LINE", blank.trim),
        ("BEND_TANGENT", blank.web_tangent),
        ("BEND_TANGENT", blank.flange_tangent),
        ("RIVET_LINE", blank.rivets),
    ):
        if np.isfinite(points).all():
            drawing.stroke(layer, on_board(lines, points), closed=closed)
    for points in blank.inner:
        drawing.stroke("BEND_TANGENT", on_board(lines, points), closed=closed)
    for pin in (*blank.pins, *blank.holes):
        _pin(drawing, lines, pin)
    for bl, height, across in blank.relief:
        drawing.circle("RELIEF_HOLE", on_board(lines, np.array([bl, height])), across / 2)
    for mark in _crossings(section, lines):
        if on_piece(blank.piece, mark.girth, section.length):
            _label(drawing, lines, mark, mark.name, inwards=-32.0 - lines.part.trim)
    _piece_name(drawing, lines, blank.piece)
    _grain(drawing, lines, blank.piece)


def _grain(drawing: Drawing, lines: FrameLines, piece: Piece) -> None:
    """Mark the grain square to the bend at the middle of the piece."""
    row = int(piece.rows[int(0.42 * len(piece.rows))])
    out = on_board(lines, lines.normal[row])
    foot = on_board(lines, lines.mould[row]) - (lines.inset[row] + 0.9 * lines.part.web_depth) * out
    tip = foot + 0.55 * lines.part.web_depth * out
    side = np.array([-out[1], out[0]])
    drawing.stroke("GRAIN", [foot, tip])
    drawing.stroke("GRAIN", [tip - 4 * out + 2 * side, tip, tip - 4 * out - 2 * side])
    turn = (math.degrees(math.atan2(out[1], out[0])) + 90.0) % 180.0 - 90.0
    drawing.letter(
        (foot + tip) / 2 + 2.5 * side,
        "GRAIN",
        height=2.5,
        turn=turn,
        anchor="middle",
        layer="GRAIN",
    )
