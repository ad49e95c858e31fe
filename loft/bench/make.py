"""Everything the bench makes of one section: files by name, and the figures people quote."""

from __future__ import annotations

from typing import Any

from loft.bench.block import block_files, forming_block
from loft.bench.frame import frame_lines
from loft.bench.listing import frame_table, marks_table
from loft.bench.marks import frame_marks
from loft.bench.offsets import offsets_csv
from loft.job.records import Job, Section


def make_files(
    section: Section, job: Job, section_hash: str, units: str = "mm"
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

    Raises
    ------
    LoftError
        Anything that must be known is not, or cannot be made.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> sorted(make_files(round_section(600.0), plain_job(), "0123456789ab"))[-3:]
    ['frame.csv', 'marks.csv', 'offsets.csv']
    """
    lines = frame_lines(section, job)
    marks = frame_marks(section, job, lines)
    blocks = forming_block(section, job)
    texts = {
        "frame.csv": frame_table(lines, section_hash),
        "marks.csv": marks_table(marks, lines, section_hash),
        "offsets.csv": offsets_csv(
            section, job, section_hash=section_hash, units=units, of=job.shop.offsets_of
        ),
    }
    files = {name: text.encode("utf-8") for name, text in texts.items()}
    return {**files, **block_files(blocks, frame=section.frame, section_hash=section_hash)}


def make_summary(section: Section, job: Job, section_hash: str) -> dict[str, Any]:
    """Return the figures of the bench that a person would quote, plain types only.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> make_summary(round_section(600.0), plain_job(), "0123456789ab")["pieces"][0]["name"]
    'CROWN-S1S'
    """
    import numpy as np

    lines = frame_lines(section, job)
    blocks = forming_block(section, job)
    degrees = np.rad2deg(lines.angle)
    return {
        "section": section_hash,
        "flange_faces": lines.part.faces,
        "flange_deg": [round(float(degrees.min()), 3), round(float(degrees.max()), 3)],
        "setback": [round(float(lines.setback.min()), 4), round(float(lines.setback.max()), 4)],
        "edge_strain_percent": [
            round(100 * float(lines.strain.min()), 3),
            round(100 * float(lines.strain.max()), 3),
        ],
        "pieces": [
            {
                "name": block.name,
                "girth": round(block.piece.stop - block.piece.start, 1),
                "block_depth": round(block.depth + block.base, 3),
                "block_volume_cm3": round(block.solid.volume / 1000.0, 1),
                "pins": [pin.name for pin in block.pins],
                "notes": list(block.notes),
            }
            for block in blocks
        ],
    }
