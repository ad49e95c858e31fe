"""Failures that can be seen in the readings, said in words."""

from __future__ import annotations

import numpy as np

from loft.fairing.evidence import StationShifts
from loft.fairing.places import girth_of
from loft.fairing.surface import Surface
from loft.job.errors import Finding, LoftError
from loft.job.records import Array, Deviations, Frame, Job, Settlements

CHINE_ALARM = 5.0  # standardised pile-up from which an unmarked chine is named
CHINE_WIDTH = np.deg2rad(14.0)  # half width of the pattern a chine leaves
CHINE_APART = np.deg2rad(20.0)
SHIFT_ALARM = 3.5  # standardised fore-and-aft shift from which a station is named
SPARSE = 14  # readings a frame below which a chine is not held


def unmarked_chines(surface: Surface, found: Deviations) -> tuple[Finding, ...]:
    """Name angles at which residuals pile up over the frames as an unmarked chine leaves them.

    A chine that is not marked leaves the same small wiggle in every frame, at one angle
    or one that drifts evenly along the body. The residuals are matched with that
    pattern over angle and drift.
    """
    survey = surface.survey
    ok = (found.used == "yes") & np.isfinite(found.deviation) & (survey.frame != "")
    score, angle, drift = chine_scores(
        found.theta[ok], survey.station[ok], found.standardised[ok]
    )
    out, taken = [], []
    known = [float(surface.lines[name].theta(surface.stations.mean())) for name in surface.chines]
    for k in np.argsort(-score):
        if score[k] < CHINE_ALARM:
            break
        near = [np.abs(np.angle(np.exp(1j * (angle[k] - t)))) < CHINE_APART for t in taken + known]
        if any(near):
            continue
        taken.append(float(angle[k]))
        middle = float(surface.stations.mean())
        girth, _ = girth_of(surface, middle, np.array([angle[k]]))
        out.append(
            Finding(
                text="residuals pile up at one place on every frame, as an unmarked chine leaves "
                f"them: about girth {girth[0]:.0f} mm at station {middle:.0f}"
                f"{_nearest(surface, middle, float(angle[k]))}; if the metal has an edge there, "
                "label readings on it and mark the line chine = true",
                severity="warning",
            )
        )
    return tuple(out)


def _nearest(surface: Surface, station: float, theta: float) -> str:
    gap = {
        name: abs(np.angle(np.exp(1j * (float(run.theta(np.array(station))) - theta))))
        for name, run in surface.lines.items()
    }
    if not gap:
        return ""
    name = min(gap, key=lambda key: gap[key])
    return f", near line {name}"


def chine_scores(theta: Array, station: Array, standardised: Array) -> tuple[Array, Array, Array]:
    """Return the pile-up score, its angle at the middle station and its drift.

    Shapes (240,): for each angle the best drift's score.
    """
    u = (station - station.mean()) / max(np.ptp(station) / 2, 1e-9)
    centre = np.linspace(-np.pi, np.pi, 240, endpoint=False)
    best, best_drift = np.zeros(len(centre)), np.zeros(len(centre))
    value = np.clip(standardised, -3, 3)
    scale = max(1.4826 * float(np.median(np.abs(value))), 1e-9)
    for drift in np.deg2rad(np.arange(-24, 25, 4)):
        away = np.angle(np.exp(1j * (theta - centre[:, None] - drift * u)))
        pattern = _pattern(away)
        square = (pattern**2).sum(1)
        score = np.abs(pattern @ value) / (scale * np.sqrt(np.maximum(square, 1e-9)))
        score = np.where(square > 4, score, 0.0)
        better = score > best
        best, best_drift = np.where(better, score, best), np.where(better, drift, best_drift)
    return best, centre, best_drift


def _pattern(away: Array) -> Array:
    """Return what twelve harmonics cannot follow of a kink: a wiggle about its angle."""
    x = away / CHINE_WIDTH
    return np.cos(np.pi * x) * np.exp(-0.5 * (x / 0.8) ** 2) * (np.abs(x) < 2.5)


def stations_out(shifts: StationShifts, job: Job) -> tuple[Finding, ...]:
    """Name frames whose readings belong to another station.

    Each frame was predicted without its own readings; a shift along the body that
    explains what is left, beyond its standard deviation, is named. Next to a named
    frame nothing more is named: its error shows there too.
    """
    ratio = np.abs(shifts.shift) / shifts.sd
    for k, name in enumerate(shifts.frame):
        sigma = job.frame(str(name)).station_sigma
        if sigma:
            ratio[k] = np.abs(shifts.shift[k]) / np.hypot(shifts.sd[k], sigma)
    out, taken = [], []
    for k in np.argsort(-np.nan_to_num(ratio)):
        if not ratio[k] > SHIFT_ALARM:
            break
        if any(abs(k - t) <= 2 for t in taken):
            continue
        taken.append(int(k))
        out.append(
            Finding(
                text=f"frame {shifts.frame[k]}: its readings fit a station "
                f"{abs(shifts.shift[k]):.0f} mm further {'aft' if shifts.shift[k] > 0 else 'forward'} "
                f"(± {1.96 * shifts.sd[k]:.0f}); tape its station again, or give it a "
                "station_sigma so that it may shift",
                severity="warning",
            )
        )
    return tuple(out)


def shifted_frames(settled: Settlements, job: Job) -> tuple[Finding, ...]:
    """Name frames that were allowed to shift along the body and did."""
    out = []
    for k, name in enumerate(settled.frame):
        shift, sd = settled.d_station[k], settled.sd_station[k]
        if np.isfinite(shift) and abs(shift) > 2.58 * sd:
            out.append(
                Finding(
                    text=f"frame {name} stands {abs(shift):.0f} mm "
                    f"{'aft' if shift > 0 else 'forward'} of its stated station "
                    f"{job.frame(str(name)).station:.1f} (± {1.96 * sd:.0f}); it was allowed to "
                    "shift, so the surface is not drawn by it; tape its station again",
                    severity="warning",
                )
            )
    return tuple(out)


def reach_of(surface: Surface, frame: Frame, extrapolate: bool) -> Finding | None:
    """Refuse or warn where a frame lies past the surveyed run."""
    first, last = surface.stations[0], surface.stations[-1]
    if first <= frame.station <= last:
        return None
    text = (
        f"frame {frame.name}: station {frame.station:.1f} mm is outside the surveyed run "
        f"{first:.1f} to {last:.1f}"
    )
    if not extrapolate:
        raise LoftError(
            Finding(text=f"{text}; survey a frame beyond it, or say extrapolate = true in [fair]")
        )
    return Finding(
        text=f"{text}; it is extrapolated: expect 2 to 4 mm and a band that holds less often",
        severity="warning",
    )


def thin_frames(surface: Surface) -> tuple[Finding, ...]:
    """Warn where a chined body is read at too few points a frame."""
    if not surface.chines:
        return ()
    count = surface.fit.batch.held.sum(1)[surface.fit.batch.settles]
    if np.median(count) >= SPARSE:
        return ()
    return (
        Finding(
            text=f"a body with chines was read at about {int(np.median(count))} points a frame: "
            "expect 4 to 6 mm even though the chines are marked; "
            "some 20 points a frame, three or more on every flat, would bring about 1 to 2 mm",
            severity="warning",
        ),
    )
