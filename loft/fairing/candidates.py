"""The readings that could still be taken: where metal stands that the plan may ask for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from loft.fairing.places import in_girth
from loft.fairing.prospect import Candidate
from loft.fairing.surface import Surface
from loft.job.records import Array, Frame

AROUND = 720  # angles of an outline
EVERY = 100.0  # mm of girth between places where there is no line
QUARTERS = (0.25, 0.5, 0.75)  # of the bay: stations between frames
SAME_STATION = 30.0  # mm: stations between frames this near each other are one
DEFAULT_FACE = "skin_inner"


def candidate_readings(
    surface: Surface, frame: Frame, *, sigma: float | None = None, every: float = EVERY
) -> tuple[Candidate, ...]:
    """Return the readings that could be taken for a missing frame's sake.

    On every surviving frame: every line, and places about `every` mm apart in the gaps
    between lines that are wider than half as much again. In the bay of the missing frame: the
    quarter points and the missing frame's own station, on the lines that were read there
    already; where nothing was read in the bay, on every line that was read on both sides
    of it. Places that a [[damage]] entry covers are left out: a further reading of bent
    metal tells no more than the last.

    Parameters
    ----------
    surface : Surface
    frame : Frame
        The missing one.
    sigma : float, optional
        Achievable standard deviation, mm; default: the survey's own, on frames and between.
    every : float
        mm.

    Returns
    -------
    tuple of Candidate
        By station, then by girth.

    Examples
    --------
    >>> from loft.demo import demo_surface
    >>> surface = demo_surface()
    >>> found = candidate_readings(surface, surface.job.frame("F14"))
    >>> any(c.frame == "F13" and c.line == "S7S" for c in found)  # crushed
    False
    """
    gone = {*surface.job.missing, frame.name}
    stand = [f for f in surface.job.frames if f.status != "missing" and f.name not in gone]
    out: list[Candidate] = []
    for one in stand:
        out += _on_frame(surface, one, sigma, every)
    for station in _bay_stations(surface, frame, stand):
        out += _in_bay(surface, station, stand, sigma)
    return tuple(sorted(out, key=lambda c: (c.station, c.frame, c.girth)))


@dataclass(frozen=True, eq=False, kw_only=True)
class _Round:
    """One plane's outline by angle from the crown line, and where the lines cross it."""

    theta: Array
    x: Array  # station of each point
    girth: Array
    lines: tuple[str, ...]
    angle: Array
    at: Array  # girth of the lines

    @property
    def length(self) -> float:
        """Girth once round, mm."""
        return float(self.girth[-1])


def _round(surface: Surface, frame: Frame) -> _Round:
    crown = surface.lines.get("CROWN")
    start = float(crown.theta(np.array(frame.station))) if crown is not None else 0.0
    theta = start + np.linspace(0.0, 2 * np.pi, AROUND + 1)
    x = np.full(len(theta), frame.station)
    for _ in range(40 if frame.cant else 0):
        old, wl = x, surface.points(x, theta)[:, 2]
        x = frame.station + (wl - frame.pivot_wl) * np.tan(frame.cant)
        if np.abs(x - old).max() < 1e-6:
            break
    points = surface.points(x, theta)
    step = np.diff(points, axis=0)
    girth = np.r_[0.0, np.cumsum(np.sqrt((step**2).sum(1)))]
    names, angles = [], []
    for name, run in surface.lines.items():
        turn, there = float(run.theta(np.array(frame.station))), frame.station
        for _ in range(8 if frame.cant else 1):
            turn = start + float(np.mod(turn - start + 1e-9, 2 * np.pi)) - 1e-9
            there = float(np.interp(turn, theta, x))
            turn = float(run.theta(np.array(there)))
        if run.first - 1e-6 <= there <= run.last + 1e-6 or not run.readings:
            names.append(name)
            angles.append(start + float(np.mod(turn - start + 1e-9, 2 * np.pi)) - 1e-9)
    order = np.argsort(angles)
    angle = np.array(angles)[order] if angles else np.zeros(0)
    return _Round(
        theta=theta, x=x, girth=girth, lines=tuple(names[k] for k in order), angle=angle,
        at=np.interp(angle, theta, girth),
    )  # fmt: skip


def _on_frame(surface: Surface, frame: Frame, sigma: float | None, every: float) -> list[Candidate]:
    shape, survey = _round(surface, frame), surface.survey
    mine = survey.frame == frame.name
    usual = _usual_sigma(surface, survey.frame != "", mine) if sigma is None else sigma
    whole = _faces(surface, mine) or _faces(surface, survey.frame != "") or DEFAULT_FACE
    spoilt = np.array(
        [
            _spoilt(surface, frame.name, name, frame.station, g, shape.length)
            for name, g in zip(shape.lines, shape.at, strict=True)
        ],
        bool,
    )
    out = []
    for k in np.flatnonzero(~spoilt):
        there = mine & (survey.line == shape.lines[k])
        face, again = _faces(surface, there) or whole, bool((there & survey.use).any())
        place = shape.lines[k], float(shape.angle[k]), float(shape.at[k])
        out.append(_candidate(shape, frame, place, face=face, sigma=usual, again=again))
    for g, ends in _between_lines(shape, spoilt, every):
        if not _spoilt(surface, frame.name, "", frame.station, g, shape.length):
            place = "", float(np.interp(g, shape.girth, shape.theta)), g
            one = _candidate(shape, frame, place, face=whole, sigma=usual, again=False)
            out.append(replace(one, between=ends))
    return out


