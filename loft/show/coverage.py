"""The survey on one sheet: what was reached of every frame and line, and what was missed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loft.job.caution import CAUTION
from loft.job.records import Array, Frame, Job, Survey
from loft.show.layout import (
    BLUE,
    COLUMN,
    EDGE,
    PAGE,
    RUN,
    View,
    chosen_scale,
    draw_edge,
    draw_title_block,
    heading,
)
from loft.show.sheet import (
    CENTRE,
    FINE,
    GREY,
    INK,
    MARK,
    NARROW,
    PALE,
    THIN,
    WIDE,
    Sheet,
    broken,
    plain,
    spread,
)
from loft.survey.coverage import Coverage, coverage_of, standing

SCAN, DOUBT = "#6b9cc6", "#bd6418"
ROLLED = 132.0  # mm of the sheet for the skin rolled out, at least
GAP = 0.02  # of the girth: cells of a scan farther apart are not joined
POINTS = 24  # of a joined run of cells, at most


@dataclass(frozen=True, eq=False)
class _Seen:
    """What is drawn."""

    job: Job
    survey: Survey
    found: Coverage
    runs: list[NDArray[np.int64]]  # unlabelled scan cells that stand side by side, in order


def survey_drawing(job: Job, survey: Survey, data: dict[str, Any]) -> str:
    """Draw what the survey reached on one A2 sheet.

    Profile over plan over the skin rolled out, on the same stations; beside them the
    section at the missing frame, looking forward, and the count of every frame. Readings
    by tape, by ties and by scan differ in form and colour; a line that was not reached at
    a standing frame is an open ring.

    Parameters
    ----------
    job : Job
    survey : Survey
    data : dict
        As `survey_summary` gives it.

    Returns
    -------
    svg : str
        Millimetres throughout; the same input gives the same text.

    Examples
    --------
    >>> svg = survey_drawing(job, survey, survey_summary(job, survey))  # doctest: +SKIP
    """
    found = coverage_of(job, survey)
    seen = _Seen(job, survey, found, _scan_runs(survey, found))
    sheet = Sheet(*PAGE)
    draw_edge(sheet)
    scale, bottom = _side_views(sheet, seen)
    _rolled_out(sheet, seen, scale, top=bottom)
    section_scale, bottom = _section(sheet, seen)
    bottom = _key(sheet, top=bottom)
    _tally(sheet, seen, data, top=bottom)
    draw_title_block(
        sheet,
        job,
        what="Survey: what was read, and what was missed",
        readings=len(survey),
        scales=f"1 : {plain(scale)}, section 1 : {plain(section_scale)}",
    )
    return sheet.svg(
        title=f"{job.title}: survey",
        description=f"Plan, profile, skin rolled out and section of the survey. {CAUTION}",
    )


def _scan_runs(survey: Survey, found: Coverage) -> list[NDArray[np.int64]]:
    """Return the unlabelled cells of every scan slab that stand side by side."""
    cells = np.flatnonzero((found.kind == "scan") & (survey.line == "") & np.isfinite(found.turn))
    keys = [
        f"{survey.source[k]} {survey.frame[k] or round(float(survey.station[k]))}" for k in cells
    ]
    slab = np.unique(np.array(keys, dtype=np.str_), return_inverse=True)[1]
    runs = []
    for k in range(int(slab.max(initial=-1)) + 1):
        mine = cells[slab == k]
        mine = mine[np.argsort(found.turn[mine], kind="stable")]
        breaks = np.flatnonzero(np.diff(found.turn[mine]) > GAP) + 1
        for part in np.split(mine, breaks):
            step = max(1, len(part) // POINTS)
            runs.append(np.unique(np.r_[part[::step], part[-1:]]))
            runs[-1] = runs[-1][np.argsort(found.turn[runs[-1]], kind="stable")]
    return runs


def _side_views(sheet: Sheet, seen: _Seen) -> tuple[float, float]:
    """Draw profile and plan; return their scale and where they end."""
    frames, outline = seen.job.frames, seen.found.outline
    run = frames[-1].station - frames[0].station
    height, beam = np.ptp(outline[..., 1]), np.ptp(outline[..., 0])
    room = EDGE[3] - EDGE[1] - ROLLED - 76.0
    scale = chosen_scale((run, RUN[1] - RUN[0]), (float(height + beam), room))
    left = (RUN[0] + RUN[1]) / 2 - run / scale / 2
    top = EDGE[1] + 19.0
    profile = View(left, top, scale, frames[0].station, float(outline[..., 1].max()))
    down = top + height / scale + 17.0
    plan = View(left, down, scale, frames[0].station, float(outline[..., 0].max()))
    ratio = f"1 : {plain(scale)}"
    words = f"port side, nose to the left; {ratio}"
    heading(sheet, (EDGE[0] + 6, EDGE[1] + 7), "Profile", words)
    words = f"upper half seen from above, starboard above the centreline; {ratio}"
    heading(sheet, (EDGE[0] + 6, down - 7), "Plan", words)
    _frame_names(sheet, seen.job, profile, top - 4.4)
    turn = seen.found.turn
    _view(sheet, seen, profile, axis=1, near=turn <= 0.0)
    _view(sheet, seen, plan, axis=0, near=np.abs(turn) <= 0.25)
    middle = float(plan.y(0.0))
    ends = plan.x([frames[0].station, frames[-1].station])
    sheet.line((ends[0] - 3, middle), (ends[1] + 3, middle), width=FINE, dash=CENTRE)
    sheet.text((ends[0] - 4, middle + 0.7), "BL 0", size=1.8, anchor="end", colour=GREY)
    return scale, down + beam / scale


def _frame_names(sheet: Sheet, job: Job, view: View, down: float) -> None:
    places = spread([float(view.x(frame.station)) for frame in job.frames], 9.0, *RUN)
    for frame, across in zip(job.frames, places, strict=True):
        gone = not standing(job, frame)
        colour = MARK if gone else INK
        sheet.text((across, down), frame.name, size=2.5, anchor="middle", bold=gone, colour=colour)
        words = plain(frame.station, 1)
        sheet.text((across, down + 2.9), words, size=1.7, anchor="middle", colour=GREY)


def _lean(frame: Frame, wl: Array) -> Array:
    return np.asarray(frame.station + (wl - frame.pivot_wl) * np.tan(frame.cant))


def _view(sheet: Sheet, seen: _Seen, view: View, *, axis: int, near: NDArray[np.bool_]) -> None:
    """Draw frames, outline and what was read of the near side; axis 0 is bl, 1 is wl."""
    frames, outline, survey = seen.job.frames, seen.found.outline, seen.survey
    for frame, ring in zip(frames, outline, strict=True):
        gone = not standing(seen.job, frame)
        ends = ring[ring[:, axis].argsort()[[0, -1]]]
        station = _lean(frame, ends[:, 1])
        width, colour = (WIDE, MARK) if gone else (NARROW, PALE)
        sheet.path(view.x(station), view.y(ends[:, axis]), width=width, colour=colour)
    for pick in (outline.max(axis=1), outline.min(axis=1)):
        stations = [frame.station for frame in frames]
        sheet.path(view.x(stations), view.y(pick[:, axis]), width=THIN, colour=GREY)
    across = (survey.bl, survey.wl)[axis]
    for run in seen.runs:
        run = run[near[run]]
        sheet.path(view.x(survey.station[run]), view.y(across[run]), width=NARROW, colour=SCAN)
    shown = near & np.isfinite(across + survey.station)
    for at in np.flatnonzero(shown & ((survey.line != "") | (seen.found.kind != "scan"))):
        place = (float(view.x(survey.station[at])), float(view.y(across[at])))
        _spot(sheet, place, str(seen.found.kind[at]), doubted=bool(seen.found.doubted[at]))
    _missed_rings(sheet, seen, view, axis)


def _missed_rings(sheet: Sheet, seen: _Seen, view: View, axis: int) -> None:
    turn = seen.found.line_turn
    shown = turn <= 0.0 if axis == 1 else np.abs(turn) <= 0.25
    named = {frame.name: f for f, frame in enumerate(seen.job.frames)}
    for name, line in seen.found.missed(seen.job):
        f, k = named[name], seen.found.lines.index(line)
        if not shown[k]:
            continue
        point = seen.found.place[f, k]
        station = float(_lean(seen.job.frames[f], point[1]))
        place = (float(view.x(station)), float(view.y(point[axis])))
        sheet.dot(place, 0.75, fill="#fff", colour=MARK, width=THIN)


def _spot(sheet: Sheet, place: tuple[float, float], kind: str, *, doubted: bool = False) -> None:
    """Draw one reading: tape a spot, ties a square, scan a small spot; doubted crossed."""
    across, down = place
    if kind == "ties":
        sheet.box((across - 0.65, down - 0.65), (1.3, 1.3), width=0, fill=BLUE)
    elif kind == "scan":
        sheet.dot(place, 0.75, fill=SCAN, colour="#fff", width=0.25)
    else:
        sheet.dot(place, 0.65, fill=INK)
    if doubted:
        for turn in (-1.0, 1.0):
            start, end = (across - 1.0, down - turn), (across + 1.0, down + turn)
            sheet.line(start, end, width=NARROW, colour=DOUBT)


def _rolled_out(sheet: Sheet, seen: _Seen, scale: float, *, top: float) -> None:
    """Draw the skin cut along the keel and laid flat: every line at every frame."""
    job, found = seen.job, seen.found
    frames = job.frames
    high = top + 17.0
    low = EDGE[3] - 10.0
    run = frames[-1].station - frames[0].station
    left = (RUN[0] + RUN[1]) / 2 - run / scale / 2
    view = View(left, high, scale, frames[0].station, 0.0)
    heading(
        sheet,
        (EDGE[0] + 6, top + 10.5),
        "Skin rolled out",
        "girth against station: crown in the middle, starboard above, port below, keel at both "
        "edges",
    )

    def y(turn: Any) -> Array:
        return np.asarray((high + low) / 2 - np.asarray(turn, float) * (low - high))

    ends = [float(x) for x in view.x([frames[0].station, frames[-1].station])]
    _line_names(sheet, found, y, ends, (high, low))
    for frame in frames:
        gone = not standing(job, frame)
        width, colour = (WIDE, MARK) if gone else (NARROW, PALE)
        sheet.path(view.x([frame.station] * 2), [high, low], width=width, colour=colour)
    _rolled_marks(sheet, seen, view, y)


def _rolled_marks(sheet: Sheet, seen: _Seen, view: View, y: Callable[[Any], Array]) -> None:
    """Draw on the skin rolled out what was read, and rings where a line was not reached."""
    survey, found = seen.survey, seen.found
    named = {frame.name: frame.station for frame in seen.job.frames}
    for cells in seen.runs:
        station = named.get(str(survey.frame[cells[0]]), float(np.median(survey.station[cells])))
        at = view.x([station, station])
        sheet.path(at, y(found.turn[cells[[0, -1]]]), width=0.9, colour=SCAN)
    for k in np.flatnonzero((survey.line != "") & np.isfinite(found.turn)):
        across = float(view.x(named.get(str(survey.frame[k]), survey.station[k])))
        for turn in _edges_too(found.line_turn[found.lines.index(str(survey.line[k]))]):
            kind, doubt = str(found.kind[k]), bool(found.doubted[k])
            _spot(sheet, (across, float(y(turn))), kind, doubted=doubt)
    for name, line in found.missed(seen.job):
        for turn in _edges_too(found.line_turn[found.lines.index(line)]):
            place = (float(view.x(named[name])), float(y(turn)))
            sheet.dot(place, 0.95, fill="#fff", colour=MARK, width=NARROW)


def _edges_too(turn: float) -> tuple[float, ...]:
    """Return a line's place, and of a keel both edges of the skin rolled out."""
    if not np.isfinite(turn):
        return ()
    return (-0.5, 0.5) if abs(abs(turn) - 0.5) < 0.01 else (float(turn),)


