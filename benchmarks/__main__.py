"""Measure accuracy, detection and speed, and print the tables.

    nice python -m benchmarks --prototype FOLDER [--only accuracy,speed] [--seeds N] [--jobs 2]

FOLDER holds the simulated bodies and surveys and an earlier program to compare with
(modules bodies, scenarios, surface_prototype); the environment variable PROTOTYPE names
it too. Without it only what needs neither is measured. The same seeds give the same
figures, times excepted; times count only where the load printed beside them is low.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from pathlib import Path

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(threads, "1")
sys.path.insert(0, str(Path(__file__).parent.parent))

ALL = "accuracy", "few", "rivals", "limit", "detection", "blunders", "joint", "speed"
ALONE = ("limit",)  # needs no other program


def main() -> None:
    ask = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    ask.add_argument("--prototype", default=os.environ.get("PROTOTYPE", ""), metavar="FOLDER")
    ask.add_argument("--only", default=",".join(ALL), metavar="A,B", help=", ".join(ALL))
    ask.add_argument("--seeds", type=int, help="surveys of a kind; default: the full table's")
    ask.add_argument("--jobs", type=int, default=2, help="processes; speed takes one")
    given = ask.parse_args()
    os.environ["PROTOTYPE"] = str(Path(given.prototype).resolve()) if given.prototype else ""
    chosen = given.only.split(",")
    if unknown := set(chosen) - set(ALL):
        ask.error(f"{', '.join(sorted(unknown))} found, {', '.join(ALL)} wanted")
    from benchmarks.surveys import prototype
    from benchmarks.tally import load

    for name in chosen:
        if name not in ALONE and prototype() is None:
            print(f"== {name}: left out, no folder named by --prototype or PROTOTYPE\n")
            continue
        print(f"== {name} ({load()})", flush=True)
        importlib.import_module(f"benchmarks.{name}").report(given.seeds, given.jobs)
        print(flush=True)


if __name__ == "__main__":
    main()
