"""The state-space smoother: against splines whose figures are published, and dense algebra."""

from __future__ import annotations

import itertools
import json
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.interpolate import CubicSpline

from loft.fairing.smoother import (
    RUN_UNIT,
    Posterior,
    Run,
    along,
    between,
    make_run,
    prior_links,
    solve,
    solve_mean,
    spread_along,
    step_precision,
    value_penalty,
)

SHARED = Path(__file__).parents[2] / "shared" / "fairing_cases.json"
CASES = {case["id"]: case for case in json.loads(SHARED.read_text())["cases"]}


def smooth(run: Run, stiffness: float, value, weight) -> Posterior:
    """One coefficient, a reading of `value` with precision `weight` at every knot."""
    links = prior_links(run, np.array([stiffness]))
    data = np.reshape(weight, (-1, 1, 1)) * np.ones((1, 1, 1))
    pull = np.reshape(np.multiply(weight, value), (-1, 1))
    return solve(links, data, pull)


def interpolate(x, y) -> tuple[Run, Posterior]:
    """The limit of exact readings; a knot's unit is one RUN_UNIT, so that h = 1 there."""
    run = make_run(np.asarray(x, float) * RUN_UNIT)
    return run, smooth(run, 1.0, y, np.full(len(x), 1e11))


def dense(links, data) -> np.ndarray:
    """The whole precision matrix, knot by knot: (values, slopes) of each."""
    m, _, b = links.own.shape
    out = np.zeros((m, 2 * b, m, 2 * b))
    v, s = np.arange(b), b + np.arange(b)
    for i in range(m):
        out[i, v, i, v], out[i, s, i, s] = links.own[i, 0], links.own[i, 2]
        out[i, v, i, s] = out[i, s, i, v] = links.own[i, 1]
        used = data.shape[1]
        out[i, :used, i, :used] += data[i]
        if i + 1 < m:
            vv, vs, sv, ss = links.onward[i]
            for a, c, value in ((v, v, vv), (v, s, vs), (s, v, sv), (s, s, ss)):
                out[i, a, i + 1, c] = out[i + 1, c, i, a] = value
    return out.reshape(2 * b * m, 2 * b * m)


# ---- published splines -----------------------------------------------------------------


def test_smoothing_spline_of_stopping_distances():
    """R's smooth.spline of its data set cars: tied readings are weights of one knot.

    Figures printed by R (penalised RSS seen published, the others from memory; recomputed).
    Tolerances: half of the last figure printed, the lambda being printed to as many.
    """
    case, expected = CASES["E2"]["inputs"], CASES["E2"]["expected"]
    speed, dist = np.array(case["speed"], float), np.array(case["dist"], float)
    unique, index, ties = np.unique(speed, return_inverse=True, return_counts=True)
    mean = np.bincount(index, dist) / ties
    run = make_run(unique * RUN_UNIT)
    posterior = smooth(run, expected["lam_raw_units"], mean, ties)
    fit = posterior.states[:, 0]
    df = float(np.sum(ties * posterior.covariance[:, 0, 0]))  # trace of the hat matrix
    assert fit[:5] == pytest.approx(expected["fit_first5_unique"], rel=1e-7)
    assert df == pytest.approx(expected["df"], abs=1e-6)
    assert np.sum(ties * (mean - fit) ** 2) == pytest.approx(expected["pen_rss"], abs=1e-3)
    gcv = np.mean((dist - fit[index]) ** 2) / (1 - df / len(dist)) ** 2
    assert gcv == pytest.approx(expected["gcv"], abs=1e-4)


def test_without_wander_it_is_the_straight_line_of_regression():
    """NIST StRD, Norris: certified line and standard deviations from 36 readings.

    Knots 100 apart, each reading carried to the nearest by the slope; a wander of next to
    nothing leaves value and slope alone: a millionth, and a ten-thousandth of the intercept,
    which is small beside readings of a thousand.
    """
    case, wanted = CASES["D2"]["inputs"], CASES["D2"]["expected"]
    x, y = np.array(case["x"]), np.array(case["y"])
    run = make_run(np.arange(0.0, 1001.0, 100.0))
    at = np.abs(run.station[:, None] - x).argmin(0)
    row = np.stack([np.ones(len(x)), (x - run.station[at]) / RUN_UNIT], -1)
    data, pull = np.zeros((len(run), 2, 2)), np.zeros((len(run), 2))
    np.add.at(data, at, row[:, :, None] * row[:, None, :])
    np.add.at(pull, at, row * y[:, None])
    precision = 1 / wanted["rsd"] ** 2
    posterior = solve(prior_links(run, np.array([1e6])), data * precision, pull * precision)
    (value, slope), spread = posterior.states[0], posterior.covariance[0]
    assert value == pytest.approx(wanted["intercept"], rel=1e-4)
    assert slope / RUN_UNIT == pytest.approx(wanted["slope"], rel=1e-6)
    assert np.sqrt(spread[0, 0]) == pytest.approx(wanted["sd_intercept"], rel=1e-5)
    assert np.sqrt(spread[1, 1]) / RUN_UNIT == pytest.approx(wanted["sd_slope"], rel=1e-5)
    left = y - (row * posterior.states[at]).sum(1)
    assert np.sqrt(left @ left / 34) == pytest.approx(wanted["rsd"], rel=1e-6)


