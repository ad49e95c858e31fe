"""Bodies in closed form, cut by square and canted planes: the truth of the bench's tests.

A body gives (bl, wl) by station x and an angle that runs 0 at the crown, positive to
starboard. Everything else (normals, bevel, girth) follows by complex-step derivatives,
so nothing here leans on the code under test.
"""

import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import minimize

from loft.bench.stock import plain_job
from loft.job.records import Corner, Crossings, Section

STATION = 6000.0
SPLICES = "CROWN", "S3S", "KEEL", "S3P"
PINS = ("S2S", 45.0), ("S4P", 45.0)
_H = 1e-30


def job_for(faces="aft", *, splices=SPLICES, pins=PINS, **more):
    """A job whose part is frame F14 at STATION; `more` goes to the part."""
    job = plain_job()
    part = replace(job.frame_section, splices=splices, flange_faces=faces, **more)
    return replace(
        job,
        frame_section=part,
        missing=("F14",),
        frames=(replace(job.frames[0], name="F14", station=STATION),),
        shop=replace(job.shop, block_pins=pins),
    )


def cone(x, t):
    """Round cone that shrinks aft by 0.1 in 1."""
    radius = 600.0 - 0.1 * (x - STATION)
    return radius * np.sin(t), radius * np.cos(t)


def elliptic_cone(x, t):
    """Elliptic cone that grows aft, its axis inclined."""
    grow = 1.0 + 1.6e-4 * (x - STATION)
    return 520.0 * grow * np.sin(t), 700.0 * grow * np.cos(t) + 300.0 + 0.03 * (x - STATION)


def lopsided(x, t):
    """Cone over an egg that is alike on no two sides."""
    grow = 1.0 - 1.5e-4 * (x - STATION)
    r = 560.0 + 25.0 * np.cos(t) + 30.0 * np.sin(t) - 18.0 * np.sin(2 * t) + 12.0 * np.cos(3 * t)
    lean = x - STATION
    return r * grow * np.sin(t) + 0.02 * lean, r * grow * np.cos(t) + 200.0 - 0.05 * lean


def curved(x, t):
    """Body whose run curves fore and aft: no cone."""
    run = (x - STATION) / 1000.0
    breadth = 600.0 - 60.0 * run - 25.0 * run**2
    depth = 720.0 - 90.0 * run - 40.0 * run**2
    return (breadth + 20.0 * np.cos(t)) * np.sin(t), depth * np.cos(t) + 150.0 + 30.0 * run


def chined(x, t, sign=1.0, side=0.0):
    """Cone with two chines at angles 2 and 2 + pi; sign 1 convex, -1 hollow.

    `side` shifts the angle's sign test, to take one-sided derivatives.
    """
    grow = 1.0 - 1.2e-4 * (x - STATION)
    wave = np.sin(t - 2.0)
    bend = np.where(np.sin(np.real(t) - 2.0 + side) >= 0, wave, -wave)
    r = 600.0 * (1 - 0.2 * sign * bend) * grow
    return r * np.sin(t), r * np.cos(t)


def hollow_chined(x, t, side=0.0):
    return chined(x, t, -1.0, side)


@dataclass(frozen=True)
class Cut:
    """A plane: heel plane of a frame."""

    station: float = STATION
    cant: float = 0.0
    pivot_wl: float = 0.0

    @property
    def aft(self):
        return np.array([math.cos(self.cant), 0.0, -math.sin(self.cant)])

    @property
    def up(self):
        """Unit vector of height in the plane."""
        return np.array([math.sin(self.cant), 0.0, math.cos(self.cant)])

    def point(self, bl, height, aft=0.0):
        """Return (station, bl, wl) of a point of the plane, moved aft along its normal."""
        bl, height, aft = np.broadcast_arrays(np.atleast_1d(bl), height, aft)
        heel = np.array([self.station, 0.0, self.pivot_wl if self.cant else 0.0])
        side = np.array([0.0, 1.0, 0.0])
        return heel + bl[:, None] * side + height[:, None] * self.up + aft[:, None] * self.aft


