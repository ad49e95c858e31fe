"""Read point clouds of any size in chunks, in the numbers that stand in the file.

No unit is guessed here, nothing is rotated but the poses that an E57 file itself
carries, and no point is dropped: a point that the file calls invalid comes out as
NaN, so that whoever reads can count it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from loft.job.errors import Finding, LoftError
from loft.job.records import Array
from loft.survey.headed import pcd_chunks, pcd_head, ply_chunks, ply_head
from loft.survey.plaintext import CloudHead, text_chunks, text_head
from loft.survey.rows import Rows

Progress = Callable[[float], None]  # told the share of the file that has been read, 0 to 1

SUFFIXES = (".ply", ".pcd", ".pts", ".xyz", ".csv", ".txt", ".asc", ".e57", ".las", ".laz")
CHUNK = 1_000_000  # points in one array
E57_CHUNK = 250_000  # at most, where they come as double numbers in buffers of their own
COARSE_STEP = 5e-4  # share of the unit: half a millimetre where the file is in metres
E57_CARTESIAN = ("cartesianX", "cartesianY", "cartesianZ")
E57_SPHERICAL = ("sphericalRange", "sphericalAzimuth", "sphericalElevation")


def cloud_head(path: Path, *, name: str | None = None) -> CloudHead:
    r"""Return what the head of a cloud file says, without reading its points.

    Parameters
    ----------
    path : Path
    name : str, optional
        What refusals call the file; the path's own name unless given.

    Raises
    ------
    LoftError
        The file is missing, of no known kind, damaged or empty, or the package
        that reads it is not installed.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "bay.xyz")
    ...     _ = path.write_text("0 0 1\n0 1 1\n")
    ...     cloud_head(path).kind
    'text'
    """
    path = Path(path)
    name = name or path.name
    kind = _kind(path, name)
    if kind == ".ply":
        return ply_head(path, name)
    if kind == ".pcd":
        return pcd_head(path, name)
    if kind == ".e57":
        return _e57_head(path, name)
    if kind in (".las", ".laz"):
        return _las_head(path, name)
    return text_head(path, name)


def iter_cloud(
    path: Path,
    chunk: int = CHUNK,
    *,
    progress: Progress | None = None,
    name: str | None = None,
) -> Iterator[Array]:
    r"""Yield the points of a cloud file in chunks, in the file's own numbers.

    PLY (ascii, binary of either byte order), PCD (ascii, binary; compressed ones up
    to 20 million points), PTS, XYZ, CSV and text, E57 (all scans, each by its pose),
    LAS and LAZ. Memory is that of a chunk, except for compressed PCD.

    Parameters
    ----------
    path : Path
    chunk : int
        Most points in one array.
    progress : callable, optional
        Told the share of the file that has been read, 0 to 1.
    name : str, optional
        What refusals call the file; the path's own name unless given.

    Yields
    ------
    ndarray, shape (n, 3)
        x, y, z as float64; NaN where the file says that a point is invalid.

    Raises
    ------
    LoftError
        As `cloud_head`; also where the file breaks off before its stated end.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "bay.csv")
    ...     _ = path.write_text("x,y,z\n0,0,1\n0,1,1\n0,2,1\n")
    ...     [len(points) for points in iter_cloud(path, 2)]
    [2, 1]
    """
    for rows in iter_rows(path, chunk, progress=progress, name=name):
        yield rows.points()


def iter_rows(
    path: Path,
    chunk: int = CHUNK,
    *,
    progress: Progress | None = None,
    name: str | None = None,
) -> Iterator[Rows]:
    r"""Yield the points of a cloud file in chunks, as they lie in it.

    As `iter_cloud`, for who wants but few of the points as numbers.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "bay.csv")
    ...     _ = path.write_text("x,y,z\n0,0,1\n0,1,1\n0,2,1\n")
    ...     [len(rows) for rows in iter_rows(path, 2)]
    [2, 1]
    """
    if chunk < 1:
        raise ValueError(f"a chunk of {chunk} points found, 1 or more wanted")
    path = Path(path)
    name = name or path.name
    head = cloud_head(path, name=name)
    chunks = {"ply": ply_chunks, "pcd": pcd_chunks, "e57": _e57_chunks, "las": _las_chunks}
    read = 0
    for rows, share in chunks.get(head.kind, text_chunks)(path, name, chunk):
        read += len(rows)
        if progress:
            progress(share)
        if len(rows):
            yield rows
    if read == 0:
        raise _refusal(name, "no points found, a scan of the metal wanted")


def _refusal(name: str, text: str) -> LoftError:
    return LoftError(Finding(file=name, text=text))


def _kind(path: Path, name: str) -> str:
    """Return the suffix that says how to read the file, after a look at its presence."""
    kind = path.suffix.lower()
    if kind not in SUFFIXES:
        wanted = ", ".join(suffix[1:].upper() for suffix in SUFFIXES)
        raise _refusal(name, f"a cloud of kind {kind or 'unknown'} found, one of {wanted} wanted")
    try:
        with path.open("rb") as file:
            if not file.read(1):
                raise _refusal(name, "an empty file found, a scan of the metal wanted")
    except FileNotFoundError:
        raise _refusal(name, "no such file found") from None
    except OSError as error:
        raise _refusal(name, f"cannot be read: {error.strerror or error}") from error
    return kind


# ---- E57 ---------------------------------------------------------------------------------


def _e57_open(path: Path, name: str) -> Any:
    """Return the open file. The library's own exception is no Exception: caught by name."""
    try:
        import pye57
    except ImportError as error:
        wanted = "E57 files need the package pye57: pip install 'fuselage-loft[e57]'"
        raise _refusal(name, wanted) from error
    try:
        return pye57.E57(str(path))
    except BaseException as error:
        raise _e57_refusal(name, error) from error


