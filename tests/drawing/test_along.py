"""Arcs along the fuselage: closed forms, gradients, who predicts better, and refusals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from loft.drawing.along import (
    Astray,
    Ring,
    carry,
    close_free,
    errors,
    free_figures,
    free_gradient,
    rings_of,
    roughness,
)
from loft.drawing.chain import gap, strike, walk
from loft.drawing.closure import figures
from loft.drawing.trial import along_fuselage
from loft.fairing.surface import fair
from loft.job.records import Break, Fair, Frame, Job, Survey

STATIONS = np.array(
    [0, 460, 1000, 1430, 1950, 2400, 2930, 3400, 3900, 4350, 4800, 5330, 5800], float
)
HIDDEN = 5
TURNS = 0.7, np.pi / 2, 2.4
FOUR = (False,) * 4


def body(station: float):
    """A body struck with four arcs a side whose radii run straight along the stations."""
    u = station / 4350.0 - 0.2
    return strike(900.0 - 60.0 * u, [380.0 - 90 * u, 900.0 - 200 * u, 780.0 - 120 * u], TURNS)


def ellipse(station: float, count: int, start: float = 0.0) -> np.ndarray:
    share = np.sqrt(1.0 - ((station - 2900.0) / 5000.0) ** 2)
    angle = start + 2 * np.pi * np.arange(count) / count
    return np.stack([600.0 * share * np.sin(angle), 800.0 * share * np.cos(angle)], -1)


def outline(station: float, count: int) -> np.ndarray:
    """Points of both halves, evenly round the girth, (bl, wl)."""
    chain = body(station)
    whole = float(chain.length.sum())
    girth = 2 * whole * np.arange(count) / count
    points = walk(chain, np.minimum(girth, 2 * whole - girth))[0]
    return points * np.stack([np.where(girth > whole, -1.0, 1.0), np.ones(count)], -1)


def ring(station: float, points: np.ndarray, sigma: float, movement=(0.0, 0.0, 0.0)) -> Ring:
    return Ring(
        frame=f"F{station:.0f}",
        station=station,
        point=points,
        variance=np.full(len(points), sigma**2),
        movement=np.array(movement),
        centre=np.array([0.0, 100.0]),
    )


def free(station: float) -> np.ndarray:
    return figures(body(station))[free_figures(FOUR)]


def off(run, station: float) -> np.ndarray:
    """Distance of the true outline from the run's section."""
    return errors(run.chain(station)[0], outline(station, 400), FOUR)[0]


def surveyed(section, rng, *, count=40, sigma=1.0, settle=2.0) -> tuple[Job, Survey]:
    """Frames at STATIONS but the hidden one, each settled; `section` gives their points."""
    rows = []
    for k, station in enumerate(STATIONS):
        if k != HIDDEN:
            points = section(station, count) + rng.normal(0.0, sigma, (count, 2))
            rows.append(points + rng.normal(0.0, settle, 2))
    kept = np.delete(STATIONS, HIDDEN)
    frames = tuple(Frame(name=f"F{k}", station=float(x)) for k, x in enumerate(kept))
    n = count * len(kept)
    both = np.concatenate(rows)
    job = Job(
        path=None, title="", unit="mm", missing=(), frames=frames,
        fair=Fair(settlement=(3.0, 3.0, np.deg2rad(0.2))),
    )  # fmt: skip
    survey = Survey(
        frame=np.repeat([frame.name for frame in frames], count), line=np.full(n, ""),
        station=np.repeat(kept, count), bl=both[:, 0], wl=both[:, 1], sigma=np.full(n, sigma),
        covariance=np.full((n, 1, 1), sigma**2) * np.eye(3), depth=np.zeros(n),
        face=np.full(n, "skin_outer"), source=np.full(n, "made"), row=np.arange(n),
        pass_no=np.ones(n, int), use=np.ones(n, bool), reason=np.full(n, "", dtype="<U64"),
    )  # fmt: skip
    return job, survey


def lifted(job: Job, survey: Survey, **frame):
    surface = fair(job, survey, lines=bool(frame))  # a canted plane is cut by lines
    missing = Frame(name="MISSING", station=float(STATIONS[HIDDEN]), status="missing", **frame)
    before = surface.lift(missing)
    found, spreads, finding = along_fuselage(surface, [before], lambda text: None)
    return before, found["MISSING"], spreads, finding


def test_free_figures_close_and_their_gradient_is_the_difference_quotient():
    start = free(1000.0)
    chain = close_free(start, FOUR)
    assert np.abs(gap(chain)).max() < 1e-9
    by = free_gradient(chain, FOUR)
    for j, size in enumerate([1.0, 1e-6, 1e-6, 1e-6, 1.0, 1.0, 1.0]):
        step = np.eye(len(start))[j] * 1e-3 * size
        ahead, back = (figures(close_free(start + way * step, FOUR)) for way in (1, -1))
        slope = (ahead - back) / (2e-3 * size)
        # central differences: relative error about 1e-7, the figures' own scale beside it
        np.testing.assert_allclose(by[:, j], slope, rtol=1e-5, atol=1e-5 * np.abs(slope).max())


@pytest.mark.parametrize("degree", [1, 3])
def test_polynomials_cost_nothing_and_a_cubic_costs_its_bend(degree):
    """Closed form: the natural spline through three points 0, 1, 0 has roughness 6."""
    matrix = roughness(STATIONS, degree)
    u = STATIONS / 1000.0
    assert abs(u @ matrix @ u) < 1e-9
    assert (abs(u**3 @ matrix @ u**3) < 1e-6) == (degree == 3)


