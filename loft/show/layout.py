"""What the views of the lines drawing share: the sheet's room, scales, the cuts read once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from loft.job.caution import CAUTION
from loft.job.records import Array, Evidence, Job, Section
from loft.show.cuts import Loft, Remembered, frame_curves, levels, outline
from loft.show.sheet import GREY, HEAVY, MEDIUM, NARROW, THIN, WIDE, Sheet, breadth
from loft.show.words import date_of, known

SCALES = (1, 2, 2.5, 4, 5, 10, 15, 20, 25, 40, 50, 75, 100, 150, 200)
PAGE = (594.0, 420.0)  # A2, ISO 216
EDGE = (20.0, 10.0, 584.0, 410.0)  # frame: left, top, right, bottom
COLUMN = 408.0  # where the right-hand column begins
RUN = (52.0, 378.0)  # the stations' room, left to right
BLUE = "#2f5d8c"  # named lines


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


def read_scene(job: Job, surface: Loft, sections: Sequence[Section], evidence: Evidence) -> Scene:
    """Read off the surface, once, what the views draw.

    Examples
    --------
    >>> read_scene(job, surface, sections, evidence).waterlines  # doctest: +SKIP
    array([-400., -200.,    0.,  200.,  400.])
    """
    surface = Remembered(surface)
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


def heading(sheet: Sheet, place: tuple[float, float], words: str, note: str) -> None:
    """Letter a view's title and beside it what it shows.

    Examples
    --------
    >>> heading(sheet, (26.0, 17.0), "Profile", "seen from port")  # doctest: +SKIP
    """
    sheet.text(place, words, size=2.5, bold=True)
    sheet.text((place[0] + breadth(words, 2.5) * 1.08 + 2, place[1]), note, size=1.8, colour=GREY)


def chosen_scale(*needs: tuple[float, float]) -> float:
    """Return the largest usual scale at which every (length, room) fits.

    Examples
    --------
    >>> chosen_scale((4700.0, 320.0), (1300.0, 140.0))
    15
    """
    wanted = max(length / room for length, room in needs)
    return next((scale for scale in SCALES if scale >= wanted), float(np.ceil(wanted / 100) * 100))


def draw_edge(sheet: Sheet) -> None:
    """Draw the sheet's frame with its centring marks.

    Examples
    --------
    >>> sheet = Sheet(*PAGE)
    >>> draw_edge(sheet)
    >>> len(sheet.parts)
    5
    """
    left, top, right, bottom = EDGE
    sheet.box((left, top), (right - left, bottom - top), width=HEAVY)
    for across in (left + (right - left) / 2,):
        sheet.line((across, top - 5), (across, top), width=MEDIUM)
        sheet.line((across, bottom), (across, bottom + 5), width=MEDIUM)
    middle = (top + bottom) / 2
    sheet.line((left - 5, middle), (left, middle), width=MEDIUM)
    sheet.line((right, middle), (right + 5, middle), width=MEDIUM)


def draw_title_block(sheet: Sheet, job: Job, *, what: str, readings: int, scales: str) -> None:
    """Draw the caution and the title block in the lower right corner.

    Examples
    --------
    >>> draw_title_block(sheet, job, what="Lines", readings=300, scales="1 : 20")  # doctest: +SKIP
    """
    left, right, bottom = COLUMN, EDGE[2], EDGE[3]
    wide, top = right - left, bottom - 46
    sheet.box((left, top - 17), (wide, 17), width=NARROW)
    sheet.paragraph((left + 3, top - 12.6), CAUTION, room=wide - 8, size=1.8, lead=1.95)
    sheet.box((left, top), (wide, 46), width=WIDE)
    sheet.text((left + 3, top + 8.2), job.title, size=4.0, bold=True)
    sheet.text((left + 3, top + 14.4), what, size=2.5)
    missing = ", ".join(job.missing) or "none"
    cells = [
        [("missing frame", missing), ("revision", known(job.revision)), ("date", date_of(job))],
        [
            ("prepared by", known(job.prepared_by)),
            ("readings", str(readings)),
            ("scales", scales),
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
