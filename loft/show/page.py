"""view.html: the loft to turn about in a browser, in one file that needs no network."""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from html import escape
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from loft.job.caution import CAUTION
from loft.job.errors import LoftError
from loft.job.records import Array, Evidence, Job, Section, Survey
from loft.show.colour import COLOURS, INK, LINE, MISSING, UNKNOWN, Bands
from loft.show.cuts import Loft
from loft.show.extras import Extra
from loft.show.page_script import SCRIPT, STYLE
from loft.show.poster import poster
from loft.show.scene import MARKS, NEAR, Readings, Ribbon, Scene, scene_of
from loft.show.sheet import plain, signed
from loft.show.stage import KEY_WORDS, MARK_COLOURS, MARK_WORDS, ten_colours
from loft.show.style import CSS

VIEWS = ("starboard bow", "port bow", "starboard quarter", "from above", "from starboard",
         "looking forward")  # fmt: skip
SYMBOLS = {"used": "circle", "doubted": "circle-open", "damaged": "square"}
SIZES = {"used": 3, "doubted": 7, "damaged": 6}


def view_page(
    job: Job,
    survey: Survey,
    surface: Loft,
    sections: Sequence[Section],
    evidence: Evidence,
    *,
    extras: Sequence[Extra] = (),
) -> str:
    """Return the page: faired skin by deviation, frames, lines, readings, lifted sections.

    The graphics library is written into the page, so it opens without a network.

    Parameters
    ----------
    job, survey, surface, sections, evidence
        As for `loft.show.lines.lines_drawing`.
    extras : sequence of Extra
        More layers, shown when asked for (`loft.show.extras.extras_of`).

    Returns
    -------
    html : str
        The same input and the same library give the same text.

    Raises
    ------
    LoftError
        plotly is not installed; names the extra that brings it.

    Examples
    --------
    >>> html = view_page(job, survey, surface, sections, evidence)  # doctest: +SKIP
    """
    try:
        from plotly.offline import get_plotlyjs
    except ImportError as error:
        raise LoftError("view.html needs plotly; pip install 'fuselage-loft[page]'") from error
    scene = scene_of(job, survey, surface, sections, evidence, extras=extras)
    layers, traces = _layers(scene)
    data = {
        "net": _net(scene),
        "lines": _crossings(surface, scene),
        "traces": traces,
        "cut": 2 + len(traces) - 1,
        "step": scene.bands.step,
        "scale": banded_scale(),
        "unknown": UNKNOWN,
        "times": _times(scene),
        "near": NEAR,
        "span": np.ptp(scene.skin.point.reshape(-1, 3), axis=0).tolist(),
        "frames": [[f.name, f.station, f.name in job.missing] for f in job.frames],
    }
    library = get_plotlyjs().replace("</script", "<\\/script")
    return _page(scene, layers, _script_safe(json.dumps(data, allow_nan=False)), library)


def banded_scale() -> list[list[Any]]:
    """Return the colours as a stepped scale from -5 to +5 steps.

    Examples
    --------
    >>> banded_scale()[1][0], banded_scale()[2][0], len(banded_scale())
    (0.1, 0.1, 20)
    """
    stops: list[list[Any]] = []
    for number, colour in enumerate(ten_colours()):
        stops += [[number / 10, colour], [(number + 1) / 10, colour]]
    return stops


def packed(values: ArrayLike) -> str:
    """Return numbers as base64 of little-endian 32-bit floats.

    Examples
    --------
    >>> packed([1.0])
    'AACAPw=='
    """
    return base64.b64encode(np.asarray(values, dtype="<f4").tobytes()).decode("ascii")


