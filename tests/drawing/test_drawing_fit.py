"""Fitting chains: published circle, invariances, stated uncertainty, make-up, refusals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from half_sections import (
    both_halves,
    corncrake,
    flared,
    moved,
    published,
    survey,
    three_arcs,
)
from scipy.stats import binom, chi2, norm

from loft.drawing.chain import Chain, gap, project, strike, walk
from loft.drawing.closure import chain_of, close, figures, is_closed, scales
from loft.drawing.conic import CIRCLE, Conic, fit_conic, from_conic
from loft.drawing.diagnosis import (
    CHI_95,
    DETECT,
    REJECT,
    diagnose,
    line_covariance,
    profile_radius,
    radius_interval,
)
from loft.drawing.dimensions import Dimension
from loft.drawing.readings import finest_wave, harmonics, read_points
from loft.drawing.search import fit_arcs, fit_count
from loft.drawing.solve import Task, free_directions, rows, settle
from loft.job.errors import LoftError

FREE = (1e5, 0.0)  # the centreline may stand anywhere, upright


def settled(chain, points, sigma, *, dimensions=(), loss="", centreline=(0.0, 0.0)):
    readings = read_points(points, sigma, centreline=centreline)
    task = Task(
        readings=readings,
        straight=tuple(np.isinf(chain.radius)),
        dimensions=tuple(dimensions),
        loss=loss,
    )
    return settle(chain, task)


# ---- published --------------------------------------------------------------------------


def test_published_circle_fit():
    """Gander, Golub, Strebel, BIT 34 (1994) 558-578; result text of Chernov's test program.

    One arc all round is a circle; its centre is the centreline's shift and the crown
    less the radius. The points are taken a hundred times the size.
    """
    case = published("A1")
    points = 100.0 * np.array(case["inputs"]["points"])
    start = Chain(crown=700.0, curvature=np.array([1 / 400.0]), length=np.array([400 * np.pi]))
    readings = read_points(points, 1.0, centreline=FREE)
    fit = settle(start, Task(readings=readings, straight=(False,)), lean=(500.0, 0.0), enough=1e-15)
    radius = fit.chain.radius[0]
    expected = case["expected"]
    centre = np.array([fit.lean[0], fit.chain.crown - radius]) / 100
    # the six printed decimals, and the prior of the centreline, which pulls by 1e-8
    np.testing.assert_allclose(centre, expected["center"], atol=1e-6)
    assert radius / 100 == pytest.approx(expected["radius"], abs=1e-6)
    squares = np.sum(fit.row[:-1] ** 2) / 1e4
    assert squares == pytest.approx(expected["ssq"], abs=1e-8)


def test_distances_from_a_published_circle_that_is_not_the_best():
    """Chernov's test program: rms distance of the same points from Taubin's circle."""
    case = published("A2")
    points = 100.0 * np.array(case["inputs"]["points"])
    out, level = 100.0 * np.array(case["expected"]["center"])
    radius = 100.0 * case["expected"]["radius"]
    ring = Chain(
        crown=level + radius, curvature=np.array([1 / radius]), length=np.array([np.pi * radius])
    )
    folded = np.stack([np.abs(points[:, 0] - out), points[:, 1]], axis=-1)
    distance = project(ring, folded).distance
    rms = np.sqrt(np.mean(distance**2)) / 100.0
    assert rms == pytest.approx(case["expected"]["sigma_rms"], abs=5e-7)


def from_ellipse(values: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Distances from an ellipse (centre, semi-axes, turn): four conics, folded onto one."""
    bl, height, long, short, turn = values
    own = (points - [bl, height]) @ [
        [np.cos(turn), -np.sin(turn)],
        [np.sin(turn), np.cos(turn)],
    ]
    quarter = Conic(
        start=np.array([0.0, short]),
        corner=np.array([long, short]),
        end=np.array([long, 0.0]),
        rho=CIRCLE,
    )
    return from_conic(quarter, np.abs(own))


