"""A small survey of the fictional Corncrake for the tests of this room."""

import numpy as np

STATIONS = {f"F{count}": 4420.0 + 480.0 * (count - 11) for count in range(11, 18)}
HEADER = "frame,line,station,bl,wl"

JOB = (
    '[job]\ntitle = "Corncrake frame 14"\nunits = "mm"\nmissing = ["F14"]\n'
    + "".join(
        f'[[frame]]\nname = "{name}"\nstation = {station}\n' for name, station in STATIONS.items()
    )
    + '[skin]\ngauge = 0.9\n[stringer]\ndepth = 22.0\n[frame_section]\nstands = "on_skin"\n'
)
TAPE = '[[survey]]\nfile = "tape.csv"\nsigma = 1.5\nface = "skin_outer"\n'


def point(station, angle):
    """Return (bl, wl) on an elliptic body that tapers aft; angle 0 is the crown."""
    share = 1.0 - ((station - 4000.0) / 9000.0) ** 2
    return 600.0 * share * np.sin(angle), 800.0 * share * np.cos(angle)


def lines(count=5):
    """Return label and angle of every stringer, both sides, and crown and keel."""
    found = {"CROWN": 0.0, "KEEL": np.pi}
    for number in range(1, count + 1):
        angle = np.pi * number / (count + 1)
        found |= {f"S{number}S": angle, f"S{number}P": -angle}
    return found


def rows(frames=None, *, count=5, unit=1.0):
    """Return the rows of a clean survey of every frame but the missing one."""
    found = []
    for frame in frames or [name for name in STATIONS if name != "F14"]:
        for label, angle in lines(count).items():
            bl, wl = point(STATIONS[frame], angle)
            found.append(f"{frame},{label},,{bl / unit + 0.0:.9f},{wl / unit:.9f}")
    return found


def put(folder, tape=None, *, job=JOB + TAPE, header=HEADER, **tables):
    """Write a job folder; tables are lists of rows, or text, by the name of the file."""
    (folder / "job.toml").write_text(job, encoding="utf-8")
    for name, content in {"tape": rows() if tape is None else tape, **tables}.items():
        text = content if isinstance(content, str) else "\n".join([header, *content]) + "\n"
        (folder / f"{name}.csv").write_bytes(text.encode("utf-8"))
    return folder
