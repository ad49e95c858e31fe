"""Where a scan is cut: a slab at every frame and some across every bay.

What a slab's readings move with is decided here:

* A slab within 15 mm of a standing frame's plane, or on its flange, gives readings of
  that frame: the skin is riveted to it. A missing frame has no metal to move with.
* A slab across a bay gives readings between frames (no frame's name), at its station.
  The flange of a frame is not looked for there.

Where a frame's `touch` says on which side its flange lies, the skin is read on the
other side of the web only, since from within the flange hides it.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loft.job.records import Array, Frame, Job
from loft.survey.sample import PER_SQUARE

THICKNESS = 15.0  # mm to each side of a plane
BAY_SPACING = 160.0  # mm, the most between slabs across a bay
REACH_WL = 6000.0  # mm above or below its pivot that a canted frame may reach
MOST_BINS = 1_000_000
DOUBT = 0.5  # mm by which the stations may be out from which a sieve tells what is close
CLEAR = 40.0  # mm: no bay slab's point is nearer to a frame's plane

Across = Callable[[NDArray[np.int64]], Array]  # (bl, wl) of the points of an index, (n, 2)


@dataclass(frozen=True, kw_only=True)
class Slab:
    """A plane and how far before and behind it points are taken, mm along the station.

    The readings stand `at` behind the plane. `frame` is whose metal they move with.
    """

    frame: str
    station: float
    cant: float = 0.0
    pivot_wl: float = 0.0
    low: float = -THICKNESS
    high: float = THICKNESS
    at: float = 0.0

    def plane(self, wl: Array) -> Array:
        """Return the station of the plane at a waterline, mm."""
        if self.cant == 0.0:
            return np.full(np.shape(wl), self.station)
        return np.asarray(self.station + (wl - self.pivot_wl) * np.tan(self.cant))


def slabs_of(job: Job, face: str) -> tuple[Slab, ...]:
    """Return the slabs in which a face is read, by station.

    Examples
    --------
    >>> from pathlib import Path
    >>> frames = (Frame(name="F1", station=0.0, touch=-10.0), Frame(name="F2", station=300.0))
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=frames)
    >>> [(slab.frame, slab.station, slab.low, slab.high) for slab in slabs_of(job, "skin_inner")]
    [('F1', 0.0, 0.0, 15.0), ('', 150.0, -15.0, 15.0), ('F2', 300.0, -15.0, 15.0)]
    """
    frames = sorted(job.frames, key=lambda frame: frame.station)
    slabs = [slab for frame in frames for slab in _frame_slab(job, frame, face)]
    if face != "frame_flange":
        for ahead, behind in itertools.pairwise(frames):
            slabs += _bay_slabs(ahead, behind)
    return tuple(sorted(slabs, key=lambda slab: slab.station))


def _frame_slab(job: Job, frame: Frame, face: str) -> list[Slab]:
    """Return the slab at a frame, on the side where the face can be seen."""
    place = {"station": frame.station, "cant": frame.cant, "pivot_wl": frame.pivot_wl}
    missing = frame.status == "missing" or frame.name in job.missing
    name = "" if missing else frame.name
    if face == "frame_flange":
        if missing:
            return []
        reach = min(THICKNESS, abs(frame.touch) / 2) or THICKNESS  # clear of the bend
        low, high = frame.touch - reach, frame.touch + reach
        return [Slab(frame=name, low=low, high=high, at=frame.touch, **place)]
    if face == "skin_outer" or missing or frame.touch == 0.0:
        return [Slab(frame=name, **place)]
    low, high = (0.0, THICKNESS) if frame.touch < 0.0 else (-THICKNESS, 0.0)
    return [Slab(frame=name, low=low, high=high, at=(low + high) / 2, **place)]


def _bay_slabs(ahead: Frame, behind: Frame) -> list[Slab]:
    """Return slabs at even spacing between two frames, at whole millimetres."""
    gap = behind.station - ahead.station
    count = int(np.ceil(gap / BAY_SPACING)) - 1
    stations = np.round(ahead.station + gap * np.arange(1, count + 1) / (count + 1))
    return [Slab(frame="", station=float(station)) for station in stations]


class Cutter:
    """Sorts points into slabs, fast: a table by the millimetre says where none can be.

    Examples
    --------
    >>> import numpy as np
    >>> cutter = Cutter((Slab(frame="F1", station=0.0), Slab(frame="F2", station=300.0)), ())
    >>> place = np.zeros((3, 2))
    >>> slab, index, offset = cutter.cut(np.array([-20.0, 5.0, 310.0]), lambda at: place[at])
    >>> slab.tolist(), index.tolist(), offset.tolist()
    ([0, 1], [1, 2], [5.0, 10.0])
    """

    per_square = PER_SQUARE
    enough = np.inf

    def __init__(self, slabs: tuple[Slab, ...], frames: tuple[Frame, ...]):
        self.slabs = slabs
        # a canted frame's metal may lie in the slabs of the bays beside it
        self.leaning = tuple(frame for frame in frames if frame.cant)
        self.canted = [k for k, slab in enumerate(slabs) if slab.cant]
        self.at = np.array([slab.station for slab in slabs])
        # -1, where there is no slab, is the last of these: nothing lies in it
        self.begin = np.array([slab.station + slab.low for slab in slabs] + [np.inf])
        self.end = np.array([slab.station + slab.high for slab in slabs] + [-np.inf])
        reach = [max(-slab.low, slab.high, _reach(slab.cant)) for slab in slabs]
        # one bin before the first slab and one behind the last, for all that is farther off
        span = float(max(self.at + reach) - min(self.at - reach))
        self.bin = max(1.0, span / MOST_BINS)  # mm
        self.first = min(self.at - reach) - 2.0 * self.bin
        size = int(span / self.bin) + 5
        near = np.zeros(size, bool)
        for k in self.canted:
            near[self._bins(self.at[k] - reach[k], self.at[k] + reach[k])] = True
        self.layers: list[NDArray[np.int64]] = []  # by bin: the slab, -1 where there is none
        for k, slab in enumerate(slabs):
            if slab.cant:
                continue
            bins = self._bins(slab.station + slab.low, slab.station + slab.high)
            free = (layer for layer in self.layers if (layer[bins] < 0).all())
            layer = next(free, None)
            if layer is None:
                layer = np.full(size, -1)
                self.layers.append(layer)
            layer[bins] = k
            near[bins] = True
        self.near = near | np.roll(near, 1) | np.roll(near, -1)  # stations may be out by DOUBT

    def _bins(self, low: float, high: float) -> slice:
        low, high = (int((end - self.first) / self.bin) for end in (low, high))
        return slice(low, high + 1)

    def close(self, station: NDArray[np.floating]) -> NDArray[np.int64]:
        """Return which points may lie in a slab, their stations known within DOUBT.

        Examples
        --------
        >>> cutter = Cutter((Slab(frame="F1", station=0.0),), ())
        >>> cutter.close(np.array([-20.0, -15.4, 15.4, np.inf], np.float32)).tolist()
        [1, 2]
        """
        return np.flatnonzero(self.near.take(self._bin_of(station)))

    def _bin_of(self, station: NDArray[np.floating]) -> NDArray[np.int32]:
        """Return the bins of some stations, in the precision in which those come."""
        place = (station - station.dtype.type(self.first)) / station.dtype.type(self.bin)
        np.clip(place, 0.0, len(self.near) - 1.0, out=place)
        return place.astype(np.int32)

    def cut(
        self, station: Array, across: Across
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
        """Return slab, index of the point and way aft of the slab's plane, point by point.

        `across` gives bl and wl of the points of an index. A point may lie in two
        slabs where those overlap; one whose station is infinite lies in none.
        """
        place = self._bin_of(station)
        found = []
        for layer in self.layers:
            slab = layer.take(place)
            inside = (station >= self.begin.take(slab)) & (station <= self.end.take(slab))
            held = np.flatnonzero(inside)
            slab = slab.take(held)
            found.append((slab, held, station.take(held) - self.at.take(slab)))
        for k in self.canted:
            found.append(self._canted(k, station, across))
        slab, index, offset = (np.concatenate(part) for part in zip(*found, strict=True))
        if not self.leaning:
            return slab, index, offset
        keep = self._clear(slab, station, index, across)
        return slab.take(keep), index.take(keep), offset.take(keep)

    def _canted(
        self, k: int, station: Array, across: Across
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
        slab = self.slabs[k]
        index = np.flatnonzero(np.abs(station - slab.station) <= _reach(slab.cant))
        offset = station.take(index) - slab.plane(across(index)[:, 1])
        held = np.flatnonzero((offset >= slab.low) & (offset <= slab.high))
        return np.full(len(held), k), index.take(held), offset.take(held)

    def _clear(
        self, slab: NDArray[np.int64], station: Array, index: NDArray[np.int64], across: Across
    ) -> NDArray[np.int64]:
        """Return which points to keep: in a bay's slab none near a canted frame's plane."""
        keep = np.ones(len(slab), bool)
        for frame in self.leaning:
            reach = _reach(frame.cant) - THICKNESS + CLEAR
            near = np.array(
                [not s.frame and 0.0 < abs(s.station - frame.station) <= reach for s in self.slabs]
            )
            at = np.flatnonzero(near.take(slab))
            points = index.take(at)
            plane = frame.station + (across(points)[:, 1] - frame.pivot_wl) * np.tan(frame.cant)
            keep[at] = np.abs(station.take(points) - plane) > CLEAR
        return np.flatnonzero(keep)


def _reach(cant: float) -> float:
    """Return how far from its station a slab so canted may be met, mm."""
    return float(REACH_WL * np.tan(abs(cant))) + THICKNESS
