"""Write a job of one's own, with a survey in inches, and lift a frame that is known exactly.

The body is an ellipsoid of 20 ft by 4 ft by 5 ft, so that the missing frame is an ellipse.
"""

import tempfile
from pathlib import Path

import numpy as np

from loft import fair, read_job, read_survey

SPACING, HALF_LENGTH, HALF_WIDTH, HALF_HEIGHT = 18.0, 120.0, 24.0, 30.0
names = [f"F{k}" for k in range(1, 10)]
stations = np.arange(1, 10) * SPACING + 48.0

job_text = '[job]\ntitle = "Ellipsoid"\nunits = "in"\nmissing = ["F5"]\n'
for name, station in zip(names, stations, strict=True):
    job_text += f'[[frame]]\nname = "{name}"\nstation = {station}\n'
job_text += '[[survey]]\nfile = "tape.csv"\nsigma = 0.03\nface = "skin_outer"\n'

rng = np.random.default_rng(1)
rows = ["frame,line,station,bl,wl"]
for name, station in zip(names, stations, strict=True):
    if name == "F5":
        continue
    swell = np.sqrt(1.0 - ((station - HALF_LENGTH) / HALF_LENGTH) ** 2)
    for angle in np.arange(0.0, 2.0 * np.pi, np.pi / 10):
        bl = HALF_WIDTH * swell * np.sin(angle) + rng.normal(0.0, 0.03)
        wl = HALF_HEIGHT * swell * np.cos(angle) + rng.normal(0.0, 0.03)
        rows.append(f"{name},,,{bl:.3f},{wl:.3f}")

with tempfile.TemporaryDirectory() as folder:
    Path(folder, "job.toml").write_text(job_text)
    Path(folder, "tape.csv").write_text("\n".join(rows) + "\n")
    job = read_job(folder)
    survey = read_survey(job)

section = fair(job, survey).lift(job.frame("F5"))
swell = np.sqrt(1.0 - ((stations[4] - HALF_LENGTH) / HALF_LENGTH) ** 2)
print(f"half-breadth {section.bl.max() / 25.4:.3f} in, true {HALF_WIDTH * swell:.3f}")
print(f"half-height  {np.ptp(section.wl) / 50.8:.3f} in, true {HALF_HEIGHT * swell:.3f}")
