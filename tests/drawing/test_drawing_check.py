"""Drawn facts against a survey: verdicts, what they rest on, and refusals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from half_sections import F14, NAN, TRUE, corncrake, drawn, published, survey
from scipy.stats import binom

from loft.drawing.chain import Chain, walk
from loft.drawing.check import check_facts
from loft.drawing.closure import close
from loft.drawing.diagnosis import REJECT
from loft.drawing.dimensions import at_turn
from loft.drawing.tables import DRAWING_COLUMNS, FACTS_COLUMNS, drawing_rows, facts_rows
from loft.drawing.verdicts import CONFIRMED, CONTRADICTED, UNCHECKED
from loft.job.errors import LoftError
from loft.job.files import table_text
from loft.job.records import Fact, Frame

WIDEST = float(at_turn(corncrake(), np.pi / 2)[0][0])


def whole(**sigma: float) -> list[Fact]:
    """The figures of the section as a whole, true."""
    values = {"max_half_breadth": WIDEST, "top": corncrake().crown, "bottom": corncrake().keel}
    return [
        Fact(frame="F14", kind=kind, value=values[kind], sigma=size) for kind, size in sigma.items()
    ]


def line(check, kind, arc=""):
    return next(one for one in check.facts if one.dimension.kind == kind and one.arc == arc)


def arc(check, name):
    return next(one for one in check.arcs if one.name == name)


def surveyed(facts, count=60, sigma=0.5, seed=1, **options):
    points = survey(corncrake(), count, sigma, np.random.default_rng(seed))
    return check_facts(facts, F14, points=points, sigma=sigma, **options)


# ---- verdicts ---------------------------------------------------------------------------


def test_centre_found_where_the_drawing_gives_the_radius_alone():
    """trade value 32: circle R 10, wall x = 8, fillet r 5 -> centre (3, 4), not (3, -4).

    Read off a drawing that gives radii and the half-breadth, with a dozen readings;
    a hundred times the size. Each figure within four of its stated deviations.
    """
    case = published("T32")["expected"]
    turn = np.arctan2(case["tangents"][0][0], case["tangents"][0][1])
    bend = np.array([1 / 1000, 1 / 500, 0.0, 1 / 500, 1 / 1000])
    half = [1000 * turn, 500 * (np.pi / 2 - turn), 800.0, 500 * (np.pi / 2 - turn), 1000 * turn]
    true = Chain(crown=1000.0, curvature=bend, length=np.array(half))
    facts = [
        Fact(frame="F14", kind="arc", arc="crown", radius=1000.0, sigma=0.5),
        Fact(frame="F14", kind="arc", arc="upper", radius=500.0, sigma=0.5),
        Fact(frame="F14", kind="straight", arc="wall"),
        Fact(frame="F14", kind="arc", arc="lower", radius=500.0, sigma=0.5),
        Fact(frame="F14", kind="arc", arc="bottom", radius=1000.0, sigma=0.5),
        Fact(frame="F14", kind="max_half_breadth", value=800.0, sigma=0.5),
    ]
    points = survey(true, 14, 0.3, np.random.default_rng(2))
    check = check_facts(facts, F14, points=points, sigma=0.3)
    found = arc(check, "upper")
    assert np.hypot(found.centre_bl - 300.0, found.centre_height - 400.0) < 4 * found.sd_centre
    assert found.sd_centre < 2.0
    ends = check.reading.fit.chain.knot[1:3]
    np.testing.assert_allclose(ends, 100.0 * np.array(case["tangents"]), atol=4.0)


def test_true_figures_are_confirmed_or_left_unchecked_never_contradicted():
    """The three answers, and the rule between the first and the last."""
    check = surveyed([*drawn(**TRUE), *whole(max_half_breadth=0.5, top=1.0, bottom=1.0)])
    assert {one.verdict for one in check.facts} == {CONFIRMED, UNCHECKED}
    for one in check.facts:
        sure = one.detectable <= 6.0 * one.dimension.sigma
        assert one.verdict == (CONFIRMED if sure else UNCHECKED)
    assert line(check, "top").verdict == CONFIRMED
    assert line(check, "radius", "side").verdict == UNCHECKED
    assert line(check, "radius", "side").detectable > 50.0


def test_false_alarms_are_as_rare_as_stated():
    """Two-sided 0.1 % for each of five figures; the limit is passed once in ten thousand."""
    facts = [*drawn(**TRUE), *whole(top=1.0)]
    alarms = 0
    for seed in range(30):
        check = surveyed(facts, 30, 1.0, seed, robust=False)
        alarms += any(one.verdict == CONTRADICTED for one in check.facts)
    assert alarms <= binom.ppf(0.9999, 30, 0.005)


def test_a_figure_is_contradicted_by_what_leaving_it_out_saves():
    """No noise, so the cost kept is what the wrong side costs: it turns at 3.29 squared.

    Linear residuals would turn two per cent later; bisected to a tenth of that.
    """
    points = survey(corncrake(), 30, 0.0, np.random.default_rng(0))
    facts = drawn(**{**TRUE, "side": 1.45 * TRUE["side"]})

    def side(sigma: float):
        check = check_facts(facts, F14, points=points, sigma=sigma)
        return check, line(check, "radius", "side").verdict == CONTRADICTED

    low, high = 0.2, 20.0
    for _ in range(14):
        middle = np.sqrt(low * high)
        low, high = (middle, high) if side(middle)[1] else (low, middle)
    check, told = side(high)
    assert not told
    assert np.sqrt(check.reading.fit.cost) == pytest.approx(REJECT, rel=0.004)


@pytest.mark.parametrize(
    ("name", "wrong"), [("crown", 730.0), ("shoulder", 450.0), ("side", 3400.0), ("bilge", 400.0)]
)
def test_a_wrong_radius_is_contradicted_and_the_right_one_suggested(name, wrong):
    check = surveyed([*drawn(**(TRUE | {name: wrong})), *whole(top=1.0, bottom=1.0)])
    assert line(check, "radius", name).verdict == CONTRADICTED
    others = [one for one in check.facts if one.arc != name]
    assert all(one.verdict != CONTRADICTED for one in others)
    found = line(check, "radius", name)
    assert abs(found.suggested - TRUE[name]) < 4 * found.suggested_sd
    assert check.p_as_drawn < 1e-3 < check.p
    told = [note.text for note in check.notes if note.severity == "warning"]
    assert f'F14: radius of "{name}" drawn {wrong:,.1f} mm is contradicted' in told[-1]


@pytest.mark.parametrize("kind", ["top", "bottom", "max_half_breadth"])
def test_what_the_rest_suggests_is_what_a_fit_without_the_figure_finds(kind):
    """The leave-one-out value against a fit that never saw the figure."""
    facts = [*drawn(**TRUE), *whole(top=1.0, bottom=1.0, max_half_breadth=1.0)]
    told = line(surveyed(facts, 40, 1.5, robust=False), kind)
    loose = [replace(one, sigma=1e5) if one.kind == kind else one for one in facts]
    alone = line(surveyed(loose, 40, 1.5, robust=False), kind)
    # first order in the residual, second order in what it moves: a few hundredths of an sd
    assert told.suggested == pytest.approx(alone.fitted, abs=0.05 * alone.sd)
    assert told.suggested_sd == pytest.approx(alone.sd, rel=0.05)
    assert abs(told.suggested - told.dimension.value) > 0.2 * alone.sd


@pytest.mark.parametrize(("name", "wrong"), [("shoulder", 880.0), ("crown", 300.0)])
@pytest.mark.parametrize("extra", [{}, {"top": 1.0, "bottom": 1.0, "max_half_breadth": 1.0}])
def test_a_gross_error_is_laid_on_its_own_figure_and_no_other(name, wrong, extra):
    """Residuals alone blame the neighbours, which the fit bends far from what was drawn."""
    check = surveyed([*drawn(**(TRUE | {name: wrong})), *whole(**extra)], robust=False)
    told = [one for one in check.facts if one.verdict == CONTRADICTED]
    assert [(one.dimension.kind, one.arc) for one in told] == [("radius", name)]
    assert abs(told[0].suggested - TRUE[name]) < 4 * told[0].suggested_sd
    assert abs(told[0].standardised) > 100.0
    assert check.p > 0.01
    assert not any("would look the same" in note.text for note in check.notes)


def test_own_readings_and_a_lifted_section_check_a_drawing_together():
    """In one solve they say more of a wrong side than either says alone."""
    true, rng = corncrake(), np.random.default_rng(52)
    girth = np.linspace(0.0, true.length.sum(), 50)
    line_read, normals, _, _ = walk(true, girth)
    covariance = 2.0**2 * np.exp(-np.abs(girth[:, None] - girth) / 150.0) + 0.04 * np.eye(50)
    error = np.linalg.cholesky(covariance) @ rng.normal(size=50)
    lifted = {"outline": line_read + error[:, None] * normals, "covariance": covariance}
    points = survey(true, 30, 1.0, rng)
    facts = [*drawn(**(TRUE | {"side": 3000.0})), *whole(top=1.0, bottom=1.0)]

    def seen(**given):
        return line(check_facts(facts, F14, robust=False, **given), "radius", "side")

    readings = {"points": points, "sigma": 1.0}
    apart, alone, both = seen(**readings), seen(**lifted), seen(**readings, **lifted)
    assert both.verdict == CONTRADICTED
    assert both.suggested_sd < min(
        one.suggested_sd for one in (apart, alone) if np.isfinite(one.suggested_sd)
    )
    assert abs(both.suggested - TRUE["side"]) < 4 * both.suggested_sd


def test_two_wrong_figures_are_both_found():
    facts = [*drawn(**(TRUE | {"crown": 740.0})), *whole(bottom=1.0)]
    facts[-1] = replace(facts[-1], value=facts[-1].value - 20.0)
    check = surveyed(facts)
    wrong = [(one.dimension.kind, one.arc) for one in check.facts if one.verdict == CONTRADICTED]
    assert sorted(wrong) == [("bottom", ""), ("radius", "crown")]
    assert line(check, "bottom").suggested == pytest.approx(corncrake().keel, abs=2.0)


def test_an_arc_missing_from_the_drawing_is_told():
    facts = [*[one for one in drawn(**TRUE) if one.arc != "bilge"], *whole(top=1.0, bottom=1.0)]
    check = surveyed(facts)
    assert [one.name for one in check.arcs] == ["crown", "shoulder", "side", "new", "bottom"]
    assert any("does not explain the readings" in note.text for note in check.notes)
    assert arc(check, "new").radius == pytest.approx(330.0, rel=0.1)
    assert all(one.verdict != CONTRADICTED for one in check.facts)


def test_a_radius_on_the_wrong_side_of_the_centre_is_contradicted():
    """The side's centre drawn to starboard of the centreline instead of across it."""
    facts = drawn(**TRUE)
    right = float(corncrake().centre[2, 0])
    facts[2] = replace(facts[2], centre_bl=-right, sigma=2.0)
    check = surveyed([*facts, *whole(top=1.0, bottom=1.0)])
    found = line(check, "centre_bl", "side")
    assert found.verdict == CONTRADICTED
    assert abs(found.suggested - right) < 4 * found.suggested_sd


