"""Find the tangent arcs that a section was struck with, from points on it and no drawing."""

import numpy as np

from loft import fit_arcs
from loft.corncrake import radii, truth

rng = np.random.default_rng(14)
theta = np.linspace(-np.pi, np.pi, 40, endpoint=False)
out = rng.normal(0.0, 0.5, len(theta))  # measured to 0.5 mm
normal = np.column_stack([np.sin(theta), np.cos(theta)])
points = truth(6160.0, theta) + out[:, None] * normal

found = fit_arcs(points, 0.5)
print(f"{found.best.words()} a side, from crown to keel")
chain = found.best.fit.chain
for curvature, true in zip(chain.curvature, radii(6160.0), strict=True):
    print(f"radius {1 / curvature:8.1f} mm, true {true:7.1f}")