def test_published_ellipse_fit():
    """Gander, Golub, Strebel, BIT 34 (1994), its ellipse: printed figures from memory."""
    from scipy.optimize import least_squares

    case = published("A4")
    points, expected = np.array(case["inputs"]["points"], float), case["expected"]
    best = [*expected["center"], expected["a"], expected["b"], expected["alpha_rad"]]
    found = least_squares(from_ellipse, best, args=(points,), xtol=1e-12, ftol=1e-12)
    np.testing.assert_allclose(found.x, best, atol=1e-4)
    assert np.sqrt(2 * found.cost) == pytest.approx(expected["residual_norm"], abs=1e-6)


def test_published_standard_deviations_of_an_ellipse():
    """ODRPACK User Guide p. 49, implicit example: the text as SciPy's own tests hold it.

    Their figures are the coefficients of b3 (x - b1)^2 + 2 b4 (x - b1)(y - b2) +
    b5 (y - b2)^2 = 1; the covariance is carried over to them by differences.
    """
    from scipy.optimize import approx_fprime, least_squares

    case = published("A5")
    points = np.stack([case["inputs"]["x"], case["inputs"]["y"]], -1)
    expected = case["expected"]

    def coefficients(values):
        axes = np.array([[np.cos(values[4]), np.sin(values[4])]])
        axes = np.concatenate([axes, axes[:, ::-1] * [-1.0, 1.0]])
        form = axes.T @ np.diag(values[2:4] ** -2.0) @ axes
        return np.array([*values[:2], form[0, 0], form[0, 1], form[1, 1]])

    start = [-1.0, -3.0, *expected["semi_axes"], np.deg2rad(expected["angle_deg"])]
    found = least_squares(from_ellipse, start, args=(points,), xtol=1e-14, ftol=1e-14)
    beta = coefficients(found.x)
    # a plain orthogonal fit and theirs differ by up to 8e-7
    np.testing.assert_allclose(beta, expected["beta"], atol=2e-6)
    assert 2 * found.cost == pytest.approx(expected["ssq"], abs=1e-7)
    by = approx_fprime(found.x, coefficients, 1e-7)
    spread = np.linalg.inv(found.jac.T @ found.jac) * 2 * found.cost / (len(points) - 5)
    sd = np.sqrt(np.diag(by @ spread @ by.T))
    np.testing.assert_allclose(sd, expected["sd"], rtol=1e-3)


def test_a_general_least_squares_finds_the_same_minimum():
    """A library's trust region on the very same rows, closure as rows of great weight."""
    from scipy.optimize import least_squares

    true = corncrake()
    points = survey(true, 30, 1.0, np.random.default_rng(50))
    ours = settled(true, points, 1.0)
    size = scales(true)

    def rival(values):
        chain = chain_of(values * size)
        return np.concatenate([rows(chain, np.zeros(2), ours.task)[0], [1e4, 10.0] * gap(chain)])

    found = least_squares(rival, figures(true) / size, xtol=1e-12, ftol=1e-12, gtol=1e-12)
    assert 2 * found.cost == pytest.approx(ours.cost, rel=1e-3)
    bend = (found.x * size)[1:6]
    away = np.abs(bend - ours.chain.curvature) / diagnose(ours).sd_curvature
    assert away.max() < 0.02


def test_statistics_constants():
    """Baarda (1968) by way of the normal distribution; 3.841 of the NIST table from memory."""
    case = published("C12")["expected"]
    assert pytest.approx(case["w_crit"], abs=1e-6) == REJECT
    assert pytest.approx(case["delta0"], abs=1e-6) == DETECT
    assert pytest.approx(published("I2")["expected"]["chi2_95_1"], abs=5e-4) == CHI_95
    assert norm.isf(0.0005) == pytest.approx(REJECT, abs=1e-12)
    assert norm.isf(0.0005) + norm.isf(0.2) == pytest.approx(DETECT, abs=1e-8)
    assert chi2.isf(0.05, 1) == pytest.approx(CHI_95, abs=1e-12)


# ---- stated uncertainty -----------------------------------------------------------------


