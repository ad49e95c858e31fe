"""The steps of the job from the job file to the files in out/: read, compute, write."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from loft.bench.make import make_files, make_summary, run_curvature
from loft.bench.part import part_lacks
from loft.bench.step import patches_of, step_bytes, strands_of
from loft.bench.struck import struck_dxf
from loft.drawing.check import Check
from loft.drawing.construction import construct
from loft.drawing.lifted import check_section
from loft.drawing.sheet import construction_svg, lettering_of
from loft.drawing.tables import (
    DRAWING_COLUMNS,
    FACTS_COLUMNS,
    drawing_rows,
    facts_rows,
)
from loft.drawing.trial import Spread, along_fuselage
from loft.fairing import tables
from loft.fairing.evidence import deviation, holdout, settlement
from loft.fairing.surface import Surface, fair
from loft.fairing.unmarked import unmarked_chines
from loft.fairing.warnings import (
    reach_of,
    scatter,
    shifted_frames,
    stations_out,
    thin_frames,
)
from loft.job.caution import CAUTION
from loft.job.errors import Finding, LoftError
from loft.job.files import digest, table_text, write_bytes, write_text, writing
from loft.job.records import Evidence, Frame, Job, Section, Survey
from loft.job.schema import read_job
from loft.job.units import MM_PER
from loft.survey.adjusted import adjusted_points_table, adjusted_ties_table
from loft.survey.gather import points_table, read_survey
from loft.survey.swaps import swapped_labels
from loft.survey.ties import adjust_table

Progress = Callable[[str], None]
BESIDE = 20.0  # mm aft: a second section, from which the body's bow along a flange is taken
KEPT = ("section.csv", "stringers.csv", "superseded")
PIECES = ("block_*.*", "follower_*.stl", "blank_*.dxf", "boards_*.dxf", "shop.pdf")
SCRAP = re.compile(r"\.~[a-z0-9_]{8}(\.\w+)?")  # what a killed run leaves of a file it wrote


@dataclass(frozen=True, eq=False, kw_only=True)
class Result:
    """Everything known after the lift and its evidence."""

    job: Job
    read: Survey  # as it came in
    survey: Survey  # as the fairing took it: unknown coordinates filled in
    surface: Surface
    evidence: Evidence
    sections: tuple[Section, ...]
    hashes: dict[str, str]  # frame -> section hash
    checks: dict[str, Check]  # frame -> its drawing, checked
    inputs: tuple[Path, ...]

    @property
    def shown(self) -> tuple[Job, Survey, Surface, tuple[Section, ...], Evidence]:
        """What every drawing is made from."""
        return self.job, self.survey, self.surface, self.sections, self.evidence


def open_job(path: Path, frames: tuple[str, ...] = ()) -> tuple[Job, tuple[Frame, ...]]:
    """Read a job and choose the frames to lift (default: every missing one).

    Raises
    ------
    LoftError
        The job's faults, or a frame that is not in the schedule.
    """
    job = read_job(path)
    known = {frame.name: frame for frame in job.frames}
    wrong = [name for name in frames if name not in known]
    if wrong:
        raise LoftError(
            [
                Finding(
                    file=str(job.path),
                    text=f"frame {name} is not in the schedule ({', '.join(known)})",
                )
                for name in wrong
            ]
        )
    chosen = frames or job.missing
    if not chosen:
        raise LoftError("the job names no missing frame; give one with --frame")
    return job, tuple(known[name] for name in chosen)


def able(
    job: Job, frames: tuple[Frame, ...], steps: tuple[str, ...], *, optional: tuple[str, ...] = ()
) -> tuple[tuple[str, ...], list[str]]:
    """Return the steps that the job has data for, and in words what was left out.

    Raises
    ------
    LoftError
        A step that is not optional, or whose data is given in part, lacks something:
        told before anything is computed or written.
    """
    if "make" not in steps:
        return steps, []
    faults = list(dict.fromkeys(fault for f in frames for fault in part_lacks(job, f.name)))
    if faults and "make" in optional and math.isnan(job.frame_section.flange):
        left = "the bench's files were left out: the job does not give the part ([frame_section])"
        return tuple(step for step in steps if step != "make"), [left]
    if faults:
        raise LoftError(faults)
    return steps, []


def compute(job: Job, frames: tuple[Frame, ...], progress: Progress) -> Result:
    """Fair, gather the evidence and lift the frames; nothing is written."""
    progress("reading the survey")
    survey = read_survey(job, progress=progress)
    progress(f"fairing {len(survey)} readings")
    surface = fair(job, survey)
    found = [reach_of(surface, frame, job.fair.extrapolate) for frame in frames]
    findings = [finding for finding in found if finding is not None]
    used = surface.survey
    deviations, settled = deviation(surface), settlement(surface)
    held, shifts = holdout(
        surface, lambda k, n: progress(f"predicting frames as if missing {k}/{n}")
    )
    progress("lifting")
    drawn = tuple(dict.fromkeys(fact.frame for fact in job.facts))
    sections, checks, told = _lift(surface, frames, drawn, progress)
    findings += told
    findings += [
        *swapped_labels(used),
        *shifted_frames(settled, job),
        *stations_out(shifts, job),
        *([] if any("drawing" in s.source for s in sections) else unmarked_chines(surface)),
        *thin_frames(surface),
        *scatter(surface),
    ]
    evidence = Evidence(
        deviations=deviations, settlements=settled, holdouts=held, findings=tuple(findings)
    )
    hashes = {s.frame: tables.section_hash(tables.section_text(s, job)) for s in sections}
    return Result(
        job=job, read=survey, survey=used, surface=surface, evidence=evidence, sections=sections,
        hashes=hashes, checks=checks, inputs=_inputs(job),
    )  # fmt: skip


def _lift(
    surface: Surface, frames: tuple[Frame, ...], struck: tuple[str, ...], progress: Progress
) -> tuple[tuple[Section, ...], dict[str, Check], list[Finding]]:
    """Lift the frames; find the arcs of the `struck`, which better what is lifted of them."""
    checks: dict[str, Check] = {}
    findings: list[Finding] = []
    sections = {frame.name: surface.lift(frame) for frame in frames}
    spreads: dict[str, Spread] = {}
    if sections and surface.job.fair.arcs:
        sections, spreads, told = along_fuselage(surface, tuple(sections.values()), progress)
        findings.append(told)
    for name in struck:
        progress(f"checking the drawing of {name}")
        section = sections.get(name) or surface.lift(surface.job.frame(name))
        own = [fact for fact in surface.job.facts if fact.frame == name]
        checks[name], bettered, notes = check_section(
            section, surface, own, spread=spreads.get(name)
        )
        findings += notes
        if name in sections:
            sections[name] = bettered
    return tuple(sections.values()), checks, findings


def _inputs(job: Job) -> tuple[Path, ...]:
    files = [job.path, *(s.file for s in job.surveys), *(t.file for t in job.ties)]
    files += [cloud.file for cloud in job.clouds]
    files += [c.targets for c in job.clouds if c.targets is not None]
    return tuple(dict.fromkeys(files))


def write_survey(job: Job, survey: Survey, data: dict[str, Any], out: Path) -> list[Path]:
    """Write points.csv, survey.svg and, where ties were adjusted, every tie and point."""
    from loft.show.coverage import survey_drawing

    files = {"points.csv": points_table(job, survey)}
    files["survey.svg"] = survey_drawing(job, survey, data)
    for tie_set in job.ties:
        found, stem = adjust_table(job, tie_set), tie_set.file.stem
        files[f"{stem}_adjusted.csv"] = adjusted_ties_table(job, found)
        files[f"{stem}_points.csv"] = adjusted_points_table(job, found)
    return _write_all(out, {name: text.encode() for name, text in files.items()})


def write_fair(result: Result, out: Path) -> list[Path]:
    """Write the surface, the settlement and every reading against it."""
    job = result.job
    return _write_all(
        out,
        {
            "points.csv": points_table(job, result.read).encode(),
            "settlement.csv": tables.settlement_text(result.evidence.settlements, job).encode(),
            "adjacent.csv": tables.adjacent_text(
                result.survey, result.evidence.deviations, job
            ).encode(),
            "surface.csv": tables.surface_text(result.surface, job).encode(),
            "surface.stl": tables.surface_stl(result.surface),
        },
    )


def write_lift(result: Result, out: Path, progress: Progress) -> list[Path]:
    """Write the sections; move aside whatever was made from an older one."""
    written = []
    for section in result.sections:
        text = tables.section_text(section, result.job)
        for moved in supersede(out, section.frame, text):
            progress(f"superseded: {moved}")
        files = {
            "section.csv": text.encode(),
            "stringers.csv": tables.stringers_text(section, result.job).encode(),
        }
        written += _write_all(out, files, section.frame)
    for frame, check in result.checks.items():
        written += _write_all(out, drawing_files(check, result.job), frame)
    return written


def strike(
    job: Job, frames: tuple[Frame, ...], progress: Progress
) -> tuple[list[Check], list[Finding]]:
    """Find the arcs of any frames, against what survives of their drawings."""
    progress("fairing")
    surface = fair(job, read_survey(job, progress=progress))
    for frame in frames:
        reach_of(surface, frame, job.fair.extrapolate)
    _, checks, findings = _lift(surface, frames, tuple(f.name for f in frames), progress)
    return list(checks.values()), findings


def write_drawing(check: Check, job: Job, out: Path) -> list[Path]:
    """Write one frame's arcs, facts and construction."""
    return _write_all(out, drawing_files(check, job), check.drawing.frame)


