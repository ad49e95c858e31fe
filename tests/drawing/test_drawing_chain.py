"""Chains: closed forms, gradients against differences, closure."""

from __future__ import annotations

import numpy as np
import pytest
from half_sections import BOUNDS, both_halves, corncrake, published, three_arcs

from loft.corncrake import radii, true_deviation, truth
from loft.drawing.chain import Chain, gap, gap_gradient, project, strike, walk
from loft.drawing.closure import chain_of, close, figures, is_closed
from loft.drawing.dimensions import Dimension, dimension_rows
from loft.drawing.readings import read_points, reading_rows
from loft.job.errors import LoftError


def mixed() -> Chain:
    """An arc, a straight, an arc, a hollow, an arc: closed by the last."""
    bend = np.array([1 / 600, 0.0, 1 / 250, -1 / 900, 1 / 700])
    length = np.array([700.0, 180.0, 220.0, 120.0, 600.0])
    chain = close(
        Chain(crown=900.0, curvature=bend, length=length), np.zeros(11, dtype=bool), most=20
    )
    assert chain is not None
    assert (chain.length > 0).all()
    return chain


# ---- closed forms -----------------------------------------------------------------------


def test_the_corncrake_struck_as_a_chain_is_its_own_closed_form():
    """An independent closed form of the same five arcs, in angles instead of lengths."""
    chain = corncrake()
    np.testing.assert_allclose(chain.radius, radii(6160.0), rtol=1e-12)
    start = np.concatenate([[0.0], np.cumsum(chain.length)])
    theta = np.linspace(0.0, np.pi, 200)
    element = np.clip(np.searchsorted(chain.turn, theta, "right") - 1, 0, 4)
    girth = start[element] + (theta - chain.turn[element]) * chain.radius[element]
    np.testing.assert_allclose(walk(chain, girth)[0], truth(6160.0, theta), atol=1e-9)


def test_distances_agree_with_the_corncrakes_closed_form():
    rng = np.random.default_rng(1)
    chain = corncrake()
    points = walk(chain, rng.uniform(0.0, chain.length.sum(), 300))[0]
    points = np.abs(points + rng.normal(0.0, 15.0, points.shape))
    expected = true_deviation(6160.0, points[:, 0], points[:, 1])
    np.testing.assert_allclose(project(chain, points).distance, expected, atol=1e-9)


def test_arc_from_half_chord_and_rise():
    """trade value 31: c 20, h 4 -> R 52 (plane geometry, recomputed)."""
    case = published("T31")
    radius = case["expected"]["radius"]
    chain = strike(radius, [radius], [1.0])
    at = [[case["inputs"]["half_chord"], radius - case["inputs"]["rise"]]]
    assert abs(project(chain, at).distance[0]) < 1e-9


def test_centre_of_a_fillet_whose_radius_alone_is_given():
    """trade value 32: circle R 10, wall x = 8, fillet r 5 -> centre (3, 4), not (3, -4).

    Struck ten thousand times the size; the chain finds the centre from tangency alone.
    """
    case = published("T32")["expected"]
    turn = np.arctan2(case["tangents"][0][0], case["tangents"][0][1])
    bend = np.array([1 / 1000, 1 / 500, 0.0, 1 / 500, 1 / 1000])
    half = [1000 * turn, 500 * (np.pi / 2 - turn), 800.0, 500 * (np.pi / 2 - turn), 1000 * turn]
    chain = Chain(crown=1000.0, curvature=bend, length=np.array(half))
    assert is_closed(chain)
    np.testing.assert_allclose(chain.centre[1] / 100, case["centre"], atol=1e-9)
    np.testing.assert_allclose(chain.knot[1:3] / 100, case["tangents"], atol=1e-9)


def test_a_straight_is_the_limit_of_a_large_radius():
    flat = mixed()
    bend = flat.curvature.copy()
    bend[1] = 2e-9  # half a million metres
    round_ = Chain(crown=900.0, curvature=bend, length=flat.length)
    points = walk(flat, np.linspace(0.0, flat.length.sum(), 50))[0] + 3.0
    # sagitta and turn of 180 mm at this radius stay below 1e-6 mm over the section
    np.testing.assert_allclose(
        project(flat, points).distance, project(round_, points).distance, atol=1e-3
    )


def test_feet_stand_square_on_the_chain_in_every_kind_of_element():
    chain = mixed()
    girth = np.linspace(5.0, chain.length.sum() - 5.0, 80)
    points, normals, element, _ = walk(chain, girth)
    feet = project(chain, points + 7.0 * normals)
    np.testing.assert_allclose(feet.distance, 7.0, atol=1e-9)
    np.testing.assert_allclose(feet.normal, normals, atol=1e-9)
    assert set(element) == {0, 1, 2, 3, 4}


def test_points_over_the_centreline_are_met_by_the_arc_taken_on():
    chain = three_arcs()
    for height, expected in ((805.0, 5.0), (chain.keel - 4.0, 4.0)):
        assert project(chain, [[0.0, height]]).distance[0] == pytest.approx(expected, abs=1e-9)


# ---- gradients --------------------------------------------------------------------------


