"""Cuts, second differences and the mean deviation against closed forms."""

import numpy as np
import pytest
import standin

from loft.show import cuts


def test_second_differences_of_a_parabola_on_equal_stations():
    """Arithmetic: y = 20 - .0005 x^2 at 20 in; a bump of 1/8 adds (1, -2, 1)/8."""
    station = np.arange(0.0, 101.0, 20.0)
    offset = 20.0 - 0.0005 * station**2
    where, difference = cuts.second_differences(station, offset)
    assert np.allclose(where, station[1:-1])
    assert np.allclose(difference * 20.0**2, -0.4, atol=1e-9)  # exact but for rounding
    offset[3] += 0.125
    _, difference = cuts.second_differences(station, offset)
    assert np.allclose(difference * 400.0, [-0.4, -0.275, -0.65, -0.275], atol=1e-9)


def test_divided_differences_are_constant_for_a_parabola_on_unequal_stations():
    """Raw second differences would not be; divided ones are (common practice, no source)."""
    station = np.array([0.0, 30.0, 90.0, 110.0, 180.0])
    _, difference = cuts.second_differences(station, 3.0 + 0.2 * station - 0.0005 * station**2)
    assert np.allclose(difference, -0.001, atol=1e-12)


def test_divided_differences_of_a_cubic_are_exact_at_the_mean_station():
    """f'' = 6 x; the divided difference of x^3 is the sum of its three stations."""
    station = np.array([0.0, 3.0, 4.0, 9.0, 10.0, 17.0])
    where, difference = cuts.second_differences(station, station**3)
    assert np.allclose(difference, 6.0 * where, rtol=1e-12)


def test_second_differences_leave_out_unknown_offsets_and_refuse_disorder():
    where, _ = cuts.second_differences([0.0, 1.0, 2.0, 3.0, 4.0], [0, np.nan, 1, 2, 3.0])
    assert where.tolist() == [3.0]
    with pytest.raises(ValueError, match="stations must rise"):
        cuts.second_differences([0.0, 2.0, 2.0], [0.0, 0.0, 0.0])


@pytest.mark.parametrize("side", ["port", "starboard"])
def test_waterline_of_the_elliptic_body(side):
    """bl = a sqrt(1 - ((wl - c)/b)^2), to rounding."""
    body = standin.Body()
    station = np.linspace(3020.0, 7760.0, 23)
    a, b, c, *_ = body._axes(station)
    got = cuts.waterline(body, station, wl=210.0, side=side)
    want = a * np.sqrt(1.0 - ((210.0 - c) / b) ** 2) * cuts.SIDES[side]
    assert np.abs(got - want).max() < 1e-9


def test_buttock_line_ends_where_the_body_grows_narrower():
    body = standin.Body()
    station = np.linspace(3020.0, 7760.0, 23)
    a, b, c, *_ = body._axes(station)
    got = cuts.buttock(body, station, bl=-400.0, branch="lower")
    with np.errstate(invalid="ignore"):
        want = c - b * np.sqrt(1.0 - (400.0 / a) ** 2)
    assert np.array_equal(np.isnan(got), np.isnan(want))
    assert np.nanmax(np.abs(got - want)) < 1e-9


def test_cuts_near_to_edge_on_are_left_out_when_asked():
    body = standin.Body()
    steep = cuts.waterline(body, [3020.0], wl=640.0, side="port", steepest=np.deg2rad(60))
    assert np.isnan(steep).all()
    assert np.isfinite(cuts.waterline(body, [3020.0], wl=640.0, side="port")).all()


def test_followed_reaches_the_tip_of_a_cut():
    body = standin.Body()
    stations = np.linspace(3020.0, 7760.0, 41)
    at, width = cuts.followed(
        lambda x: cuts.waterline(body, x, wl=-500.0, side="starboard"), stations
    )
    known = np.isfinite(width)
    assert width[known][-1] < 2.0  # mm: a tenth on a sheet at 1 : 20
    assert (np.diff(at) > 0).all()


def test_mirrored_reading_gives_mirrored_mean():
    body = standin.Body()
    place = body.points(np.full(60, 5000.0), np.linspace(-3, 3, 60))
    reading = body.points(np.array([4900.0, 5100.0]), np.array([0.6, 2.0]))
    flip = np.array([1.0, -1.0, 1.0])
    values = {"deviation": np.array([2.0, -1.0]), "weight": np.ones(2), "reach": (300.0, 150.0)}
    mean, away = cuts.mean_deviation(place, reading, **values)
    other, far = cuts.mean_deviation(place * flip, reading * flip, **values)
    assert np.allclose(mean, other)
    assert np.allclose(away, far)
    assert mean.min() >= -1.0
    assert mean.max() <= 2.0


def test_doubted_readings_weigh_less():
    """Two readings equally far: the mean divides them by their weights, (1 - 1/3)/(1 + 1/3)."""
    place = np.array([[0.0, 0.0, 500.0]])
    reading = np.array([[-100.0, 0.0, 500.0], [100.0, 0.0, 500.0]])
    mean, _ = cuts.mean_deviation(
        place,
        reading,
        deviation=np.array([1.0, -1.0]),
        weight=np.array([1.0, 1.0 / 3.0]),
        reach=(300.0, 150.0),
    )
    assert mean[0] == pytest.approx(0.5, abs=1e-12)


def test_no_reading_means_unknown_never_zero():
    mean, away = cuts.mean_deviation(
        np.zeros((3, 3)), np.zeros((1, 3)), deviation=np.ones(1), weight=np.zeros(1), reach=(1, 1)
    )
    assert np.isnan(mean).all()
    assert np.isinf(away).all()


def test_levels_are_round_inside_and_few():
    level = cuts.levels(-655.0, 660.0, spacing=100.0, most=8)
    assert level.tolist() == [-600.0, -400.0, -200.0, 0.0, 200.0, 400.0, 600.0]
    assert len(cuts.levels(-655.0, 660.0, spacing=float("nan"), most=8)) <= 8
