"""Forming blocks: the solid a flange is turned down over, one for each piece.

Block coordinates: the top, on which the web lies, is Z = 0 and the block is below;
X, Y are bl, height for a flange that faces forward (seen looking forward) and
-bl, height for one that faces aft (seen looking aft). Either way the axes are
right-handed, so no block is ever the mirror image of what is wanted.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from loft.bench.bend import inside_edge, overbend_shift
from loft.bench.fold import folded_runs, mend
from loft.bench.frame import FrameLines, frame_lines
from loft.bench.marks import Mark, frame_marks
from loft.bench.pieces import Piece, on_piece, piece_at
from loft.bench.solid import Solid, as_mesh, drilled, stl_bytes, swept_solid, threemf_bytes
from loft.job.caution import SHAPE_ONLY
from loft.job.errors import Finding, LoftError
from loft.job.records import Array, Job, Section, freeze_arrays

STEP = 3.0  # mm of girth between cross-sections, at most
_ROUND = 6  # parts of the rounded edge
# Ends are held back so that neighbouring blocks in one file share no corner.
_END_GAP = 0.01


@dataclass(frozen=True, eq=False, kw_only=True)
class Profiles:
    """Cross-sections of a block before it is cut into pieces.

    `inset` and `z` have shape (n, k): distance inside the flange line and height,
    mm, for each of the n rows of the frame lines; `edge` names for each of the k
    corners which side of the block it belongs to: outer or inner.
    """

    inset: Array
    z: Array
    depth: float  # of the bevelled side
    base: float  # of the plain base below it

    def __post_init__(self) -> None:
        freeze_arrays(self)


@dataclass(frozen=True, eq=False, kw_only=True)
class Block:
    """The forming block of one piece, in block coordinates."""

    piece: Piece
    solid: Solid
    faces: str  # the way the flange faces: aft | forward
    view: str  # how X, Y are seen
    depth: float
    base: float
    pins: tuple[Mark, ...]
    notes: tuple[str, ...]

    @property
    def name(self) -> str:
        """Return the name of the piece."""
        return self.piece.name

    @property
    def mesh(self) -> Any:
        """Return the block as a `trimesh.Trimesh`."""
        return as_mesh(self.solid)


def forming_block(
    section: Section, job: Job, *, step: float = STEP, rounded: bool = True
) -> tuple[Block, ...]:
    """Make the forming blocks of a frame, one closed solid for each piece.

    The top's sharp edge is the flange line moved inwards by gauge tan(N/2) in the
    plane; h below it the side stands h tan(angle - overbend - 90 degrees) outside
    that edge. The edge is rounded to the inside bend radius. The side is ruled
    (straight down) for the flange width and the job's margin; the base below is
    plain. Inwards the block ends at the web's inner edge, or at the bend of the
    inner flange where that faces the same way.

    Parameters
    ----------
    section : Section
    job : Job
    step : float
        mm of girth between cross-sections, at most.
    rounded : bool
        False leaves the top edge sharp, as it is drawn.

    Returns
    -------
    tuple of Block

    Raises
    ------
    LoftError
        A figure is missing; the block would fold over or be cut through.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> blocks = forming_block(round_section(600.0), plain_job(), step=10.0)
    >>> blocks[0].name, blocks[0].view
    ('CROWN-S1S', 'looking aft, starboard left')
    """
    margin = job.shop.block_margin
    if not margin >= 0:
        raise LoftError(
            Finding(
                file=job.path.name,
                column="block.margin",
                text="nothing found, how much deeper than the flange the block is to be wanted",
            )
        )
    lines = frame_lines(section, job, step=step)
    base = job.shop.block_base if job.shop.block_base == job.shop.block_base else 0.0
    profiles = block_profiles(lines, depth=lines.part.flange + margin, base=base, rounded=rounded)
    _check_wall(lines, profiles)
    rings, trims = block_rings(lines, profiles)
    pins = [mark for mark in frame_marks(section, job, lines) if mark.kind == "pin"]
    view = (
        "looking aft, starboard left"
        if lines.part.hand > 0
        else ("looking forward, starboard right")
    )
    blocks = []
    for piece in lines.pieces:
        own = [pin for pin in pins if piece_at(lines.pieces, pin.girth, section.length) is piece]
        solid = swept_solid(
            _held_back(rings[piece.rows], piece), closed=piece.closed, name=piece.name
        )
        holes = [(-lines.part.hand * pin.bl, pin.height, 2 * pin.radius) for pin in own]
        blocks.append(
            Block(
                piece=piece,
                solid=drilled(solid, holes),
                faces=lines.part.faces,
                view=view,
                depth=profiles.depth,
                base=profiles.base,
                pins=tuple(own),
                notes=(*_notes(lines, piece, profiles), *_trim_note(lines, piece, trims)),
            )
        )
    return tuple(blocks)


def follower_block(
    section: Section, job: Job, *, step: float = STEP
) -> tuple[tuple[str, Solid], ...]:
    """Return the follower of every piece, by name: the plate that clamps the web on its block.

    In block coordinates, on the sheet: it covers the flat of the web, from the bend's
    tangent line to the inner edge or the inner flange's tangent line, with the pin
    holes of its block. None where the job gives no [block] follower.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> follower_block(round_section(600.0), plain_job(), step=10.0)
    ()
    """
    thick = job.shop.block_follower
    if thick != thick:
        return ()
    lines = frame_lines(section, job, step=step)
    part, rows = lines.part, len(lines.girth)
    sharp = np.pi - part.inner_angle
    lost = (part.radius + part.gauge) * np.tan(sharp / 2) if part.inner_flange else 0.0
    inner = part.web_depth - lost
    outer = lines.setback[:, None]
    low = np.full((rows, 1), part.gauge)
    profiles = Profiles(
        inset=np.concatenate([np.full((rows, 1), inner), outer, outer, np.full((rows, 1), inner)],
                             axis=1),
        z=np.concatenate([low + thick, low + thick, low, low], axis=1),
        depth=thick,
        base=0.0,
    )  # fmt: skip
    rings, _ = block_rings(lines, profiles)
    pins = [mark for mark in frame_marks(section, job, lines) if mark.kind == "pin"]
    made = []
    for piece in lines.pieces:
        solid = swept_solid(
            _held_back(rings[piece.rows], piece), closed=piece.closed, name=piece.name
        )
        own = [p for p in pins if piece_at(lines.pieces, p.girth, section.length) is piece]
        holes = [(-part.hand * pin.bl, pin.height, 2 * pin.radius) for pin in own]
        made.append((piece.name, drilled(solid, holes)))
    return tuple(made)


def block_profiles(
    lines: FrameLines, *, depth: float, base: float, rounded: bool = True
) -> Profiles:
    """Return the cross-sections of a block, square to the mould line.

    Parameters
    ----------
    lines : FrameLines
    depth : float
        Of the bevelled side below the top, mm.
    base : float
        Of the plain base below that, mm.
    rounded : bool

    Returns
    -------
    Profiles
        Corners run from the inner edge of the top outwards and down.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> lines = frame_lines(round_section(600.0), plain_job())
    >>> block_profiles(lines, depth=29.0, base=20.0, rounded=False).inset[0].round(3).tolist()
    [75.0, 1.2, 1.2, 1.2, 75.0]
    """
    part = lines.part
    outer, z = _side(
        lines.edge_inset, lines.bend + part.overbend, part.radius, depth, base, rounded
    )
    rows = len(lines.girth)
    if part.inner_flange and part.inner_faces == part.faces:
        bend = np.full(rows, np.pi - part.inner_angle)
        shift = overbend_shift(
            bend, part.overbend, radius=part.radius, gauge=part.gauge, constant=part.constant
        )
        edge = inside_edge(bend, gauge=part.gauge) - shift
        inner, low = _side(edge, bend + part.overbend, part.radius, depth, base, rounded)
        inset = np.concatenate([(part.web_depth - inner)[:, ::-1], outer], axis=1)
        height = np.concatenate([low[:, ::-1], z], axis=1)
        # the inner side runs up from the base to the top, the outer one down again
    else:
        flat = np.full((rows, 1), part.web_depth)
        inset = np.concatenate([flat, outer, flat], axis=1)
        height = np.concatenate([np.zeros((rows, 1)), z, z[:, -1:]], axis=1)
    return Profiles(inset=inset, z=height, depth=depth, base=base)


def _side(
    edge: Array, bend: Array, radius: float, depth: float, base: float, rounded: bool
) -> tuple[Array, Array]:
    """Return one side from the top down: inset and Z, shape (n, k)."""
    fall = np.tan(np.pi / 2 - bend)  # outwards for each mm down
    if rounded and radius > 0:
        turn = bend[:, None] * np.arange(_ROUND + 1) / _ROUND
        centre = edge + radius * np.tan(bend / 2)
        inset = centre[:, None] - radius * np.sin(turn)
        z = -radius * (1 - np.cos(turn))
    else:
        inset, z = edge[:, None], np.zeros((len(edge), 1))
    foot = (edge - depth * fall)[:, None]
    bottom = np.full((len(edge), 1), -depth)
    plain = [(foot, bottom - base)] if base > 0 else []
    return (
        np.concatenate([inset, foot, *[at_foot for at_foot, _ in plain]], axis=1),
        np.concatenate([z, bottom, *[low for _, low in plain]], axis=1),
    )


def _check_wall(lines: FrameLines, profiles: Profiles) -> None:
    """Refuse a block whose undercut side comes through its inner edge."""
    middle = profiles.inset.shape[1] // 2
    inner = profiles.inset[:, [0, -1]].min(axis=1) if not lines.part.inner_flange else None
    if inner is None:
        return
    wall = inner - profiles.inset[:, 1:-1].max(axis=1)
    worst = int(np.argmin(wall))
    if wall[worst] <= 0 or middle == 0:
        raise LoftError(
            Finding(
                column="block.margin",
                text=f"at girth {lines.girth[worst]:.1f} mm the block's side, "
                f"{profiles.depth:g} mm deep, undercuts by "
                f"{profiles.inset[worst, 1:-1].max():.1f} mm, through the web of "
                f"{lines.part.web_depth:g} mm: a lesser margin is wanted",
            )
        )


def block_rings(lines: FrameLines, profiles: Profiles) -> tuple[Array, list[float]]:
    """Return the corners of all cross-sections in block coordinates, shape (n, k, 3).

    And the girths at which a line folded over and was trimmed.
    """
    rows, corners = profiles.inset.shape
    out = np.zeros((rows, corners, 3))
    along = np.column_stack([lines.normal[:, 1], -lines.normal[:, 0]])
    trimmed: set[float] = set()
    for corner in range(corners):
        inwards = lines.inset + profiles.inset[:, corner]
        plain = lines.mould - inwards[:, None] * lines.normal
        for first, _ in folded_runs(plain, along):
            trimmed.add(round(float(lines.girth[first]), 1))
        flat = mend(plain, lines.mould, lines.normal, lines.girth)
        out[:, corner, 0] = -lines.part.hand * flat[:, 0]
        out[:, corner, 1] = flat[:, 1]
        out[:, corner, 2] = profiles.z[:, corner]
    return out, sorted(trimmed)


def _trim_note(lines: FrameLines, piece: Piece, trims: Sequence[float]) -> list[str]:
    """Say where lines of a piece's block were trimmed."""
    own = [girth for girth in trims if on_piece(piece, girth, lines.outline.length)]
    if not own:
        return []
    places = ", ".join(f"{girth:.0f}" for girth in own)
    return [f"a line of the block folded over and was trimmed at girth {places} mm"]


