"""What `loft survey` prints: what came in, what was missed, what does not agree."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from loft.job.records import Job
from loft.show.console import counted, in_units, shown, table
from loft.survey.account import BETWEEN


def tell_survey(job: Job, data: dict[str, Any], out: Path, units: str) -> str:
    """Return what came in, for people.

    Parameters
    ----------
    job : Job
    data : dict
        As `survey_summary` gives it.
    out : Path
        Where the files stand.
    units : str
        Of what is printed.
    """
    rows = [[name, str(count)] for name, count in data["by_frame"].items()]
    parts = [
        f"{job.title}: {data['points']} readings, {data['in_use']} in use",
        table(["frame", "readings"], rows),
        _listed("faces", data["faces"]) + "\n" + _listed("from", data["by_set"]),
        _by_line(job, data),
        *(_scan(scan, units) for scan in data["scans"]),
        "\n".join(
            [_repeats(data["repeat"], units), *(_closure(c, units) for c in data["closure"])]
        ),
        _aside(data["set_aside"]),
        "\n".join(f"note: {note}" for note in data["notes"]),
        f"points.csv and survey.svg in {out}",
    ]
    return in_units("\n\n".join(part for part in parts if part), units)


def _listed(word: str, counts: dict[str, int]) -> str:
    return f"{word}: " + ", ".join(f"{name} {count}" for name, count in counts.items())


def _by_line(job: Job, data: dict[str, Any]) -> str:
    """Return readings in use by line and frame; a dot where there is none."""
    if not data["by_line_and_frame"]:
        return ""
    frames = [frame.name for frame in job.frames]
    rows = [
        [line, *(str(counts[name] or ".") for name in (*frames, BETWEEN))]
        for line, counts in data["by_line_and_frame"].items()
    ]
    return "readings in use by line and frame\n" + table(["line", *frames, "between"], rows)


def _scan(scan: dict[str, Any], units: str) -> str:
    """Return one scan's account: how it was placed, what it covers, what was set aside."""
    reach = " to ".join(shown(value, units, 0) for value in scan["extent"]["station"])
    told = (
        f"{scan['file']}: {scan['points']} points, stations {reach}; {scan['in_slabs']} of them at "
        f"frames and bays, {scan['set_aside']:.0%} of those set aside as not on the face "
        f"{scan['face']}"
    )
    parts = [told]
    if "targets" in scan:
        fit = scan["targets"]
        rows = [
            [
                target["name"], *(shown(value, units) for value in target["miss"]),
                f"{target['standardised']:.1f}", "" if target["used"] else "left out",
            ]
            for target in fit["targets"]
        ]  # fmt: skip
        proved = "hand proved" if fit["hand_proved"] else "hand not checked"
        parts.append(f"targets, misses {shown(fit['rms'], units)} rms, {proved}")
        parts.append(table(["target", "station", "bl", "wl", "over sd", ""], rows))
    if "fit" in scan:
        parts.append(_fit(scan["fit"], units))
    rows = [
        [
            slab["frame"] or shown(slab["station"], units, 0),
            str(slab["points"]), str(slab["cells"]),
            f"{slab['set_aside']:.0%}", shown(slab["spread"], units),
            "hardly seen" if slab["hardly_seen"] else "",
        ]
        for slab in scan["slabs"]
    ]  # fmt: skip
    parts.append(table(["at", "points", "readings", "set aside", "scatter", ""], rows))
    if scan["stringers"]:
        lines = {run["line"] for run in scan["stringers"] if run["stations"]}
        parts.append(f"{len(lines)} stringers followed along the bays, {scan['crests']} readings")
    if scan["frames_without"]:
        names = ", ".join(scan["frames_without"])
        parts.append(f"it reaches {names} and brought no reading there")
    return "\n".join(parts)


def _fit(fit: dict[str, Any], units: str) -> str:
    """Return how a scan was moved onto the tape or onto another scan."""
    axes = ("station", "bl", "wl")
    moved = ", ".join(
        f"{axis} {shown(value, units)} ± {shown(sd, units)}"
        for axis, value, sd in zip(axes, fit["shift"], fit["sd_shift"], strict=True)
    )
    turned = ", ".join(f"{value:.3f}" for value in fit["turn_deg"])
    frames = f" of {', '.join(fit['frames'])}" if "frames" in fit else ""
    points = "points" if "matched" in fit else "readings"
    told = (
        f"fitted to {fit['to']} on {fit['readings']} {points}{frames}: left "
        f"{shown(fit['rms'], units)} rms; moved {moved}, turned {turned} degrees about them"
    )
    doubted = fit.get("doubted", [])
    return told + (f"\nnot followed by the fit: {', '.join(doubted)}" if doubted else "")


def _repeats(repeat: dict[str, Any], units: str) -> str:
    if not repeat["compared"]:
        return "repeats: no point was read twice"
    return (
        f"repeats: {repeat['compared']} points read twice, {shown(repeat['rms'], units)} rms "
        f"apart, {shown(repeat['largest'], units)} at most; {repeat['verdict']}"
        + (f" at {len(repeat['failed'])}" if repeat["failed"] else "")
        + " (limit 5 mm per metre from the datum lines)"
    )


def _closure(closure: dict[str, Any], units: str) -> str:
    told = f"closure of {closure['file']}: {closure['readings']} readings, {closure['spare']} spare"
    if closure["ratio"] is None:
        return told + "; nothing checks them"
    return (
        f"{told}, {closure['left_out']} left out; the others miss by "
        f"{shown(closure['rms'], units)} rms, {closure['ratio']:.2f} times what their sigma says"
    )


def _aside(aside: list[dict[str, Any]]) -> str:
    rows = counted((row["source"], row["frame"], row["line"], row["reason"]) for row in aside)
    heading = f"{len(aside)} readings set aside or weakened as damage:"
    return "\n".join([heading, *rows]) if rows else ""
