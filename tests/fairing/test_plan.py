"""The plan of further readings: against refits with the readings really taken."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import plan_bodies as bodies
import pytest

from loft.demo import demo_surface
from loft.fairing.candidates import candidate_readings
from loft.fairing.equations import Equations, reduce
from loft.fairing.knots import (
    band_of,
    joint_covariance,
    posterior_with,
    reading_blocks,
    target_of,
)
from loft.fairing.plan import PLAN, lost, plan, plan_text
from loft.fairing.prospect import Candidate, present, prospect
from loft.fairing.smoother import make_run, prior_links, solve
from loft.job.errors import LoftError
from loft.job.records import Damage

# a patch of starboard skin that nobody reached on the frames round the missing one
PATCH = tuple(f"F{k}:S{j}S" for k in (4, 5, 7, 8) for j in (3, 4, 5, 6))


# ---- the posterior, carried to where readings might be taken ------------------------------


def dense(links, data):
    """The whole precision matrix of a run, knot by knot."""
    m, _, b = links.own.shape
    out = np.zeros((m * 2 * b, m * 2 * b))
    at = np.arange(b)
    for i in range(m):
        v, s = i * 2 * b + at, i * 2 * b + b + at
        out[v, v], out[s, s] = links.own[i, 0], links.own[i, 2]
        out[v, s] = out[s, v] = links.own[i, 1]
        here = slice(i * 2 * b, (i + 1) * 2 * b)
        out[here, here] += data[i]
        if i + 1 < m:
            nv, ns = v + 2 * b, s + 2 * b
            for (r, c), value in zip([(v, nv), (v, ns), (s, nv), (s, ns)], links.onward[i],
                                     strict=True):  # fmt: skip
                out[r, c] = out[c, r] = value
    return out


def test_covariance_of_any_knots_is_that_of_the_dense_inverse():
    """Products of backward gains against plain inversion of the whole system, a break too."""
    rng = np.random.default_rng(1)
    run = make_run(np.array([0.0, 400.0, 950.0, 1500.0, 1900.0]), [1200.0])
    links = prior_links(run, np.array([0.5, 3.0]))
    links.own[:] += 0.01
    half = rng.normal(size=(len(run), 4, 3))
    data = half @ half.transpose(0, 2, 1)
    posterior = solve(links, data, np.zeros((len(run), 4)))
    knot = np.array([5, 0, 2, 2, 6, 1])
    design = rng.normal(size=(6, 4))
    wide = np.zeros((6, len(run) * 4))
    for k, i in enumerate(knot):
        wide[k, 4 * i : 4 * i + 4] = design[k]
    want = wide @ np.linalg.solve(dense(links, data), wide.T)
    assert np.allclose(joint_covariance(posterior, knot, design), want, rtol=1e-6, atol=1e-10)


@pytest.mark.parametrize("station", [5432.1, 6160.0, 9100.0])
def test_a_knot_laid_in_changes_nothing(station):
    """Means, spreads and bands stay what they were, inside the run and past its end."""
    surface = demo_surface()
    run, posterior = posterior_with(surface, np.array([station]))
    there = np.isin(run.station, surface.fit.run.station)
    assert np.allclose(posterior.covariance[there], surface.fit.posterior.covariance, atol=1e-6)
    state, covariance = surface.spread(station)
    here = int(np.argmin(np.abs(run.station - station)))
    assert np.allclose(posterior.covariance[here], covariance, rtol=1e-5, atol=1e-6)
    assert np.allclose(posterior.states[here], state, atol=1e-8)


@pytest.mark.parametrize(("edge", "lines"), [(0.0, 24), (0.05, 14)], ids=["smooth", "sparse"])
def test_what_the_readings_tell_is_what_the_posterior_holds_beyond_the_prior(edge, lines):
    """Taken out of the posterior, and formed anew from the readings' own equations."""
    surface = bodies.settled_fit(bodies.simulate(1, robust=False, edge=edge, lines=lines))
    out, formed = reading_blocks(surface), present(surface).told.blocks
    size = formed.shape[1]
    # the last step of the fit moved the surface a little after its equations were formed
    assert np.abs(out[:, :size, :size] - formed).max() < 1e-4 * np.abs(formed).max()
    assert np.abs(out[:, size:]).max(initial=0.0) < 1e-4 * np.abs(formed).max()


