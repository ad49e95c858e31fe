"""Everything the bench makes of one section: files by name, and the figures people quote."""

from __future__ import annotations

from typing import Any

import numpy as np

from loft.bench.bend import bend_constant
from loft.bench.blank import flat_blank
from loft.bench.block import block_files, follower_block, forming_block
from loft.bench.boards import block_drawing, boards_drawing
from loft.bench.frame import frame_lines
from loft.bench.limits import checks
from loft.bench.listing import frame_table, marks_table
from loft.bench.marks import frame_marks
from loft.bench.offsets import offsets_csv
from loft.bench.plot import dxf_bytes, pdf_bytes, svg_bytes
from loft.bench.shop import Work, shop_html, shop_pdf
from loft.bench.solid import stl_bytes
from loft.bench.splice import splice_of
from loft.bench.template import blank_drawing, template_drawing
from loft.job.errors import LoftError
from loft.job.records import NAN, Job, Section


def make_files(
    section: Section,
    job: Job,
    section_hash: str,
    units: str = "mm",
    *,
    paper: str = "A4",
    run_curvature: float = NAN,
) -> dict[str, bytes]:
    """Return the bench's files of one frame, content by name.

    Parameters
    ----------
    section : Section
    job : Job
    section_hash : str
        First 12 hexadecimal digits of the SHA-256 of section.csv.
    units : str
        mm, in or ft-in: what is printed for people.
    paper : str
        Of the tiled template (template_tiles.pdf): A4, A3 or Letter.
    run_curvature : float
        Largest fore-and-aft curvature of the body here, 1/mm, for the gap of a
        straight flange; NaN prints unknown.

    Returns
    -------
    dict of str to bytes
        boards_<piece>.dxf where the job gives a board; shop.pdf is left out where the
        package that makes it is not installed.

    Raises
    ------
    LoftError
        Anything that must be known is not, or cannot be made.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> files = make_files(round_section(600.0), plain_job(), "0123456789ab")
    >>> [name for name in sorted(files) if name.startswith("t")]
    ['template.dxf', 'template.pdf', 'template.svg', 'template_tiles.pdf']
    """
    work = work_of(section, job, section_hash, units=units, run_curvature=run_curvature)
    texts = {
        "frame.csv": frame_table(work.lines, section_hash, unit=job.unit),
        "marks.csv": marks_table(work.marks, work.lines, section_hash, unit=job.unit),
        "offsets.csv": offsets_csv(
            section, job, section_hash=section_hash, units=units, of=job.shop.offsets_of
        ),
        "shop.html": shop_html(work),
    }
    files = {name: text.encode("utf-8") for name, text in texts.items()}
    files |= block_files(work.blocks, frame=section.frame, section_hash=section_hash)
    for name, solid in follower_block(section, job):
        heading = f"section {section_hash} frame {section.frame} mm follower {name}"[:80]
        files[f"follower_{name}.stl"] = stl_bytes([solid], heading=heading)
    template = template_drawing(section, job, section_hash=section_hash, units=units)
    files |= {
        "template.dxf": dxf_bytes(template),
        "template.pdf": pdf_bytes(template),
        "template_tiles.pdf": pdf_bytes(template, paper=paper),
        "template.svg": svg_bytes(template),
    }
    for name in ("", *(block.name for block in work.blocks)):
        drawing = blank_drawing(section, job, section_hash=section_hash, units=units, piece=name)
        files[f"blank_{name}.dxf" if name else "blank.dxf"] = dxf_bytes(drawing)
    for block in work.blocks:
        drawing = block_drawing(section, job, section_hash=section_hash, piece=block.name)
        files[f"block_{block.name}.dxf"] = dxf_bytes(drawing)
    if job.shop.block_board == job.shop.block_board:
        for block in work.blocks:
            boards = boards_drawing(section, job, section_hash=section_hash, piece=block.name)
            files[f"boards_{block.name}.dxf"] = dxf_bytes(boards)
    try:
        files["shop.pdf"] = shop_pdf(texts["shop.html"])
    except LoftError:
        return files
    return files


def work_of(
    section: Section,
    job: Job,
    section_hash: str,
    *,
    units: str = "mm",
    run_curvature: float = NAN,
) -> Work:
    """Work a frame out: lines, marks, blocks, blanks, splices and checks.

    Raises
    ------
    LoftError
        Anything that must be known is not, or cannot be made.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> work = work_of(round_section(600.0), plain_job(), "0123456789ab")
    >>> len(work.blocks), len(work.blanks)
    (4, 4)
    """
    lines = frame_lines(section, job)
    marks = frame_marks(section, job, lines)
    return Work(
        section=section,
        job=job,
        section_hash=section_hash,
        units=units,
        lines=lines,
        marks=marks,
        blocks=forming_block(section, job),
        blanks=tuple(flat_blank(lines, marks, piece) for piece in lines.pieces),
        splice=splice_of(lines.part, job),
        findings=checks(section, job, lines, marks),
        run_curvature=run_curvature,
    )


def run_curvature(section: Section, neighbour: Section) -> float:
    """Return the largest fore-and-aft curvature of the body between two sections, 1/mm.

    The change of bevel at the same share of the girth over the distance between
    the frames: good while the two stand close (a flange's width apart).

    Parameters
    ----------
    section, neighbour : Section
        Of one surface, a little apart.

    Raises
    ------
    LoftError
        Both stand at one station.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from loft.bench.stock import round_section
    >>> first = round_section(600.0, bevel=-0.100)
    >>> next_ = replace(round_section(598.0, bevel=-0.102), station=1020.0)
    >>> round(run_curvature(first, next_), 6)
    0.0001
    """
    apart = abs(neighbour.station - section.station) * np.cos(section.cant)
    if not apart > 0:
        raise LoftError(f"both sections stand at station {section.station:g}: no run between them")
    share = section.girth / section.length
    other = np.interp(share, neighbour.girth / neighbour.length, neighbour.bevel, period=1.0)
    return float(np.abs(other - section.bevel).max() / apart)


def make_summary(section: Section, job: Job, section_hash: str) -> dict[str, Any]:
    """Return the figures of the bench that a person would quote, plain types only.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> make_summary(round_section(600.0), plain_job(), "0123456789ab")["pieces"][0]["name"]
    'CROWN-S1S'
    """
    work = work_of(section, job, section_hash)
    lines, splice = work.lines, work.splice
    degrees = np.rad2deg(lines.angle)
    return {
        "section": section_hash,
        "flange_faces": lines.part.faces,
        "flange_deg": _span(degrees, 3),
        "setback": _span(lines.setback, 4),
        "bend_allowance_by": bend_constant(lines.part.constant)[2],
        "overbend_deg": round(float(np.rad2deg(lines.part.overbend)), 3)
        if lines.part.overbend_given
        else None,
        "edge_strain_percent": _span(100 * lines.strain, 3),
        "splice_rivets": {leg.name: leg.rivets or None for leg in splice.legs}
        if job.frame_section.splices
        else {},
        "checks": [finding.line() for finding in work.findings],
        "pieces": [
            {
                "name": block.name,
                "girth": round(block.piece.run, 1),
                "block_depth": round(block.depth + block.base, 3),
                "block_volume_cm3": round(block.solid.volume / 1000.0, 1),
                "blank_area_cm2": round(blank.area / 100.0, 1),
                "pins": [pin.name for pin in block.pins],
                "notes": list(block.notes),
            }
            for block, blank in zip(work.blocks, work.blanks, strict=True)
        ],
    }


def _span(values: np.ndarray, places: int) -> list[float]:
    return [round(float(values.min()), places), round(float(values.max()), places)]
