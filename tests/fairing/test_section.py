"""Sections lifted off bodies of known form: girth, normals, bevel, cants, corners, spacing."""

from __future__ import annotations

import json
import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import simulated as sim
from scipy.special import ellipe

from loft.fairing.section import lift, section_covariance, simultaneous_factor
from loft.fairing.surface import fair, settled_points
from loft.fairing.tables import surface_stl
from loft.job.records import Frame

SHARED = Path(__file__).parents[2] / "shared" / "fairing_cases.json"
CASES = {case["id"]: case for case in json.loads(SHARED.read_text())["cases"]}
GIRTH = 1e-5  # mm: what the girth of a section of some metres is stated to be good to


def square(station: float) -> Frame:
    return Frame(name="X", station=station)


def canted(station: float, degrees: float, pivot_wl: float = 0.0) -> Frame:
    return Frame(name="X", station=station, cant=np.deg2rad(degrees), pivot_wl=pivot_wl)


def closed(section) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Steps in bl, height and girth from each point to the next, round to the first."""
    bl, height = np.append(section.bl, section.bl[0]), np.append(section.height, section.height[0])
    return np.diff(bl), np.diff(height), np.diff(np.append(section.girth, section.length))


def check_contract(section) -> None:
    """What every section promises its readers, whatever the body."""
    step_bl, step_height, step = closed(section)
    chord = np.hypot(step_bl, step_height)
    assert (step > 0).all()
    assert step.max() <= 10.0
    # girths are good to about 1e-5 mm, read off a grid of 960 angles: 1e-4 beside a corner
    assert (chord <= step + 1e-4).all()
    # an arc of chord c and length s stands sqrt(3/8 c (s - c)) off its chord
    assert np.sqrt(3 / 8 * chord * np.maximum(step - chord, 0)).max() <= 0.02
    assert section.girth[0] == 0.0
    unit = np.hypot(section.normal_bl, section.normal_height)
    assert unit == pytest.approx(1.0, abs=1e-9)
    # clockwise looking forward in (bl, height): negative area, normal = tangent turned +90
    area = 0.5 * np.sum(section.bl * step_height - section.height * step_bl)
    assert area < 0
    left = np.stack([-step_height, step_bl], -1) / chord[:, None]
    normal = np.stack([section.normal_bl, section.normal_height], -1)
    both = normal + np.roll(normal, -1, axis=0)
    smooth = np.linalg.norm(both, axis=1) > 1.99  # away from corners
    assert (np.einsum("nk,nk->n", left, both)[smooth] > 1.98).all()
    assert section.band95 == pytest.approx(1.96 * section.sd, rel=1e-4)
    assert (section.band95_all >= section.band95 - 1e-12).all()
    starboard = section.side == "starboard"
    # the row next to crown or keel may stand a little across, where those lines do
    assert section.bl[~starboard].max() < 1.0
    assert section.bl[starboard].min() > -1.0


# ---- girth ---------------------------------------------------------------------------------


@pytest.mark.parametrize("k", [0, 1, 2])
def test_girth_of_an_ellipse(k):
    """4 a E(1 - b^2/a^2), DLMF chapter 19; the first figure stands in many public tests."""
    a, b = CASES["G1"]["inputs"]["ab"][k]
    scale = 100.0
    body = sim.Body(a=sim.constant(scale * a), b=sim.constant(scale * b))
    section = lift(sim.exact_surface(body, 0, 1000), square(400.0))
    assert section.length == pytest.approx(scale * CASES["G1"]["expected"]["P"][k], abs=GIRTH)
    check_contract(section)


def test_section_of_the_ellipsoid_three_two_one():
    """Semi-axes, girth and area of the cut at 1 of 3 (closed form), in units of 500 mm."""
    expected, unit = CASES["G2"]["expected"]["section_x1"], 500.0
    body = sim.ellipsoid(3 * unit, 2 * unit, 1 * unit)
    section = lift(sim.exact_surface(body, -2 * unit, 2 * unit), square(unit))
    assert section.bl.max() == pytest.approx(unit * expected["semi"][0], abs=0.02)  # spacing
    assert section.height.max() == pytest.approx(unit * expected["semi"][1], abs=1e-6)
    assert section.length == pytest.approx(unit * expected["girth"], abs=GIRTH)
    step_bl, step_height, _ = closed(section)
    chords = -0.5 * np.sum(section.bl * step_height - section.height * step_bl)
    # chords of sagitta <= 0.018 leave out two thirds of it all round
    assert chords == pytest.approx(unit**2 * expected["area"], abs=2 / 3 * 0.018 * section.length)
    check_contract(section)


def test_radius_of_the_ellipse_at_its_ends():
    """a^2/b at the crown, b^2/a at the side; positive: convex."""
    body = sim.Body(a=sim.constant(600), b=sim.constant(400))
    section = lift(sim.exact_surface(body, 0, 1000), square(500.0))
    side = int(np.argmax(section.bl))
    # curvature is the mean over the grid's arcs of about 3 mm, 4e-5 of a turn's change
    assert section.radius[0] == pytest.approx(600**2 / 400, rel=1e-3)
    assert section.radius[side] == pytest.approx(400**2 / 600, rel=1e-3)


# ---- canted cuts ---------------------------------------------------------------------------


def test_canted_cut_of_a_cylinder():
    """An ellipse r by r/cos c; its perimeter 4 a E (closed form)."""
    case = CASES["G3"]
    r, tilt = case["inputs"]["r"], case["inputs"]["tilt_deg"]
    body = sim.Body(a=sim.constant(r), b=sim.constant(r))
    section = lift(sim.exact_surface(body, -1000, 1000), canted(0.0, tilt))
    assert section.bl.max() == pytest.approx(case["expected"]["semi"][0], abs=0.02)  # spacing
    assert section.height.max() == pytest.approx(case["expected"]["semi"][1], abs=1e-6)
    assert section.length == pytest.approx(case["expected"]["perimeter"], abs=GIRTH)
    assert section.station_at == pytest.approx(section.wl * np.tan(np.deg2rad(tilt)), abs=1e-8)
    # the cylinder's skin leans by the cant at crown and keel, square to the plane at the side
    crown, side, keel = (int(np.argmax(v)) for v in (section.wl, section.bl, -section.wl))
    assert np.rad2deg(section.bevel[[crown, side, keel]]) == pytest.approx(
        [tilt, 0.0, -tilt], abs=0.5
    )
    # the top leans aft: N = (cos c, 0, -sin c), n = (0, 0, 1) there, sin(bevel) = sin c
    assert section.bevel[0] == pytest.approx(np.deg2rad(tilt), abs=1e-9)
    check_contract(section)


@pytest.mark.parametrize("pivot", [0.0, 150.0])
def test_canted_cut_of_a_cone(pivot):
    """An ellipse that is not centred on the axis: 16.7 mm off it (conic section, exact).

    The cone r = 0.2 (2500 - z) is cut by z = 1000 + y tan 15; here z is the station and y
    the waterline. The pivot only says where the plane's own heights begin.
    """
    case = CASES["G4"]["expected"]
    k, tilt = CASES["G4"]["inputs"]["k"], np.deg2rad(15.0)
    surface = sim.exact_surface(sim.cone(2500 * k, -k), 500, 1500)
    section = lift(surface, canted(1000.0 + pivot * np.tan(tilt), 15.0, pivot))
    along = section.height + pivot / np.cos(tilt)
    low, high = along.min(), along.max()
    assert (high - low) / 2 == pytest.approx(case["semi_along"], abs=1e-3)  # 10 mm spacing
    assert (high + low) / 2 == pytest.approx(case["centre_offset_u"], abs=1e-3)
    a, b = case["semi_across"], case["semi_along"]
    on = (section.bl / a) ** 2 + ((along - case["centre_offset_u"]) / b) ** 2
    assert on == pytest.approx(1.0, abs=1e-8)
    assert section.length == pytest.approx(4 * b * ellipe(1 - (a / b) ** 2), abs=GIRTH)
    check_contract(section)


def test_heights_in_a_canted_plane():
    """5 degrees, 20 up: the plane stands 1.7498 aft and the true height is 20.0764."""
    case = CASES["T28"]
    body = sim.Body(a=sim.constant(50), b=sim.constant(case["inputs"]["dz"]))
    section = lift(sim.exact_surface(body, -100, 100), canted(0.0, case["inputs"]["cant_deg"]))
    assert section.height[0] == pytest.approx(case["expected"]["height"], abs=5e-5)
    assert section.station_at[0] == pytest.approx(case["expected"]["shift"], abs=5e-5)


# ---- bevel and slope -----------------------------------------------------------------------


def test_bevel_of_a_cone():
    """R 20 to 18 in 20: -5.7106 degrees all round, negative where the body shrinks aft."""
    case = CASES["T29"]
    first, last = case["inputs"]["radius"]
    inch = 25.4
    rate = (last - first) / case["inputs"]["run"]
    surface = sim.exact_surface(sim.cone(first * inch, rate), 0, 20 * inch)
    section = lift(surface, square(10 * inch))
    assert np.rad2deg(section.bevel) == pytest.approx(case["expected"]["bevel_deg"], abs=5e-5)
    swelling = lift(sim.exact_surface(sim.cone(18 * inch, -rate), 0, 20 * inch), square(250.0))
    assert np.rad2deg(swelling.bevel) == pytest.approx(-case["expected"]["bevel_deg"], abs=5e-5)


def test_bevel_of_an_elliptic_cone_is_its_generator_against_the_section():
    """Coefficients do not change along it, its bevel is not zero: normals in closed form."""
    body = sim.elliptic_cone()
    section = lift(sim.exact_surface(body, 0, 3000), square(1500.0))
    theta = np.arctan2(section.bl / body.a(1500.0), section.wl / body.b(1500.0))
    normal = body.normals(np.full(len(theta), 1500.0), theta)
    assert section.bevel == pytest.approx(np.arcsin(-normal[:, 0]), abs=1e-7)
    assert np.ptp(section.bevel) > 0.01  # it varies round the girth


@pytest.mark.parametrize(("sign", "line"), [(1, "S1S"), (-1, "S1P")])
def test_slope_is_positive_where_a_line_moves_to_greater_girth_aft(sign, line):
    """A stringer that falls 0.05 a mm down the side of a cylinder, either hand.

    Falling to starboard is towards greater girth, falling to port towards lesser.
    """
    r, fall = 600.0, 0.05
    body = sim.Body(a=sim.constant(r), b=sim.constant(r))
    frames = sim.frames_at()
    survey = sim.simulate(body, frames, sim.labels(20), np.random.default_rng(0), noise=0.0)
    rows = []
    for frame in frames:
        theta = sign * (0.6 + fall * frame.station / r)
        rows.append((frame.name, line, frame.station, *body.points(frame.station, theta)[1:]))
    keep = sim.take(survey, survey.line != line)
    own = sim.make_survey(rows)
    arrays = {
        k: np.concatenate([v, getattr(own, k)])
        for k, v in vars(keep).items()
        if isinstance(v, np.ndarray)
    }
    surface = fair(sim.make_job(frames), replace(keep, **arrays))
    crossings = lift(surface, square(2700.0)).crossings
    at = list(crossings.line).index(line)
    # the line's run is learned from 12 exact readings; it is straight
    assert crossings.slope[at] == pytest.approx(sign * np.arctan(fall), abs=1e-4)
    theta = sign * (0.6 + fall * 2700.0 / r)
    assert crossings.bl[at] == pytest.approx(r * np.sin(theta), abs=0.05)
    assert crossings.girth[at] == pytest.approx(r * np.mod(theta, 2 * np.pi), abs=0.1)
    assert crossings.normal[at] == pytest.approx(theta, abs=1e-3)


# ---- faces at depth ------------------------------------------------------------------------


def test_skin_in_the_frames_plane_is_thicker_by_the_bevel():
    """Gauge .040 at 5.7106 degrees is .04020 in the plane (closed form: gauge/cos bevel).

    Readings of the inside of a cone's skin, a 100 times thicker, bring back its outside.
    """
    case = CASES["T30"]
    gauge, thick = case["inputs"]["gauge"], 25.4 * 100
    rate = -np.tan(np.deg2rad(case["inputs"]["bevel_deg"]))
    surface = sim.exact_surface(sim.cone(600.0, rate), 0, 2000)
    inside = 600.0 + rate * 1000.0 - case["expected"]["in_plane"] * thick
    survey = sim.make_survey([("F1", "", 1000.0, inside, 0.0)], depth=gauge * thick)
    station, bl, wl = settled_points(surface, survey)
    # the place on the mould line is square to the skin: forward of the plane
    assert bl[0] == pytest.approx(600.0 + rate * station[0], abs=1e-5 * thick)
    assert surface.distance(station, bl, wl)[0] == pytest.approx(0.0, abs=1e-5 * thick)
    assert station[0] - 1000.0 == pytest.approx(
        gauge * thick * np.sin(np.deg2rad(case["inputs"]["bevel_deg"])), rel=1e-6
    )


# ---- the contract on fitted bodies ---------------------------------------------------------


@pytest.fixture(scope="module")
def chined():
    body = sim.floored()
    frames = sim.frames_at(missing=5)
    survey = sim.simulate(
        body, frames, sim.labels(40, edges=body.edges), np.random.default_rng(9), sigma=0.5
    )
    return body, fair(sim.make_job(frames), survey)


@pytest.mark.parametrize("cant", [0.0, 6.0])
def test_contract_with_corners(chined, cant):
    _, surface = chined
    section = lift(surface, canted(2500.0, cant) if cant else square(2500.0))
    check_contract(section)
    assert [corner.line for corner in section.corners] == ["C1S", "C1P"]
    for corner in section.corners:
        row = int(np.argmin(np.abs(section.girth - corner.girth)))
        assert section.girth[row] == pytest.approx(corner.girth, abs=1e-6)
        assert section.radius[row] == 0.0
        both = np.add(corner.normal_before, corner.normal_after)
        both = both / np.hypot(*both)
        assert (section.normal_bl[row], section.normal_height[row]) == pytest.approx(tuple(both))


def test_corners_turn_as_the_floor_does(chined):
    """Flat floor: its normal points straight down; the side's comes from the ellipse."""
    body, surface = chined
    section = lift(surface, square(2500.0))
    starboard, port = section.corners
    a, b = float(body.a(np.array(2500.0))), float(body.b(np.array(2500.0)))
    edge = body.edges[0]
    side = np.array([np.sin(edge) / a, np.cos(edge) / b])
    side /= np.hypot(*side)
    # half a millimetre of reading error over 80 mm between readings beside the corner,
    # and the harmonics' share: some degrees
    assert np.rad2deg(np.arccos(starboard.normal_before @ side)) < 5.0
    assert np.rad2deg(np.arccos(-starboard.normal_after[1])) < 5.0
    mirrored = np.array(port.normal_before) * [-1, 1]
    assert np.rad2deg(np.arccos(np.clip(mirrored @ starboard.normal_after, -1, 1))) < 2.0


