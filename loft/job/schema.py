"""Read the job file: every key checked, every fault told, nothing guessed."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from loft.job.errors import Finding, LoftError
from loft.job.keys import Log, key_rows, kind_of, nearest, read_block
from loft.job.known import REPEATED, SINGLE
from loft.job.labels import CENTRE_LINES, side_of_label
from loft.job.records import (
    Break,
    CloudSet,
    Damage,
    Fact,
    Fair,
    Frame,
    FrameSection,
    Job,
    Lap,
    Line,
    Shop,
    SurveySet,
    TieSet,
)

LEAST_FRAMES = 4  # a run of fewer shows no fairness to fill a gap from

Blocks = dict[str, list[dict[str, Any]]]  # the checked values of every table, by its name


def read_job(path: str | Path, *, surveyed: bool = True) -> Job:
    """Return the job that a job file, or the folder of a ``job.toml``, describes.

    Lengths become mm, angles radians, file names paths beside the job file, and
    the frames are sorted by station. Tables of measurements are not opened.

    Parameters
    ----------
    path : str or Path
        A job file, or a folder that holds ``job.toml``.
    surveyed : bool
        False: the tables and scans that it names need not be there yet.

    Returns
    -------
    Job
        Complete and checked.

    Raises
    ------
    LoftError
        With every fault of the file: each finding carries the row and, as its
        column, the key's place, such as ``frame[2].station`` (the second
        ``[[frame]]``).

    Examples
    --------
    >>> try:
    ...     read_job("no such folder")
    ... except LoftError as refusal:
    ...     print(refusal)
    no such folder: no such file or folder found, a job file or its folder wanted
    """
    path = Path(path)
    if path.is_dir():
        path = path / "job.toml"
    return parse_job(_source(path), path, surveyed=surveyed)


def _source(path: Path) -> str:
    """Return the text of the job file."""
    try:
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        wanted = "no such file or folder found, a job file or its folder wanted"
        raise LoftError(Finding(file=str(path), text=wanted)) from None
    except OSError as error:
        reason = error.strerror or str(error)
        raise LoftError(Finding(file=str(path), text=f"cannot be read: {reason}")) from error
    except UnicodeDecodeError as error:
        raise LoftError(Finding(file=str(path), text="not UTF-8 text; save it as UTF-8")) from error


def parse_job(source: str, path: Path, *, surveyed: bool = True) -> Job:
    r"""Return the job that the text of a job file describes; `path` is where it stands.

    Raises
    ------
    LoftError
        As `read_job`.

    Examples
    --------
    >>> try:
    ...     parse_job("[job\\n", Path("job.toml"))
    ... except LoftError as refusal:
    ...     print(refusal.findings[0].row)
    1
    """
    try:
        data = tomllib.loads(source)
    except tomllib.TOMLDecodeError as error:
        place = re.search(r"at line (\d+)", str(error))
        row = int(place[1]) if place else len(source.splitlines())
        raise LoftError(Finding(file=str(path), row=row, text=f"not TOML: {error}")) from error
    except RecursionError:
        raise LoftError(Finding(file=str(path), text="not TOML: brackets without end")) from None
    log = Log(file=str(path), rows=key_rows(source))
    blocks = _blocks(data, log)
    _check_job(blocks, log)
    _check_lines(blocks["line"], log)
    _check_frames(blocks, log)
    _check_files(blocks, path.parent if surveyed else None, log)
    _check_fits(blocks["cloud"], log)
    _check_damage(blocks, log)
    _check_facts(blocks["drawing"], log)
    _tell_unitless(log)
    if log.findings:
        raise LoftError(sorted(log.findings, key=lambda finding: finding.row))
    return _build(blocks, path)


def _blocks(data: dict[str, Any], log: Log) -> Blocks:
    """Return the checked values of every table; each also carries its `place`."""
    for table in data:
        if table not in SINGLE and table not in REPEATED:
            known = nearest(table, [*SINGLE, *REPEATED])
            log.add(table, f"unknown table [{table}] found; {known}")
    job = data.get("job", {})
    unit = job.get("units") if isinstance(job, dict) else None
    unit = unit if unit in ("mm", "in") else ("" if unit is None else "mm")
    blocks: Blocks = {}
    for table, spec in SINGLE.items():
        content = data.get(table, {})
        values = read_block(content, spec, place=table, unit=unit, log=log)
        blocks[table] = [{**values, "place": table}]
    for table, spec in REPEATED.items():
        entries = data.get(table, [])
        blocks[table] = []
        if not isinstance(entries, list):
            log.add(table, f"{kind_of(entries)} found, [[{table}]] wanted (two brackets)")
            continue
        for count, entry in enumerate(entries, start=1):
            place = f"{table}[{count}]"
            values = read_block(entry, spec, place=place, unit=unit, log=log)
            blocks[table].append({**values, "place": place})
    return blocks


def _tell_unitless(log: Log) -> None:
    """Report bare lengths of a job without units once, at the first."""
    if not log.unitless:
        return
    place, reason = log.unitless[0]
    more = len(log.unitless) - 1
    others = f" (and {more} more bare lengths)" if more else ""
    log.add(place, f'{reason}{others}; or set units = "mm" or "in" in [job]')


def _check_job(blocks: Blocks, log: Log) -> None:
    """Check what belongs together in [job], [datum] and [[break]]."""
    known = [frame["name"] for frame in blocks["frame"] if "name" in frame]
    for name in blocks["job"][0].get("missing", ()):
        if name not in known:
            log.add("job.missing", _unknown_frame(name, known))
    if blocks["datum"][0].get("datum_from") == "targets" and not any(
        "targets" in cloud for cloud in blocks["cloud"]
    ):
        log.add("datum.from", "targets found, but no [[cloud]] names its targets")
    _refuse_twice(blocks["break"], "station", log)


def _unknown_frame(name: str, known: Sequence[str]) -> str:
    if not known:
        return f"frame {name} found, but the schedule ([[frame]]) is empty"
    return f"frame {name} found, a frame of the schedule wanted; {nearest(name, known)}"


def _refuse_twice(entries: Sequence[dict[str, Any]], key: str, log: Log) -> None:
    """Report entries that repeat an earlier one's `key`, capitals or not."""
    seen: dict[Any, str] = {}
    for entry in entries:
        if key not in entry:
            continue
        value = entry[key]
        mark = value.casefold() if isinstance(value, str) else value
        if mark in seen:
            first = seen[mark]
            row = f" in row {log.row(first)}" if log.row(first) else ""
            log.add(f"{entry['place']}.{key}", f"{value} found again, it stands already{row}")
        seen.setdefault(mark, f"{entry['place']}.{key}")