def _line_names(
    sheet: Sheet,
    found: Coverage,
    y: Callable[[Any], Array],
    ends: list[float],
    room: tuple[float, float],
) -> None:
    """Draw every line along the skin and letter it at the left."""
    marks = [
        (name, turn)
        for name, middle in zip(found.lines, found.line_turn, strict=True)
        for turn in _edges_too(middle)
    ]
    want = [float(y(turn)) for _, turn in marks]
    places = spread(want, 2.4, room[0], room[1])
    for (name, _), start, place in zip(marks, want, places, strict=True):
        sheet.line((ends[0], start), (ends[1], start), width=FINE, colour=PALE)
        sheet.path(
            [ends[0] - 0.6, ends[0] - 3, ends[0] - 5],
            [start, start, place],
            width=FINE,
            colour=PALE,
        )
        sheet.text((ends[0] - 6, place + 0.6), name, size=1.7, anchor="end", colour=BLUE)


def _section(sheet: Sheet, seen: _Seen) -> tuple[float, float]:
    """Draw what was read about the missing frame, looking forward."""
    job, survey, found = seen.job, seen.survey, seen.found
    frames = job.frames
    gone = [f for f, frame in enumerate(frames) if not standing(job, frame)]
    at = gone[0] if gone else len(frames) // 2
    first, last = max(at - 1, 0), min(at + 1, len(frames) - 1)
    rings = found.outline[[first, last]]
    beam, height = float(np.ptp(rings[..., 0])), float(np.ptp(rings[..., 1]))
    scale = chosen_scale((beam, 130.0), (height, 118.0))
    left = COLUMN + 22 + (130.0 - beam / scale) / 2
    top = EDGE[1] + 21.0
    view = View(left, top, scale, float(rings[..., 0].min()), float(rings[..., 1].max()))
    between = f"{frames[first].name} to {frames[last].name}"
    heading(
        sheet,
        (COLUMN + 4, EDGE[1] + 7),
        f"Section at {frames[at].name}",
        f"what was read from {between}, looking forward; 1 : {plain(scale)}",
    )
    for ring in rings:
        sheet.path(view.x(ring[:, 0]), view.y(ring[:, 1]), width=FINE, colour=GREY, closed=True)
    low, high = frames[first].station - 20.0, frames[last].station + 20.0
    inside = (survey.station >= low) & (survey.station <= high)
    for run in seen.runs:
        if inside[run[0]]:
            sheet.path(view.x(survey.bl[run]), view.y(survey.wl[run]), width=THIN, colour=SCAN)
    shown = inside & np.isfinite(survey.bl + survey.wl)
    for k in np.flatnonzero(shown & ((survey.line != "") | (found.kind != "scan"))):
        place = (float(view.x(survey.bl[k])), float(view.y(survey.wl[k])))
        _spot(sheet, place, str(found.kind[k]), doubted=bool(found.doubted[k]))
    _round_names(sheet, seen, view, (first, last))
    middle = float(view.x(0.0))
    bottom = top + height / scale
    sheet.line((middle, top - 3), (middle, bottom + 3), width=FINE, dash=CENTRE)
    sheet.text((COLUMN + 4, top - 2), "port", size=1.8, colour=GREY)
    sheet.text((EDGE[2] - 4, top - 2), "starboard", size=1.8, colour=GREY, anchor="end")
    return scale, bottom + 12


