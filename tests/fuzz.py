"""Damage good files a thousand times and read them: refused in words, or read, and nothing else.

python tests/fuzz.py [count [form ...]]; the forms are the keys of `FORMS`. Every form is read
in a process of its own with bounded memory and time, so that a reader's crash, hang or hunger
is a finding too. Job files and tables go through the command line, which must end with 0 or 2
and leave no output where it refused; scans go through the reader, and one in ten through the
command line as well.
"""

from __future__ import annotations

import multiprocessing
import random
import re
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parent.parent)]
# ruff: noqa: E402
import small_body
from click.testing import CliRunner

from loft.cli import main
from loft.demo import write_demo
from loft.job.errors import LoftError
from loft.survey.readers import cloud_head, iter_cloud

MEMORY = 6 * 2**30  # bytes of address space; the readers' libraries map 2 of them
PATIENCE = 60  # seconds a file
WORDS = (
    "nan", "inf", "-inf", "1e400", "-1e308", "1e-400", "9" * 400, "0", "-0", "1_000", "0x1F",
    "１２", "٣", "½", "4' 3 5/8\"", "4-3-9", "2005-03-04", "true", "[]", "{}", "''", '"', "#",
    "=", ",", ";", "\t", "\r", "\0", "\ufeff", "\u202e", "€", "../../x", "~", "%s", "F14", "S4P",
)  # fmt: skip
CLOUDS = ("ply", "pcd", "pts", "xyz", "e57", "las", "laz")


# ---- damage ----------------------------------------------------------------------------


def _span(data: bytes, chance: random.Random) -> tuple[int, int]:
    start = chance.randrange(len(data) + 1)
    return start, min(len(data), start + chance.choice((1, 2, 4, 8, 40, 400)))


def cut(data: bytes, chance: random.Random) -> bytes:
    """Leave the end away."""
    return data[: chance.randrange(len(data) + 1)]


def flip(data: bytes, chance: random.Random) -> bytes:
    """Change single bits, more often near the head."""
    out = bytearray(data)
    for _ in range(chance.choice((1, 1, 3, 20))):
        reach = len(out) if chance.random() < 0.5 else min(len(out), 400)
        if reach:
            out[chance.randrange(reach)] ^= 1 << chance.randrange(8)
    return bytes(out)


def drop(data: bytes, chance: random.Random) -> bytes:
    """Take a span out."""
    start, stop = _span(data, chance)
    return data[:start] + data[stop:]


def twice(data: bytes, chance: random.Random) -> bytes:
    """Repeat a span elsewhere."""
    start, stop = _span(data, chance)
    at = chance.randrange(len(data) + 1)
    return data[:at] + data[start:stop] + data[at:]


def noise(data: bytes, chance: random.Random) -> bytes:
    """Write noise over a span, zeros and ones included."""
    start, stop = _span(data, chance)
    kind = chance.choice((b"\0", b"\xff", None))
    new = kind * (stop - start) if kind else chance.randbytes(stop - start)
    return data[:start] + new + data[stop:]


def word(data: bytes, chance: random.Random) -> bytes:
    """Put a word where a number or word stood."""
    hits = list(re.finditer(rb"[\w.+-]+", data[:4000] if chance.random() < 0.7 else data))
    if not hits:
        return data
    hit = chance.choice(hits)
    return data[: hit.start()] + chance.choice(WORDS).encode() + data[hit.end() :]


def number(data: bytes, chance: random.Random) -> bytes:
    """Change a number: its sign, size or digits."""
    hits = list(re.finditer(rb"-?\d+\.?\d*", data[:4000] if chance.random() < 0.5 else data))
    if not hits:
        return data
    hit = chance.choice(hits)
    old = hit.group()
    new = chance.choice((b"-" + old, old + b"000000", old[:-1], b"0", b"-1", old + b".5", b"1e9"))
    return data[: hit.start()] + new + data[hit.end() :]


def lines(data: bytes, chance: random.Random) -> bytes:
    """Exchange, drop or repeat whole lines."""
    rows = data.split(b"\n")
    one, other = chance.randrange(len(rows)), chance.randrange(len(rows))
    way = chance.randrange(3)
    if way == 0:
        rows[one], rows[other] = rows[other], rows[one]
    elif way == 1:
        del rows[one]
    else:
        rows.insert(other, rows[one])
    return b"\n".join(rows)


