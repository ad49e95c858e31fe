"""Make the forming blocks of F14 and weigh them, as hardwood of 700 kg per cubic metre."""

from loft import forming_block
from loft.demo import demo_surface

surface = demo_surface()
section = surface.lift(surface.job.frame("F14"))

for block in forming_block(section, surface.job, step=10.0):
    mesh = block.mesh
    print(
        f"{block.name:12} {'closed' if mesh.is_watertight else 'OPEN'} "
        f"{mesh.volume / 1e6:6.2f} litres, {mesh.volume * 700e-9:5.2f} kg, {len(block.pins)} pins"
    )