def test_sd_of_a_short_arc_is_its_closed_form():
    """sigma_R = (sigma R^2 / L^2) sqrt(720 (N-1)^3 / (N (N+1) (N^2-4))), N even points.

    The information limit of a parabola's curvature; R 5000 over 600 mm departs from a
    parabola by 4e-4 of itself, and the circle's own sd by about twice that.
    """
    radius, length, count, sigma = 5000.0, 600.0, 10, 1.0
    chain = Chain(crown=0.0, curvature=np.array([1 / radius]), length=np.array([radius * np.pi]))
    middle = 0.5 * radius * np.pi
    points = walk(chain, middle + np.linspace(-length / 2, length / 2, count))[0]
    fit = settled(chain, points, sigma, centreline=(1e8, 0.0))
    shape = 720 * (count - 1) ** 3 / (count * (count + 1) * (count**2 - 4))
    expected = sigma * radius**2 / length**2 * np.sqrt(shape)
    sd = diagnose(fit).sd_curvature[0] * radius**2
    assert expected == pytest.approx(490.0, abs=0.5)
    assert sd == pytest.approx(expected, rel=2e-3)


def coverage_bounds(count: int, share: float) -> tuple[float, float]:
    """Return the shares between which all but one in a thousand such counts fall."""
    return tuple(binom.ppf([0.0005, 0.9995], count, share) / count)


def test_stated_intervals_hold_the_truth_as_often_as_they_claim():
    rng = np.random.default_rng(11)
    true = corncrake()
    girth = np.linspace(0.0, true.length.sum(), 25)
    held, line = [], []
    for _ in range(150):
        fit = settled(true, survey(true, 40, 0.5, rng), 0.5)
        found = diagnose(fit)
        for index in range(5):
            low, high = radius_interval(
                fit.chain.curvature[index], found.sd_curvature[index], times=1.96
            )
            held.append(low <= true.radius[index] <= high)
        at = np.linspace(0.0, fit.chain.length.sum(), 25)
        sd = np.sqrt(np.diag(line_covariance(fit, found, at)[0]))
        away = project(fit.chain, walk(true, girth)[0]).distance
        line.append(np.abs(away) <= 1.96 * sd)
    # figures of one survey hang together: judged as if each survey were one trial
    low, high = coverage_bounds(150, 0.95)
    assert low <= np.mean(held) <= high
    assert low <= np.mean(line) <= high


def test_an_error_of_the_detectable_size_is_seen_four_times_in_five():
    """Baarda's smallest detectable error, 0.1 % and 80 %."""
    rng = np.random.default_rng(12)
    true = corncrake()
    top = Dimension(kind="top", value=true.crown, sigma=0.5)
    points = survey(true, 40, 1.0, rng)
    sound = diagnose(settled(true, points, 1.0, dimensions=[top]))
    size = DETECT * top.sigma / np.sqrt(sound.redundancy[-1])
    seen = []
    for _ in range(200):
        wrong = replace(top, value=true.crown + size + rng.normal(0.0, top.sigma))
        fit = settled(true, survey(true, 40, 1.0, rng), 1.0, dimensions=[wrong])
        seen.append(abs(diagnose(fit).standardised[-1]) > REJECT)
    low, high = coverage_bounds(200, 0.8)
    assert low <= np.mean(seen) <= high


def test_redundancies_sum_to_the_degrees_of_freedom():
    rng = np.random.default_rng(13)
    true = corncrake()
    drawn = [Dimension(kind="radius", value=2200.0, sigma=0.001, element=2)]
    fit = settled(true, survey(true, 30, 1.0, rng), 1.0, dimensions=drawn)
    found = diagnose(fit)
    assert found.redundancy.sum() == pytest.approx(31 - 9, abs=1e-8)
    # a thousandth of a millimetre on a radius known to tens: far below 1 - leverage's reach
    assert 0 < found.redundancy[-1] < 1e-8


def test_profile_agrees_with_the_covariance_where_an_arc_is_well_read():
    rng = np.random.default_rng(14)
    true = corncrake()
    fit = settled(true, survey(true, 80, 0.5, rng), 0.5)
    sd = diagnose(fit).sd_curvature[1]
    expected = radius_interval(fit.chain.curvature[1], sd, times=np.sqrt(CHI_95))
    np.testing.assert_allclose(profile_radius(fit, 1), expected, rtol=0.02)


def test_profile_is_wider_than_the_covariance_on_an_unread_arc():
    """An arc with one reading is a free fillet: many radii pass."""
    rng = np.random.default_rng(15)
    true = corncrake()
    points = survey(true, 40, 1.0, rng)
    element = project(true, points).element
    bare = points[(element != 3) | (np.cumsum(element == 3) == 3)]
    fit = settled(true, bare, 1.0)
    sd = diagnose(fit).sd_curvature[3]
    low, high = profile_radius(fit, 3)
    by_sd = radius_interval(fit.chain.curvature[3], sd, times=np.sqrt(CHI_95))
    assert low <= true.radius[3] <= high
    assert high - low > 0.9 * (by_sd[1] - by_sd[0])


