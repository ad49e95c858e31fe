"""Adjust tape ties and plumb readings into points: least squares, statistics, snooping."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtri

from loft.job.errors import Finding, LoftError
from loft.job.labels import side_of_label
from loft.job.records import Array, freeze_arrays
from loft.survey.doubt import doubtful
from loft.survey.held import choose_side, refuse_loose, refuse_weak, scatter
from loft.survey.mirrors import first_positions
from loft.survey.network import (
    AXES,
    Network,
    Tie,
    build_network,
    part_of,
    settle,
    split_network,
)
from loft.survey.quality import CONTROLLED, CRITICAL, DETECT, Quality, cofactors, quality_of
from loft.survey.snooping import Failure, find_failures


@dataclass(frozen=True, eq=False, kw_only=True)
class Adjustment:
    """Adjusted points with their uncertainty, and what every reading was worth.

    Parameters
    ----------
    axes : tuple of str, length d
    points : tuple of str, length n
    fixed : ndarray of bool, shape (n,)
    row : ndarray of int, shape (n,)
        First row that names the point.
    position : ndarray, shape (n, d)
        mm.
    cofactor : ndarray, shape (n, d, d)
        Covariance of every point, mm^2, from the readings' own standard deviations.
    factor : ndarray, shape (n,)
        By how much that of the points is enlarged: 1, or the variance factor of their part
        of the network where its residuals are larger than the standard deviations allow
        (one chance in a thousand).
    ties : tuple of Tie, length m
        The readings (a control point with a sigma counts as one on every axis).
    residual, redundancy, standardised, detectable : ndarray, shape (m,)
        Adjusted less read; share of an error that shows in the residual; residual over
        its standard deviation; smallest error that would be found, 4.13 sigma/sqrt(r)
        (infinite where nothing controls the reading). Of a rejected reading: against
        the adjustment without it.
    used : ndarray of bool, shape (m,)
    variance_factor : float
        Weighted square sum of the residuals over `freedom`; NaN at freedom 0.
    freedom : int
    failures : tuple of Failure
    findings : tuple of Finding
        Warnings and notes.
    """

    axes: tuple[str, ...]
    points: tuple[str, ...]
    fixed: np.ndarray
    row: np.ndarray
    position: Array
    cofactor: Array
    factor: Array
    ties: tuple[Tie, ...]
    residual: Array
    redundancy: Array
    standardised: Array
    detectable: Array
    used: np.ndarray
    variance_factor: float
    freedom: int
    failures: tuple[Failure, ...] = ()
    findings: tuple[Finding, ...] = ()

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def believed(self) -> bool:
        """Return whether the residuals are as small as the standard deviations say."""
        return bool((self.factor == 1.0).all())

    @property
    def covariance(self) -> Array:
        """Return the covariance of every point, mm^2, shape (n, d, d)."""
        return self.cofactor * self.factor[:, None, None]

    @property
    def sd(self) -> Array:
        """Return the standard deviation of every coordinate, mm, shape (n, d)."""
        return np.sqrt(np.diagonal(self.covariance, axis1=1, axis2=2))

    def place(self, point: str) -> Array:
        """Return the position of a point by its name, shape (d,)."""
        return self.position[self.points.index(point)]


def adjust(
    ties: Sequence[Tie],
    *,
    axes: Sequence[str] = AXES,
    snoop: bool = True,
    sides: Mapping[str, str] | None = None,
) -> Adjustment:
    """Adjust readings into points by weighted least squares.

    Both crossings of tapes are tried. Then the readings are tested one at a time
    (Baarda): the one with the largest standardised residual beyond 3.29 is left out and
    all is solved again, until none is left; a reading left out too soon is taken back.
    It fails where readings fail together and nothing tells them apart: these are all
    named and kept, and the covariance grows.

    Parameters
    ----------
    ties : sequence of Tie
    axes : sequence of str
        The axes that exist: ("wl",) for a level net, two for a section or plan.
    snoop : bool
        False: test the readings, but leave none out.
    sides : mapping of str to str, optional
        port or starboard by the name of the point; by default from names such as
        ``F12:S4P``. It picks between mirrored solutions.

    Raises
    ------
    LoftError
        A point that the readings do not hold, with the reading it lacks; or a second
        solution which no reading, no approximate position and no label excludes.

    References
    ----------
    W. Baarda, A Testing Procedure for Use in Geodetic Networks, 1968.

    Examples
    --------
    >>> ties = [
    ...     Tie(kind="control", end="A", place=(0.0, 0.0)),
    ...     Tie(kind="control", end="B", place=(800.0, 0.0)),
    ...     Tie(kind="approx", end="P", place=(400.0, 200.0)),
    ...     Tie(kind="tape", start="A", end="P", value=500.0, sigma=1.0),
    ...     Tie(kind="tape", start="B", end="P", value=500.0, sigma=1.0),
    ... ]
    >>> adjust(ties, axes=("bl", "wl")).place("P").round(6).tolist()
    [400.0, 300.0]
    """
    net = build_network(ties, axes=axes)
    if sides is None:
        sides = {name: side_of_label(name.rpartition(":")[2]) for name in net.points}
    parts: list[_Part] = []
    faults: list[Finding] = []
    for points, readings in split_network(net):
        _refuse_unread(net, points, readings, faults)
        if not len(readings):
            continue
        try:
            part = _solved(part_of(net, points, readings), snoop=snoop, sides=sides)
        except LoftError as refusal:
            faults += refusal.findings
            continue
        parts.append(replace(part, points=points, readings=readings))
    if faults:
        raise LoftError(faults)
    return _merged(net, parts)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Part:
    """One solved part; `points` and `readings` are its places in the whole."""

    position: Array
    used: np.ndarray
    failures: tuple[Failure, ...]
    quality: Quality
    cofactor: Array
    findings: tuple[Finding, ...]
    points: np.ndarray
    readings: np.ndarray

    @property
    def factor(self) -> float:
        """Return by how much the covariance is enlarged; 1 where the residuals fit."""
        freedom = self.quality.freedom
        if freedom <= 0:
            return 1.0
        limit = float(chdtri(freedom, 0.001))
        return self.quality.square / freedom if self.quality.square > limit else 1.0


def _refuse_unread(
    net: Network, points: np.ndarray, readings: np.ndarray, faults: list[Finding]
) -> None:
    """Refuse a point that no reading touches."""
    if len(readings):
        return
    for k in points:
        text = (
            f"point {net.points[k]} cannot be solved from no reading at all; read its "
            f"{', '.join(net.axes)}"
        )
        file = net.ties[0].file if net.ties else ""
        faults.append(Finding(file=file, row=int(net.row[k]), text=text))


def _solved(net: Network, *, snoop: bool, sides: Mapping[str, str]) -> _Part:
    """Solve one part: both sides tried, failing readings left out, doubts told."""
    used = np.ones(len(net.value), dtype=bool)
    refuse_loose(net, scatter(net), used=used)
    position = settle(net, first_positions(net), used=used)
    refuse_loose(net, position, used=used)
    failures: tuple[Failure, ...] = ()
    if snoop:
        used, failures, position = find_failures(net, position)
    refuse_weak(net, position, used=used)
    position, notes = choose_side(net, position, used=used, sides=sides)
    quality = quality_of(net, position, used=used)
    cofactor = cofactors(net, quality.inverse)
    doubts = doubtful(net, position, used=used, sides=sides)
    for doubt in doubts:  # its standard deviation reaches the other place, whichever way
        cofactor[doubt.point] += np.eye(len(net.axes)) * doubt.reach**2
    told = [Finding(text=doubt.text, severity="warning") for doubt in doubts]
    return _Part(
        position=position,
        used=used,
        failures=failures,
        quality=quality,
        cofactor=cofactor,
        findings=(*notes, *told),
        points=np.arange(len(net.points)),
        readings=np.arange(len(net.value)),
    )


def _merged(net: Network, parts: Sequence[_Part]) -> Adjustment:
    """Return the solved parts as one adjustment with all that must be said of it."""
    count, size, many = len(net.points), len(net.axes), len(net.value)
    position, cofactor = net.given.copy(), np.zeros((count, size, size))
    factor, used = np.ones(count), np.ones(many, dtype=bool)
    residual, redundancy, standardised = np.zeros(many), np.zeros(many), np.zeros(many)
    for part in parts:
        free = ~net.fixed[part.points]
        position[part.points] = part.position
        cofactor[part.points[free]] = part.cofactor[free]
        factor[part.points[free]] = part.factor
        used[part.readings] = part.used
        residual[part.readings] = part.quality.residual
        standardised[part.readings] = part.quality.standardised
        share = part.quality.redundancy
        redundancy[part.readings] = np.where(part.used, share, 1.0 / np.maximum(share, 1.0))
    freedom = sum(part.quality.freedom for part in parts)
    square = sum(part.quality.square for part in parts)
    root = np.sqrt(np.maximum(redundancy, 1e-12))
    adjustment = Adjustment(
        axes=net.axes,
        points=net.points,
        fixed=net.fixed,
        row=net.row,
        position=position,
        cofactor=cofactor,
        factor=factor,
        ties=net.ties,
        residual=residual,
        redundancy=redundancy,
        standardised=standardised,
        detectable=np.where(redundancy > CONTROLLED, DETECT * net.sigma / root, np.inf),
        used=used,
        variance_factor=square / freedom if freedom else float("nan"),
        freedom=freedom,
        failures=tuple(failure for part in parts for failure in part.failures),
    )
    told = [finding for part in parts for finding in part.findings]
    return replace(adjustment, findings=(*told, *_remarks(adjustment)))


def _remarks(adjustment: Adjustment) -> list[Finding]:
    """Return what must be said of an adjustment: failures, trust, readings unchecked."""
    found = [_failed(failure) for failure in adjustment.failures]
    rejected = sum(failure.rejected for failure in adjustment.failures)
    if 5 * rejected > len(adjustment.ties) or rejected > adjustment.freedom:
        text = (
            f"{rejected} of {len(adjustment.ties)} readings contradict the others, so many that "
            "wrong ones may stand among those that agree: not to be trusted; tape it again"
        )
        found.append(Finding(text=text, severity="warning"))
    for factor in dict.fromkeys(adjustment.factor[adjustment.factor > 1.0].tolist()):
        names = [adjustment.points[k] for k in np.flatnonzero(adjustment.factor == factor)]
        more = f" and {len(names) - 4} more" if len(names) > 4 else ""
        text = (
            f"the readings of {', '.join(names[:4])}{more} disagree {np.sqrt(factor):.1f} times "
            "as much as their standard deviations say; those of the points are enlarged by that"
        )
        found.append(Finding(text=text, severity="warning"))
    alone = np.flatnonzero(adjustment.used & (adjustment.redundancy < 0.02))
    if len(alone):
        names = [adjustment.ties[k].name for k in alone[:4]]
        more = f" and {len(alone) - 4} more" if len(alone) > 4 else ""
        text = f"no other reading controls {', '.join(names)}{more}: a slip there cannot be seen"
        found.append(Finding(text=text, severity="note"))
    return found


def _failed(failure: Failure) -> Finding:
    """Return a failing reading as a warning."""
    tie = failure.tie
    text = (
        f"{tie.name}: {tie.value:.1f} mm read, the others suggest {failure.suggested:.1f} "
        f"± {failure.sd:.1f} mm (standardised residual {failure.standardised:.1f}, "
        f"{CRITICAL:.2f} allowed)"
    )
    if failure.slip:
        text += f"; likely slip: {failure.slip}"
    text += (
        "; left out"
        if failure.rejected
        else "; one of the readings named so is wrong, and nothing tells which: none left out"
    )
    return Finding(file=tie.file, row=tie.row, text=text, severity="warning")