def test_lines_cross_in_order_of_girth_on_their_own_side(chined):
    _, surface = chined
    section = lift(surface, square(2500.0))
    crossings = section.crossings
    assert (np.diff(crossings.girth) > 0).all()
    for name, bl in zip(crossings.line, crossings.bl, strict=True):
        if name[-1] in "PS":
            assert (bl > 0) == (name[-1] == "S"), name
    at = np.interp(crossings.girth, section.girth, section.bl)
    keep = crossings.girth < section.girth[-1]
    # linear between rows 10 mm apart: the sagitta
    assert crossings.bl[keep] == pytest.approx(at[keep], abs=0.05)


def test_section_covariance_has_the_sections_sd_on_its_diagonal(chined):
    _, surface = chined
    for plane in (square(2500.0), canted(2500.0, 6.0)):
        section = lift(surface, plane)
        some = np.arange(0, len(section.girth), 37)
        covariance = section_covariance(surface, section, some)
        assert np.sqrt(np.diag(covariance)) == pytest.approx(section.sd[some], rel=1e-6)
        assert np.linalg.eigvalsh(covariance).min() > -1e-9


def test_lift_is_the_same_every_time(chined):
    """Same input, same bytes."""
    _, surface = chined
    one, two = lift(surface, square(2500.0)), lift(surface, square(2500.0))
    for name, value in vars(one).items():
        if isinstance(value, np.ndarray):
            assert value.tobytes() == getattr(two, name).tobytes(), name