def _script_safe(text: str) -> str:
    """Return JSON that cannot end the script element it stands in."""
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _net(scene: Scene) -> dict[str, Any]:
    skin = scene.skin
    return {
        "rows": skin.point.shape[0],
        "columns": skin.point.shape[1],
        "station": packed(skin.point[..., 0]),
        "bl": packed(skin.point[..., 1]),
        "wl": packed(skin.point[..., 2]),
        "mean": packed(np.where(np.isfinite(skin.mean), skin.mean, 0.0)),
        "away": packed(np.minimum(skin.away, 99.0)),
        "sd": packed(skin.sd),
        "along": packed(skin.normal[..., 0]),
        "across": packed(skin.normal[..., 1]),
        "up": packed(skin.normal[..., 2]),
    }


def _crossings(surface: Loft, scene: Scene) -> list[dict[str, Any]]:
    """Return where every line crosses every row of the net, and how far out it is lettered."""
    stations = scene.skin.point[:, 0, 0]
    out = float(np.ptp(scene.skin.point[..., 1])) * 0.04
    found = []
    for name, run in surface.lines.items():
        theta = run.theta(stations)
        here = (stations >= run.first - 1e-6) & (stations <= run.last + 1e-6)
        place = surface.points(stations, theta)[:, 1:]
        normal = surface.normals(stations, theta)[:, 1:]
        letter = place + out * normal / np.linalg.norm(normal, axis=1, keepdims=True)
        rows = np.where(here[:, None], np.hstack([place, letter]), np.nan)
        found.append({"name": name, "at": packed(rows)})
    return found


def _times(scene: Scene) -> float:
    """Return how many times as wide as it is the band of the cut is drawn."""
    height = float(np.ptp(scene.skin.point[..., 2]))
    wanted = height / 30.0 / max(1.96 * float(np.nanmean(scene.skin.sd)), 1e-9)
    return float(max(step for step in (1, 2, 5, 10, 20, 50, 100) if step <= max(wanted, 1.0)))


def _first_row(scene: Scene) -> int:
    """Return the row of the net at which the cut first stands: the missing frame's."""
    rows = scene.skin.point[:, 0, 0]
    wanted = scene.frames[scene.missing[0]][:, 0].mean() if scene.missing else rows.mean()
    return int(np.abs(rows - wanted).argmin())


Layer = tuple[str, str, list[int], str]  # words, colour, traces, how it is drawn


def _layers(scene: Scene) -> tuple[list[Layer], list[dict[str, Any]]]:
    """Return the layers and their traces; traces 0 and 1 are the skin's."""
    traces: list[dict[str, Any]] = []

    def add(*new: dict[str, Any]) -> list[int]:
        traces.extend(new)
        return list(range(2 + len(traces) - len(new), 2 + len(traces)))

    layers: list[Layer] = [("skin and deviation", COLOURS[2], [0, 1], "area")]
    standing = {k: v for k, v in scene.frames.items() if k not in scene.missing}
    layers.append(("frames", INK, add(_wires(standing, INK, 3), _names(standing)), "line"))
    layers.append(("stringers and lines", LINE, add(_wires(scene.lines, LINE, 2)), "line"))
    for mark in MARKS:
        if (scene.readings.mark == mark).any():
            draw = _crosses if mark == "rejected" else _dots
            at = add(draw(scene.readings, mark))
            layers.append((KEY_WORDS[mark], MARK_COLOURS[mark], at, mark))
    shown = [trace for ribbon in scene.ribbons for trace in _section(ribbon)]
    if shown:
        layers.append(("missing section, band", MISSING, add(*shown), "line"))
    for extra in scene.extras:
        layers.append((extra.words, extra.colour, add(*_asked(extra)), "asked"))
    curve = scene.skin.point[_first_row(scene)]
    layers.append(
        ("cut at the slider", "#0b7a75", add(_wires({"cut": curve}, "#0b7a75", 5)), "line")
    )
    return layers, traces


