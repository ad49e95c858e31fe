"""Whatever the numbers and words: lengths, tables and jobs come back as they went in."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from loft.job.errors import LoftError
from loft.job.files import number, table_text
from loft.job.rows import Faults, table_rows
from loft.job.schema import parse_job
from loft.job.units import MM_PER, format_length, parse_length

LENGTHS = st.floats(-100_000.0, 100_000.0)
HALF = {"mm": 0.05, "in": 0.0005 * 25.4, "ft-in": 25.4 / 32}  # half of the last unit
WORDS = st.text(st.characters(blacklist_categories=("Cs", "Cc")), max_size=12)


@given(LENGTHS, st.sampled_from(sorted(HALF)))
def test_length_comes_back_within_half_its_last_unit(value, unit):
    bare = "mm" if unit == "mm" else "in"
    again = parse_length(format_length(value, unit), bare)
    assert abs(again - value) <= HALF[unit] * (1 + 1e-9) + 1e-9


@given(LENGTHS, st.sampled_from(["mm", "in"]))
def test_a_written_length_is_written_the_same_again(value, unit):
    told = format_length(value, unit)
    assert format_length(parse_length(told, unit), unit) == told


@given(st.integers(-999, 999), st.integers(0, 11), st.integers(0, 7))
def test_feet_inches_eighths_are_exact(feet, inches, eighths):
    """Up to 999 feet: with four digits the text is a date, and refused as one."""
    sign = -1 if feet < 0 else 1
    value = sign * (abs(feet) * 12 + inches + eighths / 8) * 25.4
    text = f"{'-' if feet < 0 else ''}{abs(feet)}-{inches}-{eighths}"
    assert math.isclose(parse_length(text, "mm"), value, abs_tol=1e-9, rel_tol=1e-14)


@given(st.integers(0, 50), st.one_of(st.integers(12, 99), st.none()), st.integers(8, 9))
def test_twelve_inches_and_eight_eighths_are_refused(feet, inches, eighths):
    text = f"{feet}-3-{eighths}" if inches is None else f"{feet}-{inches}-3"
    with pytest.raises(ValueError, match="found"):
        parse_length(text, "in")


@given(st.floats(-1e5, 1e5), st.sampled_from(["mm", "in", "ft", "m"]))
def test_a_length_with_its_unit_does_not_ask_the_job(value, unit):
    text = f"{value:.6f} {unit}"
    assert parse_length(text, "mm") == parse_length(text, "in")
    assert math.isclose(
        parse_length(text, "mm"), float(f"{value:.6f}") * MM_PER[unit], abs_tol=1e-9
    )


@given(st.one_of(WORDS, st.floats(), st.integers(), st.booleans(), st.none()))
def test_any_cell_is_a_finite_length_or_a_value_error(cell):
    try:
        found = parse_length(cell, "mm")
    except ValueError as error:
        assert str(error).strip()  # noqa: PT017 - either end is right, neither is silent
    else:
        assert math.isfinite(found)


@given(st.floats(-1e9, 1e9))
def test_written_numbers_are_near_and_never_minus_zero(value):
    told = number(value)
    assert abs(float(told) - value) <= 0.5001e-4 + abs(value) * 1e-15
    assert not (told.startswith("-") and float(told) == 0.0)


CELLS = st.lists(
    st.tuples(WORDS.map(str.strip), st.floats(-1e5, 1e5), st.floats(-1e5, 1e5)),
    min_size=1,
    max_size=8,
)


@given(CELLS)
def test_table_comes_back_cell_by_cell(rows):
    """But for rows that a # at the start makes a comment."""
    assume(not any(row[0].startswith(("#", '"#')) for row in rows))
    text = table_text(("line", "bl", "wl"), rows, ["lengths in mm"])
    faults = Faults(file="any.csv")
    read = table_rows(text, faults, required=["line", "bl", "wl"])
    assert not faults.findings()
    assert len(read) == len(rows)
    for row, (line, bl, wl) in zip(read, rows, strict=True):
        assert row.cells["line"] == line
        assert float(row.cells["bl"]) == pytest.approx(bl, abs=0.6e-4)
        assert float(row.cells["wl"]) == pytest.approx(wl, abs=0.6e-4)


@given(st.text(max_size=200))
def test_any_text_is_a_table_or_has_faults(text):
    faults = Faults(file="any.csv")
    read = table_rows(text, faults, required=["bl", "wl"], optional=["line"])
    assert read or faults.findings()


def job_text(stations, unit, per):
    frames = "".join(
        f'[[frame]]\nname = "F{k}"\nstation = {station / per!r}\n'
        for k, station in enumerate(stations)
    )
    return (
        f'[job]\ntitle = "any"\nunits = "{unit}"\nmissing = ["F2"]\n{frames}'
        '[[survey]]\nfile = "tape.csv"\nsigma = 1.0\nface = "skin_outer"\n'
    )


@settings(deadline=None)
@given(st.lists(st.integers(0, 20_000), min_size=6, max_size=10, unique=True))
def test_a_schedule_in_inches_is_the_schedule_in_millimetres(tmp_path_factory, stations):
    folder = tmp_path_factory.getbasetemp() / "schedule"
    folder.mkdir(exist_ok=True)
    (folder / "tape.csv").touch()
    path = folder / "job.toml"
    mm = parse_job(job_text([float(x) for x in stations], "mm", 1.0), path)
    inch = parse_job(job_text([float(x) for x in stations], "in", 25.4), path)
    assert {f.name for f in mm.frames} == {f"F{k}" for k in range(len(stations))}
    for frame in mm.frames:
        assert inch.frame(frame.name).station == pytest.approx(frame.station, abs=1e-9)
        assert frame.station == float(stations[int(frame.name[1:])])


@settings(deadline=None)
@given(st.text(max_size=120))
def test_any_text_as_a_job_is_refused_in_words(text):
    with pytest.raises(LoftError) as refusal:
        parse_job(text, Path("job.toml"))
    assert all(finding.text.strip() for finding in refusal.value.findings)
