"""Run the examples of docs/commands.md and put below each what it prints.

python docs/commands.py writes the page anew; tests/test_commands_page.py compares.
"""

from __future__ import annotations

import contextlib
import functools
import os
import re
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from loft import steps
from loft.cli import main

PAGE = Path(__file__).parent / "commands.md"
BLOCK = re.compile(r"```console\n\$ loft (.*)\n(?:.*\n)*?```\n")
KEPT, WIDTH = 5, 100  # lines of a paragraph and letters of a line that the page shows


def short(said: str, seen: set[str]) -> str:
    """Return what the page shows of an output: the heads of paragraphs not yet seen on it."""
    shown: list[str] = []
    for paragraph in said.strip("\n").split("\n\n"):
        if paragraph in seen:
            if not re.search(r"(^|\n)\.\.\.$", shown[-1] if shown else ""):
                shown.append("...")
            continue
        seen.add(paragraph)
        lines = [
            line if len(line) <= WIDTH else f"{line[: WIDTH - 3]}..."
            for line in paragraph.splitlines()
        ]
        shown.append("\n".join(lines[:KEPT] + ["..."] * (len(lines) > KEPT)))
    return "\n\n".join(shown)


@contextlib.contextmanager
def computed_once() -> Iterator[None]:
    """Keep what a job came to for the next command on the same inputs."""
    kept: dict[Any, Any] = {}
    plain = steps.compute

    @functools.wraps(plain)
    def compute(job: Any, frames: Any, progress: Any) -> Any:
        key = (
            tuple(path.read_bytes() for path in sorted(job.path.parent.glob("*.*"))),
            tuple(frame.name for frame in frames),
        )
        if key not in kept:
            kept[key] = plain(job, frames, progress)
        return kept[key]

    steps.compute = compute
    try:
        yield
    finally:
        steps.compute = plain


def corrected(folder: Path) -> None:
    """Lay beside the demo the job as it stood once F12 S11S had been read again."""
    CliRunner().invoke(main, ["demo", "corncrake-after"], catch_exceptions=False)
    table = folder / "corncrake-after" / "tape.csv"
    wrong = next(line for line in table.read_text().splitlines() if line.startswith("F12,S11S,"))
    cells = wrong.split(",")
    cells[3] = str(int(cells[3]) + 100)
    table.write_text(table.read_text().replace(wrong, ",".join(cells)))
    CliRunner().invoke(main, ["lift", "corncrake-after"], catch_exceptions=False)


def examples(page: str) -> list[str]:
    """Return the words of every example, in order."""
    return [block.group(1) for block in BLOCK.finditer(page)]


def printed(words: list[str]) -> list[str]:
    """Run the examples one after the other in an empty folder; return what each prints."""
    before = Path.cwd()
    said: list[str] = []
    seen: set[str] = set()
    with tempfile.TemporaryDirectory() as folder, computed_once():
        os.chdir(folder)
        try:
            for example in words:
                if example.startswith("compare"):
                    corrected(Path(folder))
                done = CliRunner().invoke(main, example.split(), catch_exceptions=False)
                said.append(short(done.output, seen))
        finally:
            os.chdir(before)
    return said


def written(page: str, said: list[str]) -> str:
    """Return the page with what was printed below each example."""
    outputs = iter(said)
    return BLOCK.sub(lambda m: f"```console\n$ loft {m.group(1)}\n{next(outputs)}\n```\n", page)


if __name__ == "__main__":
    text = PAGE.read_text(encoding="utf-8")
    PAGE.write_text(written(text, printed(examples(text))), encoding="utf-8")