def test_without_noise_a_body_of_arcs_is_found_again_where_nothing_was_read():
    """Radii straight in station: curvatures bend a little, hence hundredths, not rounding."""
    rings = tuple(ring(x, outline(x, 30), 0.01) for k, x in enumerate(STATIONS) if k != HIDDEN)
    start = np.array([free(2000.0)] * len(STATIONS))
    run = carry(rings, STATIONS, start, FOUR, degree=3)
    assert np.abs(off(run, STATIONS[HIDDEN])).max() < 0.02
    assert max(np.abs(off(run, x)).max() for x in np.delete(STATIONS, HIDDEN)) < 0.02


def test_leaving_a_ring_out_by_the_shortcut_is_leaving_it_out():
    """Errors by (1 - H)^-1 against a fit without the ring's readings."""
    rng = np.random.default_rng(5)
    rings = tuple(
        ring(x, outline(x, 40) + rng.normal(0, 0.5, (40, 2)), 0.5, (4.0, 4.0, 1e-6))
        for x in STATIONS
    )
    start = np.array([free(x) for x in STATIONS])
    whole = carry(rings, STATIONS, start, FOUR, degree=3)
    k = 5
    other = carry(rings[:k] + rings[k + 1 :], STATIONS, start, FOUR, degree=3)
    error, normal, _ = errors(other.chain(STATIONS[k])[0], rings[k].point, FOUR)
    true = rings[k].whitener(normal).T @ error
    # the shortcut holds the learned stiffness, the refit learns it anew: a few per cent
    assert abs(whole.left_out[k] @ whole.left_out[k] / (true @ true) - 1) < 0.15


def test_the_covariance_holds_the_true_line_as_often_as_it_says():
    """Errors over their sd, 30 surveys of frames that settled: 95 % within 1.96."""
    rng = np.random.default_rng(9)
    inside = []
    for _ in range(30):
        rings = []
        for k, x in enumerate(STATIONS):
            if k != HIDDEN:
                points = outline(x, 30) + rng.normal(0, 1.0, (30, 2)) + rng.normal(0, 2.0, 2)
                rings.append(ring(x, points, 1.0, (4.0, 4.0, 1e-8)))
        start = np.array([free(x) for x in STATIONS])
        run = carry(tuple(rings), STATIONS, start, FOUR, degree=3)
        chain, covariance = run.chain(STATIONS[HIDDEN])
        error, _, by = errors(chain, outline(STATIONS[HIDDEN], 60), FOUR)
        inside.append(np.abs(error) < 1.96 * np.sqrt(np.einsum("mp,pq,mq->m", by, covariance, by)))
    # 30 sections of about four independent errors each: 0.95 within 2.5 standard errors
    assert np.mean(inside) > 0.90


def test_a_body_of_arcs_is_lifted_better_with_its_arcs_and_says_so():
    rng = np.random.default_rng(2)
    before, after = [], []
    used = 0
    for _ in range(4):
        job, survey = surveyed(outline, rng, count=16, settle=0.5)
        old, new, spreads, finding = lifted(job, survey)
        used += bool(spreads)
        chain = body(STATIONS[HIDDEN])
        if not spreads:  # a run that nothing holds at the hidden frame is not believed
            assert new is old
        else:
            for section, into in ((old, before), (new, after)):
                into.append(errors(chain, np.stack([section.bl, section.wl], -1), FOUR)[0])
            assert new.source == "surface and arcs along the fuselage"
            assert "4 elements a side" in finding.text
            assert "are used" in finding.text
    assert used >= 3
    rms = [np.sqrt(np.mean(np.concatenate(part) ** 2)) for part in (before, after)]
    assert rms[1] < 0.75 * rms[0]


def test_a_frame_that_stands_off_its_station_is_brought_to_it():
    """Its station said 40 mm too far aft: readings are carried to where it was said to be."""
    job, survey = surveyed(outline, np.random.default_rng(6), sigma=0.1, settle=0.0)
    wrong = [replace(f, station=f.station + 40.0, station_sigma=30.0) for f in job.frames[6:7]]
    frames = (*job.frames[:6], *wrong, *job.frames[7:])
    mine = survey.frame == wrong[0].name
    job = replace(job, frames=frames, fair=Fair(settlement=(0.0, 0.0, 0.0)))
    survey = replace(survey, station=survey.station + 40.0 * mine)
    surface = fair(job, survey, lines=False)
    found = next(ring for ring in rings_of(surface) if ring.frame == wrong[0].name)
    chain = body(found.station)
    raw = errors(chain, np.stack([survey.bl, survey.wl], -1)[mine], FOUR)[0]
    carried = errors(chain, found.point, FOUR)[0]
    assert np.sqrt(np.mean(raw**2)) > 0.8  # what 40 mm of taper come to
    assert np.sqrt(np.mean(carried**2)) < 0.3


def test_an_ellipsoid_is_left_to_the_surface():
    rng = np.random.default_rng(3)
    for _ in range(3):
        job, survey = surveyed(ellipse, rng)
        old, new, spreads, finding = lifted(job, survey)
        assert not spreads
        assert new is old
        assert "not" in finding.text


def test_canted_frames_and_breaks_are_told_not_tried():
    job, survey = surveyed(outline, np.random.default_rng(4))
    *_, spreads, finding = lifted(job, survey, cant=0.05, pivot_wl=0.0)
    assert not spreads
    assert "canted" in finding.text
    job = replace(job, breaks=(Break(station=1200.0, reason="taper"),))
    *_, finding = lifted(job, survey)
    assert "breaks" in finding.text


def test_arcs_that_cannot_close_go_astray():
    rings = tuple(ring(x, outline(x, 30), 1.0) for x in STATIONS)
    hollow = np.array([free(2000.0)] * len(STATIONS)) * np.array([1, -9, 1, 1, 1, 1, 1])
    with pytest.raises(Astray, match="does not close"):
        carry(rings, STATIONS, hollow, FOUR, degree=3)