def _e57_refusal(name: str, error: BaseException) -> BaseException:
    """Return the refusal for what the library raised; Ctrl-C and the like stay themselves."""
    if isinstance(error, (LoftError, KeyboardInterrupt, SystemExit, GeneratorExit, MemoryError)):
        return error
    first = str(error).strip().splitlines() or [type(error).__name__]
    return _refusal(name, f"not a whole E57 file: {first[0]}")


def _e57_head(path: Path, name: str) -> CloudHead:
    """Return the count of points and what is to be said of the scans' poses."""
    file = _e57_open(path, name)
    try:
        scans = [file.get_header(k) for k in range(file.scan_count)]
        points = sum(scan.point_count for scan in scans)
        posed = sum(bool(scan.has_pose()) for scan in scans)
        for k, scan in enumerate(scans):
            _e57_fields(scan, k, name)
    except BaseException as error:
        raise _e57_refusal(name, error) from error
    finally:
        file.close()
    if not points:
        raise _refusal(name, f"no points found in {len(scans)} scans, a scan of the metal wanted")
    notes = [f"{len(scans)} scans, {posed} of them moved by the pose that the file gives"]
    if len(scans) > 1 and posed < len(scans):
        notes.append(f"{len(scans) - posed} scans of {len(scans)} carry no pose: taken as they lie")
    return CloudHead(kind="e57", points=points, notes=tuple(notes))


def _e57_fields(scan: Any, number: int, name: str) -> tuple[tuple[str, ...], str]:
    """Return the three coordinate fields of a scan, and the field of invalid points or ""."""
    there = set(scan.point_fields)
    for fields, invalid in (
        (E57_CARTESIAN, "cartesianInvalidState"),
        (E57_SPHERICAL, "sphericalInvalidState"),
    ):
        if there.issuperset(fields):
            return fields, invalid if invalid in there else ""
    raise _refusal(
        name,
        f"scan {number + 1} has the fields {', '.join(sorted(there)) or 'none'}; "
        "x, y, z or range, azimuth, elevation wanted",
    )


def _e57_chunks(path: Path, name: str, chunk: int) -> Iterator[tuple[Rows, float]]:
    """Yield the points of every scan in the file's common axes, with the share read."""
    file = _e57_open(path, name)
    try:
        scans = [file.get_header(k) for k in range(file.scan_count)]
        total, read = sum(scan.point_count for scan in scans), 0
        for number, scan in enumerate(scans):
            before = read
            for points in _e57_scan(
                file, scan, _e57_fields(scan, number, name), min(chunk, E57_CHUNK)
            ):
                read += len(points)
                yield Rows(table=points), read / max(total, 1)
            if read - before != scan.point_count:
                raise _refusal(
                    name,
                    f"scan {number + 1} breaks off: {read - before} points found, "
                    f"{scan.point_count} wanted",
                )
    except BaseException as error:
        refusal = _e57_refusal(name, error)
        if refusal is error:
            raise
        raise refusal from error
    finally:
        file.close()


