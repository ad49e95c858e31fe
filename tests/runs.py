"""Run the real command line, and share one run of the demo among all tests and workers."""

from __future__ import annotations

import csv
import fcntl
import hashlib
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
from click.testing import CliRunner

from loft.cli import main

HOUSE = Path(__file__).parent.parent


def loft(*arguments):
    """Run a command in this process; a bug keeps its traceback."""
    done = CliRunner().invoke(main, [str(word) for word in arguments])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done


def started(*arguments, **environment):
    """Start a command in a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "loft", *(str(word) for word in arguments)],
        env={**os.environ, "PYTHONPATH": str(HOUSE), "OMP_NUM_THREADS": "1", **environment},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def refused(*words):
    """Run a command that must be refused; return its lines."""
    done = loft(*words)
    assert done.exit_code == 2, done.output
    assert done.stdout == ""
    lines = done.stderr.splitlines()
    assert lines
    assert all(line.startswith("loft: ") for line in lines), lines
    assert len(set(lines)) == len(lines), "a fault was told twice"
    return lines


def shared(factory, name, make):
    """Return a folder that `make(folder)` fills once a session, whoever comes first."""
    base = factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):
        base = base.parent
    folder = base / f"shared-{name}"
    with (base / f"shared-{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (folder / ".whole").exists():
            folder.mkdir(exist_ok=True)
            make(folder)
            (folder / ".whole").touch()
    return folder


def strict(text):
    """Read JSON that any reader accepts: no NaN, no Infinity."""

    def refuse(word):
        raise AssertionError(f"{word} is not JSON")

    return json.loads(text, parse_constant=refuse)


def table(path):
    """Return the columns and the rows of a table as text, and its # lines."""
    lines = Path(path).read_text(encoding="utf-8").splitlines()
    heading = [line for line in lines if line.startswith("#")]
    body = csv.reader(io.StringIO("\n".join(lines[len(heading) :])))
    columns = next(body)
    return columns, list(body), heading


def column(path, name):
    """Return one column as numbers, NaN where blank."""
    columns, found, _ = table(path)
    at = columns.index(name)
    return np.array([float(row[at]) if row[at] else np.nan for row in found])


def records(path):
    columns, found, _ = table(path)
    return [dict(zip(columns, row, strict=True)) for row in found]


def digests(folder):
    """Return the SHA-256 of every file that people see, by relative path."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(Path(folder).rglob("*"))
        if path.is_file() and not path.name.startswith(".")
    }


def consistent(out):
    """Return whether summary.json tells of these very files."""
    there = digests(out)
    if "summary.json" not in there:
        return False
    told = strict((out / "summary.json").read_text())["files"]
    return all(there.get(name) == mark for name, mark in told.items())


def distance(points, outline):
    """Return how far points lie from a closed outline of chords, mm."""
    start, end = outline, np.roll(outline, -1, axis=0)
    run = end - start
    way = ((points[:, None] - start) * run).sum(-1) / (run**2).sum(-1)
    foot = start + np.clip(way, 0.0, 1.0)[..., None] * run
    return np.linalg.norm(points[:, None] - foot, axis=-1).min(axis=1)
