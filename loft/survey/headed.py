"""PLY and PCD: clouds whose header says how the points lie in the file."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, NoReturn

import numpy as np

from loft.job.errors import Finding, LoftError
from loft.survey.plaintext import CloudHead, line_blocks, parse_lines
from loft.survey.rows import Rows

LONGEST_HEADER = 1_000_000  # bytes; a header longer than this is no header
COMPRESSED_MOST = 20_000_000  # points of a compressed PCD, which is read in one piece
PLY_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1",
    "short": "i2", "int16": "i2", "ushort": "u2", "uint16": "u2",
    "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip
PLY_FORMATS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}


@dataclass(frozen=True, kw_only=True)
class Table:
    """Where the rows of points lie: `order` is "" for text, else < or >."""

    start: int
    rows: int
    row: int  # line of the file on which they start, for text
    order: str
    dtype: np.dtype
    compressed: bool = False


def _refuse(name: str, text: str, row: int = 0) -> NoReturn:
    raise LoftError(Finding(file=name, row=row, text=text))


def _header(file: BinaryIO, last: bytes, name: str) -> list[str]:
    """Return the header's lines up to and with the one that starts with `last`."""
    lines: list[str] = []
    for raw in iter(lambda: file.readline(LONGEST_HEADER), b""):
        lines.append(raw.decode("ascii", errors="replace").strip())
        if raw.startswith(last):
            return lines
        if file.tell() > LONGEST_HEADER or b"\0" in raw:
            break
    _refuse(name, f"wrong header: no line '{last.decode()}' found")


# ---- PLY ---------------------------------------------------------------------------------


def ply_head(path: Path, name: str) -> CloudHead:
    """Return what a PLY header says of its vertices."""
    return _head("ply", _ply_table(path, name))


def ply_chunks(path: Path, name: str, chunk: int) -> Iterator[tuple[Rows, float]]:
    """Yield the vertices of a PLY file with the share read."""
    return _rows(path, name, chunk, _ply_table(path, name))


def _ply_table(path: Path, name: str) -> Table:
    """Parse the header for the real layout of the vertices."""
    with path.open("rb") as file:
        if file.readline(16).strip() != b"ply":
            _refuse(name, "wrong header: the first line is not 'ply'", 1)
        header = _header(file, b"end_header", name)
        form, elements = _ply_elements(header, name)
        start = file.tell()
        row = len(header) + 2
        for kind, count, properties in elements:
            if kind == "vertex":
                break
            start, row = _skip(file, start, row, form, count, properties)
        else:
            _refuse(name, "wrong header: no element vertex found")
    if any(isinstance(type_, tuple) for _, type_ in properties):
        _refuse(name, "wrong header: the vertices carry lists, plain x y z wanted")
    fields = [(field, (form or "<") + str(type_)) for field, type_ in properties]
    table = Table(start=start, rows=count, row=row, order=form, dtype=_dtype(fields, name))
    return _checked(path, name, table)


Properties = list[tuple[str, "str | tuple[str, str]"]]


def _ply_elements(header: list[str], name: str) -> tuple[str, list[tuple[str, int, Properties]]]:
    """Return the byte order ("" for ascii) and the elements with their properties."""
    form: str | None = None
    elements: list[tuple[str, int, Properties]] = []
    for number, line in enumerate(header, start=2):
        words = line.split()
        try:
            match words:
                case ["format", kind, *_]:
                    form = PLY_FORMATS[kind]
                case ["element", kind, count]:
                    elements.append((kind, int(count), []))
                case ["property", "list", of, type_, field]:
                    elements[-1][2].append((field, (PLY_TYPES[of], PLY_TYPES[type_])))
                case ["property", type_, field]:
                    elements[-1][2].append((field, PLY_TYPES[type_]))
                case ["comment" | "obj_info", *_] | [] | ["end_header"]:
                    pass
                case _:
                    _refuse(name, f"wrong header: {line[:60]!r} found", number)
        except (KeyError, ValueError, IndexError):
            _refuse(name, f"wrong header: {line[:60]!r} found", number)
    if form is None:
        _refuse(name, "wrong header: no line 'format ascii|binary_little_endian|...' found")
    return form, elements


