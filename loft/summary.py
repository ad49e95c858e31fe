"""summary.json: every figure that a person would quote, and the verdict with its rule."""

from __future__ import annotations

import json
import math
import platform
from importlib import metadata
from typing import TYPE_CHECKING, Any

import numpy as np

from loft.drawing.tables import DRAWING_COLUMNS, FACTS_COLUMNS, drawing_rows, facts_rows
from loft.job.caution import CAUTION
from loft.job.files import digest
from loft.job.records import Evidence, Job, Section
from loft.job.schema import given_name
from loft.show.words import SOUND_COVERAGE

if TYPE_CHECKING:
    from loft.steps import Result

LIBRARIES = ("numpy", "scipy", "trimesh", "manifold3d")
RULE = (
    "make: the whole-outline band (95 %) lies within the mould-line tolerance, both neighbours' "
    f"readings lie inside their hold-out interval ({SOUND_COVERAGE:.0%} of them or more), nothing "
    "on the drawing is contradicted and nothing was warned of. make with care: the band lies "
    "within tolerance, or no tolerance is given, but one of the others does not hold. measure "
    "first: the band is wider than the tolerance, a drawn dimension is contradicted, or the "
    "frame is extrapolated. Failed repeats are listed among the cautions and not judged."
)


def verdict(job: Job, section: Section, evidence: Evidence, result: Result) -> dict[str, Any]:
    """Return make, make with care or measure first, with every reason.

    Parameters
    ----------
    job : Job
    section : Section
        The missing frame's.
    evidence : Evidence
    result : Result
        For what was contradicted on the drawing.

    Returns
    -------
    dict
        frame, verdict, reasons and rule.
    """
    widest, tolerance = float(section.band95_all.max()), job.shop.tolerance_mould_line
    first, care = [], []
    if math.isnan(tolerance):
        care.append("no [tolerance] mould_line is given, so the band was not judged")
    elif widest > tolerance:
        first.append(
            f"the whole-outline band is ± {widest:.2f} mm at its widest, over the tolerance of "
            f"{tolerance:.2f} mm"
        )
    run = result.surface.stations
    if not run[0] <= section.station <= run[-1]:
        first.append("the frame lies outside the surveyed run")
    for name in neighbours(section, evidence):
        at = int(np.flatnonzero(evidence.holdouts.frame == name)[0])
        share = evidence.holdouts.coverage95[at]
        if not share >= SOUND_COVERAGE:
            inside = f"only {share:.0%} of its readings inside their interval"
            what = "no readings to judge" if math.isnan(share) else inside
            care.append(f"neighbour {name}, predicted as if missing, has {what}")
    for row in drawing_summary(result).get(section.frame, ()):
        if row["verdict"] == "contradicted":
            unit = "degrees" if row["dimension"].endswith("_deg") else "mm"
            first.append(
                f"the drawing is contradicted: {row['dimension']} {row['arc']} {row['given']} "
                f"{unit} drawn, the rest suggests {row['suggested']} {unit}".replace("  ", " ")
            )
    warned = [f.text for f in evidence.findings if f.severity == "warning"]
    if warned:
        care.append(f"{len(warned)} warnings stand (see cautions)")
    word = "measure first" if first else "make with care" if care else "make"
    return {"frame": section.frame, "verdict": word, "reasons": first + care, "rule": RULE}


def neighbours(section: Section, evidence: Evidence) -> list[str]:
    """Return the surveyed frames next to the section, forward and aft."""
    held = evidence.holdouts
    other = held.frame != section.frame
    ahead = np.flatnonzero(other & (held.station < section.station))
    aft = np.flatnonzero(other & (held.station > section.station))
    near = [ahead[np.argmax(held.station[ahead])]] if len(ahead) else []
    near += [aft[np.argmin(held.station[aft])]] if len(aft) else []
    return [str(held.frame[k]) for k in near]


def cautions(result: Result) -> list[str]:
    """Return everything that must be said, each once."""
    told = [finding.line() for finding in result.evidence.findings]
    told += [note.removeprefix("warning: ") for note in result.survey.notes]
    return [*dict.fromkeys(told), CAUTION]


def section_summary(section: Section, section_hash: str) -> dict[str, Any]:
    """Return one lifted section in figures (mm, degrees)."""
    return {
        "frame": section.frame,
        "hash": section_hash,
        "station_mm": _round(section.station),
        "cant_deg": _round(math.degrees(section.cant), 5),
        "girth_mm": _round(section.length),
        "girth_zero": section.zero,
        "source": section.source,
        "half_breadth_starboard_mm": _round(section.bl.max()),
        "half_breadth_port_mm": _round(-section.bl.min()),
        "top_wl_mm": _round(section.wl.max()),
        "bottom_wl_mm": _round(section.wl.min()),
        "bevel_deg": [
            _round(math.degrees(section.bevel.min()), 3),
            _round(math.degrees(section.bevel.max()), 3),
        ],
        "lines_crossing": len(section.crossings.line),
        "chines": [corner.line for corner in section.corners],
    }


