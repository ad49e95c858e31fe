"""Adjust tape ties and plumb readings into points: least squares, statistics, snooping."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.stats

from loft.job.errors import Finding
from loft.job.labels import side_of_label
from loft.job.records import Array, freeze_arrays
from loft.survey.doubt import Doubt, doubtful
from loft.survey.held import choose_side, refuse_loose, refuse_weak, scatter
from loft.survey.mirrors import first_positions
from loft.survey.network import AXES, Network, Tie, build_network, settle
from loft.survey.quality import CONTROLLED, CRITICAL, DETECT, cofactors, quality_of
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
        if self.freedom == 0:
            return True
        limit = scipy.stats.chi2.isf(0.001, self.freedom) / self.freedom
        return bool(self.variance_factor <= limit)

    @property
    def covariance(self) -> Array:
        """Return the covariance of every point, mm^2, shape (n, d, d).

        Where the residuals are larger than the standard deviations allow (one chance in
        a thousand), they are taken at their word: times the variance factor.
        """
        return self.cofactor if self.believed else self.cofactor * self.variance_factor

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
    everything = np.ones(len(net.value), dtype=bool)
    refuse_loose(net, scatter(net), used=everything)
    position = settle(net, first_positions(net), used=everything)
    refuse_loose(net, position, used=everything)
    used = everything
    failures: tuple[Failure, ...] = ()
    if snoop:
        used, failures, position = find_failures(net, position)
    refuse_weak(net, position, used=used)
    if sides is None:
        sides = {name: side_of_label(name.rpartition(":")[2]) for name in net.points}
    position, notes = choose_side(net, position, used=used, sides=sides)
    result = _result(net, position, used=used, failures=failures)
    doubts = doubtful(net, position, used=used, sides=sides)
    return _told(result, doubts=doubts, notes=notes)


def _result(
    net: Network,
    position: Array,
    *,
    used: np.ndarray,
    failures: tuple[Failure, ...],
) -> Adjustment:
    """Return the adjustment with its statistics."""
    quality = quality_of(net, position, used=used)
    share = np.where(used, quality.redundancy, 1.0 / np.maximum(quality.redundancy, 1.0))
    controlled = share > CONTROLLED
    detectable = np.where(
        controlled, DETECT * net.sigma / np.sqrt(np.maximum(share, 1e-12)), np.inf
    )
    return Adjustment(
        axes=net.axes,
        points=net.points,
        fixed=net.fixed,
        row=net.row,
        position=position,
        cofactor=cofactors(net, quality.inverse),
        ties=net.ties,
        residual=quality.residual,
        redundancy=share,
        standardised=quality.standardised,
        detectable=detectable,
        used=used,
        variance_factor=quality.square / quality.freedom if quality.freedom else float("nan"),
        freedom=quality.freedom,
        failures=failures,
    )


def _told(
    adjustment: Adjustment, *, doubts: Sequence[Doubt], notes: Sequence[Finding]
) -> Adjustment:
    """Return the adjustment with all that must be said of it.

    A point that may stand in another place is given a standard deviation that reaches
    there, whatever the direction.
    """
    cofactor = adjustment.cofactor.copy()
    for doubt in doubts:
        cofactor[doubt.point] += np.eye(len(adjustment.axes)) * doubt.reach**2
    told = [Finding(text=doubt.text, severity="warning") for doubt in doubts]
    findings = (*notes, *_remarks(adjustment), *told)
    return replace(adjustment, cofactor=cofactor, findings=findings)


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
    if not adjustment.believed:
        text = (
            f"the readings disagree {np.sqrt(adjustment.variance_factor):.1f} times as much as "
            "their standard deviations say; those of the points are enlarged by that"
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
        f"+- {failure.sd:.1f} mm (standardised residual {failure.standardised:.1f}, "
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