def _round_names(sheet: Sheet, seen: _Seen, view: View, beside: tuple[int, int]) -> None:
    """Letter the lines round the section; in red those that were missed beside it."""
    found, place = seen.found, seen.found.place[list(beside)]
    middle = place.reshape(-1, 2).mean(axis=0) if place.size else np.zeros(2)
    missed = set(found.missed(seen.job))
    names = [seen.job.frames[f].name for f in beside]
    for k, line in enumerate(found.lines):
        if not np.isfinite(found.line_turn[k]):
            continue
        away = place[:, k] - middle
        out = away[np.hypot(*away.T).argmax()]
        out = middle + out * (1.0 + 4.0 * view.scale / max(float(np.hypot(*out)), 1.0))
        lacking = any((name, line) in missed for name in names)
        anchor = "middle" if abs(out[0] - middle[0]) < 60 else "end" if out[0] < 0 else "start"
        sheet.text(
            (float(view.x(out[0])), float(view.y(out[1])) + 0.7), line, size=1.7, anchor=anchor,
            colour=MARK if lacking else GREY, bold=lacking,
        )  # fmt: skip


def _key(sheet: Sheet, *, top: float) -> float:
    """Draw the key of marks; return where it ends."""
    rows = ("tape", "ties", "scan, a line followed", "scan, the face itself")
    for number, words in enumerate(rows):
        across, down = COLUMN + 6 + 42 * number, top
        if number < 3:
            _spot(sheet, (across, down - 0.7), words.split(",")[0])
        else:
            sheet.line((across - 2, down - 0.7), (across + 1.5, down - 0.7), width=0.9, colour=SCAN)
        sheet.text((across + 3, down), words, size=1.8)
    down = top + 4.6
    _spot(sheet, (COLUMN + 6, down - 0.7), "tape", doubted=True)
    sheet.text((COLUMN + 9, down), "set aside, weakened, or its repeat failed", size=1.8)
    sheet.dot((COLUMN + 90, down - 0.7), 0.95, fill="#fff", colour=MARK, width=NARROW)
    sheet.text((COLUMN + 93, down), "line not reached at a standing frame", size=1.8)
    return down + 8