def _asked(extra: Extra) -> list[dict[str, Any]]:
    """Return a layer that is shown when it is asked for: its strokes, letters and solids."""
    traces = [_wires(extra.curves, extra.colour, 4)]
    if extra.letters:
        traces.append(_lettered(extra.letters, extra.colour, 13, "middle center"))
    for points, triangles in extra.solids.values():
        corners = {name: triangles[:, k].tolist() for k, name in enumerate("ijk")}
        traces.append(
            {
                "type": "mesh3d", **_coordinates(points), **corners, "color": extra.colour,
                "hoverinfo": "skip", "flatshading": True,
            }
        )  # fmt: skip
    return [{**trace, "visible": False} for trace in traces]


def _lettered(places: dict[str, Array], colour: str, size: int, where: str) -> dict[str, Any]:
    return {
        "type": "scatter3d", "mode": "text",
        **_coordinates(np.array(list(places.values())).reshape(-1, 3)),
        "text": [escape(words) for words in places],
        "textfont": {"size": size, "color": colour}, "textposition": where, "hoverinfo": "skip",
    }  # fmt: skip


def _coordinates(points: Array) -> dict[str, list[float | None]]:
    return {
        name: [round(float(v), 2) if np.isfinite(v) else None for v in points[:, k]]
        for k, name in enumerate("xyz")
    }


def _wires(curves: dict[str, Array], colour: str, width: float) -> dict[str, Any]:
    """Return curves as one trace, pen lifted between them, each told by its name."""
    lift = np.full((1, 3), np.nan)
    parts = [part for curve in curves.values() for part in (curve, lift)]
    names = [name for name, curve in curves.items() for _ in range(len(curve) + 1)]
    return {
        "type": "scatter3d",
        "mode": "lines",
        **_coordinates(np.vstack(parts) if parts else np.zeros((0, 3))),
        "text": [escape(name) for name in names],
        "line": {"color": colour, "width": width},
        "hoverinfo": "none",
    }


def _names(curves: dict[str, Array]) -> dict[str, Any]:
    tops = {name: curve[curve[:, 2].argmax()] + [0.0, 0.0, 40.0] for name, curve in curves.items()}
    return _lettered(tops, INK, 13, "top center")


def _dots(readings: Readings, mark: str) -> dict[str, Any]:
    chosen = np.flatnonzero((readings.mark == mark) & np.isfinite(readings.point).all(axis=1))
    points = readings.point[chosen] + 10.0 * readings.normal[chosen]
    return {
        "type": "scatter3d",
        "mode": "markers",
        **_coordinates(points),
        "text": [told_html(readings, int(number)) for number in chosen],
        "hoverinfo": "none",
        "whole": True,
        "marker": {"symbol": SYMBOLS[mark], "size": SIZES[mark], "color": MARK_COLOURS[mark]},
    }


def _crosses(readings: Readings, mark: str) -> dict[str, Any]:
    """Return the readings as crosses of two strokes each, lying on the skin."""
    chosen = np.flatnonzero((readings.mark == mark) & np.isfinite(readings.point).all(axis=1))
    parts, words = [], []
    for number in chosen:
        normal = readings.normal[number]
        along = np.array([1.0, 0.0, 0.0]) - normal[0] * normal
        along /= np.linalg.norm(along)
        across = np.cross(normal, along)
        middle = readings.point[number] + 10.0 * normal
        for stroke in (along + across, along - across):
            ends = [middle - 24.0 * stroke, middle, middle + 24.0 * stroke, np.full(3, np.nan)]
            parts.append(np.array(ends))
            words += [told_html(readings, int(number))] * 4
    return {
        "type": "scatter3d",
        "mode": "lines",
        **_coordinates(np.vstack(parts) if parts else np.zeros((0, 3))),
        "text": words,
        "hoverinfo": "none",
        "whole": True,
        "line": {"color": MARK_COLOURS[mark], "width": 7},
    }


