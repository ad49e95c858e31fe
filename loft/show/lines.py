"""The lines drawing: body plan, half-breadth plan and profile, and the fairness beneath them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from loft.job.records import Array, Evidence, Job, Section, Survey
from loft.show.cuts import (
    Loft,
    buttock,
    followed,
    frame_curves,
    levels,
    line_stations,
    outline,
    second_differences,
    waterline,
)
from loft.show.sheet import (
    CENTRE,
    DASHED,
    FINE,
    GREY,
    HEAVY,
    INK,
    MARK,
    MEDIUM,
    NARROW,
    PALE,
    THIN,
    WIDE,
    Sheet,
    breadth,
    plain,
    spread,
)
from loft.show.words import CAUTION, counts, date_of, known

SCALES = (1, 2, 2.5, 4, 5, 10, 15, 20, 25, 40, 50, 75, 100, 150, 200)
PAGE = (594.0, 420.0)  # A2, ISO 216
EDGE = (20.0, 10.0, 584.0, 410.0)  # frame: left, top, right, bottom
COLUMN = 408.0  # where the right-hand column begins
BLUE = "#2f5d8c"  # named lines
STEEPEST = np.deg2rad(60.0)  # a cut nearer to edge-on than this says nothing about fairness
RUN = (52.0, 378.0)  # the stations' room, left to right


@dataclass(frozen=True)
class Scene:
    """What is drawn, read off the surface once."""

    job: Job
    surface: Loft
    sections: Sequence[Section]
    evidence: Evidence
    stations: Array  # close together, for the curves
    frames: dict[str, Array]  # closed curves
    reach: dict[str, Array]
    waterlines: Array
    buttocks: Array


@dataclass(frozen=True)
class View:
    """One view on the sheet: ship coordinates to sheet millimetres."""

    left: float
    down: float
    scale: float
    flat: float = 0.0
    rise: float = 0.0

    def x(self, value: ArrayLike) -> Array:
        """Return sheet x of a coordinate that runs to the right."""
        return self.left + (np.asarray(value, dtype=np.float64) - self.flat) / self.scale

    def y(self, value: ArrayLike) -> Array:
        """Return sheet y of a coordinate that runs up."""
        return self.down - (np.asarray(value, dtype=np.float64) - self.rise) / self.scale


def lines_drawing(
    job: Job, survey: Survey, surface: Loft, sections: Sequence[Section], evidence: Evidence
) -> str:
    """Draw the lines of the loft on one A2 sheet.

    Profile (seen from port, nose left) over the plan (starboard above), both with every
    frame; beneath them, on the same stations, the second divided differences of
    waterlines, buttock lines and named lines; beside them the body plan, looking
    forward, and the title block. Missing frames are heavy. The date is the job's.

    Parameters
    ----------
    job : Job
    survey : Survey
        Its lines give the sides.
    surface : Loft
        The faired surface.
    sections : sequence of Section
        The missing frames, lifted.
    evidence : Evidence

    Returns
    -------
    svg : str
        Millimetres throughout; the same input gives the same text.

    Raises
    ------
    ValueError
        The surface has fewer than three frames.

    Examples
    --------
    >>> svg = lines_drawing(job, survey, surface, sections, evidence)  # doctest: +SKIP
    """
    if len(surface.stations) < 3:
        raise ValueError("second differences need three surveyed frames or more")
    scene = _scene(job, surface, sections, evidence)
    sheet = Sheet(*PAGE)
    _frame_of_sheet(sheet)
    scale, bottom = _side_views(sheet, scene)
    _differences(sheet, scene, top=bottom)
    body_scale, bottom = _body_plan(sheet, scene)
    _key(sheet, scene, top=bottom)
    _title_block(sheet, scene, scale=scale, body_scale=body_scale, readings=len(survey))
    return sheet.svg(
        title=f"{job.title}: lines drawing",
        description=f"Body plan, half-breadth plan, profile and second differences. {CAUTION}",
    )


def _scene(job: Job, surface: Loft, sections: Sequence[Section], evidence: Evidence) -> Scene:
    stations = np.linspace(surface.stations[0], surface.stations[-1], 161)
    reach = outline(surface, stations)
    half = float(min(reach["starboard"].max(), -reach["port"].min()))
    return Scene(
        job=job,
        surface=surface,
        sections=sections,
        evidence=evidence,
        stations=stations,
        frames=frame_curves(surface, job.frames),
        reach=reach,
        waterlines=levels(
            float(reach["bottom"].min()),
            float(reach["top"].max()),
            spacing=job.shop.waterlines,
            most=10,
        ),
        buttocks=levels(1.0, half, spacing=job.shop.buttocks, most=4),
    )


def _frame_of_sheet(sheet: Sheet) -> None:
    left, top, right, bottom = EDGE
    sheet.box((left, top), (right - left, bottom - top), width=HEAVY)
    for across in (left + (right - left) / 2,):
        sheet.line((across, top - 5), (across, top), width=MEDIUM)
        sheet.line((across, bottom), (across, bottom + 5), width=MEDIUM)
    middle = (top + bottom) / 2
    sheet.line((left - 5, middle), (left, middle), width=MEDIUM)
    sheet.line((right, middle), (right + 5, middle), width=MEDIUM)


def _heading(sheet: Sheet, place: tuple[float, float], words: str, note: str) -> None:
    sheet.text(place, words, size=2.5, bold=True)
    sheet.text((place[0] + breadth(words, 2.5) * 1.08 + 2, place[1]), note, size=1.8, colour=GREY)


def _chosen_scale(*needs: tuple[float, float]) -> float:
    """Return the largest usual scale at which every (length, room) fits."""
    wanted = max(length / room for length, room in needs)
    return next((scale for scale in SCALES if scale >= wanted), float(np.ceil(wanted / 100) * 100))


# --- profile and plan ---------------------------------------------------------------------------


def _side_views(sheet: Sheet, scene: Scene) -> tuple[float, float]:
    reach, stations = scene.reach, scene.stations
    height = float(reach["top"].max() - reach["bottom"].min())
    beam = float(reach["starboard"].max() - reach["port"].min())
    run = stations[-1] - stations[0]
    scale = _chosen_scale((run, RUN[1] - RUN[0]), (height + beam, 178.0))
    left = (RUN[0] + RUN[1]) / 2 - run / scale / 2
    top = EDGE[1] + 19.0
    profile = View(left, top, scale, stations[0], float(reach["top"].max()))
    top += height / scale + 20.0
    plan = View(left, top, scale, stations[0], float(reach["starboard"].max()))
    bottom = top + beam / scale
    ratio = f"1 : {plain(scale)}"
    _heading(
        sheet,
        (EDGE[0] + 6, EDGE[1] + 7),
        "Profile",
        f"seen from port, nose to the left; port side full, starboard dashed; {ratio}",
    )
    _heading(
        sheet,
        (EDGE[0] + 6, top - 8),
        "Half-breadth plan",
        f"starboard above the centreline, port below; {ratio}",
    )
    _profile(sheet, scene, profile)
    _plan(sheet, scene, plan)
    return scale, bottom


def _profile(sheet: Sheet, scene: Scene, view: View) -> None:
    stations, reach = scene.stations, scene.reach
    ends = view.x([stations[0], stations[-1]])
    for wl in scene.waterlines:
        down = float(view.y(wl))
        sheet.line((ends[0] - 3, down), (ends[1] + 3, down), width=FINE, colour=GREY)
        sheet.text(
            (ends[0] - 4, down + 0.7),
            f"WL {plain(wl)}".replace("-", "−"),
            size=1.8,
            anchor="end",
            colour=GREY,
        )
    _stations(sheet, scene, view, axis=2)
    for bl in scene.buttocks:
        for branch in ("upper", "lower"):
            for side, dash in ((-1.0, ""), (1.0, DASHED)):
                at, height = followed(
                    partial(buttock, scene.surface, bl=side * bl, branch=branch), stations
                )
                sheet.path(view.x(at), view.y(height), width=THIN, dash=dash)
    for name, run in scene.surface.lines.items():
        if run.line.side == "starboard" or run.line.kind in ("crown", "keel"):
            continue
        _named(sheet, scene, view, name, axis=2)
    for edge in ("top", "bottom"):
        sheet.path(view.x(stations), view.y(reach[edge]), width=MEDIUM)
    _end_labels(sheet, scene, view, axis=2)


def _plan(sheet: Sheet, scene: Scene, view: View) -> None:
    stations, reach = scene.stations, scene.reach
    ends = view.x([stations[0], stations[-1]])
    for bl in np.concatenate([-scene.buttocks, scene.buttocks]):
        down = float(view.y(bl))
        sheet.line((ends[0] - 3, down), (ends[1] + 3, down), width=FINE, colour=GREY)
        sheet.text(
            (ends[0] - 4, down + 0.7),
            f"BL {plain(bl).replace('-', '−')}",
            size=1.8,
            anchor="end",
            colour=GREY,
        )
    middle = float(view.y(0.0))
    sheet.line((ends[0] - 3, middle), (ends[1] + 3, middle), width=FINE, dash=CENTRE)
    sheet.text((ends[0] - 4, middle + 0.7), "BL 0", size=1.8, anchor="end", colour=GREY)
    _stations(sheet, scene, view, axis=1)
    for wl in scene.waterlines:
        for side in ("starboard", "port"):
            at, width = followed(partial(waterline, scene.surface, wl=wl, side=side), stations)
            sheet.path(view.x(at), view.y(width), width=THIN)
    for name, run in scene.surface.lines.items():
        if run.line.kind not in ("crown", "keel"):
            _named(sheet, scene, view, name, axis=1)
    for edge in ("starboard", "port"):
        sheet.path(view.x(stations), view.y(reach[edge]), width=MEDIUM)
    _end_labels(sheet, scene, view, axis=1)


def _stations(sheet: Sheet, scene: Scene, view: View, *, axis: int) -> None:
    """Draw every frame as it stands in the view, and letter those of the profile."""
    for frame in scene.job.frames:
        curve = scene.frames[frame.name]
        missing = frame.name in scene.job.missing
        ink = {"width": WIDE, "colour": MARK} if missing else {"width": NARROW}
        order = curve[:, axis].argsort()[[0, -1]]
        if frame.cant and axis == 1:
            sheet.path(view.x(curve[:, 0]), view.y(curve[:, 1]), **ink)
        else:
            sheet.path(view.x(curve[order, 0]), view.y(curve[order, axis]), **ink)
        if axis == 2:
            top = curve[order[-1]]
            place = (float(view.x(top[0])), float(view.y(scene.reach["top"].max())) - 4.4)
            colour = MARK if missing else INK
            sheet.text(place, frame.name, size=2.5, anchor="middle", bold=missing, colour=colour)
            sheet.text(
                (place[0], place[1] + 2.9),
                plain(frame.station, 1),
                size=1.7,
                anchor="middle",
                colour=GREY,
            )


def _named(sheet: Sheet, scene: Scene, view: View, name: str, *, axis: int) -> None:
    run = scene.surface.lines[name]
    at = line_stations(run, scene.stations)
    if len(at) < 2:
        return
    point = scene.surface.points(at, run.theta(at))
    sheet.path(view.x(at), view.y(point[:, axis]), width=THIN, colour=BLUE, dash="4 0.8 1.2 0.8")


def _end_labels(sheet: Sheet, scene: Scene, view: View, *, axis: int) -> None:
    """Letter the curves at the after end, spread so that none overlaps."""
    last = scene.stations[-1:]
    after = float(last[0])
    marks: list[tuple[float, float, str, str]] = []  # station, offset, words, colour
    if axis == 2:
        for bl in scene.buttocks:
            for branch in ("upper", "lower"):
                height = float(buttock(scene.surface, last, bl=-bl, branch=branch)[0])
                marks.append((after, height, f"BL −{plain(bl)}", GREY))
    else:
        for wl in scene.waterlines:
            for side in ("starboard", "port"):
                width = float(waterline(scene.surface, last, wl=wl, side=side)[0])
                marks.append((after, width, f"WL {plain(wl)}".replace("-", "−"), GREY))
    for name, run in scene.surface.lines.items():
        at = line_stations(run, scene.stations)[-1:]
        seen = axis == 1 or run.line.side != "starboard"
        if seen and len(at) and run.line.kind not in ("crown", "keel"):
            point = scene.surface.points(at, run.theta(at))[0]
            marks.append((float(at[0]), float(point[axis]), name, BLUE))
    marks = [mark for mark in marks if np.isfinite(mark[1])]
    edge = float(view.x(after))
    want = [float(view.y(mark[1])) for mark in marks]
    room = (
        float(view.y(scene.reach["top" if axis == 2 else "starboard"].max())) - 6,
        float(view.y(scene.reach["bottom" if axis == 2 else "port"].min())) + 6,
    )
    for mark, start, place in zip(marks, want, spread(want, 2.3, *room), strict=True):
        begin = float(view.x(mark[0])) + 0.6
        sheet.path(
            [begin, edge + 4, edge + 8, edge + 9.4],
            [start, start, place, place],
            width=FINE,
            colour=PALE,
        )
        sheet.text((edge + 10, place + 0.55), mark[2], size=1.7, colour=mark[3])


# --- second differences -------------------------------------------------------------------------


def _differences(sheet: Sheet, scene: Scene, *, top: float) -> None:
    """Draw the four strips of second differences on the stations of the views above."""
    stations = np.array([frame.station for frame in scene.job.frames])
    stations = stations[(stations >= scene.stations[0]) & (stations <= scene.stations[-1])]
    space = float(np.median(np.diff(stations)))
    run = scene.stations[-1] - scene.stations[0]
    scale = _chosen_scale(
        (run, RUN[1] - RUN[0]),
        (
            float(np.ptp(np.r_[scene.reach["top"], scene.reach["bottom"]]))
            + float(np.ptp(np.r_[scene.reach["starboard"], scene.reach["port"]])),
            178.0,
        ),
    )
    left = (RUN[0] + RUN[1]) / 2 - run / scale / 2
    view = View(left, 0.0, scale, scene.stations[0])
    _heading(
        sheet,
        (EDGE[0] + 6, top + 12),
        "Second differences",
        f"divided for unequal stations, times the square of the mean frame space {plain(space)} "
        "mm; each at the mean of its three stations; port dashed; cuts within 30° of edge-on "
        "left out",
    )
    strips = _strips(scene, stations, space)
    room = (EDGE[3] - 8.0) - (top + 16.0)
    for number, (name, curves) in enumerate(strips):
        low = top + 16.0 + room * number / len(strips)
        _strip(
            sheet,
            scene,
            view,
            name,
            curves,
            box=(low, low + room / len(strips) - 3.0),
            last=number == len(strips) - 1,
        )


Curve = tuple[Array, Array, str, str]


def _strips(scene: Scene, stations: Array, space: float) -> list[tuple[str, list[Curve]]]:
    surface = scene.surface
    half: list[Curve] = []
    high: list[Curve] = []
    lines_out: list[Curve] = []
    lines_up: list[Curve] = []
    for wl in scene.waterlines:
        for side, dash in (("starboard", ""), ("port", DASHED)):
            out = np.abs(waterline(surface, stations, wl=wl, side=side, steepest=STEEPEST))
            half.append((*second_differences(stations, out), f"WL {plain(wl)}", dash))
    for bl in scene.buttocks:
        for branch in ("upper", "lower"):
            for sign, dash in ((1.0, ""), (-1.0, DASHED)):
                up = buttock(surface, stations, bl=sign * bl, branch=branch, steepest=STEEPEST)
                name = f"BL {plain(bl)} {branch}"
                high.append((*second_differences(stations, up), name, dash))
    for name, run in surface.lines.items():
        at = line_stations(run, stations)
        if len(at) < 3:
            continue
        point = surface.points(at, run.theta(at))
        port = run.line.side == "port"
        dash, tag = (DASHED, "") if port else ("", name.removesuffix("S"))
        lines_up.append((*second_differences(at, point[:, 2]), tag, dash))
        if run.line.kind not in ("crown", "keel"):
            lines_out.append((*second_differences(at, np.abs(point[:, 1])), tag, dash))
    square = space**2
    return [
        (title, [(x, y * square, name, dash) for x, y, name, dash in curves])
        for title, curves in (
            ("Waterlines: half-breadth", half),
            ("Buttock lines: height", high),
            ("Stringers and other lines: half-breadth", lines_out),
            ("Stringers and other lines: height", lines_up),
        )
    ]


def _strip(
    sheet: Sheet,
    scene: Scene,
    view: View,
    name: str,
    curves: list[Curve],
    *,
    box: tuple[float, float],
    last: bool,
) -> None:
    """Draw one strip between sheet heights `box`."""
    top, bottom = box
    ends = view.x(scene.stations[[0, -1]])
    values = np.concatenate([curve[1] for curve in curves] or [np.zeros(1)])
    low, high = float(min(values.min(initial=0.0), 0.0)), float(max(values.max(initial=0.0), 0.0))
    pad = max((high - low) * 0.08, 0.05)
    low, high = low - pad, high + pad
    step = _tick(high - low)
    rule = View(0.0, bottom, (high - low) / (bottom - top), 0.0, low)
    sheet.box((ends[0], top), (ends[1] - ends[0], bottom - top), width=FINE, colour=GREY)
    for tick in np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step:
        down = float(rule.y(tick))
        zero = abs(tick) < step / 2
        sheet.line(
            (ends[0], down),
            (ends[1], down),
            width=NARROW if zero else FINE,
            colour=GREY if zero else PALE,
        )
        sheet.text(
            (ends[0] - 1.2, down + 0.6),
            plain(tick).replace("-", "−"),
            size=1.7,
            anchor="end",
            colour=GREY,
        )
    sheet.text(
        (ends[0] - 12, (top + bottom) / 2), "mm", size=1.7, anchor="middle", colour=GREY, turn=-90
    )
    for frame in scene.job.frames:
        across = float(view.x(frame.station))
        if not ends[0] - 0.01 <= across <= ends[1] + 0.01:
            continue
        missing = frame.name in scene.job.missing
        sheet.line(
            (across, top),
            (across, bottom),
            width=MEDIUM if missing else FINE,
            colour=MARK if missing else PALE,
        )
        if last:
            sheet.text(
                (across, bottom + 3.2),
                frame.name,
                size=1.8,
                anchor="middle",
                bold=missing,
                colour=MARK if missing else GREY,
            )
    for x, y, _, dash in curves:
        sheet.path(view.x(x), rule.y(y), width=THIN, dash=dash)
        for across, down in zip(view.x(x), rule.y(y), strict=True):
            sheet.dot((across, down), 0.32)
    _strip_labels(sheet, view, rule, curves, edge=float(ends[1]), box=box)
    width = breadth(name, 1.8) + 3
    sheet.box((ends[0] + 0.2, top + 0.2), (width, 3.6), width=0, fill="#fff")
    sheet.text((ends[0] + 1.4, top + 2.7), name, size=1.8)


def _strip_labels(
    sheet: Sheet,
    view: View,
    rule: View,
    curves: list[Curve],
    *,
    edge: float,
    box: tuple[float, float],
) -> None:
    marks = [
        (float(view.x(x[-1])), float(rule.y(y[-1])), name)
        for x, y, name, dash in curves
        if name and not dash and len(x)
    ]
    places = spread([mark[1] for mark in marks], 2.3, box[0] + 1.2, box[1] - 0.6)
    for (across, start, name), place in zip(marks, places, strict=True):
        sheet.path(
            [across + 0.5, edge + 0.5, edge + 5, edge + 6],
            [start, start, place, place],
            width=FINE,
            colour=PALE,
        )
        sheet.text((edge + 6.6, place + 0.55), name, size=1.7, colour=GREY)


def _tick(span: float) -> float:
    """Return a round step that divides `span` into three to seven."""
    raw = span / 5.0
    power = 10.0 ** np.floor(np.log10(raw))
    return float(next(step for step in (1, 2, 5, 10) if step * power >= raw) * power)


# --- body plan, key, title block ----------------------------------------------------------------


def _body_plan(sheet: Sheet, scene: Scene) -> tuple[float, float]:
    reach = scene.reach
    beam = float(reach["starboard"].max() - reach["port"].min())
    height = float(reach["top"].max() - reach["bottom"].min())
    scale = _chosen_scale((beam, 126.0), (height, 140.0))
    left = COLUMN + 22 + (126.0 - beam / scale) / 2
    top = EDGE[1] + 19.0
    view = View(left, top, scale, float(reach["port"].min()), float(reach["top"].max()))
    _heading(
        sheet,
        (COLUMN + 4, EDGE[1] + 7),
        "Body plan",
        f"looking forward, starboard to the right; 1 : {plain(scale)}",
    )
    _body_grid(sheet, scene, view)
    for frame in sorted(scene.job.frames, key=lambda item: item.name in scene.job.missing):
        curve = scene.frames[frame.name]
        missing = frame.name in scene.job.missing
        ink = {"width": HEAVY, "colour": MARK} if missing else {"width": NARROW}
        sheet.path(view.x(curve[:, 1]), view.y(curve[:, 2]), **ink)
    _body_lines(sheet, scene, view)
    _body_labels(sheet, scene, view)
    return scale, top + height / scale + 12


def _body_grid(sheet: Sheet, scene: Scene, view: View) -> None:
    reach = scene.reach
    ends = view.x([reach["port"].min(), reach["starboard"].max()])
    deep = view.y([reach["top"].max(), reach["bottom"].min()])
    for wl in scene.waterlines:
        down = float(view.y(wl))
        sheet.line((ends[0] - 2, down), (ends[1] + 2, down), width=FINE, colour=PALE)
        sheet.text(
            (ends[0] - 3, down + 0.6),
            f"WL {plain(wl).replace('-', '−')}",
            size=1.7,
            anchor="end",
            colour=GREY,
        )
    for bl in np.concatenate([-scene.buttocks, scene.buttocks]):
        across = float(view.x(bl))
        sheet.line((across, deep[0] - 2), (across, deep[1] + 2), width=FINE, colour=PALE)
        sheet.text(
            (across, deep[1] + 5),
            f"BL {plain(bl).replace('-', '−')}",
            size=1.7,
            anchor="middle",
            colour=GREY,
        )
    middle = float(view.x(0.0))
    sheet.line((middle, deep[0] - 4), (middle, deep[1] + 2), width=FINE, dash=CENTRE)
    sheet.text((middle, deep[1] + 5), "BL 0", size=1.7, anchor="middle", colour=GREY)
    sheet.text((ends[0], deep[0] - 3), "port", size=1.8, colour=GREY)
    sheet.text((ends[1], deep[0] - 3), "starboard", size=1.8, colour=GREY, anchor="end")


def _body_lines(sheet: Sheet, scene: Scene, view: View) -> None:
    """Draw the named lines where they run through the body plan."""
    for run in scene.surface.lines.values():
        at = line_stations(run, scene.stations)
        if len(at) < 2 or run.line.kind in ("crown", "keel"):
            continue
        point = scene.surface.points(at, run.theta(at))
        sheet.path(
            view.x(point[:, 1]),
            view.y(point[:, 2]),
            width=THIN,
            colour=BLUE,
            dash="4 0.8 1.2 0.8",
        )


def _body_labels(sheet: Sheet, scene: Scene, view: View) -> None:
    """Letter the frames in a column to starboard, each led to its own curve."""
    frames = [frame for frame in scene.job.frames if frame.name in scene.frames]
    edge = float(view.x(scene.reach["starboard"].max())) + 4.5
    first, last = (scene.frames[frames[k].name][:, 2] for k in (0, -1))
    high = first.min() + 0.82 * np.ptp(first)
    low = last.min() + 0.16 * np.ptp(last)
    starts = []
    for frame, wanted in zip(frames, np.linspace(high, low, len(frames)), strict=True):
        curve = scene.frames[frame.name]
        starboard = curve[curve[:, 1] > 0]
        point = starboard[np.abs(starboard[:, 2] - wanted).argmin()]
        starts.append((float(view.x(point[1])), float(view.y(point[2]))))
    room = (float(view.y(scene.reach["top"].max())), float(view.y(scene.reach["bottom"].min())))
    places = spread([start[1] for start in starts], 3.4, *room)
    for frame, start, place in zip(frames, starts, places, strict=True):
        missing = frame.name in scene.job.missing
        colour = MARK if missing else GREY
        sheet.dot(start, 0.45, fill=colour)
        sheet.path([start[0], edge - 0.8], [start[1], place], width=FINE, colour=colour)
        sheet.text((edge, place + 0.7), frame.name, size=1.8, bold=missing, colour=colour)


def _key(sheet: Sheet, scene: Scene, *, top: float) -> None:
    """Draw the key of line types, then what was found."""
    rows: list[tuple[str, dict[str, Any]]] = [
        ("frame", {"width": NARROW}),
        ("missing frame, lifted off the loft", {"width": HEAVY, "colour": MARK}),
        ("greatest breadth or height", {"width": MEDIUM}),
        ("waterline, buttock line", {"width": THIN}),
        (
            "stringer or other named line",
            {"width": THIN, "colour": BLUE, "dash": "4 0.8 1.2 0.8"},
        ),
    ]
    down = top + 5
    for number, (words, ink) in enumerate(rows):
        across = COLUMN + 4 + 88 * (number % 2)
        below = down + 4.6 * (number // 2)
        sheet.line((across, below - 0.7), (across + 14, below - 0.7), **ink)
        sheet.text((across + 17, below), words, size=1.8)
    down += 4.6 * 3 + 3
    for section in scene.sections:
        _heading(sheet, (COLUMN + 4, down), f"Frame {section.frame}", "as lifted off the loft")
        for words in _facts(section):
            down += 4.0
            sheet.text((COLUMN + 4, down), words, size=1.8)
        down += 7
    tally = counts(scene.evidence)
    deviation = scene.evidence.deviations
    kept = deviation.deviation[(deviation.used != "no") & np.isfinite(deviation.deviation)]
    rms = f"{np.sqrt(np.mean(kept**2)):.2f} mm rms" if len(kept) else "deviation unknown"
    words = (
        f"Readings: {tally['used']} used, {tally['doubted']} doubted, {tally['rejected']} rejected "
        f"by the fit, {tally['damaged']} set aside as damage; those used and doubted stand "
        f"{rms} off the mould line."
    )
    down = sheet.paragraph((COLUMN + 4, down), words, room=168, size=1.8) + 5
    if scene.sections:
        _crossings(sheet, scene.sections[0], top=down, bottom=EDGE[3] - 68)


def _crossings(sheet: Sheet, section: Section, *, top: float, bottom: float) -> None:
    """Tabulate where the named lines cross the first missing frame, as far as there is room."""
    crossings = section.crossings
    row, most = 3.9, int((bottom - top - 12) / 3.9)
    if most < 3 or not len(crossings.line):
        return
    blocks = min(2, -(-len(crossings.line) // most))
    each = min(most, -(-len(crossings.line) // blocks))
    _heading(
        sheet,
        (COLUMN + 4, top),
        f"Lines at {section.frame}",
        "mm, on the mould line; ± is the 95 % interval of the place along the skin"
        + ("; the rest in stringers.csv" if blocks * each < len(crossings.line) else ""),
    )
    places = (14.0, 29.0, 46.0, 62.0, 76.0)
    for block in range(blocks):
        left, down = COLUMN + 4 + 88 * block, top + 5.5
        for name, place in zip(
            ("line", "girth", "buttock", "waterline", "±"), (0.0, *places[1:]), strict=True
        ):
            sheet.text(
                (left + place, down),
                name,
                size=1.7,
                colour=GREY,
                anchor="end" if place else "start",
            )
        sheet.line((left, down + 1.3), (left + 77, down + 1.3), width=THIN)
        for k in range(block * each, min((block + 1) * each, len(crossings.line))):
            down += row
            sheet.text((left, down + 0.4), str(crossings.line[k]), size=1.8)
            values = (crossings.girth[k], crossings.bl[k], crossings.wl[k], 1.96 * crossings.sd[k])
            for value, place in zip(values, places[1:], strict=True):
                words = f"{value:.1f}".replace("-", "−") if np.isfinite(value) else "unknown"
                words = "0.0" if words == "−0.0" else words
                sheet.text((left + place, down + 0.4), words, size=1.8, anchor="end")


def _facts(section: Section) -> list[str]:
    cant = f", cant {plain(float(np.degrees(section.cant)))}°" if section.cant else ", square"
    known_band = section.band95[np.isfinite(section.band95)]
    known_all = section.band95_all[np.isfinite(section.band95_all)]
    band = f"±{known_band.max():.1f} mm" if len(known_band) else "unknown"
    whole = f"±{known_all.max():.1f} mm" if len(known_all) else "unknown"
    return [
        f"Station {plain(section.station, 1)} mm{cant}; girth {section.length:.1f} mm "
        f"from the {section.zero}.",
        f"95 % band at its widest: {band} at one point, {whole} for the whole outline.",
    ]


def _title_block(
    sheet: Sheet, scene: Scene, *, scale: float, body_scale: float, readings: int
) -> None:
    """Draw the caution and the title block in the lower right corner."""
    job = scene.job
    left, right, bottom = COLUMN, EDGE[2], EDGE[3]
    wide, top = right - left, bottom - 46
    sheet.box((left, top - 17), (wide, 17), width=NARROW)
    sheet.paragraph((left + 3, top - 12.6), CAUTION, room=wide - 8, size=1.8, lead=1.95)
    sheet.box((left, top), (wide, 46), width=WIDE)
    sheet.text((left + 3, top + 8.2), job.title, size=4.0, bold=True)
    sheet.text((left + 3, top + 14.4), "Lines drawing: mould line of the faired loft", size=2.5)
    missing = ", ".join(job.missing) or "none"
    cells = [
        [("missing frame", missing), ("revision", known(job.revision)), ("date", date_of(job))],
        [
            ("prepared by", known(job.prepared_by)),
            ("readings", str(readings)),
            ("scales", f"1 : {plain(scale)}, body plan 1 : {plain(body_scale)}"),
        ],
        [
            ("units", "millimetres"),
            ("sheet", "A2"),
            ("axes", "station aft, buttock line to starboard, waterline up"),
        ],
    ]
    widths = (52.0, 34.0, wide - 86.0)
    for line, row in enumerate(cells):
        below, across = top + 18 + 28 / 3 * line, left
        sheet.line((left, below), (right, below), width=THIN)
        for (name, value), width in zip(row, widths, strict=True):
            if across > left:
                sheet.line((across, below), (across, below + 28 / 3), width=THIN)
            sheet.text((across + 2, below + 2.9), name, size=1.3, colour=GREY)
            size = min(2.5, 2.5 * (width - 4) / max(breadth(value, 2.5), 1e-9))
            sheet.text((across + 2, below + 7.4), value, size=size)
            across += width
