"""The steps of the job from the job file to the files in out/: read, compute, write."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from loft.bench.make import make_files, make_summary
from loft.fairing import tables
from loft.fairing.evidence import deviation, holdout, settlement
from loft.fairing.surface import Surface, fair
from loft.fairing.unmarked import unmarked_chines
from loft.fairing.warnings import reach_of, shifted_frames, stations_out, thin_frames
from loft.job.errors import Finding, LoftError
from loft.job.files import digest, write_bytes, write_text
from loft.job.records import Evidence, Frame, Job, Section, Survey
from loft.job.schema import read_job
from loft.survey.gather import points_table, read_survey
from loft.survey.swaps import swapped_labels

Progress = Callable[[str], None]
KEPT = ("section.csv", "stringers.csv", "superseded")


@dataclass(frozen=True, eq=False, kw_only=True)
class Result:
    """Everything known after the lift and its evidence."""

    job: Job
    survey: Survey
    surface: Surface
    evidence: Evidence
    sections: tuple[Section, ...]
    hashes: dict[str, str]  # frame -> section hash
    facts: dict[str, list[dict[str, Any]]]  # frame -> drawing facts with their verdicts
    inputs: tuple[Path, ...]


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
                Finding(file=str(job.path), text=f"frame {name} is not in the schedule "
                        f"({', '.join(known)})")
                for name in wrong
            ]
        )
    chosen = frames or job.missing
    if not chosen:
        raise LoftError("the job names no missing frame; give one with --frame")
    return job, tuple(known[name] for name in chosen)


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
        job, survey, surface, lambda k, n: progress(f"predicting frames as if missing {k}/{n}")
    )
    progress("lifting")
    sections = tuple(surface.lift(frame) for frame in frames)
    findings += [
        *swapped_labels(used),
        *shifted_frames(settled, job),
        *stations_out(shifts, job),
        *unmarked_chines(surface),
        *thin_frames(surface),
    ]
    evidence = Evidence(
        deviations=deviations, settlements=settled, holdouts=held, findings=tuple(findings)
    )
    hashes = {s.frame: tables.section_hash(tables.section_text(s, job)) for s in sections}
    return Result(
        job=job, survey=used, surface=surface, evidence=evidence, sections=sections,
        hashes=hashes, facts={}, inputs=_inputs(job),
    )  # fmt: skip


def _inputs(job: Job) -> tuple[Path, ...]:
    files = [job.path, *(s.file for s in (*job.surveys, *job.ties, *job.clouds))]
    files += [c.targets for c in job.clouds if c.targets is not None]
    return tuple(dict.fromkeys(files))


def write_survey(job: Job, survey: Survey, out: Path) -> list[Path]:
    """Write points.csv."""
    return _write_all(out, {"points.csv": points_table(job, survey).encode()})


def write_fair(result: Result, out: Path) -> list[Path]:
    """Write the surface, the settlement and every reading against it."""
    job = result.job
    return _write_all(
        out,
        {
            "points.csv": points_table(job, result.survey).encode(),
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
        folder = out / section.frame
        text = tables.section_text(section, result.job)
        for moved in supersede(folder, text):
            progress(f"superseded: {moved}")
        written += _write_all(
            folder,
            {
                "section.csv": text.encode(),
                "stringers.csv": tables.stringers_text(section, result.job).encode(),
            },
        )
    return written


def supersede(folder: Path, text: str) -> list[Path]:
    """Move what was made from another section to superseded/; return the new places.

    No block may outlive its section.
    """
    old = folder / "section.csv"
    if not old.exists() or old.read_bytes() == text.encode():
        return []
    past = folder / "superseded"
    moved = []
    for path in sorted(folder.iterdir()):
        if path.name in KEPT or path.name.startswith("."):
            continue
        past.mkdir(exist_ok=True)
        path.replace(past / path.name)
        moved.append(past / path.name)
    return moved


def write_check(result: Result, out: Path) -> list[Path]:
    """Write the hold-out table and the lines drawing."""
    from loft.show.lines import lines_drawing

    drawing = lines_drawing(
        result.job, result.survey, result.surface, result.sections, result.evidence
    )
    return _write_all(
        out,
        {
            "holdout.csv": tables.holdout_text(result.evidence.holdouts, result.job).encode(),
            "lines.svg": drawing.encode(),
        },
    )


def write_make(result: Result, out: Path, units: str) -> tuple[list[Path], dict[str, Any]]:
    """Write the bench's files of every frame; return them and what is said of them."""
    written, told = [], {}
    for section in result.sections:
        name = result.hashes[section.frame]
        files = make_files(section, result.job, name, units)
        written += _write_all(out / section.frame, files)
        told[section.frame] = make_summary(section, result.job, name)
    return written, told


def _write_all(folder: Path, files: dict[str, bytes]) -> list[Path]:
    for name, content in files.items():
        write_bytes(folder / name, content)
    return [folder / name for name in files]


def write_summary(data: dict[str, Any], written: list[Path], out: Path) -> None:
    """Write summary.json, last, with the SHA-256 of every file written."""
    from loft.summary import summary_text

    data["files"] = {str(path.relative_to(out)): digest(path) for path in sorted(set(written))}
    write_text(out / "summary.json", summary_text(data))


@contextmanager
def held(out: Path) -> Iterator[None]:
    """Hold the output folder for one run; a second run at the same time is refused."""
    import fcntl

    try:
        out.mkdir(parents=True, exist_ok=True)
        lock = (out / ".held").open("w")
    except OSError as error:
        reason = error.strerror or str(error)
        raise LoftError(Finding(file=str(out), text=f"cannot be written: {reason}")) from error
    with lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise LoftError(
                Finding(file=str(out), text="another run is writing here; wait for it to end")
            ) from error
        yield