def band_summary(section: Section) -> dict[str, Any]:
    """Return the band's width in figures (mm)."""
    return {
        "frame": section.frame,
        "band95_mean_mm": _round(section.band95.mean(), 2),
        "band95_widest_mm": _round(section.band95.max(), 2),
        "band95_all_mean_mm": _round(section.band95_all.mean(), 2),
        "band95_all_widest_mm": _round(section.band95_all.max(), 2),
        "widest_at_girth_mm": _round(section.girth[int(np.argmax(section.band95_all))], 0),
    }


def rejected(result: Result) -> list[dict[str, Any]]:
    """Return every reading that was not simply used, with who set it aside and why."""
    survey, found = result.survey, result.evidence.deviations
    return [
        {
            "frame": str(survey.frame[k]),
            "line": str(survey.line[k]),
            "place": f"{survey.source[k]}:{survey.row[k]}",
            "used": str(found.used[k]),
            "deviation_mm": _round(found.deviation[k], 2),
            "standardised": _round(found.standardised[k], 1),
            "reason": str(found.reason[k]),
        }
        for k in range(len(survey))
        if found.used[k] != "yes" or found.reason[k]
    ]


def summary(
    result: Result, made: dict[str, Any], planned: dict[str, Any], options: dict[str, Any]
) -> dict[str, Any]:
    """Return the whole summary as plain data.

    Parameters
    ----------
    result : Result
    made : dict
        Frame to what the bench says of its files.
    planned : dict
        Frame to the readings that would narrow its band most, in words.
    options : dict
        Options of the command line.
    """
    job, evidence, held = result.job, result.evidence, result.evidence.holdouts
    settled = evidence.settlements
    noise = result.surface.fit.variances
    return {
        "job": {
            "title": job.title, "revision": job.revision, "unit": job.unit,
            "date": job.date.isoformat() if job.date else None,
            "prepared_by": job.prepared_by, "missing": list(job.missing),
        },
        "frames": [
            {
                "name": f.name, "station_mm": _round(f.station), "status": f.status,
                "cant_deg": _round(math.degrees(f.cant), 5),
                "readings": int((result.survey.frame == f.name).sum()),
            }
            for f in job.frames
        ],
        "survey": {
            "readings": len(result.survey),
            "used": int((evidence.deviations.used == "yes").sum()),
            "doubted": int((evidence.deviations.used == "doubted").sum()),
            "not_used": int((evidence.deviations.used == "no").sum()),
            "noise_scale": _round(noise.noise, 3),
        },
        "scans": list(result.survey.scans),
        "section": [section_summary(s, result.hashes[s.frame]) for s in result.sections],
        "bands": [band_summary(s) for s in result.sections],
        "holdout": [
            {
                "frame": str(held.frame[k]), "points": int(held.points[k]),
                "rms_mm": _round(held.rms[k], 2), "max_mm": _round(held.largest[k], 2),
                "coverage95": _round(held.coverage95[k], 3),
                "band95_mm": _round(held.band95[k], 2), "note": str(held.note[k]),
            }
            for k in range(len(held.frame))
        ],
        "settlement": [
            {
                "frame": str(settled.frame[k]), "d_bl_mm": _round(settled.d_bl[k], 2),
                "d_wl_mm": _round(settled.d_wl[k], 2),
                "roll_deg": _round(math.degrees(settled.roll[k]), 4),
                "d_station_mm": _round(settled.d_station[k], 1),
                "sd_station_mm": _round(settled.sd_station[k], 1),
            }
            for k in range(len(settled.frame))
        ],
        "rejected": rejected(result),
        "drawing": drawing_summary(result),
        "arcs": arcs_summary(result),
        "make": made,
        "plan": planned,
        "verdict": [verdict(job, s, evidence, result) for s in result.sections],
        "cautions": cautions(result),
        "inputs": {given_name(job, path): digest(path) for path in result.inputs},
        "versions": versions(),
        "options": options,
    }  # fmt: skip


def drawing_summary(result: Result) -> dict[str, list[dict[str, Any]]]:
    """Return every drawn fact of each frame with its verdict (mm, degrees)."""
    return {
        frame: [_plain(row, FACTS_COLUMNS) for row in facts_rows([check])]
        for frame, check in result.checks.items()
    }


def arcs_summary(result: Result) -> dict[str, list[dict[str, Any]]]:
    """Return every arc of each drawn frame as found (mm)."""
    return {
        frame: [_plain(row, DRAWING_COLUMNS) for row in drawing_rows([check])]
        for frame, check in result.checks.items()
    }


def _plain(row: list[object], columns: tuple[str, ...]) -> dict[str, Any]:
    cells = [_round(cell, 3) if isinstance(cell, float) else cell for cell in row]
    return dict(zip(columns, cells, strict=True))


def versions() -> dict[str, str]:
    """Return the versions of the program and of what it computes with."""
    found = {"python": platform.python_version()}
    for name in ("fuselage-loft", *LIBRARIES):
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "unknown"
    return found


def summary_text(data: dict[str, Any]) -> str:
    """Return the summary as JSON text; unknown numbers are null."""
    return json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _round(value: float, places: int = 4) -> float | None:
    number = round(float(value), places)
    return number + 0.0 if math.isfinite(number) else None
