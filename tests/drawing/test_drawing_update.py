"""A lifted section bettered by its drawing: limits, gain, honesty, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from half_sections import F14, TRUE, drawn

from loft.corncrake import true_deviation, true_section
from loft.drawing.check import check_facts
from loft.drawing.update import departure, update_section
from loft.job.errors import LoftError

FINEST = 420.0
CENTRELINE = (3.0, 0.005)


def outline() -> tuple[np.ndarray, np.ndarray]:
    """The true section every 30 mm with its outward normals."""
    fine = true_section("F14", step=5.0)
    run = np.roll(fine, -1, axis=0) - np.roll(fine, 1, axis=0)
    normal = np.stack([-run[:, 1], run[:, 0]], axis=-1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return fine[::6], normal[::6]


def waves(points: np.ndarray, order: int) -> np.ndarray:
    step = np.hypot(*(np.roll(points, -1, axis=0) - points).T)
    angle = 2 * np.pi * (np.cumsum(step) - step) / step.sum()
    turns = angle[:, None] * np.arange(1, order + 1)
    return np.concatenate([np.ones((len(points), 1)), np.cos(turns), np.sin(turns)], axis=1)


def lifted(
    rng: np.random.Generator, *, sd: float = 0.2, finer: float = 0.6
) -> tuple[np.ndarray, ...]:
    """A section as a surface of eleven waves gives it: what is finer it does not see."""
    points, normal = outline()
    basis = waves(points, 11)
    covariance = sd**2 * basis @ basis.T
    error = basis @ rng.normal(0.0, sd, basis.shape[1])
    angle = np.arctan2(points[:, 0], points[:, 1] - 900.0)
    unseen = finer * np.cos(13 * angle)  # of which its covariance knows nothing
    return points + (error + unseen)[:, None] * normal, normal, covariance


def bettered(points, normal, covariance, *, facts=None, sd=0.5):
    check = check_facts(
        drawn(**TRUE) if facts is None else facts,
        F14,
        outline=points,
        covariance=covariance + departure(points, sd=sd),
        finest=FINEST,
        centreline=CENTRELINE,
    )
    return check, update_section(
        points, normal, covariance=covariance, fit=check.reading.fit, sd=sd, finest=FINEST
    )


def error_of(points: np.ndarray) -> np.ndarray:
    return true_deviation(6160.0, points[:, 0], points[:, 1])


def test_the_drawing_betters_the_section_and_its_band_stays_honest():
    """Errors shrink by a third or more, and the 95 % band holds 95 % or more.

    The metal here is exactly as struck, so the departure allowed for makes it wider.
    """
    rng = np.random.default_rng(31)
    before, after, held = [], [], []
    for _ in range(6):
        points, normal, covariance = lifted(rng)
        check, better = bettered(points, normal, covariance)
        assert all(line.verdict != "contradicted" for line in check.facts)
        before.append(error_of(points))
        after.append(error_of(better.position))
        held.append(np.abs(after[-1]) < 1.96 * better.sd)
    assert np.sqrt(np.mean(np.square(after))) < 0.67 * np.sqrt(np.mean(np.square(before)))
    assert np.mean(held) >= 0.95


def test_metal_that_departs_from_the_arcs_is_not_forced_onto_them():
    """Departures drawn from the stated law: the band holds them as often as it says."""
    rng = np.random.default_rng(32)
    points, normal = outline()
    root = np.linalg.cholesky(departure(points, sd=1.0) + 1e-12 * np.eye(len(points)))
    basis = waves(points, 11)
    covariance = 0.3**2 * basis @ basis.T
    held = []
    for _ in range(8):
        metal = points + (root @ rng.normal(size=len(points)))[:, None] * normal
        coarse = basis @ np.linalg.lstsq(basis, error_of(metal), rcond=None)[0]
        seen = points + (coarse + basis @ rng.normal(0.0, 0.3, 23))[:, None] * normal
        _, better = bettered(seen, normal, covariance, sd=1.0)
        away = error_of(better.position) - error_of(metal)
        held.append(np.mean(np.abs(away) < 1.96 * better.sd))
    # the outline's points hang together: eight sections, each with its own share
    assert np.mean(held) == pytest.approx(0.95, abs=3 * np.std(held) / np.sqrt(8) + 0.02)


def test_a_drawing_that_says_nothing_leaves_the_section_as_it_was():
    points, normal, covariance = lifted(np.random.default_rng(33))
    _, some = bettered(points, normal, covariance)
    check, _ = bettered(points, normal, covariance)
    covariance = covariance + 0.01 * np.eye(len(points))
    free = update_section(
        points, normal, covariance=covariance, fit=check.reading.fit, sd=1e4, reach=100.0
    )
    assert np.abs(free.moved).max() < 1e-3 < np.abs(some.moved).max()
    np.testing.assert_allclose(free.covariance, covariance, atol=1e-4)


def test_metal_that_follows_the_drawing_exactly_becomes_the_struck_chain():
    """As the departure vanishes the line has no more freedom than the chain has figures."""
    points, normal, covariance = lifted(np.random.default_rng(34), sd=0.05, finer=0.0)
    covariance = covariance + 0.01 * np.eye(len(points))
    check, _ = bettered(points, normal, covariance)
    exact = update_section(
        points, normal, covariance=covariance, fit=check.reading.fit, sd=1e-4, reach=100.0
    )
    assert np.abs(error_of(exact.position)).max() < 0.3  # three of its largest sd
    # 11 figures less 2 of closure, and 2 of the centreline
    values = np.linalg.eigvalsh(exact.covariance)
    assert (values > 1e-5 * values[-1]).sum() <= 11


def test_the_update_never_widens_the_band():
    points, normal, covariance = lifted(np.random.default_rng(35))
    covariance = covariance + 0.05 * np.eye(len(points))
    check, _ = bettered(points, normal, covariance)
    better = update_section(points, normal, covariance=covariance, fit=check.reading.fit)
    smallest = np.linalg.eigvalsh(covariance - better.covariance)[0]
    assert smallest > -1e-9 * np.trace(covariance)


def test_a_closed_form_of_one_figure():
    """A circle whose radius is drawn, lifted with one common error: two weights, one mean.

    Lifted radius 603 with sd 3; drawn 600 with sd 4; the metal's departure is nothing.
    The mean is 603 - 3 * 9 / 25 = 601.92, with sd 3 * 4 / 5 = 2.4.
    """
    from loft.drawing.chain import Chain
    from loft.drawing.dimensions import Dimension
    from loft.drawing.readings import read_points
    from loft.drawing.solve import Task, settle

    angle = np.linspace(0.0, 2 * np.pi, 72, endpoint=False)
    normal = np.stack([np.sin(angle), np.cos(angle)], axis=-1)
    covariance = 9.0 * np.ones((72, 72)) + 1e-4 * np.eye(72)
    readings = read_points([], 1.0, outline=603.0 * normal, covariance=covariance)
    task = Task(
        readings=readings,
        straight=(False,),
        dimensions=(Dimension(kind="radius", value=600.0, sigma=4.0, element=0),),
    )
    start = Chain(crown=603.0, curvature=np.array([1 / 603.0]), length=np.array([603 * np.pi]))
    better = update_section(
        603.0 * normal, normal, covariance=covariance, fit=settle(start, task), sd=1e-4
    )
    # curvature for radius: second order in 3/600, and the jitter on the covariance
    np.testing.assert_allclose(603.0 + better.moved, 601.92, atol=0.03)
    np.testing.assert_allclose(better.sd, 2.4, atol=0.02)


def test_a_wrong_drawing_is_not_forced_on_the_section():
    """A bilge of 480 for 330 is contradicted and left out of the update."""
    points, normal, covariance = lifted(np.random.default_rng(36))
    facts = drawn(**(TRUE | {"bilge": 480.0}))
    check, better = bettered(points, normal, covariance, facts=facts)
    assert [one.arc for one in check.facts if one.verdict == "contradicted"] == ["bilge"]
    assert np.sqrt(np.mean(error_of(better.position) ** 2)) < 0.6


def test_bad_input_is_refused():
    points, normal, covariance = lifted(np.random.default_rng(37))
    check, _ = bettered(points, normal, covariance)
    fit = check.reading.fit
    with pytest.raises(LoftError, match="both more than 0 wanted"):
        departure(points, sd=0.0)
    with pytest.raises(LoftError, match="covariance"):
        update_section(points, normal, covariance=covariance[:3], fit=fit)
    with pytest.raises(LoftError, match=r"both \(n, 2\)"):
        update_section(points, normal[:5], covariance=covariance, fit=fit)
    with pytest.raises(LoftError, match="check the drawing's facts before it is used"):
        update_section(points + [0.0, 200.0], normal, covariance=covariance, fit=fit)
