"""The adjuster against printed networks: the numbers and their sources in survey_cases.json."""

import json
from pathlib import Path

import numpy as np
import pytest

from loft.job.errors import LoftError
from loft.survey.adjust import adjust
from loft.survey.network import AXES, Tie
from loft.survey.quality import CRITICAL, DETECT

CASES = {
    case["id"]: case
    for case in json.loads(
        (Path(__file__).parents[2] / "shared" / "survey_cases.json").read_text()
    )["cases"]
}
AXES_OF = {1: ("wl",), 2: ("bl", "wl"), 3: AXES}
LEVEL_NETS = ("C1", "C2", "C3")
TRILATERATIONS = ("C4", "C5", "C6", "C7", "C8", "C9", "C10")


def level_net(case):
    inputs = CASES[case]["inputs"]
    fixed = [Tie(kind="control", end=k, place=(v,)) for k, v in inputs["fixed"].items()]
    return fixed + [
        Tie(kind="height", start=start, end=end, value=value, sigma=sigma)
        for start, end, value, sigma in inputs["obs"]
    ]


def trilateration(case, approx=True):
    inputs = CASES[case]["inputs"]
    ties = [Tie(kind="control", end=k, place=tuple(v)) for k, v in inputs["fixed"].items()]
    if approx:
        ties += [
            Tie(kind="approx", end=k, place=tuple(v)) for k, v in inputs["unknown_start"].items()
        ]
    return ties + [
        Tie(kind="tape", start=start, end=end, value=value, sigma=sigma)
        for start, end, value, sigma in inputs["obs"]
    ]


def axes_of(case):
    return AXES_OF[len(next(iter(CASES[case]["inputs"]["fixed"].values())))]


@pytest.mark.parametrize("case", LEVEL_NETS)
def test_level_net_gives_printed_heights(case):
    """Printed to 0.1 mm (heights, in m) and 0.01 mm (standard deviations)."""
    published = CASES[case]["expected"]["published"]
    result = adjust(level_net(case), axes=("wl",), snoop=False)
    scale = np.sqrt(result.variance_factor)
    for point, (height, _, sd_mm) in published.items():
        k = result.points.index(point)
        assert result.position[k, 0] == pytest.approx(height, abs=6e-5)
        assert 1e3 * scale * np.sqrt(result.cofactor[k, 0, 0]) == pytest.approx(sd_mm, abs=6e-3)


@pytest.mark.parametrize("case", LEVEL_NETS)
def test_level_net_gives_recomputed_residuals(case):
    """An independent adjustment of the same net, to rounding error."""
    expected = CASES[case]["expected"]["recomputed"]
    result = adjust(level_net(case), axes=("wl",), snoop=False)
    assert result.residual == pytest.approx(expected["residuals_m"], abs=1e-11)
    assert result.variance_factor == pytest.approx(expected["vtpv_over_f"], rel=1e-9)


def test_first_level_net_has_published_tests():
    """Ghilani & Wolf, example 12.1: w and the sum of redundancy numbers."""
    result = adjust(level_net("C1"), axes=("wl",))
    w = [0.764, -0.106, -0.522, 0.304, 0.720, -0.755]
    assert result.standardised == pytest.approx(w, abs=6e-4)
    assert result.redundancy.sum() == pytest.approx(3.0, abs=1e-9)
    assert result.failures == ()


@pytest.mark.parametrize("case", TRILATERATIONS)
def test_trilateration_gives_printed_points(case):
    """Printed to 0.1 mm (in m) and 0.001 cm; half a unit of the last digit allowed."""
    result = adjust(trilateration(case), axes=axes_of(case), snoop=False)
    scale = np.sqrt(result.variance_factor)
    for point, printed in CASES[case]["expected"]["published"].items():
        k = result.points.index(point)
        for axis in range(len(result.axes)):
            coordinate, _, sd_cm = printed[3 * axis : 3 * axis + 3]
            sd = 100 * scale * np.sqrt(result.cofactor[k, axis, axis])
            assert result.position[k, axis] == pytest.approx(coordinate, abs=6e-5)
            assert sd == pytest.approx(sd_cm, abs=6e-4)


@pytest.mark.parametrize("case", TRILATERATIONS)
def test_trilateration_gives_recomputed_statistics(case):
    """An independent adjustment: residuals, redundancy, tests; 1e-6 of linearisation left.

    The other program stopped its iteration at about 1e-8 m, which the tests feel as 1e-5.
    """
    expected = CASES[case]["expected"]["recomputed"]
    result = adjust(trilateration(case), axes=axes_of(case), snoop=False)
    assert result.residual == pytest.approx(expected["residuals_m"], abs=2e-7)
    assert result.redundancy == pytest.approx(expected["redundancy"], abs=1e-6)
    assert result.standardised == pytest.approx(expected["w"], abs=5e-5)
    assert result.variance_factor == pytest.approx(expected["variance_factor"], rel=1e-8)


def test_redundancy_of_two_point_net_is_in_sevenths():
    """Krumm 3.1.1: redundancy (1, 2, 2, 1, 1)/7, to the first order of the geometry."""
    result = adjust(trilateration("C4"), axes=("bl", "wl"), snoop=False)
    assert result.redundancy == pytest.approx(np.array([1, 2, 2, 1, 1]) / 7, abs=2e-5)


