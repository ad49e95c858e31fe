"""What changed between two runs: inputs, verdicts, figures, sections, readings set aside."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from loft.job.errors import Finding, LoftError
from loft.job.files import digest
from loft.job.records import Array
from loft.job.units import MM_PER
from loft.show.console import table
from loft.show.sheet import signed

QUOTED = (  # part of the summary, key, words, unit
    ("section", "station_mm", "station", "mm"),
    ("section", "cant_deg", "cant", "degrees"),
    ("section", "girth_mm", "girth once round", "mm"),
    ("section", "half_breadth_starboard_mm", "half-breadth, starboard", "mm"),
    ("section", "half_breadth_port_mm", "half-breadth, port", "mm"),
    ("section", "top_wl_mm", "top", "mm"),
    ("section", "bottom_wl_mm", "bottom", "mm"),
    ("bands", "band95_mean_mm", "95 % band at a point, mean", "mm"),
    ("bands", "band95_widest_mm", "95 % band at a point, widest", "mm"),
    ("bands", "band95_all_widest_mm", "95 % band, whole outline, widest", "mm"),
)


PER_FRAME = ("as if missing", "settled", "stated station")


@dataclass(frozen=True, kw_only=True)
class Change:
    """One thing that differs; text as it is told, "unknown" where a run does not say."""

    what: str
    before: str
    after: str
    change: str = ""


@dataclass(frozen=True, kw_only=True)
class Moved:
    """How one frame's mould line moved from the first run to the second, mm.

    `largest` is signed, positive outwards; `beyond` is the share of the outline that left
    the first run's 95 % band.
    """

    frame: str
    mean: float
    largest: float
    at_girth: float
    beyond: float


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """Everything that differs between two runs."""

    first: str
    second: str
    inputs: tuple[Change, ...]
    verdicts: tuple[Change, ...]
    figures: tuple[Change, ...]
    sections: tuple[Moved, ...]
    readings: tuple[Change, ...]
    notes: tuple[str, ...]

    def nothing(self) -> bool:
        """Return whether the two runs agree in everything that is compared."""
        return not (
            self.inputs or self.verdicts or self.figures or self.readings or self.notes
            or any(abs(moved.largest) >= 0.00005 for moved in self.sections)
        )  # fmt: skip


def compare(first: Path, second: Path) -> Comparison:
    """Compare what two runs left in their output folders.

    Parameters
    ----------
    first, second : Path
        The folders with summary.json, the earlier one first.

    Returns
    -------
    Comparison
        Lengths in mm, whatever the jobs' units.

    Raises
    ------
    LoftError
        A folder has no summary, or its files are not those of its summary (a run that
        did not end); all faults of both at once.

    Examples
    --------
    >>> compare(Path("monday/out"), Path("tuesday/out")).verdicts  # doctest: +SKIP
    (Change(what='F14', before='measure first', after='make', change=''),)
    """
    folders = (Path(first), Path(second))
    faults = [fault for folder in folders for fault in _faults(folder)]
    if faults:
        raise LoftError(faults)
    before, after = (_summary(folder) for folder in folders)
    frames = [name for name in _names(before) if name in _names(after)]
    notes = [
        f"frame {name} was lifted in the {which} run only"
        for which, ours, other in (("first", before, after), ("second", after, before))
        for name in _names(ours)
        if name not in _names(other)
    ]
    return Comparison(
        first=str(first),
        second=str(second),
        inputs=tuple(_inputs(before.get("inputs") or {}, after.get("inputs") or {})),
        verdicts=tuple(_verdicts(before, after, frames)),
        figures=tuple(_figures(before, after, frames)),
        sections=tuple(_moved(folders, (before, after), name) for name in frames),
        readings=tuple(_readings(before, after)),
        notes=tuple(notes),
    )


def _faults(folder: Path) -> Iterator[Finding]:
    try:
        told = _summary(folder)
    except (OSError, ValueError) as error:
        wanted = "summary.json of a finished run wanted"
        yield Finding(file=str(folder / "summary.json"), text=f"cannot be read ({error}); {wanted}")
        return
    for name, wanted in (told.get("files") or {}).items():
        path = folder / name
        if not path.exists():
            yield Finding(file=str(path), text="is missing; the run did not end, run it again")
        elif digest(path) != wanted:
            yield Finding(
                file=str(path),
                text="is not the file that summary.json names; the run did not end or the file "
                "was changed, run it again",
            )


def _summary(folder: Path) -> dict[str, Any]:
    told = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    if not isinstance(told, dict):
        raise ValueError("not a summary")
    return told


def _names(summary: Mapping[str, Any]) -> list[str]:
    return [str(entry.get("frame")) for entry in summary.get("section") or ()]


def _of(summary: Mapping[str, Any], key: str, frame: str) -> Mapping[str, Any]:
    entries = summary.get(key) or ()
    return next((entry for entry in entries if entry.get("frame") == frame), {})


def _inputs(before: Mapping[str, str], after: Mapping[str, str]) -> Iterator[Change]:
    for name in dict.fromkeys([*before, *after]):
        old, new = before.get(name, ""), after.get(name, "")
        if old != new:
            yield Change(what=name, before=old[:12] or "not used", after=new[:12] or "not used")


def _verdicts(
    before: Mapping[str, Any], after: Mapping[str, Any], frames: list[str]
) -> Iterator[Change]:
    for name in frames:
        old, new = (str(_of(s, "verdict", name).get("verdict", "unknown")) for s in (before, after))
        if old != new:
            yield Change(what=name, before=old, after=new)


def _figures(
    before: Mapping[str, Any], after: Mapping[str, Any], frames: list[str]
) -> Iterator[Change]:
    """Return every quoted figure that differs, then hold-out and settlement of each frame."""
    for frame in frames:
        for part, key, words, unit in QUOTED:
            pair = (_of(before, part, frame).get(key), _of(after, part, frame).get(key))
            yield from _changed(f"{frame}: {words}, {unit}", *pair)
    for part, key, words in (
        ("holdout", "rms_mm", "as if missing, rms, mm"),
        ("settlement", "d_bl_mm", "settled to starboard, mm"),
        ("settlement", "d_wl_mm", "settled up, mm"),
        ("settlement", "d_station_mm", "aft of its stated station, mm"),
    ):
        known = [str(e.get("frame")) for s in (before, after) for e in s.get(part) or ()]
        for frame in dict.fromkeys(known):
            pair = (_of(before, part, frame).get(key), _of(after, part, frame).get(key))
            yield from _changed(f"{frame}: {words}", *pair)


def _changed(what: str, old: Any, new: Any) -> Iterator[Change]:
    if old == new:
        return
    places = 3 if "degrees" in what else 2
    change = "" if old is None or new is None else signed(float(new) - float(old), places)
    yield Change(what=what, before=_told(old, places), after=_told(new, places), change=change)


def _told(value: Any, places: int) -> str:
    return "unknown" if value is None else f"{float(value):.{places}f}".replace("-", "−")


def _readings(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[Change]:
    """Return the readings whose use differs, by where they stand in the inputs."""
    old, new = (
        {str(row.get("place")): row for row in s.get("rejected") or ()} for s in (before, after)
    )
    for place in dict.fromkeys([*old, *new]):
        was, now = (str(rows.get(place, {}).get("used", "yes")) for rows in (old, new))
        if was != now:
            row = new.get(place) or old[place]
            name = " ".join(str(row.get(key) or "") for key in ("frame", "line")).strip()
            yield Change(what=f"{place} {name}", before=was, after=now,
                         change=str(new.get(place, {}).get("reason", "")))  # fmt: skip


# --- sections -----------------------------------------------------------------------------------


def _moved(
    folders: tuple[Path, Path], summaries: tuple[Mapping[str, Any], ...], frame: str
) -> Moved:
    """Measure the second mould line against the first, along the first one's normal."""
    tables = [
        _section(folder / frame / "section.csv", MM_PER[summary["job"]["unit"]])
        for folder, summary in zip(folders, summaries, strict=True)
    ]
    old, new = tables
    off, row = outside(new["place"], old["place"], old["normal"])
    at = int(np.abs(off).argmax())
    return Moved(
        frame=frame,
        mean=float(off.mean()),
        largest=float(off[at]),
        at_girth=float(new["girth"][at]),
        beyond=float(np.mean(np.abs(off) > old["band"][row])),
    )


