"""Where scanned skin goes with frames that have moved, the band knows it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import simulated as sim

from loft.fairing.carried import _Places, place_variance
from loft.fairing.surface import fair
from loft.job.records import CloudSet, Frame

MISSING = 5
SETTLED = 2.0  # mm
FRAMES = sim.frames_at(missing=MISSING)
STANDING = [frame for frame in FRAMES if frame.status != "missing"]
AT = np.array([frame.station for frame in STANDING])
X = Frame(name="X", station=FRAMES[MISSING].station)
CLOUD = CloudSet(file=Path("bay.ply"), sigma=0.3, face="skin_outer", unit="mm")


def scanned(rng, moved, *, settlement=(SETTLED, SETTLED, 0.0)):
    """Return job and survey of a barrel scanned at its frames and between, (n, 2) moved."""
    body, theta = sim.barrel(), np.linspace(-np.pi, np.pi, 60, endpoint=False)
    between = [("", x) for x in np.arange(AT[0] + 50.0, AT[-1], 160.0) if x not in AT]
    rows = []
    for name, station in [(frame.name, frame.station) for frame in STANDING] + between:
        place = body.points(np.full(60, station), theta)
        place[:, 1:] += [np.interp(station, AT, part) for part in moved.T]
        place[:, 1:] += rng.normal(0.0, 0.3, (60, 2))
        rows += [(name, "", *point) for point in place]
    survey = sim.make_survey(rows, sigma=0.3)
    job = replace(sim.make_job(FRAMES, settlement=settlement), clouds=(CLOUD,))
    return job, replace(survey, source=np.full(len(survey), "bay.ply"))


def test_slabs_of_a_bay_do_not_say_where_its_frames_stood():
    """Every frame has settled and the skin between them with both: the band is as wide as that.

    Of the error's square to its stated one 1 is right; were each slab a frame of its own it
    would be 5. Each body has one error across and one up: over 16 the mean is held to 0.4.
    """
    ratio = []
    for seed in range(16):
        rng = np.random.default_rng(seed)
        moved = rng.normal(0.0, SETTLED, (len(STANDING), 2))
        job, survey = scanned(rng, moved)
        section = fair(job, survey, lines=False).lift(X)
        ratio.append(np.mean((sim.section_error(sim.barrel(), section) / section.sd) ** 2))
    assert 0.5 < np.mean(ratio) < 1.5, np.mean(ratio)


def test_the_place_is_off_by_what_the_frames_movements_say():
    """The section is off the true place by the frames' movements, each by its say.

    To a fifth: the reference's line gives frames that stand far off less say.
    """
    told, off = [], []
    for seed in range(4):
        rng = np.random.default_rng(seed)
        moved = rng.normal(0.0, SETTLED, (len(STANDING), 2))
        surface = fair(*scanned(rng, moved), lines=False)
        section = surface.lift(X)
        error = sim.section_error(sim.barrel(), section)
        normal = np.stack([np.ones(len(error)), section.normal_bl, section.normal_height], 1)
        off.append(np.linalg.lstsq(normal, error)[0][2])
        up = _Places(surface, 1)
        told.append(up.hung(X.station) @ up.carried @ moved[:, 1])
    assert np.allclose(off, told, rtol=0.2, atol=0.05), (off, told)
    assert np.ptp(off) > 1.0


def test_weights_carry_what_is_straight_unchanged():
    """A body that is moved or pitched as a whole is followed as a whole."""
    still = np.zeros((len(STANDING), 2))
    surface = fair(*scanned(np.random.default_rng(1), still), lines=False)
    up = _Places(surface, 1)
    hung = up.hung(X.station)
    assert np.isclose(hung.sum(), 1.0, atol=1e-6)
    assert np.isclose(hung @ up.station, X.station, atol=1e-2)


def test_nothing_is_lacking_where_nothing_moves():
    """No scan between frames, or frames that are held still: the band stays the fit's own."""
    rng, still = np.random.default_rng(1), np.zeros((len(STANDING), 2))
    job, survey = scanned(rng, still)
    by_hand = replace(survey, source=np.full(len(survey), "tape.csv"))
    for surface in (
        fair(job, by_hand, lines=False),
        fair(*scanned(rng, still, settlement=(0.0, 0.0, 0.0)), lines=False),
    ):
        assert not place_variance(surface, X.station).any()
    assert place_variance(fair(job, survey, lines=False), X.station)[1] < 0.1
