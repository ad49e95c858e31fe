"""Lift the missing frame of the demo and print its half-breadths."""

import tempfile
from pathlib import Path

import numpy as np

from loft import fair, read_job, read_survey
from loft.demo import write_demo

with tempfile.TemporaryDirectory() as folder:
    write_demo(Path(folder))
    job = read_job(folder)
    survey = read_survey(job)

surface = fair(job, survey)
section = surface.lift(job.frame("F14"))

print(f"F14 at station {section.station:.0f}: girth {section.length:.1f} mm")
print("waterline   starboard half-breadth   95 % band")
starboard = (section.bl > 0) & (np.abs(section.normal_bl) > 0.5)
for waterline in range(400, 1401, 200):
    near = np.argmin(np.where(starboard, abs(section.wl - waterline), np.inf))
    print(f"{section.wl[near]:9.0f} {section.bl[near]:14.1f} mm {section.band95[near]:15.1f} mm")
