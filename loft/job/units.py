"""Lengths between text and millimetres: decimal, feet and inches, feet-inches-eighths."""

from __future__ import annotations

import datetime
import math
import re

MM_PER = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}

TABLE_UNITS = ("mm", "m", "in", "ft", "ft-in")
JOB_UNITS = ("mm", "in")

LONGEST = 1e12  # of any unit: past it a figure is no length of anything
LONGEST_TEXT = 60

_NUMBER = r"(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_DECIMAL = re.compile(rf"({_NUMBER})\s*(mm|cm|m|inches|inch|in|feet|foot|ft|\"|')?")
_FRACTION = re.compile(r"(?:(\d+)(?:\s+|-))?(\d+)/(\d+)\s*(inches|inch|in|\")?")
_FEET_INCHES = re.compile(
    r"(\d+)\s*(?:'|ft\b|feet\b)\s*-?\s*"
    r"(?:(\d+\.\d*|\.\d+)|(?:(\d+)(?:(?:\s+|-)(\d+)/(\d+))?)|(?:(\d+)/(\d+)))\s*"
    r"(?:\"|in|inch|inches)?"
)
_EIGHTHS = re.compile(r"(\d+)-(\d+)-(\d+)\s*([+-]?)")
_MONTH = r"(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*"
_DATE = re.compile(
    rf"\d{{4}}[-/.]\d{{1,2}}[-/.]\d{{1,2}}(?:[ T].*)?"  # 2005-03-04, with or without a time
    rf"|\d{{1,2}}/\d{{1,2}}/(?:\d{{2}}|\d{{4}})(?: .*)?"  # 4/3/05
    rf"|\d{{1,2}}[-.]\d{{1,2}}[-.]\d{{4}}(?: .*)?"  # 04-03-2005
    rf"|\d{{1,2}}-\d{{1,2}}-0\d"  # 04-03-05: eighths are one digit
    rf"|\d{{1,2}}[- .]?{_MONTH}(?:[- .]?\d{{2,4}})?"  # 4-Mar, 4-Mar-05
    rf"|{_MONTH}[- .]?\d{{1,4}}(?:[-, ]+\d{{2,4}})?",  # Mar-05
    re.IGNORECASE,
)
_WORDS = {
    "inches": "in",
    "inch": "in",
    '"': "in",
    "feet": "ft",
    "foot": "ft",
    "'": "ft",
}
_MARKS = str.maketrans({"−": "-", "–": "-", "′": "'", "’": "'", "″": '"', "”": '"', "\u00a0": " "})


class NoUnitError(ValueError):
    """A bare number stood where no unit was agreed."""


def parse_length(value: object, unit: str) -> float:
    r"""Return a length in mm from a number or from text with its own unit.

    A bare number counts in `unit`. Text may carry its own: ``1311.3 mm``,
    ``51.625 in``, ``4' 3 5/8"``, or feet-inches-eighths ``4-3-5``, where a
    trailing + or - adds or takes a sixteenth of an inch (common practice, from
    memory). A leading minus turns the whole length. Dates that a spreadsheet
    has made of ``4-3-5`` are refused, since the order of their parts is lost.

    Parameters
    ----------
    value : float, int or str
        What stood in the file.
    unit : str
        mm, m, in, ft or ft-in; "" where none was agreed. In ft-in a bare number
        other than 0 is refused: it could be feet or inches.

    Returns
    -------
    float
        mm.

    Raises
    ------
    ValueError
        The text is no length; NoUnitError where only the unit is lacking.

    Examples
    --------
    >>> parse_length("4-3-5", "mm") / 25.4
    51.625
    >>> round(parse_length("-4' 3 5/8\"", "mm"), 3)
    -1311.275
    >>> parse_length(2, "in")
    50.8
    """
    if isinstance(value, bool):
        raise ValueError(f"{str(value).lower()} found, a length wanted")
    if isinstance(value, (datetime.date, datetime.datetime, datetime.time)):
        raise ValueError(_date_text(str(value)))
    if isinstance(value, (int, float)):
        if abs(value) > LONGEST:  # also a whole number that no float can hold
            raise ValueError("a number beyond all measure found, a finite length wanted")
        return _bare(float(value), str(value), unit)
    if not isinstance(value, str):
        raise ValueError(f"{type(value).__name__} found, a length wanted")
    text = " ".join(value.translate(_MARKS).split())
    if not text:
        raise ValueError("nothing found, a length wanted")
    if len(text) > LONGEST_TEXT:
        raise ValueError(f"{text[:LONGEST_TEXT]}... found, a length wanted")
    sign, body = 1.0, text
    if text[0] in "+-":
        sign, body = (-1.0 if text[0] == "-" else 1.0), text[1:].lstrip()
    return sign * _unsigned(body, text, unit) + 0.0


def _unsigned(body: str, text: str, unit: str) -> float:
    """Return the mm of a length without its sign."""
    if match := _DECIMAL.fullmatch(body):
        number = float(match[1])
        if match[2] is None:
            return _bare(number, text, unit)
        return _finite(number * MM_PER[_WORDS.get(match[2], match[2])], text)
    if _DATE.fullmatch(body):
        raise ValueError(_date_text(text))
    if match := _EIGHTHS.fullmatch(body):
        return _eighths(match, text)
    if match := _FEET_INCHES.fullmatch(body):
        return _feet_inches(match, text)
    if match := _FRACTION.fullmatch(body):
        if match[4] is None and unit != "in":
            raise ValueError(f'{text} found: a fraction needs the inch mark, as in {text}"')
        return 25.4 * (int(match[1] or 0) + _fraction(match[2], match[3], text))
    raise ValueError(_reason(body, text))