def test_what_nothing_determines_is_said_to_be_open():
    """Nothing read below the side, no bottom radius or height drawn."""
    facts = [*drawn(crown=700.0, shoulder=380.0, side=2200.0), *whole(max_half_breadth=0.5)]
    points = survey(corncrake(), 40, 1.0, np.random.default_rng(3))
    points = points[points[:, 1] > 700.0]
    check = check_facts(facts, F14, points=points, sigma=1.0)
    for name in ("bilge", "bottom"):
        assert np.isnan(arc(check, name).sd_radius)
        assert arc(check, name).verdict == "undetermined: unknown"
        assert np.isnan(arc(check, name).centre_bl)
    assert any("not determined at all" in note.text for note in check.notes)
    assert np.isfinite(arc(check, "crown").sd_radius)


def test_a_near_flat_side_is_given_as_an_interval_to_straight():
    true = close(
        Chain(
            crown=900.0,
            curvature=np.array([1 / 600, 1 / 9000, 1 / 700]),
            length=np.array([880.0, 300.0, 900.0]),
        ),
        np.zeros(7, dtype=bool),
    )
    facts = [Fact(frame="F14", kind="arc", arc=name) for name in ("crown", "side", "bottom")]
    points = survey(true, 24, 2.0, np.random.default_rng(4))
    check = check_facts(facts, F14, points=points, sigma=2.0)
    assert arc(check, "side").verdict.endswith("mm to straight")
    assert arc(check, "side").interval[0] < 9000.0


