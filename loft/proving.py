"""Prove made parts: against the section that was issued, frame by frame, with a picture."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from loft.bench.issued import read_issued
from loft.bench.part_table import PartReading, frames_of, read_part
from loft.bench.prove import OPEN, REWORK, Proved, prove, prove_table
from loft.fairing.tables import section_hash
from loft.job.errors import LoftError
from loft.job.files import digest, write_bytes
from loft.job.records import Section
from loft.show.proved import proved_drawing
from loft.steps import Result, write_lift


def write_prove(
    result: Result,
    part: Path,
    out: Path,
    *,
    face: str,
    sigma: float,
    progress: Callable[[str], None] = lambda words: None,
) -> tuple[list[Path], dict[str, Any]]:
    """Judge every made part that was read; write prove.csv and prove.svg of each frame.

    A section that was issued before is what its part is judged against, and is left
    as it stands: also where the survey has changed since, which is then said.

    Raises
    ------
    LoftError
        The readings' faults; a reading of a frame that the job does not lift.
    """
    job = result.job
    made = frames_of(part, [section.frame for section in result.sections])
    read = {
        name: read_part(job, part, frame=name, others=made, face=face, sigma=sigma) for name in made
    }
    written: list[Path] = []
    told: list[dict[str, Any]] = []
    for section in result.sections:
        if section.frame not in made:
            told.append({"frame": section.frame, "verdict": "unknown",
                         "notes": [f"no reading of {section.frame} in {part.name}"]})  # fmt: skip
            continue
        issued, name, origin = _issued(result, section, out, progress)
        readings = read[section.frame]
        found = prove(issued, readings, job)
        heading = [*origin, f"readings: {part.name}, SHA-256 {digest(part)}"]
        table = prove_table(issued, found, name, unit=job.unit, origin=heading)
        picture = proved_drawing(job, issued, found, name, origin)
        for file, text in (("prove.csv", table), ("prove.svg", picture)):
            written.append(out / section.frame / file)
            write_bytes(written[-1], text.encode())
        told.append(_told(section.frame, name, part, readings, found, origin))
    first = told[0] if len(told) == 1 else {"frames": told}
    return written, first


def _issued(
    result: Result, section: Section, out: Path, progress: Callable[[str], None]
) -> tuple[Section, str, list[str]]:
    """Return the section a part is judged against, its hash, and in words which it is."""
    folder, now = out / section.frame, result.hashes[section.frame]
    file = folder / "section.csv"
    if not file.exists():
        own = {name: check for name, check in result.checks.items() if name == section.frame}
        write_lift(replace(result, sections=(section,), checks=own), out, progress)
        progress(f"note: no section of {section.frame} had been issued: {now} is issued now")
    then = section_hash(file.read_bytes().decode("utf-8", "replace"))
    if then == now:
        return section, now, [f"section {now} is the one that was issued"]
    try:
        issued = read_issued(folder, section.frame, result.job)
    except LoftError as error:
        why = "; ".join(finding.text for finding in error.findings)
        return section, now, [
            f"section {then} was issued and cannot be read back ({why}): judged against {now}, "
            "lifted now from inputs that have changed since"
        ]  # fmt: skip
    return issued, then, [
        f"section {then} is the one that was issued; the inputs have changed since and would give "
        f"{now}: the part is judged against what was issued"
    ]  # fmt: skip


def _told(
    frame: str,
    name: str,
    part: Path,
    readings: tuple[PartReading, ...],
    found: Proved,
    origin: list[str],
) -> dict[str, Any]:
    return {
        "frame": frame, "section": name, "part": part.name, "part_sha256": digest(part),
        "held": found.held, "verdict": found.verdict, "notes": [*origin, *found.notes],
        "readings": len(readings),
        "rework": [
            {"girth_mm": row.girth, "deviation": row.deviation, "kind": row.kind,
             "remark": row.remark}
            for row in found.rows if row.verdict == REWORK
        ],
        "undecided": sum(row.verdict == OPEN for row in found.rows),
    }  # fmt: skip
