"""Print the offset table of F14 in feet-inches-eighths, as a loft floor would have it."""

from loft import offset_table
from loft.demo import demo_surface
from loft.job.units import format_length

surface = demo_surface()
section = surface.lift(surface.job.frame("F14"))

for offset in offset_table(section, surface.job):
    if offset.side == "starboard":
        value = format_length(offset.offset, "ft-in")
        print(f"{offset.kind:10} {offset.value!s:>7} {offset.branch:6} {value}")