def _check_frames(blocks: Blocks, log: Log) -> None:
    """Check the schedule and what refers to it."""
    frames = blocks["frame"]
    _refuse_twice(frames, "name", log)
    missing = blocks["job"][0].get("missing", ())
    seen: dict[tuple[float, float], str] = {}
    for frame in frames:
        place = frame["place"]
        if frame.get("cant", 0.0) != 0.0 and "pivot_wl" not in frame:
            log.add(f"{place}.pivot_wl", "nothing found, pivot_wl wanted beside a cant")
        if frame.get("name") in missing and frame.get("status") == "sound":
            log.add(f"{place}.status", "sound found, but [job] missing names this frame")
        if "station" in frame and "name" in frame:
            plane = (frame["station"], frame.get("cant", 0.0))
            if seen.setdefault(plane, frame["name"]) != frame["name"]:
                log.add(f"{place}.station", f"the same plane as frame {seen[plane]} found")
    known = [frame["name"] for frame in frames if "name" in frame]
    gone = {frame.get("name") for frame in frames if frame.get("status") == "missing"}
    there = [name for name in known if name not in missing and name not in gone]
    if len(there) < LEAST_FRAMES:
        log.add(
            "frame[1]" if frames else "frame",
            f"{len(there)} frames besides the missing found, {LEAST_FRAMES} or more wanted",
        )
    for table, key in (("lap", "frames"), ("damage", "frames"), ("drawing", "frame")):
        for entry in blocks[table]:
            names = entry.get(key, ())
            for name in (names,) if isinstance(names, str) else names:
                if name not in known:
                    log.add(f"{entry['place']}.{key}", _unknown_frame(name, known))