def test_an_arc_with_hardly_a_reading_is_profiled():
    points = survey(corncrake(), 12, 1.5, np.random.default_rng(5))
    check = check_facts([*drawn(crown=700.0, side=2200.0)], F14, points=points, sigma=1.5)
    bare = [one for one in check.arcs if one.readings < 3 and np.isnan(one.given_radius)]
    assert bare
    assert all(one.profiled for one in bare)
    assert any("radius by trial" in note.text for note in check.notes)


def test_the_readings_asked_for_do_settle_the_figure():
    """Take the advice, read there without error, and the figure is confirmed."""
    facts = [*drawn(**TRUE), *whole(max_half_breadth=1.0)]
    points = survey(corncrake(), 10, 2.5, np.random.default_rng(6))
    before = check_facts(facts, F14, points=points, sigma=2.5)
    told = line(before, "max_half_breadth")
    assert told.verdict == UNCHECKED
    assert told.advice is not None
    places = [place[:2] for place in told.advice.places for _ in range(place[2])]
    more = np.concatenate([points, np.array(places)])
    after = check_facts(facts, F14, points=more, sigma=2.5)
    assert line(after, "max_half_breadth").verdict == CONFIRMED


def test_blunders_among_the_readings_do_not_condemn_the_drawing():
    points = survey(corncrake(), 60, 1.0, np.random.default_rng(7))
    points[[9, 30, 50]] += [[0.0, 30.0], [25.0, 0.0], [20.0, -20.0]]
    facts = [*drawn(**TRUE), *whole(top=1.0, bottom=1.0)]
    check = check_facts(facts, F14, points=points, sigma=1.0)
    assert all(one.verdict != CONTRADICTED for one in check.facts)


