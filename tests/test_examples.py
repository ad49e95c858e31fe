"""Every example runs by itself and says something; the numbers that it claims are true."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

HOUSE = Path(__file__).parent.parent
EXAMPLES = sorted((HOUSE / "examples").glob("*.py"))


def said(path: Path, folder: Path) -> str:
    """Run an example in an empty folder, warnings as errors, and return what it printed."""
    run = subprocess.run(
        [sys.executable, "-W", "error", str(path)],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(HOUSE), "OMP_NUM_THREADS": "1"},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
    )
    assert run.returncode == 0, run.stderr
    assert not run.stderr
    assert not list(folder.iterdir()), "an example left a file behind"
    return run.stdout


@pytest.mark.parametrize("path", EXAMPLES, ids=[path.stem for path in EXAMPLES])
def test_example_runs(path, tmp_path):
    words = said(path, tmp_path)
    assert words.strip()
    assert "nan" not in words
    assert len(path.read_text().splitlines()) <= 60, "one idea each"


def test_ellipsoid_in_inches_comes_out_as_the_ellipsoid(tmp_path):
    """Closed form: 20 readings a frame of sd 0.03 in; a mean of four is good to 0.015 in."""
    words = said(HOUSE / "examples" / "survey_in_inches.py", tmp_path)
    pairs = re.findall(r"([\d.]+) in, true ([\d.]+)", words)
    assert len(pairs) == 2
    for found, true in pairs:
        assert float(found) == pytest.approx(float(true), abs=0.05)


def test_every_block_is_closed_and_pinned(tmp_path):
    words = said(HOUSE / "examples" / "weigh_the_blocks.py", tmp_path)
    assert words.count(" closed ") == 4
    assert words.count("2 pins") == 4
    assert "OPEN" not in words