def _skip(
    file: BinaryIO, start: int, row: int, form: str, count: int, properties: Properties
) -> tuple[int, int]:
    """Return where the next element starts: its byte and its line."""
    file.seek(start)
    if not form:
        for _ in range(count):
            file.readline()
        return file.tell(), row + count
    plain = [str(type_) for _, type_ in properties if isinstance(type_, str)]
    if len(plain) == len(properties):
        return start + count * sum(np.dtype(type_).itemsize for type_ in plain), row
    codes = {"i1": "b", "u1": "B", "i2": "h", "u2": "H", "i4": "i", "u4": "I"}
    for _ in range(count):
        for _, type_ in properties:
            if isinstance(type_, str):
                file.seek(np.dtype(type_).itemsize, 1)
                continue
            of, kind = type_
            raw = file.read(np.dtype(of).itemsize)
            if len(raw) < np.dtype(of).itemsize:
                return file.tell(), row
            file.seek(struct.unpack(form + codes[of], raw)[0] * np.dtype(kind).itemsize, 1)
    return file.tell(), row


# ---- PCD ---------------------------------------------------------------------------------


def pcd_head(path: Path, name: str) -> CloudHead:
    """Return what a PCD header says of its points."""
    return _head("pcd", _pcd_table(path, name))


def pcd_chunks(path: Path, name: str, chunk: int) -> Iterator[tuple[Rows, float]]:
    """Yield the points of a PCD file with the share read."""
    table = _pcd_table(path, name)
    return (_compressed if table.compressed else _rows)(path, name, chunk, table)


def _pcd_table(path: Path, name: str) -> Table:
    """Parse the header for the real layout of the points."""
    with path.open("rb") as file:
        header = _header(file, b"DATA", name)
        start = file.tell()
    said = {line.split()[0]: line.split()[1:] for line in header if line and line[0] != "#"}
    form = (said.get("DATA") or [""])[0]
    if form not in ("ascii", "binary", "binary_compressed"):
        _refuse(name, f"wrong header: DATA {form} found; ascii, binary or binary_compressed wanted")
    try:
        names, sizes, types = said["FIELDS"], said["SIZE"], said["TYPE"]
        counts = [int(count) for count in said.get("COUNT", ["1"] * len(names))]
        points = int(said["POINTS"][0]) if "POINTS" in said else _area(said)
        kinds = [f"<{type_.lower()}{size}" for type_, size in zip(types, sizes, strict=True)]
        fields = []
        for k, (field, kind, count) in enumerate(zip(names, kinds, counts, strict=True)):
            if field == "_":  # padding, and there may be several
                fields += [(f"_{k}_{j}", kind) for j in range(count)]
            elif count == 1:
                fields.append((field, kind))
            else:
                fields += [(f"{field}_{j}", kind) for j in range(count)]
    except (KeyError, ValueError, IndexError) as error:
        _refuse(name, f"wrong header: FIELDS, SIZE, TYPE, COUNT or POINTS do not agree ({error})")
    table = Table(
        start=start,
        rows=points,
        row=len(header) + 1,
        order="" if form == "ascii" else "<",
        dtype=_dtype(fields, name),
        compressed=form == "binary_compressed",
    )
    return table if table.compressed else _checked(path, name, table)


def _area(said: dict[str, list[str]]) -> int:
    return int(said["WIDTH"][0]) * int(said["HEIGHT"][0])