def _check_lines(lines: Sequence[dict[str, Any]], log: Log) -> None:
    """Check that label, kind and side of every [[line]] agree; fill in what follows."""
    _refuse_twice(lines, "name", log)
    for line in lines:
        if "name" not in line:
            continue
        name, place = line["name"], line["place"]
        kind = line.setdefault("kind", CENTRE_LINES.get(name, "stringer"))
        told = side_of_label(name) or ("centre" if kind in ("crown", "keel") else "")
        if name in CENTRE_LINES and kind != CENTRE_LINES[name]:
            log.add(f"{place}.kind", f"{kind} found, {CENTRE_LINES[name]} wanted for line {name}")
        elif not told and "side" not in line:
            log.add(f"{place}.side", f"nothing found, the side of line {name} wanted")
        elif told and line.get("side", told) != told:
            why = "its last letter" if side_of_label(name) else f"a {kind}"
            log.add(
                f"{place}.side", f"{line['side']} found, {told} wanted for line {name} by {why}"
            )
        line.setdefault("side", told)
        line["chine"] = line.get("chine", kind == "chine")
        if kind == "chine" and not line["chine"]:
            log.add(f"{place}.chine", f"false found, but line {name} is of kind chine")
    for kind in ("crown", "keel"):
        same = [line for line in lines if line.get("kind") == kind]
        for line in same[1:]:
            log.add(f"{line['place']}.kind", f"a second {kind} found, one wanted")


def _check_files(blocks: Blocks, folder: Path | None, log: Log) -> None:
    """Check that every file that the job names is named once and, in a folder, is there."""
    seen: dict[tuple[str, int], str] = {}
    for table in ("survey", "ties", "cloud"):
        for entry in blocks[table]:
            for key in ("file", "targets"):
                if folder and key in entry and not (folder / entry[key]).is_file():
                    what = "a folder" if (folder / entry[key]).is_dir() else "no such file"
                    log.add(
                        f"{entry['place']}.{key}",
                        f"{entry[key]} found: {what}; a file beside the job file wanted",
                    )
            if "file" not in entry:
                continue
            mark = (entry["file"], entry.get("pass_no", 1))
            if seen.setdefault(mark, entry["place"]) != entry["place"]:
                log.add(
                    f"{entry['place']}.file",
                    f"{entry['file']} found again, [[{seen[mark].split('[')[0]}]] has read it "
                    f"already (row {log.row(seen[mark])})",
                )


def _check_fits(clouds: Sequence[dict[str, Any]], log: Log) -> None:
    """Check that a scan is fitted to the tape or to a scan that stands before it."""
    before = ["tape"]
    for cloud in clouds:
        wanted = cloud.get("fit_to", "tape")
        if wanted not in before:
            log.add(
                f"{cloud['place']}.fit_to",
                f'{wanted} found, "tape" or the file of a [[cloud]] that stands before this one '
                f"wanted; {nearest(wanted, before)}",
            )
        before.append(cloud.get("file", ""))


def _check_damage(blocks: Blocks, log: Log) -> None:
    """Check that every entry says which readings, and what to do with them."""
    sources = [
        entry["file"]
        for table in ("survey", "ties", "cloud")
        for entry in blocks[table]
        if "file" in entry
    ]
    for entry in blocks["damage"]:
        place = entry["place"]
        if not any(key in entry for key in ("frames", "lines", "stations", "girth", "rows")):
            log.add(place, "no selector found, frames, lines, stations, girth or rows wanted")
        if "sigma" not in entry and entry.get("use", True):
            log.add(place, "nothing to do found, sigma = ... or use = false wanted")
        elif "sigma" in entry and not entry.get("use", True):
            log.add(f"{place}.sigma", "sigma and use = false found, one of them wanted")
        for mark in entry.get("rows", ()):
            file = mark.rpartition(":")[0]
            if file not in sources:
                known = nearest(file, sources) if sources else "the job names none"
                log.add(f"{place}.rows", f"{file} found, a file of the survey wanted; {known}")