def _tally(sheet: Sheet, seen: _Seen, data: dict[str, Any], *, top: float) -> None:
    """Tabulate every frame's readings and the lines missed there, then what does not agree."""
    bottom = EDGE[3] - 66
    heading(sheet, (COLUMN + 4, top), "Read at each frame", "readings in use, and lines missed")
    places = {"tape": 24.0, "ties": 36.0, "scan": 48.0, "doubted": 62.0}
    down = top + 5.0
    for name, place in (("frame", 0.0), *places.items(), ("lines not reached", 68.0)):
        anchor = "end" if name in places else "start"
        where = (COLUMN + 4 + place, down)
        sheet.text(where, name, size=1.7, colour=GREY, anchor=anchor)
    sheet.line((COLUMN + 4, down + 1.3), (COLUMN + 172, down + 1.3), width=THIN)
    frames = list(seen.job.frames)
    notes = _words(data)
    row = min(3.9, (bottom - down - 24.0) / (len(frames) + 1))
    for frame in frames:
        down += row
        _tally_row(sheet, seen, frame, down, places)
    down += 6.0
    for number, words in enumerate(notes):
        if down + 3.5 * len(broken(words, room=168, size=1.8)) > bottom - 4:
            left = f"and {len(notes) - number} more notes, printed by loft survey"
            sheet.text((COLUMN + 4, down), left, size=1.8, colour=GREY)
            break
        down = sheet.paragraph((COLUMN + 4, down), words, room=168, size=1.8) + 0.6