def told_html(readings: Readings, number: int) -> str:
    """Return one reading as the page tells it: frame, line, place, deviation, reason.

    Examples
    --------
    >>> told_html(scene.readings, 0)  # doctest: +SKIP
    '<b>F9, S1S</b><br>station 3020<br>buttock line +171.2<br>...'
    """
    station = float(readings.point[number, 0])
    name = str(readings.frame[number]) or "between frames"
    line = str(readings.line[number]) or "no label"
    rows = [
        f"<b>{escape(name)}, {escape(line)}</b>",
        f"station {plain(station, 1) if np.isfinite(station) else 'unknown'}",
        f"buttock line {signed(float(readings.bl[number]))}",
        f"waterline {signed(float(readings.wl[number]))}",
        f"deviation {signed(float(readings.deviation[number]), 2)} mm",
        MARK_WORDS[str(readings.mark[number])],
    ]
    if readings.reason[number]:
        rows.append(escape(str(readings.reason[number])))
    return "<br>".join(rows)


def _section(ribbon: Ribbon) -> list[dict[str, Any]]:
    edge = _wires({f"{ribbon.name}, missing": ribbon.curve}, MISSING, 8)
    top = ribbon.curve[ribbon.curve[:, 2].argmax()] + [0.0, 0.0, 60.0]
    name = _lettered({ribbon.name: top}, MISSING, 18, "top center")
    band: dict[str, Any] = {
        "type": "surface", "surfacecolor": [[0.0] * len(ribbon.curve)] * 2,
        "colorscale": [[0, MISSING], [1, MISSING]], "showscale": False, "opacity": 0.35,
        "hoverinfo": "skip", "lighting": {"ambient": 0.95, "diffuse": 0.05},
        "contours": {axis: {"highlight": False} for axis in "xyz"},
    }  # fmt: skip
    for k, axis in enumerate("xyz"):
        band[axis] = [np.round(part[:, k], 2).tolist() for part in (ribbon.inner, ribbon.outer)]
    return [band, edge, name]


# --- the page ---------------------------------------------------------------------------------


def _page(scene: Scene, layers: list[Layer], data: str, library: str) -> str:
    title = escape(scene.title)
    missing = escape(", ".join(scene.missing) or "none")
    at, last = _first_row(scene), len(scene.skin.point) - 1
    times = "; ".join(
        f"band of {ribbon.name} drawn {plain(ribbon.times)} times as wide as it is"
        for ribbon in scene.ribbons
    )
    return f"""<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}: the loft</title>
<style>{CSS}{STYLE}</style></head>
<body>
<header><div><h1>{title}</h1><span class="quiet">missing frame <b class="mark">{missing}</b>{
        "; " + escape(times) if times else ""
    }</span></div>
<p class="quiet">{escape(CAUTION)}</p></header>
<div id="controls"><h2>Shown</h2>
{_boxes(scene, layers)}
<h2>Deviation, mm</h2>
<p class="quiet" style="font-size:13px;margin-bottom:6px">mean of the readings near, + where
metal stands outside the loft</p>
{_bar(scene.bands, scene.ribbons)}
<h2>Seen from</h2>
{"".join(f"<button>{view}</button>" for view in VIEWS)}
</div>
<div id="loft">{poster(scene)}<p id="none">This browser cannot draw in three dimensions (no
WebGL). The picture view.png and the lines drawing lines.svg show the same loft.</p></div>
<div id="told" hidden></div>
<div id="section"><h2 id="at">Section</h2><p class="quiet" id="near"></p>
{_drawing(scene)}
<input type="range" id="cut" min="0" max="{last}" value="{at}"
 aria-label="station of the cut"></div>
<footer>Drag to turn, wheel to come nearer, point at the skin or a mark to read it. Axes: station
aft, buttock line to starboard, waterline up; millimetres.</footer>
<noscript>The loft is drawn by a script in this page; scripts are switched off.</noscript>
<script type="application/json" id="data">{data}</script>
<script>{library}</script>
<script>{SCRIPT}</script>
</body></html>
"""


def _boxes(scene: Scene, layers: list[Layer]) -> str:
    rows = []
    for words, colour, at, kind in layers:
        count = int((scene.readings.mark == kind).sum()) if kind in MARKS else 0
        ticked = "" if kind == "asked" else " checked"
        rows.append(
            f'<label><input type="checkbox"{ticked} data-traces="{",".join(map(str, at))}">'
            f"{_swatch(kind, colour)}{escape(words)}"
            + (f'<span class="count">{count}</span>' if count else "")
            + "</label>"
        )
    return "\n".join(rows)


