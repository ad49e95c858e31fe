"""Rows of a CSV table with their numbers, and the faults of its form."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from loft.job.errors import Finding, LoftError
from loft.job.keys import nearest
from loft.job.records import NAN
from loft.job.units import NoUnitError, parse_length


@dataclass(frozen=True, eq=False, kw_only=True)
class Row:
    """One row of a CSV table: its number in the file and its cells by column."""

    number: int
    cells: Mapping[str, str]


@dataclass(eq=False, kw_only=True)
class Faults:
    """The faults of one table; one that many rows share is told once, with their number."""

    file: str
    shared: dict[tuple[str, str], list[int]] = field(default_factory=dict)
    count: int = 0

    def add(self, row: int, column: str, text: str) -> None:
        """Keep a fault; rows with the same column and text are counted together."""
        self.shared.setdefault((column, text), []).append(row)
        self.count += 1

    def findings(self) -> tuple[Finding, ...]:
        """Return the findings in the order of their first rows."""
        found = []
        for (column, text), rows in self.shared.items():
            more = f" (and {len(rows) - 1} more rows)" if len(rows) > 1 else ""
            found.append(Finding(file=self.file, row=rows[0], column=column, text=text + more))
        return tuple(sorted(found, key=lambda finding: finding.row))


def table_source(file: Path, name: str) -> str:
    """Return the text of a table, with or without a byte order mark.

    Raises
    ------
    LoftError
        The file cannot be read, or is not UTF-8 text.
    """
    try:
        content = Path(file).read_bytes()
    except FileNotFoundError:
        raise LoftError(Finding(file=name, text="no such file found")) from None
    except OSError as error:
        reason = error.strerror or str(error)
        raise LoftError(Finding(file=name, text=f"cannot be read: {reason}")) from error
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = content[: error.start].count(b"\n") + 1
        wanted = "not UTF-8 text; save the table as CSV in UTF-8"
        raise LoftError(Finding(file=name, row=row, text=wanted)) from error


def table_rows(
    source: str, faults: Faults, *, required: Sequence[str], optional: Sequence[str] = ()
) -> list[Row]:
    r"""Return the rows of a CSV table by column; faults of its form go to `faults`.

    Lines that start with # are comments, rows without any text are passed over.
    The columns may stand in any order. Where the header is at fault no row is read.

    Examples
    --------
    >>> faults = Faults(file="tape.csv")
    >>> rows = table_rows("# mm\nbl,wl\n2,3\n", faults, required=["bl", "wl"])
    >>> rows[0].number, rows[0].cells["bl"]
    (3, '2')
    """
    if "\0" in source:
        faults.add(0, "", "zero bytes found, a CSV table in UTF-8 wanted")
        return []
    lines = _numbered(source, faults)
    header = next(lines, None)
    if header is None:
        faults.add(0, "", f"an empty table found, the header {','.join(required)} wanted")
        return []
    columns = [cell.strip() for cell in header[1]]
    if not _header_holds(header[0], columns, faults, required=required, optional=optional):
        return []
    needed = 1 + max(columns.index(name) for name in required)
    rows = []
    for number, cells in lines:
        if len(cells) > len(columns) and any(cell.strip() for cell in cells[len(columns) :]):
            faults.add(
                number, "", f"{len(cells)} cells found, {len(columns)} wanted: a decimal comma?"
            )
        elif len(cells) < needed:
            faults.add(number, "", f"{len(cells)} cells found, {len(columns)} wanted: cut short?")
        else:
            padded = [cell.strip() for cell in cells] + [""] * (len(columns) - len(cells))
            rows.append(Row(number=number, cells=dict(zip(columns, padded, strict=False))))
    if not rows and not faults.shared:
        faults.add(0, "", "a header without rows found, readings wanted")
    return rows


def _numbered(source: str, faults: Faults) -> Iterator[tuple[int, list[str]]]:
    """Give every row with text in it, with its line number; comments are blanked first."""
    lines = [
        "" if line.lstrip().startswith("#") else line for line in re.split(r"\r\n|\n|\r", source)
    ]
    reader = csv.reader(f"{line}\n" for line in lines)
    start = 1
    try:
        for cells in reader:
            number, start = start, reader.line_num + 1
            if any("\n" in cell for cell in cells):
                faults.add(number, "", "a quotation mark that is not closed found in this row")
            elif any(cell.strip() for cell in cells):
                yield number, cells
    except csv.Error as error:
        faults.add(start, "", f"not CSV: {error}")


def _header_holds(
    number: int,
    columns: Sequence[str],
    faults: Faults,
    *,
    required: Sequence[str],
    optional: Sequence[str],
) -> bool:
    """Check the header row; say whether the table can be read by it."""
    before = faults.count
    for sign, word in ((";", "semicolons"), ("\t", "tabs"), ("|", "bars")):
        if len(columns) < len(required) and any(sign in name for name in columns):
            faults.add(number, "", f"{word} found between the columns, commas wanted")
            return False
    known = [*required, *optional]
    for place, name in enumerate(columns):
        if name == "":
            faults.add(number, "", f"column {place + 1} without a name found, a name wanted")
        elif name not in known:
            spare = [word for word in known if word not in columns]
            faults.add(
                number, name, f"unknown column {name} found; {nearest(name, spare or known)}"
            )
        elif name in columns[:place]:
            faults.add(number, name, f"column {name} found twice, once wanted")
    for name in required:
        if name not in columns:
            faults.add(
                number, name, f"no column {name} found, the header {','.join(required)} wanted"
            )
    return faults.count == before


def read_length(row: Row, column: str, unit: str, faults: Faults) -> float:
    """Return the length in a cell in mm; NaN where it is blank or at fault."""
    cell = row.cells.get(column, "")
    if cell == "":
        return NAN
    try:
        return parse_length(cell, unit)
    except NoUnitError:
        faults.add(
            row.number,
            column,
            "a length without its unit found, the unit wanted: neither the job nor the "
            "table names one (units = ...)",
        )
    except ValueError as error:
        faults.add(row.number, column, str(error))
    return NAN
