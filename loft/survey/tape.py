"""What a tape and a stretched wire are good for."""

from __future__ import annotations

import math

# Error of a tape of each accuracy class: mm, and mm for each metre of length.
CLASSES = {"I": (0.1, 0.1), "II": (0.3, 0.2), "III": (0.6, 0.4)}
STEEL = 7833.0  # kg/m^3 (0.283 lb/in^3, from memory)
GRAVITY = 9.80665


def tape_tolerance(length_mm: float, accuracy: str) -> float:
    """Return the largest error its maker allows a tape at a length, mm.

    At 20 degrees C, pulled with 50 N (steel) or 20 N (fibreglass). It says nothing of
    the hand that holds it: 1 to 2 mm to a rivet line (common practice, no source).

    Parameters
    ----------
    length_mm : float
    accuracy : str
        Class I, II or III, as printed at the start of the tape.

    Raises
    ------
    ValueError
        Another class, or a negative length.

    References
    ----------
    Directive 2004/22/EC, annex MI-008: error a + b L, L in metres.

    Examples
    --------
    >>> tape_tolerance(5000.0, "II")
    1.3
    """
    if accuracy not in CLASSES:
        raise ValueError(f"class {accuracy} found, {', '.join(CLASSES)} wanted")
    if not length_mm >= 0.0:
        raise ValueError(f"a length of {length_mm:g} mm found, 0 or more wanted")
    fixed, for_each_metre = CLASSES[accuracy]
    return fixed + for_each_metre * length_mm / 1000.0


def wire_sag(span_mm: float, *, diameter_mm: float, pull_n: float) -> float:
    """Return how far a level steel wire hangs in the middle of its span, mm.

    The flat parabola ``w L^2 / 8 T``; good while the sag is small beside the span. A
    height read from a wire is too low by this, a half-breadth is not.

    Raises
    ------
    ValueError
        A length, diameter or pull that is not more than 0.

    Examples
    --------
    >>> round(wire_sag(6096.0, diameter_mm=0.508, pull_n=89.0), 2)
    0.81
    """
    if not min(span_mm, diameter_mm, pull_n) > 0.0:
        raise ValueError("span, diameter and pull of more than 0 wanted")
    weight = STEEL * GRAVITY * math.pi / 4.0 * (diameter_mm / 1000.0) ** 2  # N for each metre
    return 1000.0 * weight * (span_mm / 1000.0) ** 2 / (8.0 * pull_n)
