"""The demo job: the survey of the Corncrake, whose frame F14 is missing.

Everything is made from a seed, so the demo works from an installed package. The
survey has what a hangar survey has: two passes of the tape, readings through the
empty bay, frames that have settled on their supports, a crushed side, labels
exchanged, tapes misread, a bottom that nobody could reach. The notes say what the
surveyors knew; what they did not know is for the fairing to find.
"""

from __future__ import annotations

import functools
import random
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from loft.corncrake import (
    CANT_DEG,
    CANTED,
    GAUGE,
    LINES,
    MISSING,
    PIVOT_WL,
    STATIONS,
    STRINGER,
    Array,
    line_theta,
    touched,
    true_bevel,
    true_section,
    truth,
)
from loft.demo_text import (
    BAY_ENTRY,
    BAY_HEAD,
    CRUSHED_ENTRY,
    JOB,
    PART_HEAD,
    PASS_1_HEAD,
    PASS_2_HEAD,
    README,
    SCAN_README,
    TIES_HEAD,
)
from loft.job.errors import Finding, LoftError
from loft.job.files import write_bytes

if TYPE_CHECKING:
    from loft.fairing.surface import Surface

__all__ = [
    "demo_files",
    "demo_surface",
    "scan_files",
    "true_section",
    "true_settlement",
    "truth",
    "write_demo",
]

SEED = 14
SCHEDULE = {**STATIONS, "F16": 7080.0}  # F16 stands at 7120: 40 mm out in the schedule
TOUCH = -10.0  # readings on the rivet line of flanges that face forward
CENTRE_WL = 900.0  # about which the frames roll
SECOND_PASS = ("F12", "F13", "F15", "F16", "F17")
BAY = (5920.0, MISSING, 6400.0)  # where the bay was measured: at F14 from the staging only
IN_CRADLE = {"F11": 11, "F17": 12, "F20": 12}  # frame -> first stringer under its cradle
TIED = tuple(f"S{number}P" for number in range(9, 14))  # of F15: taped from marks on the floor
MARKS = {  # name -> station, bl, wl
    "A": (6630, -1150, 160),
    "B": (6630, -1050, 1240),
    "C": (6630, 350, -140),
    "D": (5980, -900, -120),
    "E": (7240, -850, -90),
}
CRUSH = {4: 3.0, 5: 9.0, 6: 18.0, 7: 24.0, 8: 19.0, 9: 8.0, 10: 2.0}  # F13 starboard, mm inwards
SPRUNG = {2: 1.5, 3: 4.0, 4: 4.5, 5: 2.0}  # port: where the made part sprang inwards, mm
AS_LAID = (1.8, -1.2, float(np.deg2rad(0.1)))  # how the part lay on the table
PART_HEADER = "line,station,bl,wl,sigma,kind,value,note"
TIES_HEADER = "from,to,kind,value,note"
HEADER = "frame,line,station,bl,wl,sigma,face,note"


@dataclass(frozen=True, kw_only=True)
class Reading:
    """One line of a survey table before it is written; NaN where not read."""

    frame: str
    line: str
    bl: float
    wl: float
    station: str = ""
    sigma: str = ""
    face: str = ""
    note: str = ""


class Chance:
    """Normal deviates that are the same on every machine and Python version."""

    def __init__(self, seed: int, purpose: str):
        self.random = random.Random(f"{seed} {purpose}")

    def normal(self, sd: float) -> float:
        """Return the next deviate."""
        return NormalDist(0.0, sd).inv_cdf(self.random.random() * (1 - 2e-9) + 1e-9)


def true_settlement(seed: int = SEED) -> dict[str, tuple[float, float, float]]:
    """Return how each frame stands off the fair body: bl mm, wl mm, roll in radians.

    Roll is about bl 0, waterline 900, positive where starboard is lifted.

    Examples
    --------
    >>> sorted(true_settlement())[:2]
    ['F10', 'F11']
    """
    chance = Chance(seed, "settlement")
    return {
        frame: (chance.normal(2.0), chance.normal(2.0), float(np.deg2rad(chance.normal(0.15))))
        for frame in STATIONS
        if frame != MISSING
    }


def true_droop(seed: int = SEED) -> dict[str, float]:
    """Return by how much every line hangs low in the empty bay, mm: no frame holds it there.

    Examples
    --------
    >>> len(true_droop())
    28
    """
    sag = Chance(seed, "sag")
    return {line: sag.normal(0.8) for line in LINES}


def _number(line: str) -> int:
    """Return 0 for the crown, 1 to 13 for the stringers, 14 for the keel."""
    return {"CROWN": 0, "KEEL": 14}[line] if line in ("CROWN", "KEEL") else int(line[1:-1])


