"""Tables and pieces of the report; unknown is said to be unknown."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

import numpy as np

Row = Mapping[str, Any]


def cell(value: Any, places: int) -> str:
    """Return a number as the report prints it: fixed places, true minus, or "unknown".

    Examples
    --------
    >>> cell(-0.126, 2), cell(None, 1), cell(503, 0), cell(-0.001, 2)
    ('−0.13', 'unknown', '503', '0.00')
    """
    if value is None or not np.isfinite(float(value)):
        return "unknown"
    text = f"{float(value):.{places}f}"
    if not text.strip("-0."):
        text = text.lstrip("-")
    return text.replace("-", "−")


def figure(svg: str) -> str:
    """Return an SVG as a figure of the page.

    Examples
    --------
    >>> figure('<svg xmlns="x" width="84mm" height="92mm" viewBox="0 0 84 92"></svg>')
    '<figure><svg xmlns="x" viewBox="0 0 84 92"></svg></figure>'
    """
    flat = re.sub(r'<svg ([^>]*?)width="[\d.]+mm" height="[\d.]+mm" ', r"<svg \1", svg, count=1)
    return f"<figure>{flat.strip()}</figure>"


def table(
    columns: Sequence[str], rows: Sequence[Sequence[Any]], *, numbers: Sequence[int] = (),
    wrap: Sequence[int] = (),
) -> str:  # fmt: skip
    """Return an HTML table; columns in `numbers` are set right.

    Examples
    --------
    >>> table(("frame", "rms"), [("F12", "2.80")], numbers=(1,)).count("<td")
    2
    """

    def kind(k: int) -> str:
        return " class=n" if k in numbers else " class=wrap" if k in wrap else ""

    head = "".join(
        f"<th{kind(k) if k in numbers else ''}>{escape(name)}</th>"
        for k, name in enumerate(columns)
    )
    body = "".join(
        "<tr>"
        + "".join(
            f"<td{kind(k)}>{escape('' if value is None else str(value))}</td>"
            for k, value in enumerate(row)
        )
        + "</tr>"
        for row in rows
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def holdout_table(rows: Sequence[Row]) -> str:
    """Return the hold-out table.

    Examples
    --------
    >>> "as if missing" in holdout_table([])
    False
    """
    return table(
        ("frame", "readings", "rms, mm", "largest, mm", "inside their 95 % interval",
         "band of the line, ± mm", "note"),
        [
            (row.get("frame"), cell(row.get("points"), 0), cell(row.get("rms_mm"), 2),
             cell(row.get("max_mm"), 2), _share(row.get("coverage95")),
             cell(row.get("band95_mm"), 2), row.get("note") or "")
            for row in rows
        ],
        numbers=(1, 2, 3, 4, 5),
    )  # fmt: skip


def _share(value: Any) -> str:
    return "unknown" if value is None else f"{float(value):.0%}".replace("%", " %")


def settlement_table(rows: Sequence[Row]) -> str:
    """Return the settlement table.

    Examples
    --------
    >>> "to starboard, mm" in settlement_table([])
    True
    """
    aft = any(row.get("d_station_mm") is not None for row in rows)
    columns = ["frame", "to starboard, mm", "up, mm", "roll, °, + lifts starboard"]
    columns += ["aft of stated station, mm", "± one sd, mm"] if aft else []
    body = []
    for row in rows:
        line = [row.get("frame"), cell(row.get("d_bl_mm"), 2), cell(row.get("d_wl_mm"), 2),
                cell(row.get("roll_deg"), 3)]  # fmt: skip
        if aft:
            taped = row.get("d_station_mm") is not None
            line += [cell(row["d_station_mm"], 1) if taped else "held",
                     cell(row.get("sd_station_mm"), 1) if taped else ""]  # fmt: skip
        body.append(line)
    return table(columns, body, numbers=range(1, len(columns)))


def facts_table(rows: Sequence[Row]) -> str:
    """Return the drawing's facts with their verdicts; whatever the summary tells of them.

    Examples
    --------
    >>> "contradicted" in facts_table([{"arc": "side", "verdict": "contradicted"}])
    True
    """
    names = list(dict.fromkeys(name for row in rows for name in row if name != "frame"))
    words = {name: name.replace("_", " ") for name in names}
    numbers = [
        k for k, name in enumerate(names)
        if all(isinstance(row.get(name), int | float) or row.get(name) is None for row in rows)
    ]  # fmt: skip
    body = [
        [cell(row.get(name), 2) if k in numbers else _plainly(row.get(name))
         for k, name in enumerate(names)]
        for row in rows
    ]  # fmt: skip
    return table([words[name] for name in names], body, numbers=numbers)


def _plainly(word: Any) -> Any:
    """Return a dimension or a verdict as it is said; the heading says by which survey."""
    return word.replace("_", " ").removesuffix(" by this survey") if isinstance(word, str) else word


def rejected_table(rows: Sequence[Row]) -> str:
    """Return every reading that was not simply used, with its reason.

    Examples
    --------
    >>> rejected_table([])
    '<p>None.</p>'
    """
    if not rows:
        return "<p>None.</p>"
    return table(
        ("frame", "line", "place", "deviation, mm", "in sd", "used", "reason"),
        [
            (row.get("frame") or "between", row.get("line") or "no label", row.get("place"),
             cell(row.get("deviation_mm"), 2), cell(row.get("standardised"), 1),
             row.get("used"), row.get("reason"))
            for row in rows
        ],
        numbers=(3, 4),
    )  # fmt: skip


MADE = {
    "section": "made from section",
    "flange_faces": "flange faces",
    "flange_deg": "flange angle to the web, °",
    "setback": "setback, mm",
    "edge_strain_percent": "mean strain of the flange's free edge, %",
    "girth": "girth, mm",
    "block_depth": "block depth, mm",
    "block_volume_cm3": "block volume, cm³",
    "pins": "tooling pins",
    "overbend_deg": "overbend, °",
    "blank_area_cm2": "blank area, cm²",
}


def made_table(made: Row) -> str:
    """Return what the bench says of the part, name by name.

    Examples
    --------
    >>> "flange faces" in made_table({"flange_faces": "aft"})
    True
    """
    single = [
        ("" if k else MADE.get(name, name.replace("_", " ")), _told(one))
        for name, value in made.items()
        if name != "pieces" and not isinstance(value, dict)
        for k, one in enumerate(value if name == "checks" and value else (value,))
    ]
    out = f'<div class="named">{table(("of the frame", ""), single)}</div>'
    pieces = made.get("pieces") or ()
    if pieces:
        names = list(dict.fromkeys(name for piece in pieces for name in piece))
        out += table(
            [MADE.get(name, name.replace("_", " ")) for name in names],
            [[_told(piece.get(name)) for name in names] for piece in pieces],
        )
    return out


def _told(value: Any) -> str:
    if value is None:
        return "unknown"
    if isinstance(value, float):
        return cell(value, 2)
    if isinstance(value, list | tuple):
        numbers = len(value) == 2 and all(isinstance(v, int | float) for v in value)
        return " to ".join(_told(v) for v in value) if numbers else "; ".join(map(_told, value))
    return str(value)


def paragraphs(words: Sequence[str]) -> str:
    """Return cautions as a numbered list, each once.

    Examples
    --------
    >>> paragraphs(["a", "a"])
    '<ol class="cautions"><li>a</li></ol>'
    """
    once = dict.fromkeys(str(word) for word in words)
    return (
        '<ol class="cautions">' + "".join(f"<li>{escape(word)}</li>" for word in once) + "</ol>"
        if once
        else "<p>None.</p>"
    )


def inputs_table(inputs: Mapping[str, str]) -> str:
    """Return the input files with their SHA-256.

    Examples
    --------
    >>> "job.toml" in inputs_table({"job.toml": "00"})
    True
    """
    rows = "".join(
        f'<tr><td>{escape(str(name))}</td><td class="hash wrap">{escape(str(value))}</td></tr>'
        for name, value in inputs.items()
    )
    return (
        f"<table><thead><tr><th>file</th><th>SHA-256</th></tr></thead><tbody>{rows}</tbody></table>"
    )
