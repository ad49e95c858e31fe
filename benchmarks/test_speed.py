"""Fit and section, ours and the earlier program's, in groups that print their ratio.

    OMP_NUM_THREADS=1 PROTOTYPE=FOLDER pytest benchmarks/test_speed.py

No time is asserted: machines differ and are shared.
"""

from __future__ import annotations

import os
import time

import pytest

pytest.importorskip("pytest_benchmark")

from benchmarks.speed import ours_on, scan_survey, tape_survey, theirs_on
from benchmarks.surveys import prototype

MODULES = prototype()
NAMES = [body.name for body in MODULES[1].all_bodies()] if MODULES else []
SMOOTH = [k for k, name in enumerate(NAMES) if name not in ("chine", "wigley")]

pytestmark = [
    pytest.mark.skipif(not MODULES, reason="PROTOTYPE names no folder"),
    pytest.mark.skipif(
        os.environ.get("OMP_NUM_THREADS") != "1", reason="OMP_NUM_THREADS=1 is wanted: one thread"
    ),
]
PROGRAMS = {"ours": ours_on, "earlier": theirs_on}
MEDIANS: dict[tuple[str, str], float] = {}


@pytest.fixture(scope="module", autouse=True)
def ratios(request):
    """Print ours over earlier for every job once all have run."""
    yield
    with request.config.pluginmanager.getplugin("capturemanager").global_and_fixture_disabled():
        for job in dict.fromkeys(job for job, _ in MEDIANS):
            ours, earlier = (MEDIANS.get((job, program)) for program in PROGRAMS)
            if ours and earlier:
                print(f"\n{job}: ours / earlier {ours / earlier:.2f}", end="")


def timed(benchmark, job, program, work, rounds):
    benchmark.group = job
    benchmark._timer = time.process_time
    benchmark.pedantic(work, rounds=rounds, warmup_rounds=1)
    if benchmark.stats:
        MEDIANS[job, program] = benchmark.stats.stats.median


@pytest.mark.parametrize("number", range(len(NAMES)), ids=NAMES)
@pytest.mark.parametrize("program", PROGRAMS)
def test_fit_and_section_of_a_taped_survey(benchmark, program, number):
    work = PROGRAMS[program](*tape_survey(number))
    timed(benchmark, f"{NAMES[number]} 20 x 40", program, work, 15)


@pytest.mark.parametrize("number", SMOOTH, ids=[NAMES[k] for k in SMOOTH])
@pytest.mark.parametrize("program", PROGRAMS)
def test_fit_and_section_of_a_scan(benchmark, program, number):
    work = PROGRAMS[program](*scan_survey(number))
    timed(benchmark, f"{NAMES[number]} 30 x 2000", program, work, 5)
