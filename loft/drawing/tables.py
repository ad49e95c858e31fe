"""Tables of the check: drawing.csv, one row an arc, and facts.csv, one row a figure."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from loft.drawing.check import Check
from loft.drawing.facts import Drawing
from loft.job.records import NAN

DRAWING_COLUMNS = (
    "frame",
    "arc",
    "given_radius",
    "fitted_radius",
    "sd_radius",
    "centre_bl",
    "centre_wl",
    "sd_centre",
    "standardised",
    "verdict",
)
FACTS_COLUMNS = (
    "frame",
    "arc",
    "dimension",
    "given",
    "sigma",
    "fitted",
    "sd",
    "standardised",
    "detectable",
    "suggested",
    "verdict",
)
UPRIGHT = ("centre_wl", "tangent_wl", "top", "bottom")  # heights in the frame's plane


def drawing_rows(checks: Iterable[Check]) -> list[list[object]]:
    """Return the rows of drawing.csv: every arc and straight as found.

    An unknown figure is NaN (blank in the file); a straight has radius inf. An arc
    that is hardly determined shows its radius interval in the verdict.

    Examples
    --------
    >>> drawing_rows([])
    []
    """
    rows: list[list[object]] = []
    for check in checks:
        half = _half(check.drawing)
        for arc in check.arcs:
            rows.append(
                [
                    check.drawing.frame,
                    arc.name,
                    arc.given_radius,
                    arc.radius if not np.isnan(arc.sd_radius) or np.isinf(arc.radius) else NAN,
                    arc.sd_radius,
                    half * arc.centre_bl,
                    _waterline(check.drawing, arc.centre_height),
                    arc.sd_centre,
                    arc.standardised,
                    arc.verdict,
                ]
            )
    return rows


def facts_rows(checks: Iterable[Check]) -> list[list[object]]:
    """Return the rows of facts.csv: every drawn figure, as it stands on the drawing.

    Sweeps are in degrees; half-breadths and tangent points are those of the side the
    drawing gives, positive; `detectable` is the smallest error that would have been
    seen, inf where none would.

    Examples
    --------
    >>> facts_rows([])
    []
    """
    rows: list[list[object]] = []
    for check in checks:
        for line in check.facts:
            one = line.dimension
            scale = 180 / np.pi if one.kind == "sweep" else _stretch(check.drawing, one.kind)
            rows.append(
                [
                    check.drawing.frame,
                    line.arc,
                    _dimension(check.drawing, one.kind, one.at),
                    _as_drawn(check.drawing, one.kind, one.value),
                    one.sigma if one.kind != "sweep" else one.sigma * scale,
                    _known(_as_drawn(check.drawing, one.kind, line.fitted), line.sd),
                    line.sd * scale if np.isfinite(line.sd) else NAN,
                    line.standardised,
                    line.detectable * scale,
                    _as_drawn(check.drawing, one.kind, line.suggested),
                    line.verdict,
                ]
            )
    return rows


def _known(value: float, sd: float) -> float:
    return value if np.isfinite(sd) else NAN


def _half(drawing: Drawing) -> float:
    return -1.0 if drawing.side == "port" else 1.0


def _stretch(drawing: Drawing, kind: str) -> float:
    """Return what turns a height in the plane into a waterline, 1 for other figures."""
    return float(np.cos(drawing.plane.cant)) if kind in UPRIGHT else 1.0


def _waterline(drawing: Drawing, height: float) -> float:
    """Return the waterline of a height in the frame's plane."""
    plane = drawing.plane
    return float(plane.pivot_wl + height * np.cos(plane.cant)) if plane.cant else height


def _as_drawn(drawing: Drawing, kind: str, value: float) -> float:
    """Return a figure in the drawing's own terms."""
    if kind in UPRIGHT:
        return _waterline(drawing, value)
    if kind == "centre_bl":
        return _half(drawing) * value
    return float(np.rad2deg(value)) if kind == "sweep" else value


def _dimension(drawing: Drawing, kind: str, at: float) -> str:
    """Return a figure's name for the table, in words that say its unit and place."""
    if kind == "half_breadth":
        return f"half_breadth at wl {_waterline(drawing, at):.1f}"
    return "sweep_deg" if kind == "sweep" else kind
