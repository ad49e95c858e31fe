"""A scan in a job file: from its own axes, by targets, into the survey with the tape's."""

import numpy as np
import pytest
from scanned import GAUGE, near_slabs, skin, write

from loft.corncrake import STATIONS, line_theta, touched
from loft.job.errors import LoftError
from loft.job.schema import read_job
from loft.survey.gather import read_survey

FRAMES = ("F11", "F12", "F13", "F14", "F15", "F16", "F17")
LINES = ("CROWN", "S4S", "S7S", "S10S", "KEEL", "S10P", "S7P", "S4P")
TURN = np.deg2rad(-50.0)
ROTATION = np.array(
    [[np.cos(TURN), -np.sin(TURN), 0.0], [np.sin(TURN), np.cos(TURN), 0.0], [0.0, 0.0, 1.0]]
)
SHIFT = np.array([6000.0, 200.0, 850.0])
TARGETS = (
    [5600, -500, 200],
    [5600, 480, 250],
    [6700, -470, 1500],
    [6650, 520, 900],
    [6100, 0, 1690],
)


def folder(tmp_path, unit="m", extra=""):
    """A job with tape readings and a scan of the bay in the scanner's own axes."""
    rng = np.random.default_rng(3)
    rows = ["frame,line,station,bl,wl"]
    for frame in FRAMES:
        if frame == "F14":
            continue
        for line in LINES:
            _, bl, wl = touched(line, STATIONS[frame], depth=GAUGE)
            rows.append(f"{frame},{line},,{bl:.1f},{wl:.1f}")
    (tmp_path / "tape.csv").write_text("\n".join(rows) + "\n")
    table = ["name,x,y,z,station,bl,wl,sigma"]
    for k, place in enumerate(TARGETS, start=1):
        x, y, z = (ROTATION.T @ (np.array(place, float) - SHIFT)) / 1000.0
        table.append(f"T{k},{x:.6f},{y:.6f},{z:.6f},{place[0]},{place[1]},{place[2]},0.5")
    (tmp_path / "targets.csv").write_text("\n".join(table) + "\n")
    points = skin(rng, near_slabs(rng, 250_000, 5680, 5840, 6000, 6160, 6320, 6480, 6640))
    write(tmp_path / "bay.ply", (points - SHIFT) @ ROTATION / 1000.0)
    frames = "".join(
        f'[[frame]]\nname = "{name}"\nstation = {STATIONS[name]}\nstands = "on_skin"\n'
        for name in FRAMES
    )
    (tmp_path / "job.toml").write_text(
        '[job]\ntitle = "Corncrake frame 14"\nunits = "mm"\nmissing = ["F14"]\n'
        f"{frames}[skin]\ngauge = {GAUGE}\n[stringer]\ndepth = 22.0\nwidth = 19.0\n"
        '[[survey]]\nfile = "tape.csv"\nsigma = 1.5\nface = "frame_flange"\n'
        f'[[cloud]]\nfile = "bay.ply"\nunits = "{unit}"\nsigma = 0.8\nface = "skin_inner"\n'
        f'targets = "targets.csv"\n{extra}'
    )
    return tmp_path


def test_scan_and_tape_make_one_survey(tmp_path):
    survey = read_survey(read_job(folder(tmp_path)))
    scanned = survey.source == "bay.ply"
    assert (~scanned).sum() == 6 * len(LINES)
    assert scanned.sum() > 0.98 * 7 * 360
    crown = scanned & (np.abs(survey.bl) < 12.0) & (survey.wl > 1600) & (survey.station == 6160.0)
    # the crown is level across bl 0: within 12 mm of it the arc of 700 falls by 0.1
    true = touched("CROWN", 6160.0, depth=GAUGE)[2]
    assert np.abs(survey.wl[crown] - true).max() < 1.5
    # the targets' 0.5 mm reach the readings, and the points' 0.8 mm do not stand whole
    assert 0.15 < np.median(survey.shared[scanned]) < 0.6
    assert 0.03 < np.median(survey.sigma[scanned]) < 0.3


def test_damage_of_stations_reaches_the_scan(tmp_path):
    extra = '[[damage]]\nstations = [6300.0, 6500.0]\nuse = false\nreason = "torn"\n'
    survey = read_survey(read_job(folder(tmp_path, extra=extra)))
    torn = (survey.station > 6300.0) & (survey.station < 6500.0)
    assert torn.sum() > 600
    assert not survey.use[torn].any()


def test_wrong_unit_with_targets_is_refused(tmp_path):
    """The targets stand in the cloud's unit too: both come out too small."""
    with pytest.raises(LoftError) as refused:
        read_survey(read_job(folder(tmp_path, unit="ft")))
    assert "scale" in str(refused.value)


def test_section_round_the_scan_is_whole(tmp_path):
    """Cells stand all round: the lines of the other side are met as well as the near one's."""
    survey = read_survey(read_job(folder(tmp_path)))
    here = (survey.source == "bay.ply") & (survey.station == 6160.0)
    for line in LINES:
        theta = float(line_theta(line, 6160.0))
        place = touched(line, 6160.0, depth=GAUGE)[1:]
        off = np.stack([survey.bl[here], survey.wl[here]], axis=1) - place
        near = int(np.argmin(np.hypot(*off.T)))
        assert abs(off[near] @ (np.sin(theta), np.cos(theta))) < 1.5, line
        assert np.hypot(*off[near]) < 20.0, line  # a cell is at most 15 mm wide here