def _check_facts(facts: Sequence[dict[str, Any]], log: Log) -> None:
    """Check that a fact gives what its kind cannot do without."""
    needs = {
        "half_breadth": ("at_wl", "value"),
        "max_half_breadth": ("value",),
        "top": ("value",),
        "bottom": ("value",),
    }
    for fact in facts:
        for key in needs.get(fact.get("kind", ""), ()):
            if key not in fact:
                log.add(
                    f"{fact['place']}.{key}", f"nothing found, {key} wanted for a {fact['kind']}"
                )
        if fact.get("radius", 1.0) == 0.0:
            log.add(f"{fact['place']}.radius", "0 found, a radius wanted (minus where hollow)")


def _build(blocks: Blocks, path: Path) -> Job:
    """Return the record of values that have passed every check."""
    plain = {
        table: [{key: item for key, item in entry.items() if key != "place"} for entry in entries]
        for table, entries in blocks.items()
    }
    job = plain["job"][0]
    unit = job.pop("unit", "")
    section = FrameSection(**plain["frame_section"][0])
    shop = {key: item for table in SHOP_TABLES for key, item in plain[table][0].items()}
    return Job(
        path=path,
        # without units every length has brought its own; tables are then written in mm
        unit=unit or "mm",
        missing=job.pop("missing", ()),
        frames=_schedule(plain["frame"], blocks["job"][0].get("missing", ()), section),
        lines=tuple(Line(**entry) for entry in plain["line"]),
        laps=tuple(Lap(**entry) for entry in plain["lap"]),
        surveys=tuple(_survey(entry, path.parent, unit) for entry in plain["survey"]),
        ties=tuple(TieSet(**_located(entry, path.parent, unit)) for entry in plain["ties"]),
        clouds=tuple(CloudSet(**_located(entry, path.parent, unit)) for entry in plain["cloud"]),
        damages=tuple(Damage(**entry) for entry in plain["damage"]),
        breaks=tuple(
            sorted((Break(**entry) for entry in plain["break"]), key=lambda item: item.station)
        ),
        facts=tuple(Fact(**entry) for entry in plain["drawing"]),
        fair=Fair(**plain["fair"][0]),
        frame_section=section,
        shop=Shop(**shop),
        **job,
        **plain["skin"][0],
        **plain["stringer"][0],
        **plain["datum"][0],
    )


SHOP_TABLES = ("offsets", "cutout", "splice", "block", "tolerance")


def _schedule(
    frames: Sequence[dict[str, Any]], missing: Sequence[str], section: FrameSection
) -> tuple[Frame, ...]:
    """Return the frames by station, with what the job says of all of them."""
    made = []
    for values in frames:
        values = {"stands": section.stands, **values}
        if values["name"] in missing:
            values = {"status": "missing", **values}
        made.append(Frame(**values))
    return tuple(sorted(made, key=lambda frame: (frame.station, frame.name)))


def _located(entry: dict[str, Any], folder: Path, unit: str) -> dict[str, Any]:
    """Return the values of a set with its paths and its unit."""
    paths: dict[str, Any] = {
        key: folder / entry[key] for key in ("file", "targets") if key in entry
    }
    return {"unit": unit, **entry, **paths}


def _survey(entry: dict[str, Any], folder: Path, unit: str) -> SurveySet:
    """Return a survey set; sigma and face may be left to its rows."""
    return SurveySet(**{"sigma": math.nan, "face": "", **_located(entry, folder, unit)})


def given_name(job: Job, file: Path) -> str:
    """Return the name of a survey file as the job file gives it.

    Examples
    --------
    >>> job = Job(path=Path("corncrake/job.toml"), title="", unit="mm", missing=(), frames=())
    >>> given_name(job, Path("corncrake/tape.csv"))
    'tape.csv'
    """
    folder = job.path.parent
    return file.relative_to(folder).as_posix() if file.is_relative_to(folder) else file.as_posix()