def _e57_scan(
    file: Any, scan: Any, fields: tuple[tuple[str, ...], str], chunk: int
) -> Iterator[Array]:
    """Yield one scan through buffers of `chunk` points, so that its size does not matter."""
    names, invalid = fields
    data, buffers = file.make_buffers([*names, *([invalid] if invalid else [])], chunk)
    rotation, shift = scan.rotation_matrix, np.asarray(scan.translation, dtype=np.float64)
    reader = scan.points.reader(buffers)
    try:
        while count := reader.read():
            points = np.stack([data[field][:count] for field in names], axis=1).astype(np.float64)
            if names == E57_SPHERICAL:
                points = _from_spherical(points)
            if invalid:
                points[data[invalid][:count] != 0] = np.nan
            yield points @ rotation.T + shift if scan.has_pose() else points
    finally:
        reader.close()


def _from_spherical(points: Array) -> Array:
    """Return x, y, z of range, azimuth, elevation (ASTM E2807: elevation from the xy plane)."""
    distance, azimuth, elevation = points.T
    flat = distance * np.cos(elevation)
    return np.stack(
        [flat * np.cos(azimuth), flat * np.sin(azimuth), distance * np.sin(elevation)], axis=1
    )


# ---- LAS and LAZ -------------------------------------------------------------------------


def _las_open(path: Path, name: str) -> Any:
    """Return the open file, or refuse it with the package to install or what is wrong."""
    try:
        import laspy
    except ImportError as error:
        wanted = "LAS and LAZ files need the package laspy: pip install 'fuselage-loft[las]'"
        raise _refusal(name, wanted) from error
    try:
        file = laspy.open(path)
    except Exception as error:  # laspy lets struct, value and its own errors through
        raise _refusal(name, f"not a whole LAS or LAZ file: {error}") from error
    head = file.header
    if head.are_points_compressed and not _chunks_fit(path, int(head.offset_to_point_data)):
        file.close()
        raise _refusal(name, "not a whole LAZ file: its table of chunks does not fit the file")
    return file


def _chunks_fit(path: Path, start: int) -> bool:
    """Return whether a LAZ file can hold as many chunks as its table says.

    The decompressor asks for memory for all of them and ends the program where it gets none.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        file.seek(min(start, size))
        place = int.from_bytes(file.read(8), "little", signed=True)
        if place == -1:  # written at the very end
            file.seek(max(size - 8, 0))
            place = int.from_bytes(file.read(8), "little", signed=True)
        if not 0 <= place <= size - 8:
            return True  # cut short: told when the points break off
        file.seek(place + 4)
        return int.from_bytes(file.read(4), "little") <= size


def _las_head(path: Path, name: str) -> CloudHead:
    """Return the count of points; a coarse scale of the coordinates is said."""
    with _las_open(path, name) as file:
        points, step = int(file.header.point_count), float(max(file.header.scales))
    if not points:
        raise _refusal(name, "no points found, a scan of the metal wanted")
    notes: tuple[str, ...] = ()
    if step > COARSE_STEP:
        notes = (
            f"its coordinates are rounded to {step:g} of its unit by the file's own header; "
            "save it with a finer scale if the scanner gives more",
        )
    return CloudHead(kind="las", points=points, step=step, notes=notes)


def _las_chunks(path: Path, name: str, chunk: int) -> Iterator[tuple[Rows, float]]:
    """Yield the records with the share read."""
    with _las_open(path, name) as file:
        total, read = int(file.header.point_count), 0
        chunks = file.chunk_iterator(chunk)
        scale, offset = tuple(file.header.scales), tuple(file.header.offsets)
        while read < total:
            try:
                record = next(chunks, None)
            except Exception as error:  # the decompressor has an error of its own
                text = f"breaks off after {read} of {total} points: {error}"
                raise _refusal(name, text) from error
            if record is None or not len(record):
                raise _refusal(name, f"breaks off: {read} points found, {total} wanted")
            read += len(record)
            fields = ("X", "Y", "Z")
            yield Rows(table=record.array, fields=fields, scale=scale, offset=offset), read / total
