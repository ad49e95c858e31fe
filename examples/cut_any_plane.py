"""Cut the surface where no frame ever stood: here with its top leaning aft by 4 degrees."""

import numpy as np

from loft.demo import demo_surface
from loft.job.records import Frame

plane = Frame(name="CUT", station=7350.0, cant=np.deg2rad(4.0), pivot_wl=900.0)
section = demo_surface().lift(plane)

print(f"girth {section.length:.1f} mm, from station {section.station_at.min():.1f} at the keel")
print(f"to {section.station_at.max():.1f} at the crown")
crossings = section.crossings
for k in range(0, len(crossings.line), 4):
    print(
        f"{crossings.line[k]:5} bl {crossings.bl[k]:8.1f} height {crossings.height[k]:8.1f} "
        f"bevel {np.rad2deg(crossings.bevel[k]):6.2f} degrees"
    )
