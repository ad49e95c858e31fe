"""Registration by targets: rigid, never mirrored, never scaled."""

import json
import re
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from loft.job.errors import LoftError
from loft.job.records import CloudSet, Job
from loft.survey.datum import register, register_cloud
from loft.survey.similarity import similarity
from loft.survey.targets import read_targets

CASES = {
    case["id"]: case
    for case in json.loads(
        (Path(__file__).parents[2] / "shared" / "survey_cases.json").read_text()
    )["cases"]
}
AIRCRAFT = np.array(
    [
        [4700.0, -640.0, 900.0],
        [4750.0, 620.0, 850.0],
        [6900.0, -500.0, 1000.0],
        [6800.0, 540.0, 700.0],
        [5800.0, 30.0, 1700.0],
        [5850.0, -20.0, 180.0],
    ]
)
TURN = Rotation.from_rotvec([0.4, -1.1, 2.2]).as_matrix()


def scanned(noise=0.0, rng=None, points=AIRCRAFT):
    """The targets as a scanner somewhere in the hangar would see them."""
    scan = (points - [5000.0, 0.0, 1000.0]) @ TURN + [1200.0, -340.0, 88.0]
    return scan + (noise * rng.standard_normal(scan.shape) if noise else 0.0)


def degrees(dms):
    """Degrees, minutes and seconds as printed."""
    whole, minutes, seconds = dms.split() if isinstance(dms, str) else map(str, dms)
    size = abs(float(whole)) + float(minutes) / 60 + float(seconds) / 3600
    return -size if whole.startswith("-") else size


def test_similarity_gives_published_rotation_of_mirrored_data():
    """Umeyama (1991), numerical example; printed result from memory, recomputed exactly."""
    case = CASES["B1"]
    fit = similarity(case["inputs"]["X"], case["inputs"]["Y"], scaled=True)
    assert fit.rotation == pytest.approx(np.array(case["expected"]["R"]), abs=1e-9)
    assert fit.scale == pytest.approx(case["expected"]["c"], abs=1e-9)
    assert fit.shift == pytest.approx(case["expected"]["t"], abs=1e-9)
    assert np.sum(fit.residual**2) / 3 == pytest.approx(case["expected"]["mse"], abs=1e-9)


def test_rigid_fit_of_mirrored_data():
    """The same points without a scale: closed form, t = (-0.98048356, 0.29686654)."""
    case = CASES["B1"]
    fit = similarity(case["inputs"]["X"], case["inputs"]["Y"])
    assert np.linalg.det(fit.rotation) == pytest.approx(1.0)
    assert fit.shift == pytest.approx([-0.98048356, 0.29686654], abs=1e-8)


def test_mirrored_plan_is_refused():
    with pytest.raises(LoftError, match=r"fit only mirrored: .*never mirrored"):
        register(CASES["B1"]["inputs"]["X"], CASES["B1"]["inputs"]["Y"], sigma=0.01)


def test_similarity_gives_published_plan_transform():
    """Ghilani & Wolf, Adjustment Computations, example 18.1; printed digits."""
    expected = CASES["B2"]["expected"]
    fit = similarity(CASES["B2"]["inputs"]["xy"], CASES["B2"]["inputs"]["XY"], scaled=True)
    matrix = fit.scale * fit.rotation
    assert matrix[0, 0] == pytest.approx(expected["a"], abs=5e-6)
    assert matrix[1, 0] == pytest.approx(expected["b"], abs=5e-6)
    assert fit.shift == pytest.approx([expected["Tx"], expected["Ty"]], abs=6e-4)
    assert fit.scale == pytest.approx(expected["scale"], abs=6e-7)
    turn = np.degrees(np.arctan2(matrix[1, 0], matrix[0, 0])) % 360
    assert turn == pytest.approx(degrees(expected["rotation_dms"]), abs=0.006 / 3600)
    moved = np.array(CASES["B2"]["inputs"]["new"]) @ matrix.T + fit.shift
    assert moved == pytest.approx(np.array(expected["new_XY"]), abs=6e-4)
    assert fit.residual.ravel() == pytest.approx(expected["residual_AXminusL"], abs=6e-5)


def test_scaled_plan_is_refused_with_its_scale_and_turn():
    """The same data: scale 4.51962 and turn 183 13 5 stand in the refusal."""
    with pytest.raises(LoftError, match="never scaled") as refusal:
        register(CASES["B2"]["inputs"]["xy"], CASES["B2"]["inputs"]["XY"], sigma=0.14)
    numbers = re.search(r"turn ([\d.]+) degrees, scale ([\d.]+)\)", str(refusal.value))
    turn = degrees(CASES["B2"]["expected"]["rotation_dms"])
    assert float(numbers[1]) == pytest.approx(turn, abs=5e-5)
    assert float(numbers[2]) == pytest.approx(4.519621, abs=5e-6)