# ---- invariance -------------------------------------------------------------------------


def test_datum_order_and_mirror_do_not_matter():
    rng = np.random.default_rng(16)
    points = survey(corncrake(), 36, 1.0, rng)
    plain = settled(corncrake(), points, 1.0).chain
    again = settled(corncrake(), points[rng.permutation(36)], 1.0).chain
    port = settled(corncrake(), points * [-1.0, 1.0], 1.0).chain
    high = strike(corncrake().crown + 1000.0, corncrake().radius[:4], corncrake().turn[1:5])
    up = settled(high, points + [0.0, 1000.0], 1.0).chain
    for other in (again, port, up):
        np.testing.assert_allclose(other.curvature, plain.curvature, rtol=1e-5)
    assert up.crown == pytest.approx(plain.crown + 1000.0, abs=1e-3)


def test_shift_and_lean_of_the_centreline_are_found():
    true = corncrake()
    girth = np.linspace(20.0, true.length.sum() - 20.0, 30)
    points = both_halves(walk(true, girth)[0])
    pivot = float(points[:, 1].mean())
    turned = moved(points, 6.0, 0.01, pivot)
    fit = settled(true, turned, 0.5, centreline=(1e4, 1.0))
    # exact data: what is left is the pull of the priors and of the pivot's own shift
    assert fit.lean[1] == pytest.approx(0.01, abs=1e-6)
    assert fit.lean[0] == pytest.approx(6.0, abs=2e-3)
    np.testing.assert_allclose(fit.chain.radius, true.radius, rtol=1e-5)


def test_lean_of_a_survey_is_positive_to_starboard():
    """One point by hand: the crown of a section that leans to starboard has positive bl."""
    assert moved(np.array([[0.0, 1700.0]]), 0.0, 0.01, 900.0)[0, 0] > 0


def test_an_outline_with_independent_errors_is_the_same_as_single_readings():
    rng = np.random.default_rng(17)
    points = survey(corncrake(), 36, 1.3, rng)
    single = settled(corncrake(), points, 1.3)
    readings = read_points([], 1.0, outline=points, covariance=1.69 * np.eye(36))
    whole = settle(corncrake(), Task(readings=readings, straight=(False,) * 5))
    np.testing.assert_allclose(whole.chain.curvature, single.chain.curvature, rtol=1e-6)
    assert whole.cost == pytest.approx(single.cost, rel=1e-9)


def test_readings_and_a_lifted_outline_in_one_fit_add_up():
    """Independent evidence: the informations add, and so does the cost."""
    true, rng = corncrake(), np.random.default_rng(51)
    girth = np.linspace(0.0, true.length.sum(), 50)
    line, normals, _, _ = walk(true, girth)
    covariance = np.exp(-np.abs(girth[:, None] - girth) / 150.0) + 0.04 * np.eye(50)
    line = line + (np.linalg.cholesky(covariance) @ rng.normal(size=50))[:, None] * normals
    points = survey(true, 30, 1.0, rng)

    def fitted(points, **outline):
        return settle(
            true, Task(readings=read_points(points, 1.0, **outline), straight=(False,) * 5)
        )

    given = {"outline": line, "covariance": covariance}
    apart, lifted, both = fitted(points), fitted([], **given), fitted(points, **given)
    # along the same free directions, about the joint fit
    free = free_directions(both.chain, both.task.fixed)
    parts = [rows(both.chain, both.lean, one.task)[1] @ free for one in (apart, lifted)]
    total = sum(part.T @ part for part in parts)
    expected = free @ np.linalg.inv(total) @ free.T
    np.testing.assert_allclose(
        np.sqrt(np.diag(diagnose(both).covariance)[:-2]),
        np.sqrt(np.diag(expected)[:-2]),
        rtol=1e-6,
    )
    at_both = [rows(both.chain, both.lean, one.task)[0] for one in (apart, lifted)]
    assert both.cost == pytest.approx(sum(row @ row for row in at_both), rel=1e-9)
    spread = [np.diag(line_covariance(one, diagnose(one), girth)[0]) for one in (apart, lifted)]
    joint = np.diag(line_covariance(both, diagnose(both), girth)[0])
    assert (joint < 1.02 * np.minimum(*spread)).all()


