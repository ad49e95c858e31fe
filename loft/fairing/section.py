"""Lift a section off the faired surface, square or canted, with its band."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicHermiteSpline
from scipy.linalg import block_diag

from loft.fairing.equations import tilt
from loft.fairing.smoother import RUN_UNIT
from loft.job.records import Array, Corner, Crossings, Frame, Section

if TYPE_CHECKING:
    from loft.fairing.surface import Surface

FINE = 960  # angles of the outline from which girth is measured
WIDEST = 10.0  # mm between points of a section
SAGITTA = 0.018  # mm from chord to arc
FLAT = 100_000.0  # mm: radii over this are given as inf
DRAWS = 2000
NORMAL95 = 1.959963984540054
NORMAL = "normal_bl", "normal_height"
CORNER_STEP = 1e-6  # radians either side of a chine
CORNER_LEAST = np.deg2rad(0.5)  # a break in the tangent smaller than this is none


class Points(Protocol):
    """What a cut asks of a surface."""

    def points(self, station: Any, theta: Any) -> Array:
        """Return points (station, bl, wl), mm."""


class _Cut:
    """Evaluate the surface in one frame's plane."""

    def __init__(self, surface: Surface, frame: Frame):
        self.surface, self.frame = surface, frame
        self.tan, self.sin, self.cos = np.tan(frame.cant), np.sin(frame.cant), np.cos(frame.cant)
        self.pivot = frame.pivot_wl if frame.cant else 0.0
        centre_wl = float(surface.reference.at(np.array(frame.station))[1])
        self.middle = frame.station + (centre_wl - self.pivot) * self.tan
        self.state, self.covariance = surface.spread(self.middle)
        self.common = surface.common(self.middle)

    def station(self, theta: Array) -> Array:
        """Return the station at which the plane meets the surface at each angle.

        One number for a square frame.
        """
        return plane_station(self.surface, self.frame, theta)

    def look(self, theta: Array) -> dict[str, Array]:
        """Return everything about the outline's points at `theta`, shape (n,)."""
        x = self.station(theta)
        surface, reference = self.surface, self.surface.reference
        rho, rho_theta, rho_x = surface.shape(x, theta)
        q = rho / reference.r0
        cy, cz, a, b = reference.at(x)
        bl, wl = cy + a * q * np.sin(theta), cz + b * q * np.cos(theta)
        axes, rates = (a, b), reference.slope(x)
        slope = np.stack(tilt(reference.r0, axes, rates, theta, q, rho_theta, rho_x), -1)
        up = slope[:, 0] * self.sin + slope[:, 2] * self.cos
        steep = np.hypot(slope[:, 1], up)
        bevel = self.bevel(slope)
        more = slope - np.array([1e-6, 0.0, 0.0])
        return {
            "theta": theta,
            "x": np.broadcast_to(x, theta.shape),
            "bl": bl,
            "wl": wl,
            "slope": slope,
            "steep": steep,
            "height": (wl - self.pivot) / self.cos,
            "normal_bl": slope[:, 1] / steep,
            "normal_height": up / steep,
            "bevel": bevel,
            "bevel_by_run": (self.bevel(more) - bevel) / 1e-6,
        }

    def bevel(self, slope: Array) -> Array:
        """Return the bevel from the gradient: sin(bevel) = -n.N, N on the aft side."""
        across = slope[:, 0] * self.cos - slope[:, 2] * self.sin
        return np.arcsin(np.clip(-across / np.linalg.norm(slope, axis=1), -1, 1))


def plane_station(surface: Points, frame: Frame, theta: Array) -> Array:
    """Return the station at which the frame's plane meets the surface at each angle, mm.

    One number for a square frame; shape of `theta` for a canted one.
    """
    if not frame.cant:
        return np.array(frame.station)
    x = np.full(np.shape(theta), frame.station, float)
    for _ in range(40):
        wl = surface.points(x, theta)[..., 2]
        new = frame.station + (wl - frame.pivot_wl) * np.tan(frame.cant)
        if np.abs(new - x).max() < 1e-10:
            break
        x = new
    return x


