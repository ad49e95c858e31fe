"""Plain pieces to try the bench on: a round section and a job with every figure given."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from loft.job.records import Crossings, Frame, FrameSection, Job, Section, Shop

_LINES = ("CROWN", "S1S", "KEEL", "S1P")


def round_section(radius: float, *, bevel: float = 0.0, step: float = 5.0) -> Section:
    """Return the square section of a round cone about the axis bl 0, wl 0.

    Lines cross at the crown, abeam to starboard, at the keel and abeam to port.

    Parameters
    ----------
    radius : float
        mm.
    bevel : float
        Radians, the same all round.
    step : float
        mm of girth between points, at most.

    Examples
    --------
    >>> section = round_section(600.0)
    >>> section.frame, len(section.girth) % 4
    ('F1', 0)
    """
    count = 4 * int(np.ceil(np.pi * radius / 2 / step))
    turn = 2 * np.pi * np.arange(count) / count
    at_line = np.array([0, count // 4, count // 2, 3 * count // 4])
    bl, height = radius * np.sin(turn), radius * np.cos(turn)
    flat = np.full(count, 1.0)
    crossings = Crossings(
        line=np.array(_LINES),
        kind=np.array(["crown", "stringer", "keel", "stringer"]),
        girth=radius * turn[at_line],
        bl=bl[at_line],
        wl=height[at_line],
        height=height[at_line],
        normal=np.where(turn[at_line] > np.pi, turn[at_line] - 2 * np.pi, turn[at_line]),
        bevel=np.full(4, bevel),
        slope=np.zeros(4),
        sd=np.full(4, 0.3),
    )
    return Section(
        frame="F1",
        station=1000.0,
        cant=0.0,
        pivot_wl=0.0,
        length=2 * np.pi * radius,
        zero="CROWN line",
        girth=radius * turn,
        bl=bl,
        wl=height,
        height=height,
        station_at=1000.0 * flat,
        normal_bl=np.sin(turn),
        normal_height=np.cos(turn),
        bevel=bevel * flat,
        bevel_sd=0.002 * flat,
        radius=radius * flat,
        sd=0.3 * flat,
        band95=0.6 * flat,
        band95_all=0.9 * flat,
        side=np.where(turn <= np.pi, "starboard", "port"),
        crossings=crossings,
    )


def plain_job(part: FrameSection | None = None, shop: Shop | None = None) -> Job:
    """Return a job for frame F1 with the figures of an ordinary flanged frame.

    Examples
    --------
    >>> plain_job().frame_section.flange
    19.0
    """
    part = part or FrameSection(
        stands="on_skin",
        gauge=1.2,
        alloy="2024-T3",
        flange=19.0,
        flange_faces="aft",
        web_depth=75.0,
        bend_radius=4.0,
        splices=_LINES,
        rivet_line=9.5,
        trim=6.0,
    )
    shop = shop or Shop(
        waterlines=100.0,
        buttocks=100.0,
        cutout_clearance=1.5,
        cutout_corner_radius=4.0,
        splice_type="plate",
        splice_rivet=3.2,
        block_margin=10.0,
        block_base=20.0,
        block_pin_diameter=4.8,
        tolerance_mould_line=1.5,
        tolerance_flange_angle=np.deg2rad(1.0),
        tolerance_hole=0.3,
    )
    return Job(
        path=Path("job.toml"),
        title="A round frame",
        unit="mm",
        missing=("F1",),
        frames=(Frame(name="F1", station=1000.0, status="missing"),),
        revision="A",
        skin_gauge=0.9,
        stringer_depth=22.0,
        stringer_width=19.0,
        frame_section=part,
        shop=shop,
    )
