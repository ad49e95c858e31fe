"""Put a survey into the aircraft's axes: a scan by its targets, any by its own symmetry."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np
from scipy.special import chdtri

from loft.job.errors import Finding, LoftError
from loft.job.records import Array, CloudSet, Job, freeze_arrays
from loft.survey.network import AXES, Tie
from loft.survey.quality import CRITICAL, DETECT
from loft.survey.similarity import Similarity, motion, similarity
from loft.survey.slips import likely_slip
from loft.survey.targets import read_targets
from loft.survey.upright import level_survey as level_survey

FARTHEST = 1e9  # mm; scans may stand in map coordinates
FLAT = 0.01  # spread across a line, as a share of that along it, below which it is one line
RATIOS = {
    25.4: "inches taken for mm",
    1000.0: "metres taken for mm",
    304.8: "feet taken for mm",
    10.0: "cm taken for mm",
    12.0: "feet taken for inches",
    1000.0 / 25.4: "metres taken for inches",
    1000.0 / 304.8: "metres taken for feet",
    1 / 25.4: "mm taken for inches",
    0.001: "mm taken for metres",
    1 / 304.8: "mm taken for feet",
    0.1: "mm taken for cm",
    1 / 12.0: "inches taken for feet",
    0.0254: "inches taken for metres",
    0.3048: "feet taken for metres",
}


@dataclass(frozen=True, eq=False, kw_only=True)
class Registration:
    """A rigid transform from the scan into the aircraft's axes.

    Parameters
    ----------
    rotation : ndarray, shape (3, 3)
    translation : ndarray, shape (3,)
        mm; ``aircraft = rotation @ scan + translation``.
    centre : ndarray, shape (3,)
        Weighted centre of the targets in aircraft axes, to which `covariance` belongs.
    covariance : ndarray, shape (6, 6)
        Of a small turn (radians, about station, bl, wl through `centre`) and of the
        position of `centre` (mm).
    names : tuple of str, length n
    residual : ndarray, shape (n, 3)
        Fitted less given, mm.
    standardised : ndarray, shape (n, 3)
        Residuals over their standard deviations.
    used : ndarray of bool, shape (n,)
    variance_factor : float
    hand_proved : bool
        A mirrored scan would have been seen.
    findings : tuple of Finding
        Warnings and notes.
    """

    rotation: Array
    translation: Array
    centre: Array
    covariance: Array
    names: tuple[str, ...]
    residual: Array
    standardised: Array
    used: np.ndarray
    variance_factor: float
    hand_proved: bool
    findings: tuple[Finding, ...] = ()

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def rotation_vector(self) -> Array:
        """Return the rotation as a right-handed turn about an axis, radians, shape (3,)."""
        from scipy.spatial.transform import Rotation

        return np.asarray(Rotation.from_matrix(self.rotation).as_rotvec())

    def apply(self, scan: Array) -> Array:
        """Return points of the scan in aircraft axes, shape (n, 3), mm."""
        return np.asarray(scan, dtype=np.float64) @ self.rotation.T + self.translation

    def summary(self) -> dict[str, Any]:
        """Return how the targets fit, in plain numbers: mm."""
        return {
            "rms": round(float(np.sqrt(np.mean(self.residual[self.used] ** 2))), 3),
            "variance_factor": round(float(self.variance_factor), 3),
            "hand_proved": self.hand_proved,
            "targets": [
                {
                    "name": name,
                    "miss": [round(float(value), 3) for value in self.residual[k]],
                    "standardised": round(float(np.abs(self.standardised[k]).max()), 2),
                    "used": bool(self.used[k]),
                }
                for k, name in enumerate(self.names)
            ],
        }

    def covariance_at(self, points: Array) -> Array:
        """Return the covariance that the registration gives to points, mm^2, (n, 3, 3).

        Parameters
        ----------
        points : ndarray, shape (n, 3)
            In aircraft axes, mm.
        """
        rows = motion(np.asarray(points, dtype=np.float64) - self.centre)
        return np.asarray(rows @ self.covariance @ np.swapaxes(rows, 1, 2))


def register(
    scan: Array, aircraft: Array, *, sigma: Array | float, names: Sequence[str] = ()
) -> Registration:
    """Fit the rigid transform that carries a scan's targets into the aircraft's axes.

    Every coordinate of every target is tested; a target with a wrong one is left out
    where the others tell which it is. A scan that fits only mirrored or only scaled is
    refused with these words: neither is ever applied.

    Parameters
    ----------
    scan, aircraft : ndarray, shape (n, 3)
        The targets in both systems, mm, n >= 3 and not in one line.
    sigma : float or ndarray, shape (n,)
        One standard deviation of a coordinate of a target, both systems together, mm.
    names : sequence of str, optional
        Names of the targets; numbers by default.

    Raises
    ------
    LoftError
        Too few targets, targets in one line or named twice; a suspected mirror, scale or
        exchange of two targets; targets that contradict one another.

    Examples
    --------
    >>> scan = np.array([[0.0, 0, 0], [4000, 0, 0], [0, 1500, 0], [0, 0, 1800]])
    >>> found = register(scan, scan + [5000.0, 0.0, 300.0], sigma=1.0)
    >>> found.translation.round(6).tolist(), found.hand_proved
    ([5000.0, 0.0, 300.0], True)
    """
    scan, aircraft = (np.array(points, dtype=np.float64) for points in (scan, aircraft))
    names = tuple(names) or tuple(str(k + 1) for k in range(len(scan)))
    sigma = np.broadcast_to(np.asarray(sigma, dtype=np.float64), (len(scan),))
    _check(scan, aircraft, sigma, names)
    used = np.ones(len(scan), dtype=bool)
    notes: list[Finding] = []
    while True:
        pairs = _Pairs(scan=scan[used], aircraft=aircraft[used], sigma=sigma[used])
        rigid = pairs.fit()
        _refuse_other_models(pairs, rigid, names=[n for n, u in zip(names, used, strict=True) if u])
        standardised, other = _worst(pairs, rigid)
        if abs(standardised) <= CRITICAL and pairs.accepts(rigid):
            break
        last = 4 * (len(scan) - int(used.sum()) + 1) > len(scan) or used.sum() <= scan.shape[1]
        if abs(standardised) <= CRITICAL or other is None or last:
            raise LoftError(_contradiction(pairs, rigid, names, used))
        target = int(np.flatnonzero(used)[other[0]])
        used[target] = False
        _check_line(scan[used], sigma[used])
        notes.append(
            _left_out(scan, aircraft, sigma, used, (target, other[1]), names[target], standardised)
        )
    return _registration(scan, aircraft, sigma, used, names=names, notes=notes)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Pairs:
    """Targets that take part in a fit."""

    scan: Array
    aircraft: Array
    sigma: Array

    def fit(self, *, scaled: bool = False, mirrored: bool = False) -> Similarity:
        """Return the weighted fit of one model."""
        return similarity(
            self.scan, self.aircraft, weight=self.sigma**-2, scaled=scaled, mirrored=mirrored
        )

    def freedom(self, *, scaled: bool = False) -> int:
        """Return readings less unknowns."""
        size = self.scan.shape[1]
        return self.scan.size - size - size * (size - 1) // 2 - int(scaled)

    def accepts(self, fit: Similarity, *, scaled: bool = False) -> bool:
        """Return whether residuals are as small as sigma says (one chance in a thousand)."""
        freedom = self.freedom(scaled=scaled)
        return freedom > 0 and fit.square <= float(chdtri(freedom, 0.001))

    def rows(self, fit: Similarity) -> tuple[Array, Array]:
        """Return the motion of the targets (n, d, p) and the centre they turn about."""
        centre = (self.sigma**-2 @ self.aircraft) / np.sum(self.sigma**-2)
        return motion(self.aircraft + fit.residual - centre), centre

    def covariance(self, fit: Similarity) -> Array:
        """Return the covariance of turn and centre, shape (p, p)."""
        rows, _ = self.rows(fit)
        scaled = (rows / self.sigma[:, None, None]).reshape(-1, rows.shape[2])
        return np.asarray(np.linalg.inv(scaled.T @ scaled))


def _check(scan: Array, aircraft: Array, sigma: Array, names: tuple[str, ...]) -> None:
    """Refuse targets from which nothing can be registered."""
    faults = []
    if scan.ndim != 2 or scan.shape[1:] not in ((2,), (3,)) or scan.shape != aircraft.shape:
        shapes = f"{scan.shape} and {aircraft.shape}"
        raise LoftError(f"targets of shape {shapes} found, twice (n, 3) wanted")
    if len(names) != len(scan):
        faults.append(f"{len(names)} names for {len(scan)} targets found, one each wanted")
    for name in dict.fromkeys(name for name in names if names.count(name) > 1):
        faults.append(f"target {name} found {names.count(name)} times, every name once wanted")
    if np.abs(np.nan_to_num([scan, aircraft])).max(initial=0.0) > FARTHEST:
        faults.append("a coordinate of more than 1000 km found: the wrong unit?")
    if not (np.isfinite(scan).all() and np.isfinite(aircraft).all()):
        faults.append("a target without all its coordinates found, finite numbers wanted")
    if not (np.isfinite(sigma).all() and (sigma > 0).all()):
        faults.append("a sigma that is not more than 0 found; give every target its own")
    if len(scan) < 3:
        faults.append(f"{len(scan)} targets found, 3 or more wanted (4 prove the hand)")
    if faults:
        raise LoftError(Finding(text=text) for text in faults)
    _check_line(scan, np.zeros(1))  # its unit may still be wrong
    _check_line(aircraft, sigma)


def _check_line(points: Array, sigma: Array) -> None:
    """Refuse targets that stand in one line: the scan would turn about it."""
    sizes = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    limit = CRITICAL * float(sigma.max())
    if sizes[1] > max(FLAT * sizes[0], limit) or (points.shape[1] == 2 and sizes[0] > limit):
        return
    across = sizes[1] / math.sqrt(len(points))
    raise LoftError(
        f"{len(points)} targets in one line found ({across:.1f} mm off it), a target well to the "
        "side wanted: the scan could turn about that line"
    )


def _refuse_other_models(pairs: _Pairs, rigid: Similarity, *, names: Sequence[str]) -> None:
    """Refuse a scan that fits only mirrored, only scaled, or with two targets exchanged."""
    for words, mirrored, scaled in (
        ("scaled", False, True),
        ("mirrored", True, False),
        ("mirrored and scaled", True, True),
    ):
        fit = pairs.fit(mirrored=mirrored, scaled=scaled)
        better = rigid.square - fit.square > DETECT**2
        if better and pairs.accepts(fit, scaled=scaled):
            raise LoftError(_model_text(words, fit, rigid))
    if pairs.accepts(rigid):
        return
    for first, second in combinations(range(len(names)), 2):
        order = np.arange(len(names))
        order[[first, second]] = second, first
        swapped = replace(pairs, aircraft=pairs.aircraft[order], sigma=pairs.sigma[order])
        if len(names) > 3 and swapped.accepts(swapped.fit()):
            raise LoftError(
                f"targets {names[first]} and {names[second]} found exchanged: the targets "
                "contradict one another as named and agree with these two changed over; "
                "look at their numbers"
            )


def _model_text(words: str, fit: Similarity, rigid: Similarity) -> str:
    """Return the refusal of a scan that fits only mirrored or scaled."""
    rms, plain = (float(np.sqrt(np.mean(np.sum(f.residual**2, axis=1)))) for f in (fit, rigid))
    proper = fit.rotation if np.linalg.det(fit.rotation) > 0 else -fit.rotation
    size = len(proper)
    turn = math.acos(min(1.0, max(-1.0, (float(np.trace(proper)) - (size - 2)) / 2)))
    if size == 2:
        turn = math.atan2(fit.rotation[1, 0], fit.rotation[0, 0]) % (2 * math.pi)
    text = (
        f"the targets fit only {words}: rms {rms:.2f} mm so, {plain:.2f} mm as they are "
        f"(turn {math.degrees(turn):.4f} degrees, scale {fit.scale:.6g})"
    )
    if "scaled" in words:
        hints = [hint for ratio, hint in RATIOS.items() if abs(fit.scale / ratio - 1) < 0.005]
        text += "; a scan is never scaled: look at the units of the cloud and of the targets"
        text += f" (x y z: {hints[0]}?)" if hints else ""
    if "mirrored" in words:
        text += (
            "; a scan is never mirrored: look for a left-handed scan, or port and starboard "
            "exchanged in bl"
        )
    return text


def _worst(pairs: _Pairs, fit: Similarity) -> tuple[float, tuple[int, int] | None]:
    """Return the largest standardised residual, and its (target, axis).

    None in place of the latter where a coordinate of another target fails together with
    it, and nothing tells them apart.
    """
    rows, _ = pairs.rows(fit)
    count, size, _ = rows.shape
    scaled = (rows / pairs.sigma[:, None, None]).reshape(count * size, -1)
    left = np.eye(count * size) - scaled @ np.linalg.pinv(scaled)
    share = np.maximum(np.diag(left), 0.0)
    tested = share > 1e-3
    root = np.sqrt(np.where(tested, share, 1.0))
    standardised = np.where(tested, (fit.residual / pairs.sigma[:, None]).ravel() / root, 0.0)
    worst = int(np.argmax(np.abs(standardised)))
    alike = tested & (np.abs(left[worst]) / root / root[worst] > 0.99)
    owners = set((np.flatnonzero(alike) // size).tolist())
    own = divmod(worst, size)
    return float(standardised[worst]), own if len(owners) == 1 else None


def _contradiction(
    pairs: _Pairs, fit: Similarity, names: Sequence[str], used: np.ndarray
) -> Finding:
    """Return the refusal of targets that contradict one another."""
    size = np.linalg.norm(fit.residual, axis=1)
    told = [f"{name} {miss:.1f}" for name, miss in zip(np.array(names)[used], size, strict=True)]
    factor = math.sqrt(fit.square / max(1, pairs.freedom()))
    return Finding(
        text=f"the targets contradict one another, {factor:.1f} times as much as their sigma says, "
        f"and nothing tells which is wrong (misses in mm: {', '.join(told)}); measure them "
        "again, or add a target"
    )


def _left_out(
    scan: Array,
    aircraft: Array,
    sigma: Array,
    used: np.ndarray,
    wrong: tuple[int, int],
    name: str,
    standardised: float,
) -> Finding:
    """Return the warning that a target was left out, with what the others suggest."""
    target, axis = wrong
    pairs = _Pairs(scan=scan[used], aircraft=aircraft[used], sigma=sigma[used])
    fit = pairs.fit()
    place = fit.rotation @ scan[target] + fit.shift
    _, centre = pairs.rows(fit)
    row = motion((place - centre)[None])[0]
    sd = math.sqrt((row @ pairs.covariance(fit) @ row.T)[axis, axis] + sigma[target] ** 2)
    word = AXES[axis] if len(place) == 3 else ("x", "y")[axis]
    value = float(aircraft[target, axis])
    tie = Tie(kind=word, end=name, value=value, sigma=float(sigma[target]), text=f"{value:g}")
    slip = likely_slip(tie, float(place[axis]), sd)
    text = (
        f"target {name} left out: {word} {value:.1f} mm given, the others suggest "
        f"{place[axis]:.1f} ± {sd:.1f} mm (standardised residual {standardised:.1f}, "
        f"{CRITICAL:.2f} allowed)"
    )
    return Finding(text=text + (f"; likely slip: {slip}" if slip else ""), severity="warning")


def _registration(
    scan: Array,
    aircraft: Array,
    sigma: Array,
    used: np.ndarray,
    *,
    names: tuple[str, ...],
    notes: list[Finding],
) -> Registration:
    """Return the registration with its statistics and what must be said of it."""
    pairs = _Pairs(scan=scan[used], aircraft=aircraft[used], sigma=sigma[used])
    fit = pairs.fit()
    covariance = pairs.covariance(fit)
    _, centre = pairs.rows(fit)
    residual = scan @ fit.rotation.T + fit.shift - aircraft
    rows = motion(residual + aircraft - centre)
    taken = rows @ covariance @ np.swapaxes(rows, 1, 2)
    own = np.diagonal(taken, axis1=1, axis2=2)
    variance = sigma[:, None] ** 2 + np.where(used[:, None], -own, own)
    sound = variance > 1e-6 * sigma[:, None] ** 2
    standardised = np.where(sound, residual / np.sqrt(np.where(sound, variance, 1.0)), 0.0)
    proved = pairs.fit(mirrored=True).square - fit.square > DETECT**2
    if not proved:
        text = (
            "hand not checked: the targets are fewer than four or nearly in one plane, and a "
            "mirrored scan would fit as well; four targets well out of one plane prove it"
        )
        notes = [*notes, Finding(text=text, severity="note")]
    return Registration(
        rotation=fit.rotation,
        translation=fit.shift,
        centre=centre,
        covariance=covariance,
        names=names,
        residual=residual,
        standardised=standardised,
        used=used,
        variance_factor=fit.square / pairs.freedom(),
        hand_proved=bool(proved),
        findings=tuple(notes),
    )


def register_cloud(job: Job, cloud: CloudSet) -> Registration:
    """Read the targets of a scan and register it; findings name the table.

    Raises
    ------
    LoftError
        As `read_targets` and `register`.

    Examples
    --------
    >>> from pathlib import Path
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> cloud = CloudSet(file=Path("bay.ply"), sigma=0.8, face="skin_inner", unit="m",
    ...                  targets=Path("no-such-table.csv"))
    >>> try:
    ...     register_cloud(job, cloud)
    ... except LoftError as refusal:
    ...     print(refusal)
    no-such-table.csv: no such file found
    """
    targets = read_targets(job, cloud)
    try:
        found = register(targets.scan, targets.aircraft, sigma=targets.sigma, names=targets.name)
    except LoftError as refusal:
        raise LoftError(
            replace(finding, file=targets.file) for finding in refusal.findings
        ) from None
    named = tuple(replace(finding, file=targets.file) for finding in found.findings)
    return replace(found, findings=named)