def lift(surface: Surface, frame: Frame) -> Section:
    """Lift the section of a frame.

    The frame's plane is cut with the surface at angles so chosen that points lie at
    most 10 mm apart and 0.02 mm from chord to arc. The band comes from the posterior
    covariance of the surface's coefficients: `band95` holds each point by itself 95
    times in a hundred, `band95_all` the whole outline at once (the 95th percentile of
    the largest standardised deviation, by simulation from the posterior).

    Parameters
    ----------
    surface : Surface
    frame : Frame
        Its station, cant and pivot are used; it need not be in the schedule.

    Returns
    -------
    Section

    Examples
    --------
    >>> section = surface.lift(job.frame("F14"))  # doctest: +SKIP
    """
    cut = _Cut(surface, frame)
    start, zero = _crown(cut)
    corners = _corner_angles(cut, start)
    outline = _outline(cut, start, corners)
    grid, girth = outline.theta, outline.girth
    length = float(girth[-1])
    theta, at, radius = _choose(outline)
    seen = cut.look(theta)
    sd = _spread(cut, seen)
    factor = _simultaneous(cut, seen, sd)
    runs = np.abs(seen["bevel_by_run"]) * _run_sd(cut, seen)
    plane = frame if frame.cant else None
    found = tuple(_corner(cut, name, angle, grid, girth) for name, angle in corners)
    broken = tuple(corner for corner in found if corner is not None)
    _bisect(seen, radius, at, broken)
    return Section(
        frame=frame.name,
        station=frame.station,
        cant=frame.cant,
        pivot_wl=plane.pivot_wl if plane else 0.0,
        length=length,
        zero=zero,
        girth=at,
        bl=seen["bl"],
        wl=seen["wl"],
        height=seen["height"],
        station_at=seen["x"],
        normal_bl=seen["normal_bl"],
        normal_height=seen["normal_height"],
        bevel=seen["bevel"],
        bevel_sd=runs,
        radius=radius,
        sd=sd,
        band95=NORMAL95 * sd,
        band95_all=factor * sd,
        side=np.where(seen["bl"] < 0, "port", "starboard"),
        crossings=_crossings(cut, start, grid, girth),
        corners=broken,
    )


def _line_angle(cut: _Cut, name: str) -> float:
    """Angle at which a line crosses the plane."""
    run = cut.surface.lines[name]
    theta = run.theta(np.array([cut.middle]))
    for _ in range(20 if cut.frame.cant else 0):
        before, theta = theta, run.theta(cut.station(theta))
        if np.abs(theta - before).max() < 1e-12:
            break
    return float(theta[0])


def _crown(cut: _Cut) -> tuple[float, str]:
    run = cut.surface.lines.get("CROWN")
    if run is not None and run.readings:
        return _line_angle(cut, "CROWN"), "CROWN line"
    return 0.0, "theta 0 of the reference"


def _corner_angles(cut: _Cut, start: float) -> list[tuple[str, float]]:
    """Chines by angle from the crown, 0 to 2 pi."""
    found = [
        (name, start + np.mod(_line_angle(cut, name) - start + 1e-9, 2 * np.pi) - 1e-9)
        for name in cut.surface.chines
    ]
    return sorted(found, key=lambda item: item[1])


@dataclass(frozen=True, eq=False, kw_only=True)
class _Outline:
    """The outline at a fine grid of angles; `edge` are the ends of its smooth spans."""

    theta: Array
    girth: Array
    bend: Array  # signed curvature, one a span between grid points
    edge: tuple[int, ...]


def _outline(cut: _Cut, start: float, corners: list[tuple[str, float]]) -> _Outline:
    """Angles (corners among them) and the girth at each, to about 1e-5 mm.

    A short arc's length follows from its chord and its end tangents,
    s = c (1 + (2 u^2 - u v + 2 v^2)/30), exact to fourth order.
    """
    inside = [angle for _, angle in corners if start < angle < start + 2 * np.pi]
    grid = np.unique(np.r_[start + np.linspace(0, 2 * np.pi, FINE + 1), inside])
    seen = cut.look(grid)
    angles = [angle for _, angle in corners]
    after, before = _beside(cut, grid, seen, angles, 1), _beside(cut, grid, seen, angles, -1)
    step = np.stack([np.diff(seen["bl"]), np.diff(seen["height"])], -1)
    chord = np.hypot(*step.T)
    ends = []
    for side, take in ((after, slice(None, -1)), (before, slice(1, None))):
        tangent = side[1][take], -side[0][take]
        ends.append((tangent[0] * step[:, 1] - tangent[1] * step[:, 0]) / chord)
    u, v = (np.arcsin(np.clip(end, -1, 1)) for end in ends)
    arcs = chord * (1 + (2 * u * u - u * v + 2 * v * v) / 30)
    edge = np.unique(np.r_[0, np.searchsorted(grid, angles), len(grid) - 1])
    return _Outline(
        theta=grid,
        girth=np.r_[0.0, np.cumsum(arcs)],
        bend=(v - u) / arcs,  # the traverse is clockwise: positive convex
        edge=tuple(int(k) for k in edge if k < len(grid)),
    )