def arcs_summary(check: Check) -> dict[str, Any]:
    """Return one frame's arcs and facts as plain data (mm)."""
    return {
        "frame": check.drawing.frame,
        "arcs": [[str(cell) for cell in row] for row in drawing_rows([check])],
        "facts": [[str(cell) for cell in row] for row in facts_rows([check])],
    }


def write_page(result: Result, out: Path) -> Path:
    """Write view.html alone."""
    from loft.show.extras import extras_of
    from loft.show.page import view_page

    page = view_page(*result.shown, extras=extras_of(result.job, result.sections, result.checks))
    return _write_all(out, {"view.html": page.encode()})[0]


def drawing_files(check: Check, job: Job) -> dict[str, bytes]:
    """Return drawing.csv, facts.csv and the construction of one frame's drawing."""
    frame, unit = check.drawing.frame, MM_PER[job.unit]
    heading = [f"{job.title}: drawing of {frame}", f"lengths in {job.unit}, sweeps in degrees"]
    heading.append(CAUTION)
    arcs = [_scaled(row, DRAWING_COLUMNS, unit) for row in drawing_rows([check])]
    facts = [_scaled(row, FACTS_COLUMNS, unit) for row in facts_rows([check])]
    names = [arc.name for arc in check.arcs]
    plan = construct(check.reading.fit.chain, names, lettering_of(check))
    title = f"{job.title}: frame {frame}"
    sheet = construction_svg(plan, title=title, notes=[note.text for note in check.notes])
    return {
        "drawing.csv": table_text(DRAWING_COLUMNS, arcs, heading).encode(),
        "facts.csv": table_text(FACTS_COLUMNS, facts, heading).encode(),
        "construction.svg": sheet.encode(),
        "construction.dxf": struck_dxf(plan, title=title),
    }


