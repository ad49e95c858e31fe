"""Point clouds as text: x y z in columns, with or without a header, comments or a count.

Columns may be parted by blanks, tabs, commas or semicolons. Lines that start with
# or // are comments. Decimal commas are refused, since half of what they part
would be read as a coordinate of its own.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np

from loft.job.errors import Finding, LoftError
from loft.job.records import Array
from loft.survey.rows import Rows

BLOCK = 1 << 22  # bytes read at a time
SEPARATORS = bytes.maketrans(b",;\t\r", b"    ")
DECIMAL_COMMAS = re.compile(r"-?\d+,\d+(\s+-?\d+,\d+){2,}\s*|[^;]*\d,\d[^;]*(;.*){2,}")
COMMENT = (b"#", b"//")


@dataclass(frozen=True, kw_only=True)
class CloudHead:
    """What a cloud's head says.

    `points` is -1 where it does not say; `step` the rounding of its numbers, `single`
    where they are of single precision.
    """

    kind: str
    points: int
    step: float = 0.0
    single: bool = False
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Layout:
    """Where the points start, and which columns are x, y, z.

    `skip` bytes and `rows` lines stand before the first point; `counted` is the
    number of points that a count line promises, -1 where there is none.
    """

    skip: int
    rows: int
    columns: int
    picked: tuple[int, int, int]
    counted: int = -1


def text_head(path: Path, name: str) -> CloudHead:
    """Return what the first lines say; refuse a file that is not x y z in columns."""
    layout = _layout(path, name)
    return CloudHead(kind="text", points=layout.counted)


def text_chunks(path: Path, name: str, chunk: int) -> Iterator[tuple[Rows, float]]:
    """Yield the points with the share of the file read."""
    layout = _layout(path, name)
    size = max(path.stat().st_size, 1)
    read, row = 0, layout.rows
    with path.open("rb") as file:
        file.seek(layout.skip)
        done = layout.skip
        for block in line_blocks(file):
            points = parse_lines(block, layout.columns, picked=layout.picked, name=name, row=row)
            row += block.count(b"\n")
            done += len(block)
            read += len(points)
            for start in range(0, len(points), chunk):
                yield Rows(table=points[start : start + chunk]), min(done / size, 1.0)
    if layout.counted >= 0 and read != layout.counted:
        text = f"{read} points found, {layout.counted} wanted by its first line"
        raise LoftError(Finding(file=name, text=text))


def line_blocks(file: BinaryIO) -> Iterator[bytes]:
    """Yield the rest of a file in blocks of whole lines."""
    left = b""
    while block := file.read(BLOCK):
        cut = block.rfind(b"\n") + 1
        if cut == 0 and len(left) < BLOCK:
            left += block
            continue
        yield left + block[:cut]
        left = block[cut:]
    if left:
        yield left


def _layout(path: Path, name: str) -> Layout:
    """Look at the lines before the first point: comments, a count, a header."""
    counted, names, skip, rows = -1, None, 0, 0
    with path.open("rb") as file:
        for raw in file:
            if len(raw) > 10_000 or b"\0" in raw:
                wanted = "not text found, x y z in columns wanted"
                raise LoftError(Finding(file=name, row=rows + 1, text=wanted))
            line = raw.decode("utf-8-sig", errors="replace").strip()
            words = line.translate(str.maketrans(",;\t", "   ")).split()
            if not line or line.encode().startswith(COMMENT):
                pass
            elif len(words) == 1 and counted < 0 and words[0].isdigit():
                counted = int(words[0])
            elif not all(map(_is_number, words)) and names is None:
                names = [word.strip('"').lower() for word in words]
            else:
                return _columns(
                    Finding(file=name, row=rows + 1, text=line),
                    words,
                    names,
                    Layout(
                        skip=skip, rows=rows, columns=len(words), picked=(0, 1, 2), counted=counted
                    ),
                )
            skip, rows = skip + len(raw), rows + 1
    raise LoftError(Finding(file=name, text="no points found, x y z in columns wanted"))


def _columns(first: Finding, words: list[str], names: list[str] | None, plain: Layout) -> Layout:
    """Return the layout with x, y, z picked by the header's names, where there is one."""
    shown = first.text[:60]
    if DECIMAL_COMMAS.fullmatch(first.text):
        text = f"{shown!r} found: decimal commas; write decimal points"
    elif not all(map(_is_number, words)):
        text = f"{shown!r} found, numbers wanted"
    elif len(words) < 3:
        text = f"{len(words)} columns found, x y z wanted"
    elif names is None:
        return plain
    elif not {"x", "y", "z"} <= set(names):
        text = f"columns {', '.join(names)[:60]} found; x, y and z wanted among them"
    elif len(names) != len(words):
        text = f"{len(words)} columns found, {len(names)} wanted by the header"
    else:
        picked = (names.index("x"), names.index("y"), names.index("z"))
        return Layout(
            skip=plain.skip,
            rows=plain.rows,
            columns=plain.columns,
            picked=picked,
            counted=plain.counted,
        )
    raise LoftError(Finding(file=first.file, row=first.row, text=text))


def _is_number(word: str) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True


def parse_lines(
    block: bytes, columns: int, *, picked: tuple[int, int, int], name: str, row: int
) -> Array:
    """Return the picked columns of a block of whole lines that starts after line `row`.

    The words of every line are counted first: the parser does not see lines, and a
    short line would shift all that follows.
    """
    if any(mark in block for mark in COMMENT):
        kept = block.split(b"\n")
        block = b"\n".join(b"" if line.lstrip().startswith(COMMENT) else line for line in kept)
    block = block.translate(SEPARATORS)
    blank = np.frombuffer(block, dtype=np.uint8) <= 32
    starts = ~blank
    starts[1:] &= blank[:-1]
    ends = np.flatnonzero(np.frombuffer(block, dtype=np.uint8) == 10)
    at = np.concatenate([[0], ends[ends < len(block) - 1] + 1])
    words = np.add.reduceat(starts, at, dtype=np.int64) if len(block) else np.zeros(0, int)
    wrong = np.flatnonzero((words != columns) & (words != 0))
    if len(wrong):
        found = f"{words[wrong[0]]} columns found, {columns} wanted"
        raise LoftError(Finding(file=name, row=row + int(wrong[0]) + 1, text=found))
    try:
        values = np.fromstring(block.decode("ascii"), sep=" ")
    except (ValueError, DeprecationWarning):
        values = np.zeros(0)
    if len(values) != words.sum():
        raise LoftError(_bad_word(block, name, row))
    return values.reshape(-1, columns)[:, picked]


def _bad_word(block: bytes, name: str, row: int) -> Finding:
    """Return the first word of a block that is no number."""
    for number, line in enumerate(block.split(b"\n"), start=row + 1):
        for word in line.decode("utf-8", errors="replace").split():
            if not _is_number(word):
                return Finding(file=name, row=number, text=f"{word[:40]!r} found, a number wanted")
    return Finding(file=name, row=row + 1, text="text found that cannot be read as numbers")