def _beside(
    cut: _Cut, grid: Array, seen: dict[str, Array], angles: list[float], side: int
) -> tuple[Array, Array]:
    """Return normals (bl, height) on the grid, at the corners those just to one side of them."""
    bl, height = seen["normal_bl"].copy(), seen["normal_height"].copy()
    if angles:
        at = np.flatnonzero(np.abs(np.subtract.outer(grid, angles + [grid[-1]])).min(1) < 1e-8)
        near = cut.look(grid[at] + side * CORNER_STEP)
        bl[at], height[at] = near["normal_bl"], near["normal_height"]
    return bl, height


def _choose(outline: _Outline) -> tuple[Array, Array, Array]:
    """Angles, girths and radii of the section's points: even between corners.

    Points stand so close that the tightest arc between two corners keeps its sagitta.
    The angle at a girth is interpolated by the grid's own cubic.
    """
    theta, at, bend = [], [], []
    for first, last in zip(outline.edge[:-1], outline.edge[1:], strict=True):
        here = slice(first, last + 1)
        girth, grid = outline.girth[here], outline.theta[here]
        curve = outline.bend[first:last]
        tight = float(np.abs(curve[1:-1]).max(initial=1e-6)) if len(curve) > 4 else 1e-6
        widest = min(WIDEST, np.sqrt(8 * SAGITTA / tight))
        count = int(np.ceil((girth[-1] - girth[0]) / widest))
        asked = girth[0] + (girth[-1] - girth[0]) * np.arange(count) / count
        at.append(asked)
        pace = np.gradient(grid, girth, edge_order=2) if len(grid) > 2 else None
        theta.append(
            np.interp(asked, girth, grid)
            if pace is None
            else CubicHermiteSpline(girth, grid, pace)(asked)
        )
        bend.append(np.interp(asked, (girth[1:] + girth[:-1]) / 2, curve))
    with np.errstate(divide="ignore"):
        radius = 1 / np.concatenate(bend)
    radius = np.where(np.abs(radius) > FLAT, np.inf, radius)
    return np.concatenate(theta), np.concatenate(at), radius


def quadratic(design: Array, covariance: Array) -> Array:
    """Return the diagonal of design @ covariance @ design.T."""
    return ((design @ covariance) * design).sum(1)


def _spread(cut: _Cut, seen: dict[str, Array]) -> Array:
    """One standard deviation of the mould line along its in-plane normal, mm."""
    design, covariance = _along_normal(cut, seen, slice(None))
    return np.sqrt(quadratic(design, covariance)) / seen["steep"]


def _along_normal(cut: _Cut, seen: dict[str, Array], some: slice) -> tuple[Array, Array]:
    """Return d rho/d state at some of the points and the state's covariance.

    A square frame needs the values alone. What a scan's readings have in common moves the
    section as a whole: two states more, of movement across and up.
    """
    off = (seen["x"] - cut.middle)[some]
    design, covariance = cut.surface.design(cut.middle, seen["theta"][some], off), cut.covariance
    if not cut.frame.cant:
        b = len(covariance) // 2
        design, covariance = design[:, :b], covariance[:b, :b]
    if cut.common.any():
        across, up = (seen[name][some] * seen["steep"][some] for name in NORMAL)
        design = np.concatenate([design, across[:, None], up[:, None]], 1)
        covariance = block_diag(covariance, np.diag(cut.common))
    return design, covariance


def _run_sd(cut: _Cut, seen: dict[str, Array]) -> Array:
    """One standard deviation of d rho/d station."""
    phi = cut.surface.design(cut.middle, seen["theta"])
    b = phi.shape[1] // 2
    return np.sqrt(quadratic(phi[:, :b] / RUN_UNIT, cut.covariance[b:, b:]))