def test_lambda_is_per_run_unit():
    """The same in stations of 1 mm a unit of speed: lambda shrinks by RUN_UNIT cubed."""
    x, y = np.array([0.0, 2.0, 3.0, 7.0, 8.0]), np.array([1.0, 4.0, 2.0, 3.0, 5.0])
    far = smooth(make_run(x * RUN_UNIT), 3.0, y, np.ones(5))
    near = smooth(make_run(x), 3.0 / RUN_UNIT**3, y, np.ones(5))
    assert near.states[:, 0] == pytest.approx(far.states[:, 0], rel=1e-9)  # conditioning h^-3


def test_exact_readings_give_the_natural_spline_of_exp():
    """Burden & Faires, Numerical Analysis: natural spline of exp(x) at 0, 1, 2, 3.

    Five-figure coefficients from memory, recomputed to nine. Tolerance: the limit is
    short by the penalty over the readings' precision, 1e-10 of a third derivative of
    some 10, and rounding against that precision costs 1e-7.
    """
    expected = CASES["E1"]["expected"]
    x = np.arange(4.0)
    run, posterior = interpolate(x, np.exp(x))
    value, slope, bend = along(run, posterior.states, (x[:3] + 1e-9) * RUN_UNIT)
    later = along(run, posterior.states, (x[1:] - 1e-9) * RUN_UNIT)[2]
    table = np.concatenate(
        [
            value,
            slope * RUN_UNIT,
            bend * RUN_UNIT**2 / 2,
            (later - bend) * RUN_UNIT**2 / 6,
        ],
        1,
    )
    assert table == pytest.approx(np.array(expected["natural"]), abs=2e-6)
    whole = quad(lambda s: along(run, posterior.states, np.array(s * RUN_UNIT))[0][0], 0, 3)[0]
    assert whole == pytest.approx(expected["integral"], abs=1e-6)
    assert spread_along(run, posterior)[0][0] == pytest.approx(expected["energy"], abs=1e-4)


def test_beam_over_three_supports():
    """A beam lifted by 1 at its middle support: y(1/2) = 11/16, energy 6 (closed form)."""
    case = CASES["T36"]
    run, posterior = interpolate(case["inputs"]["x"], case["inputs"]["y"])
    assert along(run, posterior.states, np.array(0.5 * RUN_UNIT))[0] == pytest.approx(
        case["expected"]["half"], abs=1e-7
    )
    assert spread_along(run, posterior)[0] == pytest.approx(case["expected"]["energy"], abs=1e-5)


def test_stiff_run_is_the_weighted_straight_line():
    """lambda to infinity: least squares' straight line."""
    x = np.array([0.0, 1.0, 2.5, 3.0, 5.0])
    y, w = np.array([1.0, 0.0, 3.0, 2.0, 7.0]), np.array([1.0, 2.0, 1.0, 0.5, 3.0])
    posterior = smooth(make_run(x * RUN_UNIT), 1e7, y, w)
    line = np.polynomial.Polynomial.fit(x, y, 1, w=np.sqrt(w))
    # the spline leaves the line by about 1/lambda; solving at that condition costs 1e-8
    assert posterior.states[:, 0] == pytest.approx(line(x), abs=1e-5)


def test_smooth_run_is_followed_with_fourth_order():
    """Exact readings of a function with natural ends: halved spacing, a sixteenth of error."""
    error = []
    for count in (8, 16, 32):
        x = np.linspace(0, np.pi, count + 1)
        run, posterior = interpolate(x, np.sin(x))
        fine = np.linspace(0, np.pi, 997)
        error.append(
            np.abs(along(run, posterior.states, fine * RUN_UNIT)[0][:, 0] - np.sin(fine)).max()
        )
    order = np.log2(np.divide(error[:-1], error[1:]))
    assert (order > 3.7).all(), (error, order)


def test_agrees_with_an_independent_interpolating_spline():
    rng = np.random.default_rng(3)
    x = np.sort(rng.uniform(0, 10, 9))
    y = rng.normal(size=9)
    run, posterior = interpolate(x, y)
    fine = np.linspace(x[0], x[-1], 300)
    other = CubicSpline(x, y, bc_type="natural")
    value, slope, bend = along(run, posterior.states, fine * RUN_UNIT)
    # 1e-10 penalty over precision, times the wildest third difference of these data
    assert value[:, 0] == pytest.approx(other(fine), abs=1e-5)
    assert slope[:, 0] * RUN_UNIT == pytest.approx(other(fine, 1), abs=1e-4)
    assert bend[:, 0] * RUN_UNIT**2 == pytest.approx(other(fine, 2), abs=1e-2)


