"""Say which readings would narrow the band most, and which frame can least be spared."""

from loft.demo import demo_surface
from loft.fairing.plan import lost, plan

surface = demo_surface()
frame = surface.job.frame("F14")

for one in plan(surface, frame, count=5, sigma=1.0):  # a better tape than the first time
    print(f"{one.rank}. {one.words()}")

losses = [lost(surface, name, frame) for name in ("F11", "F12", "F13", "F15", "F16", "F17")]
print(max(losses, key=lambda loss: loss.band_after).words())
