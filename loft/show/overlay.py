"""Lettering, key and colour bar laid flat over a three-dimensional picture."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from loft.show.colour import COLOURS, INK, UNKNOWN, Bands
from loft.show.sheet import plain

QUIET = "#5d666f"
FONT = "arial"


def letter(
    plotter: Any,
    words: str,
    place: Sequence[float],
    *,
    size: float,
    colour: str = INK,
    anchor: str = "left",
    name: str | None = None,
) -> Any:
    """Letter `words` at a place of the picture (0 to 1, up); return the actor.

    Examples
    --------
    >>> letter(plotter, "Corncrake frame 14", (0.02, 0.95), size=24)  # doctest: +SKIP
    """
    actor = plotter.add_text(
        words,
        position=tuple(place),
        viewport=True,
        font_size=1,
        color=colour,
        font=FONT,
        name=name,
    )
    style = actor.GetTextProperty()
    style.SetFontSize(round(size))
    {
        "left": style.SetJustificationToLeft,
        "centre": style.SetJustificationToCentered,
        "right": style.SetJustificationToRight,
    }[anchor]()
    return actor


def plate(
    plotter: Any, corners: ArrayLike, *, colour: str, edge: bool = False, width: float = 1.0
) -> Any:
    """Lay a filled polygon (or its edge) over the picture; corners 0 to 1, up.

    Examples
    --------
    >>> plate(plotter, [(0, 0), (0.1, 0), (0.1, 0.1)], colour="#123456")  # doctest: +SKIP
    """
    import pyvista
    from vtkmodules.vtkRenderingCore import vtkActor2D, vtkCoordinate, vtkPolyDataMapper2D

    corners = np.asarray(corners, dtype=np.float64)
    points = np.column_stack([corners, np.zeros(len(corners))])
    cell = [len(points), *range(len(points))]
    shape = pyvista.PolyData(points)
    if edge:
        shape.verts = np.zeros(0, dtype=np.int64)
        shape.lines = [len(points) + 1, *range(len(points)), 0]
    else:
        shape = pyvista.PolyData(points, faces=cell)
    coordinate = vtkCoordinate()
    coordinate.SetCoordinateSystemToNormalizedViewport()
    mapper = vtkPolyDataMapper2D()
    mapper.SetInputData(shape)
    mapper.SetTransformCoordinate(coordinate)
    actor = vtkActor2D()
    actor.SetMapper(mapper)
    actor.GetProperty().SetColor(*pyvista.Color(colour).float_rgb)
    actor.GetProperty().SetLineWidth(width)
    plotter.renderer.AddViewProp(actor)
    return actor


def colour_bar(plotter: Any, bands: Bands, *, box: Sequence[float], unit: float) -> None:
    """Draw the bands beside each other with their bounds, what they mean, and "no reading near".

    Parameters
    ----------
    plotter : pyvista.Plotter
    bands : Bands
    box : sequence of float
        Left, bottom, right, top of the coloured bar, 0 to 1.
    unit : float
        Size of the letters, 1 for 1000 pixels of height.

    Examples
    --------
    >>> colour_bar(plotter, Bands(step=0.5), box=(0.5, 0.1, 0.9, 0.13), unit=1.0)  # doctest: +SKIP
    """
    left, bottom, right, top = box
    bounds = bands.bounds() / bands.step  # -4 .. 4
    places = left + (np.concatenate([[-5.0], bounds, [5.0]]) + 5.0) / 10.0 * (right - left)
    for start, end, colour in zip(places[:-1], places[1:], COLOURS, strict=True):
        plate(plotter, [(start, bottom), (end, bottom), (end, top), (start, top)], colour=colour)
    frame = [(left, bottom), (right, bottom), (right, top), (left, top)]
    plate(plotter, frame, colour=QUIET, edge=True)
    below = bottom - 0.026
    for value in (*bounds, 0.0):
        words = plain(value * bands.step).replace("-", "−")
        place = left + (value + 5.0) / 10.0 * (right - left)
        letter(
            plotter,
            words if value <= 0 else f"+{words}",
            (place, below),
            size=16 * unit,
            anchor="centre",
            colour=QUIET,
        )
    letter(plotter, "deviation, mm: mean of the readings near", (left, top + 0.012), size=17 * unit)
    letter(plotter, "metal inside the loft", (left, below - 0.028), size=15 * unit, colour=QUIET)
    letter(
        plotter,
        "metal outside",
        (right, below - 0.028),
        size=15 * unit,
        colour=QUIET,
        anchor="right",
    )
    wide = (right - left) / 14
    start = right + wide * 0.5
    plate(
        plotter,
        [(start, bottom), (start + wide, bottom), (start + wide, top), (start, top)],
        colour=UNKNOWN,
    )
    letter(plotter, "no reading near", (start, below), size=15 * unit, colour=QUIET)


def symbol(plotter: Any, mark: str, place: Sequence[float], *, colour: str, ratio: float) -> None:
    """Draw a reading's mark in the key; `ratio` is the picture's breadth over its height.

    Examples
    --------
    >>> symbol(plotter, "used", (0.03, 0.1), colour="#14181d", ratio=1.6)  # doctest: +SKIP
    """
    turn = np.linspace(0.0, 2.0 * np.pi, 25)[:-1]
    size = {"used": 0.0055, "doubted": 0.0085, "damaged": 0.0085}.get(mark, 0.010)
    squash = np.array([1.0 / ratio, 1.0]) * size
    circle = np.column_stack([np.cos(turn), np.sin(turn)])
    middle = np.asarray(place, dtype=np.float64)
    if mark == "used":
        plate(plotter, middle + circle * squash, colour=colour)
    elif mark == "doubted":
        plate(plotter, middle + circle * squash, colour=colour)
        plate(plotter, middle + 0.45 * circle * squash, colour="#ffffff")
    elif mark == "damaged":
        square = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * 0.9
        plate(plotter, middle + square * squash, colour=colour)
    else:
        for sign in (1.0, -1.0):
            along, across = np.array([1.0, sign]), np.array([-sign, 1.0]) * 0.22
            bar = [along + across, along - across, -along - across, -along + across]
            plate(plotter, middle + np.array(bar) * squash, colour=colour)
