"""The reference body, the modes round the girth and the readings' equations."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import simulated as sim

from loft.fairing import basis
from loft.fairing.basis import chine_pull, choose_modes, evaluate, kink
from loft.fairing.equations import gradient, polar
from loft.fairing.reference import fit_reference, robust_ellipse, smooth_series
from loft.fairing.surface import fair

STEP = 1e-6


def ellipse(t, cy=30.0, cz=-80.0, a=500.0, b=700.0):
    return cy + a * np.sin(t), cz + b * np.cos(t)


# ---- modes ---------------------------------------------------------------------------------


def test_the_kink_breaks_its_slope_by_one_and_nowhere_else():
    """Second Bernoulli polynomial: jump 1 at 0, zero mean, curvature -1/(2 pi)."""
    theta = np.linspace(-np.pi, np.pi, 20001)[:-1]
    value, slope = kink(theta)
    right, left = kink(np.array([1e-9, -1e-9]))[1]
    assert right - left == pytest.approx(1.0, abs=1e-8)
    assert value.mean() == pytest.approx(0.0, abs=1e-8)  # rectangle rule on a periodic function
    smooth = np.abs(theta) > 2e-3
    assert np.gradient(value, theta)[smooth][1:-1] == pytest.approx(slope[smooth][1:-1], abs=1e-6)
    curvature = np.diff(slope[theta > 0]) / np.diff(theta[theta > 0])
    assert curvature == pytest.approx(-1 / (2 * np.pi), abs=1e-8)


@pytest.mark.parametrize(
    ("symmetry", "sines"), [("exact", 0), ("soft", basis.ODD_HARMONICS), ("off", basis.HARMONICS)]
)
def test_modes_of_each_symmetry(symmetry, sines):
    modes = choose_modes(symmetry)
    assert len(modes) == 1 + basis.HARMONICS + sines
    theta = np.linspace(-3, 3, 50)
    value, _ = evaluate(modes, theta)
    mirrored, _ = evaluate(modes, -theta)
    even = 1 + basis.HARMONICS
    assert value[:, :even] == pytest.approx(mirrored[:, :even], abs=1e-14)
    assert value[:, even:] == pytest.approx(-mirrored[:, even:], abs=1e-14)


def test_modes_are_the_harmonics():
    modes = choose_modes("off")
    theta = np.linspace(-3, 3, 13)
    value, slope = evaluate(modes, theta)
    k = np.arange(1, basis.HARMONICS + 1)
    other = np.concatenate(
        [np.ones((13, 1)), np.cos(theta[:, None] * k), np.sin(theta[:, None] * k)], 1
    )
    assert value == pytest.approx(other, abs=1e-12)
    rate = (evaluate(modes, theta + STEP)[0] - evaluate(modes, theta - STEP)[0]) / (2 * STEP)
    assert slope == pytest.approx(rate, abs=1e-7)  # differences: 1e-16/1e-6, k^3 1e-12


def test_a_mirrored_pair_of_chines_has_an_even_and_an_odd_mode():
    modes = choose_modes("soft", ((0, 1),), (False,))
    chines = np.array([2.1, -2.1])
    theta = np.linspace(-3, 3, 41)
    value, slope = evaluate(modes, theta, np.broadcast_to(chines, (41, 2)))
    mirrored, _ = evaluate(modes, -theta, np.broadcast_to(chines, (41, 2)))
    assert value[:, -2] == pytest.approx(mirrored[:, -2], abs=1e-14)
    assert value[:, -1] == pytest.approx(-mirrored[:, -1], abs=1e-14)
    assert np.abs(value[:, -1]).max() > 0.1
    assert slope.shape == (41, modes.shapes)
    assert len(choose_modes("exact", ((0, 1),), (False,))) < len(modes)


def test_pull_of_a_chine_is_the_difference_of_moving_it():
    """d rho/d(chine's angle) against central differences."""
    rng = np.random.default_rng(2)
    modes = choose_modes("soft", ((0, 1), (2, -1)), (False, True))
    theta = np.linspace(-3, 3, 30)
    chines = np.broadcast_to([2.1, -2.0, np.pi], (30, 3)).copy()
    value = np.broadcast_to(rng.normal(size=modes.shapes), (30, modes.shapes))
    pull = chine_pull(modes, value, theta, chines)
    for c in range(3):
        ahead, back = chines.copy(), chines.copy()
        ahead[:, c] += STEP
        back[:, c] -= STEP
        rise = ((evaluate(modes, theta, ahead)[0] - evaluate(modes, theta, back)[0]) * value).sum(1)
        assert pull[:, c] == pytest.approx(rise / (2 * STEP), abs=1e-7)


# ---- reference -----------------------------------------------------------------------------


def test_an_ellipse_is_found_through_blunders():
    """Clean points: to 0.2 mm; one reading in five wrong by 60 mm: to a few mm.

    The fit is pulled a little towards its points' extents (which 30 points miss by a
    few mm); it is a start for the smoother, not the shape.
    """
    t = np.linspace(-np.pi, np.pi, 31)[:-1]
    bl, wl = ellipse(t)
    assert robust_ellipse(bl, wl) == pytest.approx([30, -80, 500, 700], abs=0.2)
    bl[::5] += 60.0
    assert robust_ellipse(bl, wl) == pytest.approx([30, -80, 500, 700], abs=5.0)


def test_series_ignores_a_wild_frame_and_chooses_its_degree():
    u = np.linspace(-1, 1, 14)
    value = 3.0 + 2.0 * u - u**2
    wild = value.copy()
    wild[4] += 50.0
    series = smooth_series(u, wild, 6)[0]
    # one of 14 is out by 50: plain least squares would follow it by some 10
    assert np.polynomial.legendre.legval(u, series) == pytest.approx(value, abs=0.3)
    degrees = [
        len(smooth_series(u, value + np.random.default_rng(k).normal(0, 0.01, 14), 6)[0]) - 1
        for k in range(20)
    ]
    assert np.median(degrees) == 2  # AICc takes too high a degree now and then, never too low
    assert min(degrees) == 2


def test_reference_bends_at_a_marked_break_alone():
    """Parallel, then a taper: exact on both sides of the break, and so are its slopes."""
    x = np.linspace(0, 5500, 12)
    size = lambda x: 600 * np.exp(-1e-4 * np.maximum(x - 2700, 0))  # noqa: E731
    table = np.stack([np.zeros(12), 0.1 * np.maximum(x - 2700, 0), size(x), 1.2 * size(x)], 1)
    reference = fit_reference(x, table, centred=True, breaks=(2700.0, 9000.0))
    at = np.array([300.0, 2690.0, 2700.0, 2710.0, 5200.0])
    _, cz, a, b = reference.at(at)
    assert a == pytest.approx(size(at), abs=1e-5)
    assert b == pytest.approx(1.2 * size(at), abs=1e-5)
    assert cz == pytest.approx(0.1 * np.maximum(at - 2700, 0), abs=1e-5)
    _, climb, narrowing, _ = reference.slope(at[[1, 3]])
    assert narrowing == pytest.approx([0.0, -1e-4], abs=1e-10)
    assert climb == pytest.approx([0.0, 0.1], abs=1e-7)


def test_reference_of_a_cone_follows_its_slope():
    """log a of a straight taper is no polynomial: to 0.1 mm over a 30 % taper."""
    x = np.linspace(0, 5000, 12)
    size = 600 - 0.036 * x
    table = np.stack([np.zeros(12), 0.01 * x, size, 1.2 * size], 1)
    reference = fit_reference(x, table, centred=True)
    at = np.linspace(0, 5000, 50)
    _, cz, a, b = reference.at(at)
    assert cz == pytest.approx(0.01 * at, abs=1e-3)
    assert a == pytest.approx(600 - 0.036 * at, abs=0.1)
    assert b == pytest.approx(1.2 * (600 - 0.036 * at), abs=0.1)
    h = 0.01
    rates = reference.slope(at)
    before, after = reference.at(at - h), reference.at(at + h)
    for k, (low, high) in enumerate(zip(before, after, strict=True)):
        rate = (high - low) / (2 * h) / (1 if k < 2 else (high + low) / 2)
        assert rates[k] == pytest.approx(rate, abs=1e-8)


def test_angle_is_zero_at_the_crown_and_positive_to_starboard():
    surface = sim.exact_surface(sim.elliptic_cone(), 0, 1000)
    station = np.zeros(4)
    theta, q, *_ = polar(surface.reference, station, np.array([0, 500.0, 0, -500]),
                         np.array([700.0, 0, -700, 0]))  # fmt: skip
    assert np.abs(theta) == pytest.approx([0, np.pi / 2, np.pi, np.pi / 2], abs=1e-12)
    assert theta[1] > 0 > theta[3]
    assert q == pytest.approx(1.0, abs=1e-12)


# ---- gradients -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def fitted():
    """A chined body with soft symmetry, faired from noisy readings: every mode is at work."""
    body = sim.floored()
    frames = sim.frames_at()
    survey = sim.simulate(
        body, frames, sim.labels(24, edges=body.edges), np.random.default_rng(4), sigma=1.0
    )
    return fair(sim.make_job(frames), survey)


def test_gradient_is_the_difference_of_the_level_function(fitted):
    """grad F by station, bl and wl against central differences of F = rho - rho(theta, x)."""
    surface, reference = fitted, fitted.reference
    rng = np.random.default_rng(5)
    x = rng.uniform(100, 5400, 200)
    points = surface.points(x, rng.uniform(-2.0, 2.0, 200))
    points = points + rng.normal(0, 3, points.shape) * [0, 1, 1]

    def level(p):
        theta, q, *_ = polar(reference, *p.T)
        return q * reference.r0 - surface.shape(p[:, 0], theta)[0]

    theta, q, *_ = polar(reference, *points.T)
    _, rho_theta, rho_x = surface.shape(points[:, 0], theta)
    slope = np.stack(gradient(reference, points[:, 0], theta, q, rho_theta, rho_x), -1)
    for k in range(3):
        h = np.eye(3)[k] * 1e-3
        rise = (level(points + h) - level(points - h)) / 2e-3
        # cancellation 1e-13/1e-3 and the third derivative times 1e-6
        assert slope[:, k] == pytest.approx(rise, abs=1e-6)


def test_normals_are_outward_units_square_to_the_surface(fitted):
    surface = fitted
    rng = np.random.default_rng(6)
    x, theta = rng.uniform(100, 5400, 100), rng.uniform(-2.0, 2.0, 100)
    normal = surface.normals(x, theta)
    here = surface.points(x, theta)
    assert np.linalg.norm(normal, axis=1) == pytest.approx(1.0, abs=1e-12)
    assert (np.einsum("nk,nk->n", normal[:, 1:], here[:, 1:]) > 0).all()
    for ahead in (surface.points(x + 1e-3, theta), surface.points(x, theta + 1e-6)):
        along = (ahead - here) / np.linalg.norm(ahead - here, axis=1)[:, None]
        assert np.einsum("nk,nk->n", normal, along) == pytest.approx(0.0, abs=1e-5)  # 1st order


def test_distance_has_the_sign_and_size_of_a_step_outside(fitted):
    surface = fitted
    theta = np.linspace(-2.0, 2.0, 50)
    x = np.full(50, 2345.0)
    here = surface.points(x, theta)
    in_plane = surface.slopes(x, theta)[:, 1:]
    in_plane /= np.linalg.norm(in_plane, axis=1)[:, None]
    for step in (2.0, -2.0):
        moved = here[:, 1:] + step * in_plane
        # first order: the curvature's share is step^2/(2 R), R about 300 at the least
        assert surface.distance(x, *moved.T) == pytest.approx(step, abs=0.02)


def test_sd_follows_the_spread_of_the_coefficients(fitted):
    """sd at points of mixed stations is that of each station by itself."""
    surface = fitted
    theta = np.array([0.3, 1.0, -2.0])
    x = np.array([700.0, 2500.0, 700.0])
    got = surface.sd(x, theta)
    steep = np.hypot(*surface.slopes(x, theta)[:, 1:].T)
    for k in range(3):
        row = surface.design(x[k], theta[k : k + 1])[0]
        covariance = surface.spread(float(x[k]))[1]
        assert got[k] == pytest.approx(np.sqrt(row @ covariance @ row) / steep[k], rel=1e-9)


def test_design_is_the_derivative_by_every_coefficient(fitted):
    """Move each coefficient at a knot: the section there moves as `design` says."""
    surface = fitted
    at = int(np.argmin(np.abs(surface.fit.run.station - 2500.0)))
    x, theta = surface.fit.run.station[at], np.array([0.2, 1.1, 2.0, -0.8])
    design = surface.design(float(x), theta)
    b = len(surface.fit.modes)
    for k in range(surface.fit.modes.shapes):
        states = surface.fit.posterior.states.copy()
        states[at, k] += 1e-4
        moved = replace(surface.fit, posterior=replace(surface.fit.posterior, states=states))
        rise = replace(surface, fit=moved).shape(x, theta)[0] - surface.shape(x, theta)[0]
        assert design[:, k] == pytest.approx(rise / 1e-4, abs=1e-7)
    assert design[:, b:] == pytest.approx(0.0, abs=0)