def test_similarity_gives_recomputed_space_transform():
    """Four points of Wolf & Ghilani's 3-D conformal example, unweighted, recomputed twice."""
    expected = CASES["B3"]["expected"]
    fit = similarity(CASES["B3"]["inputs"]["x"], CASES["B3"]["inputs"]["X"], scaled=True)
    assert fit.scale == pytest.approx(expected["scale"], rel=1e-7)
    assert fit.shift == pytest.approx(expected["T"], abs=6e-4)
    # Photogrammetric angles: turns about x, y, z in this order, of the axes.
    m = fit.rotation.T
    omega, phi = np.arctan2(-m[2, 1], m[2, 2]), np.arcsin(m[2, 0])
    kappa = np.arctan2(-m[1, 0], m[0, 0]) % (2 * np.pi)
    printed = [degrees(dms) for dms in expected["omega_phi_kappa_dms"]]
    assert np.degrees([omega, phi, kappa]) == pytest.approx(printed, abs=0.006 / 3600)
    freedom = 3 * 4 - 7
    assert np.sqrt(fit.square / freedom) == pytest.approx(expected["S0"], abs=1e-6)


def test_scaled_space_targets_are_refused():
    with pytest.raises(LoftError, match=r"only scaled.*scale 0\.949957.*never scaled"):
        register(CASES["B3"]["inputs"]["x"], CASES["B3"]["inputs"]["X"], sigma=0.06)


def test_rotation_vector_turns_right_handed():
    """IOGP Guidance Note 7-2, position vector convention: a positive turn about z moves
    +x towards +y. Printed to 0.01 m; the wrong sign would be 28 m off in y."""
    inputs = CASES["B4"]["inputs"]
    vector = np.array([0.0, 0.0, np.deg2rad(inputs["rz_arcsec"] / 3600)])
    base = np.array(inputs["X"])
    corners = base + 1e5 * np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1.0]])
    found = register(corners, corners @ Rotation.from_rotvec(vector).as_matrix().T, sigma=0.01)
    assert found.rotation_vector == pytest.approx(vector, abs=1e-12)
    scale = 1 + inputs["ds_ppm"] * 1e-6
    moved = scale * found.apply(base[None])[0] + [0.0, 0.0, inputs["dZ"]]
    assert moved == pytest.approx(CASES["B4"]["expected"]["X"], abs=0.01)


def test_exact_targets_come_back():
    found = register(scanned(), AIRCRAFT, sigma=0.8)
    assert found.apply(scanned()) == pytest.approx(AIRCRAFT, abs=1e-8)
    assert found.rotation == pytest.approx(TURN, abs=1e-12)
    assert found.hand_proved
    assert found.findings == ()


def test_order_of_targets_does_not_matter():
    rng = np.random.default_rng(3)
    scan, order = scanned(0.8, rng), rng.permutation(6)
    one = register(scan, AIRCRAFT, sigma=0.8)
    two = register(scan[order], AIRCRAFT[order], sigma=0.8)
    assert two.translation == pytest.approx(one.translation, abs=1e-8)


def test_stated_uncertainty_holds_the_truth():
    """Errors of the transform over its covariance: chi-square of 6, mean 6 (400 draws).

    The mean of 400 has a standard deviation of sqrt(12/400) = 0.17; three of them allowed.
    """
    rng = np.random.default_rng(8)
    worth = []
    for _ in range(400):
        found = register(scanned(1.0, rng), AIRCRAFT, sigma=1.0)
        turn = Rotation.from_matrix(found.rotation @ TURN.T).as_rotvec()
        true_centre = found.apply(scanned())
        shift = (true_centre - AIRCRAFT).mean(axis=0)
        error = np.concatenate([turn, shift])
        worth.append(error @ np.linalg.solve(found.covariance, error))
    assert np.mean(worth) == pytest.approx(6.0, abs=0.52)


def test_spread_grows_with_distance():
    """At the centre sigma/sqrt n; far along station the turn adds."""
    found = register(scanned(), AIRCRAFT, sigma=1.2)
    near, far = found.covariance_at(np.array([found.centre, found.centre + [9000.0, 0, 0]]))
    assert np.sqrt(np.diag(near)) == pytest.approx(np.full(3, 1.2 / np.sqrt(6)), rel=1e-9)
    assert far[1, 1] > 4 * near[1, 1]


def test_blunder_is_left_out_and_named():
    """A whole foot in one waterline: the value the others suggest, and the slip."""
    aircraft = AIRCRAFT.copy()
    aircraft[2, 2] += 304.8
    found = register(
        scanned(0.5, np.random.default_rng(1)), aircraft, sigma=0.8, names=list("ABCDEF")
    )
    assert found.used.tolist() == [True, True, False, True, True, True]
    text = found.findings[0].text
    assert text.startswith("target C left out: wl 1304.8 mm given, the others suggest")
    assert float(re.search(r"suggest ([\d.]+)", text)[1]) == pytest.approx(1000.0, abs=4.0)
    assert "1 ft too much" in text


def test_mirrored_scan_is_refused():
    with pytest.raises(LoftError, match=r"fit only mirrored: .*port and starboard exchanged"):
        register(scanned() * [1, -1, 1], AIRCRAFT, sigma=0.8)


