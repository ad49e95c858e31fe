"""Closed triangle meshes of pieces swept along a frame, and their files."""

from __future__ import annotations

import io
import struct
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape, quoteattr

import numpy as np
from numpy.typing import NDArray

from loft.job.errors import LoftError
from loft.job.records import Array, freeze_arrays

_FIXED = (1980, 1, 1, 0, 0, 0)  # the earliest date a zip file knows: no clock time


@dataclass(frozen=True, eq=False, kw_only=True)
class Solid:
    """A closed surface, wound outwards: points (n, 3) in mm, triangles (m, 3)."""

    name: str
    points: Array
    triangles: NDArray[np.int64]

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def volume(self) -> float:
        """Return the volume inside, mm3; negative for a surface wound inwards."""
        a, b, c = (self.points[self.triangles[:, k]] for k in range(3))
        return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0)


def swept_solid(profiles: Array, *, closed: bool, name: str = "") -> Solid:
    """Return the closed surface that joins cross-sections one after another.

    Parameters
    ----------
    profiles : ndarray, shape (n, k, 3)
        n cross-sections of k corners each, all running round the same way. Corners
        of one place are joined into one point, triangles without area left out.
    closed : bool
        The last cross-section joins the first; else both ends are closed flat.
    name : str

    Returns
    -------
    Solid
        Wound outwards.

    Raises
    ------
    LoftError
        Fewer than two cross-sections of three corners, or no volume.

    Examples
    --------
    >>> square = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [0.0, 1.0, 0.0]])
    >>> swept_solid(np.array([square, square + [0.0, 0.0, 2.0]]), closed=False).volume
    2.0
    """
    if profiles.ndim != 3 or len(profiles) < 2 or profiles.shape[1] < 3:
        raise LoftError(f"cross-sections of shape {profiles.shape} found, 2 or more of 3 corners")
    count, corners, _ = profiles.shape
    number = np.arange(count * corners).reshape(count, corners)
    here = number if closed else number[:-1]
    ahead = np.roll(number, -1, axis=0) if closed else number[1:]
    beside, across = np.roll(here, -1, axis=1), np.roll(ahead, -1, axis=1)
    sides = np.concatenate(
        [
            np.stack([here, beside, across], axis=-1).reshape(-1, 3),
            np.stack([here, across, ahead], axis=-1).reshape(-1, 3),
        ]
    )
    parts = [sides]
    if not closed:
        parts += [number[0][_cap(profiles[0])][:, ::-1], number[-1][_cap(profiles[-1])]]
    points, triangles = _joined(profiles.reshape(-1, 3), np.concatenate(parts))
    solid = Solid(name=name, points=points, triangles=triangles)
    if not abs(solid.volume) > 0:
        raise LoftError(f"the block {name} has no volume")
    if solid.volume < 0:
        return Solid(name=name, points=points, triangles=triangles[:, ::-1])
    return solid


def as_mesh(solid: Solid) -> Any:
    """Return a `trimesh.Trimesh` of a solid, its points as they are.

    Examples
    --------
    >>> square = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [0.0, 1.0, 0.0]])
    >>> solid = swept_solid(np.array([square, square + [0.0, 0.0, 2.0]]), closed=False)
    >>> as_mesh(solid).is_watertight
    True
    """
    import trimesh

    return trimesh.Trimesh(vertices=solid.points, faces=solid.triangles, process=False)


def drilled(solid: Solid, holes: Sequence[tuple[float, float, float]]) -> Solid:
    """Return a solid with round holes along Z right through it.

    A hole is a polygon of 96 sides of the circle's own area.

    Parameters
    ----------
    solid : Solid
    holes : sequence of (X, Y, diameter)
        mm.

    Raises
    ------
    LoftError
        A hole takes nothing off the solid, or leaves it open.

    Examples
    --------
    >>> square = np.array([[0.0, 0.0, 0.0], [9.0, 0.0, 0.0], [9.0, 9.0, 0.0], [0.0, 9.0, 0.0]])
    >>> solid = swept_solid(np.array([square, square + [0.0, 0.0, 2.0]]), closed=False)
    >>> round(162.0 - drilled(solid, [(4.0, 4.0, 2.0)]).volume, 3)  # 2 pi 1^2
    6.283
    """
    if not holes:
        return solid
    import manifold3d

    low, high = solid.points[:, 2].min() - 1.0, solid.points[:, 2].max() + 1.0
    body = manifold3d.Manifold(
        manifold3d.Mesh64(
            vert_properties=np.array(solid.points),
            tri_verts=np.array(solid.triangles, dtype=np.uint64),
        )
    )
    if body.status() != manifold3d.Error.NoError:
        raise LoftError(f"the block {solid.name} is no closed body: {body.status().name}")
    sides = 96
    grown = np.sqrt(2 * np.pi / sides / np.sin(2 * np.pi / sides))
    for x, y, across in holes:
        rod = manifold3d.Manifold.cylinder(high - low, across / 2 * grown, -1.0, sides)
        before = body.volume()
        body = body - rod.translate((x, y, low))
        if not body.volume() < before:
            raise LoftError(f"a hole at X {x:.1f} Y {y:.1f} is off the block {solid.name}")
    mesh = body.to_mesh64()
    return Solid(
        name=solid.name,
        points=np.asarray(mesh.vert_properties)[:, :3],
        triangles=np.asarray(mesh.tri_verts).astype(np.int64),
    )