def test_two_blunders_are_snooped_one_at_a_time():
    """Blankenbach & Willert (2009): distances 51 and 103 are wrong, in this order."""
    passes = CASES["C9"]["expected"]["snooping"]
    result = adjust(trilateration("C9"))
    assert [failure.tie.end for failure in result.failures] == ["51", "103"]
    w = [failure.standardised for failure in result.failures]
    assert w == pytest.approx([passes[0]["w"], passes[1]["w"]], abs=1e-5)
    assert result.place("MS") == pytest.approx(passes[2]["xyz"], abs=1e-6)
    assert result.variance_factor == pytest.approx(passes[2]["vf"], rel=1e-6)
    assert np.abs(result.standardised[result.used]).max() == pytest.approx(passes[2]["w"], abs=1e-5)


@pytest.mark.parametrize("case", ["C5", "C6", "C9", "C10"])
def test_other_readings_exclude_the_mirror_without_a_start(case):
    """With readings to spare no approximate position is needed: both sides are tried."""
    with_start = adjust(trilateration(case), axes=axes_of(case), snoop=False)
    without = adjust(trilateration(case, approx=False), axes=axes_of(case), snoop=False)
    for point in CASES[case]["inputs"]["unknown_start"]:
        assert without.place(point) == pytest.approx(with_start.place(point), abs=1e-6)


@pytest.mark.parametrize("case", ["C4", "C7", "C8"])
def test_tapes_alone_name_their_mirror(case):
    """Two controls in a plan, four in one plane: nothing but a plumbed reading can tell."""
    with pytest.raises(LoftError, match=r"fits as well on the other side: .* or at .*; plumb its"):
        adjust(trilateration(case, approx=False), axes=axes_of(case))


@pytest.mark.parametrize("start", [(6000.0, 1500.0), (-2000.0, 2000.0), None])
def test_false_mirror_is_left(start):
    """Ghilani & Wolf, example 14.2: from (-2000, 2000) plain iteration ends at the false
    mirror (-2237.9, -367.6). Coordinates printed to 1e-4 ft, recomputed."""
    inputs, expected = CASES["C11"]["inputs"], CASES["C11"]["expected"]
    ties = [
        Tie(kind="control", end=str(k), place=tuple(v)) for k, v in enumerate(inputs["control"])
    ]
    if start:
        ties.append(Tie(kind="approx", end="P", place=start))
    ties += [
        Tie(kind="tape", start=str(k), end="P", value=v, sigma=0.1)
        for k, v in enumerate(inputs["dist"])
    ]
    result = adjust(ties, axes=("bl", "wl"))
    scale = np.sqrt(result.variance_factor)
    cofactor = result.cofactor[result.points.index("P")]
    assert result.place("P") == pytest.approx(expected["xy"], abs=1e-4)
    assert result.residual == pytest.approx(expected["residual"], abs=1e-5)
    assert 0.1 * scale == pytest.approx(expected["S0"], abs=1e-5)
    assert scale * np.sqrt(np.diag(cofactor)) == pytest.approx(expected["sd"], abs=1e-5)


def test_snooping_constants():
    """Baarda (1968): 3.29 for one sound reading in a thousand, 4.13 at power 80 %."""
    expected = CASES["C12"]["expected"]
    assert pytest.approx(expected["w_crit"], abs=1e-6) == CRITICAL
    # 4.13214797 holds both tails; the other one adds 1e-13 of power.
    assert pytest.approx(expected["delta0"], abs=1e-6) == DETECT


def test_three_fibre_tapes_give_43_mm():
    """Holt 2003 (IJNA): tapes good to 25 mm fix a point to 43 mm; 25 sqrt 3 = 43.3.

    Three tapes square to one another from far away: each fixes one axis to 25 mm.
    """
    ties = [
        Tie(kind="control", end=name, place=place)
        for name, place in (("A", (5e3, 0, 0)), ("B", (0, 5e3, 0)), ("C", (0, 0, 5e3)))
    ]
    ties.append(Tie(kind="approx", end="P", place=(100.0, 50.0, -50.0)))
    ties += [Tie(kind="tape", start=k, end="P", value=5e3, sigma=25.0) for k in "ABC"]
    result = adjust(ties)
    assert np.sqrt(np.sum(result.sd[result.points.index("P")] ** 2)) == pytest.approx(43.3, abs=0.1)


@pytest.mark.parametrize(
    ("degrees", "factor"), [(90, 1.414), (60, 1.633), (45, 2.0), (30, 2.828), (15, 5.464)]
)
def test_crossing_angle_spoils_the_position(degrees, factor):
    """Position sigma of two tapes crossing at an angle g: sqrt 2 / sin g (geometry)."""
    half = np.deg2rad(degrees) / 2
    across, up = 1000 * np.sin(half), 1000 * np.cos(half)
    ties = [
        Tie(kind="control", end="A", place=(-across, 0.0)),
        Tie(kind="control", end="B", place=(across, 0.0)),
        Tie(kind="approx", end="P", place=(0.0, up)),
        Tie(kind="tape", start="A", end="P", value=1000.0, sigma=1.0),
        Tie(kind="tape", start="B", end="P", value=1000.0, sigma=1.0),
    ]
    result = adjust(ties, axes=("bl", "wl"))
    assert np.sqrt(np.trace(result.covariance[2])) == pytest.approx(factor, abs=1e-3)
