"""Points as they lie in a file: made into numbers only where somebody wants them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loft.job.records import Array


@dataclass(frozen=True, eq=False, kw_only=True)
class Rows:
    """Some rows of a file's table of points.

    Parameters
    ----------
    table : ndarray
        Shape (n, 3), or (n,) with fields.
    fields : (str, str, str)
        Which of those fields are x, y, z; not looked at without fields.
    scale, offset : (float, float, float)
        What makes coordinates of the numbers in the table: number * scale + offset.

    Examples
    --------
    >>> table = np.array([(1, 2, 3, 7), (4, 5, 6, 7)], dtype="<i4, <i4, <i4, u1")
    >>> rows = Rows(table=table, fields=("f0", "f1", "f2"), scale=(0.5, 0.5, 0.5))
    >>> rows.points().tolist(), rows.some(np.array([1])).axis(2).tolist(), rows.largest()
    ([[0.5, 1.0, 1.5], [2.0, 2.5, 3.0]], [3.0], 6.0)
    """

    table: NDArray[Any]
    fields: tuple[str, str, str] = ("x", "y", "z")
    scale: tuple[float, float, float] = (1.0, 1.0, 1.0)
    offset: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __len__(self) -> int:
        return len(self.table)

    def some(self, index: NDArray[np.int64] | slice) -> Rows:
        """Return the rows of an index alone."""
        part = self.table[index] if isinstance(index, slice) else self.table.take(index, axis=0)
        return Rows(table=part, fields=self.fields, scale=self.scale, offset=self.offset)

    def column(self, k: int) -> NDArray[Any]:
        """Return x (0), y (1) or z (2) as it stands in the table."""
        return self.table[self.fields[k]] if self.table.dtype.names else self.table[:, k]

    def axis(self, k: int) -> Array:
        """Return x (0), y (1) or z (2) in the file's own unit."""
        with np.errstate(invalid="ignore"):  # what is no number stays none
            numbers = self.column(k).astype(np.float64)
        if (self.scale[k], self.offset[k]) != (1.0, 0.0):
            numbers *= self.scale[k]
            numbers += self.offset[k]
        return numbers

    def points(self) -> Array:
        """Return x, y, z in the file's own unit, (n, 3)."""
        points = np.zeros((len(self), 3))
        for k in range(3):  # a column at a time, so that its memory is used again for the next
            points[:, k] = self.axis(k)
        return points

    def largest(self) -> float:
        """Return the largest size of a number in the table; NaN where one is none."""
        columns = [self.column(k) for k in range(3)] if self.table.dtype.names else [self.table]
        ends = [float(end(column)) for column in columns for end in (np.min, np.max)]
        return float(np.abs(ends).max())
