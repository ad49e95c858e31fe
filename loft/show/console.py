"""The short tables that every command prints for people."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from loft.job.caution import SHAPE_ONLY
from loft.job.files import number
from loft.job.units import MM_PER, format_length

WIDTH = 78
NUMBER = re.compile(r"(?<![\w.])-?\d[\d,]*(?:\.\d+)?")
LENGTH = re.compile(rf"({NUMBER.pattern}(?:(?: ± | to | to ± ){NUMBER.pattern})?) mm\b(?! per )")
MANY = 6  # readings of one frame set aside for one reason, beyond which they are only counted


def table(columns: list[str], rows: list[list[str]]) -> str:
    """Return a plain text table; the first column is set left, the others right.

    Examples
    --------
    >>> print(table(["frame", "rms"], [["F12", "2.80"]]))
    frame   rms
    F12    2.80
    """
    cells = [columns, *rows]
    widths = [max(len(row[k]) for row in cells) for k in range(len(columns))]
    return "\n".join(
        "  ".join(
            cell.ljust(width) if not k else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in cells
    )


def shown(value: float | None, units: str, places: int = 2) -> str:
    """Return a length for people; unknown stays unknown.

    Examples
    --------
    >>> shown(None, "mm"), shown(1.5, "mm"), shown(25.4, "in")
    ('unknown', '1.50', '1.000')
    >>> shown(1.5, "ft-in"), shown(254.0, "ft-in")  # under an inch the sixteenths say nothing
    ('0.059 in', '0-10-0')
    """
    if value is None:
        return "unknown"
    if units == "ft-in" and abs(value) < MM_PER["in"]:
        return f"{format_length(value, 'in')} in"
    return number(value, places) if units == "mm" else format_length(value, units)


def in_units(words: str, units: str) -> str:
    """Return words with every length that is followed by "mm" in the unit asked for.

    A bare number is left as it stands, and so is a length per length.

    Examples
    --------
    >>> in_units("2,202.9 ± 54.4 mm of radius, 5 mm per metre", "in")
    '86.728 in ± 2.142 in of radius, 5 mm per metre'
    >>> in_units("the band narrows from ± 1.41 to ± 1.40 mm", "mm")
    'the band narrows from ± 1.41 to ± 1.40 mm'
    """
    if units == "mm":
        return words

    def told(found: re.Match[str]) -> str:
        return NUMBER.sub(lambda one: _with_unit(float(one[0].replace(",", "")), units), found[1])

    return LENGTH.sub(told, words)


def _with_unit(value: float, units: str) -> str:
    text = shown(value, units)
    return text if text.endswith(" in") or units == "ft-in" else f"{text} in"


def tell(result: Any, data: dict[str, Any], steps: tuple[str, ...], out: Path, units: str) -> str:
    """Return the short report of a step: sections, evidence, what to distrust, where files lie."""
    survey = data["survey"]
    parts = [
        f"{data['job']['title']}: {survey['readings']} readings, {survey['used']} used, "
        f"{survey['doubted']} doubted, {survey['not_used']} not used"
    ]
    parts.append(_moved(data, units))
    if "check" in steps:
        parts.append(_holdouts(data, units))
    if "lift" in steps:
        parts += [_section(data, k, units) for k in range(len(data["section"]))]
    parts.append(_rejected(data, units))
    words = data["cautions"]
    parts.append("\n".join(f"caution: {text}" for text in words))
    if "lift" in steps:
        for row in data["verdict"]:
            reasons = "".join(f"\n  because {reason}" for reason in row["reasons"])
            parts.append(f"{row['frame']}: {row['verdict'].upper()}{reasons}")
    for frame, told in data["plan"].items():
        lines = "".join(f"\n  {k + 1}. {words}" for k, words in enumerate(told))
        parts.append(f"read next for {frame}, mean band round the section:{lines}")
    parts.append(f"files in {out}")
    return in_units("\n\n".join(part for part in parts if part), units)


def tell_arcs(checks: list[Any], findings: list[Any], out: Path, units: str = "mm") -> str:
    """Return the arcs of each frame and what its drawing says, for `loft arcs`."""
    from loft.drawing.tables import facts_rows

    parts = []
    for check in checks:
        rows = [
            [
                arc.name, _radius(arc.radius, arc.sd_radius, units),
                *(_known(v, units) for v in (arc.sd_radius, arc.centre_bl, arc.centre_height)),
                arc.verdict,
            ]
            for arc in check.arcs
        ]  # fmt: skip
        parts.append(
            f"{check.drawing.frame}: struck with\n"
            + table(["arc", "radius", "sd", "centre bl", "height", ""], rows)
        )
        drawn_rows: Any = facts_rows([check])
        facts = [
            [
                f"{arc} {kind}".strip().replace("_", " "),
                *(
                    _known(value, "degrees" if kind.endswith("_deg") else units)
                    for value in (drawn, fitted, suggested, seen)
                ),
                verdict,
            ]
            for _, arc, kind, drawn, _, fitted, _, _, seen, suggested, verdict in drawn_rows
        ]
        if facts:
            columns = ["drawn", "figure", "fitted", "the rest says", "would be seen", ""]
            parts.append(table(columns, facts))
    parts += [f"note: {in_units(finding.line(), units)}" for finding in findings]
    parts.append(f"lengths in {'feet-inches-eighths' if units == 'ft-in' else units}; {SHAPE_ONLY}")
    parts.append(f"drawing.csv, facts.csv and construction.svg in the frames' folders in {out}")
    return "\n\n".join(parts)


def _radius(radius: float, sd: float, units: str) -> str:
    if radius == float("inf"):
        return "straight"
    return "unknown" if sd != sd else shown(radius, units, 1)


def _known(value: float, units: str) -> str:
    if not abs(value) < float("inf"):
        return "unknown"
    return number(value, 1) if units == "degrees" else shown(value, units, 1)


def tell_prove(data: dict[str, Any], out: Path, units: str = "mm") -> str:
    """Return the verdict on every made part, for `loft prove`."""
    parts = []
    for one in data.get("frames", [data]):
        if "section" in one:
            parts.append(
                f"{one['frame']}, section {one['section']}: {one['readings']} readings of the "
                f"part, held by {one['held']}"
            )
        else:
            parts.append(one["frame"])
        parts.append(one["verdict"].upper())
        parts += [
            f"  girth {shown(row['girth_mm'], units, 0)}: {in_units(row['remark'], units)}"
            for row in one.get("rework", [])
        ]
        if one.get("undecided"):
            parts.append(f"{one['undecided']} readings cannot be decided by this survey")
        parts += [f"note: {in_units(note, units)}" for note in one["notes"]]
        if "section" in one:
            parts.append(f"prove.csv and prove.svg in {out / one['frame']}")
    return "\n".join([*parts, SHAPE_ONLY])


def _moved(data: dict[str, Any], units: str) -> str:
    rows = [
        [
            row["frame"], shown(row["d_bl_mm"], units), shown(row["d_wl_mm"], units),
            f"{row['roll_deg']:.3f}",
            "" if row["d_station_mm"] is None else shown(row["d_station_mm"], units, 1),
        ]
        for row in data["settlement"]
    ]  # fmt: skip
    return "settlement of the frames\n" + table(
        ["frame", "to starboard", "up", "roll deg", "aft"], rows
    )


def _holdouts(data: dict[str, Any], units: str) -> str:
    rows = [
        [
            row["frame"], str(row["points"]), shown(row["rms_mm"], units),
            shown(row["max_mm"], units),
            "unknown" if row["coverage95"] is None else f"{row['coverage95']:.0%}",
            shown(row["band95_mm"], units), row["note"],
        ]
        for row in data["holdout"]
    ]  # fmt: skip
    return "each frame predicted as if it were missing\n" + table(
        ["frame", "readings", "rms", "largest", "inside", "band ±", ""], rows
    )


def _section(data: dict[str, Any], k: int, units: str) -> str:
    section, band = data["section"][k], data["bands"][k]
    return (
        f"{section['frame']} at station {shown(section['station_mm'], units, 1)}: girth "
        f"{shown(section['girth_mm'], units, 1)}, half-breadths "
        f"{shown(section['half_breadth_starboard_mm'], units, 1)} starboard and "
        f"{shown(section['half_breadth_port_mm'], units, 1)} port, bevel "
        f"{section['bevel_deg'][0]:.2f} to {section['bevel_deg'][1]:.2f} degrees, "
        f"{section['lines_crossing']} lines cross it\n"
        f"95 % band: ± {shown(band['band95_mean_mm'], units)} point by point on average, "
        f"± {shown(band['band95_all_widest_mm'], units)} at the widest for the whole outline\n"
        f"section {section['hash']}"
    )


def _rejected(data: dict[str, Any], units: str) -> str:
    rows = counted(
        (row["place"], row["frame"], row["line"], f"{row['reason']} ({row['used']})")
        for row in data["rejected"]
    )
    return "\n".join(["readings not simply used", *rows]) if rows else ""


def counted(readings: Iterable[tuple[str, str, str, str]]) -> list[str]:
    """Return a line a reading; of many alike on one frame only how many there are.

    Parameters
    ----------
    readings : iterable of tuple
        (file and row, frame, line, why) of each.

    Examples
    --------
    >>> counted([("tape.csv:7", "F9", "S3P", "damage")])
    ['  tape.csv:7  F9 S3P: damage']
    >>> counted([(f"bay.ply:{k}", "F13", "", "damage") for k in range(9)])
    ['  bay.ply  F13: 9 readings: damage']
    """
    told = list(readings)
    kinds = [(place.rpartition(":")[0], frame, why) for place, frame, _, why in told]
    count = Counter(kinds)
    rows: dict[object, str] = {}
    for (place, frame, line, why), kind in zip(told, kinds, strict=True):
        if count[kind] > MANY:
            rows[kind] = f"  {kind[0]}  {frame}: {count[kind]} readings: {why}"
        else:
            rows[place] = f"  {place}  {frame} {line}: {why}"
    return list(rows.values())