def separators(data: bytes, chance: random.Random) -> bytes:
    """Write another separator or line end throughout."""
    old, new = chance.sample((b",", b";", b" ", b"\t", b"\n", b"\r\n", b"."), 2)
    return data.replace(old, new)


BINARY = (cut, flip, drop, twice, noise, number)
TEXT = (*BINARY, word, word, lines, separators)


def damaged(data: bytes, chance: random.Random, *, text: bool) -> bytes:
    """Return the file with one to three kinds of damage."""
    for _ in range(chance.choice((1, 1, 2, 3))):
        data = chance.choice(TEXT if text else BINARY)(data, chance)
    return data


# ---- good files ------------------------------------------------------------------------


def points() -> np.ndarray:
    """A ring of points at every frame of the small body."""
    theta = np.linspace(-np.pi, np.pi, 120, endpoint=False)
    return np.concatenate(
        [
            np.column_stack([np.full(120, station), small_body.point(station, theta)])
            for station in small_body.STATIONS.values()
        ]
    )


def cloud_file(folder: Path, form: str) -> Path:
    """Write a good scan of a form."""
    path, found = folder / f"bay.{form}", points()
    if form in ("pts", "xyz"):
        count = f"{len(found)}\n" if form == "pts" else ""
        path.write_text(count + "".join(f"{a:.2f} {b:.2f} {c:.2f}\n" for a, b, c in found))
    elif form == "ply":
        head = f"ply\nformat binary_little_endian 1.0\nelement vertex {len(found)}\n"
        head += "property double x\nproperty double y\nproperty double z\nend_header\n"
        path.write_bytes(head.encode() + found.astype("<f8").tobytes())
    elif form == "pcd":
        head = "# .PCD v0.7\nVERSION 0.7\nFIELDS x y z\nSIZE 4 4 4\nTYPE F F F\nCOUNT 1 1 1\n"
        head += f"WIDTH {len(found)}\nHEIGHT 1\nVIEWPOINT 0 0 0 1 0 0 0\nPOINTS {len(found)}\n"
        path.write_bytes(f"{head}DATA binary\n".encode() + found.astype("<f4").tobytes())
    elif form == "e57":
        import pye57

        with pye57.E57(str(path), mode="w") as file:
            names = ("cartesianX", "cartesianY", "cartesianZ")
            file.write_scan_raw(dict(zip(names, found.T.copy(), strict=True)))
    else:
        import laspy

        scan = laspy.LasData(laspy.LasHeader(point_format=0, version="1.2"))
        scan.header.scales = [0.001] * 3
        scan.x, scan.y, scan.z = found.T
        scan.write(str(path))
    return path


TARGETS = """\
name,x,y,z,station,bl,wl,sigma
T1,1400,400,1200,1400,400,1200,1
T2,3000,-400,900,3000,-400,900,1
T3,3800,300,600,3800,300,600,1
T4,2200,-300,1500,2200,-300,1500,1
T5,2600,100,1500,2600,100,1500,1
"""


def cloud_job(folder: Path, form: str) -> Path:
    """Write a job with a scan and targets; return the scan."""
    more = (
        f'[[cloud]]\nfile = "bay.{form}"\nunits = "mm"\nsigma = "0.8 mm"\nface = "skin_outer"\n'
        'targets = "targets.csv"\n'
    )
    small_body.write(folder, job_more=more)
    (folder / "targets.csv").write_text(TARGETS)
    return cloud_file(folder, form)


def good(folder: Path, form: str) -> Path:
    """Write a good job whose one file is to be damaged; return that file."""
    if form in CLOUDS:
        return cloud_job(folder, form)
    if form == "targets.csv":
        cloud_job(folder, "xyz")
        return folder / "targets.csv"
    if form == "tape.csv":
        return small_body.write(folder) / "tape.csv"
    write_demo(folder)
    return folder / form


FORMS = ("job.toml", "tape.csv", "ties.csv", "targets.csv", *CLOUDS)


# ---- reading ---------------------------------------------------------------------------


