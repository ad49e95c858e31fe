"""Lengths between text and millimetres."""

import datetime
import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loft.job.units import NoUnitError, format_length, parse_length

INCH = 25.4


@pytest.mark.parametrize(
    ("text", "inches"),
    [
        # Guidelines for Recording Historic Ships, 3rd ed. 2004, p. 98: 6'-0 1/2" is 6-0-4
        ("6-0-4", 72.5),
        # common practice, no source: a ship modellers' page of questions, 3 ft 8 4/8 in
        ("3-8-4", 44.5),
        # common practice, no source: a boat builders' page, 2 ft 3 4/8 in
        ("2-3-4", 27.5),
    ],
)
def test_feet_inches_eighths_as_published_in_recording_historic_ships_and_in_use(text, inches):
    assert parse_length(text, "mm") == inches * INCH


@pytest.mark.parametrize(
    ("text", "inches"), [("3-8-4+", 44.5625), ("3-8-4-", 44.4375), ("-3-8-4-", -44.4375)]
)
def test_a_trailing_sign_is_a_sixteenth_common_practice_from_memory(text, inches):
    assert parse_length(text, "mm") == inches * INCH


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("1311.3 mm", 1311.3),
        ("1311.3mm", 1311.3),
        ("131.13 cm", 1311.3),
        ("1.3113 m", 1311.3),
        ("51.625 in", 1311.275),
        ('51.625"', 1311.275),
        ('51 5/8"', 1311.275),
        ("4' 3 5/8\"", 1311.275),
        ("4'-3 5/8\"", 1311.275),
        ("4' 3-5/8\"", 1311.275),
        ("4′ 3 5/8″", 1311.275),
        ("4 ft 3.625 in", 1311.275),
        ("4' 5/8\"", 1235.075),
        ("4'", 1219.2),
        ("4.5 ft", 1371.6),
        ("-4' 3 5/8\"", -1311.275),
        ("−12.5 mm", -12.5),
        ("- 12.5 mm", -12.5),
        ("+12.5 mm", 12.5),
        (".5 in", 12.7),
        ("1.5e2 mm", 150.0),
        ("0", 0.0),
    ],
)
def test_text_with_its_own_unit_is_read_in_any_job(text, mm):
    for unit in ("mm", "in"):
        assert parse_length(text, unit) == pytest.approx(mm, abs=1e-9)


@pytest.mark.parametrize(("unit", "mm"), [("mm", 2.5), ("m", 2500.0), ("in", 63.5), ("ft", 762.0)])
def test_a_bare_number_counts_in_the_unit_of_its_file(unit, mm):
    assert parse_length("2.5", unit) == pytest.approx(mm, abs=1e-9)
    assert parse_length(2.5, unit) == pytest.approx(mm, abs=1e-9)


def test_a_bare_fraction_counts_in_inches_only():
    assert parse_length("51 5/8", "in") == pytest.approx(1311.275, abs=1e-9)
    with pytest.raises(ValueError, match="a fraction needs the inch mark"):
        parse_length("51 5/8", "mm")


def test_station_137_in_inches_is_137_inches_aft_of_the_datum_faa_8083_31_ch_1():
    assert parse_length("137", "in") == 137 * INCH


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("4-12-3", "12 inches, 0 to 11 wanted"),
        ("4-3-8", "8 eighths, 0 to 7 wanted"),
        ("4' 12\"", "12 inches, less than 12 wanted"),
        ("4' 3 8/8\"", "a fraction less than 1 wanted"),
        ("4' 3 0/8\"", "a fraction less than 1 wanted"),
        ("4' 3 2/3\"", "halves, quarters"),
        ("400-500", "reads as a range"),
        ("4-3", "reads as a range"),
        ("400 - 500 mm", "reads as a range"),
        ("1311,3", "a decimal point and no comma wanted"),
        ("1,311.3 mm", "a decimal point and no comma wanted"),
        ("12 furlongs", "unit furlongs unknown"),
        ("about 12", "a length wanted"),
        ("12 13", "a length wanted"),
        ("--12", "a length wanted"),
        ("", "nothing found"),
        ("nan", "a finite length wanted"),
        ("-inf", "a finite length wanted"),
        ("Infinity", "a finite length wanted"),
        ("1e999 mm", "a finite length wanted"),
    ],
)
def test_what_is_no_length_is_refused_with_what_was_found_and_wanted(text, words):
    with pytest.raises(ValueError, match=re.escape(words)) as refusal:
        parse_length(text, "mm")
    assert text.strip() in str(refusal.value)
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize(
    "text",
    [
        "2005-03-04",
        "2005-03-04 00:00:00",
        "4/3/05",
        "4/3/2005",
        "04-03-2005",
        "04.03.2005",
        "04-03-05",
        "4-Mar",
        "4-Mar-05",
        "Mar-05",
    ],
)
def test_a_cell_that_a_spreadsheet_made_a_date_is_refused_as_one(text):
    with pytest.raises(ValueError, match="this is a date, as a spreadsheet makes of 4-3-5"):
        parse_length(text, "in")


