"""Chains side by side: a stack gives what each of its chains gives alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from half_sections import corncrake, survey, three_arcs

from loft.drawing.chain import (
    PI,
    Chain,
    gap,
    gap_gradient,
    place,
    project,
    push,
    stacked,
    strike,
    walk,
)
from loft.drawing.closure import chain_of, close, close_all, figures, is_closed
from loft.drawing.dimensions import KINDS, Dimension, dimension_rows
from loft.drawing.drawn import other_readings
from loft.drawing.facts import read_facts
from loft.drawing.readings import read_points, reading_rows
from loft.drawing.solve import Task, finished, settle, settle_all
from loft.drawing.start import grid_sets, point_turns, solve_sets, support_of
from loft.job.records import Fact, Frame


def flat_and_hollow() -> Chain:
    """As many elements as the Corncrake has, one straight, one hollow."""
    bend = np.array([1 / 600, 0.0, 1 / 250, -1 / 900, 1 / 700])
    length = np.array([700.0, 180.0, 220.0, 120.0, 600.0])
    chain = close(Chain(crown=900.0, curvature=bend, length=length), np.arange(11) < 0, most=20)
    assert chain is not None
    return chain


PAIR = (corncrake(), flat_and_hollow())


def near(chain: Chain, rng: np.random.Generator, count: int) -> list[Chain]:
    """Chains a few hundredths from a given one, not closed."""
    values = figures(chain)
    return [chain_of(values * (1 + rng.normal(0.0, 0.03, len(values)))) for _ in range(count)]


def test_feet_places_and_gradients_of_a_stack_are_those_of_its_chains():
    rng = np.random.default_rng(1)
    points = [walk(chain, rng.uniform(0.0, chain.length.sum(), 30))[0] + 5.0 for chain in PAIR]
    stack = stacked(PAIR)
    feet = project(stack, np.stack(points))
    moved = push(stack, np.stack(points), feet.normal, feet.element, feet.along)
    for index, (chain, own) in enumerate(zip(PAIR, points, strict=True)):
        alone = project(chain, own)
        np.testing.assert_array_equal(feet.element[index], alone.element)
        # the same sums in the same order, up to the rounding of a larger product
        for one, other in zip(feet, alone, strict=True):
            np.testing.assert_allclose(one[index], other, rtol=1e-12, atol=1e-12)
        by = push(chain, own, alone.normal, alone.element, alone.along)
        np.testing.assert_allclose(moved[index], by, rtol=1e-12, atol=1e-9)
        on_line = place(chain, alone.element, alone.along)
        np.testing.assert_allclose(place(stack, feet.element, feet.along)[index], on_line)
        np.testing.assert_allclose(gap_gradient(stack)[index], gap_gradient(chain), atol=1e-9)
        np.testing.assert_allclose(gap(stack)[index], gap(chain), atol=1e-9)


@pytest.mark.parametrize("lean", [0.0, 0.003])
def test_rows_of_a_stack_are_those_of_its_chains(lean):
    points = survey(corncrake(), 40, 1.0, np.random.default_rng(2))
    readings = read_points(points, 1.0, centreline=(2.0, 0.01))
    leans = np.array([[0.0, 0.0], [lean, lean]])
    row, slope = reading_rows(stacked(PAIR), leans, readings)
    for index, chain in enumerate(PAIR):
        alone, by = reading_rows(chain, leans[index], readings)
        np.testing.assert_allclose(row[index], alone, rtol=1e-12, atol=1e-12)
        np.testing.assert_allclose(slope[index], by, rtol=1e-12, atol=1e-9)


@pytest.mark.parametrize("kind", KINDS)
def test_drawn_figures_of_a_stack_are_those_of_its_chains(kind):
    drawn = [Dimension(kind=kind, value=300.0, sigma=0.7, element=2, at=500.0)]
    row, slope = dimension_rows(stacked(PAIR), drawn)
    for index, chain in enumerate(PAIR):
        alone, by = dimension_rows(chain, drawn)
        np.testing.assert_allclose(row[index], alone, rtol=1e-12, atol=1e-9)
        np.testing.assert_allclose(slope[index], by, rtol=1e-12, atol=1e-9)


@pytest.mark.parametrize("last_held", [False, True])
def test_each_chain_of_a_stack_is_closed_as_it_is_alone(last_held):
    """By the last arc where that is free, by least change where its curvature is held."""
    held = np.arange(11) == (5 if last_held else -1)
    chains = [*near(corncrake(), np.random.default_rng(3), 6), corncrake()]
    stack, shut = close_all(stacked(chains), held, most=20)
    assert shut.all()
    for index, chain in enumerate(chains):
        assert is_closed(stack.one(index))
        alone = close(chain, held, most=20)
        np.testing.assert_allclose(figures(stack.one(index)), figures(alone), rtol=1e-9)
        assert not last_held or stack.curvature[index, 4] == chain.curvature[4]


def test_a_chain_that_closes_nowhere_near_is_told_and_the_others_are_not_hurt():
    """Two thirds of a turn in a straight and an arc held fast: no length of theirs closes it."""
    good = corncrake()
    bad = replace(good, length=0.6 * good.length)
    held = np.arange(11) > 0
    shut = close_all(stacked([good, bad, good]), held)[1]
    assert shut.tolist() == [True, False, True]
    task = Task(
        readings=read_points(survey(good, 40, 1.0, np.random.default_rng(4)), 1.0),
        straight=(False,) * 5,
        held=(0, 1, 2, 3, 4),
    )
    turned = replace(good, curvature=3.0 * good.curvature)
    found = settle_all([turned, good], task, most=5)
    assert found[0] is None
    assert found[1] is not None


def test_starts_settled_side_by_side_settle_as_each_does_alone():
    rng = np.random.default_rng(5)
    true = corncrake()
    task = Task(readings=read_points(survey(true, 40, 1.0, rng), 1.0), straight=(False,) * 5)
    chains = near(true, rng, 5)
    for chain, fit in zip(chains, settle_all(chains, task), strict=True):
        alone = settle(chain, task)
        # both stop where a step gains less than 1e-9 of the cost
        assert fit.cost == pytest.approx(alone.cost, rel=1e-6)
        np.testing.assert_allclose(fit.chain.curvature, alone.chain.curvature, rtol=1e-3)


def test_once_one_start_explains_the_readings_the_others_are_left_as_they_stand():
    rng = np.random.default_rng(6)
    true = three_arcs()
    task = Task(readings=read_points(survey(true, 30, 1.0, rng), 1.0), straight=(False,) * 3)
    far = strike(true.crown, [450.0, 900.0], [1.3, 1.6])
    settled, left = settle_all([true, far], task, good=60.0)
    assert settled.cost == pytest.approx(settle(true, task).cost, rel=1e-6)
    alone = settle(far, task)
    assert left.steps < alone.steps
    assert left.cost > alone.cost


def test_fits_that_cost_several_times_the_cheapest_are_not_followed():
    rng = np.random.default_rng(7)
    true = three_arcs()
    task = Task(readings=read_points(survey(true, 30, 1.0, rng), 1.0), straight=(False,) * 3)
    best = settle(true, task)
    dear = replace(best, cost=3 * best.cost + 21)
    assert len(finished([dear, best, best])) == 2
    assert finished([]) == []


def test_sets_of_turns_are_solved_as_plain_least_squares():
    """Against rows written out one set at a time, with the same ridge and weight of closure.

    The normal equations lose 1e9 (the ridge's inverse) of 1e16: 1e-6 with room to spare.
    """
    true = three_arcs()
    readings = read_points(survey(true, 24, 1.0, np.random.default_rng(8)), 1.0)
    turn = point_turns(readings)
    for straight in ((False,) * 4, (False, False, True, False), (True, False, False, False)):
        support = support_of(readings, turn, straight)
        turns = grid_sets(support.knots)[::31]
        found = solve_sets(support, turns)
        for index, set_ in enumerate(turns):
            columns = [np.cos(turn), 1 - np.cos(turn)]
            columns += [1 - np.cos(np.maximum(turn - at, 0.0)) for at in set_]
            tie = [0.0, 0.0, *-np.sin(set_)]
            ends = [0.0, *set_, PI]
            for place_, flat in enumerate(straight):
                if flat:
                    lies = ends[place_ - sum(straight[:place_])]
                    columns.append(np.sin(np.maximum(turn - lies, 0.0)))
                    tie.append(np.cos(lies))
            rows = np.vstack([np.stack(columns, -1), 1e3 * np.array(tie)])
            wanted = np.append(support.value[0], 0.0)
            hair = np.sqrt(1e-9) * np.diag(np.linalg.norm(rows, axis=0))
            most = np.vstack([rows, hair]), np.append(wanted, np.zeros(len(hair)))
            best = np.linalg.lstsq(*most, rcond=None)[0]
            assert found.crown[index] == pytest.approx(best[0], rel=1e-5)
            arcs = np.cumsum(best[1 : 1 + straight.count(False)])
            sizes = found.size[index][~np.array(straight)]
            np.testing.assert_allclose(sizes, arcs, rtol=1e-5, atol=1e-2)
            if (sizes > 30).all() and (found.size[index] > 30).all() and (sizes < 3e5).all():
                cost = np.sum((rows @ best - wanted) ** 2)
                assert found.cost[index] == pytest.approx(cost, rel=1e-4, abs=1e-3)


def test_an_arc_is_put_in_once_beside_an_arc_of_which_nothing_is_drawn():
    facts = [
        Fact(frame="F", kind="arc", arc=name, radius=radius, sigma=1.0)
        for name, radius in (("crown", 620.0), ("side", np.nan), ("bottom", 700.0))
    ]
    frame = Frame(name="F", station=0.0)
    put_in = [words for words, _ in other_readings(read_facts(facts, frame)) if "more" in words]
    assert put_in == ['with one more arc between "crown" and "side"']
    told = [facts[0], replace(facts[1], radius=5000.0), facts[2]]
    put_in = [words for words, _ in other_readings(read_facts(told, frame)) if "more" in words]
    assert len(put_in) == 2
