"""Second differences under the lines drawing: how fair every line runs, in figures."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from loft.job.records import Array
from loft.show.cuts import buttock, line_stations, second_differences, waterline
from loft.show.layout import BLUE, EDGE, Scene, View, heading
from loft.show.plot import round_step
from loft.show.sheet import (
    DASHED,
    FINE,
    GREY,
    MARK,
    MEDIUM,
    NARROW,
    PALE,
    THIN,
    Sheet,
    plain,
    spread,
)

STEEPEST = np.deg2rad(60.0)  # a cut nearer to edge-on than this says nothing about fairness
STANDS_OUT = 8.0  # times the middle deviation of a strip: such a line is named where it does
MOST_NAMED = 4


class Curve(NamedTuple):
    """Second differences of one line, mm at the mean frame space."""

    station: Array
    value: Array
    name: str
    port: bool


def draw_differences(sheet: Sheet, scene: Scene, view: View, *, top: float) -> None:
    """Draw the strips of second differences on the stations of the views above.

    Parameters
    ----------
    sheet : Sheet
    scene : Scene
    view : View
        The plan's: its scale along the stations is taken over.
    top : float
        Where the views end on the sheet, mm.

    Examples
    --------
    >>> draw_differences(sheet, scene, view, top=190.0)  # doctest: +SKIP
    """
    stations = np.array([frame.station for frame in scene.job.frames])
    stations = stations[(stations >= scene.stations[0]) & (stations <= scene.stations[-1])]
    space = float(np.median(np.diff(stations)))
    note = (
        f"divided for unequal stations, times the square of the mean frame space {plain(space)} "
        "mm; each at the mean of its three stations; port dashed; cuts within 30° of edge-on "
        "left out"
    )
    heading(sheet, (EDGE[0] + 6, top + 12), "Second differences, mm", note)
    found = strips(scene, stations, space)
    low, room = top + 17.5, (EDGE[3] - 8.0) - (top + 17.5)
    for number, (name, curves) in enumerate(found):
        at = low + room * number / len(found)
        box = (at, at + room / len(found) - 5.0)
        last = number == len(found) - 1
        _strip(sheet, scene, view, name, curves, box=box, last=last)


def strips(scene: Scene, stations: Array, space: float) -> list[tuple[str, list[Curve]]]:
    """Return the strips' titles and curves.

    Parameters
    ----------
    scene : Scene
    stations : ndarray, shape (n,)
        The frames' stations, rising, mm.
    space : float
        The mean frame space, mm.

    Examples
    --------
    >>> [title for title, _ in strips(scene, stations, 480.0)][0]  # doctest: +SKIP
    'Waterlines: half-breadth'
    """
    parts = (
        ("Waterlines: half-breadth", _waterlines(scene, stations)),
        ("Buttock lines: height", _buttocks(scene, stations)),
        ("Stringers and other lines: half-breadth", _named(scene, stations, 1)),
        ("Stringers and other lines: height", _named(scene, stations, 2)),
    )
    return [
        (title, [curve._replace(value=curve.value * space**2) for curve in curves])
        for title, curves in parts
    ]


def _waterlines(scene: Scene, stations: Array) -> Iterator[Curve]:
    for wl in scene.waterlines:
        for side in ("starboard", "port"):
            out = waterline(scene.surface, stations, wl=wl, side=side, steepest=STEEPEST)
            found = second_differences(stations, np.abs(out))
            yield Curve(*found, f"WL {plain(wl)}".replace("-", "−"), side == "port")


def _buttocks(scene: Scene, stations: Array) -> Iterator[Curve]:
    for bl in scene.buttocks:
        for branch in ("upper", "lower"):
            for sign in (1.0, -1.0):
                up = buttock(
                    scene.surface, stations, bl=sign * bl, branch=branch, steepest=STEEPEST
                )
                name = f"BL {plain(bl)} {branch}"
                yield Curve(*second_differences(stations, up), name, sign < 0)


def _named(scene: Scene, stations: Array, axis: int) -> Iterator[Curve]:
    for name, run in scene.surface.lines.items():
        at = line_stations(run, stations)
        if len(at) < 3 or (axis == 1 and run.line.kind in ("crown", "keel")):
            continue
        point = scene.surface.points(at, run.theta(at))
        offset = np.abs(point[:, 1]) if axis == 1 else point[:, 2]
        yield Curve(*second_differences(at, offset), name, run.line.side == "port")


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
    """Draw one strip between the sheet heights `box`."""
    top, bottom = box
    ends = view.x(scene.stations[[0, -1]])
    values = np.concatenate([curve.value for curve in curves] or [np.zeros(1)])
    low, high = float(values.min(initial=0.0)), float(values.max(initial=0.0))
    pad = max((high - low) * 0.08, 0.05)
    low, high = low - pad, high + pad
    rule = View(0.0, bottom, (high - low) / (bottom - top), 0.0, low)
    sheet.box((ends[0], top), (ends[1] - ends[0], bottom - top), width=FINE, colour=GREY)
    sheet.text((ends[0], top - 1.1), name, size=1.8)
    _levels(sheet, rule, ends, (low, high))
    _uprights(sheet, scene, view, box, last=last)
    for curve in curves:
        x, y = view.x(curve.station), rule.y(curve.value)
        sheet.path(x, y, width=THIN, dash=DASHED if curve.port else "")
        for across, down in zip(x, y, strict=True):
            sheet.dot((across, down), 0.32)
    _labels(sheet, view, rule, curves, edge=float(ends[1]), box=box)
    if name.startswith("Stringers"):
        _outstanding(sheet, view, rule, curves, values)


def _levels(sheet: Sheet, rule: View, ends: Array, span: tuple[float, float]) -> None:
    step = round_step(span[1] - span[0])
    for tick in np.arange(np.ceil(span[0] / step), np.floor(span[1] / step) + 1) * step:
        down = float(rule.y(tick))
        zero = abs(tick) < step / 2
        sheet.line(
            (ends[0], down),
            (ends[1], down),
            width=NARROW if zero else FINE,
            colour=GREY if zero else PALE,
        )
        words = plain(tick).replace("-", "−")
        sheet.text((ends[0] - 1.2, down + 0.6), words, size=1.7, anchor="end", colour=GREY)


def _uprights(
    sheet: Sheet, scene: Scene, view: View, box: tuple[float, float], *, last: bool
) -> None:
    """Draw the frames' stations through the strip; letter them under the last one."""
    first, end = view.x(scene.stations[[0, -1]])
    for frame in scene.job.frames:
        across = float(view.x(frame.station))
        if not first - 0.01 <= across <= end + 0.01:
            continue
        gone = frame.name in scene.job.missing
        width, colour = (MEDIUM, MARK) if gone else (FINE, PALE)
        sheet.line((across, box[0]), (across, box[1]), width=width, colour=colour)
        if last:
            sheet.text(
                (across, box[1] + 3.2),
                frame.name,
                size=1.8,
                anchor="middle",
                bold=gone,
                colour=MARK if gone else GREY,
            )


