"""A coloured field as a small PNG, for figures that would need thousands of patches."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike


def png_bytes(index: ArrayLike, colours: Sequence[str]) -> bytes:
    r"""Return a palette PNG; the first row is the upper one.

    Parameters
    ----------
    index : array_like of int, shape (rows, columns)
        Colour of every pixel; -1 is transparent.
    colours : sequence of str
        As #rrggbb, at most 255.

    Returns
    -------
    bytes

    Raises
    ------
    ValueError
        More colours than a palette holds, or an index outside them.

    Examples
    --------
    >>> png_bytes([[0, 1]], ["#ffffff", "#000000"])[:4]
    b'\x89PNG'
    """
    pixel = np.asarray(index, dtype=np.int64) + 1
    if len(colours) > 255 or pixel.min() < 0 or pixel.max() > len(colours):
        raise ValueError("a palette picture holds 255 colours and indices that name them")
    rows, columns = pixel.shape
    palette = b"\xff\xff\xff" + b"".join(bytes.fromhex(colour[1:]) for colour in colours)
    scan = np.zeros((rows, columns + 1), dtype=np.uint8)  # each row begins with filter type 0
    scan[:, 1:] = pixel
    parts = (
        (b"IHDR", struct.pack(">IIBBBBB", columns, rows, 8, 3, 0, 0, 0)),
        (b"PLTE", palette),
        (b"tRNS", b"\x00"),
        (b"IDAT", zlib.compress(scan.tobytes(), 9)),
        (b"IEND", b""),
    )
    out = b"\x89PNG\r\n\x1a\n"
    for name, body in parts:
        out += struct.pack(">I", len(body)) + name + body
        out += struct.pack(">I", zlib.crc32(name + body))
    return out
