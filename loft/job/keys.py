"""Read the tables of a TOML file key by key, with the row of every fault."""

from __future__ import annotations

import datetime
import difflib
import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from loft.job.errors import Finding
from loft.job.units import LONGEST, NoUnitError, parse_length

Convert = Callable[[Any, str], Any]  # (value, unit of bare lengths) -> value, or ValueError


@dataclass(frozen=True, kw_only=True)
class Key:
    """What one key may hold; `field` is its name in the record where that differs."""

    convert: Convert
    required: bool = False
    field: str = ""


@dataclass(eq=False, kw_only=True)
class Log:
    """The faults of one file, each with the row of its key."""

    file: str
    rows: Mapping[str, int]
    findings: list[Finding] = field(default_factory=list)
    unitless: list[tuple[str, str]] = field(default_factory=list)

    def add(self, place: str, text: str) -> None:
        """Keep a fault about the key or table at `place`, such as ``frame[2].station``."""
        self.findings.append(Finding(file=self.file, row=self.row(place), column=place, text=text))

    def row(self, place: str) -> int:
        """Return the row of `place`, or of the nearest table that holds it; 0 unknown."""
        while place and place not in self.rows:
            if f"{place}[1]" in self.rows:
                break
            place = place[: max(place.rfind("."), place.rfind("["), 0)]  # shorter each time
        return self.rows.get(place, self.rows.get(f"{place}[1]", 0))


def read_block(
    data: Any, spec: Mapping[str, Key], *, place: str, unit: str, log: Log
) -> dict[str, Any]:
    """Return the checked values of one table by field name; faults go to `log`.

    A key that is absent or at fault is left out of the answer.

    Examples
    --------
    >>> log = Log(file="job.toml", rows={})
    >>> spec = {"gauge": Key(convert=length(above=0))}
    >>> read_block({"gage": 0.9}, spec, place="skin", unit="mm", log=log)
    {}
    >>> log.findings[0].line()
    'job.toml: skin.gage: unknown key gage found; gauge is the nearest known'
    """
    if not isinstance(data, dict):
        log.add(place, f"{kind_of(data)} found, a table [{place}] wanted")
        return {}
    for name in data:
        if name not in spec:
            log.add(f"{place}.{name}", f"unknown key {name} found; {nearest(name, spec)}")
    values = {}
    for name, key in spec.items():
        if name not in data:
            if key.required:
                log.add(f"{place}.{name}", f"nothing found, {name} wanted in [{bare(place)}]")
            continue
        try:
            values[key.field or name] = key.convert(data[name], unit)
        except NoUnitError as error:
            log.unitless.append((f"{place}.{name}", str(error)))
        except ValueError as error:
            log.add(f"{place}.{name}", str(error))
    return values


def bare(place: str) -> str:
    """Return the name of a table without its counter: ``frame[2]`` is ``frame``."""
    return re.sub(r"\[\d+\]", "", place)


def nearest(name: str, known: Iterable[str]) -> str:
    """Name the nearest known word, or all of them where none is near.

    Examples
    --------
    >>> nearest("statoin", ["frame", "station"])
    'station is the nearest known'
    """
    known = list(known)
    lower = {word.casefold(): word for word in known}
    for word in lower:  # figures written in the wrong order
        if sorted(word) == sorted(name.strip().casefold()):
            return f"{lower[word]} is the nearest known"
    close = difflib.get_close_matches(name.strip().casefold(), lower, n=1, cutoff=0.6)
    if close:
        return f"{lower[close[0]]} is the nearest known"
    return "known are " + ", ".join(known)