def _scaled(row: list[Any], columns: tuple[str, ...], unit: float) -> list[Any]:
    """Return a row with its lengths in the job's unit; ratios and angles stay."""
    if "sweep" in str(dict(zip(columns, row, strict=True)).get("dimension", "")):
        return row
    return [
        cell / unit if isinstance(cell, float) and name != "standardised" else cell
        for name, cell in zip(columns, row, strict=True)
    ]


def supersede(out: Path, frame: str, text: str) -> list[Path]:
    """Move what was made from another section to superseded/; return the new places.

    No block may outlive its section.
    """
    folder = out / frame
    old = folder / "section.csv"
    if not old.exists() or old.read_bytes() == text.encode():
        return []
    return _aside(
        out,
        folder,
        [
            path
            for path in sorted(folder.iterdir())
            if path.name not in KEPT and not path.name.startswith(".")
        ],
    )


def _aside(out: Path, folder: Path, paths: list[Path]) -> list[Path]:
    """Move files to superseded/, beside what lies there already; return their new places."""
    past = folder / "superseded"
    _unsay(out, paths)
    moved = []
    with writing(past):
        for path in paths:
            past.mkdir(exist_ok=True)
            moved.append(path.replace(_free(past, path)))
    return moved


def _free(past: Path, path: Path) -> Path:
    """Return where a superseded file goes: its own name, or with _2, _3 ... where it is taken."""
    names = (path.name, *(f"{path.stem}_{k}{path.suffix}" for k in range(2, 10**6)))
    return next(past / name for name in names if not (past / name).exists())


def write_check(result: Result, out: Path) -> list[Path]:
    """Write the hold-out table and the lines drawing."""
    from loft.show.lines import lines_drawing

    drawing = lines_drawing(*result.shown)
    return _write_all(
        out,
        {
            "holdout.csv": tables.holdout_text(result.evidence.holdouts, result.job).encode(),
            "lines.svg": drawing.encode(),
        },
    )


def bench_files(result: Result, units: str) -> dict[str, dict[str, bytes]]:
    """Return the bench's files of every frame; nothing is written.

    Raises
    ------
    LoftError
        A part that cannot be made as the job gives it.
    """
    found = {}
    for section in result.sections:
        frame = result.job.frame(section.frame)
        beside = result.surface.lift(replace(frame, station=frame.station + BESIDE))
        bow = run_curvature(section, beside)
        name = result.hashes[section.frame]
        found[section.frame] = make_files(section, result.job, name, units, run_curvature=bow)
    return found