def _held_back(rings: Array, piece: Piece) -> Array:
    """Move both ends inwards a hair."""
    if piece.closed:
        return rings
    held = rings.copy()
    for end, neighbour in ((0, 1), (-1, -2)):
        gap = np.linalg.norm(rings[neighbour] - rings[end], axis=1)
        share = np.clip(_END_GAP / np.where(gap > 0, gap, 1.0), 0.0, 0.5)
        held[end] += share[:, None] * (rings[neighbour] - rings[end])
    return held


def _notes(lines: FrameLines, piece: Piece, profiles: Profiles) -> Iterator[str]:
    part = lines.part
    if part.overbend_given:
        shift = lines.shift[piece.rows]
        yield (
            f"overbend {np.rad2deg(part.overbend):g} degrees; the sharp edge stands "
            f"{shift.min():.3f} to {shift.max():.3f} mm further out for it"
        )
    else:
        yield "no overbend: the job gives none, and the flange will spring back open"
    turned = float(np.sum(_turns(lines, piece)))
    closed = bool((lines.angle[piece.rows] < np.pi / 2 - 1e-9).any())
    if closed and turned > np.pi:
        yield (
            f"the flange is closed and the piece wraps {np.rad2deg(turned):.0f} degrees, more "
            "than 180: it cannot leave its block in one piece; splice it, or cut the block"
        )
    if part.inner_flange and part.inner_faces != part.faces:
        yield "the inner flange faces the other way: this block does not form it"
    if profiles.base == 0:
        yield "no base below the bevelled side: the job gives none"


