"""Failures that can be seen in the readings, said in words."""

from __future__ import annotations

import numpy as np

from loft.fairing.evidence import StationShifts
from loft.fairing.reference import MAD
from loft.fairing.surface import Surface
from loft.job.errors import Finding, LoftError
from loft.job.records import Frame, Job, Settlements

SHIFT_ALARM = 2.5  # standardised fore-and-aft shift from which a station is named
TAPED = 10.0  # mm: a frame whose station is no further out than it was taped is not named
SCATTER = 2.0  # times its stated sigma from which a survey's scatter is told
SPARSE = 14  # readings a frame below which a chine is not held


def stations_out(shifts: StationShifts, job: Job) -> tuple[Finding, ...]:
    """Name frames whose readings belong to another station.

    Each frame was predicted without its own readings; a shift along the body that
    explains what is left, beyond its standard deviation and what a tape leaves open, is
    named. Next to a named frame nothing more is named: its error shows there too. Where
    the body hardly tapers a wrong station cannot be seen (and does little harm).
    """
    sigma = [max(job.frame(str(name)).station_sigma, TAPED) for name in shifts.frame]
    ratio = np.abs(shifts.shift) / np.hypot(shifts.sd, sigma)
    out: list[Finding] = []
    taken: list[int] = []
    for k in np.argsort(-np.nan_to_num(ratio)):
        if not ratio[k] > SHIFT_ALARM:
            break
        if any(abs(k - t) <= 2 for t in taken):
            continue
        taken.append(int(k))
        way = "aft" if shifts.shift[k] > 0 else "forward"
        out.append(
            Finding(
                text=f"frame {shifts.frame[k]}: its readings fit a station "
                f"{abs(shifts.shift[k]):.0f} mm further {way} "
                f"(± {1.96 * shifts.sd[k]:.0f} mm); tape its station again, or give it a "
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
                    f"{job.frame(str(name)).station:.1f} mm (± {1.96 * sd:.0f} mm); it was "
                    "allowed to shift, so the surface is not drawn by it; tape its station again",
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
        text=f"{text}; it is extrapolated: expect 3 to 4 mm and a band that holds only about half "
        "the time",
        severity="warning",
    )


def scatter(surface: Surface) -> tuple[Finding, ...]:
    """Warn where the readings scatter about the surface far more than their stated sigma."""
    batch = surface.fit.batch
    error = surface.fit.error[:, : batch.own.shape[1]]  # a chine's second equations stand behind
    factor = MAD * float(np.median(np.abs(error / batch.sigma)[batch.held]))
    if factor < SCATTER:
        return ()
    return (
        Finding(
            text=f"the readings scatter {factor:.1f} times as far about the surface as their "
            "stated sigma: it is too small, or a break or a chine is not marked, or a face or a "
            "unit is wrong; the band is drawn from the scatter as it is",
            severity="warning",
        ),
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
