"""surface.step read back by a geometry kernel, in an environment of its own.

    make kernel KERNEL=name      name: a registry's binding of a general geometry kernel
                                 that is imported as OCP (1.3 GB; it wants another vtk than ours)

The demo's loft and section are written, sampled between the points they were made
from, and the kernel is asked how far each sample lies from what it read. Exit 1 where
the file is not valid, not in millimetres, or further off than 0.01 mm.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import venv
from pathlib import Path

import numpy as np

LIMIT = 0.01  # mm: what the file promises

READ = '''
import json, sys
from OCP.BRep import BRep_Builder
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeVertex
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.BRepExtrema import BRepExtrema_DistShapeShape
from OCP.STEPControl import STEPControl_Reader
from OCP.collections import Sequence_TCollection_AsciiString
from OCP.TopAbs import TopAbs_EDGE, TopAbs_FACE, TopAbs_ShapeEnum
from OCP.TopExp import TopExp_Explorer
from OCP.TopoDS import TopoDS_Compound
from OCP.gp import gp_Pnt

def parts(shape, kind, avoid=None):
    explorer, found = TopExp_Explorer(), []
    explorer.Init(shape, kind) if avoid is None else explorer.Init(shape, kind, avoid)
    while explorer.More():
        found.append(explorer.Current())
        explorer.Next()
    return found

def gaps(points, shapes):
    """Distance of every point from the nearest of the shapes."""
    builder, whole = BRep_Builder(), TopoDS_Compound()
    builder.MakeCompound(whole)
    for shape in shapes:
        builder.Add(whole, shape)
    return [
        BRepExtrema_DistShapeShape(BRepBuilderAPI_MakeVertex(gp_Pnt(*p)).Vertex(), whole).Value()
        for p in points
    ]

asked = json.load(open(sys.argv[2]))
reader = STEPControl_Reader()
assert int(reader.ReadFile(sys.argv[1])) == 1, "not read"
units = [Sequence_TCollection_AsciiString() for _ in range(3)]
reader.FileUnits(*units)
reader.TransferRoots()
shape = reader.OneShape()
faces, loose = parts(shape, TopAbs_FACE), parts(shape, TopAbs_EDGE, TopAbs_FACE)
print(json.dumps({
    "units": [units[0].Value(k + 1).ToCString() for k in range(units[0].Length())],
    "valid": BRepCheck_Analyzer(shape).IsValid(),
    "faces": len(faces),
    "curves": len(loose),
    "surface": max(gaps(asked["surface"], faces)),
    "section": max(gaps(asked["section"], loose)),
}))
'''


def sampled(folder: Path, count: int) -> dict[str, list]:
    """Write the demo's surface.step to `folder`; return points between those it is made of."""
    from loft import steps
    from loft.bench.outline import at, outline_of
    from loft.bench.step import in_space
    from loft.demo import demo_files

    for name, content in demo_files().items():
        (folder / name).write_bytes(content)
    job, frames = steps.open_job(folder / "job.toml")
    result = steps.compute(job, frames, lambda words: None)
    (folder / "surface.step").write_bytes(steps.step_file(result))
    rng = np.random.default_rng(1938)
    surface, (section,) = result.surface, result.sections
    x = rng.uniform(surface.stations[0], surface.stations[-1], count)
    points = surface.points(x, rng.uniform(0.0, 2 * np.pi, count))
    girth = section.girth + np.diff(section.girth, append=section.length) / 2
    middles = in_space(section, at(outline_of(section), girth).point)
    return {"surface": points.tolist(), "section": middles.tolist()}


def environment(folder: Path, kernel: str) -> Path:
    """Return the Python of the kernel's own environment; made once."""
    python = folder / "bin" / "python"
    if not (folder / "ready").exists():
        venv.create(folder, with_pip=True, clear=True)
        alone = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
        call = [python, "-m", "pip", "install", "--quiet", kernel]
        subprocess.run(call, check=True, env=alone, cwd=folder)
        (folder / "ready").touch()
    return python


def main() -> int:
    """Ask the kernel and print what it says."""
    own = Path(tempfile.gettempdir()) / "loft-kernel"
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("kernel", help="the kernel's binding, as the registry calls it")
    parser.add_argument("--venv", type=Path, default=own, help="where its environment stands")
    parser.add_argument("--points", type=int, default=300)
    given = parser.parse_args()
    python = environment(given.venv, given.kernel)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "asked.json").write_text(json.dumps(sampled(folder, given.points)))
        (folder / "read.py").write_text(READ)
        call = [python, "read.py", "surface.step", "asked.json"]
        said = subprocess.run(
            call, cwd=folder, check=True, stdout=subprocess.PIPE, text=True
        ).stdout
        size = (folder / "surface.step").stat().st_size
    found = json.loads(said[said.index("{") :])
    print(
        f"surface.step {size / 1000:.0f} kB, read by the kernel: {found['faces']} faces, "
        f"{found['curves']} curve, units {', '.join(found['units'])}, "
        f"{'valid' if found['valid'] else 'NOT VALID'}"
    )
    print(
        f"furthest of {given.points} points of the loft {found['surface']:.2e} mm, "
        f"of the section's {found['section']:.2e} mm; {LIMIT} mm allowed"
    )
    sound = found["valid"] and found["units"] == ["millimetre"] and found["curves"] == 1
    return 0 if sound and max(found["surface"], found["section"]) <= LIMIT else 1


if __name__ == "__main__":
    sys.exit(main())