def test_simultaneous_factor_of_independent_points():
    """m independent points, many frames: the factor solves (2 Phi(c) - 1)^m = 0.95.

    2000 draws: the 95th percentile of such a maximum has a standard error of 0.03.
    """
    from scipy.stats import norm

    for count in (1, 10, 50):
        exact = norm.ppf((1 + 0.95 ** (1 / count)) / 2)
        assert simultaneous_factor(np.eye(count), 10**6) == pytest.approx(exact, abs=0.12)
    assert simultaneous_factor(np.eye(10), 5) > simultaneous_factor(np.eye(10), 50)


# ---- published hull ------------------------------------------------------------------------


def wigley() -> sim.Body:
    """y = (B/2)(1 - (2x/L)^2)(1 - (z/T)^2), mirrored in its waterplane, as radius by angle."""
    case = CASES["H1"]["inputs"]
    length, half, depth = 1000 * case["L"], 500 * case["B"], 1000 * case["T"]

    def radius(t):
        # in scaled coordinates |Y| = 1 - Z^2 with Y = r sin t, Z = r cos t
        s, c = np.abs(np.sin(t)), np.cos(t)
        return 2 / (s + np.sqrt(s * s + 4 * c * c))

    return sim.Body(
        a=lambda x: half * (1 - (2 * np.asarray(x, float) / length) ** 2),
        b=sim.constant(depth), r=radius,
    )  # fmt: skip


