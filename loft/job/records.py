"""The records that travel through the whole job. Millimetres and radians inside.

Every record is frozen, valid and complete. Unknown numbers are NaN, unknown text
is "". Arrays are float64 and read-only.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loft.job.errors import Finding

Array = NDArray[np.float64]
NAN = float("nan")

FACES = ("skin_outer", "skin_inner", "stringer_inner", "frame_flange")


def freeze_arrays(record: Any) -> None:
    """Copy every array field of a frozen record and make it read-only."""
    for item in fields(record):
        value = getattr(record, item.name)
        if isinstance(value, np.ndarray):
            if value.dtype.kind in "if" and value.dtype != np.int64:
                value = value.astype(np.float64)
            else:
                value = value.copy()
            value.setflags(write=False)
            object.__setattr__(record, item.name, value)


@dataclass(frozen=True, eq=False, kw_only=True)
class Frame:
    """One frame of the schedule. The plane is its heel plane.

    ``cant`` is positive where the top leans aft: the plane is
    x = station + (wl - pivot_wl) tan(cant).
    """

    name: str
    station: float
    cant: float = 0.0
    pivot_wl: float = 0.0
    status: str = "sound"  # sound | suspect | missing
    station_sigma: float = 0.0  # 0: the station is taken as exact
    stands: str = ""  # on_skin | inside_stringers | "" (unknown)
    touch: float = 0.0  # where along the flange readings were taken, mm aft of the heel plane


@dataclass(frozen=True, eq=False, kw_only=True)
class Line:
    """A named longitudinal edge."""

    name: str
    kind: str = "stringer"  # stringer | longeron | chine | crown | keel
    side: str = ""  # port | starboard | centre
    chine: bool = False  # the section's tangent may break here


@dataclass(frozen=True, eq=False, kw_only=True)
class Lap:
    """Added depth of a skin lap or doubler, over a girth range of named frames."""

    girth: tuple[float, float]
    frames: tuple[str, ...]
    extra: float


@dataclass(frozen=True, eq=False, kw_only=True)
class SurveySet:
    """One survey table. `unit` is the unit of its bare numbers."""

    file: Path
    sigma: float
    face: str
    unit: str
    pass_no: int = 1


@dataclass(frozen=True, eq=False, kw_only=True)
class TieSet:
    """One table of tape ties and plumb readings."""

    file: Path
    sigma: float
    face: str
    unit: str


@dataclass(frozen=True, eq=False, kw_only=True)
class CloudSet:
    """One scan. Without `targets` it is already in aircraft axes.

    `fit_to` is "" (stands as its targets say), "tape" (fitted to the frames read by hand)
    or the file of another scan that it overlaps, as the job gives it.
    """

    file: Path
    sigma: float
    face: str
    unit: str
    targets: Path | None = None
    stringers: bool = True  # labelled stringers are followed along the bay where it shows them
    fit_to: str = ""


@dataclass(frozen=True, eq=False, kw_only=True)
class Damage:
    """What the engineer does not trust, and why."""

    reason: str
    frames: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()
    stations: tuple[float, float] | None = None
    girth: tuple[float, float] | None = None
    rows: tuple[str, ...] = ()
    sigma: float = NAN  # the inflated sigma; NaN where use is false
    use: bool = True


@dataclass(frozen=True, eq=False, kw_only=True)
class Break:
    """A station where the body's fore-and-aft run changes at a stroke."""

    station: float
    reason: str = ""


@dataclass(frozen=True, eq=False, kw_only=True)
class Fact:
    """One fact read off what survives of the drawing. Unknown values are NaN."""

    frame: str
    kind: str  # arc | straight | half_breadth | max_half_breadth | top | bottom | tangent_point
    arc: str = ""
    radius: float = NAN
    sigma: float = NAN
    centre_bl: float = NAN
    centre_wl: float = NAN
    sweep: float = NAN
    length: float = NAN
    at_wl: float = NAN
    value: float = NAN
    side: str = "starboard"


@dataclass(frozen=True, eq=False, kw_only=True)
class FrameSection:
    """The part to be made. Unknown numbers are NaN."""

    stands: str = ""
    gauge: float = NAN
    alloy: str = ""
    flange: float = NAN
    flange_faces: str = ""  # aft | forward
    web_depth: float = NAN
    bend_radius: float = NAN
    splices: tuple[str, ...] = ()
    inner_flange: float = NAN
    inner_flange_faces: str = ""
    inner_angle: float = np.pi / 2
    rivet_line: float = NAN
    trim: float = NAN
    bend_table: str = ""
    bend_constant: str = ""
    strain_limit: tuple[float, float] = (NAN, NAN)
    lightening: tuple[tuple[str, float, float], ...] = ()  # place, inside flange line, diameter