def write_make(
    result: Result,
    bench: dict[str, dict[str, bytes]],
    out: Path,
    progress: Progress = lambda words: None,
) -> tuple[list[Path], dict[str, Any]]:
    """Write the bench's files of every frame and the loft for others' programs.

    Files of pieces that the part no longer has (its splices were moved) go to superseded/.
    """
    written, told = _write_all(out, {"surface.step": step_file(result)}), {}
    for section in result.sections:
        name, files = result.hashes[section.frame], bench[section.frame]
        folder = out / section.frame
        gone = [path for kind in PIECES for path in sorted(folder.glob(kind))]
        for moved in _aside(out, folder, [path for path in gone if path.name not in files]):
            progress(f"superseded: {moved}")
        written += _write_all(out, files, section.frame)
        told[section.frame] = make_summary(section, result.job, name)
    return written, told


def step_file(result: Result) -> bytes:
    """Return the loft and its sections for others' programs."""
    grid, breaks = tables.loft_grid(result.surface, 50.0, 200)
    named = [(s, f"{s.frame} section {result.hashes[s.frame]}") for s in result.sections]
    return step_bytes(
        patches_of(grid, breaks=breaks),
        title=f"{result.job.title}: mould-line surface, mm, aircraft axes",
        description=CAUTION,
        strands=[strand for s, name in named for strand in strands_of(s, name=name)],
    )


def write_plan(result: Result, out: Path) -> tuple[list[Path], dict[str, Any]]:
    """Write which readings would narrow each frame's band most; return them in words."""
    from loft.fairing.plan import plan, plan_text
    from loft.show.planned import plan_drawing

    written, told = [], {}
    for section in result.sections:
        frame = result.job.frame(section.frame)
        found = plan(result.surface, frame)
        text = plan_text(found, result.job, [f"frame {frame.name}"])
        picture = plan_drawing(result.surface, result.surface.lift(frame), found)
        files = {"plan.csv": text.encode(), "plan.svg": picture.encode()}
        written += _write_all(out, files, frame.name)
        told[frame.name] = [one.words(result.job.unit) for one in found]
    return written, told


def write_report(
    result: Result, data: dict[str, Any], out: Path, *, pdf: bool, progress: Progress
) -> list[Path]:
    """Write the report and the offline page."""
    from loft.show.held import held_out, worst
    from loft.show.report import report_page, report_pdf

    progress("drawing the page")
    written = [write_page(result, out)]
    progress("writing the report")
    names = worst(result.evidence.holdouts)
    html = report_page(
        data, job=result.job, survey=result.survey, surface=result.surface,
        sections=result.sections, evidence=result.evidence,
        held=held_out(result.surface, names),
    )  # fmt: skip
    written += _write_all(out, {"report.html": html.encode()})
    if pdf:
        report_pdf(html, out / "report.pdf")
        written.append(out / "report.pdf")
    return written


def _write_all(out: Path, files: dict[str, bytes], frame: str = "") -> list[Path]:
    """Write files to the folder of a frame, or to `out` itself; return their places."""
    paths = {out / frame / name: content for name, content in files.items()}
    _unsay(out, [p for p in paths if p.exists() and p.read_bytes() != paths[p]])
    for path, content in paths.items():
        write_bytes(path, content)
    return list(paths)


def _unsay(out: Path, changing: list[Path]) -> None:
    """Take away an earlier run's summary if it tells of a file that is about to change."""
    old = out / "summary.json"
    names = [str(path.relative_to(out)) for path in changing]
    with writing(out):
        told = old.read_text(encoding="utf-8") if names and old.exists() else ""
        if any(json.dumps(name) in told for name in names):
            old.unlink()


def write_summary(data: dict[str, Any], written: list[Path], out: Path) -> None:
    """Write summary.json, last, with the SHA-256 of every file written."""
    from loft.summary import summary_text

    data["files"] = {str(path.relative_to(out)): digest(path) for path in sorted(set(written))}
    write_text(out / "summary.json", summary_text(data))


@contextmanager
def held(out: Path) -> Iterator[None]:
    """Hold the output folder for one run; a second run at the same time is refused."""
    import fcntl

    with writing(out):
        out.mkdir(parents=True, exist_ok=True)
        lock = (out / ".held").open("w")
    with lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise LoftError(
                Finding(file=str(out), text="another run is writing here; wait for it to end")
            ) from error
        for scrap in (*out.glob(".~*"), *out.glob("*/.~*")):
            if SCRAP.fullmatch(scrap.name):
                scrap.unlink(missing_ok=True)
        yield
