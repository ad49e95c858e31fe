"""frame.csv and marks.csv: the figures of the frame lines as tables."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from loft.bench.bend import bend_constant
from loft.bench.frame import FrameLines
from loft.bench.marks import Mark
from loft.bench.pieces import Piece
from loft.job.caution import CAUTION
from loft.job.files import table_text
from loft.job.units import MM_PER

FRAME_COLUMNS = (
    "piece",
    "girth",
    "side",
    "station",
    "bl",
    "height",
    "wl",
    "depth",
    "flange_bl",
    "flange_height",
    "flange_deg",
    "open_closed",
    "bend_deg",
    "setback",
    "web_tangent_bl",
    "web_tangent_height",
    "bend_allowance",
    "blank_bl",
    "blank_height",
    "block_edge_bl",
    "block_edge_height",
    "block_side_deg",
    "flange_radius",
    "edge_strain",
    "shrink_stretch",
    "sd",
    "bevel_sd_deg",
    "bevel_deg",
    "edge_shift",
    "rivet_bl",
    "rivet_height",
)
MARK_COLUMNS = (
    "kind",
    "name",
    "girth",
    "bl",
    "height",
    "angle_deg",
    "width",
    "depth",
    "radius",
    "lean_deg",
)


def frame_table(lines: FrameLines, section_hash: str, *, unit: str = "mm") -> str:
    """Return frame.csv: every piece from end to end, its rows at most 10 mm of girth apart.

    Lengths in `unit`, the job's: mm or in.

    Examples
    --------
    >>> from loft.bench.frame import frame_lines
    >>> from loft.bench.stock import plain_job, round_section
    >>> lines = frame_lines(round_section(600.0), plain_job())
    >>> frame_table(lines, "0123456789ab").splitlines()[-1].split(",")[:3]
    ['S1P-CROWN', '0.0000', 'starboard']
    """
    rows = [row for piece in lines.pieces for row in _piece_rows(lines, piece, MM_PER[unit])]
    return table_text(FRAME_COLUMNS, rows, frame_heading(lines, section_hash, unit))


def frame_heading(lines: FrameLines, section_hash: str, unit: str = "mm") -> list[str]:
    """Return the ``#`` lines of frame.csv.

    Examples
    --------
    >>> from loft.bench.frame import frame_lines
    >>> from loft.bench.stock import plain_job, round_section
    >>> frame_heading(frame_lines(round_section(600.0), plain_job()), "0123456789ab")[0]
    'frame lines of F1, section 0123456789ab; lengths in mm, angles in degrees'
    """
    part = lines.part
    overbend = f"{np.rad2deg(part.overbend):g} degrees" if part.overbend_given else "none given"
    return [
        f"frame lines of {lines.frame}, section {section_hash}; "
        f"lengths in {unit}, angles in degrees",
        "bl positive to starboard; height in the frame's plane; wl the waterline; bl, height, wl "
        "and station are those of the mould line",
        f"flange {part.flange:g} mm wide, faces {part.faces}; gauge {part.gauge:g} mm; inside bend "
        f"radius {part.radius:g} mm; web {part.web_depth:g} mm deep; overbend {overbend}",
        "depth: of the flange line under the mould line, normal to the surface",
        f"bend allowance: {bend_constant(part.constant)[2]}",
        "blank: edge of the flat without trim; edge_strain: mean along the free edge, as a "
        "fraction, negative shrinks",
        "a chine and the edge of a lap have two rows, before and after; rows past the crossing of "
        "two sides stand on it",
        CAUTION,
    ]


def marks_table(
    marks: Sequence[Mark], lines: FrameLines, section_hash: str, *, unit: str = "mm"
) -> str:
    """Return marks.csv: splices, cut-outs, pin holes, lap steps and chines.

    Lengths in `unit`, the job's: mm or in.

    Examples
    --------
    >>> from loft.bench.frame import frame_lines
    >>> from loft.bench.stock import plain_job, round_section
    >>> lines = frame_lines(round_section(600.0), plain_job())
    >>> marks_table([], lines, "0123456789ab").splitlines()[-1]
    'kind,name,girth,bl,height,angle_deg,width,depth,radius,lean_deg'
    """
    heading = [
        f"marks of {lines.frame}, section {section_hash}; lengths in {unit}, angles in degrees",
        "bl, height: on the flange line; of a pin hole its centre",
        "angle: outward direction from up, positive to starboard; lean: of a cut-out's bottom "
        "from square to the mould line, positive to greater girth (its angle has it in)",
        "depth: of a cut-out from the flange line, of a pin inside it, of a lap its step",
        CAUTION,
    ]
    u = MM_PER[unit]
    rows = [
        (
            mark.kind,
            mark.name,
            mark.girth / u,
            mark.bl / u,
            mark.height / u,
            float(np.rad2deg(mark.angle)),
            mark.width / u,
            mark.depth / u,
            mark.radius / u,
            float(np.rad2deg(mark.lean)) if mark.kind == "cutout" else "",
        )
        for mark in marks
    ]
    return table_text(MARK_COLUMNS, rows, heading)


def _piece_rows(lines: FrameLines, piece: Piece, u: float) -> Iterator[tuple[object, ...]]:
    words = lines.open_closed
    deed = np.select([lines.strain < 0, lines.strain > 0], ["shrink", "stretch"], "straight")
    degrees = {
        name: np.rad2deg(getattr(lines, name))
        for name in ("angle", "bend", "block_side", "bevel_sd", "bevel")
    }
    for row in piece.rows:
        yield (
            piece.name,
            float(lines.girth[row]) / u,
            str(lines.side[row]),
            float(lines.station[row]) / u,
            *(lines.mould[row] / u).tolist(),
            float(lines.wl[row]) / u,
            float(lines.depth[row]) / u,
            *(lines.flange_line[row] / u).tolist(),
            float(degrees["angle"][row]),
            str(words[row]),
            float(degrees["bend"][row]),
            float(lines.setback[row]) / u,
            *(lines.web_tangent[row] / u).tolist(),
            float(lines.allowance[row]) / u,
            *(lines.blank[row] / u).tolist(),
            *(lines.block_edge[row] / u).tolist(),
            float(degrees["block_side"][row]),
            float(lines.flange_radius[row]) / u,
            f"{lines.strain[row]:.6f}",
            str(deed[row]),
            float(lines.sd[row]) / u,
            float(degrees["bevel_sd"][row]),
            float(degrees["bevel"][row]),
            float(lines.shift[row]) / u,
            *(lines.rivets[row] / u).tolist(),
        )
