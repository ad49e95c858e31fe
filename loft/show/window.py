"""The loft in three dimensions: an off-screen picture and a window to turn it about in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from loft.job.files import written_whole
from loft.job.records import Array, Evidence, Job, Section, Survey
from loft.show.colour import INK, LINE, MISSING
from loft.show.cuts import Loft
from loft.show.extras import Extra
from loft.show.overlay import QUIET, letter
from loft.show.scene import NEAR, Scene, scene_of
from loft.show.screen import renderer
from loft.show.sheet import plain, signed
from loft.show.stage import MARK_WORDS, furnish

HELP = (
    "drag: turn   ·   shift and drag: move   ·   wheel: nearer, farther   ·   "
    "click: what is there   ·   boxes: show, hide   ·   slider: cut at a station   ·   q: close"
)
LAYERS = {  # words, place in the pane; the readings' words stand in their key
    "used": ("", 0.006, 0.150),
    "doubted": ("", 0.006, 0.119),
    "rejected": ("", 0.006, 0.088),
    "damaged": ("", 0.006, 0.057),
    "skin": ("skin and deviation", 0.29, 0.181),
    "frames": ("frames", 0.29, 0.150),
    "lines": ("stringers and other lines", 0.29, 0.119),
    "section": ("missing section and band", 0.29, 0.088),
    "axes": ("rulers", 0.29, 0.057),
}
ASKED = {  # layers hidden at first: place in the pane
    "construction": (0.006, 0.212),
    "settlement": (0.006, 0.181),
    "blocks": (0.29, 0.212),
}


def picture(
    job: Job,
    survey: Survey,
    surface: Loft,
    sections: Sequence[Section],
    evidence: Evidence,
    path: Path,
    *,
    size: tuple[int, int] = (1600, 1000),
) -> None:
    """Write a picture of the loft, its readings and the lifted section.

    Parameters
    ----------
    job, survey, surface, sections, evidence
        As for `loft.show.lines.lines_drawing`.
    path : Path
        The PNG to write, whole or not at all.
    size : tuple of int
        Breadth and height in pixels.

    Raises
    ------
    LoftError
        This machine has no OpenGL library, or the file cannot be written.

    Examples
    --------
    >>> picture(job, survey, surface, sections, evidence, Path("view.png"))  # doctest: +SKIP
    """
    pyvista = renderer()
    scene = scene_of(job, survey, surface, sections, evidence)
    plotter = pyvista.Plotter(off_screen=True, window_size=list(size))
    try:
        furnish(pyvista, plotter, scene, unit=size[1] / 1000.0)
        with written_whole(Path(path)) as scrap:
            plotter.screenshot(scrap)
    finally:
        plotter.close()


def open_window(
    job: Job,
    survey: Survey,
    surface: Loft,
    sections: Sequence[Section],
    evidence: Evidence,
    *,
    extras: Sequence[Extra] = (),
) -> None:
    """Open a window on the loft: turn it, cut it at any station, ask any reading.

    Parameters
    ----------
    job, survey, surface, sections, evidence
        As for `loft.show.lines.lines_drawing`.
    extras : sequence of Extra
        More layers, shown when asked for (`loft.show.extras.extras_of`).

    Raises
    ------
    LoftError
        No screen, or no OpenGL library.

    Examples
    --------
    >>> open_window(job, survey, surface, sections, evidence)  # doctest: +SKIP
    """
    pyvista = renderer(interactive=True)
    scene = scene_of(job, survey, surface, sections, evidence, extras=extras)
    viewer(pyvista, job, surface, scene).plotter.show(title=f"{job.title}: loft")


@dataclass
class Viewer:
    """The open window: what is in it and what its slider, boxes and clicks do."""

    plotter: Any
    job: Job
    surface: Loft
    scene: Scene
    layers: dict[str, list[Any]]
    pane: list[Any] = field(default_factory=list)
    said: str = ""

    def toggle(self, layer: str, shown: bool) -> None:
        """Show or hide one layer."""
        for actor in self.layers[layer]:
            actor.SetVisibility(shown)

    def ask(self, place: ArrayLike) -> str:
        """Tell the reading nearest to a picked place, or the skin there; return the words."""
        self.said = told(self.surface, self.scene, np.asarray(place, dtype=np.float64))
        self.plotter.subplot(0, 0)
        letter(self.plotter, self.said, (0.022, 0.250), size=17, colour=INK, name="said")
        self.plotter.render()
        return self.said

    def cut(self, station: float) -> None:
        """Cut the loft at a station; show section, band and stringers beside it."""
        station = float(np.clip(station, self.surface.stations[0], self.surface.stations[-1]))
        self.plotter.subplot(0, 1)
        for actor in self.pane:
            self.plotter.renderer.RemoveViewProp(actor)
        self.pane = _section_pane(self.plotter, self.job, self.surface, station)
        self.plotter.subplot(0, 0)
        theta = np.linspace(0.0, 2.0 * np.pi, 241)
        curve = self.surface.points(np.full(theta.shape, station), theta)
        import pyvista

        self.plotter.add_mesh(
            pyvista.lines_from_points(curve),
            color="#0b7a75",
            line_width=4,
            name="cut",
            reset_camera=False,
            lighting=False,
        )


def viewer(
    pyvista: Any,
    job: Job,
    surface: Loft,
    scene: Scene,
    *,
    size: tuple[int, int] = (1600, 950),
    off_screen: bool = False,
) -> Viewer:
    """Set up the window without opening it.

    Examples
    --------
    >>> viewer(pyvista, job, surface, scene, off_screen=True).cut(4420.0)  # doctest: +SKIP
    """
    plotter = pyvista.Plotter(
        shape=(1, 2),
        col_weights=[2.7, 1.0],
        border=False,
        window_size=list(size),
        off_screen=off_screen,
    )
    plotter.subplot(0, 1)
    plotter.set_background("#f7f7f5")
    plotter.enable_parallel_projection()
    plotter.subplot(0, 0)
    layers = furnish(pyvista, plotter, scene, unit=size[1] / 1000.0)
    view = Viewer(plotter=plotter, job=job, surface=surface, scene=scene, layers=layers)
    letter(plotter, HELP, (0.022, 0.012), size=14, colour=QUIET)
    _boxes(view, size=size)
    _slider(view)
    first = job.frame(job.missing[0]).station if job.missing else float(surface.stations[0])
    view.cut(first)
    plotter.subplot(0, 0)
    plotter.enable_point_picking(
        callback=lambda point: view.ask(point),
        left_clicking=True,
        show_message=False,
        show_point=False,
        picker="cell",
        tolerance=0.0005,
    )
    return view


def _boxes(view: Viewer, *, size: tuple[int, int]) -> None:
    """Put a tick box before every layer: the readings in their key, the others beside it."""
    share = 2.7 / 3.7  # of the window's breadth that the pane has
    boxes = [(layer, *told, True) for layer, told in LAYERS.items()]
    boxes += [(extra.layer, extra.words, *ASKED[extra.layer], False) for extra in view.scene.extras]
    for layer, words, across, up, shown in boxes:
        if not view.layers[layer]:
            continue
        view.plotter.add_checkbox_button_widget(
            lambda shown, layer=layer: view.toggle(layer, shown),
            value=shown,
            position=(across * share * size[0], up * size[1]),
            size=13,
            border_size=2,
            color_on=LINE,
            color_off="#ffffff",
            background_color=QUIET,
        )
        if words:
            letter(view.plotter, words, (across + 0.02, up), size=15)


def _slider(view: Viewer) -> None:
    view.plotter.subplot(0, 1)
    first = view.job.frame(view.job.missing[0]).station if view.job.missing else None
    low, high = float(view.surface.stations[0]), float(view.surface.stations[-1])
    slider = view.plotter.add_slider_widget(
        view.cut,
        (low, high),
        value=low if first is None else first,
        title="station of the cut, mm",
        pointa=(0.1, 0.09),
        pointb=(0.9, 0.09),
        color=INK,
        fmt="%.0f",
        title_height=0.022,
        style="modern",
        interaction_event="always",
    )
    style = slider.GetRepresentation()
    style.SetLabelHeight(0.022)
    style.SetSliderLength(0.02)
    style.SetTubeWidth(0.004)


def _section_pane(plotter: Any, job: Job, surface: Loft, station: float) -> list[Any]:
    """Draw the section at a station with its band, widened, and its lines; return the actors."""
    import pyvista

    theta = np.linspace(0.0, 2.0 * np.pi, 361)
    at = np.full(theta.shape, station)
    point, normal, sd = surface.points(at, theta), surface.normals(at, theta), surface.sd(at, theta)
    flat = normal[:, 1:] / np.linalg.norm(normal[:, 1:], axis=1, keepdims=True)
    curve = point[:, 1:]
    height = float(np.ptp(curve[:, 1]))
    half = 1.96 * np.nan_to_num(sd)
    wanted = max(height / 25.0 / max(float(half.mean()), 1e-9), 1.0)
    times = float(max(step for step in (1, 2, 5, 10, 20, 50, 100) if step <= wanted))
    offset = (times * half)[:, None] * flat
    low, high = curve - offset, curve + offset
    across, up = (np.stack([low[:, k], high[:, k]], axis=1)[..., None] for k in range(2))
    band = pyvista.StructuredGrid(across, up, np.zeros_like(across))
    level = np.column_stack([curve, np.full(len(curve), 1.0)])
    actors = [
        plotter.add_mesh(band, color=MISSING, opacity=0.3, lighting=False, reset_camera=False),
        plotter.add_mesh(
            pyvista.lines_from_points(level),
            color=INK,
            line_width=2.5,
            lighting=False,
            reset_camera=False,
        ),
    ]
    actors += _pane_lines(plotter, surface, station, height)
    nearest = min(job.frames, key=lambda frame: abs(frame.station - station))
    gone = ", missing" if nearest.name in job.missing else ""
    rows = [
        (f"Section at station {plain(station, 1)}", 22, INK, 0.94),
        (
            f"nearest frame {nearest.name}{gone}, {signed(station - nearest.station)} mm from it",
            16,
            QUIET,
            0.905,
        ),
        (f"95 % band at a point: ±{half.min():.1f} to ±{half.max():.1f} mm,", 16, QUIET, 0.877),
        (f"drawn {plain(times)} times as wide; looking forward", 16, QUIET, 0.849),
    ]
    actors += [
        letter(plotter, words, (0.06, up), size=size, colour=colour)
        for words, size, colour, up in rows
    ]
    _face_on(plotter, curve)
    return actors


def _pane_lines(plotter: Any, surface: Loft, station: float, height: float) -> list[Any]:
    """Mark and letter the named lines that cross the station."""
    runs = [run for run in surface.lines.values() if run.first <= station <= run.last]
    if not runs:
        return []
    angle = np.array([float(run.theta(station)) for run in runs])
    at = np.full(angle.shape, station)
    place, normal = surface.points(at, angle)[:, 1:], surface.normals(at, angle)[:, 1:]
    spots = np.column_stack([place, np.full(len(place), 2.0)])
    names = np.column_stack([place - 0.075 * height * normal, np.full(len(place), 2.0)])
    return [
        plotter.add_points(
            spots, color=LINE, point_size=7, render_points_as_spheres=True, reset_camera=False
        ),
        plotter.add_point_labels(
            names,
            [run.line.name for run in runs],
            font_size=13,
            text_color=LINE,
            shape=None,
            show_points=False,
            always_visible=True,
            justification_horizontal="center",
            justification_vertical="center",
            bold=False,
            reset_camera=False,
        ),
    ]


def _face_on(plotter: Any, curve: Array) -> None:
    middle = (curve.min(axis=0) + curve.max(axis=0)) / 2
    span = np.ptp(curve, axis=0)
    camera = plotter.camera
    camera.focal_point = (middle[0], middle[1], 0.0)
    camera.position = (middle[0], middle[1], 5000.0)
    camera.up = (0.0, 1.0, 0.0)
    left, bottom, right, top = plotter.renderer.viewport
    ratio = plotter.window_size[0] * (right - left) / (plotter.window_size[1] * (top - bottom))
    camera.parallel_scale = max(span[0] / 2 / ratio * 1.28, span[1] / 2 / 0.62)
    camera.clipping_range = (10.0, 10000.0)


def told(surface: Loft, scene: Scene, place: Array) -> str:
    """Return what stands at a picked place: the reading near it, or else the skin.

    A reading counts as picked within a hundredth of the body's size.

    Examples
    --------
    >>> told(surface, scene, np.array([4420.0, 541.0, 0.0]))  # doctest: +SKIP
    'F11, line S5S; station 4420; ...'
    """
    net = scene.skin.point.reshape(-1, 3)
    span = float(np.linalg.norm(np.ptp(net, axis=0)))
    away = np.linalg.norm(scene.readings.point - place, axis=1)
    away = np.where(np.isfinite(away), away, np.inf)
    if len(away) and away.min() < span / 100.0:
        return spoken(scene, int(away.argmin()))
    knot = int(np.linalg.norm(net - place, axis=1).argmin())
    station, bl, wl = net[knot]
    mean, away = scene.skin.mean.ravel()[knot], scene.skin.away.ravel()[knot]
    near = f"mean deviation {signed(mean, 2)} mm" if away <= NEAR else "no reading near"
    return (
        f"skin; station {plain(station, 1)}; buttock line {signed(bl)}; waterline {signed(wl)}; "
        f"{near}; sd {scene.skin.sd.ravel()[knot]:.2f} mm"
    )


def spoken(scene: Scene, number: int) -> str:
    """Return one reading in words, as the window tells it when it is picked.

    Examples
    --------
    >>> spoken(scene, 0)  # doctest: +SKIP
    'F9, line S1S; station 3020.0; buttock line +171.2; waterline +627.0; ...'
    """
    readings = scene.readings
    station = readings.point[number, 0]
    rows = [
        f"{readings.frame[number] or 'between frames'}, line {readings.line[number] or 'unnamed'}",
        f"station {plain(station, 1) if np.isfinite(station) else 'unknown'}",
        f"buttock line {signed(readings.bl[number])}",
        f"waterline {signed(readings.wl[number])}",
        f"deviation {signed(readings.deviation[number], 2)} mm",
        MARK_WORDS[str(readings.mark[number])],
    ]
    reason = str(readings.reason[number])
    return "; ".join([*rows, reason] if reason else rows)