def differences(function, values, step):
    """Central differences of a vector function."""
    columns = []
    for index, size in enumerate(step):
        ahead, back = values.copy(), values.copy()
        ahead[index] += size
        back[index] -= size
        columns.append((function(ahead) - function(back)) / (2 * size))
    return np.stack(columns, axis=-1)


def steps(chain: Chain) -> np.ndarray:
    """Steps that move the section by about 1e-3 mm."""
    count = len(chain)
    return np.concatenate([[1e-3], np.full(count, 1e-9), np.full(count, 1e-3)])


@pytest.mark.parametrize(
    "chain", [corncrake(), three_arcs(), mixed()], ids=["five", "three", "mixed"]
)
def test_gradient_of_readings_against_differences(chain):
    rng = np.random.default_rng(2)
    points = walk(chain, rng.uniform(0.0, chain.length.sum(), 40))[0]
    points = both_halves(points + rng.normal(0.0, 4.0, points.shape))
    root = rng.normal(size=(20, 20))
    readings = read_points(
        points[:60], 1.5, outline=points[60:], covariance=root @ root.T + 20 * np.eye(20)
    )
    lean = np.array([2.0, 0.004])
    _, slope = reading_rows(chain, lean, readings)
    values = np.concatenate([figures(chain), lean])
    size = np.concatenate([steps(chain), [1e-3, 1e-6]])
    by = differences(lambda v: reading_rows(chain_of(v[:-2]), v[-2:], readings)[0], values, size)
    # second differences of 1e-3 mm steps over radii of 250 mm, relative to the slope's size
    assert np.abs(slope - by).max(axis=0) == pytest.approx(0.0, abs=1e-5 * np.abs(by).max())


@pytest.mark.parametrize("chain", [corncrake(), mixed()], ids=["five", "mixed"])
@pytest.mark.parametrize(
    "kind", ["centre_bl", "centre_wl", "sweep", "length", "tangent_bl", "tangent_wl", "radius"]
)
def test_gradient_of_drawn_figures_of_an_arc(chain, kind):
    for element in (0, 2, 4):
        drawn = [Dimension(kind=kind, value=300.0, sigma=0.7, element=element)]
        _, slope = dimension_rows(chain, drawn)
        by = differences(
            lambda v, drawn=drawn: dimension_rows(chain_of(v), drawn)[0],
            figures(chain),
            steps(chain),
        )
        np.testing.assert_allclose(slope, by, atol=1e-5 * np.abs(by).max())


@pytest.mark.parametrize("kind", ["top", "bottom", "max_half_breadth", "half_breadth"])
def test_gradient_of_drawn_figures_of_the_whole(kind):
    chain = corncrake()
    drawn = [Dimension(kind=kind, value=590.0, sigma=0.7, at=1200.0)]
    _, slope = dimension_rows(chain, drawn)
    by = differences(
        lambda v, drawn=drawn: dimension_rows(chain_of(v), drawn)[0], figures(chain), steps(chain)
    )
    np.testing.assert_allclose(slope, by, atol=1e-5 * np.abs(by).max())


@pytest.mark.parametrize("chain", [corncrake(), mixed()], ids=["five", "mixed"])
def test_gradient_of_the_gap(chain):
    by = differences(lambda v: gap(chain_of(v)), figures(chain), steps(chain))
    size = np.abs(by).max(axis=1, keepdims=True)
    np.testing.assert_allclose(gap_gradient(chain) / size, by / size, atol=1e-6)


# ---- closure and refusals ---------------------------------------------------------------


def test_closure_is_exact_after_any_small_change():
    rng = np.random.default_rng(3)
    chain = corncrake()
    for _ in range(50):
        values = figures(chain) * (1 + rng.normal(0.0, 0.02, 11))
        closed = close(chain_of(values), np.zeros(11, dtype=bool))
        assert closed is not None
        assert abs(closed.turn[-1] - np.pi) < 1e-12
        assert abs(closed.knot[-1, 0]) < 1e-8


def test_closure_leaves_held_figures_alone():
    chain = mixed()
    held = np.zeros(11, dtype=bool)
    held[[2, 5]] = True  # the straight and the last arc's curvature
    values = figures(chain)
    values[6] += 5.0
    closed = close(chain_of(values), held, most=20)
    assert closed is not None
    assert closed.curvature[1] == 0.0
    assert closed.curvature[4] == chain.curvature[4]
    assert is_closed(closed)


def test_what_cannot_be_struck_is_refused():
    with pytest.raises(LoftError, match=r"radii \[700.0, -5.0\] found"):
        strike(800.0, [700.0, -5.0], [1.0, 2.0])
    with pytest.raises(LoftError, match="rising between 0 and pi"):
        strike(800.0, [700.0, 300.0], [2.0, 1.0])
    with pytest.raises(LoftError, match="cross the centreline by"):
        strike(800.0, [300.0, 2000.0], [1.8, 2.8])


def test_the_bounds_of_the_demo_are_those_of_the_tests():
    """The joins used in these tests are where the Corncrake's closed form bends."""
    chain = corncrake()
    np.testing.assert_allclose(chain.turn[1:-1], BOUNDS, atol=1e-12)
    np.testing.assert_allclose(chain.knot[1:-1], truth(6160.0, BOUNDS), atol=1e-9)
