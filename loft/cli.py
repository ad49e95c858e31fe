"""The command line: one command for each step of the job."""

from __future__ import annotations

import functools
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from loft.steps import Result

UNITS = click.Choice(["mm", "in", "ft-in"])


class Talk:
    """Words for people on stderr, data on stdout."""

    def __init__(self, quiet: bool, as_json: bool):
        self.quiet, self.as_json = quiet, as_json
        self.live = sys.stderr.isatty() and not quiet
        self.drawn = False

    def progress(self, words: str) -> None:
        """Show what is being done, on one line that is drawn over."""
        if words.startswith("superseded"):
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
    @click.option("--frame", "frames", multiple=True, help="Frame to lift (default: every missing one).")
    @click.option("--out", type=click.Path(path_type=Path), help="Where files go (default: out/ beside the job file).")
    @click.option("--units", type=UNITS, help="Units printed and written for people (default: the job's).")
    @click.option("--quiet", is_flag=True, help="Print nothing but refusals.")
    @click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON on standard output.")
    @functools.wraps(body)
    def command(**given: Any) -> None:
        talk = Talk(given.pop("quiet"), given.pop("as_json"))
        from loft.job.errors import LoftError

        try:
            body(talk=talk, **given)
        except LoftError as refusal:
            talk.clear()
            for finding in refusal.findings:
                click.echo(f"loft: {finding.line()}", err=True)
            sys.exit(2)
        except KeyboardInterrupt:
            talk.clear()
            click.echo("loft: stopped", err=True)
            sys.exit(130)

    return command


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
    talk: Talk, job: Path, frames: tuple[str, ...], out: Path | None, units: str | None,
    steps: tuple[str, ...],
) -> None:
    """Compute, then write what the named steps write; the summary comes last."""
    from loft import steps as do
    from loft.show.console import tell
    from loft.summary import summary

    read, chosen, folder = _begin(job, frames, out)
    units = units or read.unit
    with do.held(folder):
        result = do.compute(read, chosen, talk.progress)
        writers: dict[str, Callable[[], list[Path]]] = {
            "fair": lambda: do.write_fair(result, folder),
            "lift": lambda: do.write_lift(result, folder, talk.progress),
            "check": lambda: do.write_check(result, folder),
        }
        written: list[Path] = []
        made: dict[str, Any] = {}
        for step in ("fair", "lift", "check"):
            if step in steps:
                talk.progress(f"writing: {step}")
                written += writers[step]()
        if "make" in steps:
            talk.progress("making the bench's files")
            more, made = do.write_make(result, folder, units)
            written += more
        if "view" in steps:
            talk.progress("drawing the picture")
            written += _picture(talk, result, folder / "view.png")
        data = summary(result, made, {"units": units, "frames": [f.name for f in chosen]})
        do.write_summary(data, written, folder)
    talk.say(tell(result, data, steps, folder, units))
    talk.data(data)


def _picture(talk: Talk, result: Result, path: Path) -> list[Path]:
    from loft.job.errors import LoftError
    from loft.show.window import picture

    try:
        picture(
            result.job, result.survey, result.surface, result.sections, result.evidence, path
        )
    except LoftError as refusal:
        talk.say(f"no picture: {refusal}")
        return []
    return [path]


@main.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--force", is_flag=True, help="Overwrite the demo's files in FOLDER.")
def demo(folder: Path, force: bool) -> None:
    """Write the demo job, the Corncrake, to FOLDER.

    Lengths in millimetres, one table in feet-inches-eighths.

    Example: loft demo corncrake
    """
    from loft.demo import write_demo
    from loft.job.errors import LoftError

    try:
        written = write_demo(folder, force)
    except LoftError as refusal:
        for finding in refusal.findings:
            click.echo(f"loft: {finding.line()}", err=True)
        sys.exit(2)
    click.echo(f"{len(written)} files in {folder}; go on with: loft run {folder}")


@main.command()
@job_command
def survey(job: Path, frames: tuple[str, ...], out: Path | None, units: str | None, talk: Talk) -> None:
    """Read the survey and say what came in; writes points.csv.

    Lengths in the job's unit.

    Example: loft survey corncrake
    """
    from loft import steps as do
    from loft.show.console import tell_survey
    from loft.survey.gather import read_survey, survey_summary

    read, _, folder = _begin(job, frames, out)
    with do.held(folder):
        found = read_survey(read, progress=talk.progress)
        do.write_survey(read, found, folder)
    data = survey_summary(read, found)
    talk.say(tell_survey(read, found, data, folder))
    talk.data(data)


@main.command()
@job_command
def fair(talk: Talk, **given: Any) -> None:
    """Fair the surface; writes surface, settlement and every reading's deviation.

    Lengths in the job's unit.

    Example: loft fair corncrake
    """
    _work(talk, **given, steps=("fair",))


@main.command()
@job_command
def lift(talk: Talk, **given: Any) -> None:
    """Lift the missing section with its band; writes section.csv and stringers.csv.

    Lengths in the job's unit, angles in degrees.

    Example: loft lift corncrake --frame F14
    """
    _work(talk, **given, steps=("fair", "lift"))


@main.command()
@job_command
def check(talk: Talk, **given: Any) -> None:
    """Check the section against what is left; writes holdout.csv, adjacent.csv and lines.svg.

    Lengths in the job's unit.

    Example: loft check corncrake
    """
    _work(talk, **given, steps=("fair", "lift", "check"))


@main.command()
@job_command
def make(talk: Talk, **given: Any) -> None:
    """Make the bench's files: offset table, frame lines, forming blocks.

    Lengths in the job's unit; notation by --units.

    Example: loft make corncrake --units ft-in
    """
    _work(talk, **given, steps=("fair", "lift", "make"))


@main.command()
@click.option("--png", type=click.Path(path_type=Path), help="Render to FILE instead of opening a window.")
@job_command
def view(png: Path | None, talk: Talk, **given: Any) -> None:
    """Look at the loft, its readings and the lifted section in a window.

    Axes in the job's unit.

    Example: loft view corncrake --png corncrake.png
    """
    from loft import steps as do
    from loft.show.window import open_window, picture

    read, chosen, _ = _begin(given["job"], given["frames"], given["out"])
    result = do.compute(read, chosen, talk.progress)
    shown = (result.job, result.survey, result.surface, result.sections, result.evidence)
    talk.progress("drawing")
    if png is None:
        open_window(*shown)
        talk.clear()
    else:
        picture(*shown, png)
        talk.say(f"picture in {png}")


@main.command()
@job_command
def run(talk: Talk, **given: Any) -> None:
    """Do every step that the job has data for.

    Lengths in the job's unit.

    Example: loft run corncrake
    """
    _work(talk, **given, steps=("fair", "lift", "check", "make", "view"))