def test_a_hollow_is_struck_where_the_drawing_shows_one():
    bend = np.array([1 / 600, 1 / 250, -1 / 800, 1 / 700])
    length = np.array([560.0, 260.0, 180.0, 900.0])
    true = close(
        Chain(crown=900.0, curvature=bend, length=length), np.zeros(9, dtype=bool), most=20
    )
    facts = [
        Fact(frame="F14", kind="arc", arc="crown", radius=600.0, sigma=1.0),
        Fact(frame="F14", kind="arc", arc="shoulder", radius=250.0, sigma=1.0),
        Fact(frame="F14", kind="arc", arc="flare", radius=-800.0, sigma=20.0),
        Fact(frame="F14", kind="arc", arc="bottom"),
    ]
    points = survey(true, 50, 0.5, np.random.default_rng(8))
    check = check_facts(facts, F14, points=points, sigma=0.5)
    assert all(one.verdict != CONTRADICTED for one in check.facts)
    assert arc(check, "flare").radius == pytest.approx(-800.0, rel=0.1)
    assert arc(check, "flare").given_radius == -800.0
    assert check.p > 0.001


def test_facts_without_arcs_take_their_make_up_from_the_readings():
    check = surveyed(whole(top=1.0, max_half_breadth=1.0), 60, 0.5)
    assert [one.name for one in check.arcs] == [f"arc {number}" for number in range(1, 6)]
    assert {one.verdict for one in check.facts} == {CONFIRMED}


