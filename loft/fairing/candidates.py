"""The readings that could still be taken: where metal stands that the plan may ask for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from loft.fairing.places import in_girth
from loft.fairing.prospect import Candidate
from loft.fairing.section import lift
from loft.fairing.surface import Surface
from loft.job.records import Array, Frame, Section

EVERY = 100.0  # mm of girth between places where there is no line
QUARTERS = (0.25, 0.5, 0.75)  # of the bay: stations between frames
SAME_STATION = 30.0  # mm: stations between frames this near each other are one
DEFAULT_FACE = "skin_inner"


def candidate_readings(
    surface: Surface, frame: Frame, *, sigma: float | None = None, every: float = EVERY
) -> tuple[Candidate, ...]:
    """Return the readings that could be taken for a missing frame's sake.

    On every surviving frame: every line, and places about `every` mm apart in the gaps
    between lines that are wider than twice that. In the bay of the missing frame: the
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


def _on_frame(
    surface: Surface, frame: Frame, sigma: float | None, every: float
) -> list[Candidate]:
    section = lift(surface, frame)
    names, girth = section.crossings.line, section.crossings.girth
    survey = surface.survey
    mine = survey.frame == frame.name
    usual = _usual_sigma(surface, survey.frame != "", mine) if sigma is None else sigma
    whole = _faces(surface, mine) or _faces(surface, survey.frame != "") or DEFAULT_FACE
    spoilt = [
        _spoilt(surface, frame.name, str(name), frame.station, g, section.length)
        for name, g in zip(names, girth, strict=True)
    ]
    out = []
    for name, g, bad in zip(names, girth, spoilt, strict=True):
        if bad:
            continue
        there = mine & (survey.line == name)
        face = _faces(surface, there) or whole
        out.append((str(name), float(g), face, bool((there & survey.use).any())))
    for g in _between_lines(girth, np.array(spoilt, bool), section.length, every):
        if not _spoilt(surface, frame.name, "", frame.station, g, section.length):
            out.append(("", g, whole, False))
    return [
        _candidate(surface, section, frame, name, g, face=face, sigma=usual, again=again)
        for name, g, face, again in out
    ]


def _candidate(
    surface: Surface, section: Section, frame: Frame, line: str, girth: float, *, face: str,
    sigma: float, again: bool,
) -> Candidate:  # fmt: skip
    closed = np.r_[section.girth, section.length]
    point = [
        float(np.interp(girth, closed, np.r_[part, part[0]]))
        for part in (section.station_at, section.bl, section.wl)
    ]
    theta = float(surface.theta_of(*(np.array(part) for part in point)))
    if line:
        run = surface.lines[line]
        theta = float(run.theta(np.array(point[0])))
    return Candidate(
        frame=frame.name, line=line, station=point[0] + frame.touch, theta=theta, girth=girth,
        face=face, sigma=float(sigma), again=again,
    )  # fmt: skip


def _between_lines(
    girth: Array, spoilt: NDArray[np.bool_], length: float, every: float
) -> Iterable[float]:
    """Girths that divide the wide gaps between lines; none beside a spoilt line."""
    if not len(girth):
        count = int(np.ceil(length / every))
        return (length * np.arange(count) / count).tolist()
    out: list[float] = []
    for k in range(len(girth)):
        nxt = (k + 1) % len(girth)
        gap = float(girth[nxt] - girth[k]) % length or length
        if gap <= 2 * every or spoilt[k] or spoilt[nxt]:
            continue
        parts = round(gap / every)
        out += [(float(girth[k]) + gap * j / parts) % length for j in range(1, parts)]
    return sorted(out)


def _bay_stations(surface: Surface, frame: Frame, stand: list[Frame]) -> list[float]:
    """Quarter points of the bay and the missing frame's own station; none at an open end."""
    before = [f.station for f in stand if f.station < frame.station]
    after = [f.station for f in stand if f.station > frame.station]
    if not before or not after or frame.cant:
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
    section = lift(surface, Frame(name="", station=station))
    usual = _usual_sigma(surface, survey.frame == "", free) if sigma is None else sigma
    read = set(survey.line[free & survey.use].tolist()) - {""}
    out = []
    for name, g in zip(section.crossings.line, section.crossings.girth, strict=True):
        run = surface.lines[str(name)]
        through = name in read if read else bool(run.readings)
        if not through or _spoilt(surface, "", str(name), station, float(g), section.length):
            continue
        there = free & (survey.line == name)
        near = np.abs(survey.station - station) <= SAME_STATION
        face = _faces(surface, there) or _bay_face(surface, str(name))
        out.append(
            _candidate(
                surface, section, Frame(name="", station=station), str(name), float(g),
                face=face, sigma=usual, again=bool((there & near & survey.use).any()),
            )  # fmt: skip
        )
    return out


def _bay_face(surface: Surface, line: str) -> str:
    """The face to touch between frames where none was touched there yet."""
    known = np.isfinite(surface.job.stringer_depth)
    return "stringer_inner" if known and surface.lines[line].line.kind == "stringer" else "skin_inner"


def _faces(surface: Surface, there: NDArray[np.bool_]) -> str:
    """The face touched most often among some readings, "" where there are none."""
    count = Counter(surface.survey.face[there].tolist())
    return max(sorted(count), key=lambda face: count[face]) if count else ""


def _usual_sigma(surface: Surface, kind: NDArray[np.bool_], here: NDArray[np.bool_]) -> float:
    """The median sigma of sound readings: here, else of their kind, else of them all."""
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

