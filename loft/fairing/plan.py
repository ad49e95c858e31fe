"""Plan the next day of surveying: which further readings narrow a missing frame's band most."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from loft.fairing.candidates import candidate_readings
from loft.fairing.knots import band_of, posterior_with, reading_blocks, target_of
from loft.fairing.prospect import Candidate, block_of_rows, present, prospect
from loft.fairing.surface import FEWEST, Surface
from loft.job.caution import CAUTION
from loft.job.errors import LoftError
from loft.job.files import table_text
from loft.job.records import Array, Frame, Job, freeze_arrays
from loft.job.units import MM_PER

PLAN = (
    "rank", "frame", "line", "girth", "face", "sigma", "band_before", "band_after", "station",
    "widest_before", "widest_after", "taken_before",
)  # fmt: skip
WORTH = 1e-4  # mm: readings that narrow the band by less are not worth asking for


@dataclass(frozen=True, eq=False, kw_only=True)
class Suggestion:
    """One reading worth taking, after those ranked above it.

    `band_before` and `band_after` are the mean of the 95 % band round the section, mm,
    `widest_before` and `widest_after` its largest value. `girth_at` (p,) and `band_at`
    (p,) are the band round the section once this reading and those above it are taken.
    """

    rank: int
    reading: Candidate
    band_before: float
    band_after: float
    widest_before: float
    widest_after: float
    girth_at: Array
    band_at: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def words(self, unit: str = "mm") -> str:
        """Return what to do and what comes of it, in one line.

        Examples
        --------
        >>> reading = Candidate(frame="F13", line="S9S", station=5680.0, theta=2.0,
        ...                     girth=1400.0, face="skin_inner", sigma=1.5)
        >>> one = Suggestion(rank=1, reading=reading, band_before=1.318, band_after=1.211,
        ...                  widest_before=2.0, widest_after=1.9, girth_at=np.zeros(1),
        ...                  band_at=np.ones(1))
        >>> one.words()
        'take F13 at S9S on skin_inner: the band narrows from ± 1.32 to ± 1.21 mm'
        """
        one = self.reading
        before, after = _narrowing(self.band_before, self.band_after, unit)
        return (
            f"take {place_words(one, unit)}{' again' if one.again else ''} on {one.face}: the band "
            f"narrows from ± {before} to ± {after} {unit}"
        )


def place_words(reading: Candidate, unit: str = "mm") -> str:
    """Return where a reading stands, in words.

    Examples
    --------
    >>> place_words(Candidate(frame="F13", line="", station=5680.0, theta=2.0, girth=1402.3,
    ...                       face="skin_inner", sigma=1.5, between="S8S and S9S"))
    'F13 between S8S and S9S (girth 1402 mm)'
    """
    u, fine = MM_PER[unit], 0 if unit == "mm" else 2
    girth = f"girth {reading.girth / u:.{fine}f} {unit}"
    if not reading.frame:
        station = f"station {reading.station / u:.{fine + 1}f}"
        return f"{reading.line or girth} at {station} between frames"
    if reading.line:
        return f"{reading.frame} at {reading.line}"
    between = f"between {reading.between} ({girth})"
    return f"{reading.frame} {between if reading.between else 'at ' + girth}"


@dataclass(frozen=True, eq=False, kw_only=True)
class Loss:
    """What a missing frame's band would be if another frame were lost too; mm."""

    frame: str
    band_before: float
    band_after: float
    widest_before: float
    widest_after: float

    def words(self, unit: str = "mm") -> str:
        """Return what the loss would do, in one line.

        Examples
        --------
        >>> Loss(frame="F13", band_before=1.318, band_after=1.452, widest_before=2.3,
        ...      widest_after=2.6).words()
        'without F13 the band would widen from ± 1.32 to ± 1.45 mm'
        """
        before, after = _narrowing(self.band_before, self.band_after, unit)
        return f"without {self.frame} the band would widen from ± {before} to ± {after} {unit}"


def _narrowing(before: float, after: float, unit: str) -> tuple[str, str]:
    """Return two bands as text, with one figure more where they would read the same."""
    before, after = before / MM_PER[unit], after / MM_PER[unit]
    digits = 2 if unit == "mm" else 4
    if f"{before:.{digits}f}" == f"{after:.{digits}f}":
        digits += 1
    return f"{before:.{digits}f}", f"{after:.{digits}f}"