def _section(path: Path, unit: float) -> dict[str, Array]:
    with path.open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    column = {
        name: np.array([float(row[name] or "nan") for row in rows])
        for name in ("girth", "bl", "height", "normal_bl", "normal_wl", "band95")
    }
    return {
        "girth": column["girth"] * unit,
        "place": np.stack([column["bl"], column["height"]], axis=1) * unit,
        "normal": np.stack([column["normal_bl"], column["normal_wl"]], axis=1),
        "band": column["band95"] * unit,
    }


def outside(point: Array, outline: Array, normal: Array) -> tuple[Array, Array]:
    """Return how far points stand outside a closed outline, and the outline's row nearest.

    Parameters
    ----------
    point : ndarray, shape (n, 2)
    outline, normal : ndarray, shape (m, 2)
        Its vertices, first not repeated, and the unit outward normals there.

    Returns
    -------
    distance : ndarray, shape (n,)
        Positive outside, in the unit of the points.
    row : ndarray of int, shape (n,)

    Examples
    --------
    >>> square = np.array([[1.0, 1.0], [1.0, -1.0], [-1.0, -1.0], [-1.0, 1.0]])
    >>> outside(np.array([[1.5, 0.0], [0.0, 0.9]]), square, square / np.sqrt(2))[0].round(3)
    array([ 0.5, -0.1])
    """
    along = np.roll(outline, -1, axis=0) - outline
    size = (along**2).sum(axis=1)
    gap = point[:, None, :] - outline[None, :, :]
    share = np.clip((gap * along).sum(axis=2) / np.where(size > 0, size, 1.0), 0.0, 1.0)
    left = gap - share[..., None] * along
    square = (left**2).sum(axis=2)
    cell = square.argmin(axis=1)
    pick = np.arange(len(point))
    near = share[pick, cell][:, None]
    out = (1.0 - near) * normal[cell] + near * np.roll(normal, -1, axis=0)[cell]
    sign = np.where((left[pick, cell] * out).sum(axis=1) < 0, -1.0, 1.0)
    row = np.where(near[:, 0] < 0.5, cell, (cell + 1) % len(outline))
    return sign * np.sqrt(square[pick, cell]), row