# ---- against dense algebra -----------------------------------------------------------------


@pytest.fixture
def system():
    """Three coefficients, seven knots, one break, readings of values and slopes."""
    rng = np.random.default_rng(7)
    run = make_run(np.array([0.0, 400.0, 950.0, 1500.0, 1900.0, 2500.0]), [1200.0])
    links = prior_links(run, np.array([0.5, 3.0, 40.0]))
    links.own[:, 0] += 0.01
    half = rng.normal(size=(len(run), 6, 4))
    return run, links, half @ half.transpose(0, 2, 1), rng.normal(size=(len(run), 6))


def test_banded_mean_is_the_sweep_and_the_dense_solution(system):
    run, links, data, pull = system
    posterior = solve(links, data, pull)
    banded = solve_mean(links, data, pull[..., None])[..., 0]
    plain = np.linalg.solve(dense(links, data), pull.ravel()).reshape(len(run), -1)
    # rounding at the break's condition: 1e6 over 1e-4
    assert banded == pytest.approx(plain, abs=1e-6)
    assert posterior.states == pytest.approx(plain, abs=1e-6)


def test_covariance_is_the_dense_inverse(system):
    run, links, data, pull = system
    posterior = solve(links, data, pull)
    whole = np.linalg.inv(dense(links, data)).reshape(len(run), 6, len(run), 6)
    for i in range(len(run)):
        assert posterior.covariance[i] == pytest.approx(whole[i, :, i], rel=1e-5, abs=1e-7)
        if i + 1 < len(run):
            assert posterior.with_next(i) == pytest.approx(whole[i, :, i + 1], rel=1e-5, abs=1e-7)


def test_values_alone_are_readings_that_tell_nothing_of_slopes(system):
    _, links, data, pull = system
    padded, zero = np.zeros_like(data), np.zeros_like(pull)
    padded[:, :3, :3], zero[:, :3] = data[:, :3, :3], pull[:, :3]
    short, full = solve(links, data[:, :3, :3], pull[:, :3]), solve(links, padded, zero)
    assert short.states == pytest.approx(full.states, abs=1e-10)
    assert short.covariance == pytest.approx(full.covariance, abs=1e-10)


@pytest.mark.parametrize("station", [130.0, 1100.0, 1350.0, 2300.0, 400.0])
def test_between_knots_is_a_knot_without_readings(system, station):
    """The bridge equals a solve with the station among the knots; so does the Hermite."""
    run, _, data, pull = system
    stiffness = np.array([0.5, 3.0, 40.0])
    links = prior_links(run, stiffness)
    posterior = solve(links, data, pull)
    state, covariance = between(run, posterior, stiffness, station)
    knots = np.unique(np.r_[run.station, station])
    more = make_run(np.setdiff1d(knots, [1200.0]), [1200.0])
    put = [int(np.flatnonzero(more.station == x)[0]) for x in run.station]
    twice = int(np.flatnonzero(run.station == 1200.0)[1])
    put[twice] += 1
    wide, told = np.zeros((len(more), 6, 6)), np.zeros((len(more), 6))
    wide[put], told[put] = data, pull
    other = solve(prior_links(more, stiffness), wide, told)
    at = int(np.flatnonzero(more.station == station)[0])
    assert state == pytest.approx(other.states[at], abs=1e-7)
    assert covariance == pytest.approx(other.covariance[at], rel=1e-6, abs=1e-8)
    value, slope, _ = along(run, posterior.states, np.array(station))
    assert value == pytest.approx(state[:3], abs=1e-9)
    assert slope * RUN_UNIT == pytest.approx(state[3:], abs=1e-9)


def test_past_the_ends_it_runs_straight_and_doubt_grows(system):
    """h^3/3 lambda is added to the value's variance, and the slope's doubt times h^2."""
    run, links, data, pull = system
    stiffness = np.array([0.5, 3.0, 40.0])
    posterior = solve(links, data, pull)
    for end, station in ((-1, 3000.0), (0, -500.0)):
        state, covariance = between(run, posterior, stiffness, station)
        h = (station - run.station[end]) / RUN_UNIT
        own = posterior.covariance[end]
        straight = posterior.states[end, :3] + h * posterior.states[end, 3:]
        assert state[:3] == pytest.approx(straight, abs=1e-12)
        grown = own[:3, :3] + h * (own[:3, 3:] + own[3:, :3]) + h * h * own[3:, 3:]
        grown = np.diag(grown) + abs(h) ** 3 / 3 / stiffness
        assert np.diag(covariance)[:3] == pytest.approx(grown, rel=1e-12)
        value, _, bend = along(run, posterior.states, np.array(station))
        assert value == pytest.approx(straight, abs=1e-12)
        assert (bend == 0).all()


