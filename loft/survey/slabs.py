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

THICKNESS = 15.0  # mm to each side of a plane
BAY_SPACING = 160.0  # mm, the most between slabs across a bay
REACH_WL = 6000.0  # mm above or below its pivot that a canted frame may reach
CLEAR = 40.0  # mm: no bay slab's point is nearer to a frame's plane

Heights = Callable[[NDArray[np.int64]], Array]  # the waterlines of the points of an index


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
    """Sorts points into slabs, fast: all square slabs that do not overlap at one stroke.

    Examples
    --------
    >>> import numpy as np
    >>> cutter = Cutter((Slab(frame="F1", station=0.0), Slab(frame="F2", station=300.0)), ())
    >>> slab, index, offset = cutter.cut(np.array([-20.0, 5.0, 310.0]), lambda index: np.zeros(2))
    >>> slab.tolist(), index.tolist(), offset.tolist()
    ([0, 1], [1, 2], [5.0, 10.0])
    """

    def __init__(self, slabs: tuple[Slab, ...], frames: tuple[Frame, ...]):
        self.slabs = slabs
        # a canted frame's metal may lie in the slabs of the bays beside it
        self.leaning = tuple(frame for frame in frames if frame.cant)
        self.canted = [k for k, slab in enumerate(slabs) if slab.cant]
        self.layers: list[list[int]] = []
        for k, slab in enumerate(slabs):
            if slab.cant:
                continue
            for layer in self.layers:
                last = slabs[layer[-1]]
                if slab.station + slab.low > last.station + last.high:
                    layer.append(k)
                    break
            else:
                self.layers.append([k])

    def cut(
        self, station: Array, heights: Heights
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
        """Return slab, index of the point and way aft of the slab's plane, point by point.

        `heights` gives the waterlines of the points of an index. A point may lie in two
        slabs where those overlap.
        """
        found = []
        for layer in self.layers:
            at = np.array([self.slabs[k].station for k in layer])
            low = at + [self.slabs[k].low for k in layer]
            high = at + [self.slabs[k].high for k in layer]
            edges = np.stack([low, np.nextafter(high, np.inf)], axis=1).ravel()
            place = np.searchsorted(edges, station, side="right")
            index = np.flatnonzero(place % 2)
            which = place[index] // 2
            found.append((np.array(layer)[which], index, station[index] - at[which]))
        for k in self.canted:
            found.append(self._canted(k, station, heights))
        slab, index, offset = (np.concatenate(part) for part in zip(*found, strict=True))
        return self._clear(slab, index, offset, station, heights)

    def _canted(
        self, k: int, station: Array, heights: Heights
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
        slab = self.slabs[k]
        reach = REACH_WL * np.tan(abs(slab.cant)) + THICKNESS
        index = np.flatnonzero(np.abs(station - slab.station) <= reach)
        offset = station[index] - slab.plane(heights(index))
        held = (offset >= slab.low) & (offset <= slab.high)
        return np.full(held.sum(), k), index[held], offset[held]

    def _clear(
        self,
        slab: NDArray[np.int64],
        index: NDArray[np.int64],
        offset: Array,
        station: Array,
        heights: Heights,
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
        """Leave out of the bay slabs what is near a canted frame's plane."""
        keep = np.ones(len(slab), bool)
        for frame in self.leaning:
            reach = REACH_WL * np.tan(abs(frame.cant)) + CLEAR
            near = np.array(
                [not s.frame and abs(s.station - frame.station) <= reach for s in self.slabs]
            )
            own = np.array([s.station == frame.station for s in self.slabs])
            at = np.flatnonzero((near & ~own)[slab])
            wl = heights(index[at])
            plane = frame.station + (wl - frame.pivot_wl) * np.tan(frame.cant)
            keep[at] = np.abs(station[index[at]] - plane) > CLEAR
        return slab[keep], index[keep], offset[keep]