@pytest.mark.parametrize("name", ["F14", "F18"])
def test_the_band_as_it_stands_is_that_of_the_lifted_section(name):
    """F18 is canted: its section reaches over 50 mm along the body."""
    surface = demo_surface()
    few = {line: surface.lines[line] for line in ("CROWN", "KEEL")}  # quicker
    surface = replace(surface, lines=few)
    frame = surface.job.frame(name)
    target = target_of(surface, frame)
    run, posterior = posterior_with(surface, np.array([target.station]))
    found = band_of(surface, target, run, posterior)
    assert np.allclose(found, surface.lift(frame).band95, atol=1e-6)


def test_the_frames_movement_given_the_shape_is_the_fits_own():
    """Its variance rebuilt from the parts is that which the fit states."""
    surface = demo_surface()
    fit, now = surface.fit, present(surface)
    used = now.told.shared.shape[1]
    carried = now.told.shared @ now.told.inverse
    spread = fit.posterior.covariance[fit.batch.knot][:, :used, :used]
    doubt = now.told.inverse + carried.transpose(0, 2, 1) @ spread @ carried
    found = np.sqrt(np.einsum("gjj->gj", doubt))
    rows = fit.batch.settles
    # the frames' own weights follow the last movement but one: they still shift a little
    assert np.allclose(found[rows][:, :3], fit.moved_sd[rows][:, :3], rtol=0.03)


# ---- what a reading would do, against the reading done --------------------------------


def measured(body, surface, chosen, seed=0):
    rng = np.random.default_rng(seed)
    after = bodies.refit(surface, bodies.with_readings(body, chosen, body.reader(rng)))
    return bodies.band(surface, body.missing()) - bodies.band(after, body.missing())


def predicted(surface, frame, chosen):
    view = prospect(surface, frame, chosen)
    return view.band().mean() - view.band(range(len(chosen))).mean()


def pick(candidates, **wanted):
    return next(c for c in candidates if all(getattr(c, k) == v for k, v in wanted.items()))


def taken_in(body, surface, chosen):
    """Narrowing by the long way: the readings' equations added, every row reduced anew.

    The readings say what the surface has, so that nothing is linearised anew.
    """
    fit, old = surface.fit, present(surface)
    survey = bodies.with_readings(body, chosen, lambda c: surface.points(c.station, c.theta)[1:])
    batch, run, chines = bodies.batch_of(surface, survey)
    assert len(run) == len(fit.run)
    state = Equations(batch, fit.reference, fit.modes, fit.run, chines)
    state.states = fit.posterior.states
    state.linearise()
    precision = state.held / (state.steep * state.reach * fit.variances.noise) ** 2
    told = reduce(state, precision, old.loose, np.zeros((*state.right.shape, 1)))
    blocks = reading_blocks(surface)
    size = told.blocks.shape[1]
    blocks[:, :size, :size] += told.blocks - old.told.blocks
    target = target_of(surface, body.missing())
    longer, posterior = posterior_with(surface, np.array([target.station]), blocks)
    after = band_of(surface, target, longer, posterior)
    return bodies.band(surface, body.missing()) - after.mean()


@pytest.mark.parametrize(
    ("edge", "lines"), [(0.0, 24), (0.05, 30), (0.05, 14)], ids=["smooth", "chined", "sparse"]
)
def test_the_short_update_is_the_long_elimination(edge, lines):
    """Frames' movements, chines' second equations and places between frames, to rounding."""
    body = bodies.simulate(2, robust=False, edge=edge, lines=lines, bay=(2500.0,))
    surface = bodies.settled_fit(body)
    found = candidate_readings(surface, body.missing())
    sets = [[pick(found, frame="F5", line="S2S")], [pick(found, frame="", station=2500.0)]]
    sets.append([c for c in found if c.frame in ("F5", "F7", "F11") and c.line])
    if edge:
        sets.append([pick(found, frame="F5", line="C1S"), pick(found, frame="F5", line="C1P")])
    for chosen in sets:
        want = taken_in(body, surface, chosen)
        assert want > 1e-4
        assert predicted(surface, body.missing(), chosen) == pytest.approx(want, rel=2e-4)


