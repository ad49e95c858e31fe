"""The command line: one command for each step of the job."""

from __future__ import annotations

import contextlib
import functools
import json
import os
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from loft.steps import Result

# One thread: sums are then taken in one order, and the same inputs give the same bytes.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

EVERY = ("survey", "fair", "lift", "check", "make", "plan", "view", "report")
UNITS = click.Choice(["mm", "in", "ft-in"])


class Talk:
    """Words for people on stderr, data on stdout."""

    def __init__(self, quiet: bool, as_json: bool):
        self.quiet, self.as_json = quiet, as_json
        self.live = sys.stderr.isatty() and not quiet
        self.drawn = False

    def progress(self, words: str) -> None:
        """Show what is being done, on one line that is drawn over."""
        if words.startswith(("superseded", "note: ")):
            self.say(words)
        elif self.live:
            click.echo(f"\r\x1b[2K{words} ...", err=True, nl=False)
            self.drawn = True

    def clear(self) -> None:
        """Take the progress line away."""
        if self.drawn:
            click.echo("\r\x1b[2K", err=True, nl=False)
            self.drawn = False

    def say(self, words: str) -> None:
        """Print words for people."""
        self.clear()
        if not self.quiet:
            click.echo(words, err=self.as_json)

    def data(self, summary: dict[str, Any]) -> None:
        """Print the summary, where it was asked for."""
        if self.as_json:
            self.clear()
            click.echo(json.dumps(summary, indent=1, ensure_ascii=False))


