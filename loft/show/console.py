"""The short tables that every command prints for people."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from loft.job.records import Job, Survey
from loft.job.units import format_length

WIDTH = 78


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
    """
    if value is None:
        return "unknown"
    return f"{value:.{places}f}" if units == "mm" else format_length(value, units)


def tell_survey(job: Job, survey: Survey, data: dict[str, Any], out: Path) -> str:
    """Return what came in, for `loft survey`."""
    rows = [[name, str(count)] for name, count in data["by_frame"].items()]
    parts = [
        f"{job.title}: {data['points']} readings, {data['in_use']} in use",
        table(["frame", "readings"], rows),
        "faces: " + ", ".join(f"{name} {count}" for name, count in data["faces"].items()),
    ]
    aside = data["set_aside"]
    if aside:
        parts.append(f"{len(aside)} readings set aside or weakened as damage:")
        parts += [
            f"  {row['source']}  {row['frame']} {row['line']}: {row['reason']}" for row in aside
        ]
    parts += [f"note: {note}" for note in data["notes"]]
    parts.append(f"points.csv in {out}")
    return "\n".join(parts)


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
    parts.append(f"files in {out}")
    return "\n\n".join(part for part in parts if part)


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
    rows = [
        f"  {row['place']}  {row['frame']} {row['line']}: {row['reason']} ({row['used']})"
        for row in data["rejected"]
    ]
    return "readings not simply used\n" + "\n".join(rows) if rows else ""