@dataclass(frozen=True, eq=False, kw_only=True)
class Shop:
    """The bench's other choices: tables [offsets] [cutout] [splice] [block] [tolerance]."""

    waterlines: float = NAN
    buttocks: float = NAN
    offsets_of: str = "mould"
    cutout_clearance: float = NAN
    cutout_corner_radius: float = NAN
    splice_type: str = ""
    splice_rivet: float = NAN
    splice_lap: float = NAN
    block_margin: float = NAN
    block_base: float = NAN
    block_pins: tuple[tuple[str, float], ...] = ()
    block_pin_diameter: float = NAN
    block_overbend: float = NAN  # radians
    block_board: float = NAN
    block_follower: float = NAN  # thickness of the follower block
    tolerance_mould_line: float = NAN
    tolerance_flange_angle: float = NAN  # radians
    tolerance_hole: float = NAN


@dataclass(frozen=True, eq=False, kw_only=True)
class Fair:
    """How the surface is faired. `settlement` is the prior sd: mm, mm, radians."""

    symmetry: str = "soft"  # off | soft | exact
    settlement: tuple[float, float, float] = (3.0, 3.0, np.deg2rad(0.2))
    robust: bool = True
    extrapolate: bool = False
    arcs: bool = True  # try whether arcs along the fuselage predict frames better


@dataclass(frozen=True, eq=False, kw_only=True)
class Job:
    """Everything the job file says, checked."""

    path: Path
    title: str
    unit: str  # mm | in: bare numbers of the job file
    missing: tuple[str, ...]
    frames: tuple[Frame, ...]  # sorted by station
    revision: str = ""
    date: datetime.date | None = None
    prepared_by: str = ""
    skin_gauge: float = NAN
    stringer_depth: float = NAN
    stringer_width: float = NAN
    lines: tuple[Line, ...] = ()  # those of [[line]] only; others follow from their labels
    laps: tuple[Lap, ...] = ()
    surveys: tuple[SurveySet, ...] = ()
    ties: tuple[TieSet, ...] = ()
    clouds: tuple[CloudSet, ...] = ()
    damages: tuple[Damage, ...] = ()
    breaks: tuple[Break, ...] = ()
    datum_from: str = "survey"  # survey | targets | symmetry
    fair: Fair = field(default_factory=Fair)
    facts: tuple[Fact, ...] = ()
    frame_section: FrameSection = field(default_factory=FrameSection)
    shop: Shop = field(default_factory=Shop)

    def frame(self, name: str) -> Frame:
        """Return the frame of that name (KeyError otherwise)."""
        return next(frame for frame in self.frames if frame.name == name)


@dataclass(frozen=True, eq=False, kw_only=True)
class Survey:
    """Readings in aircraft axes, one element of every array a reading.

    Parameters
    ----------
    frame : ndarray of str, shape (n,)
        Name of the frame whose metal the reading moves with, "" between frames.
    line : ndarray of str, shape (n,)
        Label, "" where none.
    station, bl, wl : ndarray, shape (n,)
        mm; `bl` or `wl` is NaN where it was not read. `station` is that of the
        touched point: for a canted frame it follows the plane (and its `touch`);
        NaN only where a canted frame's `wl` was not read.
    sigma : ndarray, shape (n,)
        One standard deviation of a coordinate, after any [[damage]] inflation.
    covariance : ndarray, shape (n, 3, 3)
        Of (station, bl, wl), mm^2: sigma^2 times the unit matrix for a taped
        reading, the adjusted covariance for a point out of ties.
    depth : ndarray, shape (n,)
        Depth of the touched face inside the mould line, mm (laps included).
    face : ndarray of str, shape (n,)
    source : ndarray of str, shape (n,)
        File name as given in the job.
    row : ndarray of int, shape (n,)
        Line of that file, counted from 1.
    pass_no : ndarray of int, shape (n,)
    use : ndarray of bool, shape (n,)
        False where a [[damage]] entry says so.
    reason : ndarray of str, shape (n,)
        "damage: ..." where a [[damage]] entry applies, otherwise "".
    lines : tuple of Line
        Every line that occurs, with its kind and side.
    notes : tuple of str
        What the reader wants said (hand not provable, failed repeats, ...).
    scans : tuple of dict
        The account of every scan in plain numbers and words: mm, None where unknown.
    shared : ndarray, shape (n,)
        The part of sigma that all readings of a scan share, its registration's; 0 by hand.
    """

    frame: NDArray[np.str_]
    line: NDArray[np.str_]
    station: Array
    bl: Array
    wl: Array
    sigma: Array
    covariance: Array
    depth: Array
    face: NDArray[np.str_]
    source: NDArray[np.str_]
    row: NDArray[np.int64]
    pass_no: NDArray[np.int64]
    use: NDArray[np.bool_]
    reason: NDArray[np.str_]
    lines: tuple[Line, ...] = ()
    notes: tuple[str, ...] = ()
    scans: tuple[dict[str, Any], ...] = ()
    shared: Array = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        if len(self.shared) != len(self.station):
            object.__setattr__(self, "shared", np.zeros(len(self.station)))
        freeze_arrays(self)

    def __len__(self) -> int:
        return len(self.station)