# --- words --------------------------------------------------------------------------------------


def comparison_text(found: Comparison, *, least: float = 0.05) -> str:
    """Return the comparison as short plain tables.

    Parameters
    ----------
    found : Comparison
    least : float
        Changes of hold-out and settlement smaller than this (mm) are counted, not listed.

    Examples
    --------
    >>> print(comparison_text(Comparison(
    ...     first="a", second="b", inputs=(), verdicts=(), figures=(), sections=(),
    ...     readings=(), notes=(),
    ... )))
    a to b: nothing changed
    """
    head = f"{found.first} to {found.second}"
    if found.nothing():
        return f"{head}: nothing changed"
    parts = [head]
    told = [change for change in found.figures if not _slight(change, least)]
    for title, changes in (
        ("inputs (first digits of SHA-256)", found.inputs),
        ("verdicts", found.verdicts),
    ):
        parts += _listed(title, changes)
    if found.sections:
        rows = [
            [m.frame, signed(m.mean, 2), signed(m.largest, 2), f"{m.at_girth:.0f}",
             f"{m.beyond:.0%}"]
            for m in found.sections
        ]  # fmt: skip
        columns = ["mould line moved, mm", "mean", "largest", "at girth", "left its old band"]
        parts.append(table(columns, rows))
    parts += _listed("figures", told)
    if len(told) < len(found.figures):
        count = len(found.figures) - len(told)
        parts.append(f"{count} figures of hold-out and settlement changed by less than {least} mm")
    parts += _listed("readings used", found.readings)
    parts += list(found.notes)
    return "\n\n".join(parts)


def _listed(title: str, changes: Sequence[Change]) -> list[str]:
    rows = [[c.what, c.before, c.after, c.change] for c in changes]
    return [table([title, "before", "after", "change"], rows)] if rows else []


def _slight(change: Change, least: float) -> bool:
    """Return whether a change of one frame's evidence is too small to be listed."""
    per_frame = any(words in change.what for words in PER_FRAME)
    return per_frame and change.change != "" and abs(_number(change.change)) < least


def _number(words: str) -> float:
    return float(words.replace("−", "-"))