def _swatch(kind: str, colour: str) -> str:
    shape = {
        "area": f'<rect x="1" y="2" width="14" height="12" fill="{colour}"/>',
        "asked": f'<path d="M2 13L8 3L14 13Z" fill="none" stroke="{colour}" stroke-width="2"/>',
        "line": f'<path d="M1 8H15" stroke="{colour}" stroke-width="3"/>',
        "used": f'<circle cx="8" cy="8" r="3.4" fill="{colour}"/>',
        "doubted": f'<circle cx="8" cy="8" r="4.4" fill="none" stroke="{colour}" '
        'stroke-width="2.6"/>',
        "rejected": f'<path d="M3 3L13 13M3 13L13 3" stroke="{colour}" stroke-width="3"/>',
        "damaged": f'<rect x="3" y="3" width="10" height="10" fill="{colour}"/>',
    }[kind]
    return f'<svg width="16" height="16" viewBox="0 0 16 16" aria-hidden="true">{shape}</svg>'


def _bar(bands: Bands, ribbons: Sequence[Ribbon]) -> str:
    """Return the colours from +5 to -5 steps to one scale, and the bands beside them."""
    room, marks = 19.0, []  # px a step
    rows = [
        f'<rect x="0" y="{number * room:g}" width="26" height="{room + 0.5:g}" fill="{colour}"/>'
        for number, colour in enumerate(reversed(ten_colours()))
    ]
    for value in (*bands.bounds(), 0.0):
        words = signed(float(value), _places(bands.step)) if value else "0"
        down = (5.0 - value / bands.step) * room + 4.5
        rows.append(f'<text x="35" y="{down:g}">{words}</text>')
    for number, ribbon in enumerate(ribbons):
        reach = min(ribbon.half / bands.step, 5.0) * room
        at, top, low = 84 + 9 * number, 5.0 * room - reach, 5.0 * room + reach
        ends = "" if ribbon.half > 5.0 * bands.step else f"M{at - 4} {top:g}h8M{at - 4} {low:g}h8"
        rows.append(
            f'<path d="M{at} {top:g}V{low:g}{ends}" stroke="{MISSING}" stroke-width="2.5"/>'
        )
        beyond = ", beyond the bar" if not ends else ""
        marks.append(
            f'<p class="mark">95 % band of {escape(ribbon.name)}: '
            f"± {ribbon.half:.2f} mm at a point, on average{beyond}</p>"
        )
    none = f'<p><span class="none" style="background:{UNKNOWN}"></span>no reading near</p>'
    return (
        f'<svg class="bar" width="210" height="{10 * room:g}" role="img" '
        f'aria-label="colours of the deviation">{"".join(rows)}</svg>{"".join(marks)}{none}'
    )


def _places(step: float) -> int:
    return max(0, -int(np.floor(np.log10(step) + 1e-9)))


def _drawing(scene: Scene) -> str:
    low = scene.skin.point.reshape(-1, 3).min(axis=0)
    high = scene.skin.point.reshape(-1, 3).max(axis=0)
    pad = 0.12 * (high[1] - low[1])
    wide, tall = high[1] - low[1] + 2 * pad, high[2] - low[2] + 2 * pad
    box = f"{low[1] - pad:.0f} {-high[2] - pad:.0f} {wide:.0f} {tall:.0f}"
    return (
        f'<svg id="drawing" viewBox="{box}" role="img" aria-label="section at the cut">'
        f'<path class="band" fill="{MISSING}" fill-opacity=".25" fill-rule="evenodd"/>'
        f'<path class="edge" fill="none" stroke="{INK}" stroke-width="1.6" '
        'vector-effect="non-scaling-stroke"/><g class="lines"></g></svg>'
    )
