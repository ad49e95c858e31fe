"""Compare the lifted F14 with the true shape of the demo aircraft, known in closed form."""

import numpy as np

from loft.corncrake import true_deviation
from loft.demo import demo_surface

surface = demo_surface()
section = surface.lift(surface.job.frame("F14"))
error = true_deviation(section.station, section.bl, section.wl)

print(f"rms {np.sqrt(np.mean(error**2)):.2f} mm, largest {np.abs(error).max():.2f} mm")
print(f"inside the pointwise band: {np.mean(np.abs(error) <= section.band95):.0%} of the outline")
whole = np.mean(np.abs(error) <= section.band95_all)
print(f"inside the band of the whole outline: {whole:.0%}")
