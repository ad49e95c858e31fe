"""The pieces a frame is made in, from splice to splice."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loft.bench.outline import SAME_GIRTH
from loft.bench.part import place_girth
from loft.job.errors import Finding, LoftError
from loft.job.records import Array, Job, Section

WHOLE = "WHOLE"  # a ring without a splice


@dataclass(frozen=True, eq=False, kw_only=True)
class Piece:
    """One piece: rows of the frame lines from its first end to its last, in order.

    `rows` index the rows once round; a piece that passes the crown runs over the
    end. A closed ring has no ends: its last row joins its first.
    """

    name: str
    ends: tuple[str, str]
    start: float  # girth
    stop: float  # girth, greater than start; may pass the whole girth
    rows: NDArray[np.int64]
    closed: bool
    lap: float = 0.0  # how far past `stop` it runs over the next piece

    @property
    def run(self) -> float:
        """Return its girth from end to end, the lap included."""
        return self.stop + self.lap - self.start


def split(
    section: Section, job: Job, girth: Array, before: NDArray[np.bool_], *, lap: float = 0.0
) -> tuple[Piece, ...]:
    """Return the pieces between the job's splices, in order of girth.

    Each runs past its second splice by `lap` mm, over the one that begins there.

    Raises
    ------
    LoftError
        A splice is no line that crosses this frame, or two stand at one girth; a lap
        reaches over the whole of the next piece.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> section = round_section(600.0)
    >>> pieces = split(section, plain_job(), section.girth, np.zeros(len(section.girth), bool))
    >>> [piece.name for piece in pieces]
    ['CROWN-S1S', 'S1S-KEEL', 'KEEL-S1P', 'S1P-CROWN']
    """
    splices = job.frame_section.splices
    if not splices:
        return (
            Piece(
                name=WHOLE,
                ends=("", ""),
                start=0.0,
                stop=section.length,
                rows=np.arange(len(girth)),
                closed=True,
            ),
        )
    places = sorted(zip(_girths(section, splices, job.unit), splices, strict=True))
    pieces = []
    for number, (start, name) in enumerate(places):
        stop, other = places[(number + 1) % len(places)]
        stop += section.length if stop <= start else 0.0
        pieces.append(
            Piece(
                name=f"{name}-{other}",
                ends=(name, other),
                start=start,
                stop=stop,
                rows=_between(girth, before, start, stop + lap, section.length),
                closed=False,
                lap=lap,
            )
        )
    short = [piece for piece in pieces if piece.stop - piece.start <= 2 * lap]
    if short:
        raise LoftError(
            Finding(
                column="splice.lap",
                text=f"{piece.name} found {piece.stop - piece.start:.1f} mm of girth long, more "
                f"than twice the lap of {lap:.1f} mm wanted",
            )
            for piece in short
        )
    return tuple(pieces)


def piece_at(pieces: tuple[Piece, ...], girth: float, length: float) -> Piece:
    """Return the piece a girth lies on; at a splice the one that begins there.

    Examples
    --------
    >>> from loft.bench.stock import plain_job, round_section
    >>> section = round_section(600.0)
    >>> pieces = split(section, plain_job(), section.girth, np.zeros(len(section.girth), bool))
    >>> piece_at(pieces, 10.0, section.length).name
    'CROWN-S1S'
    """
    for piece in pieces:
        if (girth - piece.start + SAME_GIRTH) % length < piece.stop - piece.start:
            return piece
    return pieces[-1]


def on_piece(piece: Piece, girth: float, length: float) -> bool:
    """Say whether a girth lies on a piece, its ends and its lap included.

    Examples
    --------
    >>> from loft.bench.frame import frame_lines
    >>> from loft.bench.stock import plain_job, round_section
    >>> lines = frame_lines(round_section(600.0), plain_job())
    >>> on_piece(lines.pieces[0], 0.0, lines.outline.length)
    True
    """
    past = (girth - piece.start + SAME_GIRTH) % length - SAME_GIRTH
    return bool(past <= piece.run + SAME_GIRTH)


def _girths(section: Section, splices: tuple[str, ...], unit: str) -> list[float]:
    found = [place_girth(section, name, unit) for name in splices]
    faults = []
    for number, (name, girth) in enumerate(zip(splices, found, strict=True)):
        if girth != girth:
            faults.append(
                Finding(
                    column="frame_section.splices",
                    text=f"{name} found, a line that crosses {section.frame} wanted, or a "
                    "distance from one, such as S4S+60: " + ", ".join(section.crossings.line),
                )
            )
        elif any(abs(girth - other) < SAME_GIRTH for other in found[:number]):
            faults.append(
                Finding(
                    column="frame_section.splices",
                    text=f"{name} found at girth {girth:.1f} mm, where another splice stands",
                )
            )
    if faults:
        raise LoftError(faults)
    return found


def _between(
    girth: Array, before: NDArray[np.bool_], start: float, stop: float, length: float
) -> NDArray[np.int64]:
    """Return the rows from one splice to the next, both with their own side of a chine."""
    count = len(girth)
    first = _row(girth, before, start, length, early=False)
    last = _row(girth, before, stop, length, early=True)
    steps = (last - first) % count or count
    return (first + np.arange(steps + 1)) % count


def _row(
    girth: Array, before: NDArray[np.bool_], where: float, length: float, *, early: bool
) -> int:
    gap = np.abs(np.mod(girth - where + length / 2, length) - length / 2)
    rows = np.flatnonzero(gap <= gap.min() + 1e-9)
    chosen = rows[before[rows] == early]
    return int(chosen[0] if len(chosen) else rows[0])
