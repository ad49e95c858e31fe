"""Neighbouring cells of a scan share an error: they are thinned to what they are worth."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import simulated as sim
from test_readings import joined

from loft.fairing.evidence import deviation
from loft.fairing.plan import plan
from loft.fairing.surface import fair
from loft.fairing.thinning import MOST, scanned, stand_for_one
from loft.job.records import CloudSet, Frame

CLOUD = CloudSet(file=Path("bay.ply"), sigma=0.3, face="skin_outer", unit="mm")
SLABS = (2100.0, 2300.0, 2700.0, 2850.0)
CELLS = 200


@pytest.mark.parametrize("likeness", [0.0, 0.5, 0.7])
def test_likeness_of_neighbours_is_counted_as_a_series_of_first_order_has_it(likeness):
    """(1 + r) / (1 - r): variance of the mean of a first-order series over that of a white one.

    Textbooks of time series, from memory. r = .5: 3; r = .7: 5.7. A third: what is faint is
    left out, and blunders cut off are a little noise.
    """
    rng, count = np.random.default_rng(31), 6000
    error = np.zeros(count)
    for k, step in enumerate(rng.normal(0.0, 1.0, count)):
        error[k] = likeness * error[k - 1] + step
    error[::50] += 40.0  # blunders hide nothing
    runs = [np.arange(k, k + 300) for k in range(0, count, 300)]
    assert stand_for_one(error, runs) == pytest.approx((1 + likeness) / (1 - likeness), rel=0.34)


def test_what_is_alike_throughout_is_held_to_a_most():
    run = np.arange(400)
    assert stand_for_one(np.sin(run / 60.0), [run]) == MOST
    assert stand_for_one(np.zeros(400), [run]) == 1
    assert stand_for_one(np.zeros(0), []) == 1


def quilted(rng, *, waves: float):
    """A tape of 28 readings a frame, and four slabs of a scan whose skin is quilted."""
    body, frames = sim.barrel(), sim.frames_at(missing=5)
    by_hand = sim.simulate(body, frames, sim.labels(28), rng, sigma=1.5, noise=1.5)
    theta = np.linspace(-np.pi, np.pi, CELLS, endpoint=False)
    rows = []
    for station in SLABS:
        place = body.points(np.full(CELLS, station), theta)
        wave = np.convolve(rng.normal(0.0, 1.0, CELLS + 8), np.ones(8) / np.sqrt(8), "same")[4:-4]
        out = waves * wave + rng.normal(0.0, 0.15, CELLS)
        place += out[:, None] * body.normals(np.full(CELLS, station), theta)
        place[:, 1:] += rng.normal(0.0, 0.7, 2)  # as the metal moved there
        rows += [("", "", *point) for point in place]
    scan = replace(sim.make_survey(rows, sigma=0.15), source=np.full(len(rows), "bay.ply"))
    job = replace(sim.make_job(frames), clouds=(CLOUD,))
    return body, job, joined(by_hand, scan)


def test_tape_beside_a_quilted_scan_keeps_its_own_worth():
    """Five surveys: the noise is as stated, hardly a sound tape reading is doubted, and the
    section lies in its band about as often as it should (.95, a twentieth by chance)."""
    noise, doubted, inside = [], [], []
    for seed in range(5):
        body, job, survey = quilted(np.random.default_rng(900 + seed), waves=0.4)
        surface = fair(job, survey, lines=False)
        by_hand = survey.source == "tape.csv"
        noise.append(surface.fit.variances.noise)
        doubted.append(np.mean(deviation(surface).used[by_hand] != "yes"))
        section = surface.lift(Frame(name="F6", station=2500.0))
        inside.append(np.mean(np.abs(sim.section_error(body, section)) <= section.band95))
    assert 0.8 < np.mean(noise) < 1.5
    assert np.mean(doubted) < 0.02
    assert np.mean(inside) > 0.85


def test_a_scan_whose_cells_share_nothing_enters_whole():
    _, job, survey = quilted(np.random.default_rng(7), waves=0.0)
    surface = fair(job, survey, lines=False)
    own = surface.fit.batch.own
    assert np.isin(np.flatnonzero(survey.source == "bay.ply"), own).all()


def test_labelled_edges_and_tapes_are_never_thinned():
    _, job, survey = quilted(np.random.default_rng(8), waves=0.4)
    named = survey.line.copy()
    edges = np.flatnonzero(survey.source == "bay.ply")[::10]
    named[edges] = "S4P"
    survey = replace(survey, line=named)
    runs = np.concatenate(scanned(job, survey, survey.use))
    assert not np.isin(edges, runs).any()
    assert (survey.source[runs] == "bay.ply").all()
    own = fair(job, survey, lines=False).fit.batch.own
    assert np.isin(edges, own).all()
    assert np.isin(np.flatnonzero(survey.source == "tape.csv"), own).all()
    assert not np.isin(runs, own).all()
    assert scanned(replace(job, clouds=()), survey, survey.use) == []


def test_a_plan_promises_no_more_than_what_the_scan_s_place_leaves():
    """Twenty readings do not tell what the scan's registration moved as a whole."""
    _, job, survey = quilted(np.random.default_rng(9), waves=0.0)
    survey = replace(survey, shared=np.where(survey.source == "bay.ply", 0.7, 0.0))
    surface = fair(job, survey)
    frame = Frame(name="F6", station=2500.0)
    across, up = surface.common(2500.0)
    assert min(across, up) > 0.01
    told = plan(surface, frame, count=20)
    least = 1.959964 * np.sqrt(min(across, up))
    assert told[-1].band_at.min() >= least
    assert told[0].band_before > told[-1].band_after > least
