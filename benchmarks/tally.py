"""Share cases among processes, and put what comes out into plain tables."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

Array = np.ndarray


def spread(work: Callable, cases: Iterable[tuple], jobs: int) -> list:
    """Do `work(*case)` for every case; results in the order of the cases."""
    cases = list(cases)
    if jobs < 2:
        return [work(*case) for case in cases]
    with multiprocessing.get_context("spawn").Pool(jobs) as pool:
        return pool.starmap(work, cases, chunksize=max(1, min(8, len(cases) // (4 * jobs))))


def load() -> str:
    """How busy the machine is: the load average of the last minute and the processors."""
    return f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors"


@dataclass(frozen=True)
class Mean:
    """A mean with its standard error."""

    value: float
    error: float

    def show(self, digits: int = 3, sign: str = "") -> str:
        return f"{self.value:{sign}.{digits}f} ± {self.error:.{digits}f}"


def mean(values: Iterable[float]) -> Mean:
    table = np.asarray(list(values), float)
    if not len(table):
        return Mean(float("nan"), float("nan"))
    return Mean(
        float(table.mean()), float(table.std(ddof=min(1, len(table) - 1)) / len(table) ** 0.5)
    )


def share(hits: Iterable[bool]) -> Mean:
    """A share with its binomial standard error (one more hit and miss: never 0)."""
    table = np.asarray(list(hits), bool)
    if not len(table):
        return Mean(float("nan"), float("nan"))
    near = (table.sum() + 1) / (len(table) + 2)
    return Mean(float(table.mean()), float(np.sqrt(near * (1 - near) / len(table))))


def ratio(above: Iterable[float], below: Iterable[float]) -> Mean:
    """Ratio of the means of paired values, its error to first order."""
    a, b = np.asarray(list(above), float), np.asarray(list(below), float)
    value = a.mean() / b.mean()
    return Mean(float(value), float((a - value * b).std(ddof=1) / len(a) ** 0.5 / b.mean()))


def verdict(good: bool) -> str:
    return "pass" if good else "FAIL"


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table of words; the first column to the left, the rest to the right."""
    lines = [list(head), *[list(row) for row in rows]]
    width = [max(len(line[k]) for line in lines) for k in range(len(head))]
    text = [
        "  ".join(
            word.ljust(width[k]) if k == 0 else word.rjust(width[k]) for k, word in enumerate(line)
        ).rstrip()
        for line in lines
    ]
    return "\n".join([text[0], "-" * len(text[0]), *text[1:]])