def test_single_readings_do_what_is_predicted():
    """Read off the true body, not off the surface: what is left is the linearisation."""
    body = bodies.simulate(3, robust=False, unread=PATCH, bay=(2500.0,))
    surface = bodies.settled_fit(body)
    found = candidate_readings(surface, body.missing())
    for wanted in (
        {"frame": "F5", "line": "S2S"},  # read before
        {"frame": "F7", "line": "S4S"},  # never read
        {"frame": "", "station": 2500.0, "line": "S3P"},  # between frames
    ):
        chosen = [pick(found, **wanted)]
        done = measured(body, surface, chosen)
        assert predicted(surface, body.missing(), chosen) == pytest.approx(done, rel=0.1), wanted


def test_a_reading_on_a_chine_tells_where_the_chine_runs_too():
    """Its second equation counts: without the mark the same places narrow the band less."""
    body = bodies.simulate(2, robust=False, edge=0.05, lines=30)
    surface = bodies.settled_fit(body)
    found = candidate_readings(surface, body.missing())
    near = ("F4", "F5", "F7", "F8")
    on = [replace(c, sigma=0.5) for c in found if c.line[:1] == "C" and c.frame in near]
    on = [c for c in on if c.line != "CROWN"]
    off = [replace(c, line="") for c in on]
    done = measured(body, surface, on)
    assert predicted(surface, body.missing(), on) == pytest.approx(done, rel=0.15)
    assert predicted(surface, body.missing(), off) < 0.9 * done


def test_a_frame_of_which_nothing_was_read_brings_its_whole_movement():
    """Readings on it narrow the band as a refit has it: knot, movement and all."""
    body = bodies.simulate(4, robust=False)
    mine = body.survey.frame == "F7"
    body = replace(body, survey=replace(body.survey, use=~mine))
    surface = bodies.settled_fit(body)
    found = candidate_readings(surface, body.missing())
    chosen = [c for c in found if c.frame == "F7" and c.line]
    assert len(chosen) >= 20
    done = measured(body, surface, chosen)
    # the fit counts the sizes of its modes once more on a knot that is new: a little beyond
    assert 0.85 * done < predicted(surface, body.missing(), chosen) < 1.02 * done


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_the_ten_best_do_what_is_predicted_and_beat_ten_others(seed):
    """Robust weights and all; measured, not predicted, against even and random readings."""
    body = bodies.simulate(seed, lines=24, unread=PATCH)
    surface = bodies.settled_fit(body)
    frame = body.missing()
    found = candidate_readings(surface, frame)
    best = [one.reading for one in plan(surface, frame, candidates=found)]
    rng = np.random.default_rng(seed)
    even = [found[int(k)] for k in np.linspace(0, len(found) - 1, 10)]
    some = [found[int(k)] for k in rng.choice(len(found), 10, replace=False)]
    done = measured(body, surface, best)
    assert predicted(surface, frame, best) == pytest.approx(done, rel=0.15)
    assert done > measured(body, surface, even) + 0.05
    assert done > measured(body, surface, some) + 0.05


def test_the_readings_bring_the_section_nearer_to_the_true_body():
    """Not the band alone: the error of the lifted line itself, over eight surveys."""
    square = {"before": 0.0, "best": 0.0, "some": 0.0}
    for seed in range(8):
        body = bodies.simulate(seed, lines=24, unread=PATCH)
        surface = bodies.settled_fit(body)
        rng = np.random.default_rng(seed)
        found = candidate_readings(surface, body.missing(), sigma=0.5)
        best = [one.reading for one in plan(surface, body.missing(), candidates=found)]
        some = [found[int(k)] for k in rng.choice(len(found), 10, replace=False)]
        square["before"] += bodies.miss(body, surface)
        for name, chosen in (("best", best), ("some", some)):
            survey = bodies.with_readings(body, chosen, body.reader(rng))
            square[name] += bodies.miss(body, bodies.refit(surface, survey))
    # the plan claims about a seventh of the variance; with 16 squares of correlated errors
    # half is well outside chance, and random readings leave most of it
    assert square["best"] < 0.5 * square["before"]
    assert square["best"] < 0.5 * square["some"]


