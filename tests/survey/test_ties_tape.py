"""Tapes and wires against published figures."""

import pytest

from loft.survey.tape import tape_tolerance, wire_sag


@pytest.mark.parametrize(
    ("accuracy", "expected"),
    [
        ("I", (0.4, 0.6, 0.9, 1.1)),
        ("II", (0.9, 1.3, 1.9, 2.3)),
        ("III", (1.8, 2.6, 3.8, 4.6)),
    ],
)
def test_tape_classes(accuracy, expected):
    """Directive 2004/22/EC MI-008 at 3, 5, 8 and 10 m, as tape makers print it."""
    found = [tape_tolerance(1000.0 * metres, accuracy) for metres in (3, 5, 8, 10)]
    assert found == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize(("feet", "inches"), [(10, 0.008), (20, 0.032), (30, 0.072)])
def test_sag_of_a_thin_wire(feet, inches):
    """0.020 in steel wire at 20 lbf: w L^2 / 8 T with steel at 0.283 lb/in^3 (from memory)."""
    sag = wire_sag(feet * 304.8, diameter_mm=0.508, pull_n=20 * 4.4482216)
    assert sag / 25.4 == pytest.approx(inches, abs=0.0005)


def test_sag_grows_with_the_square_of_the_span():
    one, two = (wire_sag(span, diameter_mm=0.5, pull_n=90.0) for span in (3000.0, 6000.0))
    assert two == pytest.approx(4 * one, rel=1e-12)


def test_bad_figures_are_refused():
    with pytest.raises(ValueError, match="class IV found, I, II, III wanted"):
        tape_tolerance(1000.0, "IV")
    with pytest.raises(ValueError, match="0 or more wanted"):
        tape_tolerance(float("nan"), "I")
    with pytest.raises(ValueError, match="more than 0 wanted"):
        wire_sag(1000.0, diameter_mm=0.5, pull_n=0.0)