def test_common_error_of_an_outline_is_not_averaged_away():
    """All heights share an error of 5 mm sd: the crown is known no better than that."""
    chain = three_arcs()
    points, normals, _, _ = walk(chain, np.linspace(0.0, chain.length.sum(), 60))
    up = normals[:, 1]
    readings = read_points(
        [], 1.0, outline=points, covariance=25.0 * np.outer(up, up) + 0.01 * np.eye(60)
    )
    fit = settle(chain, Task(readings=readings, straight=(False,) * 3))
    sd = np.sqrt(diagnose(fit).covariance[0, 0])
    assert sd == pytest.approx(5.0, rel=0.01)


def test_harmonics_leave_out_what_is_finer():
    angle = np.linspace(0.0, 2 * np.pi, 180, endpoint=False)
    ring = 500.0 * np.stack([np.sin(angle), np.cos(angle)], axis=-1)
    basis = harmonics(ring, 2 * np.pi * 500.0 / 8.5)
    assert np.linalg.norm(basis.T @ np.cos(8 * angle)) == pytest.approx(np.sqrt(90), rel=1e-9)
    assert np.linalg.norm(basis.T @ np.cos(9 * angle)) == pytest.approx(0.0, abs=1e-9)


# ---- make-up ----------------------------------------------------------------------------


def test_fewest_arcs_are_found_and_their_radii():
    rng = np.random.default_rng(18)
    found = fit_arcs(survey(corncrake(), 60, 0.5, rng), 0.5)
    assert found.best.words() == "5 arcs"
    assert found.words() == "5 arcs"
    assert found.best.p > 0.001
    np.testing.assert_allclose(found.best.fit.chain.radius, corncrake().radius, rtol=0.1)
    assert is_closed(found.best.fit.chain)


def test_a_straight_side_is_found_as_a_straight():
    rng = np.random.default_rng(19)
    bend = np.array([1 / 700, 1 / 320, 0.0, 1 / 900])
    length = np.array([500.0, 240.0, 600.0, 900.0])
    true = close(Chain(crown=900.0, curvature=bend, length=length), np.zeros(9, dtype=bool))
    found = fit_arcs(survey(true, 50, 0.5, rng), 0.5, conics=False)
    assert found.best.words() == "3 arcs and 1 straight"
    np.testing.assert_allclose(found.best.fit.chain.radius[:2], [700.0, 320.0], rtol=0.03)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_reverse_curve_is_found_where_nothing_convex_explains_the_readings(seed):
    """The mould line within four of its stated deviations; hollow there, and there only."""
    true = flared()
    found = fit_arcs(survey(true, 40, 0.7, np.random.default_rng(seed)), 0.7, conics=False)
    assert found.best.words() == "4 arcs and 1 reverse curve"
    assert (np.sign(found.best.fit.chain.curvature) == [1, 1, -1, 1, 1]).all()
    assert found.best.p > 0.001
    girth = np.linspace(0.0, true.length.sum(), 200)
    spread, _ = line_covariance(found.best.fit, diagnose(found.best.fit), girth)
    away = project(found.best.fit.chain, walk(true, girth)[0]).distance
    assert (np.abs(away) < 4 * np.sqrt(np.diag(spread)) + 0.05).all()


def test_a_convex_section_keeps_clear_of_reverse_curves():
    """One blunder bends no arc outwards: a poor fit is not explained by a dent."""
    for seed in range(6):
        points = survey(corncrake(), 40, 0.7, np.random.default_rng(seed))
        found = fit_arcs(points, 0.7, conics=False)
        assert not found.best.hollows
        points[20] *= 1 - 5.0 / np.hypot(*points[20])
        assert not fit_arcs(points, 0.7, conics=False, robust=True).best.hollows