def station_on(body, cut, t):
    """Return the station at which the plane meets the body at angle t."""
    x = np.full(np.shape(t), cut.station)
    for _ in range(60):
        x = cut.station + (body(x, t)[1] - cut.pivot_wl) * math.tan(cut.cant)
    return x


def partials(body, x, t):
    """Return the derivatives of (station, bl, wl) by x and by t, shape (n, 3) each."""
    bx, wx = body(x + 1j * _H, t + 0j)
    bt, wt = body(x + 0j, t + 1j * _H)
    one = np.ones_like(x)
    by_x = np.column_stack([one, np.imag(bx) / _H, np.imag(wx) / _H])
    by_t = np.column_stack([0 * one, np.imag(bt) / _H, np.imag(wt) / _H])
    return by_x, by_t


def outward(body, x, t):
    by_x, by_t = partials(body, x, t)
    normal = np.cross(by_x, by_t)
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    place = np.column_stack(body(x, t))
    middle = np.column_stack(body(x, t + np.pi))
    sense = np.sign(np.sum(normal[:, 1:] * (place - middle), axis=1))
    return normal * sense[:, None]


def frame_figures(body, cut, t):
    """Return bl, height, in-plane normal, bevel at angles t."""
    x = station_on(body, cut, t)
    normal = outward(body, x, t)
    bevel = np.arcsin(-normal @ cut.aft)
    bl, wl = body(x, t)
    height = (wl - cut.pivot_wl) / math.cos(cut.cant) if cut.cant else wl
    flat = np.column_stack([normal[:, 1], normal @ cut.up])
    flat /= np.linalg.norm(flat, axis=1)[:, None]
    return x, bl, wl, height, flat, bevel


LINES = {
    "CROWN": 0.0,
    "S1S": 0.5,
    "S2S": 1.1,
    "S3S": 1.7,
    "S4S": 2.4,
    "KEEL": math.pi,
    "S4P": 2 * math.pi - 2.4,
    "S3P": 2 * math.pi - 1.7,
    "S2P": 2 * math.pi - 1.1,
    "S1P": 2 * math.pi - 0.5,
}


@cache
def section_of(body, cut=None, *, step=8.0, sd=0.3, chines=()):
    """Return the Section of a body in a plane; `chines` names angles at which it breaks."""
    cut = cut or Cut()
    dense = 2 * np.pi * np.arange(40001) / 40000
    _, bl, wl, height, flat, _ = frame_figures(body, cut, dense)
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(bl), np.diff(height)))])
    length = float(arc[-1])
    count = math.ceil(length / step)
    marks = np.interp(list(chines), dense, arc) if chines else np.zeros(0)
    even = length * np.arange(count) / count
    even = even[np.abs(even[:, None] - marks[None]).min(axis=1) > 0.5] if len(marks) else even
    girth = np.unique(np.concatenate([even, marks]))
    t = np.interp(girth, arc, dense)
    if not chines:
        t = CubicSpline(arc, dense)(girth)
    t = np.where(np.isin(girth, marks), np.interp(girth, marks, chines) if chines else t, t)
    x, bl, wl, height, flat, bevel = frame_figures(body, cut, t)
    curvature = _curvature(body, cut, t, arc, dense)
    corners = []
    for mark, angle in zip(marks, chines, strict=True):
        sides = []
        for side in (-1e-9, 1e-9):
            figures = frame_figures(lambda x, t, s=side: body(x, t, side=s), cut, np.array([angle]))
            sides.append((figures[4][0], float(figures[5][0])))
        row = int(np.argmin(np.abs(girth - mark)))
        both = sides[0][0] + sides[1][0]
        flat[row] = both / np.linalg.norm(both)
        corners.append(
            Corner(
                line="CHINE",
                girth=float(girth[row]),
                normal_before=tuple(sides[0][0]),
                normal_after=tuple(sides[1][0]),
                bevel_before=sides[0][1],
                bevel_after=sides[1][1],
            )
        )
    one = np.ones_like(girth)
    with np.errstate(divide="ignore"):
        radius = 1.0 / curvature
    return Section(
        frame="F14",
        station=cut.station,
        cant=cut.cant,
        pivot_wl=cut.pivot_wl,
        length=length,
        zero="CROWN line",
        girth=girth,
        bl=bl,
        wl=wl,
        height=height,
        station_at=x,
        normal_bl=flat[:, 0],
        normal_height=flat[:, 1],
        bevel=bevel,
        bevel_sd=0.002 * one,
        radius=radius,
        sd=sd * one,
        band95=1.96 * sd * one,
        band95_all=3.0 * sd * one,
        side=np.where(t <= np.pi, "starboard", "port"),
        crossings=crossings_of(body, cut, arc, dense),
        corners=tuple(corners),
    )