def test_a_date_of_the_job_file_is_refused_as_a_length():
    with pytest.raises(ValueError, match="this is a date"):
        parse_length(datetime.date(2005, 3, 4), "mm")


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_a_number_that_is_not_finite_is_refused(value):
    with pytest.raises(ValueError, match="a finite length wanted"):
        parse_length(value, "mm")


def test_a_list_is_no_length():
    with pytest.raises(ValueError, match="list found, a length wanted"):
        parse_length([1.0], "mm")


def test_true_is_no_length():
    with pytest.raises(ValueError, match="true found"):
        parse_length(True, "mm")


def test_a_bare_number_is_refused_where_no_unit_was_agreed():
    for value in (12.5, "12.5"):
        with pytest.raises(NoUnitError, match="a length with its unit wanted"):
            parse_length(value, "")
    assert parse_length("12.5 mm", "") == 12.5
    assert parse_length("4-3-5", "") == pytest.approx(1311.275, abs=1e-9)


def test_a_bare_number_is_refused_in_a_table_of_feet_and_inches():
    with pytest.raises(ValueError, match="could be either"):
        parse_length("12", "ft-in")
    assert parse_length("4-3-5", "ft-in") == pytest.approx(1311.275, abs=1e-9)
    assert parse_length("0", "ft-in") == 0.0


@given(st.integers(-40 * 192, 40 * 192))
def test_sixteenths_come_back_exactly_from_feet_inches_eighths(sixteenths):
    mm = sixteenths / 16 * INCH
    text = format_length(mm, "ft-in")
    # 1e-9 mm: the only loss is that of float64 at ten metres
    assert parse_length(text, "") == pytest.approx(mm, abs=1e-9)


@given(st.floats(-20000.0, 20000.0))
def test_rounding_never_exceeds_half_the_last_unit(mm):
    # half a unit and the last bits of float64 at twenty metres
    for unit, half in (("mm", 0.05), ("in", 0.0005 * INCH), ("ft-in", INCH / 32)):
        text = format_length(mm, unit)
        assert abs(parse_length(text, unit) - mm) <= half + 1e-9
        assert not re.fullmatch(r"-[0.\-]+", text), "a minus zero"


@pytest.mark.parametrize(
    ("mm", "unit", "text"),
    [
        (72.5 * INCH, "ft-in", "6-0-4"),
        (0.5 * INCH, "ft-in", "0-0-4"),  # the zeros are written, the same source p. 98
        (44.5625 * INCH, "ft-in", "3-8-4+"),
        (-44.5625 * INCH, "ft-in", "-3-8-4+"),
        (11.999 * INCH, "ft-in", "1-0-0"),
        (-0.1, "ft-in", "0-0-0"),
        (-0.01, "mm", "0.0"),
        (-0.001, "in", "0.000"),
        (1311.275, "in", "51.625"),
        (math.nan, "mm", "unknown"),
        (math.inf, "mm", "inf"),
    ],
)
def test_lengths_for_people(mm, unit, text):
    assert format_length(mm, unit) == text


def test_a_length_is_written_in_known_units_only():
    with pytest.raises(ValueError, match="unit furlong found"):
        format_length(1.0, "furlong")