def test_prior_runs_have_the_covariance_they_claim():
    """Increments drawn from the step's covariance have the precision `step_precision`."""
    run = make_run(np.array([0.0, 300.0, 1000.0]))
    h = run.step
    p11, p12, p22 = step_precision(run)
    for k in range(2):
        covariance = np.array([[h[k] ** 3 / 3, h[k] ** 2 / 2], [h[k] ** 2 / 2, h[k]]])
        precision = np.array([[p11[k], p12[k]], [p12[k], p22[k]]])
        assert precision @ covariance == pytest.approx(np.eye(2), abs=1e-12)


def test_traces_for_learning_are_those_of_the_dense_inverse(system):
    """spread_along: d'Pd of the mean, tr(P cov d) of the spread, both by brute force."""
    run, links, data, pull = system
    posterior = solve(links, data, pull)
    roughness, doubt, own = spread_along(run, posterior)
    whole = np.linalg.inv(dense(links, data))
    for k in range(3):
        one = dense(prior_links(run, np.eye(3)[k] + 1e-300), np.zeros((len(run), 6, 6)))
        one -= dense(prior_links(run, np.full(3, 1e-300)), np.zeros((len(run), 6, 6)))
        mean = posterior.states.ravel()
        assert roughness[k] == pytest.approx(mean @ one @ mean, rel=1e-5, abs=1e-7)
        assert doubt[k] == pytest.approx(np.trace(one @ whole), rel=1e-5)
    spread = np.einsum("mii->mi", posterior.covariance)[:, :3]
    assert own == pytest.approx(spread.sum(0))


# ---- breaks --------------------------------------------------------------------------------


def test_a_break_lets_the_slope_start_afresh():
    """Two straight runs that meet at a corner: followed exactly with the break, not without."""
    x = np.arange(0.0, 8.0)
    y = np.where(x < 3.5, 0.0, 2.0 * (x - 3.5))
    fine = np.linspace(0, 7, 141)
    true = np.where(fine < 3.5, 0.0, 2.0 * (fine - 3.5))
    miss = []
    for breaks in ((), (3.5 * RUN_UNIT,)):
        run = make_run(x * RUN_UNIT, breaks)
        weight = np.zeros(len(run))
        value = np.zeros(len(run))
        at = [int(np.flatnonzero(run.station == s)[0]) for s in x * RUN_UNIT]
        weight[at], value[at] = 1e6, y
        posterior = smooth(run, 1e4, value, weight)
        miss.append(np.abs(along(run, posterior.states, fine * RUN_UNIT)[0][:, 0] - true).max())
    # left over: the weak hold of the slope across the break (precision BREAK_SLOPE) bends
    # the two straights by some 1e-4 of the corner's slope of 2
    assert miss[1] < 1e-3
    assert miss[0] > 0.2


def test_a_break_holds_the_value_and_stands_twice():
    run = make_run(np.array([0.0, 500.0, 1000.0]), [500.0, 500.0, -20.0, 1000.0, 4000.0])
    assert run.station.tolist() == [0.0, 500.0, 500.0, 1000.0]  # those outside are none
    assert run.quiet.tolist() == [1.0, 0.0, 1.0]
    posterior = smooth(run, 1.0, [0.0, 3.0, 0.0, -8.0], [1.0, 1.0, 0.0, 1.0])
    left, right = posterior.states[1:3, 0]
    assert left == pytest.approx(right, abs=1e-4)  # held with precision 1e6


def test_penalty_on_values_is_that_of_the_natural_spline():
    """Its eigenvalues: two straight-line modes have none; the rest those of the energy form."""
    x = np.array([0.0, 1.0, 2.5, 3.0, 4.2])
    eigen = value_penalty(make_run(x * RUN_UNIT))
    form = np.zeros((5, 5))
    curves = [CubicSpline(x, row, bc_type="natural") for row in np.eye(5)]
    fine, weight = np.polynomial.legendre.leggauss(4)
    for low, high in itertools.pairwise(x):
        at = (low + high) / 2 + (high - low) / 2 * fine
        bend = np.array([c(at, 2) for c in curves])
        form += (bend * weight * (high - low) / 2) @ bend.T
    # the slopes' faint hold (1e-9) and rounding
    assert np.sort(eigen) == pytest.approx(np.sort(np.linalg.eigvalsh(form)), abs=1e-6)
    assert np.sort(eigen)[:2] == pytest.approx(0.0, abs=1e-12)