def plan(
    surface: Surface,
    frame: Frame,
    *,
    count: int = 10,
    sigma: float | None = None,
    candidates: Sequence[Candidate] | None = None,
) -> tuple[Suggestion, ...]:
    """Rank the further readings that would narrow the band of a missing frame most.

    The readings are chosen one after another; each is the one that narrows the mean of
    the band round the section most once those before it are taken. What it would do
    follows from the posterior covariance of the surface's coefficients and the frames'
    movements together, without knowing what it would say: readings of one frame share
    its movement, so a second says less than the first. The variances learned from the
    survey are held; that the readings would better them too is not counted.

    Parameters
    ----------
    surface : Surface
    frame : Frame
        The missing one.
    count : int
        How many to suggest.
    sigma : float, optional
        Achievable standard deviation of a coordinate, mm; default: the survey's own.
    candidates : sequence of Candidate, optional
        What could be read; default: `candidate_readings`.

    Returns
    -------
    tuple of Suggestion
        Fewer than `count` where no other reading would narrow the band.

    Notes
    -----
    A place between frames that was not read before becomes a knot of the fit, which
    counts the usual size of its modes there once more: after such a reading the band
    comes out a little narrower than planned. That part is the prior's, not the reading's.

    Raises
    ------
    LoftError
        A count under 1, a sigma of 0 or less, or nothing left to read.

    Examples
    --------
    >>> from loft.demo import demo_surface
    >>> surface = demo_surface()
    >>> found = plan(surface, surface.job.frame("F14"), count=2)
    >>> [one.rank for one in found], found[1].band_after < found[0].band_before
    ([1, 2], True)
    """
    if count < 1:
        raise LoftError(f"{count} readings to plan found, 1 or more wanted")
    if sigma is not None and not sigma > 0:
        raise LoftError(f"sigma {sigma:g} mm of the readings to plan found, more than 0 wanted")
    if candidates is None:
        candidates = candidate_readings(surface, frame, sigma=sigma)
    if not len(candidates):
        raise LoftError(
            f"nothing is left to read for frame {frame.name}: every surviving frame and line "
            "is set aside as damaged; take a [[damage]] entry off, or survey another frame"
        )
    view = prospect(surface, frame, candidates)
    now = view.band()
    out: list[Suggestion] = []
    for best, after in view.ranked(count):
        if now.mean() - after.mean() < WORTH:
            break
        out.append(
            Suggestion(
                rank=len(out) + 1,
                reading=candidates[best],
                band_before=float(now.mean()),
                band_after=float(after.mean()),
                widest_before=float(now.max()),
                widest_after=float(after.max()),
                girth_at=view.girth,
                band_at=after,
            )
        )
        now = after
    return tuple(out)


def lost(surface: Surface, frame_name: str, frame: Frame | None = None) -> Loss:
    """Return what the missing frame's band would be if another frame were lost as well.

    The frame's readings are taken out of the posterior's information, and the frame's
    station with them; the learned variances are held. What remains is what a refit
    without the frame's readings would give under the same variances.

    Parameters
    ----------
    surface : Surface
    frame_name : str
        The frame to do without.
    frame : Frame, optional
        The missing frame; default: the job's first.

    Returns
    -------
    Loss

    Raises
    ------
    LoftError
        The frame has no readings, or too few frames would remain.

    Examples
    --------
    >>> from loft.demo import demo_surface
    >>> found = lost(demo_surface(), "F15")
    >>> found.band_after > found.band_before
    True
    """
    if frame is None:
        if not surface.job.missing:
            raise LoftError("the job names no missing frame; say which frame's band is meant")
        frame = surface.job.frame(surface.job.missing[0])
    row = present(surface).row
    if frame_name not in row:
        raise LoftError(
            f"frame {frame_name} has no readings to lose; frames with readings: {', '.join(row)}"
        )
    if len(row) <= FEWEST:
        raise LoftError(
            f"without frame {frame_name} only {len(row) - 1} frames with readings would remain; "
            f"at least {FEWEST} are wanted"
        )
    batch = surface.fit.batch
    knot = int(batch.knot[row[frame_name]])
    others = [int(g) for g in np.flatnonzero(batch.knot == knot) if g != row[frame_name]]
    blocks = reading_blocks(surface)
    blocks[knot] = block_of_rows(surface, others, knot)
    target = target_of(surface, frame)
    found = []
    for told, dropped in ((None, -1), (blocks, -1 if others else knot)):
        run, posterior = posterior_with(surface, np.array([target.station]), told, dropped)
        found.append(band_of(surface, target, run, posterior))
    return Loss(
        frame=frame_name,
        band_before=float(found[0].mean()),
        band_after=float(found[1].mean()),
        widest_before=float(found[0].max()),
        widest_after=float(found[1].max()),
    )


def plan_text(suggestions: Sequence[Suggestion], job: Job, heading: Sequence[str] = ()) -> str:
    """Return plan.csv: the suggested readings by rank, lengths in the job's unit.

    Parameters
    ----------
    suggestions : sequence of Suggestion
    job : Job
    heading : sequence of str
        Further ``#`` lines, such as the missing frame's name.

    Examples
    --------
    >>> from pathlib import Path
    >>> job = Job(path=Path("job.toml"), title="Corncrake", unit="mm", missing=(), frames=())
    >>> plan_text((), job, ["frame F14"]).splitlines()[-1]
    'rank,frame,line,girth,face,sigma,band_before,band_after,station,widest_before,widest_after,taken_before'
    """
    u = MM_PER[job.unit]
    rows = [
        (
            one.rank, one.reading.frame, one.reading.line, one.reading.girth / u,
            one.reading.face, one.reading.sigma / u, one.band_before / u, one.band_after / u,
            one.reading.station / u, one.widest_before / u, one.widest_after / u,
            "yes" if one.reading.again else "no",
        )
        for one in suggestions
    ]  # fmt: skip
    told = f"{job.title}, revision {job.revision}" if job.revision else job.title
    return table_text(
        PLAN,
        rows,
        [
            told,
            f"lengths in {job.unit}. {CAUTION}",
            *heading,
            "band: mean of the 95 % band round the missing section; widest: its largest value",
            "each row is reckoned with those above it taken; sigma: what the reading must hold",
            "no frame: between frames, at the station given, where the line still runs there",
        ],
    )