def _on_frame(frame: str, line: str) -> Array:
    """Return (bl, wl) of the fair metal that a surveyor touches on a frame."""
    cant = np.deg2rad(CANT_DEG) if frame == CANTED else 0.0
    station = STATIONS[frame] + TOUCH
    point = touched(line, station, depth=GAUGE, cant_rad=cant, pivot_wl=PIVOT_WL)
    return point[1:]


def _hurt(frame: str, line: str) -> Array:
    """Return by how much the metal is bent there, (bl, wl)."""
    number = _number(line)
    if frame == "F13" and line.endswith("S"):
        return np.array([-CRUSH.get(number, 0.0), 0.0])
    if frame == "F10" and line in ("S3P", "S4P", "S5P"):
        return np.array([-3.0, 1.5])
    return np.zeros(2)


def _settled(point: Array, movement: tuple[float, float, float]) -> Array:
    """Return the point moved with its frame."""
    across, up, roll = movement
    turn = np.array([[np.cos(roll), -np.sin(roll)], [np.sin(roll), np.cos(roll)]])
    centre = np.array([0.0, CENTRE_WL])
    return np.asarray(centre + turn @ (point - centre) + (across, up))


def _known(frame: str, line: str) -> dict[str, str]:
    """Return what the surveyors themselves wrote beside a reading of the first pass."""
    number = _number(line)
    if frame == "F13" and line in ("S6S", "S7S", "S8S"):
        return {"note": "flange crushed inwards"}
    if frame == "F15" and line in TIED:
        return {"face": "skin_inner", "note": "flange corroded away; read on the skin beside it"}
    if frame == "F8" and number >= 10:
        return {"sigma": "3", "note": "tape at arm's length under the floor"}
    if frame == "F10" and line in ("S3P", "S4P", "S5P"):
        return {"note": "old repair; plate re-riveted"}
    return {}


def _pass(seed: int, number: int, frames: tuple[str, ...], noise: float) -> list[Reading]:
    """Return one pass of the tape over the frames, before any blunder."""
    settlement = true_settlement(seed)
    readings = []
    for frame in frames:
        chance = Chance(seed, f"pass {number} {frame}")
        for line in LINES:
            point = _settled(_on_frame(frame, line) + _hurt(frame, line), settlement[frame])
            known = _known(frame, line)
            sd = 2 * noise if "sigma" in known else noise
            bl, wl = point + np.array([chance.normal(sd), chance.normal(sd)])
            if _number(line) >= IN_CRADLE.get(frame, 99):
                continue
            if number == 1 and frame == "F15" and line in TIED:
                continue  # see ties.csv
            if frame == "F19" and line in ("S6S", "S6P") and number == 1:
                wl, known = np.nan, {"note": "half-breadth plumbed; height not reached"}
            if number == 2:
                known = {key: known[key] for key in ("face", "note") if key in known}
            readings.append(Reading(frame=frame, line=line, bl=bl, wl=wl, **known))
    return readings


def _bay(seed: int) -> list[Reading]:
    """Return the readings on stringers that run through the empty bay."""
    readings = []
    droop = true_droop(seed)
    for place in BAY:
        station = STATIONS[MISSING] if place == MISSING else float(place)
        chance = Chance(seed, f"bay {station}")
        for line in LINES:
            number = _number(line)
            torn = line.endswith("S") and 5 <= number <= 8
            if torn or (place == MISSING and number > 4) or number in (12, 13):
                continue
            plain = line in ("CROWN", "KEEL")
            depth = GAUGE if plain else GAUGE + STRINGER
            point = touched(line, station, depth=depth)[1:] - [0.0, droop[line]]
            if line == "S10P" and place != MISSING:
                point += [11.0, 0.0]
            bl, wl = point + np.array([chance.normal(1.7), chance.normal(1.7)])
            face = "skin_inner" if plain else "stringer_inner"
            note = "skin torn below S4S" if line == "S4S" else ""
            readings.append(
                Reading(
                    frame="",
                    line=line,
                    station=f"{station:.0f}",
                    bl=bl,
                    wl=wl,
                    face=face,
                    note=note,
                )
            )
    return readings