def stl_bytes(solids: Sequence[Solid], *, heading: str) -> bytes:
    """Return solids as one binary STL; `heading` fills its first 80 bytes.

    Raises
    ------
    LoftError
        The heading does not fit, or would pass for the other kind of STL.

    Examples
    --------
    >>> square = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [0.0, 1.0, 0.0]])
    >>> solid = swept_solid(np.array([square, square + [0.0, 0.0, 2.0]]), closed=False)
    >>> len(stl_bytes([solid], heading="block")), len(solid.triangles)
    (684, 12)
    """
    head = heading.encode("ascii", "replace")
    if len(head) > 80 or head.startswith(b"solid"):
        raise LoftError(f"the STL heading '{heading}' does not fit")
    corners = np.concatenate([solid.points[solid.triangles] for solid in solids])
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(normal, axis=1)
    record = np.zeros(len(corners), dtype=[("v", "<f4", (4, 3)), ("a", "<u2")])
    record["v"][:, 0] = normal / np.where(size > 0, size, 1.0)[:, None]
    record["v"][:, 1:] = corners
    return head.ljust(80, b" ") + struct.pack("<I", len(corners)) + record.tobytes()


def threemf_bytes(solids: Sequence[Solid], *, title: str, description: str) -> bytes:
    """Return solids as one 3MF in millimetres, each an object of its own name.

    Examples
    --------
    >>> square = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [0.0, 1.0, 0.0]])
    >>> solid = swept_solid(np.array([square, square + [0.0, 0.0, 2.0]]), closed=False)
    >>> threemf_bytes([solid], title="block", description="")[:2]
    b'PK'
    """
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as box:
        for name, text in (
            ("[Content_Types].xml", _CONTENT_TYPES),
            ("_rels/.rels", _RELATIONS),
            ("3D/3dmodel.model", _model(solids, title, description)),
        ):
            entry = zipfile.ZipInfo(name, date_time=_FIXED)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            box.writestr(entry, text.encode("utf-8"))
    return out.getvalue()


_CONTENT_TYPES = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" '
    'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" '
    'ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/></Types>\n'
)
_RELATIONS = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Id="rel0" Target="/3D/3dmodel.model" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>\n'
)


def _model(solids: Sequence[Solid], title: str, description: str) -> str:
    parts = [
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<model unit="millimeter" xml:lang="en" '
        'xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02">\n'
        f'<metadata name="Title">{escape(title)}</metadata>\n'
        f'<metadata name="Description">{escape(description)}</metadata>\n<resources>\n'
    ]
    for number, solid in enumerate(solids, start=1):
        parts.append(
            f'<object id="{number}" type="model" name={quoteattr(solid.name)}><mesh><vertices>\n'
        )
        parts += [f'<vertex x="{x:.5f}" y="{y:.5f}" z="{z:.5f}"/>\n' for x, y, z in solid.points]
        parts.append("</vertices><triangles>\n")
        parts += [f'<triangle v1="{a}" v2="{b}" v3="{c}"/>\n' for a, b, c in solid.triangles]
        parts.append("</triangles></mesh></object>\n")
    parts.append("</resources>\n<build>\n")
    parts += [f'<item objectid="{number}"/>\n' for number in range(1, len(solids) + 1)]
    parts.append("</build>\n</model>\n")
    return "".join(parts)


def _cap(profile: Array) -> NDArray[np.int64]:
    """Return triangles that close one flat cross-section, running round as it does."""
    import manifold3d

    centre = profile - profile.mean(axis=0)
    _, _, axes = np.linalg.svd(centre)
    flat = centre @ axes[:2].T
    area = np.sum(flat[:, 0] * np.roll(flat[:, 1], -1) - np.roll(flat[:, 0], -1) * flat[:, 1])
    turned = flat if area > 0 else flat[:, ::-1]
    return np.asarray(manifold3d.triangulate([turned]), dtype=np.int64)  # anticlockwise there


def _joined(points: Array, triangles: NDArray[np.int64]) -> tuple[Array, NDArray[np.int64]]:
    """Make one point of those that coincide, and drop triangles that lost a corner."""
    rounded = np.round(points, 6) + 0.0
    _, first, place = np.unique(rounded, axis=0, return_index=True, return_inverse=True)
    order = np.argsort(np.argsort(first))
    keep = np.sort(first)
    triangles = order[place.reshape(-1)][triangles]
    a, b, c = triangles.T
    return points[keep], triangles[(a != b) & (b != c) & (c != a)]