def test_mirrored_scan_with_three_targets_cannot_be_seen_and_says_so():
    found = register(scanned()[:3] * [1, -1, 1], AIRCRAFT[:3], sigma=0.8)
    assert not found.hand_proved
    assert "hand not checked" in found.findings[0].text


def test_targets_in_one_plane_do_not_prove_the_hand():
    flat = AIRCRAFT.copy()
    flat[:, 1] = 12.0
    found = register(scanned(points=flat), flat, sigma=0.8)
    assert not found.hand_proved


@pytest.mark.parametrize(
    ("factor", "hint"), [(25.4, "mm taken for inches"), (0.001, "metres taken for mm")]
)
def test_scaled_scan_names_the_likely_unit(factor, hint):
    """The scan's figures times `factor`: the fit then scales by its inverse."""
    with pytest.raises(LoftError, match=f"never scaled.*{hint}"):
        register(scanned() * factor, AIRCRAFT, sigma=0.8)


def test_small_scale_is_refused_too():
    """2 in a thousand over 2 m is 4 mm: five times sigma, no unit, still no scaling."""
    with pytest.raises(LoftError, match=r"only scaled.*scale 0\.99"):
        register(scanned() * 1.004, AIRCRAFT, sigma=0.8)


def test_two_exchanged_targets_are_named():
    with pytest.raises(LoftError, match="targets B and D found exchanged"):
        register(scanned()[[0, 3, 2, 1, 4, 5]], AIRCRAFT, sigma=0.8, names=list("ABCDEF"))


def test_targets_in_line_are_refused():
    line = np.array([[0.0, 0, 0], [1000, 3, 0], [2500, 0, 2]])
    with pytest.raises(LoftError, match=r"in one line found.*to the side wanted"):
        register(line, line + 5.0, sigma=1.0)


def test_contradicting_targets_are_refused():
    aircraft = AIRCRAFT.copy()
    aircraft[[0, 2, 4], [1, 2, 0]] += [300.0, -250.0, 410.0]
    with pytest.raises(LoftError, match=r"contradict one another.*measure them again"):
        register(scanned(), aircraft, sigma=0.8)


def test_all_faults_of_targets_are_told_at_once():
    scan = np.array([[0.0, 0, 0], [np.nan, 0, 0]])
    with pytest.raises(LoftError) as refusal:
        register(scan, scan, sigma=0.0, names=["A", "A"])
    text = str(refusal.value)
    assert "target A found 2 times" in text
    assert "without all its coordinates" in text
    assert "sigma" in text
    assert "2 targets found, 3 or more wanted" in text


def test_absurd_coordinates_are_refused():
    scan = scanned()
    scan[0, 0] = 1e200
    with pytest.raises(LoftError, match="more than 1000 km found: the wrong unit"):
        register(scan, AIRCRAFT, sigma=1.0)


HEAD = "name,x,y,z,station,bl,wl,sigma\n"


def read(source, unit="m"):
    job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    cloud = CloudSet(
        file=Path("bay.ply"), sigma=0.8, face="skin_inner", unit=unit, targets=Path("targets.csv")
    )
    return read_targets(job, cloud, source=source)


def test_targets_table_carries_two_units():
    targets = read(HEAD + "T1,1.25,0,-0.5,5000,-300,900,\nT2,0,0,0,5 ft,1-0-0,900,0.5\n")
    assert targets.scan[0].tolist() == [1250.0, 0.0, -500.0]
    assert targets.aircraft[1].tolist() == pytest.approx([1524.0, 304.8, 900.0])
    assert targets.sigma.tolist() == [0.8, 0.5]


def test_targets_table_tells_all_its_faults():
    with pytest.raises(LoftError) as refusal:
        read(HEAD + "T1,1,0,0,5000,-300,900,\nT1,a,0,,5000,2005-03-04,900,-1\n,0,0,0,0,0,0,1\n")
    lines = str(refusal.value).splitlines()
    assert len(lines) == 6
    assert "targets.csv:3: name: target T1 found again, it stands already in row 2" in lines
    assert any("targets.csv:3: z: nothing found" in line for line in lines)
    assert any("bl" in line and "date" in line for line in lines)


def test_targets_table_without_a_column_is_refused():
    with pytest.raises(LoftError, match="no column wl found"):
        read("name,x,y,z,station,bl\nT1,0,0,0,0,0\n")


def test_registration_from_a_file_names_the_file(tmp_path):
    table = tmp_path / "targets.csv"
    table.write_text(HEAD + "T1,0,0,0,0,0,0,\nT2,1,0,0,1000,0,0,\n")
    job = Job(path=tmp_path / "job.toml", title="", unit="mm", missing=(), frames=())
    cloud = CloudSet(
        file=tmp_path / "bay.ply", sigma=0.8, face="skin_inner", unit="m", targets=table
    )
    with pytest.raises(LoftError, match=r"targets\.csv: 2 targets found"):
        register_cloud(job, cloud)