def _turns(lines: FrameLines, piece: Piece) -> Array:
    """Return the turn of the mould line from row to row of a piece, radians."""
    heading = np.unwrap(np.arctan2(lines.normal[piece.rows, 0], lines.normal[piece.rows, 1]))
    return np.abs(np.diff(heading))


def block_files(blocks: Sequence[Block], *, frame: str, section_hash: str) -> dict[str, bytes]:
    """Return the blocks' files by name: block.stl, block_<piece>.stl, block.3mf.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> blocks = forming_block(round_section(600.0), plain_job(), step=10.0)
    >>> sorted(block_files(blocks, frame="F1", section_hash="0123456789ab"))[:3]
    ['block.3mf', 'block.stl', 'block_CROWN-S1S.stl']
    """
    solids = [block.solid for block in blocks]
    faces = blocks[0].faces
    about = f"section {section_hash} frame {frame} mm flange {faces}"
    files = {"block.stl": stl_bytes(solids, heading=f"{about} forming blocks"[:80])}
    for block in blocks:
        heading = f"{about} block {block.name}"[:80]
        files[f"block_{block.name}.stl"] = stl_bytes([block.solid], heading=heading)
    files["block.3mf"] = threemf_bytes(
        solids,
        title=f"forming blocks of frame {frame}, section {section_hash}",
        description=f"millimetres; seen {blocks[0].view}; top at Z 0; flange faces {faces}; "
        f"{SHAPE_ONLY}",
    )
    return files