def _tally_row(
    sheet: Sheet, seen: _Seen, frame: Frame, down: float, places: dict[str, float]
) -> None:
    survey, found = seen.survey, seen.found
    here = survey.frame == frame.name
    gone = not standing(seen.job, frame)
    colour = MARK if gone else INK
    sheet.text((COLUMN + 4, down + 0.4), frame.name, size=1.8, bold=gone, colour=colour)
    for name, place in places.items():
        mine = found.doubted if name == "doubted" else (found.kind == name) & survey.use
        count = int((here & mine).sum())
        if count:
            where = (COLUMN + 4 + place, down + 0.4)
            ink = DOUBT if name == "doubted" else INK
            sheet.text(where, str(count), size=1.8, anchor="end", colour=ink)
    missed = [line for name, line in found.missed(seen.job) if name == frame.name]
    words = "missing frame, to be lifted" if gone else ", ".join(missed[:8])
    words += f" and {len(missed) - 8} more" if len(missed) > 8 else ""
    sheet.text((COLUMN + 72, down + 0.4), words, size=1.7, colour=colour if gone else MARK)


def _words(data: dict[str, Any]) -> list[str]:
    """Return in words what does not agree and what was set aside."""
    repeat = data["repeat"]
    told = ["Repeats: no point was read twice."]
    if repeat["compared"]:
        told = [
            f"Repeats: {repeat['compared']} points read twice, {repeat['rms']:.1f} mm rms apart; "
            f"{repeat['verdict']}" + (f" at {len(repeat['failed'])}." if repeat["failed"] else ".")
        ]
    for closure in data["closure"]:
        ratio = closure["ratio"]
        words = "nothing checks it" if ratio is None else f"{ratio:.2f} times what its sigma says"
        told.append(f"Closure of {closure['file']}: {words}; {closure['left_out']} left out.")
    for scan in data["scans"]:
        told.append(
            f"{scan['file']}: {scan['set_aside']:.0%} of its points at the frames and bays set "
            "aside as not on the face."
        )
    return [*told, *data["notes"]]