@dataclass(frozen=True, eq=False, kw_only=True)
class Crossings:
    """Where every line crosses the frame's plane; arrays of shape (m,), by girth."""

    line: NDArray[np.str_]
    kind: NDArray[np.str_]
    girth: Array
    bl: Array
    wl: Array
    height: Array
    normal: Array  # in-plane outward normal from up, positive to starboard, radians
    bevel: Array
    slope: Array
    sd: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)


@dataclass(frozen=True, eq=False, kw_only=True)
class Corner:
    """A chine on a section: the tangent breaks; one normal and bevel on each side."""

    line: str
    girth: float
    normal_before: tuple[float, float]  # (bl, height), on the side of lesser girth
    normal_after: tuple[float, float]
    bevel_before: float
    bevel_after: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Section:
    """A frame's closed mould line in the frame's own plane.

    Arrays have shape (n,), ordered by girth from the crown line down the
    starboard side, up the port side; the last point does not repeat the first.
    Coordinates in the plane are (bl, height), height = (wl - pivot_wl)/cos(cant)
    for a canted frame and wl for a square one. At a corner the row carries the
    bisecting normal; `corners` holds both sides.
    """

    frame: str
    station: float  # of the frame's heel plane at its pivot
    cant: float
    pivot_wl: float
    length: float  # girth once round
    zero: str  # what girth 0 is: "CROWN line" or "theta 0 of the reference"
    girth: Array
    bl: Array
    wl: Array
    height: Array
    station_at: Array  # station of each point
    normal_bl: Array
    normal_height: Array
    bevel: Array
    bevel_sd: Array
    radius: Array  # signed, positive convex; inf where over 100 m
    sd: Array
    band95: Array
    band95_all: Array
    side: NDArray[np.str_]  # port | starboard
    crossings: Crossings
    corners: tuple[Corner, ...] = ()
    source: str = "surface"  # ... and arcs along the fuselage, and drawing

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def plane(self) -> Frame:
        """Return the frame's plane as a Frame record."""
        return Frame(name=self.frame, station=self.station, cant=self.cant, pivot_wl=self.pivot_wl)


@dataclass(frozen=True, eq=False, kw_only=True)
class Deviations:
    """Every reading against the faired surface; arrays of shape (n,), survey order.

    Deviation is + where metal stands outside the loft, mm along the normal, after
    the face's depth and the frame's settlement; `raw` is before settlement.
    """

    deviation: Array
    standardised: Array
    raw: Array
    theta: Array  # where on the section it lies, radians, 0 at the crown, + to starboard
    weight: Array  # 0..1, share of a sound reading's weight that the fit gave it
    used: NDArray[np.str_]  # yes | doubted | no
    reason: NDArray[np.str_]  # "" or "fit: ..." or "damage: ..."

    def __post_init__(self) -> None:
        freeze_arrays(self)


@dataclass(frozen=True, eq=False, kw_only=True)
class Settlements:
    """Rigid movement of every surveyed frame in its plane; arrays of shape (f,)."""

    frame: NDArray[np.str_]
    station: Array
    d_bl: Array
    d_wl: Array
    roll: Array
    sd_bl: Array
    sd_wl: Array
    sd_roll: Array
    d_station: Array  # NaN where the station is taken as exact
    sd_station: Array
    centre_bl: Array  # reference centre about which roll turns
    centre_wl: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)


@dataclass(frozen=True, eq=False, kw_only=True)
class Holdouts:
    """Every surviving frame predicted without its own readings; arrays of shape (f,)."""

    frame: NDArray[np.str_]
    station: Array
    points: NDArray[np.int64]
    rms: Array
    largest: Array
    coverage95: Array
    band95: Array
    note: NDArray[np.str_]

    def __post_init__(self) -> None:
        freeze_arrays(self)


@dataclass(frozen=True, eq=False, kw_only=True)
class Evidence:
    """What an engineer signs on, always produced together."""

    deviations: Deviations
    settlements: Settlements
    holdouts: Holdouts
    findings: tuple[Finding, ...]  # what the surface step wants said: warnings and notes
