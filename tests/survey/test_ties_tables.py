"""The adjustment's own tables, read back."""

import csv
import io
from pathlib import Path

import numpy as np
import pytest

from loft.job.records import Job
from loft.survey.adjust import adjust
from loft.survey.adjusted import adjusted_points_table, adjusted_ties_table
from loft.survey.network import Tie


def net(wrong=0.0):
    marks = {
        "A": (0.0, -900.0, 0.0),
        "B": (0.0, 900.0, 0.0),
        "C": (1000.0, -900.0, 0.0),
        "D": (900.0, 800.0, 100.0),
        "E": (400.0, 0.0, 2100.0),
    }
    place = np.array([500.0, -400.0, 1300.0])
    ties = [Tie(kind="control", end=k, place=v) for k, v in marks.items()]
    for k, v in marks.items():
        value = float(np.linalg.norm(place - v)) + (wrong if k == "C" else 0.0)
        ties.append(
            Tie(kind="tape", start=k, end="P", value=value, sigma=2.0, text=f"{value:.0f}", row=9)
        )
    ties.append(Tie(kind="wl", end="P", value=1300.0, sigma=2.0, row=20))
    return ties


def read(text):
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    return list(csv.DictReader(io.StringIO("\n".join(lines))))


def job(unit="mm"):
    return Job(path=Path("job.toml"), title="Corncrake", unit=unit, missing=(), frames=())


def test_rejected_reading_stands_in_the_table_with_its_slip():
    rows = read(adjusted_ties_table(job(), adjust(net(wrong=304.8))))
    bad = [row for row in rows if row["used"] == "no"]
    assert len(bad) == 1
    assert bad[0]["from"] == "C"
    assert float(bad[0]["suggested"]) == pytest.approx(float(bad[0]["value"]) - 304.8, abs=1.0)
    assert bad[0]["slip"].startswith("1 ft too much")
    assert sum(row["used"] == "yes" for row in rows) == 5


def test_tables_in_inches_are_the_same_lengths():
    result = adjust(net())
    mm, inches = (read(adjusted_points_table(job(unit), result)) for unit in ("mm", "in"))
    point = next(row for row in mm if row["point"] == "P")
    other = next(row for row in inches if row["point"] == "P")
    for column in ("station", "bl", "wl"):
        assert 25.4 * float(other[column]) == pytest.approx(float(point[column]), abs=2e-3)
    assert float(point["semi_axis_1"]) >= float(point["semi_axis_2"]) > 0
    direction = [float(point[f"axis_1_{axis}"]) for axis in ("station", "bl", "wl")]
    assert np.linalg.norm(direction) == pytest.approx(1.0, abs=1e-3)