def _bare(number: float, text: str, unit: str) -> float:
    """Return a number without a unit of its own in mm."""
    if unit == "":
        raise NoUnitError(
            f"{text} found, a length with its unit wanted (as in '{text} mm'): "
            "the job names no unit for bare numbers"
        )
    if unit == "ft-in":
        if number == 0.0:
            return 0.0
        raise ValueError(
            f"{text} found, feet and inches wanted (4-3-5 or 4' 3 5/8\"): "
            "a bare number could be either"
        )
    return _finite(number * MM_PER[unit], text)


def _finite(mm: float, text: str) -> float:
    if not abs(mm) <= LONGEST:
        raise ValueError(f"{text} found, a finite length wanted")
    return mm


def _eighths(match: re.Match[str], text: str) -> float:
    """Return the mm of feet-inches-eighths with its sixteenth."""
    feet, inches, eighths = (int(part) for part in match.groups()[:3])
    if inches > 11:
        raise ValueError(f"{text} found: {inches} inches, 0 to 11 wanted in feet-inches-eighths")
    if eighths > 7:
        raise ValueError(f"{text} found: {eighths} eighths, 0 to 7 wanted in feet-inches-eighths")
    sixteenth = {"": 0, "+": 1, "-": -1}[match[4]]
    return 25.4 * (12 * feet + inches + eighths / 8 + sixteenth / 16)


def _feet_inches(match: re.Match[str], text: str) -> float:
    """Return the mm of feet and inches, the inches decimal, whole or with a fraction."""
    feet, decimal, whole, top, bottom, top_only, bottom_only = match.groups()
    if decimal is not None:
        inches = float(decimal)
    elif whole is not None:
        inches = int(whole) + (_fraction(top, bottom, text) if top else 0.0)
    else:
        inches = _fraction(top_only, bottom_only, text)
    if inches >= 12:
        raise ValueError(f"{text} found: {inches:g} inches, less than 12 wanted beside feet")
    return 25.4 * (12 * int(feet) + inches)


def _fraction(top: str, bottom: str, text: str) -> float:
    """Return a proper fraction of an inch."""
    if int(bottom) not in (2, 4, 8, 16, 32, 64):
        raise ValueError(f"{text} found: halves, quarters ... to sixty-fourths of an inch wanted")
    if not 0 < int(top) < int(bottom):
        raise ValueError(f"{text} found: a fraction less than 1 wanted")
    return int(top) / int(bottom)


def _date_text(text: str) -> str:
    return (
        f"{text} found, a length wanted: this is a date, as a spreadsheet makes of 4-3-5; "
        "set the column to text and type it again"
    )


def _reason(body: str, text: str) -> str:
    """Say what is wrong with text that is no length."""
    if re.fullmatch(r"[+-]?(nan|inf|infinity)", body, re.IGNORECASE):
        return f"{text} found, a finite length wanted; leave the cell blank if it was not read"
    if re.fullmatch(r"\d+(,\d+)+(\.\d+)?(\s*\w+)?", body):
        return f"{text} found, a decimal point and no comma wanted"
    if re.fullmatch(rf"{_NUMBER}\s*-\s*{_NUMBER}(\s*\w+)?", body):
        return f"{text} found, one length wanted: this reads as a range"
    if match := re.fullmatch(rf"{_NUMBER}\s*([A-Za-z]+)", body):
        return f"{text} found: unit {match[1]} unknown, mm, cm, m, in or ft wanted"
    return f"{text} found, a length wanted (1311.3 mm, 51.625 in, 4' 3 5/8\", 4-3-5)"


def format_length(mm: float, unit: str) -> str:
    """Return a length for people: mm to 0.1, inches to 0.001, or feet-inches-eighths.

    The unit itself is not written, it belongs in the heading of the table.
    Feet-inches-eighths carry a + for a sixteenth more, so nothing is rounded by
    more than 1/32 in. `parse_length` reads all three back.

    Parameters
    ----------
    mm : float
        NaN gives "unknown".
    unit : str
        mm, in or ft-in.

    Raises
    ------
    ValueError
        Another unit.

    Examples
    --------
    >>> [format_length(1311.275, unit) for unit in ("mm", "in", "ft-in")]
    ['1311.3', '51.625', '4-3-5']
    >>> format_length(-44.4375 * 25.4, "ft-in")
    '-3-8-3+'
    """
    if unit not in ("mm", "in", "ft-in"):
        raise ValueError(f"unit {unit} found, mm, in or ft-in wanted")
    if math.isnan(mm):
        return "unknown"
    if math.isinf(mm):
        return "inf" if mm > 0 else "-inf"
    if unit == "mm":
        return f"{round(mm, 1) + 0.0:.1f}"
    if unit == "in":
        return f"{round(mm / 25.4, 3) + 0.0:.3f}"
    sixteenths = round(abs(mm) / 25.4 * 16)
    feet, rest = divmod(sixteenths, 192)
    inches, rest = divmod(rest, 16)
    sign = "-" if mm < 0 and sixteenths else ""
    return f"{sign}{feet}-{inches}-{rest // 2}" + ("+" if rest % 2 else "")
