"""Write files whole or not at all, with the same bytes every time."""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import os
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from loft.job.errors import Finding, LoftError


@contextlib.contextmanager
def written_whole(path: Path) -> Iterator[Path]:
    """Give a temporary path beside `path`; rename it onto `path` when the block succeeds.

    Nothing half-written is ever left under `path`: on any exception, Ctrl-C and a
    full disk included, the temporary file is removed and `path` stays as it was.
    The temporary name keeps the suffix, since some writers choose the format by it.

    Raises
    ------
    LoftError
        The folder cannot be written or the disk is full.
    """
    path = Path(path)
    scrap = None
    with writing(path):
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(prefix=".~", suffix=path.suffix, dir=path.parent)
            os.close(handle)
            scrap = Path(name)
            yield scrap
            scrap.chmod(0o644)
            scrap.replace(path)
        finally:
            if scrap is not None:
                scrap.unlink(missing_ok=True)


@contextlib.contextmanager
def writing(place: Path) -> Iterator[None]:
    """Refuse in one line where the system cannot write a place.

    Raises
    ------
    LoftError
        With the system's reason.
    """
    try:
        yield
    except OSError as error:
        reason = error.strerror or str(error)
        raise LoftError(Finding(file=str(place), text=f"cannot be written: {reason}")) from error


def write_bytes(path: Path, content: bytes) -> None:
    """Write `content` to `path`, whole or not at all."""
    with written_whole(path) as scrap:
        scrap.write_bytes(content)


def write_text(path: Path, content: str) -> None:
    """Write `content` to `path` as UTF-8 with plain newlines, whole or not at all."""
    write_bytes(path, content.encode("utf-8"))


def number(value: float, places: int = 4) -> str:
    """Return `value` with `places` decimals; blank for NaN, never a minus zero.

    Examples
    --------
    >>> number(-0.00001), number(float("nan")), number(float("inf")), number(2.5)
    ('0.0000', '', 'inf', '2.5000')
    """
    if value != value:
        return ""
    if value in (float("inf"), float("-inf")):
        return "inf" if value > 0 else "-inf"
    text = f"{value:.{places}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


def table_text(
    columns: Sequence[str], rows: Iterable[Sequence[object]], heading: Sequence[str] = ()
) -> str:
    """Return a CSV table: ``#`` lines, a header row, then the rows.

    Floats are written with 4 decimals (lengths); columns whose name ends in
    ``_deg`` with 5. NaN is blank. Give text for any other form.

    Examples
    --------
    >>> print(table_text(["line", "bl", "cant_deg"], [["S1S", 2.0, 1.0]], ["mm"]), end="")
    # mm
    line,bl,cant_deg
    S1S,2.0000,1.00000
    """
    places = [5 if name.endswith("_deg") else 4 for name in columns]
    out = io.StringIO()
    out.writelines(f"# {line}\n" for line in heading)
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow(
            [
                number(float(cell), digits) if isinstance(cell, float) else str(cell)
                for cell, digits in zip(row, places, strict=True)
            ]
        )
    return out.getvalue()


def digest(path: Path) -> str:
    """Return the SHA-256 of a file as hexadecimal text."""
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()
