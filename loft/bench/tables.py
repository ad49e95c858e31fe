"""Published shop figures, each with where it was published. None is a figure of this program.

Inches and degrees as printed. Where publications differ, all stand here and the
output says which was used.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

INCH = 25.4
Rows = tuple[tuple[float, float], ...]

RIVETS_TABLE = "FAA AC 43.13-1B table 4-10 (rivets per inch of width, single lap)"
#: Sheet gauge, in -> rivets per inch of width for rivet diameters in 32nds of an inch.
#: AC 43.13-1B (1998) p. 4-38; only the rows that were read are here. Aluminium-alloy
#: rivets in 2017 and 2024-T3 clad sheet.
RIVETS_PER_INCH = {
    0.032: {3: 8.9, 4: 4.9, 5: 3.9, 6: 3.3},
    0.040: {3: 11.1, 4: 6.2, 5: 4.0, 6: 3.3, 8: 2.4},
    0.051: {4: 7.9, 5: 5.1, 6: 3.6, 8: 2.4},
    0.064: {4: 9.9, 5: 6.5, 6: 4.5, 8: 2.5},
}
RIVET_ALLOYS = ("2017-T3", "2017-T4", "2024-T3", "2024-T4")
#: Share of the tabled count for intermediate frames, notes to that table (p. 4-38).
FRAME_SHARE = 0.60
SHEET_SHARE = 0.75  # single-lap sheet joints, the same notes

EDGE_LEAST, EDGE_USUAL, EDGE_MOST = 2.0, 2.5, 4.0  # diameters
EDGE_SOURCE = "FAA AC 43.13-1B, as quoted; 2 D least, 2.5 D preferred, 4 D most"
PITCH_LEAST, PITCH_USUAL = 3.0, (4.0, 8.0)  # diameters
PITCH_SOURCE = "NAVEDTRA 14018 ch. 13: never under 3 D, seldom under 4 D or over 8 D"
TRANSVERSE_SHARE, TRANSVERSE_LEAST = 0.75, 2.5  # of the pitch; diameters; lecture notes
LENGTH_SOURCE = "NAVEDTRA 14018 ch. 13: 1.5 D and the grip"
PLATE_SOURCE = (
    "FAA AC 43.13-1B fig. 4-20: a plate thicker than the frame, longer than twice the web's width"
)

RELIEF_SOURCE = "FAA-H-8083-31 ch. 4 (3/16 in is printed there as 3/160)"
#: Sheet up to, in -> least diameter of a relief hole, in.
RELIEF_HOLES = ((0.064, 1 / 8), (0.128, 3 / 16))

AGEING_HOURS = 96  # 2017 and 2024 after solution treatment: T.O. 1-1A-9
#: Minutes in which it stays soft after the quench: FAA-H-8083-30 ch. 5, rivets of that alloy.
SOFT_MINUTES = {"2024": 10, "2017": 60}
COLD_MINUTES = {"2024": 5, "2017": 30}  # an airline's structural repair manual, an excerpt
CRACK_STOP_INCH = (3 / 32, 1 / 8)  # FAA AC 43.13-1B para 4-59


@dataclass(frozen=True, kw_only=True)
class RadiusTable:
    """Least inside radii for a right-angled bend: gauge, in -> radius, in, by alloy."""

    name: str
    source: str
    rows: dict[str, Rows]


def _times(gauges: tuple[float, ...], multiples: tuple[float, ...]) -> Rows:
    return tuple((t, k * t) for t, k in zip(gauges, multiples, strict=True))


_EIGHT = (1 / 64, 1 / 32, 1 / 16, 1 / 8, 3 / 16, 1 / 4, 3 / 8, 1 / 2)
_HARD = _times(_EIGHT, (2.5, 3, 4, 5, 5, 6, 7, 7.5))
_SOFT = _times(_EIGHT, (0, 0, 0, 0.5, 1, 1, 2.5, 4))
_SHEETS = (0.016, 0.020, 0.025, 0.032)
_SHOP_HARD = tuple(zip(_SHEETS, (0.060, 0.060, 0.090, 0.120), strict=True))
_SHOP_SOFT = tuple(zip(_SHEETS, (0.030, 0.030, 0.060, 0.060), strict=True))

RADIUS_TABLES = (
    RadiusTable(
        name="handbook",
        source="FAA-H-8083-31 ch. 4, chart beside the U-channel example",
        rows={"2024-T3": ((0.040, 0.16),)},
    ),
    RadiusTable(
        name="industry",
        source="industry standard table 3-1, January 2005, multiples of the gauge",
        rows={
            "2024-O": _SOFT,
            "2014-O": _SOFT,
            "2024-T3": _HARD,
            "2024-T4": _HARD,
            "2024-T361": _times(_EIGHT, (3, 4, 5, 6, 6, 8, 8.5, 9.5)),
            "5052-H32": _times(_EIGHT, (0, 0, 1, 1.5, 1.5, 1.5, 1.5, 2)),
        },
    ),
    RadiusTable(
        name="fabricator",
        source="a fabricator's table of thin sheet",
        rows={
            "2024-T3": _SHOP_HARD,
            "2024-T4": _SHOP_HARD,
            "6061-T6": _SHOP_HARD,
            "7075-T6": tuple(zip(_SHEETS, (0.090, 0.090, 0.120, 0.160), strict=True)),
            "2024-O": _SHOP_SOFT,
            "6061-T4": _SHOP_SOFT,
        },
    ),
    RadiusTable(
        name="design_office",
        source="a design office's table, its columns inferred",
        rows={
            "2024-T3": ((0.040, 0.188),),
            "6061-T6": ((0.040, 0.125),),
            "2024-O": ((0.040, 0.094),),
        },
    ),
)


def least_radius(table: RadiusTable, *, alloy: str, gauge: float) -> float:
    """Return the least inside radius that one table gives, mm; NaN where it does not reach.

    Between two gauges the multiple of the gauge is read off the straight line; a
    table with one gauge answers for that gauge alone.

    Parameters
    ----------
    table : RadiusTable
    alloy : str
        Alloy and temper, such as 2024-T3; case and a trailing word are ignored.
    gauge : float
        mm.

    Examples
    --------
    >>> round(least_radius(RADIUS_TABLES[1], alloy="2024-T3", gauge=0.040 * 25.4) / 25.4, 2)
    0.13
    >>> least_radius(RADIUS_TABLES[0], alloy="2024-T3", gauge=1.2)
    nan
    """
    rows = table.rows.get(alloy_of(alloy), ())
    inches = gauge / INCH
    near = [radius for t, radius in rows if abs(t - inches) < 5e-4]
    if near:
        return near[0] * INCH
    for (t0, r0), (t1, r1) in pairwise(rows):
        if t0 <= inches <= t1:
            share = (inches - t0) / (t1 - t0)
            return ((1 - share) * r0 / t0 + share * r1 / t1) * gauge
    return math.nan


def alloy_of(words: str) -> str:
    """Return the alloy and temper that stand in a text, in capitals.

    Examples
    --------
    >>> alloy_of(" 2024-t3 Alclad")
    '2024-T3'
    """
    parts = words.upper().split()
    return parts[0] if parts else ""


def rivets_per_inch(gauge: float, rivet: float) -> tuple[float, float]:
    """Return the tabled rivets per inch and the tabled gauge (in) they stand for.

    The next heavier gauge of the table is read, never a lighter one.

    Parameters
    ----------
    gauge, rivet : float
        Sheet gauge and rivet diameter, mm.

    Returns
    -------
    (count, gauge)
        NaN, NaN where the table does not reach.

    Examples
    --------
    >>> rivets_per_inch(0.040 * 25.4, 3.175)
    (6.2, 0.04)
    """
    size = rivet_size(rivet)
    for inches, row in RIVETS_PER_INCH.items():
        if gauge / INCH <= inches + 5e-4 and size in row:
            return row[size], inches
    return math.nan, math.nan


def rivet_size(rivet: float) -> int:
    """Return a rivet's diameter in 32nds of an inch; 0 where it is no such size.

    Metric rivets stand for the inch size they were made after: within 0.1 mm.

    Examples
    --------
    >>> rivet_size(3.2), rivet_size(3.0)
    (4, 0)
    """
    for size in (3, 4, 5, 6, 8):
        if abs(rivet - size * INCH / 32) <= 0.1:
            return size
    return 0


def relief_hole(gauge: float) -> float:
    """Return the least diameter of a relief hole, mm; NaN for heavier sheet than the table's.

    Examples
    --------
    >>> relief_hole(1.2)
    3.175
    """
    for most, across in RELIEF_HOLES:
        if gauge / INCH <= most + 1e-9:
            return across * INCH
    return math.nan


def rivet_length(rivet: float, grip: float) -> float:
    """Return 1.5 D and the grip, in the unit given.

    Examples
    --------
    >>> round(rivet_length(0.125, 0.072), 4)
    0.2595
    """
    return 1.5 * rivet + grip


def transverse_pitch(pitch: float, rivet: float) -> float:
    """Return three quarters of the pitch, at least 2.5 diameters, in the unit given.

    Examples
    --------
    >>> transverse_pitch(8.0, 1.0), transverse_pitch(3.0, 1.0)
    (6.0, 2.5)
    """
    return max(TRANSVERSE_SHARE * pitch, TRANSVERSE_LEAST * rivet)