def test_every_alternative_within_six_is_told():
    rng = np.random.default_rng(20)
    found = fit_arcs(survey(corncrake(), 24, 3.0, rng), 3.0, conics=False)
    for other in found.alternatives:
        assert found.best.bic <= other.bic < found.best.bic + 6
    sound = [one for one in found.tried if one.sound and one.bic < found.best.bic + 6]
    assert len(sound) == 1 + len(found.alternatives)


def test_the_known_number_is_fitted_as_well_as_from_the_truth():
    rng = np.random.default_rng(21)
    for count, sigma in ((12, 1.0), (20, 1.0), (40, 2.0)):
        points = survey(corncrake(), count, sigma, rng)
        fit = fit_count(read_points(points, sigma), 5)
        assert fit is not None
        assert fit.cost <= settled(corncrake(), points, sigma).cost + 0.02


def test_robust_fit_is_not_moved_by_blunders():
    rng = np.random.default_rng(22)
    points = survey(corncrake(), 60, 1.0, rng)
    points[[7, 23, 41]] += [[0.0, 40.0], [25.0, 0.0], [30.0, 10.0]]
    plain = fit_arcs(points, 1.0, conics=False, most_arcs=5).best.fit
    robust = fit_arcs(points, 1.0, conics=False, robust=True, most_arcs=5).best.fit
    line = walk(corncrake(), np.linspace(0.0, corncrake().length.sum(), 200))[0]
    away = [np.abs(project(fit.chain, line).distance).max() for fit in (plain, robust)]
    # three sigma of a mould line that 60 readings of 1 mm carry, a little over 1 mm
    assert away[1] < 3.0 < away[0]


def oval(rho: float) -> list[Conic]:
    upper = Conic(
        start=np.array([0.0, 800.0]),
        corner=np.array([600.0, 800.0]),
        end=np.array([600.0, 0.0]),
        rho=rho,
    )
    lower = Conic(
        start=np.array([600.0, 0.0]),
        corner=np.array([600.0, -700.0]),
        end=np.array([0.0, -700.0]),
        rho=rho + 0.05,
    )
    return [upper, lower]


def test_a_conic_section_is_told_from_arcs_and_arcs_from_conics():
    rng = np.random.default_rng(23)
    points = np.concatenate([one.at(np.linspace(0.02, 0.98, 20))[0] for one in oval(0.48)])
    points += rng.normal(0.0, 0.7, points.shape)
    assert fit_arcs(points, 0.7).words().startswith("two conics a side")
    assert "conic" not in fit_arcs(survey(corncrake(), 40, 0.7, rng), 0.7).words()


def test_shoulder_parameter_is_found_within_its_stated_error():
    rng = np.random.default_rng(24)
    miss = []
    for _ in range(30):
        points = np.concatenate([one.at(np.linspace(0.02, 0.98, 15))[0] for one in oval(0.48)])
        fit = fit_conic(read_points(points + rng.normal(0.0, 1.0, points.shape), 1.0))
        miss.append([(fit.upper.rho - 0.48) / fit.sd[4], (fit.lower.rho - 0.53) / fit.sd[5]])
    # 60 standardised errors: their mean square lies within the 0.1 % limits of chi-squared
    square = np.mean(np.square(miss))
    assert chi2.ppf(0.0005, 60) / 60 < square < chi2.ppf(0.9995, 60) / 60


# ---- conics in closed form --------------------------------------------------------------


def quarter(radius: float) -> Conic:
    return Conic(
        start=np.array([0.0, radius]),
        corner=np.array([radius, radius]),
        end=np.array([radius, 0.0]),
        rho=CIRCLE,
    )


def test_quarter_circle_as_a_conic():
    """trade value 33 and the standard result (Piegl & Tiller; Liming 1944, from memory)."""
    case = published("T33")
    point = quarter(10.0).at([case["inputs"]["t"]])[0][0]
    np.testing.assert_allclose(point, case["expected"]["point"], atol=1e-6)
    assert np.hypot(*point) == pytest.approx(10.0, abs=1e-14)
    assert pytest.approx(published("E4")["expected"]["rho"], abs=1e-11) == CIRCLE
    assert quarter(10.0).weight == pytest.approx(published("E4")["expected"]["w"], abs=1e-11)


