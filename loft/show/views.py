"""Profile, half-breadth plan and body plan of the lines drawing."""

from __future__ import annotations

from functools import partial

import numpy as np

from loft.show.cuts import buttock, followed, line_stations, waterline
from loft.show.layout import BLUE, COLUMN, EDGE, RUN, Scene, View, chosen_scale, heading
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
    plain,
    spread,
)


def draw_side_views(sheet: Sheet, scene: Scene) -> tuple[View, float]:
    """Draw the profile over the half-breadth plan; return the plan's view and where it ends.

    Examples
    --------
    >>> view, bottom = draw_side_views(sheet, scene)  # doctest: +SKIP
    """
    reach, stations = scene.reach, scene.stations
    height = float(reach["top"].max() - reach["bottom"].min())
    beam = float(reach["starboard"].max() - reach["port"].min())
    run = stations[-1] - stations[0]
    scale = chosen_scale((run, RUN[1] - RUN[0]), (height + beam, 178.0))
    left = (RUN[0] + RUN[1]) / 2 - run / scale / 2
    top = EDGE[1] + 19.0
    profile = View(left, top, scale, stations[0], float(reach["top"].max()))
    top += height / scale + 20.0
    plan = View(left, top, scale, stations[0], float(reach["starboard"].max()))
    bottom = top + beam / scale
    ratio = f"1 : {plain(scale)}"
    heading(
        sheet,
        (EDGE[0] + 6, EDGE[1] + 7),
        "Profile",
        f"seen from port, nose to the left; port side full, starboard dashed; {ratio}",
    )
    heading(
        sheet,
        (EDGE[0] + 6, top - 8),
        "Half-breadth plan",
        f"starboard above the centreline, port below; {ratio}",
    )
    _profile(sheet, scene, profile)
    _plan(sheet, scene, plan)
    return plan, bottom


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
    _draw_frames(sheet, scene, view, axis=2)
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
    _draw_frames(sheet, scene, view, axis=1)
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


def _draw_frames(sheet: Sheet, scene: Scene, view: View, *, axis: int) -> None:
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


def draw_body_plan(sheet: Sheet, scene: Scene) -> tuple[float, float]:
    """Draw both halves of every frame; return the scale and where the plan ends.

    Examples
    --------
    >>> scale, bottom = draw_body_plan(sheet, scene)  # doctest: +SKIP
    """
    reach = scene.reach
    beam = float(reach["starboard"].max() - reach["port"].min())
    height = float(reach["top"].max() - reach["bottom"].min())
    scale = chosen_scale((beam, 126.0), (height, 140.0))
    left = COLUMN + 22 + (126.0 - beam / scale) / 2
    top = EDGE[1] + 19.0
    view = View(left, top, scale, float(reach["port"].min()), float(reach["top"].max()))
    heading(
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