def _ties(seed: int) -> list[tuple[str, str, str, str, str]]:
    """Return the tapes and levels to the lines of F15 that no plumb line could reach."""
    chance = Chance(seed, "ties")
    rows = [("", name, "control", "{} {} {}".format(*place), "") for name, place in MARKS.items()]
    for line in TIED:
        point = _settled(_on_frame("F15", line), true_settlement(seed)["F15"])
        place = np.array([STATIONS["F15"] + TOUCH, *point])
        for name, mark in MARKS.items():
            tape = float(np.linalg.norm(place - mark)) + chance.normal(1.3)
            if (name, line) == ("B", "S11P"):
                tape += 100.0  # misread; nobody noticed
            rows.append((name, f"F15:{line}", "tape", f"{tape:.0f}", ""))
        if line in ("S9P", "S13P"):
            level = f"{place[2] + chance.normal(1.3):.0f}"
            rows.append(("", f"F15:{line}", "wl", level, "water level"))
    return rows


def _part(seed: int) -> list[str]:
    """Return the rows of the inspector's table of the made F14."""
    chance = Chance(seed, "part")
    station = STATIONS[MISSING]
    rows = []
    for line in LINES:
        theta = line_theta(line, station)
        inwards = -np.array([np.sin(theta), np.cos(theta)])
        sprung = SPRUNG.get(_number(line), 0.0) if line.endswith("P") else 0.0
        point = touched(line, station + TOUCH, depth=GAUGE)[1:] + sprung * inwards
        bl, wl = _settled(point, AS_LAID) + np.array([chance.normal(0.25), chance.normal(0.25)])
        rows.append(f"{line},{station + TOUCH:.0f},{bl:.1f},{wl:.1f},0.3,,,")
    for line in (f"S{number}{side}" for side in "SP" for number in (1, 4, 7, 10, 13)):
        bevel = np.rad2deg(true_bevel(station, line_theta(line, station)))
        angle = 90.0 - float(bevel) + chance.normal(0.2) + (2.6 if line == "S4P" else 0.0)
        rows.append(f"{line},,,,0.3,angle,{angle:.1f},")
    return rows


def _mistake(readings: list[Reading], frame: str, line: str, **change: float) -> None:
    """Add `change` to a reading in place, as a misread tape would."""
    for index, reading in enumerate(readings):
        if (reading.frame, reading.line) == (frame, line):
            moved = {key: getattr(reading, key) + by for key, by in change.items()}
            readings[index] = replace(reading, **moved)


def _turn_a_six(readings: list[Reading], frame: str) -> None:
    """Read one tens digit of one waterline upside down: a 6 for a 9 or a 9 for a 6."""
    for reading in readings:
        tens = f"{abs(reading.wl):04.0f}"[2]
        if reading.frame == frame and reading.line.endswith("S") and tens in "69":
            _mistake(readings, frame, reading.line, wl=30.0 if tens == "6" else -30.0)
            return


def _exchange(readings: list[Reading], frame: str, lines: tuple[str, str]) -> None:
    """Book two neighbouring stringers under each other's label."""
    other = dict(zip(lines, reversed(lines), strict=True))
    for index, reading in enumerate(readings):
        if reading.frame == frame and reading.line in other:
            readings[index] = replace(reading, line=other[reading.line])


def eighths(value_mm: float) -> str:
    """Return a length in feet-inches-eighths, rounded to the eighth; "" for NaN.

    Examples
    --------
    >>> eighths(1311.3), eighths(-25.4), eighths(float("nan"))
    ('4-3-5', '-0-1-0', '')
    """
    if np.isnan(value_mm):
        return ""
    count = round(abs(value_mm) / 3.175)
    sign = "-" if value_mm < 0 and count else ""
    return f"{sign}{count // 96}-{count // 8 % 12}-{count % 8}"


def _millimetres(value: float) -> str:
    return "" if np.isnan(value) else f"{round(value)}"


def _table(head: str, readings: list[Reading], *, inches: bool) -> bytes:
    """Return a survey table as the team would hand it in."""
    write = eighths if inches else _millimetres
    rows = [
        ",".join([r.frame, r.line, r.station, write(r.bl), write(r.wl), r.sigma, r.face, r.note])
        for r in readings
    ]
    return "\n".join([head.rstrip("\n"), HEADER, *rows, ""]).encode("utf-8")


def _schedule() -> str:
    """Return the [[frame]] entries of the job file."""
    entries = []
    for frame, station in SCHEDULE.items():
        entry = f'[[frame]]\nname = "{frame}"\nstation = {station}\n'
        if frame == MISSING:
            entry += 'status = "missing"             # to be lifted; no touch, nothing to read\n'
        else:
            entry += f"touch = {TOUCH}\n"
        if frame == CANTED:
            entry += (
                f"cant = {CANT_DEG}                     # the top leans aft by this, degrees\n"
                f"pivot_wl = {PIVOT_WL}               # ... about this waterline\n"
            )
        if frame == "F16":
            entry += (
                "station_sigma = 20.0           # only paced off; may stand fore or aft of this\n"
            )
        entries.append(entry)
    return "\n".join(entries)


