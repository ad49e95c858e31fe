"""The files of the scanned bay: two scans in the scanner's own axes, and their targets."""

from __future__ import annotations

import numpy as np

from loft.corncrake import LINES, STATIONS, Array
from loft.demo import CENTRE_WL, CRUSH, Chance, true_droop, true_settlement
from loft.demo_scan import SET_UPS, SIGMA, SetUp, laz_bytes, line_numbers, ply_bytes, scan_bay
from loft.demo_text import CLOUD_ENTRY, TARGETS_HEAD

HOLD = 80.0  # mm of station over which the skin follows a frame that has moved or is crushed
STEP = 0.0002  # of its unit, in which a LAZ counts
SEEN, PLUMBED = 0.3, 0.8  # sd of a target's centre in the scan and by plumb line, mm
TARGET_HEADER = "name,x,y,z,station,bl,wl,sigma"
TARGETS = {  # name -> station, bl, wl: on the webs, on the boards, on a stringer
    "T1": (5682.0, -400.0, 1508.0),
    "T2": (5682.0, 540.0, 560.0),
    "T3": (5900.0, -150.0, 262.0),
    "T4": (6150.0, 480.0, 1420.0),
    "T5": (6320.0, 160.0, 262.0),
    "T6": (6638.0, 490.0, 1400.0),
    "T7": (6638.0, -500.0, 520.0),
}
IN_SIGHT = {"fore": ("T1", "T2", "T3", "T4", "T6", "T7"), "aft": ("T1", "T2", "T4", "T5", "T6")}


def _as_it_stood(points: Array, seed: int) -> Array:
    """Return points of the fair bay where the metal is: settled, crushed and hanging low."""
    station, number = points[:, 0], line_numbers(points)
    out = points.copy()
    arm = points[:, 1:] - [0.0, CENTRE_WL]
    for frame in ("F13", "F15"):
        held = np.exp(-(((station - STATIONS[frame]) / HOLD) ** 2))
        across, up, roll = true_settlement(seed)[frame]
        out[:, 1] += held * (across - roll * arm[:, 1])
        out[:, 2] += held * (up + roll * arm[:, 0])
        if frame == "F13":
            out[:, 1] -= held * np.interp(number, [0, *CRUSH, 14], [0.0, *CRUSH.values(), 0.0])
    span = (station - STATIONS["F13"]) / (STATIONS["F15"] - STATIONS["F13"])
    ends = {"CROWN": 0, "KEEL": 14}
    side = {"S": 1, "P": -1}
    place = [ends[x] if x in ends else int(x[1:-1]) * side[x[-1]] for x in LINES]
    droop = np.array([true_droop(seed)[line] for line in LINES])
    order = np.argsort(place)
    low = np.interp(number, np.array(place)[order], droop[order], period=28)
    out[:, 2] -= low * np.sin(np.pi * np.clip(span, 0.0, 1.0))
    return out


def _targets(set_up: SetUp, seed: int) -> bytes:
    """Return the table of the targets that a set-up saw."""
    plumb, chance = Chance(seed, "targets"), Chance(seed, f"targets {set_up.name}")
    head = TARGETS_HEAD.replace("@NAME@", set_up.name).replace("@UNIT@", set_up.unit)
    rows = [head.rstrip("\n"), TARGET_HEADER]
    for name, place in TARGETS.items():
        plumbed = [f"{value + plumb.normal(PLUMBED):.0f}" for value in place]
        if name not in IN_SIGHT[set_up.name]:
            continue
        noise = np.array([chance.normal(SEEN) for _ in range(3)])
        x, y, z = set_up.seen(np.array(place) + noise)
        rows.append(f"{name},{x:.5f},{y:.5f},{z:.5f},{','.join(plumbed)},1")
    return "\n".join([*rows, ""]).encode("utf-8")


def _scan(set_up: SetUp, seed: int) -> tuple[str, bytes]:
    """Return the suffix and the bytes of a scan; PLY where LAZ cannot be written."""
    numbers = [ord(letter) for letter in set_up.name]
    points = _as_it_stood(scan_bay(set_up, np.random.default_rng([seed, *numbers])), seed)
    own = set_up.seen(points)
    if set_up.suffix == "laz":
        try:
            return "laz", laz_bytes(own, step=STEP)
        except (ImportError, RuntimeError):  # no laspy, or no backend for LAZ
            pass
    return "ply", ply_bytes(own)


def bay_files(seed: int) -> tuple[dict[str, bytes], str, str]:
    """Return the scans and target tables, the job file's entries and the README's lines.

    Examples
    --------
    >>> files, entries, told = bay_files(14)
    >>> sorted(files)[:2], entries.count("[[cloud]]")
    (['bay_aft.laz', 'bay_fore.ply'], 2)
    """
    files: dict[str, bytes] = {}
    entries, told = [], []
    for set_up in SET_UPS:
        suffix, content = _scan(set_up, seed)
        name, targets = f"bay_{set_up.name}.{suffix}", f"targets_{set_up.name}.csv"
        files |= {name: content, targets: _targets(set_up, seed)}
        entry = CLOUD_ENTRY
        for key, value in {
            "NAME": set_up.name, "FILE": name, "UNIT": set_up.unit, "SIGMA": f"{SIGMA:g}",
            "TARGETS": targets,
        }.items():  # fmt: skip
            entry = entry.replace(f"@{key}@", value)
        entries.append(entry)
        told.append(f"    {name:18} scan from the {set_up.name} set-up, in {set_up.unit}")
        told.append(f"    {targets:18} its targets, in its own axes and in the aircraft's")
    return files, "\n".join(entries), "\n".join([*told, ""])