def test_no_facts_at_all_still_give_the_arcs_that_were_found():
    check = surveyed([], 60, 0.5)
    assert check.facts == ()
    np.testing.assert_allclose([one.radius for one in check.arcs], corncrake().radius, rtol=0.1)
    assert {one.verdict for one in check.arcs} == {"found, not drawn"}


# ---- tables, planes and sides -----------------------------------------------------------


def test_tables_have_the_columns_and_say_unknown_as_blank():
    facts = [*drawn(crown=700.0, shoulder=380.0, side=2200.0), *whole(max_half_breadth=0.5)]
    points = survey(corncrake(), 40, 1.0, np.random.default_rng(3))
    check = check_facts(facts, F14, points=points[points[:, 1] > 700.0], sigma=1.0)
    arcs = table_text(DRAWING_COLUMNS, drawing_rows([check])).splitlines()
    assert arcs[0] == (
        "frame,arc,given_radius,fitted_radius,sd_radius,centre_bl,centre_wl,sd_centre,"
        "standardised,verdict"
    )
    assert arcs[4] == "F14,bilge,,,,,,,,undetermined: unknown"
    table = table_text(FACTS_COLUMNS, facts_rows([check])).splitlines()
    assert table[0] == (
        "frame,arc,dimension,given,sigma,fitted,sd,standardised,detectable,suggested,verdict"
    )
    assert table[4].startswith("F14,,max_half_breadth,")
    assert len(table) == 5


def test_a_canted_frame_is_checked_in_its_plane_and_told_in_waterlines():
    """Cant 20 degrees: heights in the plane are 1/cos longer than waterlines."""
    frame = Frame(name="F14", station=6160.0, cant=np.deg2rad(20.0), pivot_wl=900.0)
    chain = corncrake()
    wl = 900.0 + (chain.crown - 0.0) * np.cos(frame.cant)
    facts = [*drawn(**TRUE), Fact(frame="F14", kind="top", value=wl, sigma=1.0)]
    points = survey(chain, 60, 0.5, np.random.default_rng(9))
    check = check_facts(facts, frame, points=points, sigma=0.5)
    assert line(check, "top").verdict == CONFIRMED
    row = facts_rows([check])[-1]
    assert row[3] == pytest.approx(wl)
    assert row[5] == pytest.approx(wl, abs=1.0)


def test_a_drawing_of_the_port_side_is_signed_for_port():
    facts = [replace(one, side="port") for one in drawn(**TRUE)]
    centre = float(corncrake().centre[2, 0])
    facts[2] = replace(facts[2], centre_bl=-centre, sigma=30.0)
    points = survey(corncrake(), 60, 0.5, np.random.default_rng(10)) * [-1.0, 1.0]
    check = check_facts(facts, F14, points=points, sigma=0.5)
    assert line(check, "centre_bl", "side").verdict != CONTRADICTED
    assert drawing_rows([check])[2][5] == pytest.approx(-centre, abs=60.0)


def test_sweeps_tangent_points_and_half_breadths_are_checked():
    chain = corncrake()
    at = walk(chain, [900.0])[0][0]
    facts = [
        *drawn(**TRUE),
        Fact(frame="F14", kind="tangent_point", arc="crown", at_wl=chain.knot[1, 1], sigma=2.0),
        Fact(frame="F14", kind="half_breadth", at_wl=at[1], value=at[0], sigma=0.5),
    ]
    facts[1] = replace(facts[1], sweep=chain.turn[2] - chain.turn[1] + 0.2)
    check = surveyed(facts)
    assert line(check, "sweep", "shoulder").verdict == CONTRADICTED
    assert line(check, "half_breadth").verdict == CONFIRMED
    assert line(check, "tangent_wl", "crown").verdict != CONTRADICTED