def _labels(
    sheet: Sheet,
    view: View,
    rule: View,
    curves: list[Curve],
    *,
    edge: float,
    box: tuple[float, float],
) -> None:
    """Letter the starboard and centre lines at the after end of the strip."""
    marks = [
        (float(view.x(curve.station[-1])), float(rule.y(curve.value[-1])), curve.name)
        for curve in curves
        if not curve.port and len(curve.station)
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


def _outstanding(sheet: Sheet, view: View, rule: View, curves: list[Curve], values: Array) -> None:
    """Letter the lines that stand out of the strip, each at its worst place."""
    middle = float(np.median(values))
    usual = max(float(np.median(np.abs(values - middle))), 0.1)
    worst = []
    for curve in curves:
        if len(curve.value):
            at = int(np.abs(curve.value - middle).argmax())
            size = abs(float(curve.value[at]) - middle)
            if size > STANDS_OUT * usual:
                worst.append((size, float(curve.station[at]), float(curve.value[at]), curve.name))
    placed: list[tuple[float, float]] = []
    for _, station, value, name in sorted(worst, reverse=True)[:MOST_NAMED]:
        across, down = float(view.x(station)) + 1.0, float(rule.y(value)) + 0.6
        if any(abs(across - x) < 8.0 and abs(down - y) < 2.4 for x, y in placed):
            continue
        placed.append((across, down))
        sheet.text((across, down), name, size=1.7, colour=BLUE, halo=True)