def _curvature(body, cut, t, arc, dense):
    small = 1e-4
    heading = []
    for shift in (-small, small):
        flat = frame_figures(body, cut, t + shift)[4]
        heading.append(np.arctan2(flat[:, 0], flat[:, 1]))
    turn = (heading[1] - heading[0] + np.pi) % (2 * np.pi) - np.pi
    spread = np.interp(t + small, dense, arc, period=None) - np.interp(t - small, dense, arc)
    spread = np.where(t < small, 2 * np.interp(t + small, dense, arc), spread)
    return turn / spread


def crossings_of(body, cut, arc, dense):
    names, angles = np.array(list(LINES)), np.array(list(LINES.values()))
    x, bl, wl, height, flat, bevel = frame_figures(body, cut, angles)
    by_x, _ = partials(body, x, angles)
    side = np.array([0.0, 1.0, 0.0])
    inwards = flat[:, :1] * side + flat[:, 1:] * cut.up
    along = flat[:, 1:] * side - flat[:, :1] * cut.up
    ahead = np.cos(bevel)[:, None] * cut.aft + np.sin(bevel)[:, None] * inwards
    slope = np.arctan2(np.sum(by_x * along, axis=1), np.sum(by_x * ahead, axis=1))
    kind = np.where(names == "CROWN", "crown", np.where(names == "KEEL", "keel", "stringer"))
    return Crossings(
        line=names,
        kind=kind,
        girth=np.interp(angles, dense, arc),
        bl=bl,
        wl=wl,
        height=height,
        normal=np.arctan2(flat[:, 0], flat[:, 1]),
        bevel=bevel,
        slope=slope,
        sd=np.full(len(names), 0.3),
    )


def depth_below(body, place):
    """Return how deep points (n, 3) lie under the body's surface, by minimising the distance."""
    out = []
    grid = 2 * np.pi * np.arange(720) / 720
    for x, bl, wl in place:
        gap = np.hypot(*(np.subtract(body(np.full(720, x), grid), [[bl], [wl]])))
        first = np.array([x, grid[int(np.argmin(gap))]])

        def distance(p, x=x, bl=bl, wl=wl):
            b, w = body(np.array([p[0]]), np.array([p[1]]))
            return (p[0] - x) ** 2 + float(b[0] - bl) ** 2 + float(w[0] - wl) ** 2

        found = minimize(
            lambda q, first=first: distance((first[0] + 50 * q[0], first[1] + 0.05 * q[1])),
            [0.0, 0.0],
            method="Nelder-Mead",
            options={"xatol": 1e-7, "fatol": 1e-9, "maxiter": 400},
        )
        foot = np.array([first[0] + 50 * found.x[0]]), np.array([first[1] + 0.05 * found.x[1]])
        normal = outward(body, *foot)[0]
        at_foot = np.array([foot[0][0], *(float(v[0]) for v in body(*foot))])
        gap = np.array([x, bl, wl]) - at_foot
        out.append(-math.copysign(np.linalg.norm(gap), float(gap @ normal)))
    return np.array(out)