def test_choosing_one_after_another_is_nearly_as_good_as_the_best_set():
    """Every set of three of the twelve best, against the three that the plan ranks first."""
    surface = demo_surface()
    frame = surface.job.frame("F14")
    pool = [one.reading for one in plan(surface, frame, count=12)]
    view = prospect(surface, frame, pool)
    now = view.band().mean()
    for size in (1, 2, 3):
        gain = {
            chosen: now - view.band(chosen).mean()
            for chosen in itertools.combinations(range(len(pool)), size)
        }
        greedy = tuple(sorted(k for k, _ in view.ranked(size)))
        assert gain[greedy] >= 0.97 * max(gain.values())


def test_updates_one_by_one_and_all_at_once_agree():
    surface = demo_surface()
    frame = surface.job.frame("F14")
    found = candidate_readings(surface, frame)
    view = prospect(surface, frame, found)
    steps = view.ranked(6)
    assert np.allclose(steps[-1][1], view.band([k for k, _ in steps]), atol=1e-8)


def test_no_number_of_readings_on_one_frame_takes_out_its_movement():
    """Errorless readings all round one frame leave what its movement leaves, and no less."""
    body = bodies.simulate(5, robust=False)
    surface = bodies.settled_fit(body)
    found = [c for c in candidate_readings(surface, body.missing()) if c.frame == "F5"]
    sharp = [replace(c, sigma=0.01) for c in found]
    free = [replace(c, frame="", station=c.station) for c in sharp]
    gain = predicted(surface, body.missing(), sharp)
    assert 0 < gain < 0.9 * predicted(surface, body.missing(), free)


# ---- a frame lost ----------------------------------------------------------------------


@pytest.mark.parametrize("name", ["F5", "F2", "F12"])
@pytest.mark.parametrize(("edge", "lines"), [(0.0, 20), (0.05, 14)], ids=["smooth", "sparse"])
def test_the_loss_of_a_frame_is_that_of_a_refit_without_it(name, edge, lines):
    body = bodies.simulate(6, robust=False, edge=edge, lines=lines)
    surface = bodies.settled_fit(body)
    without = replace(body.survey, use=body.survey.frame != name)
    after = bodies.band(bodies.refit(surface, without), body.missing())
    found = lost(surface, name)
    assert found.band_before == pytest.approx(bodies.band(surface, body.missing()), rel=1e-6)
    # what is left is the linearisation about a surface that the frame helped to draw
    assert found.band_after == pytest.approx(after, rel=0.002)
    assert found.band_after > 1.003 * found.band_before


def test_the_loss_of_a_neighbour_is_the_worst_loss():
    surface = demo_surface()
    loss = {name: lost(surface, name).band_after for name in ("F9", "F11", "F13", "F15", "F19")}
    assert max(loss, key=loss.__getitem__) in ("F13", "F15")
    assert loss["F13"] > loss["F11"] > loss["F9"]


def test_a_frame_that_cannot_be_lost_is_refused():
    surface = demo_surface()
    with pytest.raises(LoftError, match="frame F14 has no readings to lose"):
        lost(surface, "F14")
    nothing = replace(surface, job=replace(surface.job, missing=()))
    with pytest.raises(LoftError, match="names no missing frame"):
        lost(nothing, "F13")


# ---- what can be read ------------------------------------------------------------------


def test_damage_and_torn_skin_are_not_asked_for():
    surface = demo_surface()
    found = candidate_readings(surface, surface.job.frame("F14"))
    places = {(c.frame, c.line) for c in found}
    assert {("F13", "S5S"), ("F15", "S7S"), ("", "S1S"), ("", "CROWN")} <= places
    assert not {("F13", "S6S"), ("F13", "S7S"), ("F10", "S4P")} & places  # damage
    assert not {("", "S6S"), ("", "S12S")} & places  # torn out; never read in the bay
    assert "F14" not in {c.frame for c in found}
    by_girth = replace(surface.job, damages=(Damage(reason="dent", girth=(-200.0, 200.0)),))
    left = candidate_readings(replace(surface, job=by_girth), surface.job.frame("F14"))
    assert {c.line for c in left}.isdisjoint({"CROWN"})
    assert ("F13", "S7S") in {(c.frame, c.line) for c in left}


