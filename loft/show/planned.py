"""What to read next, on one sheet: where on the skin, and what each reading brings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from loft.fairing.places import girth_of
from loft.fairing.plan import Suggestion, place_words
from loft.fairing.surface import Surface
from loft.job.caution import CAUTION
from loft.job.records import Array, Section
from loft.show.cuts import line_stations
from loft.show.layout import BLUE
from loft.show.plot import Plot, round_step
from loft.show.sheet import (
    FINE,
    GREY,
    HEAVY,
    INK,
    MARK,
    NARROW,
    PALE,
    WIDE,
    Sheet,
    broken,
    plain,
    spread,
)
from loft.show.words import date_of, known

PAGE = (297.0, 210.0)  # A4 lying, ISO 216
COLUMN = 204.0  # where the list begins
SKIN = (24.0, 27.0, 194.0, 122.0)  # left, top, right, bottom
BAND = (24.0, 138.0, 194.0, 180.0)
STEPS = (216.0, 27.0, 287.0, 57.0)
LETTER = 1.8
LOWEST = 176.0  # of the list; a caution stands under it
STATIONS = 41
NARROWER = 1.12  # running words are narrower than the sheet's mean letter


def plan_drawing(surface: Surface, section: Section, suggestions: Sequence[Suggestion]) -> str:
    """Draw the planned readings on the skin rolled out, with the band before and after them.

    Parameters
    ----------
    surface : Surface
    section : Section
        The missing frame, as lifted from `surface`.
    suggestions : sequence of Suggestion
        From `loft.fairing.plan.plan`, for that frame.

    Returns
    -------
    svg : str
        An A4 sheet, millimetres throughout; the same input gives the same text.

    Examples
    --------
    >>> from loft.demo import demo_surface
    >>> from loft.fairing.plan import plan
    >>> surface = demo_surface()
    >>> frame = surface.job.frame("F14")
    >>> svg = plan_drawing(surface, surface.lift(frame), plan(surface, frame, count=2))
    >>> svg.startswith("<svg")
    True
    """
    job = surface.job
    sheet = Sheet(*PAGE)
    title = f"{job.title}: readings that would narrow the band of {section.frame} most"
    sheet.text((10.0, 13.5), title, size=3.2, bold=True)
    day = date_of(job) if job.date else "date unknown"
    note = f"revision {known(job.revision)}, {day}; lengths in mm; each reading is reckoned "
    note += "with those ranked above it taken"
    sheet.text((10.0, 18.6), note, size=LETTER, colour=GREY)
    _skin(sheet, surface, section, suggestions)
    _band(sheet, section, suggestions)
    _steps(sheet, section, suggestions)
    _list(sheet, suggestions)
    sheet.paragraph((10.0, 201.0), CAUTION, room=277.0, size=LETTER, colour=GREY)
    return sheet.svg(title=title, description=f"Planned readings. {CAUTION}")


def _signed(surface: Surface, station: float, theta: Array) -> Array:
    """Return girth from the crown line, starboard positive, port negative."""
    girth, length = girth_of(surface, station, theta)
    return np.where(girth > length / 2, girth - length, girth)


def _skin(
    sheet: Sheet, surface: Surface, section: Section, suggestions: Sequence[Suggestion]
) -> None:
    job = surface.job
    first, last = float(surface.stations[0]), float(surface.stations[-1])
    stations = np.linspace(first, last, STATIONS)
    edge = np.array([girth_of(surface, float(x), np.zeros(1))[1] / 2 for x in stations])
    reach = float(edge.max()) + 60.0
    plot = Plot(sheet, SKIN, (first - 60.0, last + 60.0), (-reach, reach))
    frames = [f for f in job.frames if first - 1.0 <= f.station <= last + 1.0]
    gone = [f.name == section.frame or f.name in job.missing for f in frames]
    plot.uprights(
        [f.station for f in frames], [f.name for f in frames], bold=gone,
        colours=[MARK if g else GREY for g in gone],
    )  # fmt: skip
    ends = _lines(plot, surface, stations)
    places = spread([down for down, _ in ends], 2.2, SKIN[1], SKIN[3])
    for (_, name), down in zip(ends, places, strict=True):
        sheet.text((SKIN[2] + 1.0, float(down) + 0.55), name, size=1.5, colour=GREY)
    for sign in (1.0, -1.0):
        sheet.path(plot.x(stations), plot.y(sign * edge), width=NARROW)
    for frame, lost in zip(frames, gone, strict=True):
        half = float(np.interp(frame.station, stations, edge))
        low, high = (float(v) for v in plot.y(np.array([-half, half])))
        x = float(plot.x(frame.station))
        sheet.line((x, low), (x, high), width=HEAVY if lost else NARROW,
                   colour=MARK if lost else INK)  # fmt: skip
    _readings(plot, surface)
    _numbers(plot, suggestions, edge, stations)
    plot.frame("Where to read: the skin rolled out",
               note="starboard above, port below the crown; seen from outside")  # fmt: skip
    step = round_step(plot.up[1] - plot.up[0], 6)
    for value in np.arange(np.ceil(-reach / step), np.floor(reach / step) + 1) * step:
        down = float(plot.y(value))
        sheet.text((SKIN[0] - 1.2, down + 0.65), plain(abs(value)), size=LETTER, anchor="end",
                   colour=GREY)  # fmt: skip
    plot.unit("girth from the crown, mm", off=11.5)
    _key(sheet)


def _lines(plot: Plot, surface: Surface, stations: Array) -> list[tuple[float, str]]:
    """Draw the lines; return where those to be lettered end, down the sheet."""
    names = [
        name for name, run in surface.lines.items()
        if run.line.kind != "keel" and len(line_stations(run, stations)) > 1
    ]  # fmt: skip
    girth = np.zeros((len(stations), len(names)))
    for k, x in enumerate(stations):
        theta = np.array([float(surface.lines[name].theta(x)) for name in names])
        girth[k] = _signed(surface, float(x), theta)
    ends = []
    for name, run in zip(names, girth.T, strict=True):
        record = surface.lines[name]
        there = (stations >= record.first - 1e-6) & (stations <= record.last + 1e-6)
        at, part = stations[there], run[there]
        shown = np.where(np.abs(np.diff(part, append=part[-1])) > 500.0, np.nan, part)
        plot.sheet.path(plot.x(at), plot.y(shown), width=FINE, colour=BLUE)
        if record.line.side != "centre" and name[:-1].endswith(("1", "5", "9")):
            ends.append((float(plot.y(part[-1])), name))
    return ends


def _readings(plot: Plot, surface: Surface) -> None:
    """Mark the readings that the survey has already."""
    survey = surface.survey
    there = np.isfinite(survey.station) & np.isfinite(survey.bl) & np.isfinite(survey.wl)
    for x in np.unique(np.round(survey.station[there & survey.use], 1)):
        at = np.flatnonzero(there & survey.use & (np.round(survey.station, 1) == x))
        theta = surface.theta_of(survey.station[at], survey.bl[at], survey.wl[at])
        for y in _signed(surface, float(x), theta):
            plot.sheet.dot((float(plot.x(x)), float(plot.y(y))), 0.45, fill="#fff", colour=GREY)


def _numbers(plot: Plot, suggestions: Sequence[Suggestion], edge: Array, stations: Array) -> None:
    """Mark each planned reading and letter its rank beside it, clear of the others."""
    if not suggestions:
        return
    x = np.array([one.reading.station for one in suggestions])
    half = np.interp(x, stations, edge)
    girth = np.array([one.reading.girth for one in suggestions])
    y = np.where(girth > half, girth - 2 * half, girth)
    across, down = plot.x(x), plot.y(y)
    wanted = down.copy()
    for column in np.unique(np.round(across / 12.0)):
        mine = np.flatnonzero(np.round(across / 12.0) == column)
        wanted[mine] = spread(down[mine], 4.2, SKIN[1] + 2.5, SKIN[3] - 2.5)
    for k in range(len(suggestions)):
        crowded = (across > across[k] + 0.5) & (across < across[k] + 9.0)
        crowded &= np.abs(down - wanted[k]) < 3.5
        place = float(across[k]) + (-5.0 if crowded.any() else 5.0), float(wanted[k])
        plot.sheet.line((float(across[k]), float(down[k])), place, width=FINE, colour=MARK)
        _badge(plot.sheet, place, suggestions[k].rank)
    for a, d in zip(across, down, strict=True):
        plot.sheet.dot((float(a), float(d)), 0.9, fill=MARK)


def _badge(sheet: Sheet, place: tuple[float, float], rank: int) -> None:
    sheet.dot(place, 2.0, fill="#fff", colour=MARK, width=0.35)
    sheet.text((place[0], place[1] + 0.75), str(rank), size=2.0 if rank < 10 else 1.7,
               anchor="middle", colour=MARK, bold=True)  # fmt: skip


def _key(sheet: Sheet) -> None:
    down = SKIN[3] + 7.2
    sheet.dot((SKIN[0] + 1.0, down - 0.65), 0.45, fill="#fff", colour=GREY)
    sheet.text((SKIN[0] + 3.0, down), "read already", size=LETTER, colour=GREY)
    sheet.dot((SKIN[0] + 27.0, down - 0.65), 0.9, fill=MARK)
    sheet.text((SKIN[0] + 29.0, down), "to be read, by rank", size=LETTER, colour=GREY)
    sheet.line((SKIN[0] + 60.0, down - 0.65), (SKIN[0] + 66.0, down - 0.65), width=HEAVY,
               colour=MARK)  # fmt: skip
    sheet.text((SKIN[0] + 68.0, down), "missing frame", size=LETTER, colour=GREY)
    sheet.line((SKIN[0] + 92.0, down - 0.65), (SKIN[0] + 98.0, down - 0.65), width=FINE,
               colour=BLUE)  # fmt: skip
    sheet.text((SKIN[0] + 100.0, down), "stringer or other named line", size=LETTER, colour=GREY)


def _band(sheet: Sheet, section: Section, suggestions: Sequence[Suggestion]) -> None:
    """Draw the 95 % band round the missing section, before and after."""
    before = section.band95
    after = suggestions[-1].band_at if suggestions else before
    girth = np.r_[section.girth, section.length]
    top = float(np.nanmax(before)) * 1.12
    plot = Plot(sheet, BAND, (0.0, section.length), (0.0, top))
    plot.rules(parts=4, signs=False)
    cross = section.crossings
    show = [
        k for k, name in enumerate(cross.line)
        if cross.kind[k] in ("crown", "keel") or str(name)[:-1].endswith(("1", "3", "5", "7", "9"))
    ]  # fmt: skip
    plot.uprights(cross.girth[show].tolist(), [str(n) for n in cross.line[show]], turn=True)
    for value, colour in ((before, PALE), (after, "#9db7d2")):
        shut = np.r_[value, value[:1]]
        x, y = plot.x(girth), plot.y(shut)
        low = float(plot.y(0.0))
        sheet.path(np.r_[x, x[-1], x[0]], np.r_[y, low, low], width=FINE, colour=colour,
                   fill=colour, opacity=0.55, closed=True)  # fmt: skip
    for value, colour in ((before, GREY), (after, BLUE)):
        shut = np.r_[value, value[:1]]
        sheet.path(plot.x(girth), plot.y(shut), width=WIDE, colour=colour)
    words = f"± {before.mean():.2f} mm as it stands (grey)"
    if suggestions:
        words += f", ± {after.mean():.2f} mm with all {len(suggestions)} (blue), on the mean"
    plot.frame(f"95 % band round {section.frame}", note=words)
    plot.unit("±, mm", off=11.5)
    sheet.text((BAND[0], BAND[3] + 14.6), f"from the {section.zero} down starboard, up port",
               size=LETTER, colour=GREY)  # fmt: skip


def _steps(sheet: Sheet, section: Section, suggestions: Sequence[Suggestion]) -> None:
    """Draw the mean and the widest band after each reading."""
    mean = [float(section.band95.mean()), *[one.band_after for one in suggestions]]
    wide = [float(section.band95.max()), *[one.widest_after for one in suggestions]]
    count = len(suggestions)
    plot = Plot(sheet, STEPS, (-0.4, max(count, 1) + 0.4), (0.0, max(wide) * 1.12))
    plot.rules(parts=4, signs=False)
    ranks = np.arange(0, count + 1)
    every = max(1, int(np.ceil(count / 12)))
    plot.uprights(ranks[::every].tolist(), [str(k) for k in ranks[::every]])
    for values, colour, word in ((wide, GREY, "widest"), (mean, BLUE, "mean")):
        sheet.path(plot.x(ranks), plot.y(np.array(values)), width=WIDE, colour=colour)
        for k, value in zip(ranks, values, strict=True):
            sheet.dot((float(plot.x(k)), float(plot.y(value))), 0.6, fill=colour)
        end = float(plot.x(count)) + 0.6, float(plot.y(values[-1])) - 1.7
        sheet.text(end, word, size=LETTER, anchor="end", colour=colour, halo=True)
    plot.frame("Band after each", note="readings taken")
    plot.unit("±, mm", off=8.0)


def _list(sheet: Sheet, suggestions: Sequence[Suggestion]) -> None:
    """Say what to do, in order of rank."""
    down = STEPS[3] + 12.0
    sheet.text((COLUMN + 1.0, down), "What to do", size=2.5, bold=True)
    down += 6.0
    if not suggestions:
        sheet.text((COLUMN + 1.0, down), "Nothing would narrow the band.", size=LETTER)
    for number, one in enumerate(suggestions):
        if down > LOWEST:
            left = len(suggestions) - number
            sheet.text((COLUMN + 6.5, down), f"and {left} more, in plan.csv", size=LETTER)
            down += 5.0
            break
        _badge(sheet, (COLUMN + 2.5, down - 0.7), one.rank)
        again = " again" if one.reading.again else ""
        words = f"Take {place_words(one.reading)}{again} on {one.reading.face}"
        for row in broken(words, room=(287.0 - COLUMN - 6.5) * NARROWER, size=LETTER):
            sheet.text((COLUMN + 6.5, down), row, size=LETTER)
            down += 3.1
        result = f"± {one.band_before:.3f} to ± {one.band_after:.3f} mm"
        result += f", sigma {plain(one.reading.sigma)} mm"
        sheet.text((COLUMN + 6.5, down), result, size=LETTER, colour=GREY)
        down += 5.0
    free = [one for one in suggestions if not one.reading.frame]
    if free:
        sheet.paragraph(
            (COLUMN + 1.0, down + 0.5),
            "Between frames: where the line still runs there. A stringer without its frame may "
            "have sprung; hold a batten along it.",
            room=287.0 - COLUMN - 1.0, size=LETTER, colour=GREY,
        )  # fmt: skip