def _candidate(
    shape: _Round, frame: Frame, place: tuple[str, float, float], *, face: str, sigma: float,
    again: bool,
) -> Candidate:  # fmt: skip
    line, theta, girth = place
    station = float(np.interp(theta, shape.theta, shape.x)) + frame.touch
    return Candidate(
        frame=frame.name, line=line, station=station, theta=theta, girth=girth, face=face,
        sigma=float(sigma), again=again,
    )  # fmt: skip


def _between_lines(
    shape: _Round, spoilt: NDArray[np.bool_], every: float
) -> Iterable[tuple[float, str]]:
    """Girths that divide the wide gaps, and the lines they lie between; none beside spoilt ones."""
    at, length = shape.at, shape.length
    if not len(at):
        count = int(np.ceil(length / every))
        return [(length * k / count, "") for k in range(count)]
    out: list[tuple[float, str]] = []
    for k in range(len(at)):
        nxt = (k + 1) % len(at)
        gap = float(at[nxt] - at[k]) % length or length
        if gap <= 1.5 * every or spoilt[k] or spoilt[nxt]:
            continue
        parts, ends = round(gap / every), f"{shape.lines[k]} and {shape.lines[nxt]}"
        out += [((float(at[k]) + gap * j / parts) % length, ends) for j in range(1, parts)]
    return sorted(out)


def _bay_stations(surface: Surface, frame: Frame, stand: list[Frame]) -> list[float]:
    """Quarter points of the bay and the missing frame's own station; none at an open end."""
    before = [f.station for f in stand if f.station < frame.station]
    after = [f.station for f in stand if f.station > frame.station]
    if not before or not after:
        return []
    low, high = max(before), min(after)
    run = surface.fit.run
    breaks = run.station[:-1][run.quiet == 0]
    places = [frame.station]
    for share in QUARTERS:
        x = low + share * (high - low)
        if abs(x - frame.station) > (high - low) / 8:
            places.append(x)
    return sorted(x for x in places if not (np.abs(breaks - x) < SAME_STATION).any())


def _in_bay(
    surface: Surface, station: float, stand: list[Frame], sigma: float | None
) -> list[Candidate]:
    survey = surface.survey
    low = max(f.station for f in stand if f.station < station)
    high = min(f.station for f in stand if f.station > station)
    free = (survey.frame == "") & (survey.station > low) & (survey.station < high)
    here = Frame(name="", station=station)
    shape = _round(surface, here)
    usual = _usual_sigma(surface, survey.frame == "", free) if sigma is None else sigma
    read = set(survey.line[free & survey.use].tolist()) - {""}
    out = []
    for name, theta, g in zip(shape.lines, shape.angle, shape.at, strict=True):
        through = name in read if read else bool(surface.lines[name].readings)
        if not through or _spoilt(surface, "", name, station, float(g), shape.length):
            continue
        there = free & (survey.line == name)
        near = np.abs(survey.station - station) <= SAME_STATION
        face = _faces(surface, there) or _bay_face(surface, name)
        again = bool((there & near & survey.use).any())
        place = name, float(theta), float(g)
        out.append(_candidate(shape, here, place, face=face, sigma=usual, again=again))
    return out


def _bay_face(surface: Surface, line: str) -> str:
    """Return the face to touch between frames where none was touched there yet."""
    survey = surface.survey
    touched = _faces(surface, (survey.line == line) & (survey.face != "frame_flange"))
    stringer = surface.lines[line].line.kind == "stringer"
    deep = stringer and np.isfinite(surface.job.stringer_depth)
    return touched or ("stringer_inner" if deep else DEFAULT_FACE)


def _faces(surface: Surface, there: NDArray[np.bool_]) -> str:
    """Return the face touched most often among some readings, "" where there are none."""
    count = Counter(surface.survey.face[there].tolist())
    return max(sorted(count), key=lambda face: count[face]) if count else ""


def _usual_sigma(surface: Surface, kind: NDArray[np.bool_], here: NDArray[np.bool_]) -> float:
    """Return the median sigma of sound readings: here, else of their kind, else of them all."""
    survey = surface.survey
    sound = survey.use & np.isfinite(survey.sigma) & ~np.char.startswith(survey.reason, "damage")
    for some in (here & sound, kind & sound, sound):
        if some.any():
            return float(np.median(survey.sigma[some]))
    return float(np.median(survey.sigma))


def _spoilt(
    surface: Surface, frame: str, line: str, station: float, girth: float, length: float
) -> bool:
    """Tell whether a [[damage]] entry covers the place. Entries for single rows do not."""
    for damage in surface.job.damages:
        if damage.rows:
            continue
        if damage.frames and frame not in damage.frames:
            continue
        if damage.lines and line not in damage.lines:
            continue
        if damage.stations is not None and not damage.stations[0] <= station <= damage.stations[1]:
            continue
        if damage.girth is not None and not in_girth(np.array([girth]), length, damage.girth)[0]:
            continue
        return True
    return False
