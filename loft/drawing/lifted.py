"""Bring a lifted section and what survives of its drawing together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from loft.drawing.check import Check, check_facts
from loft.drawing.update import departure, update_section
from loft.fairing.section import NORMAL95, section_covariance, simultaneous_factor
from loft.fairing.surface import Surface
from loft.job.errors import Finding, LoftError
from loft.job.records import Array, Fact, Section

APART = 36.0  # mm of girth between the points that stand for the outline
WAVES = 2.5  # shortest wavelength believed, in distances between the surveyed lines
CENTRELINE = (2.0, np.deg2rad(0.1))  # prior sd of the drawing's centreline: mm, radians
UNEXPLAINED = 0.001  # chance of the misfit below which a drawing is not used
LEAST_LINES = 8  # surveyed lines below which no shortest wavelength can be told


def check_section(
    section: Section,
    surface: Surface,
    facts: Sequence[Fact],
    *,
    spread: Callable[[NDArray[np.int64]], Array] | None = None,
) -> tuple[Check, Section, tuple[Finding, ...]]:
    """Check a frame's drawing against its lifted section, and better the section by it.

    The section enters with the full covariance of its errors. Figures that the check
    contradicts take no part in the update; what the update moves is the mould line along
    its normals, its band with it. A section with chines is checked but left as it is (a
    chain of tangent arcs has none), and so is one that its drawing does not explain.

    Parameters
    ----------
    section : Section
        As lifted from `surface`.
    surface : Surface
    facts : sequence of Fact
        The drawing's facts of this frame, from crown to keel.
    spread : callable, optional
        Gives the covariance of the section's errors at some of its points, where it was
        bettered already; the surface's own unless given.

    Returns
    -------
    check : Check
    section : Section
        With "and drawing" added to its `source` where it was bettered.
    findings : tuple of Finding
        The check's notes, and why the section was left as it is.

    Raises
    ------
    LoftError
        A drawing that cannot be.
    """
    some = np.arange(
        0, len(section.girth), max(1, round(APART * len(section.girth) / section.length))
    )
    outline = np.stack([section.bl, section.height], -1)[some]
    covariance = spread(some) if spread else section_covariance(surface, section, some)
    finest = _finest(section)
    check = check_facts(
        facts, section.plane(), outline=outline, covariance=covariance + departure(outline),
        finest=finest, centreline=CENTRELINE,
    )  # fmt: skip
    if not facts:
        return check, section, check.notes
    if section.corners:
        return check, section, (*check.notes, _left(section, "it has chines"))
    if check.p < UNEXPLAINED:
        why = f"the drawing does not explain it (chance {check.p:.1g})"
        return check, section, (*check.notes, _left(section, why))
    normal = np.stack([section.normal_bl, section.normal_height], -1)[some]
    try:
        better = update_section(
            outline, normal, covariance=covariance, fit=check.reading.fit, finest=finest
        )
    except LoftError as refusal:
        return check, section, (*check.notes, _left(section, refusal.findings[0].text))
    moved = moved_section(section, some, better.moved, better.covariance, len(surface.stations))
    return check, replace(moved, source=f"{section.source} and drawing"), check.notes


def _left(section: Section, why: str) -> Finding:
    return Finding(
        text=f"{section.frame}: the section is the surface's alone, not bettered by its drawing: "
        f"{why}",
        severity="warning",
    )


def _finest(section: Section) -> float:
    lines = len(section.crossings.line)
    return WAVES * section.length / lines if lines >= LEAST_LINES else 0.0


def moved_section(
    section: Section, some: NDArray[np.int64], moved: Array, covariance: Array, frames: int
) -> Section:
    """Return a section moved along its normals, with the band of the new covariance.

    Parameters
    ----------
    section : Section
    some : ndarray of int, shape (k,)
        Points for which the movement is given, spread round the outline.
    moved : ndarray, shape (k,)
        mm, positive outwards.
    covariance : ndarray, shape (k, k)
        Of their errors, mm^2.
    frames : int
        From which the spread was learned.
    """
    sd = np.sqrt(np.maximum(np.diag(covariance), 1e-12))
    value, vector = np.linalg.eigh(covariance / np.outer(sd, sd))
    factor = simultaneous_factor(vector * np.sqrt(np.maximum(value, 0)), frames)
    whole = np.r_[section.girth[some], section.length]
    out, spread = (
        CubicSpline(whole, np.r_[part, part[0]], bc_type="periodic") for part in (moved, sd)
    )
    girth = section.girth
    shift, slope, bend = out(girth), out(girth, 1), out(girth, 2)
    stretch = 1 + shift / section.radius
    tilt = np.arctan2(slope, stretch)
    cos, sin = np.cos(tilt), np.sin(tilt)
    normal_bl = cos * section.normal_bl - sin * section.normal_height
    normal_height = cos * section.normal_height + sin * section.normal_bl
    bl = section.bl + shift * section.normal_bl
    height = section.height + shift * section.normal_height
    wl = section.wl + shift * section.normal_height * np.cos(section.cant)
    station = section.station_at + shift * section.normal_height * np.sin(section.cant)
    bend_new = (1 / section.radius - bend) / stretch**2
    step = np.hypot(np.diff(np.r_[bl, bl[0]]), np.diff(np.r_[height, height[0]]))
    turn = np.diff(np.r_[girth, section.length]) / section.radius
    run = np.r_[0.0, np.cumsum(step * (1 + turn**2 / 24))]
    new_sd = np.maximum(spread(girth), sd.min())
    with np.errstate(divide="ignore"):
        radius = 1 / bend_new
    cross = section.crossings
    at = out(cross.girth)
    moved_bl = cross.bl + at * np.sin(cross.normal)
    moved_height = cross.height + at * np.cos(cross.normal)
    return replace(
        section, length=float(run[-1]), girth=run[:-1], bl=bl, height=height, wl=wl,
        station_at=station, normal_bl=normal_bl, normal_height=normal_height,
        radius=np.where(np.abs(radius) > 1e5, np.inf, radius), sd=new_sd,
        band95=NORMAL95 * new_sd, band95_all=factor * new_sd,
        crossings=replace(
            cross, bl=moved_bl, height=moved_height,
            wl=cross.wl + at * np.cos(cross.normal) * np.cos(section.cant),
            girth=np.interp(cross.girth, np.r_[girth, section.length], run),
        ),
    )  # fmt: skip