def kind_of(value: Any) -> str:
    """Name the TOML type of a value in words."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    return str(value)


def length(*, above: float = -math.inf, least: float = -math.inf) -> Convert:
    """Accept a length greater than `above` and not less than `least` (both mm)."""

    def convert(value: Any, unit: str) -> float:
        mm = parse_length(value, unit)
        if mm <= above:
            raise ValueError(f"{value} found, more than {above:g} wanted")
        if mm < least:
            raise ValueError(f"{value} found, {least:g} or more wanted")
        return mm

    return convert


def number(
    *, least: float = -math.inf, most: float = math.inf, above: float = -math.inf
) -> Convert:
    """Accept a plain finite number within limits."""

    def convert(value: Any, unit: str) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise ValueError(f"{kind_of(value)} found, a number wanted")
        if not abs(value) <= LONGEST:
            raise ValueError(f"{value} found, a finite number wanted")
        if value <= above:
            raise ValueError(f"{value} found, more than {above:g} wanted")
        if not least <= value <= most:
            raise ValueError(f"{value} found, {least:g} to {most:g} wanted")
        return float(value)

    return convert


def degrees(*, least: float = -360.0, most: float = 360.0, above: float = -math.inf) -> Convert:
    """Accept an angle in degrees; the answer is in radians."""
    plain = number(least=least, most=most, above=above)
    return lambda value, unit: math.radians(plain(value, unit))


def whole(*, least: int) -> Convert:
    """Accept a whole number not less than `least`."""

    def convert(value: Any, unit: str) -> int:
        if isinstance(value, bool) or not isinstance(value, int):
            raise ValueError(f"{kind_of(value)} found, a whole number wanted")
        if value < least:
            raise ValueError(f"{value} found, {least} or more wanted")
        return value

    return convert


def text(*, filled: bool = False) -> Convert:
    """Accept one line of text; `filled` refuses an empty one."""

    def convert(value: Any, unit: str) -> str:
        if not isinstance(value, str):
            raise ValueError(f"{kind_of(value)} found, text in quotes wanted")
        if filled and not value.strip():
            raise ValueError("empty text found, something wanted")
        if any(ord(sign) < 32 or ord(sign) == 127 for sign in value):
            raise ValueError("a line break or control character found, one line of text wanted")
        return value.strip()

    return convert


def file_name(value: Any, unit: str) -> str:
    """Accept the name of a file beside the job file; ``./a.csv`` is ``a.csv``."""
    return Path(text(filled=True)(value, unit)).as_posix()


def row_mark(value: Any, unit: str) -> str:
    """Accept a row of a file, as in ``tape.csv:31``."""
    file, _, row = text(filled=True)(value, unit).rpartition(":")
    if not file or not re.fullmatch(r"0*[1-9][0-9]{0,8}", row):
        raise ValueError(f'"{value}" found, a file and a row wanted: "tape.csv:31"')
    return f"{Path(file).as_posix()}:{int(row)}"


def name(pattern: str = r"[^\W_](?:[\w .+-]*[\w+-])?") -> Convert:
    """Accept a name that can stand in a table cell, a tie and the name of a folder."""
    plain = text(filled=True)

    def convert(value: Any, unit: str) -> str:
        word = plain(value, unit)
        if not re.fullmatch(pattern, word):
            raise ValueError(
                f"{word} found, a name of letters, digits, blanks and . _ + - wanted, "
                "starting with a letter or digit"
            )
        return str(word)

    return convert


def choice(words: Sequence[str]) -> Convert:
    """Accept one of `words`."""

    def convert(value: Any, unit: str) -> str:
        if not isinstance(value, str) or value not in words:
            hint = ""
            if isinstance(value, str):
                hint = f" ({near})" if (near := nearest(value, words)).endswith("known") else ""
            raise ValueError(f"{kind_of(value)} found, {' or '.join(words)} wanted{hint}")
        return value

    return convert


def flag(value: Any, unit: str) -> bool:
    """Accept true or false."""
    if not isinstance(value, bool):
        raise ValueError(f"{kind_of(value)} found, true or false wanted")
    return value


def calendar_date(value: Any, unit: str) -> datetime.date:
    """Accept a TOML date without a time."""
    if isinstance(value, datetime.datetime) or not isinstance(value, datetime.date):
        raise ValueError(
            f"{kind_of(value)} found, a date without quotes or time wanted: 1938-05-14"
        )
    return value


def several(item: Convert, *, least: int = 0, unique: bool = True) -> Convert:
    """Accept a list of at least `least` items, none of them twice unless allowed."""

    def convert(value: Any, unit: str) -> tuple[Any, ...]:
        if not isinstance(value, list):
            raise ValueError(f"{kind_of(value)} found, a list [...] wanted")
        if len(value) < least:
            raise ValueError(f"a list of {len(value)} found, {least} or more wanted")
        items = tuple(item(entry, unit) for entry in value)
        for place, entry in enumerate(items):
            if unique and entry in items[:place]:
                raise ValueError(f"{entry} found twice, once wanted")
        return items

    return convert


def exactly(*items: Convert, what: str) -> Convert:
    """Accept a list with one item for each of `items`; `what` names them for the fault."""

    def convert(value: Any, unit: str) -> tuple[Any, ...]:
        if not isinstance(value, list) or len(value) != len(items):
            raise ValueError(f"{kind_of(value)} found, {what} wanted")
        return tuple(item(entry, unit) for item, entry in zip(items, value, strict=True))

    return convert


def span(what: str, *, wraps: bool = False) -> Convert:
    """Accept a range of two lengths, the lesser first."""
    pair = exactly(length(), length(), what=f"two lengths, from and to along the {what},")

    def convert(value: Any, unit: str) -> tuple[float, float]:
        low, high = pair(value, unit)
        if low < high or (low == high and not wraps):
            return low, high
        remedy = "; a range past the crown starts with a negative girth" if wraps else ""
        raise ValueError(f"{value} found, the lesser first wanted{remedy}")

    return convert


def key_rows(source: str) -> dict[str, int]:
    r"""Return the row of every table and key of a TOML text, by place.

    Tables of an array are counted from 1: ``frame[2].station`` is the key
    `station` of the second ``[[frame]]``. Keys of inline tables are not listed.

    Examples
    --------
    >>> key_rows('[job]\ntitle = "a"\n[[frame]]\nname = "F1"')
    {'job': 1, 'job.title': 2, 'frame[1]': 3, 'frame[1].name': 4}
    """
    rows: dict[str, int] = {}
    counts: dict[str, int] = {}
    table, depth, quote = "", 0, ""
    for row, line in enumerate(source.splitlines(), start=1):
        if depth == 0 and not quote:
            if match := re.match(r"\s*\[\[\s*([\w.\- ]+?)\s*\]\]", line):
                counts[match[1]] = counts.get(match[1], 0) + 1
                table = f"{match[1]}[{counts[match[1]]}]"
                rows.setdefault(table, row)
                continue
            if match := re.match(r"\s*\[\s*([\w.\- ]+?)\s*\]", line):
                table = match[1]
                rows.setdefault(table, row)
                continue
            if match := re.match(r"""\s*["']?([\w.\-]+)["']?\s*=""", line):
                rows.setdefault(f"{table}.{match[1]}" if table else match[1], row)
                line = line[match.end() :]
        depth, quote = _open_ends(line, depth, quote)
    return rows


def _open_ends(line: str, depth: int, quote: str) -> tuple[int, str]:
    """Return how many brackets, and which long string, are open at the end of a line."""
    at = 0
    while at < len(line):
        if quote:
            if line[at] == "\\" and quote[0] == '"':
                at += 1
            elif line.startswith(quote, at):
                at += len(quote) - 1
                quote = ""
        elif line[at] in "\"'":
            quote = line[at] * 3 if line.startswith(line[at] * 3, at) else line[at]
            at += len(quote) - 1
        elif line[at] == "#":
            break
        else:
            depth += (line[at] in "[{") - (line[at] in "]}")
        at += 1
    return max(depth, 0), quote if len(quote) == 3 else ""