def simpson(values, length: float) -> float:
    weight = np.array([1, *([4, 2] * (len(values) // 2 - 1)), 4, 1], float)
    return length / (len(values) - 1) / 3 * float(weight @ values)


def test_simpsons_rule_on_a_printed_waterplane():
    """Ship Stability for Masters and Mates, chapter 10, page 74: 1206.67 (printed 1207)."""
    case = CASES["H2"]
    area = 2 * simpson(case["inputs"]["half_ordinates"], case["inputs"]["L"])
    assert area == pytest.approx(case["expected"]["area_m2"], abs=1e-4)


def test_wigley_hull_is_lifted_between_its_stations():
    """Offsets of the formula hull (Wigley 1934) at stations that were not surveyed.

    Crown and keel are edges and marked. The waterplane area coefficient by Simpson's rule
    over the lifted sections is 2/3, exact for a parabola.
    """
    body, length = wigley(), 1000 * CASES["H1"]["inputs"]["L"]
    half = 500 * CASES["H1"]["inputs"]["B"]
    stations = np.linspace(-0.36, 0.36, 13) * length
    frames = sim.frames_at(stations)
    angles = sim.labels(36) | {"CROWN": 0.0, "KEEL": np.pi}
    survey = sim.simulate(body, frames, angles, np.random.default_rng(1), noise=0.0)
    lines = tuple(replace(i, chine=i.kind in ("crown", "keel")) for i in survey.lines)
    surface = fair(sim.make_job(frames), replace(survey, lines=lines))
    at = np.linspace(-0.325, 0.325, 7) * length
    breadth = []
    for x in at:
        section = lift(surface, square(float(x)))
        error = sim.section_error(body, section)
        # 38 exact readings a frame, edges marked: what 16 harmonics leave of a parabola
        assert np.abs(error).max() < 0.5, x
        rows = section.side == "starboard"
        order = np.argsort(section.wl[rows])
        breadth.append(np.interp(0.0, section.wl[rows][order], section.bl[rows][order]))
    area = simpson(np.array(breadth), float(np.ptp(at)))
    u = 2 * at[-1] / length
    exact = half * 2 * at[-1] * (1 - u * u / 3)
    assert area == pytest.approx(exact, rel=5e-4)
    assert CASES["H1"]["expected"]["Cw"] == pytest.approx(1 - 1 / 3)  # the same at u = 1


# ---- the loft as a mesh --------------------------------------------------------------------


def test_surface_as_stl():
    """80-byte header, count, 50 bytes a facet, little-endian (Bourke's page); outward."""
    case = CASES["J3"]["expected"]
    assert case["bytes"] == 84 + 50 * case["count_at_80"]
    body = sim.elliptic_cone()
    first, last = 0.0, 2000.0
    data = surface_stl(sim.exact_surface(body, first, last))
    (count,) = struct.unpack("<I", data[80:84])
    assert len(data) == 84 + 50 * count
    assert not data.startswith(b"solid")
    kind = np.dtype([("normal", "<f4", 3), ("corner", "<f4", (3, 3)), ("spare", "<u2")])
    facets = np.frombuffer(data[84:], kind)
    assert (facets["spare"] == 0).all()
    corner = facets["corner"].astype(float)
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    size = np.linalg.norm(normal, axis=1)
    assert facets["normal"] == pytest.approx(normal / size[:, None], abs=1e-3)  # float32
    middle = corner.mean(1)
    assert (np.einsum("nk,nk->n", normal[:, 1:], middle[:, 1:]) > 0).all()
    # an open tube: flux of (0, bl, wl)/2 through its side is the volume (the ends add none)
    volume = np.einsum("nk,nk->n", normal[:, 1:], middle[:, 1:]).sum() / 4
    scale = 8000.0
    end = 1 - last / scale
    exact = np.pi * 500 * 700 * scale / 3 * (1 - end**3)
    around = count // 2 // (len(np.unique(corner[..., 0])) - 1)
    # that many chords round: 1 - (2 pi/n)^2/6 of the area
    assert volume == pytest.approx(exact * (1 - (2 * np.pi / around) ** 2 / 6), rel=1e-5)
    assert corner[..., 0].min() == first
    assert corner[..., 0].max() == last
