"""Print the angle between flange and web every half metre round F14."""

import numpy as np

from loft import frame_lines
from loft.demo import demo_surface

surface = demo_surface()
lines = frame_lines(surface.lift(surface.job.frame("F14")), surface.job)

print("girth mm   flange angle   bend allowance mm   free edge")
for girth in np.arange(0.0, lines.girth[-1], 500.0):
    k = int(np.argmin(abs(lines.girth - girth)))
    print(
        f"{lines.girth[k]:8.0f}   {np.rad2deg(lines.angle[k]):6.2f} {lines.open_closed[k]:6} "
        f"{lines.allowance[k]:10.2f} {lines.strain[k]:16.1%}"
    )