def by_reader(path: Path) -> str:
    """Read a scan whole; return "" or what went wrong."""
    try:
        cloud_head(path)
        for part in iter_cloud(path, 1000):
            if part.dtype != np.float64 or part.shape[1:] != (3,):
                return f"points of shape {part.shape} and kind {part.dtype}"
    except LoftError as refusal:
        return "" if all(finding.text for finding in refusal.findings) else "an empty refusal"
    return ""


def by_command(path: Path) -> str:
    """Survey the job; return "" or what went wrong."""
    out = path.parent / "out"
    shutil.rmtree(out, ignore_errors=True)
    done = CliRunner().invoke(main, ["survey", str(path.parent)])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        return "".join(traceback.format_exception(done.exception))
    left = {item.name for item in out.iterdir()} - {".held"} if out.exists() else set()
    if done.exit_code == 0:
        return "" if "points.csv" in left else "done without points.csv"
    if done.exit_code != 2:
        return f"exit code {done.exit_code}"
    if left:
        return f"refused, yet {sorted(left)} was written"
    if done.stdout or not all(row.startswith("loft: ") for row in done.stderr.splitlines()):
        return f"not one line a fault: {done.output[:400]}"
    return "" if done.stderr.strip() else "refused without a word"


def _too_long(*anything: object) -> None:
    raise TimeoutError(f"over {PATIENCE} s")


def one(path: Path, content: bytes, *, command: bool) -> str:
    """Read one damaged file; return "" or what went wrong."""
    path.write_bytes(content)
    signal.signal(signal.SIGALRM, _too_long)
    signal.alarm(PATIENCE)
    try:
        told = "" if path.suffix[1:] not in CLOUDS else by_reader(path)
        return told or (by_command(path) if command else "")
    except BaseException:
        return traceback.format_exc()
    finally:
        signal.alarm(0)


def many(form: str, first: int, count: int, log: Path, keep: Path | None) -> None:
    """Read damaged files `first` to `count`; note each before it is read, and what went wrong."""
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    scan = form in CLOUDS
    with tempfile.TemporaryDirectory() as folder, log.open("a") as notes:
        path = good(Path(folder) / "job", form)
        whole = path.read_bytes()
        assert one(path, whole, command=True) == "", "the good file itself is not read"
        for turn in range(first, count):
            text = form not in ("e57", "las", "laz")
            content = damaged(whole, random.Random(f"{form} {turn}"), text=text)
            print(f"{turn}", file=notes, flush=True)
            told = one(path, content, command=not scan or turn % 10 == 0)
            if told:
                print(f"{turn} WRONG {told!r}", file=notes, flush=True)
                if keep is not None:
                    (keep / f"{turn}-{path.name}").write_bytes(content)
        print("END", file=notes, flush=True)


def fuzz(form: str, count: int, keep: Path | None = None) -> list[str]:
    """Return everything that went wrong with `count` damaged files of a form."""
    context = multiprocessing.get_context("spawn")
    wrong, first = [], 0
    with tempfile.TemporaryDirectory() as folder:
        while first < count:
            log = Path(folder) / f"{first}.log"
            process = context.Process(target=many, args=(form, first, count, log, keep))
            process.start()
            process.join()
            noted = log.read_text().splitlines() if log.exists() else []
            wrong += [f"{form} {line}" for line in noted if " WRONG " in line]
            if noted[-1:] == ["END"]:
                break
            turns = [int(line) for line in noted if line.isdigit()]
            wrong.append(f"{form} {turns[-1:]} the process ended with {process.exitcode}")
            if not turns:
                break
            first = turns[-1] + 1
    return wrong


def run(words: list[str], say: Callable[[str], None]) -> int:
    """Fuzz the forms that were asked for; return how much went wrong."""
    count = int(words[0]) if words else 1000
    total = 0
    for form in words[1:] or FORMS:
        start = time.monotonic()
        keep = Path(tempfile.mkdtemp(prefix=f"fuzz-{form}-"))
        wrong = fuzz(form, count, keep)
        say(f"{form}: {count} damaged files, {len(wrong)} wrong, {time.monotonic() - start:.0f} s")
        for told in wrong[:20]:
            say(f"  {told[-600:]}")
        if wrong:
            say(f"  the files stand in {keep}")
        else:
            shutil.rmtree(keep)
        total += len(wrong)
    return total


if __name__ == "__main__":
    sys.exit(bool(run(sys.argv[1:], lambda line: print(line, flush=True))))  # noqa: T201
