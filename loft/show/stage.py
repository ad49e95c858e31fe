"""The loft set up in three dimensions: skin, frames, lines, readings, lifted section, rulers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from loft.job.caution import SHAPE_ONLY
from loft.job.records import Array
from loft.show.colour import COLOURS, INK, LINE, MISSING, UNKNOWN
from loft.show.extras import Extra
from loft.show.overlay import FONT, QUIET, colour_bar, letter, symbol
from loft.show.scene import MARKS, NEAR, Ribbon, Scene
from loft.show.sheet import plain

LIGHT = {"ambient": 0.55, "diffuse": 0.5, "specular": 0.0}
MARK_COLOURS = {"used": INK, "doubted": "#e8c02a", "rejected": "#b3300f", "damaged": "#6a3d8f"}
MARK_WORDS = {
    "used": "reading used",
    "doubted": "reading doubted, less weight",
    "rejected": "reading rejected by the fit",
    "damaged": "reading set aside as damage",
}


KEY_WORDS = {
    "used": "readings used",
    "doubted": "doubted, less weight",
    "rejected": "rejected by the fit",
    "damaged": "set aside as damage",
}


def furnish(pyvista: Any, plotter: Any, scene: Scene, *, unit: float = 1.0) -> dict[str, list[Any]]:
    """Put everything into a plotter; return the actors by layer.

    Parameters
    ----------
    pyvista : module
    plotter : pyvista.Plotter
    scene : Scene
    unit : float
        Letters and lines are made for 1000 pixels of height; this much larger.

    Examples
    --------
    >>> layers = furnish(pyvista, pyvista.Plotter(off_screen=True), scene)  # doctest: +SKIP
    """
    plotter.set_background("white")
    plotter.enable_anti_aliasing("msaa", multi_samples=8)
    layers: dict[str, list[Any]] = {"skin": _skin(pyvista, plotter, scene)}
    layers["frames"] = _curves(pyvista, plotter, scene, unit=unit)
    layers["lines"] = [
        _curve(pyvista, plotter, curve, colour=LINE, width=1.6 * unit)
        for curve in scene.lines.values()
    ]
    for mark in MARKS:
        layers[mark] = _readings(pyvista, plotter, scene, mark)
    layers["section"] = [
        actor
        for ribbon in scene.ribbons
        for actor in _ribbon(pyvista, plotter, scene, ribbon, unit=unit)
    ]
    for extra in scene.extras:
        layers[extra.layer] = _extra(pyvista, plotter, extra, unit=unit)
    layers["axes"] = _axes(pyvista, plotter, scene, unit=unit)
    ratio = _ratio(plotter)
    _captions(plotter, scene, unit=unit, ratio=ratio)
    colour_bar(plotter, scene.bands, box=(0.50, 0.105, 0.88, 0.128), unit=unit)
    _stand(plotter, scene, ratio=ratio)
    return layers


def _ratio(plotter: Any) -> float:
    """Return breadth over height of the pane that is being furnished."""
    left, bottom, right, top = plotter.renderer.viewport
    wide, high = plotter.window_size
    return float(wide * (right - left) / (high * (top - bottom)))


def _skin(pyvista: Any, plotter: Any, scene: Scene) -> list[Any]:
    """Add the skin: coloured where there are readings near, grey elsewhere.

    The bands are cut exactly, by looking the colour up in every pixel.
    """
    skin, out = scene.skin, (slice(None), slice(None, None, -1))  # faces wound outwards
    net = pyvista.StructuredGrid(*(skin.point[..., k][out] for k in range(3)))
    for name, values in (("deviation", skin.mean), ("away", np.minimum(skin.away, 99.0))):
        net[name] = values[out].ravel(order="F")
    net["Normals"] = np.stack([skin.normal[..., k][out].ravel(order="F") for k in range(3)], axis=1)
    net = net.extract_surface(algorithm="dataset_surface", pass_pointid=False, pass_cellid=False)
    net.point_data.active_normals_name = "Normals"
    actors = []
    for near in (True, False):
        part = net.clip_scalar(scalars="away", value=NEAR, invert=near)
        if not part.n_cells:
            continue
        # Light falls by the faces' winding: it must agree with the outward normals.
        wound = part.compute_normals(
            point_normals=False, consistent_normals=False, auto_orient_normals=False
        )["Normals"]
        ours = part.point_data_to_cell_data()["Normals"]
        if np.einsum("nk,nk->n", wound, ours).sum() < 0:
            part = part.flip_faces()
        if near:
            colour = {
                "scalars": "deviation",
                "cmap": ten_colours(),
                "n_colors": 10,
                "clim": [-5.0 * scene.bands.step, 5.0 * scene.bands.step],
                "interpolate_before_map": True,
                "show_scalar_bar": False,
            }
        else:
            colour = {"color": UNKNOWN}
        actor = plotter.add_mesh(part, reset_camera=False, **colour, **LIGHT)
        actor.prop.interpolation = "phong"
        # The skin steps back a little in depth, so that what lies on it is seen on it.
        actor.mapper.SetResolveCoincidentTopologyToPolygonOffset()
        actor.mapper.SetRelativeCoincidentTopologyPolygonOffsetParameters(3.0, 60.0)
        actors.append(actor)
    return actors


def ten_colours() -> list[str]:
    """Return the nine colours as ten equal bins: the neutral one is twice as wide.

    Examples
    --------
    >>> len(ten_colours()), ten_colours()[4] == ten_colours()[5]
    (10, True)
    """
    return [*COLOURS[:5], *COLOURS[4:]]


def _curve(
    pyvista: Any, plotter: Any, curve: Array, *, colour: str, width: float, tube: float = 0.0
) -> Any:
    line = pyvista.lines_from_points(curve)
    if tube:
        line = line.tube(radius=tube, n_sides=16)
    return plotter.add_mesh(line, color=colour, line_width=width, reset_camera=False, **LIGHT)


def _curves(pyvista: Any, plotter: Any, scene: Scene, *, unit: float) -> list[Any]:
    actors = []
    tops, names = [], []
    for name, curve in scene.frames.items():
        if name in scene.missing:
            continue
        actors.append(_curve(pyvista, plotter, curve, colour=INK, width=2.0 * unit))
        tops.append(curve[curve[:, 2].argmax()])
        names.append(name)
    lift = np.array([0.0, 0.0, _span(scene)[2] * 0.045])
    if names:
        actors.append(_labels(plotter, np.array(tops) + lift, names, colour=INK, size=17 * unit))
    return actors


def _labels(
    plotter: Any,
    points: Array,
    words: Sequence[str],
    *,
    colour: str,
    size: float,
    bold: bool = False,
) -> Any:
    return plotter.add_point_labels(
        points,
        list(words),
        font_size=int(size),
        text_color=colour,
        font_family=FONT,
        shape=None,
        show_points=False,
        always_visible=True,
        justification_horizontal="center",
        reset_camera=False,
        bold=bold,
    )


def _readings(pyvista: Any, plotter: Any, scene: Scene, mark: str) -> list[Any]:
    readings = scene.readings
    chosen = (readings.mark == mark) & np.isfinite(readings.point).all(axis=1)
    if not chosen.any():
        return []
    grain = float(np.linalg.norm(_span(scene))) / 1000.0
    cloud = pyvista.PolyData(readings.point[chosen] + readings.normal[chosen] * grain)
    cloud["normal"] = readings.normal[chosen]
    body, size = _mark(pyvista, mark)
    glyphs = cloud.glyph(geom=body, orient="normal", scale=False, factor=size * grain)
    return [plotter.add_mesh(glyphs, color=MARK_COLOURS[mark], reset_camera=False, **LIGHT)]


def _mark(pyvista: Any, mark: str) -> tuple[Any, float]:
    """Return a flat mark that lies on the skin (its normal along x), and its size."""
    if mark == "used":
        return pyvista.Sphere(radius=1.0, theta_resolution=12, phi_resolution=12), 2.3
    if mark == "doubted":
        return pyvista.Disc(inner=0.45, outer=1, normal=(1, 0, 0), c_res=24), 5.5
    if mark == "damaged":
        return pyvista.Cube(x_length=0.4, y_length=1.7, z_length=1.7), 4.6
    arms = [
        pyvista.Cube(x_length=0.6, y_length=2.4, z_length=0.55).rotate_x(angle)
        for angle in (45, -45)
    ]
    return arms[0].merge(arms[1]).extract_surface(algorithm="dataset_surface"), 4.4


def _ribbon(pyvista: Any, plotter: Any, scene: Scene, ribbon: Ribbon, *, unit: float) -> list[Any]:
    count = len(ribbon.curve)
    band = pyvista.StructuredGrid(
        *(np.stack([ribbon.inner[:, k], ribbon.outer[:, k]], axis=1)[..., None] for k in range(3))
    )
    assert band.n_points == 2 * count
    grain = float(np.linalg.norm(_span(scene))) / 1000.0
    top = ribbon.curve[ribbon.curve[:, 2].argmax()] + [0, 0, _span(scene)[2] * 0.085]
    return [
        plotter.add_mesh(
            band, color=MISSING, opacity=0.38, reset_camera=False, ambient=0.9, diffuse=0.1
        ),
        _curve(pyvista, plotter, ribbon.curve, colour=MISSING, width=1.0, tube=1.7 * grain),
        _labels(plotter, top[None], [ribbon.name], colour=MISSING, size=24 * unit, bold=True),
    ]


def _extra(pyvista: Any, plotter: Any, extra: Extra, *, unit: float) -> list[Any]:
    """Add a layer that is shown when it is asked for; hidden at first."""
    actors = []
    for points, triangles in extra.solids.values():
        faces = np.column_stack([np.full(len(triangles), 3), triangles])
        solid = pyvista.PolyData(points, faces.ravel())
        actors.append(plotter.add_mesh(solid, color=extra.colour, reset_camera=False, **LIGHT))
    width = 2.4 * unit
    for curve in extra.curves.values():
        actors.append(_curve(pyvista, plotter, curve, colour=extra.colour, width=width))
    if extra.letters:
        places = np.array(list(extra.letters.values()))
        words = list(extra.letters)
        actors.append(_labels(plotter, places, words, colour=extra.colour, size=14 * unit))
    for actor in actors:
        actor.SetVisibility(False)
    return actors


def _span(scene: Scene) -> Array:
    return np.ptp(scene.skin.point.reshape(-1, 3), axis=0)


def _axes(pyvista: Any, plotter: Any, scene: Scene, *, unit: float) -> list[Any]:
    """Lay three rulers along the body: stations, buttock lines, waterlines."""
    point = scene.skin.point.reshape(-1, 3)
    low, high = point.min(axis=0), point.max(axis=0)
    off = 0.10 * (high[2] - low[2])
    places = (  # axis, corner that the ruler passes, which way its ticks go, words
        (0, (0.0, high[1], low[2] - off), (0.0, 1.0, 0.0), "station, mm aft", 6),
        (1, (low[0] - off, 0.0, low[2] - off), (-1.0, 0.0, 0.0), "buttock line, mm", 4),
        (2, (high[0] + off, high[1], 0.0), (1.0, 0.6, 0.0), "waterline, mm", 4),
    )
    actors = []
    for axis, corner, away, words, most in places:
        tick = np.array(away) * off * 0.4
        step = next(
            step
            for step in (50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0, 10000.0)
            if (high[axis] - low[axis]) / step <= most
        )
        values = np.arange(np.ceil(low[axis] / step), np.floor(high[axis] / step) + 1) * step
        rule = np.tile(np.array(corner), (2, 1))
        rule[:, axis] = low[axis], high[axis]
        ends = np.tile(np.array(corner), (len(values), 1))
        ends[:, axis] = values
        pairs = np.stack([ends, ends + tick], axis=1).reshape(-1, 3)
        pairs = np.vstack([rule, pairs])
        actors.append(plotter.add_lines(pairs, color=QUIET, width=1.5 * unit))
        numbers = [plain(value).replace("-", "−") for value in values]
        actors.append(_labels(plotter, ends + 3.2 * tick, numbers, colour=QUIET, size=14 * unit))
        name = rule.mean(axis=0) + 7.6 * tick
        if axis > 0:  # beyond the ruler's end
            name = rule[1] + (rule[1] - rule[0]) * 0.14 + tick
        actors.append(_labels(plotter, name[None], [words], colour=QUIET, size=15 * unit))
    return actors


def _captions(plotter: Any, scene: Scene, *, unit: float, ratio: float) -> None:
    """Letter the title, what is drawn wider than it is, and the key of the readings."""
    missing = ", ".join(scene.missing) or "none"
    letter(plotter, scene.title, (0.022, 0.938), size=30 * unit)
    parts = [f"missing frame {missing}"]
    parts += [
        f"95 % band of {ribbon.name} drawn {plain(ribbon.times)} times as wide as it is"
        for ribbon in scene.ribbons
    ]
    letter(plotter, "; ".join(parts), (0.022, 0.903), size=18 * unit, colour=QUIET)
    letter(
        plotter,
        SHAPE_ONLY.capitalize() + ".",
        (0.978, 0.938),
        size=15 * unit,
        colour=QUIET,
        anchor="right",
    )
    for number, mark in enumerate(MARKS):
        count = int((scene.readings.mark == mark).sum())
        down = 0.148 - 0.031 * number
        symbol(plotter, mark, (0.032, down + 0.0085), colour=MARK_COLOURS[mark], ratio=ratio)
        letter(plotter, str(count), (0.072, down), size=17 * unit, anchor="right")
        letter(plotter, KEY_WORDS[mark], (0.081, down), size=17 * unit)


def _stand(plotter: Any, scene: Scene, *, ratio: float) -> None:
    """Stand on the starboard bow, a little above, as near as the whole body allows."""
    point = scene.skin.point[::6, ::6].reshape(-1, 3)
    middle = (point.min(axis=0) + point.max(axis=0)) / 2
    ahead = -np.array([-0.62, 1.0, 0.46])
    ahead /= np.linalg.norm(ahead)
    right = np.cross(ahead, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    up = np.cross(right, ahead)
    half = np.tan(np.deg2rad(15.0))
    far = float(np.linalg.norm(np.ptp(point, axis=0)))
    for _ in range(12):  # the picture's middle and the distance, by turns
        eye = middle - far * ahead
        deep = (point - eye) @ ahead
        across, above = (point - eye) @ right / deep, (point - eye) @ up / deep
        middle = middle + far * (
            right * (across.max() + across.min()) / 2 + up * (above.max() + above.min()) / 2
        )
        far *= max(
            np.ptp(across) / (2 * half * ratio * (0.80 if ratio > 1.4 else 0.75)),
            np.ptp(above) / (2 * half * 0.52),
        )
    middle = middle - up * far * half * 0.09
    plotter.camera.focal_point = middle
    plotter.camera.position = middle - far * ahead
    plotter.camera.up = (0.0, 0.0, 1.0)
    plotter.camera.view_angle = 30.0
    plotter.reset_camera_clipping_range()
