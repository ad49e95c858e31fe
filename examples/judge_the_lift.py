"""Predict every surviving frame as if it were missing, and say how far out each is."""

import numpy as np

from loft import holdout
from loft.demo import demo_surface

surface = demo_surface()
held, shifts = holdout(surface)

print("frame  readings  rms mm  largest mm  inside its 95 % interval")
for row in zip(
    held.frame, held.points, held.rms, held.largest, held.coverage95, held.note, strict=True
):
    print("{:5}  {:8d}  {:6.2f}  {:10.2f}  {:8.0%}  {}".format(*row))

between = held.note != "extrapolated"
print(f"mean of the frames that have neighbours: {np.nanmean(held.rms[between]):.2f} mm rms")
