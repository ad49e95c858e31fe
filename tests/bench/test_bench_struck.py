"""The construction as DXF: arcs that join, centres and tangent points, read back by a library."""

from __future__ import annotations

import io

import ezdxf
import numpy as np
import pytest

from loft.bench.struck import struck_dxf
from loft.drawing.chain import Chain, strike
from loft.drawing.closure import close
from loft.drawing.construction import construct

OVAL = strike(900.0, [620.0, 250.0, 2200.0], np.deg2rad([40.0, 84.0, 120.0]))
NAMES = ["crown", "shoulder", "side", "bottom"]


def slab() -> tuple[Chain, list[str]]:
    """A section with an upright straight and a hollow above the keel."""
    bend = [1 / 600, 0.0, 1 / 300, -1 / 900, 1 / 500]
    length = [600 * np.pi / 2, 300.0, 420.0, 120.0, 300.0]
    closed = close(Chain(crown=700.0, curvature=bend, length=length), np.zeros(11, dtype=bool))
    return closed, ["crown", "wall", "bilge", "flare", "bottom"]


def read(content: bytes):
    return ezdxf.read(io.StringIO(content.decode()))


def ends(entity) -> list[tuple[float, float]]:
    if entity.dxftype() == "ARC":
        return [(point.x, point.y) for point in (entity.start_point, entity.end_point)]
    return [(point.x, point.y) for point in (entity.dxf.start, entity.dxf.end)]


@pytest.mark.parametrize("chain_and_names", [(OVAL, NAMES), slab()])
def test_construction_is_read_back_in_millimetres_and_its_outline_is_whole(chain_and_names):
    chain, names = chain_and_names
    content = struck_dxf(construct(chain, names), title="Frame F14")
    doc = read(content)
    audit = doc.audit()
    assert not audit.errors
    assert not audit.fixes
    assert doc.units == 4
    assert doc.header["$MEASUREMENT"] == 1
    space = doc.modelspace()
    outline = list(space.query('*[layer=="OUTLINE"]'))
    assert len(outline) == 2 * len(chain)
    # every end meets another: the tangent points of both halves, crown and keel twice each
    places = np.array([place for one in outline for place in ends(one)])
    for side in (1.0, -1.0):
        for knot in chain.knot:
            away = np.hypot(*(places - [side * knot[0], knot[1]]).T)
            assert (away < 1e-6).sum() == 2
    assert content == struck_dxf(construct(chain, names), title="Frame F14")


def test_centres_radii_and_tangent_points_are_set_out_and_lettered():
    doc = read(struck_dxf(construct(OVAL, NAMES), title="Frame F14"))
    space = doc.modelspace()
    rings = [one.dxf.center for one in space.query('CIRCLE[layer=="TANGENT_POINTS"]')]
    np.testing.assert_allclose([(one.x, one.y) for one in rings], OVAL.knot[1:-1], atol=1e-6)
    rays = [np.array(ends(one)) for one in space.query('LINE[layer=="RADII"]')]
    for index in (1, 3):  # centres that the sheet has room for; one ray to either tangent point
        long = [r for r in rays if np.allclose(r[1], OVAL.centre[index], atol=1e-6)]
        np.testing.assert_allclose(
            [np.hypot(*(r[1] - r[0])) for r in long], OVAL.radius[[index, index]], atol=1e-6
        )
    said = [text.dxf.text for text in space.query("TEXT")]
    for words in ("T1", "T3", "O2", "Frame F14", "shoulder R 250.0"):
        assert words in said
    assert any("Shape only, not approved data" in one for one in said)
    assert any(f"centre O2 bl {OVAL.centre[1, 0]:.1f}" in one for one in said)
