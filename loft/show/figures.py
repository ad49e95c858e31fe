"""The report's figures, as SVG in millimetres. They draw what the records say."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from loft.job.records import Array, Frame, Job, Section, Settlements, Survey
from loft.show.colour import COLOURS, UNKNOWN, Bands
from loft.show.cuts import Loft, line_stations
from loft.show.held import HeldFrame
from loft.show.plot import Plot, round_step
from loft.show.raster import png_bytes
from loft.show.scene import NEAR, Readings, Scene
from loft.show.sheet import (
    FINE,
    GREY,
    HEAVY,
    INK,
    MARK,
    MEDIUM,
    NARROW,
    THIN,
    WIDE,
    Sheet,
    plain,
    signed,
)
from loft.show.stage import MARK_COLOURS

WIDTH = 178.0
DOTS = 5.0  # dots of a coloured field to the millimetre
BLUE = "#2f5d8c"
KINDS = {"doubted": "ring", "rejected": "cross", "damaged": "square"}


def developed_plan(job: Job, surface: Loft, scene: Scene) -> str:
    """Draw the skin rolled out: girth against station, coloured by the deviation near.

    Starboard is above the crown, port below, as in the half-breadth plan; readings are
    triangles, point up where metal stands outside and down where inside, so the sign is
    read without colour.

    Examples
    --------
    >>> developed_plan(job, surface, scene)  # doctest: +SKIP
    """
    skin = scene.skin
    girth = _girths(surface, scene)
    station = skin.point[:, 0, 0]
    sheet = Sheet(WIDTH, 114.0)
    plot = Plot(
        sheet, (17.0, 7.0, WIDTH - 1.0, 94.0), (station[0] - 40, station[-1] + 40),
        (float(girth.min()) - 40, float(girth.max()) + 40),
    )  # fmt: skip
    _patches(plot, scene, girth)
    for name in surface.lines:
        _rolled_line(plot, surface, scene, girth, name)
    frames = [f for f in job.frames if station[0] - 1 <= f.station <= station[-1] + 1]
    missing = [frame.name in job.missing for frame in frames]
    plot.uprights(
        [frame.station for frame in frames], [frame.name for frame in frames], bold=missing,
        colours=[MARK if gone else GREY for gone in missing],
    )  # fmt: skip
    _rolled_frames(plot, scene, girth, frames, job.missing)
    _rolled_readings(plot, scene, girth)
    plot.frame("Skin rolled out", note="starboard above, port below; seen from outside")
    step = round_step(plot.up[1] - plot.up[0], 6)
    for value in np.arange(np.ceil(plot.up[0] / step), np.floor(plot.up[1] / step) + 1) * step:
        down = float(plot.y(value))
        sheet.line((16.0, down), (17.0, down), width=FINE, colour=GREY)
        sheet.text((15.6, down + 0.65), plain(abs(value)), size=1.8, anchor="end", colour=GREY)
    plot.unit("girth from the crown, mm", off=12.5)
    _bar(sheet, scene.bands, down=104.5)
    return sheet.svg(title="Skin rolled out", description="Girth against station by deviation.")


def _girths(surface: Loft, scene: Scene) -> Array:
    """Return the girth of every knot from the crown line, starboard positive, mm."""
    point, theta = scene.skin.point, scene.skin.theta
    step = np.linalg.norm(np.diff(point[..., 1:], axis=1), axis=-1)
    run = np.concatenate([np.zeros((len(point), 1)), np.cumsum(step, axis=1)], axis=1)
    if "CROWN" in surface.lines:
        station = point[:, 0, 0]
        start = np.asarray(surface.lines["CROWN"].theta(station)) % (2.0 * np.pi)
        for row, angle in enumerate(start):
            zero = float(np.interp(angle, theta[row], run[row]))
            run[row] -= zero if zero < run[row, -1] / 2 else zero - run[row, -1]
    whole = step.sum(axis=1, keepdims=True)
    port = theta >= np.pi - 1e-9
    return np.where(port, run - whole, run)


def _patches(plot: Plot, scene: Scene, girth: Array) -> None:
    """Fill the field with the colours of its bands, a picture of square dots."""
    skin = scene.skin
    station = skin.point[:, 0, 0]
    left, top, right, bottom = plot.box
    columns, rows = round((right - left) * DOTS), round((bottom - top) * DOTS)
    x = np.linspace(*plot.across, columns, endpoint=False) + 0.5 * np.ptp(plot.across) / columns
    y = np.linspace(*plot.up, rows, endpoint=False) + 0.5 * np.ptp(plot.up) / rows
    index = np.full((rows, columns), -1, dtype=np.int64)
    half = skin.theta.shape[1] // 2  # the column of the keel: the port side begins there
    order = np.r_[half : skin.theta.shape[1], 1:half]
    for column, at in enumerate(x):
        if not station[0] <= at <= station[-1]:
            continue
        row = int(np.clip(np.searchsorted(station, at) - 1, 0, len(station) - 2))
        share = (at - station[row]) / (station[row + 1] - station[row])
        run, mean, away = (
            (1 - share) * part[row, order] + share * part[row + 1, order]
            for part in (girth, skin.mean, skin.away)
        )
        inside = (y >= run[0]) & (y <= run[-1] + (run[-1] - run[-2]))
        value = np.where(np.interp(y, run, away) <= NEAR, np.interp(y, run, mean), np.nan)
        band = scene.bands.number(value)
        index[:, column] = np.where(inside, np.where(band >= 0, band, len(COLOURS)), -1)
    # Hatched where metal stands inside, so that the sign survives a grey print.
    down, along = np.indices(index.shape)
    hatched = (index >= 0) & (index < len(COLOURS) // 2) & ((down + along) % 11 < 2)
    index = np.where(hatched, index + len(COLOURS) + 1, index)
    png = png_bytes(index[::-1], [*COLOURS, UNKNOWN, *map(_paler, COLOURS[: len(COLOURS) // 2])])
    plot.sheet.image((left, top), (right - left, bottom - top), png)


def _paler(colour: str) -> str:
    """Return the colour halfway to white: the hatching of its band."""
    parts = (int(colour[k : k + 2], 16) for k in (1, 3, 5))
    return "#" + "".join(f"{(part + 255) // 2:02x}" for part in parts)


def _at(scene: Scene, girth: Array, station: Array, theta: Array) -> Array:
    """Return the girth at places given by station and angle."""
    rows = scene.skin.point[:, 0, 0]
    angle = np.asarray(theta) % (2.0 * np.pi)
    found = np.full(len(angle), np.nan)
    for k, (x, t) in enumerate(zip(np.asarray(station), angle, strict=True)):
        row = int(np.abs(rows - x).argmin())
        columns = scene.skin.theta[row]
        side = columns < np.pi - 1e-9 if t < np.pi else columns >= np.pi - 1e-9
        found[k] = np.interp(t, columns[side], girth[row][side])
    return found


def _rolled_line(plot: Plot, surface: Loft, scene: Scene, girth: Array, name: str) -> None:
    run = surface.lines[name]
    at = line_stations(run, scene.skin.point[:, 0, 0])
    if len(at) < 2 or run.line.kind == "keel":
        return
    run_of = _at(scene, girth, at, run.theta(at))
    run_of[np.abs(np.diff(run_of, append=run_of[-1])) > 500.0] = np.nan
    plot.sheet.path(plot.x(at), plot.y(run_of), width=FINE, colour=BLUE)


def _rolled_frames(
    plot: Plot, scene: Scene, girth: Array, frames: Sequence[Frame], missing: Sequence[str]
) -> None:
    for frame in frames:
        gone = frame.name in missing
        row = int(np.abs(scene.skin.point[:, 0, 0] - frame.station).argmin())
        x = float(plot.x(frame.station))
        plot.sheet.line(
            (x, float(plot.y(girth[row].min()))), (x, float(plot.y(girth[row].max()))),
            width=HEAVY if gone else NARROW, colour=MARK if gone else INK,
        )  # fmt: skip


def _rolled_readings(plot: Plot, scene: Scene, girth: Array) -> None:
    readings = scene.readings
    known = np.isfinite(readings.point).all(axis=1) & np.isfinite(readings.deviation)
    at = np.full(len(known), np.nan)
    at[known] = _at(scene, girth, readings.point[known, 0], readings.theta[known])
    colours = scene.bands.colour(readings.deviation)
    for k in np.flatnonzero(np.isfinite(at)):
        mark = str(readings.mark[k])
        x, y = float(readings.point[k, 0]), float(at[k])
        if mark in ("used", "doubted"):
            kind = "up" if readings.deviation[k] >= 0 else "down"
            plot.mark(x, y, kind, size=0.8, colour=colours[k], edge=INK)
        if mark != "used":
            size = 1.5 if mark == "doubted" else 1.0
            if mark == "doubted":
                plot.sheet.dot((float(plot.x(x)), float(plot.y(y))), size, fill="none",
                               colour=MARK_COLOURS[mark], width=0.45)  # fmt: skip
            else:
                plot.mark(x, y, KINDS[mark], size=size, colour=MARK_COLOURS[mark])


def _bar(sheet: Sheet, bands: Bands, *, down: float) -> None:
    """Draw the colour bar and the key of the readings beneath the plan."""
    wide, left = 9.0, 17.0
    bounds = bands.bounds()
    for number, colour in enumerate(COLOURS):
        sheet.box((left + wide * number, down), (wide, 3.0), width=0, fill=colour)
        if number < len(COLOURS) // 2:
            for k in range(4):
                start = left + wide * number + 2.2 * k + 0.2
                sheet.line((start, down), (start + 2.0, down + 3.0), width=0.3,
                           colour=_paler(colour))  # fmt: skip
        if number:
            words = signed(float(bounds[number - 1]), _places(bands.step))
            sheet.text((left + wide * number, down + 5.6), words, size=1.8, anchor="middle",
                       colour=GREY)  # fmt: skip
    sheet.text(
        (left, down - 1.4),
        "mean deviation of the readings near, mm; hatched where metal is inside",
        size=1.8,
    )
    sheet.box((left + wide * 9 + 2, down), (wide, 3.0), width=0, fill=UNKNOWN)
    sheet.text((left + wide * 9 + 2, down + 5.6), "none near", size=1.8, colour=GREY)
    key = Plot(sheet, (0.0, 0.0, WIDTH, 114.0), (0.0, WIDTH), (-114.0, 0.0))
    column = 122.0
    rows = [("up", INK, "outside"), ("down", INK, "inside"),
            ("ring", MARK_COLOURS["doubted"], "doubted"),
            ("cross", MARK_COLOURS["rejected"], "rejected"),
            ("square", MARK_COLOURS["damaged"], "damage")]  # fmt: skip
    for number, (kind, colour, words) in enumerate(rows):
        x, y = column + 20.0 * (number % 3), down + 0.6 + 4.6 * (number // 3)
        key.mark(x, -y, kind, size=1.0, colour=colour)
        sheet.text((x + 2.4, y + 0.7), words, size=1.8)


def _places(step: float) -> int:
    return max(0, -int(np.floor(np.log10(step) + 1e-9)))


def residuals(job: Job, survey: Survey, readings: Readings, surface: Loft) -> str:
    """Draw every deviation by frame (port to starboard) and by line (forward to aft).

    Examples
    --------
    >>> residuals(job, survey, scene.readings, surface)  # doctest: +SKIP
    """
    kept = np.isin(readings.mark, ("used", "doubted")) & np.isfinite(readings.deviation)
    size = np.abs(readings.deviation[kept])
    limit = float(max(np.ceil(size.max(initial=1.0)), 2.0))
    sheet = Sheet(WIDTH, 107.0)
    frames = [f.name for f in job.frames if (readings.frame == f.name).any()]
    if (readings.frame == "").any():
        frames.append("")
    shift = np.where(np.isfinite(readings.theta), readings.theta, 0.0) / np.pi * 0.4
    _strip(sheet, (17.0, 6.0, WIDTH - 1.0, 45.0), "Deviation by frame",
           "in each column from the keel up the port side, over the crown, down to the keel",
           frames, readings.frame, shift, readings, limit, job.missing)  # fmt: skip
    angle = {n: float(np.asarray(r.theta(np.array([(r.first + r.last) / 2])))[0])
             for n, r in surface.lines.items()}  # fmt: skip
    lines = sorted({str(n) for n in readings.line if n}, key=lambda n: (angle.get(n, 9.0), n))
    span = survey.station[np.isfinite(survey.station)]
    along = (np.nan_to_num(survey.station, nan=span.mean()) - span.min()) / max(np.ptp(span), 1.0)
    _strip(sheet, (17.0, 57.0, WIDTH - 1.0, 96.0), "Deviation by line",
           "in each column from forward to aft", lines, readings.line, (along - 0.5) * 0.8,
           readings, limit, ())  # fmt: skip
    return sheet.svg(title="Deviations", description="Every reading by frame and by line, mm.")


def _strip(
    sheet: Sheet, box: tuple[float, float, float, float], title: str, note: str,
    names: Sequence[str], member: NDArray[np.str_], shift: Array, readings: Readings, limit: float,
    missing: Sequence[str],
) -> None:  # fmt: skip
    """Draw one strip of deviations in named columns; what is beyond stands on the edge."""
    plot = Plot(sheet, box, (-0.6, len(names) - 0.4), (-limit * 1.06, limit * 1.06))
    plot.rules(parts=6)
    plot.uprights(range(len(names)), [name or "between" for name in names],
                  turn=len(names) > 22, colours=[MARK if n in missing else GREY for n in names],
                  bold=[n in missing for n in names])  # fmt: skip
    for column, name in enumerate(names):
        for k in np.flatnonzero((member == name) & np.isfinite(readings.deviation)):
            mark, value = str(readings.mark[k]), float(readings.deviation[k])
            x, y = column + float(shift[k]), float(np.clip(value, -limit, limit))
            if mark == "used":
                plot.mark(x, y, "dot", size=0.5, colour=INK)
            else:
                plot.mark(x, y, KINDS[mark], size=0.85, colour=MARK_COLOURS[mark])
    plot.frame(title, note=note)
    plot.unit("mm, + outside")


def settlement_chart(settlements: Settlements) -> str:
    """Draw the rigid movement of every frame with its 95 % interval.

    Examples
    --------
    >>> settlement_chart(evidence.settlements)  # doctest: +SKIP
    """
    parts = [
        ("To starboard", settlements.d_bl, settlements.sd_bl, "mm"),
        ("Up", settlements.d_wl, settlements.sd_wl, "mm"),
        ("Roll, + lifts starboard", np.rad2deg(settlements.roll),
         np.rad2deg(settlements.sd_roll), "degrees"),
        ("Aft of its stated station", settlements.d_station, settlements.sd_station, "mm"),
    ]  # fmt: skip
    parts = [part for part in parts if np.isfinite(part[1]).any()]
    sheet = Sheet(WIDTH, 31.0 * max(len(parts), 1) + 6.0)
    if not parts:
        sheet.text((17.0, 10.0), "no movement is known", size=2.1, colour=GREY)
    names = [str(name) for name in settlements.frame]
    for number, (title, value, sd, unit) in enumerate(parts):
        top = 6.0 + 31.0 * number
        half = 1.96 * np.nan_to_num(sd)
        reach = float(np.nanmax(np.abs(value) + half)) * 1.1 or 1.0
        plot = Plot(sheet, (17.0, top, WIDTH - 1.0, top + 20.0), (-0.6, len(names) - 0.4),
                    (-reach, reach))  # fmt: skip
        plot.rules(parts=5)
        plot.uprights(range(len(names)), names)
        for k in np.flatnonzero(np.isfinite(value)):
            x = float(plot.x(k))
            ends = plot.y([value[k] - half[k], value[k] + half[k]])
            sheet.line((x, float(ends[0])), (x, float(ends[1])), width=MEDIUM)
            sheet.dot((x, float(plot.y(value[k]))), 0.75)
        plot.frame(title)
        plot.unit(unit)
    return sheet.svg(title="Settlement", description="Movement of every frame, 95 % intervals.")


def band_round(section: Section, tolerance: float) -> str:
    """Draw the 95 % band round the section against the girth, with the shop's tolerance.

    Examples
    --------
    >>> band_round(section, 1.5)  # doctest: +SKIP
    """
    sheet = Sheet(WIDTH, 70.0)
    girth = np.r_[section.girth, section.length]
    point, whole = (np.r_[b, b[:1]] for b in (section.band95, section.band95_all))
    limits = [*whole[np.isfinite(whole)].tolist(), tolerance if np.isfinite(tolerance) else 0.1]
    top = max(limits) * 1.15
    plot = Plot(sheet, (17.0, 6.0, WIDTH - 1.0, 54.0), (0.0, section.length), (-top, top))
    plot.rules(parts=6)
    known = np.isfinite(point)
    sheet.path(np.r_[plot.x(girth[known]), plot.x(girth[known])[::-1]],
               np.r_[plot.y(point[known]), plot.y(-point[known])[::-1]],
               width=FINE, colour=MARK, fill=MARK, opacity=0.18, closed=True)  # fmt: skip
    for sign in (1.0, -1.0):
        sheet.path(plot.x(girth), plot.y(sign * whole), width=WIDE, colour=MARK)
        if np.isfinite(tolerance):
            level = float(plot.y(sign * tolerance))
            sheet.line((17.0, level), (WIDTH - 1.0, level), width=MEDIUM, dash="3 1.2")
    crossings = section.crossings
    plot.uprights(crossings.girth.tolist(), [str(n) for n in crossings.line], turn=True)
    words = "shaded: at each point by itself; red line: the whole outline at once"
    if np.isfinite(tolerance):
        words += f"; dashed: tolerance {plain(tolerance)} mm"
    plot.frame(f"95 % band round {section.frame}")
    sheet.text((17.0, 68.5), f"from the {section.zero} down starboard, up port; {words}",
               size=1.8, colour=GREY)  # fmt: skip
    plot.unit("mm")
    return sheet.svg(title=f"Band round {section.frame}", description=words)


def section_figure(section: Section, times: float) -> str:
    """Draw the lifted section in its plane with its lines and the whole-outline band widened.

    Examples
    --------
    >>> section_figure(section, 20.0)  # doctest: +SKIP
    """
    sheet = Sheet(84.0, 92.0)
    bl, height = np.r_[section.bl, section.bl[0]], np.r_[section.height, section.height[0]]
    scale = max(np.ptp(bl) / 62.0, np.ptp(height) / 74.0)
    middle = (bl.max() + bl.min()) / 2, (height.max() + height.min()) / 2
    half = (42.0 * scale, 44.0 * scale)
    plot = Plot(sheet, (0.0, 0.0, 84.0, 88.0), (middle[0] - half[0], middle[0] + half[0]),
                (middle[1] - half[1], middle[1] + half[1]))  # fmt: skip
    band = times * np.where(np.isfinite(section.band95_all), section.band95_all, 0.0)
    edges = [
        (np.r_[part_bl, part_bl[0]], np.r_[part_height, part_height[0]])
        for sign in (1.0, -1.0)
        for part_bl, part_height in [
            (section.bl + sign * band * section.normal_bl,
             section.height + sign * band * section.normal_height)
        ]
    ]  # fmt: skip
    (outer_x, outer_y), (inner_x, inner_y) = edges
    sheet.path(np.r_[plot.x(outer_x), plot.x(inner_x)[::-1]],
               np.r_[plot.y(outer_y), plot.y(inner_y)[::-1]],
               width=0.01, colour="none", fill=MARK, opacity=0.2, closed=True)  # fmt: skip
    sheet.path(plot.x(bl), plot.y(height), width=WIDE, colour=INK)
    _section_lines(plot, section, scale)
    words = f"whole-outline 95 % band drawn {plain(times)} times as wide; looking forward"
    sheet.text((42.0, 91.0), words, size=1.8, anchor="middle", colour=GREY)
    return sheet.svg(title=f"Section of {section.frame}", description=words)


def _section_lines(plot: Plot, section: Section, scale: float) -> None:
    crossings = section.crossings
    for k in range(len(crossings.line)):
        normal = np.array([np.sin(crossings.normal[k]), np.cos(crossings.normal[k])])
        place = np.array([crossings.bl[k], crossings.height[k]])
        plot.mark(place[0], place[1], "dot", size=0.5, colour=BLUE)
        name = place - 4.6 * scale * normal
        plot.sheet.text((float(plot.x(name[0])), float(plot.y(name[1])) + 0.6),
                        str(crossings.line[k]), size=1.5, anchor="middle", colour=BLUE)  # fmt: skip


def held_figure(held: HeldFrame, times: float) -> str:
    """Draw a frame predicted as if missing, its readings' distances widened.

    Examples
    --------
    >>> held_figure(held, 20.0)  # doctest: +SKIP
    """
    sheet = Sheet(58.0, 66.0)
    outline = held.outline
    scale = max(np.ptp(outline[:, 0]) / 44.0, np.ptp(outline[:, 1]) / 50.0)
    middle = (outline.max(axis=0) + outline.min(axis=0)) / 2
    plot = Plot(sheet, (0.0, 3.0, 58.0, 63.0), (middle[0] - 29 * scale, middle[0] + 29 * scale),
                (middle[1] - 30 * scale, middle[1] + 30 * scale))  # fmt: skip
    sheet.path(plot.x(outline[:, 0]), plot.y(outline[:, 1]), width=NARROW)
    tip = held.place + times * held.error[:, None] * held.normal
    for place, end, error in zip(held.place, tip, held.error, strict=True):
        sheet.line((float(plot.x(place[0])), float(plot.y(place[1]))),
                   (float(plot.x(end[0])), float(plot.y(end[1]))), width=THIN,
                   colour=MARK if error > 0 else BLUE)  # fmt: skip
        kind = "up" if error > 0 else "down"
        plot.mark(end[0], end[1], kind, size=0.6, colour=MARK if error > 0 else BLUE)
    sheet.text((29.0, 35.0), held.frame, size=3.5, anchor="middle", bold=True)
    rms = float(np.sqrt(np.mean(held.error**2))) if len(held.error) else float("nan")
    sheet.text((29.0, 40.0), f"{rms:.2f} mm rms", size=1.8, anchor="middle", colour=GREY)
    sheet.text((29.0, 65.0), f"distances {plain(times)} times as long", size=1.5, anchor="middle",
               colour=GREY)  # fmt: skip
    return sheet.svg(title=f"{held.frame} as if missing", description="Readings less prediction.")