def test_a_missing_sigma_is_told():
    facts = [replace(drawn(**TRUE)[0], sigma=NAN), *drawn(**TRUE)[1:]]
    check = surveyed(facts)
    assert "no sigma given, 1 mm taken" in check.notes[0].text


def whole_drawing() -> list[Fact]:
    """All radii, centres and tangent points of the section: far more than its freedom."""
    true = corncrake()
    facts = [
        replace(fact, centre_bl=float(bl), centre_wl=float(wl))
        for fact, (bl, wl) in zip(drawn(**TRUE), true.centre, strict=True)
    ]
    return [
        *facts,
        *whole(top=1.0, bottom=1.0, max_half_breadth=1.0),
        *(
            Fact(
                frame="F14", kind="tangent_point", arc=fact.arc, sigma=1.0,
                value=float(bl), at_wl=float(wl),
            )
            for fact, (bl, wl) in zip(facts[:-1], true.knot[1:-1], strict=True)
        ),
    ]  # fmt: skip


def test_more_figures_than_freedom_are_checked_against_each_other_without_a_reading():
    """Consistent, none is contradicted; one changed by 40 mm is, and the rest give it back."""
    facts = whole_drawing()
    check = check_facts(facts, F14, points=[], sigma=1.0)
    assert {fact.verdict for fact in check.facts} == {CONFIRMED, UNCHECKED}
    assert check.p > 0.5
    assert "nan" not in " ".join(note.text for note in check.notes)
    facts[1] = replace(facts[1], radius=420.0)
    check = check_facts(facts, F14, points=[], sigma=1.0)
    wrong = [fact for fact in check.facts if fact.verdict == CONTRADICTED]
    assert [(one.arc, one.dimension.kind) for one in wrong] == [("shoulder", "radius")]
    assert wrong[0].suggested == pytest.approx(380.0, abs=1e-3)


def test_one_figure_drawn_twice_and_differently_is_contradicted():
    facts = [*drawn(**TRUE), *whole(max_half_breadth=1.0)]
    check = surveyed([*facts, replace(facts[-1], value=facts[-1].value + 32.0)])
    told = [fact.verdict for fact in check.facts if fact.dimension.kind == "max_half_breadth"]
    assert told == [CONFIRMED, CONTRADICTED]


# ---- refusals ---------------------------------------------------------------------------


def refused(facts) -> str:
    points = survey(corncrake(), 30, 1.0, np.random.default_rng(0))
    with pytest.raises(LoftError) as error:
        check_facts(facts, F14, points=points, sigma=1.0)
    text = str(error.value)
    assert text.count("\n") + 1 == len(error.value.findings)
    return text


def named(*radii: float, names=("crown", "side", "bottom")) -> list[Fact]:
    return [
        Fact(frame="F14", kind="arc", arc=name, radius=radius, sigma=1.0)
        for name, radius in zip(names, radii, strict=True)
    ]


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        (named(900.0, 600.0, 300.0), "radii 900, 600, 300 only shrink from crown to keel"),
        (named(300.0, 600.0, 900.0), "only grow from crown to keel"),
        (named(700.0, 0.0, 900.0), "radius 0 found, a radius wanted"),
        (named(-700.0, 300.0, 900.0), 'hollow radius of "crown" found at the crown'),
        (named(700.0, np.inf, 900.0), "give it as kind straight"),
        (named(700.0, 300.0, names=("crown", "bottom")), "they can only be one circle"),
        (named(700.0, 300.0, 900.0, names=("side", "crown", "bottom")), "it belongs first"),
        (named(700.0, 300.0, 900.0, names=("bottom", "side", "floor")), "it belongs last"),
        (named(700.0, 300.0, 900.0, names=("crown", "side", "side")), '"side" found twice'),
    ],
)
def test_make_ups_that_cannot_be_are_refused(facts, words):
    assert words in refused(facts)