def _surveyed(seed: int) -> dict[str, bytes]:
    """Return the tables of the standing frames, mishaps included."""
    surviving = tuple(frame for frame in STATIONS if frame != MISSING)
    first = _pass(seed, 1, surviving, 1.4)
    second = _pass(seed, 2, SECOND_PASS, 1.2)
    _exchange(first, "F10", ("S7P", "S8P"))
    _mistake(first, "F9", "S3P", wl=100.0)  # a whole 100 mm
    _mistake(first, "F12", "S11S", bl=-100.0)
    _turn_a_six(first, "F15")
    _mistake(second, "F16", "S4P", wl=-304.8)  # a foot misread
    ties = [TIES_HEAD.rstrip("\n"), TIES_HEADER, *map(",".join, _ties(seed)), ""]
    return {
        "tape.csv": _table(PASS_1_HEAD, first, inches=False),
        "second.csv": _table(PASS_2_HEAD, second, inches=True),
        "ties.csv": "\n".join(ties).encode("utf-8"),
    }


def _job_file(title: str, bay: str, crushed: str = "") -> bytes:
    """Return the job file with a title and the entries of how the bay was measured."""
    text = JOB
    for key, value in {
        "FRAMES": _schedule(), "TITLE": title, "BAY": bay, "CRUSHED": crushed
    }.items():  # fmt: skip
        text = text.replace(f"@{key}@", value)
    return text.encode("utf-8")


def demo_files(seed: int = SEED) -> dict[str, bytes]:
    """Return the files of the demo job, name -> content; the same bytes for the same seed.

    Examples
    --------
    >>> sorted(demo_files())
    ['README.txt', 'bay.csv', 'job.toml', 'part.csv', 'second.csv', 'tape.csv', 'ties.csv']
    """
    part = [PART_HEAD.rstrip("\n"), PART_HEADER, *_part(seed), ""]
    return {
        "job.toml": _job_file("Corncrake frame 14", BAY_ENTRY),
        **_surveyed(seed),
        "bay.csv": _table(BAY_HEAD, _bay(seed), inches=False),
        "part.csv": "\n".join(part).encode("utf-8"),
        "README.txt": README.encode("utf-8"),
    }


def scan_files(seed: int = SEED) -> dict[str, bytes]:
    """Return the files of the demo job whose bay was scanned, name -> content.

    Without laspy and its LAZ backend both scans are PLY.

    Examples
    --------
    >>> sorted(name for name in scan_files() if name.endswith("ply"))
    ['bay_fore.ply']
    """
    from loft.demo_bay import bay_files

    files, entries, told = bay_files(seed)
    return {
        "job.toml": _job_file("Corncrake frame 14, bay scanned", entries, CRUSHED_ENTRY),
        **_surveyed(seed),
        **files,
        "README.txt": SCAN_README.replace("@SCANS@", told).encode("utf-8"),
    }


def write_demo(folder: Path, force: bool = False, *, scan: bool = False) -> list[Path]:
    """Write the demo job into a folder and return the paths written.

    With `scan` the job whose bay was scanned.

    Raises
    ------
    LoftError
        A file of the demo is there already and `force` is not given.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     [path.name for path in write_demo(Path(folder) / "demo")][:2]
    ['job.toml', 'tape.csv']
    """
    folder = Path(folder)
    if folder.exists() and not folder.is_dir():
        raise LoftError(Finding(file=str(folder), text="is a file; a folder is wanted"))
    files = scan_files() if scan else demo_files()
    paths = [folder / name for name in files]
    there = [path for path in paths if path.exists()]
    if there and not force:
        raise LoftError(
            Finding(file=str(path), text="exists already; give --force to replace it")
            for path in there
        )
    for path, content in zip(paths, files.values(), strict=True):
        write_bytes(path, content)
    return paths


@functools.cache
def demo_surface() -> Surface:
    """Return the faired surface of the demo, for examples and tests; made once.

    Examples
    --------
    >>> surface = demo_surface()
    >>> surface.lift(surface.job.frame("F14")).frame
    'F14'
    """
    from loft.fairing.surface import fair
    from loft.job.schema import read_job
    from loft.survey.gather import read_survey

    with tempfile.TemporaryDirectory() as folder:
        write_demo(Path(folder))
        job = read_job(Path(folder) / "job.toml")
        return fair(job, read_survey(job))