def _simultaneous(cut: _Cut, seen: dict[str, Array], sd: Array) -> float:
    every = slice(None, None, max(1, len(sd) // 96))
    design, covariance = _along_normal(cut, seen, every)
    value, vector = np.linalg.eigh(covariance)
    root = vector * np.sqrt(np.maximum(value, 0))
    scaled = (design / (seen["steep"][every] * sd[every])[:, None]) @ root
    return simultaneous_factor(scaled, len(cut.surface.stations))


def simultaneous_factor(root: Array, frames: int) -> float:
    """Return the 95th percentile of the largest standardised deviation over an outline.

    The spread itself is learned from as many settling frames as there are, so the
    draws follow a multivariate Student's t with that many degrees of freedom.

    Parameters
    ----------
    root : ndarray, shape (n, k)
        root @ root.T is the correlation of the outline's points.
    frames : int

    Examples
    --------
    >>> round(simultaneous_factor(np.ones((5, 1)), 10_000), 1)
    2.0
    """
    rng = np.random.default_rng(95)
    draws = rng.standard_normal((root.shape[1], DRAWS), dtype=np.float32)
    spread = np.sqrt(rng.chisquare(frames, DRAWS) / frames)
    largest = np.abs(root.astype(np.float32) @ draws).max(0) / spread
    return max(float(np.quantile(largest, 0.95)), NORMAL95)


def section_covariance(surface: Surface, section: Section, some: NDArray[np.int64]) -> Array:
    """Return the covariance of a lifted section along its in-plane normals, mm^2.

    Parameters
    ----------
    surface : Surface
        The one it was lifted from.
    section : Section
    some : ndarray of int, shape (k,)
        Which of its points.

    Returns
    -------
    ndarray, shape (k, k)
    """
    cut = _Cut(surface, section.plane())
    theta = surface.theta_of(section.station_at[some], section.bl[some], section.wl[some])
    seen = cut.look(theta)
    design, covariance = _along_normal(cut, seen, slice(None))
    design = design / seen["steep"][:, None]
    return design @ covariance @ design.T


def _corner(cut: _Cut, name: str, angle: float, grid: Array, girth: Array) -> Corner | None:
    sides = cut.look(np.array([angle - CORNER_STEP, angle + CORNER_STEP]))
    turn = np.arctan2(sides["normal_bl"], sides["normal_height"])
    if abs(np.angle(np.exp(1j * (turn[1] - turn[0])))) < CORNER_LEAST:
        return None
    normal = [(float(sides["normal_bl"][k]), float(sides["normal_height"][k])) for k in (0, 1)]
    return Corner(
        line=name,
        girth=float(np.interp(angle, grid, girth)) % float(girth[-1]),
        normal_before=normal[0],
        normal_after=normal[1],
        bevel_before=float(sides["bevel"][0]),
        bevel_after=float(sides["bevel"][1]),
    )


def _bisect(
    seen: dict[str, Array], radius: Array, girth: Array, corners: tuple[Corner, ...]
) -> None:
    """Give the row at each corner the bisecting normal, the mean bevel and radius 0."""
    for corner in corners:
        row = int(np.argmin(np.abs(girth - corner.girth)))
        both = np.add(corner.normal_before, corner.normal_after)
        seen["normal_bl"][row], seen["normal_height"][row] = both / np.hypot(*both)
        seen["bevel"][row] = (corner.bevel_before + corner.bevel_after) / 2
        radius[row] = 0.0


def _crossings(cut: _Cut, start: float, grid: Array, girth: Array) -> Crossings:
    """Every line that was read on both sides of the plane, where it crosses."""
    surface = cut.surface
    names = [
        name
        for name, run in surface.lines.items()
        if run.first - 1e-6 <= cut.middle <= run.last + 1e-6
    ]
    angle = np.array([_line_angle(cut, name) for name in names])
    angle = start + np.mod(angle - start + 1e-9, 2 * np.pi) - 1e-9
    order = np.argsort(angle)
    names, angle = [names[k] for k in order], angle[order]
    seen = cut.look(angle)
    ahead, aside = surface.points(seen["x"] + 1e-3, angle), surface.points(seen["x"], angle + 1e-6)
    here = surface.points(seen["x"], angle)
    turn = np.array(
        [float(surface.lines[n].turn(x)) for n, x in zip(names, seen["x"], strict=True)]
    )
    direction = (ahead - here) / 1e-3 + (aside - here) / 1e-6 * turn[:, None]
    normal = seen["slope"] / np.linalg.norm(seen["slope"], axis=1, keepdims=True)
    tangent = np.stack(
        [
            -seen["normal_bl"] * cut.sin,
            seen["normal_height"],
            -seen["normal_bl"] * cut.cos,
        ],
        -1,
    )
    square = np.cross(tangent, normal)
    square *= np.sign(square[:, :1])
    slope = np.arctan2((direction * tangent).sum(1), (direction * square).sum(1))
    pace = np.linalg.norm(aside - here, axis=1) / 1e-6
    common = np.stack([seen["normal_height"], seen["normal_bl"]], -1) ** 2 @ cut.common
    sd = np.array([float(surface.lines[n].sd(x)) for n, x in zip(names, seen["x"], strict=True)])
    line = [surface.lines[name].line for name in names]
    return Crossings(
        line=np.array(names, dtype=str),
        kind=np.array([item.kind for item in line], dtype=str),
        girth=np.interp(angle, grid, girth),
        bl=seen["bl"],
        wl=seen["wl"],
        height=seen["height"],
        normal=np.arctan2(seen["normal_bl"], seen["normal_height"]),
        bevel=seen["bevel"],
        slope=slope,
        sd=np.hypot(sd * pace, np.sqrt(common)),
    )