def test_a_straight_without_arcs_and_two_in_a_row_are_refused():
    flat = [Fact(frame="F14", kind="straight", arc=name) for name in ("a", "b")]
    text = refused(flat)
    assert "no arc found" in text
    assert 'straights "a" and "b" found side by side' in text


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"sigma": -1.0}, "sigma -1 found, more than 0 wanted"),
        ({"sweep": 4.0}, "under 180 wanted"),
        ({"length": -3.0}, "length -3 found, more than 0 wanted"),
        ({"value": 3.0}, "value found, which a arc does not have"),
        ({"centre_bl": 50.0}, "has its centre on it, bl 0"),
    ],
)
def test_rows_that_cannot_be_are_refused(change, words):
    facts = named(700.0, 300.0, 900.0)
    facts[0] = replace(facts[0], **change)
    assert words in refused(facts)


def test_a_centre_on_the_wrong_side_is_refused():
    facts = named(700.0, 300.0, 900.0)
    facts[1] = replace(facts[1], centre_bl=-400.0)
    assert "the centre is on the wrong side" in refused(facts)


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        ({"kind": "tangent_point", "arc": "crown", "value": 900.0}, "off the section"),
        ({"kind": "tangent_point", "arc": "crown", "at_wl": 2500.0}, "off the section"),
        ({"kind": "tangent_point", "arc": "wing", "value": 100.0}, "names an arc that the drawing"),
        ({"kind": "tangent_point", "arc": "crown"}, "neither value (its half-breadth) nor at_wl"),
        ({"kind": "half_breadth", "at_wl": 100.0, "value": 500.0}, "off the section"),
        ({"kind": "half_breadth", "at_wl": 900.0}, "nothing found for value"),
        ({"kind": "half_breadth", "at_wl": 900.0, "value": 0.0}, "value 0 found"),
        ({"kind": "sponson", "value": 1.0}, "kind sponson found; one of"),
    ],
)
def test_figures_off_the_section_are_refused(extra, words):
    outline = whole(top=1.0, bottom=1.0, max_half_breadth=1.0)
    facts = [*drawn(**TRUE), *outline, Fact(frame="F14", sigma=1.0, **extra)]
    assert words in refused(facts)


def test_tangent_points_that_rise_are_refused():
    facts = [
        *drawn(**TRUE),
        Fact(frame="F14", kind="tangent_point", arc="crown", at_wl=900.0, sigma=1.0),
        Fact(frame="F14", kind="tangent_point", arc="side", at_wl=1200.0, sigma=1.0),
    ]
    assert 'the tangent point below "side" stands 300.0 mm above that below "crown"' in refused(
        facts
    )


def test_top_below_bottom_is_refused():
    facts = [*drawn(**TRUE), *whole(top=1.0, bottom=1.0)]
    facts[-1], facts[-2] = (
        replace(facts[-1], value=facts[-2].value),
        replace(facts[-2], value=facts[-1].value),
    )
    assert "found at or below bottom" in refused(facts)


def test_all_faults_are_told_at_once():
    facts = named(0.0, 300.0, 900.0, names=("bottom", "side", "side"))
    assert len(refused(facts).splitlines()) >= 3


def test_fewer_readings_than_unknowns_are_refused_with_the_number_wanted():
    with pytest.raises(LoftError) as error:
        check_facts(drawn(crown=700.0), F14, points=[[0.0, 1700.0], [600.0, 900.0]], sigma=1.0)
    assert "9 unknowns; 1 drawn figures and 2 readings found, 6 more wanted" in str(error.value)