def _compressed(path: Path, name: str, chunk: int, table: Table) -> Iterator[tuple[Rows, float]]:
    """Yield a compressed PCD, which open3d unpacks in one piece."""
    if table.rows > COMPRESSED_MOST:
        _refuse(
            name,
            f"{table.rows} compressed points found, at most {COMPRESSED_MOST} can be unpacked; "
            "save it as DATA binary",
        )
    try:
        import open3d
    except (ImportError, OSError) as error:  # OSError: a system library is missing
        wanted = "compressed PCD needs open3d, which cannot be loaded; save it as DATA binary"
        raise LoftError(Finding(file=name, text=f"{wanted} ({error})")) from error
    with open3d.utility.VerbosityContextManager(open3d.utility.VerbosityLevel.Error):
        cloud = open3d.t.io.read_point_cloud(path, remove_nan_points=False)
    found = len(cloud.point.positions) if "positions" in cloud.point else 0
    if found != table.rows:
        _refuse(name, f"breaks off: {found} points found, {table.rows} wanted")
    points = cloud.point.positions.numpy()
    for start in range(0, found, chunk):
        part = points[start : start + chunk]
        yield Rows(table=part), (start + len(part)) / found


# ---- rows of either ----------------------------------------------------------------------


def _head(kind: str, table: Table) -> CloudHead:
    single = bool(table.order) and any(table.dtype[axis].itemsize < 8 for axis in "xyz")
    return CloudHead(kind=kind, points=table.rows, single=single)


def _dtype(fields: list[tuple[str, str]], name: str) -> np.dtype:
    """Return the layout of one row; x, y, z must stand in it."""
    try:
        dtype = np.dtype(fields)
    except (TypeError, ValueError) as error:
        _refuse(name, f"wrong header: {error}")
    if not {"x", "y", "z"} <= set(dtype.names or ()):
        there = ", ".join(dtype.names or ()) or "none"
        _refuse(name, f"wrong header: the fields are {there[:80]}; x, y and z wanted among them")
    return dtype


def _checked(path: Path, name: str, table: Table) -> Table:
    """Refuse a file with no points, or with fewer than its header says."""
    if table.rows <= 0:
        _refuse(name, "no points found, a scan of the metal wanted")
    room = path.stat().st_size - table.start
    if table.order and room < table.rows * table.dtype.itemsize:
        found = max(room, 0) // table.dtype.itemsize
        _refuse(name, f"breaks off: {found} points found, {table.rows} wanted by its header")
    return table


def _rows(path: Path, name: str, chunk: int, table: Table) -> Iterator[tuple[Rows, float]]:
    """Yield a table's rows with the share read."""
    read = 0
    with path.open("rb") as file:
        file.seek(table.start)
        parts = _binary(file, chunk, table) if table.order else _ascii(file, name, chunk, table)
        for points in parts:
            read += len(points)
            yield points, read / table.rows
    if read != table.rows:
        _refuse(name, f"breaks off: {read} points found, {table.rows} wanted by its header")


def _binary(file: BinaryIO, chunk: int, table: Table) -> Iterator[Rows]:
    """Yield rows of fixed size."""
    first = table.dtype[0]
    plain = table.dtype == np.dtype([(axis, first) for axis in "xyz"])
    left = table.rows
    while left:
        rows = np.fromfile(file, dtype=table.dtype, count=min(chunk, left))
        if not len(rows):
            return
        left -= len(rows)
        yield Rows(table=rows.view(first).reshape(-1, 3) if plain else rows)


def _ascii(file: BinaryIO, name: str, chunk: int, table: Table) -> Iterator[Rows]:
    """Yield rows from lines of text; what follows the last of them is not looked at."""
    fields = table.dtype.names or ()
    picked = (fields.index("x"), fields.index("y"), fields.index("z"))
    left, row = table.rows, table.row - 1
    for block in line_blocks(file):
        lines = block.count(b"\n") + (not block.endswith(b"\n"))
        if lines > left:
            block = b"\n".join(block.split(b"\n", left)[:left])
        points = parse_lines(block, len(fields), picked=picked, name=name, row=row)
        row += lines
        left -= len(points)
        for start in range(0, len(points), chunk):
            yield Rows(table=points[start : start + chunk])
        if left <= 0 or lines > left + len(points):
            return