def test_faces_sigmas_and_repeats_follow_the_survey():
    surface = demo_surface()
    found = candidate_readings(surface, surface.job.frame("F14"))
    flange, bay = pick(found, frame="F13", line="S5S"), pick(found, frame="", line="S1S")
    assert (flange.face, flange.sigma, flange.again) == ("frame_flange", 1.5, True)
    assert (bay.face, bay.sigma, bay.again) == ("stringer_inner", 2.0, True)
    assert flange.station == pytest.approx(5670.0)  # the flange is touched 10 mm forward
    better = candidate_readings(surface, surface.job.frame("F14"), sigma=0.4)
    assert {c.sigma for c in better} == {0.4}


def test_where_there_is_no_line_places_are_asked_for_by_girth():
    body = bodies.simulate(1, lines=24)
    unnamed = replace(body.survey, line=np.full(len(body.survey), "", dtype="<U4"), lines=())
    surface = bodies.settled_fit(replace(body, survey=unnamed))
    found = [c for c in candidate_readings(surface, body.missing()) if c.frame == "F5"]
    length = surface.lift(body.job.frame("F5")).length
    girth = np.sort([c.girth for c in found])
    assert {c.line for c in found} == {"", "CROWN", "KEEL"}
    assert np.diff(np.r_[girth, girth[0] + length]).max() < 115.0
    point = surface.points(np.full(len(found), 1960.0), np.array([c.theta for c in found]))
    apart = np.hypot(*np.diff(point[:, 1:], axis=0).T)
    assert np.allclose(apart, np.diff([c.girth for c in found]), rtol=0.02)  # chord and arc


def test_better_tapes_narrow_the_band_more():
    surface = demo_surface()
    frame = surface.job.frame("F14")
    rough, sharp = (plan(surface, frame, sigma=s)[-1].band_after for s in (3.0, 0.5))
    assert sharp < rough - 0.05


def test_plans_that_cannot_be_made_are_refused():
    surface = demo_surface()
    frame = surface.job.frame("F14")
    for wrong, words in (
        ({"count": 0}, "0 readings to plan"),
        ({"sigma": 0.0}, "sigma 0 mm"),
        ({"candidates": ()}, "nothing is left to read for frame F14"),
    ):
        with pytest.raises(LoftError, match=words):
            plan(surface, frame, **wrong)


# ---- the table and the words -----------------------------------------------------------


def test_table_and_words_carry_the_jobs_unit():
    surface = demo_surface()
    found = plan(surface, surface.job.frame("F14"), count=3)
    rows = plan_text(found, surface.job, ["frame F14"]).splitlines()
    head = rows.index(",".join(PLAN))
    assert rows[:head] == [row for row in rows if row.startswith("#")]
    assert "# frame F14" in rows
    first = dict(zip(PLAN, rows[head + 1].split(","), strict=True))
    assert (first["rank"], len(rows) - head - 1) == ("1", 3)
    inch = plan_text(found, replace(surface.job, unit="in")).splitlines()
    other = dict(zip(PLAN, inch[-3].split(","), strict=True))
    for name in ("girth", "sigma", "band_before", "band_after", "station", "widest_after"):
        assert float(first[name]) == pytest.approx(25.4 * float(other[name]), abs=0.0013)
    assert found[0].words("in").endswith(f"± {found[0].band_after / 25.4:.4f} in")
    assert plan_text(found, surface.job) == plan_text(found, surface.job)


def test_words_say_what_to_do():
    one = plan(demo_surface(), demo_surface().job.frame("F14"), count=1)[0]

    def said(**change):
        return replace(one, reading=Candidate(**{
            "frame": "F13", "line": "S9S", "station": 5670.0, "theta": 2.0, "girth": 1402.3,
            "face": "skin_inner", "sigma": 1.5, **change,
        }), band_before=1.318, band_after=1.211).words()  # fmt: skip

    ends = "on skin_inner: the band narrows from ± 1.32 to ± 1.21 mm"
    assert said() == f"take F13 at S9S {ends}"
    assert said(again=True) == f"take F13 at S9S again {ends}"
    assert said(line="") == f"take F13 at girth 1402 mm {ends}"
    between = said(line="", between="S8S and S9S")
    assert between == f"take F13 between S8S and S9S (girth 1402 mm) {ends}"
    assert said(frame="") == f"take S9S at station 5670.0 between frames {ends}"