def test_shoulder_points_of_a_box():
    """trade value 34: form from memory, values recomputed."""
    case = published("T34")
    box = {key: np.array(case["inputs"][key], dtype=float) for key in ("start", "corner", "end")}
    for rho, expected in zip(case["inputs"]["rho"], case["expected"]["shoulder"], strict=True):
        conic = Conic(**box, rho=rho)
        np.testing.assert_allclose(conic.shoulder, expected, atol=5e-5)
        np.testing.assert_allclose(conic.at([0.5])[0][0], conic.shoulder, atol=1e-12)


def test_weight_of_a_sixty_degree_arc():
    """trade value 35: w = cos(half the arc)."""
    case = published("T35")
    half = np.deg2rad(case["inputs"]["arc_deg"]) / 2
    arc = Conic(
        start=np.array([-np.sin(half), np.cos(half)]),
        corner=np.array([0.0, 1 / np.cos(half)]),
        end=np.array([np.sin(half), np.cos(half)]),
        rho=case["expected"]["rho"],
    )
    assert arc.weight == pytest.approx(case["expected"]["weight"], abs=3e-6)
    np.testing.assert_allclose(np.hypot(*arc.at(np.linspace(0, 1, 9))[0].T), 1.0, atol=1e-6)


# ---- refusals ---------------------------------------------------------------------------


def test_too_little_is_refused_with_what_is_wanted():
    points = survey(corncrake(), 5, 1.0, np.random.default_rng(0))
    with pytest.raises(LoftError, match="5 readings found, at least 6 wanted"):
        fit_arcs(points, 1.0)
    with pytest.raises(LoftError, match=r"all readings lie within 7\.0 mm"):
        fit_arcs(np.array([[600.0, 0.0]]) + np.arange(8)[:, None], 1.0)
    with pytest.raises(LoftError, match="6 readings found, more than 6 wanted"):
        fit_conic(read_points(survey(corncrake(), 6, 1.0, np.random.default_rng(0)), 1.0))


def test_bad_readings_are_refused_all_at_once():
    with pytest.raises(LoftError) as refused:
        read_points([[0.0, 600.0], [np.nan, 0.0]], [1.0, -1.0])
    text = str(refused.value)
    assert "sigma that is not positive" in text
    assert "point 2 lacks bl or wl" in text
    with pytest.raises(LoftError, match="3 sigmas found for 2 points"):
        read_points([[0.0, 600.0], [1.0, 0.0]], [1.0, 1.0, 1.0])


def test_bad_outlines_are_refused():
    line = walk(three_arcs(), np.linspace(0.0, three_arcs().length.sum(), 40))[0]
    with pytest.raises(LoftError, match="not positive definite"):
        read_points([], 1.0, outline=line, covariance=np.ones((40, 40)) - np.eye(40))
    with pytest.raises(LoftError, match="covariance of 3 rows found for an outline of 40"):
        read_points([], 1.0, outline=line, covariance=np.ones((3, 40)))
    with pytest.raises(LoftError, match="a whole closed section is wanted"):
        read_points([], 1.0, outline=line, covariance=np.eye(40), finest=400.0)
    with pytest.raises(LoftError, match="at least 6 wanted"):
        finest_wave([0.0, 100.0], 4000.0)


def test_points_of_no_section_still_end_in_an_answer_or_a_refusal():
    """A cloud without a shape may not crash or hang."""
    rng = np.random.default_rng(25)
    points = rng.uniform([0.0, -500.0], [600.0, 500.0], (20, 2))
    try:
        found = fit_arcs(points, 1.0)
    except LoftError:
        return
    assert found.best.p < 1e-6


def test_three_arcs_of_one_radius_are_still_a_section():
    angle = np.linspace(0.05, 3.09, 24)
    ring = 500.0 * np.stack([np.sin(angle), np.cos(angle)], axis=-1)
    found = fit_arcs(ring, 0.5)
    np.testing.assert_allclose(project(found.best.fit.chain, ring).distance, 0.0, atol=0.05)


def test_a_struck_chain_is_its_own_best_fit():
    true = strike(900.0, [620.0, 250.0, 5500.0, 300.0], [0.72, 1.47, 1.6, 2.45])
    points = walk(true, np.linspace(0.0, true.length.sum(), 60))[0]
    found = fit_arcs(points, 0.2, conics=False)
    np.testing.assert_allclose(found.best.fit.chain.radius, true.radius, rtol=1e-4)