def job_command(body: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options of every step and turn refusals into exit code 2."""

    @click.argument("job", type=click.Path(path_type=Path))
    @click.option(
        "--frame", "frames", multiple=True, help="Frame to lift (default: every missing one)."
    )
    @click.option(
        "--out",
        type=click.Path(path_type=Path),
        help="Where files go (default: out/ beside the job file).",
    )
    @click.option(
        "--units", type=UNITS, help="Units printed and written for people (default: the job's)."
    )
    @click.option("--quiet", is_flag=True, help="Print nothing but refusals.")
    @click.option(
        "--json", "as_json", is_flag=True, help="Print the summary as JSON on standard output."
    )
    @functools.wraps(body)
    def command(**given: Any) -> None:
        talk = Talk(given.pop("quiet"), given.pop("as_json"))
        with refusing(talk.clear):
            body(talk=talk, **given)

    return command


@contextlib.contextmanager
def refusing(clear: Callable[[], None] = lambda: None) -> Iterator[None]:
    """Leave with 2 and one line a fault when the work is refused, with 130 on Ctrl-C."""
    try:
        from loft.job.errors import LoftError

        try:
            yield
        except LoftError as refusal:
            clear()
            for finding in refusal.findings:
                click.echo(f"loft: {finding.line()}", err=True)
            sys.exit(2)
    except KeyboardInterrupt:
        clear()
        click.echo("loft: stopped", err=True)
        sys.exit(130)


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="fuselage-loft")
def main() -> None:
    """Loft a missing fuselage frame from what is left around it.

    JOB is a job file (job.toml) or its folder. Lengths are in the job's unit.
    What comes out is a shape: not approved data; local rules and a licensed
    engineer decide.

    Example: loft demo corncrake, then loft run corncrake
    """


def _begin(job: Path, frames: tuple[str, ...], out: Path | None) -> tuple[Any, Any, Path]:
    from loft.steps import open_job

    read, chosen = open_job(job, frames)
    return read, chosen, out or read.path.parent / "out"


def _work(
    talk: Talk,
    job: Path,
    frames: tuple[str, ...],
    out: Path | None,
    units: str | None,
    steps: tuple[str, ...],
    optional: tuple[str, ...] = (),
    pdf: bool = False,
) -> None:
    """Compute, then write what the named steps write; the summary comes last."""
    from loft import steps as do
    from loft.show.console import tell
    from loft.summary import summary

    read, chosen, folder = _begin(job, frames, out)
    units = units or read.unit
    steps, left_out = do.able(read, chosen, steps, optional=optional)
    with do.held(folder):
        result = do.compute(read, chosen, talk.progress)
        written, made, planned = _write(talk, result, folder, units, steps)
        data = summary(result, made, planned, {"units": units, "frames": [f.name for f in chosen]})
        data["cautions"] = [*left_out, *data["cautions"]]
        if "report" in steps:
            written += do.write_report(result, data, folder, pdf=pdf, progress=talk.progress)
        do.write_summary(data, written, folder)
    talk.say(tell(result, data, steps, folder, units))
    talk.data(data)


def _write(
    talk: Talk, result: Result, folder: Path, units: str, steps: tuple[str, ...]
) -> tuple[list[Path], dict[str, Any], dict[str, Any]]:
    """Write each step's files in order; return them, what was made and what to read next."""
    from loft import steps as do
    from loft.survey.account import survey_summary

    bench = {}
    if "make" in steps:
        talk.progress("making the bench's files")
        bench = do.bench_files(result, units)  # refused before anything is written
    written = do.write_fair(result, folder)
    if "survey" in steps:
        told = survey_summary(result.job, result.read)
        written += do.write_survey(result.job, result.read, told, folder)
    made: dict[str, Any] = {}
    planned: dict[str, Any] = {}
    if "lift" in steps:
        written += do.write_lift(result, folder, talk.progress)
    if "check" in steps:
        talk.progress("drawing the lines")
        written += do.write_check(result, folder)
    if "make" in steps:
        more, made = do.write_make(result, bench, folder, talk.progress)
        written += more
    if "plan" in steps:
        talk.progress("planning the next readings")
        more, planned = do.write_plan(result, folder)
        written += more
    if "view" in steps:
        talk.progress("drawing the picture")
        written += _picture(talk, result, folder / "view.png")
    return written, made, planned


def _picture(talk: Talk, result: Result, path: Path) -> list[Path]:
    from loft.job.errors import LoftError
    from loft.show.window import picture

    try:
        picture(*result.shown, path)
    except LoftError as refusal:
        path.unlink(missing_ok=True)  # an earlier run's
        talk.say(f"no picture: {refusal}")
        return []
    return [path]


@main.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--force", is_flag=True, help="Overwrite the demo's files in FOLDER.")
@click.option("--scan", is_flag=True, help="The same job with its bay scanned instead of taped.")
def demo(folder: Path, force: bool, scan: bool) -> None:
    """Write the demo job, the Corncrake, to FOLDER.

    Lengths in millimetres, one table in feet-inches-eighths, one scan in metres and one in feet.

    Example: loft demo corncrake
    """
    with refusing():
        from loft.demo import write_demo

        written = write_demo(folder, force, scan=scan)
    click.echo(f"{len(written)} files in {folder}; go on with: loft run {folder}")


@main.command()
@click.option(
    "--forms",
    type=click.Path(path_type=Path),
    help="Write blank forms for this job (a page to print, tables to type into) to FOLDER.",
)
@job_command
def survey(
    forms: Path | None,
    job: Path,
    frames: tuple[str, ...],
    out: Path | None,
    units: str | None,
    talk: Talk,
) -> None:
    """Read the survey and say what came in.

    Writes points.csv and survey.svg.

    Where there are ties, every tie and adjusted point is written with its spread.
    With --forms nothing is read: the job file alone is enough. Lengths in the job's unit.

    Example: loft survey corncrake
    """
    if forms is not None:
        _write_forms(job, forms, talk)
        return
    from loft import steps as do
    from loft.show.console_survey import tell_survey
    from loft.survey.account import survey_summary
    from loft.survey.gather import read_survey

    read, _, folder = _begin(job, frames, out)
    with do.held(folder):
        found = read_survey(read, progress=talk.progress)
        data = survey_summary(read, found)
        do.write_survey(read, found, data, folder)
    talk.say(tell_survey(read, data, folder, units or read.unit))
    talk.data(data)


def _write_forms(job: Path, folder: Path, talk: Talk) -> None:
    from loft.job.schema import read_job
    from loft.survey.form import write_forms

    written = write_forms(folder, job=read_job(job, surveyed=False))
    talk.say("\n".join(str(path) for path in written))


@main.command()
@job_command
def fair(talk: Talk, **given: Any) -> None:
    """Fair the surface.

    Writes surface, settlement and every reading's deviation.

    Lengths in the job's unit.

    Example: loft fair corncrake
    """
    _work(talk, **given, steps=("fair",))


@main.command()
@job_command
def lift(talk: Talk, **given: Any) -> None:
    """Lift the missing section with its band.

    Writes section.csv and stringers.csv.

    Lengths in the job's unit, angles in degrees.

    Example: loft lift corncrake --frame F14
    """
    _work(talk, **given, steps=("fair", "lift"))


@main.command()
@job_command
def check(talk: Talk, **given: Any) -> None:
    """Check the section against what is left.

    Writes holdout.csv, adjacent.csv and lines.svg.

    Lengths in the job's unit.

    Example: loft check corncrake
    """
    _work(talk, **given, steps=("fair", "lift", "check"))


@main.command()
@job_command
def make(talk: Talk, **given: Any) -> None:
    """Make the bench's templates, blanks and blocks.

    Writes offset table, frame lines and marks, templates, blanks, forming blocks, shop sheet.

    Lengths in the job's unit; notation by --units.

    Example: loft make corncrake --units ft-in
    """
    _work(talk, **given, steps=("fair", "lift", "make"))


@main.command()
@job_command
def plan(talk: Talk, **given: Any) -> None:
    """Say which readings would narrow the band most.

    Writes plan.csv and plan.svg.

    Lengths in the job's unit.

    Example: loft plan corncrake
    """
    _work(talk, **given, steps=("fair", "lift", "plan"))


@main.command()
@job_command
def arcs(talk: Talk, **given: Any) -> None:
    """Find the arcs a section was struck with.

    Writes drawing.csv, facts.csv and a sheet of the construction.

    Works on any frame (--frame), with or without drawing facts. Lengths in the job's
    unit, sweeps in degrees.

    Example: loft arcs corncrake --frame F12
    """
    from loft import steps as do
    from loft.show.console import tell_arcs

    read, chosen, folder = _begin(given["job"], given["frames"], given["out"])
    with do.held(folder):
        checks, told = do.strike(read, chosen, talk.progress)
        for check in checks:
            do.write_drawing(check, read, folder)
    talk.say(tell_arcs(checks, told, folder, given["units"] or read.unit))
    talk.data({"frames": [do.arcs_summary(check) for check in checks]})


@main.command()
@click.option("--face", default="frame_flange", help="Touched face of rows that name none.")
@click.option("--sigma", type=float, default=float("nan"), help="Sigma of rows that give none, mm.")
@job_command
@click.argument("part", type=click.Path(path_type=Path))
def prove(part: Path, face: str, sigma: float, talk: Talk, **given: Any) -> None:
    """Prove made parts against the issued section.

    PART.csv has what was read of them. Writes prove.csv and prove.svg.

    Lengths in the job's unit, flange angles in degrees.

    Example: loft prove corncrake corncrake/part.csv
    """
    from loft import steps as do
    from loft.proving import write_prove
    from loft.show.console import tell_prove

    read, chosen, folder = _begin(given["job"], given["frames"], given["out"])
    with do.held(folder):
        result = do.compute(read, chosen, talk.progress)
        _, data = write_prove(result, part, folder, face=face, sigma=sigma, progress=talk.progress)
    talk.say(tell_prove(data, folder, given["units"] or read.unit))
    talk.data(data)


@main.command()
@click.option("--pdf", is_flag=True, help="Write report.pdf as well.")
@job_command
def report(pdf: bool, talk: Talk, **given: Any) -> None:
    """Write the report to sign and the page to look at.

    Writes report.html and view.html.

    Lengths in millimetres.

    Example: loft report corncrake --pdf
    """
    _work(talk, **given, steps=("fair", "lift", "check", "plan", "report"), pdf=pdf)


@main.command()
@click.argument("first", type=click.Path(path_type=Path))
@click.argument("second", type=click.Path(path_type=Path))
def compare(first: Path, second: Path) -> None:
    """Say what changed between two runs.

    In inputs, decisions, section and band.

    FIRST and SECOND are jobs or their out folders. Lengths in millimetres.

    Example: loft compare corncrake corncrake-after
    """
    with refusing():
        from loft.show.compare import compare as found
        from loft.show.compare import comparison_text

        click.echo(comparison_text(found(_out_of(first), _out_of(second))))


def _out_of(path: Path) -> Path:
    """Return the out folder of a job, or the folder itself where it holds a summary."""
    folder = path.parent if path.suffix == ".toml" else path
    return folder if (folder / "summary.json").exists() else folder / "out"


@main.command()
@click.option(
    "--png", type=click.Path(path_type=Path), help="Render to FILE instead of opening a window."
)
@job_command
def view(png: Path | None, talk: Talk, **given: Any) -> None:
    """Look at the loft and its readings in a window.

    Without a display, view.html is written instead. Axes in the job's unit.

    Example: loft view corncrake --png corncrake.png
    """
    from loft import steps as do
    from loft.job.errors import LoftError
    from loft.show.extras import extras_of
    from loft.show.window import open_window, picture

    read, chosen, folder = _begin(given["job"], given["frames"], given["out"])
    result = do.compute(read, chosen, talk.progress)
    talk.progress("drawing")
    if png is not None:
        picture(*result.shown, png)
        talk.say(f"picture in {png}")
        return
    try:
        open_window(*result.shown, extras=extras_of(read, result.sections, result.checks))
        talk.clear()
    except LoftError as refusal:
        with do.held(folder):
            page = do.write_page(result, folder)
        talk.say(f"{refusal}\nopen {page} in a browser instead")


@main.command()
@job_command
def run(talk: Talk, **given: Any) -> None:
    """Do every step that the job has data for.

    Lengths in the job's unit.

    Example: loft run corncrake
    """
    _work(talk, **given, steps=EVERY, optional=("make",))
