"""Ties tables: reading, blunders and their slips, mirrors, points that lack a reading."""

from pathlib import Path

import numpy as np
import pytest

from loft.job.errors import LoftError
from loft.job.records import Frame, Job, Line, TieSet
from loft.survey.adjust import adjust
from loft.survey.network import AXES, Tie
from loft.survey.quality import error_ellipse
from loft.survey.slips import likely_slip
from loft.survey.ties import adjust_table, point_name, read_ties, ties_survey

HEAD = "from,to,kind,value,sigma,note\n"
CONTROL = {
    "A": (4600.0, -900.0, 0.0),
    "B": (4600.0, 900.0, 0.0),
    "C": (5600.0, -900.0, 40.0),
    "D": (5600.0, 900.0, 0.0),
    "E": (5100.0, 0.0, 2200.0),
}


def job(**more):
    frames = (Frame(name="F11", station=4700.0), Frame(name="F12", station=5200.0))
    settings = {
        "path": Path("job.toml"),
        "title": "",
        "unit": "mm",
        "missing": (),
        "frames": frames,
        "skin_gauge": 0.9,
    }
    return Job(**(settings | more))


def table(unit="mm", sigma=2.0, face="skin_inner", file="ties.csv"):
    return TieSet(file=Path(file), sigma=sigma, face=face, unit=unit)


def read(rows, unit="mm", head=HEAD, **more):
    return read_ties(job(**more), table(unit), source=head + rows)


def control():
    return [Tie(kind="control", end=name, place=place) for name, place in CONTROL.items()]


def bay(rng, *, wrong=0.0, noise=2.0, per=12):
    """Two frames of a fictional bay: each point taped to four marks, plumbed, and taped on.

    Returns the ties, the true places and the names of the readings that were spoilt.
    """
    ties, truth, spoilt = control(), {}, set()

    def add(kind, end, value, start=""):
        value += noise * rng.standard_normal()
        if rng.random() < wrong:
            value += rng.choice([304.8, -304.8, 25.4, -25.4, 100.0, -100.0, 1000.0])
            spoilt.add((kind, start, end))
        ties.append(
            Tie(kind=kind, start=start, end=end, value=value, sigma=2.0, text=f"{value:.0f}")
        )

    for frame, station in (("F11", 4700.0), ("F12", 5200.0)):
        names = []
        for k in range(per):
            angle = 2 * np.pi * (k + 0.5) / per
            place = np.array([station, 600 * np.sin(angle), 900 + 800 * np.cos(angle)])
            name = f"{frame}:S{k + 1}{'S' if place[1] > 0 else 'P'}"
            truth[name] = place
            names.append(name)
            for mark in "ABCD":
                add("tape", name, float(np.linalg.norm(place - CONTROL[mark])), mark)
            add("bl", name, place[1])
            add("wl", name, place[2])
        for one, two in zip(names, names[1:] + names[:1], strict=True):
            add("tape", two, float(np.linalg.norm(truth[one] - truth[two])), one)
    return ties, truth, spoilt


def changed(ties, kind, start, end, value):
    """The same ties with one reading written down differently."""
    text = f"{value:.0f}"
    return [
        Tie(kind=kind, start=start, end=end, value=float(text), sigma=t.sigma, text=text)
        if (t.kind, t.start, t.end) == (kind, start, end)
        else t
        for t in ties
    ]


def test_exact_readings_give_the_points_back():
    ties, truth, _ = bay(np.random.default_rng(0), noise=0.0)
    result = adjust(ties)
    for name, place in truth.items():
        assert result.place(name) == pytest.approx(place, abs=1e-6)
    assert result.failures == ()


def test_result_does_not_depend_on_the_order_of_rows():
    ties, truth, _ = bay(np.random.default_rng(1))
    shuffled = [ties[k] for k in np.random.default_rng(2).permutation(len(ties))]
    one, two = adjust(ties), adjust(shuffled)
    for name in truth:
        assert two.place(name) == pytest.approx(one.place(name), abs=1e-6)


def test_mirrored_readings_give_mirrored_points():
    """Every bl changed over, controls too: the same places with bl turned."""
    ties, truth, _ = bay(np.random.default_rng(3))
    turned = []
    for tie in ties:
        place = tuple(np.array(tie.place) * [1, -1, 1]) if tie.place else ()
        value = -tie.value if tie.kind == "bl" else tie.value
        turned.append(
            Tie(
                kind=tie.kind,
                start=tie.start,
                end=tie.end,
                value=value,
                place=place,
                sigma=tie.sigma,
            )
        )
    one, two = adjust(ties), adjust(turned, sides={})
    for name in truth:
        assert two.place(name) == pytest.approx(one.place(name) * [1, -1, 1], abs=1e-6)


def test_stated_covariance_holds_the_truth():
    """Errors over their covariance: chi-square of 3 per point, mean 3.

    24 points in 8 draws; neighbours are correlated, so about 100 independent ones: the
    mean has a standard deviation of sqrt(6/100) = 0.25, three of them allowed.
    """
    worth = []
    for seed in range(8):
        ties, truth, _ = bay(np.random.default_rng(100 + seed))
        result = adjust(ties, snoop=False)
        for name, place in truth.items():
            k = result.points.index(name)
            error = result.position[k] - place
            worth.append(error @ np.linalg.solve(result.cofactor[k], error))
    assert np.mean(worth) == pytest.approx(3.0, abs=0.75)


def test_redundancy_numbers_add_up_to_the_freedom():
    ties, _, _ = bay(np.random.default_rng(4))
    result = adjust(ties, snoop=False)
    assert result.redundancy.sum() == pytest.approx(result.freedom, abs=1e-8)
    assert result.detectable == pytest.approx(4.1321479 * 2.0 / np.sqrt(result.redundancy))


def test_error_ellipse_of_a_turned_covariance():
    turn = np.array([[np.cos(0.3), -np.sin(0.3)], [np.sin(0.3), np.cos(0.3)]])
    semi, directions = error_ellipse(turn @ np.diag([25.0, 4.0]) @ turn.T)
    assert semi == pytest.approx([5.0, 2.0])
    assert directions[0] == pytest.approx([np.cos(0.3), np.sin(0.3)])


@pytest.mark.parametrize(
    ("change", "slip"),
    [
        (1000.0, "1 m too much"),
        (-304.8, "1 ft too little"),
        (609.6, "2 x 1 ft too much"),
        (100.0, "100 mm too much"),
        (-25.4, "1 in too little"),
    ],
)
def test_wrong_tape_is_named_with_its_slip(change, slip):
    """One tape spoilt among sound ones: the very reading, the true value, the slip."""
    ties, truth, _ = bay(np.random.default_rng(5))
    name = "F12:S3S"
    value = float(np.linalg.norm(truth[name] - CONTROL["C"])) + change
    result = adjust(changed(ties, "tape", "C", name, value))
    failure = result.failures[0]
    assert len(result.failures) == 1
    assert (failure.tie.start, failure.tie.end) == ("C", name)
    assert failure.rejected
    assert failure.suggested == pytest.approx(value - change, abs=4 * np.hypot(failure.sd, 2.0))
    assert slip in failure.slip
    assert "likely slip" in result.findings[0].text


def test_wrong_side_is_named():
    ties, truth, _ = bay(np.random.default_rng(6))
    result = adjust(changed(ties, "bl", "", "F11:S2S", -truth["F11:S2S"][1]))
    assert result.failures[0].slip.startswith("port and starboard exchanged")


def test_whole_metre_of_the_land_trial():
    """Green, Maritime Archaeology, 2nd ed., p. 173: 3.826 m read for 2.826, residual 0.995.

    A frame of marks taped all to all; only the reading and its size are published, so
    the marks are our own.
    """
    rng = np.random.default_rng(7)
    marks = {f"M{k}": rng.uniform(0, 4000, 3) for k in range(8)}
    marks["M6"] = marks["M0"] + 2826.0 * np.array([0.6, 0.0, 0.8])
    ties = [Tie(kind="control", end=n, place=tuple(marks[n])) for n in ("M0", "M1", "M2", "M3")]
    names = list(marks)
    for i, one in enumerate(names):
        for two in names[i + 1 :]:
            value = float(np.linalg.norm(marks[one] - marks[two])) + 6 * rng.standard_normal()
            if (one, two) == ("M0", "M6"):
                value = 3826.0
            ties.append(
                Tie(kind="tape", start=one, end=two, value=value, sigma=6.0, text=f"{value:.0f}")
            )
    result = adjust(ties)
    failure = result.failures[0]
    assert (failure.tie.start, failure.tie.end) == ("M0", "M6")
    assert -failure.residual == pytest.approx(1000.0, abs=25.0)
    assert failure.slip.startswith("1 m too much")


@pytest.mark.parametrize("seed", [0, 3])
def test_one_reading_in_five_wrong(seed):
    """Points come out right, or they (or the whole network) are said not to be trusted.

    Right: within five of their own standard deviations, the stated doubt included.
    """
    ties, truth, spoilt = bay(np.random.default_rng(seed), wrong=0.2, per=8)
    result = adjust(ties)
    assert len(spoilt) > 15
    told = [f.text for f in result.findings if "trusted" in f.text]
    if any("readings contradict the others" in text for text in told):
        return
    doubted = [text.split()[1].rstrip(":") for text in told]
    wrong = 0
    for name, place in truth.items():
        error = result.place(name) - place
        if np.abs(error).max() > 12.0:
            wrong += 1
            assert name in doubted
            covariance = result.covariance[result.points.index(name)]
            assert error @ np.linalg.solve(covariance, error) < 25.0
    assert wrong <= 2


def test_readings_that_fail_together_are_all_named():
    """One reading to spare cannot say which is wrong: none is left out, all are named."""
    ties = [
        Tie(kind="control", end="A", place=(0.0, 0.0)),
        Tie(kind="control", end="B", place=(800.0, 0.0)),
        Tie(kind="control", end="C", place=(400.0, 900.0)),
        Tie(kind="tape", start="A", end="P", value=500.0, sigma=1.0),
        Tie(kind="tape", start="B", end="P", value=500.0, sigma=1.0),
        Tie(kind="tape", start="C", end="P", value=640.0, sigma=1.0),
    ]
    result = adjust(ties, axes=("bl", "wl"))
    assert result.used.all()
    assert len(result.failures) == 3
    assert not any(failure.rejected for failure in result.failures)
    assert not result.believed
    assert result.sd[3].min() > 10.0


@pytest.mark.parametrize(
    ("text", "unit", "suggested", "words"),
    [
        ("1690", "mm", 1990.0, "6 and 9 turned over: 1990 written as 1690"),
        ("1690", "mm", 1960.0, "6 and 9 turned over: 1960 written as 1690"),
        ("1378", "mm", 1738.0, "figures transposed: 1738 written as 1378"),
        ("4-6-5", "ft-in", (12 * 4 + 9 + 5 / 8) * 25.4, "turned over: 4-9-5 written as 4-6-5"),
    ],
)
def test_turned_and_transposed_figures(text, unit, suggested, words):
    from loft.job.units import parse_length

    tie = Tie(kind="tape", end="P", value=parse_length(text, unit), sigma=2.0, text=text, unit=unit)
    assert words in likely_slip(tie, suggested + 1.5, 2.5)


def test_no_slip_is_claimed_where_none_fits():
    tie = Tie(kind="tape", end="P", value=1500.0, sigma=2.0, text="1500")
    assert likely_slip(tie, 1500.0 - 61.0, 2.5) == ""
    assert likely_slip(tie, 1500.0 - 304.8, 200.0) == ""
    assert likely_slip(tie, 1497.0, 2.0) == ""


def test_heights_exchanged():
    tie = Tie(kind="height", start="A", end="B", value=-350.0, sigma=2.0, text="-350")
    assert "two ends exchanged" in likely_slip(tie, 351.0, 2.5)


def three_tapes(*more):
    truth = np.array([5200.0, -400.0, 1100.0])
    ties = [Tie(kind="control", end=k, place=CONTROL[k][:2] + (0.0,)) for k in "ABC"]
    ties += [
        Tie(
            kind="tape",
            start=k,
            end="F12:P",
            value=float(np.linalg.norm(truth - [*CONTROL[k][:2], 0.0])),
            sigma=2.0,
        )
        for k in "ABC"
    ]
    return [*ties, *more], truth


def test_tapes_from_a_plane_are_refused_with_both_places():
    ties, _ = three_tapes()
    with pytest.raises(LoftError) as refusal:
        adjust(ties)
    text = str(refusal.value)
    assert "reflected in the plane of its control points" in text
    assert "wl 1100.0" in text
    assert "wl -1100.0" in text
    assert "plumb its wl" in text


@pytest.mark.parametrize(
    "more",
    [
        Tie(kind="approx", end="F12:P", place=(5000.0, 0.0, 700.0)),
        Tie(kind="wl", end="F12:P", value=1099.0, sigma=2.0),
        Tie(kind="height", start="A", end="F12:P", value=1101.0, sigma=2.0),
    ],
)
def test_one_reading_or_an_approximate_place_settles_the_side(more):
    ties, truth = three_tapes(more)
    assert adjust(ties).place("F12:P") == pytest.approx(truth, abs=3.0)


def test_approximate_place_between_both_settles_nothing():
    ties, _ = three_tapes(Tie(kind="approx", end="F12:P", place=(5200.0, -400.0, 10.0)))
    with pytest.raises(LoftError, match="approximate position lies between both"):
        adjust(ties)


def test_label_settles_port_and_starboard():
    """Controls on the centreline: tapes cannot tell the side, S4P and S4S can."""
    marks = {"K": (5200.0, 0.0, 0.0), "L": (5200.0, 0.0, 1800.0), "M": (6000.0, 0.0, 900.0)}
    ties = [Tie(kind="control", end=k, place=v) for k, v in marks.items()]
    for name, side in (("F12:S4P", -1), ("F12:S4S", 1)):
        place = np.array([5200.0, side * 610.0, 900.0])
        ties += [
            Tie(
                kind="tape",
                start=k,
                end=name,
                value=float(np.linalg.norm(place - v)),
                sigma=1.0,
            )
            for k, v in marks.items()
        ]
    result = adjust(ties)
    assert result.place("F12:S4P")[1] == pytest.approx(-610.0, abs=1e-4)
    assert result.place("F12:S4S")[1] == pytest.approx(610.0, abs=1e-4)
    assert any("side was taken from its label" in f.text for f in result.findings)


def pair_of_points():
    """Two marks on the floor; P and Q hang together by a tape, their heights are levelled."""
    marks = {"A": np.array([5000.0, -800.0, 0.0]), "B": np.array([5000.0, 800.0, 0.0])}
    truth = {"P": np.array([5300.0, -500.0, 900.0]), "Q": np.array([5600.0, 300.0, 1100.0])}
    ties = [Tie(kind="control", end=k, place=tuple(v)) for k, v in marks.items()]
    for one, two in (("A", "P"), ("B", "P"), ("A", "Q"), ("B", "Q"), ("P", "Q")):
        start, end = ({**marks, **truth}[k] for k in (one, two))
        value = float(np.linalg.norm(end - start))
        ties.append(Tie(kind="tape", start=one, end=two, value=value, sigma=1.0))
    ties += [Tie(kind="wl", end=k, value=v[2], sigma=1.0) for k, v in truth.items()]
    return ties, truth


def test_group_of_points_is_mirrored_as_one():
    """Levelled heights stay; the mirror stands before the marks instead of behind them."""
    ties, truth = pair_of_points()
    with pytest.raises(LoftError) as refusal:
        adjust(ties)
    assert len(refusal.value.findings) == 1
    text = str(refusal.value)
    assert "the network of P, Q, reflected in the plane of its control points," in text
    assert "plumb its station" in text
    assert "station 5600.0" in text
    assert "station 4400.0" in text
    settled = adjust([*ties, Tie(kind="station", end="Q", value=5598.0, sigma=3.0)])
    for name, place in truth.items():
        assert settled.place(name) == pytest.approx(place, abs=3.0)


def test_marks_in_one_line_hold_nothing_round_it():
    """Three marks in a line: a point taped from them may turn about it."""
    ties = [
        Tie(kind="control", end=k, place=(0.0, bl, 0.0))
        for k, bl in (("A", 0.0), ("B", 500.0), ("C", 1000.0))
    ]
    ties += [Tie(kind="tape", start=k, end="P", value=900.0, sigma=1.0) for k in "ABC"]
    with pytest.raises(LoftError, match=r"P cannot be solved from 3 tapes; read its (station|wl)"):
        adjust(ties)


def test_point_without_enough_readings_names_what_it_lacks():
    ties = [
        *control(),
        Tie(kind="tape", start="A", end="F12:S4P", value=1200.0, sigma=2.0, file="t.csv", row=9),
        Tie(kind="wl", end="F12:S4P", value=1000.0, sigma=2.0, file="t.csv", row=10),
    ]
    with pytest.raises(LoftError) as refusal:
        adjust(ties)
    line = refusal.value.findings[0].line()
    assert line.startswith(
        "t.csv:9: point F12:S4P cannot be solved from 1 tape and 1 wl; read its "
    )
    assert "bl" in line or "station" in line
    assert len(refusal.value.findings) == 1


def test_point_with_an_approximate_place_alone_is_refused():
    ties = [
        Tie(kind="wl", end="A", value=10.0, sigma=1.0),
        Tie(kind="approx", end="B", place=(5.0,)),
    ]
    with pytest.raises(LoftError, match="B cannot be solved from no reading at all; read its wl"):
        adjust(ties, axes=("wl",))


def test_points_hanging_on_an_unsolved_one_are_named():
    """A chain of heights without a fixed end: one reading would solve them all."""
    ties = [
        Tie(kind="height", start="A", end="B", value=10.0, sigma=1.0),
        Tie(kind="height", start="B", end="C", value=10.0, sigma=1.0),
    ]
    with pytest.raises(LoftError) as refusal:
        adjust(ties, axes=("wl",))
    text = str(refusal.value)
    assert text.count("cannot be solved") == 1
    assert "read its wl" in text
    assert "hang on them" in text


def test_reading_named_as_lacking_does_solve_it():
    """Give just what each refusal asks for: the network is then held."""
    place = {"P": np.array([5000.0, 100.0, 900.0]), "Q": np.array([5400.0, 350.0, 1400.0])}
    ties = [
        *control(),
        Tie(
            kind="tape",
            start="A",
            end="P",
            value=float(np.linalg.norm(place["P"] - CONTROL["A"])),
            sigma=2.0,
        ),
        Tie(
            kind="tape",
            start="P",
            end="Q",
            value=float(np.linalg.norm(place["Q"] - place["P"])),
            sigma=2.0,
        ),
    ]
    with pytest.raises(LoftError) as refusal:
        adjust(ties)
    for finding in refusal.value.findings:
        if "cannot be solved" not in finding.text:
            continue
        point = finding.text.split()[1]
        words = finding.text.partition("read its ")[2].partition(", or")[0]
        ties += [
            Tie(kind=axis, end=point, value=float(place[point][AXES.index(axis)]), sigma=2.0)
            for axis in words.split(" and ")
        ]
    ties += [
        Tie(kind="approx", end=name, place=tuple(where + 5.0)) for name, where in place.items()
    ]
    result = adjust(ties)
    for name, where in place.items():
        assert result.place(name) == pytest.approx(where, abs=1e-3)


def test_flat_tapes_are_refused_as_weak():
    """Four marks and a point within millimetres of one plane: square to it nothing holds."""
    marks = {
        "A": (5200.0, -900.0, 0.0),
        "B": (5200.0, 900.0, 0.0),
        "C": (5201.0, 0.0, 2000.0),
        "D": (5200.0, -900.0, 1500.0),
    }
    ties = [Tie(kind="control", end=k, place=v) for k, v in marks.items()]
    place = np.array([5203.0, 300.0, 700.0])
    ties += [
        Tie(kind="tape", start=k, end="P", value=float(np.linalg.norm(place - v)), sigma=2.0)
        for k, v in marks.items()
    ]
    with pytest.raises(LoftError, match=r"held too weakly|cannot be solved") as refusal:
        adjust(ties)
    assert "station" in str(refusal.value)


def test_control_with_a_sigma_moves_and_can_fail():
    """A control point a foot out on one axis, taped and plumbed all round, is found."""
    rng = np.random.default_rng(11)
    ties, _, _ = bay(rng)
    wrong = (4600.0, -900.0 + 304.8, 0.0)
    ties = [
        Tie(kind="control", end="A", place=wrong, sigma=1.0)
        if (t.kind, t.end) == ("control", "A")
        else t
        for t in ties
    ]
    failure = adjust(ties).failures[0]
    assert failure.tie.name == "bl of A"
    assert failure.suggested == pytest.approx(-900.0, abs=4.0)


def test_rows_are_read_in_every_unit():
    rows, faults = read(
        ',A,control,5200 0 1-0-0\n,B,control,"4\' 3 5/8"" 0 -12 mm",1.5\n'
        'A,F12:S4P,tape,4-3-5,,clean edge\n,F12:S4P,bl,"-24 5/8 in"\n'
        "A,F12:S4P,height,900\n,F12:S4P,approx,5200 -600 900\n"
    )
    assert faults == ()
    assert rows[0].place == pytest.approx((5200.0, 0.0, 304.8))
    assert rows[0].sigma == 0.0
    assert rows[1].place == pytest.approx((1311.275, 0.0, -12.0))
    assert rows[1].sigma == 1.5
    assert rows[2].value == pytest.approx(1311.275)
    assert (rows[2].sigma, rows[2].note, rows[2].text) == (2.0, "clean edge", "4-3-5")
    assert rows[3].value == pytest.approx(-24.625 * 25.4)
    assert np.isnan(rows[5].sigma)


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("A,B,rope,100", "ties.csv:2: kind: rope found, a kind wanted; "),
        ("A,B,,100", "kind: nothing found, a kind wanted"),
        (",B,tape,100", "from: nothing found, tape needs the point it starts from"),
        ("A,B,bl,100", "from: A found, blank wanted for kind bl"),
        ("A,,tape,100", "to: nothing found, the name of a point wanted"),
        ("A,A,tape,100", "to: A found at both ends, two points wanted"),
        ("A,B,tape,", "value: nothing found, a length wanted"),
        ("A,B,tape,-100", "value: -100 found, a tape longer than 0 wanted"),
        ("A,B,tape,0", "value: 0 found, a tape longer than 0 wanted"),
        ("A,B,tape,2005-03-04", "value: 2005-03-04 found, a length wanted: this is a date"),
        ("A,B,tape,1e7", "value: 1e7 found, less than 1 km wanted: the wrong unit?"),
        (",B,control,0 0 2e6", "value: 0 0 2e6 found, less than 1 km wanted"),
        ("A,B,tape,nan", "value: nan found, a finite length wanted"),
        ("A,B,tape,100,0", "sigma: 0 found, more than 0 wanted"),
        ("A,B,tape,100,-1", "sigma: -1 found, more than 0 wanted"),
        (",B,control,100 200", "value: 100 200 found: station, bl and wl wanted"),
        (",B,control,1 2 3 4", "value: 1 2 3 4 found: station, bl and wl wanted"),
        (",B,approx,1 2 x", "value: 1 2 x found: station, bl and wl wanted"),
        (",F99:S4P,bl,-1", "to: frame F99 in F99:S4P found"),
        (",F12:DL,bl,-1", "to: line DL in F12:DL found: its label tells no side"),
        (",F12:S4P/2,bl,-1", "to: F12:S4P/2 found, a frame and a line without / wanted"),
        ("A,B,tape,100,1,note,more", "7 cells found, 6 wanted"),
        ("A,B", "2 cells found, 6 wanted"),
    ],
)
def test_bad_row_is_refused_by_its_words(row, words):
    _, faults = read(row + "\n")
    assert len(faults) == 1
    assert words in faults[0].line()


def test_all_faults_come_at_once():
    with pytest.raises(LoftError) as refusal:
        adjust_table(job(), table(), source=HEAD + "A,B,rope,1\n,B,tape,1\nA,B,tape,x\n")
    assert [finding.row for finding in refusal.value.findings] == [2, 3, 4]


@pytest.mark.parametrize(
    ("source", "words"),
    [
        ("", "an empty table found"),
        ("from,to,kind\nA,B,tape\n", "no column value found"),
        (HEAD, "a header without rows found"),
        ("from;to;kind;value\n", "semicolons found"),
        (HEAD + "\0", "zero bytes found"),
    ],
)
def test_bad_form_is_refused(source, words):
    with pytest.raises(LoftError, match=words):
        adjust_table(job(), table(), source=source)


def test_missing_file_is_named(tmp_path):
    ties = (table(file=str(tmp_path / "none.csv")),)
    with pytest.raises(LoftError, match=r"none\.csv: no such file found"):
        ties_survey(job(ties=ties, path=tmp_path / "job.toml"))


def test_point_placed_twice_is_refused():
    source = HEAD + ",A,control,0 0 0\n,A,control,1 0 0\n,A,wl,1\n"
    with pytest.raises(LoftError, match=r"ties\.csv:3: control point A found twice .*row 2"):
        adjust_table(job(), table(), source=source)


def test_table_of_controls_alone_is_refused():
    with pytest.raises(LoftError, match="no reading found"):
        adjust_table(job(), table(), source=HEAD + ",A,control,0 0 0\n")


def written(ties, path):
    """Write ties as a table, to 0.1 mm."""
    rows = []
    for tie in ties:
        value = " ".join(f"{x:.1f}" for x in tie.place or (tie.value,))
        rows.append(f"{tie.start},{tie.end},{tie.kind},{value}\n")
    path.write_text("from,to,kind,value\n" + "".join(rows))


def test_survey_of_ties(tmp_path):
    """From the file to the record: places, covariance, face, depth, row, names."""
    ties, truth, _ = bay(np.random.default_rng(12))
    written(ties, tmp_path / "ties.csv")
    survey = ties_survey(
        job(path=tmp_path / "job.toml", ties=(table(file=str(tmp_path / "ties.csv")),))
    )
    assert len(survey) == len(truth)
    for k in range(len(survey)):
        place = truth[f"{survey.frame[k]}:{survey.line[k]}"]
        found = np.array([survey.station[k], survey.bl[k], survey.wl[k]])
        assert found == pytest.approx(place, abs=8.0)
    assert (survey.depth == 0.9).all()
    assert set(survey.face) == {"skin_inner"}
    assert set(survey.source) == {"ties.csv"}
    assert survey.row[0] == 7
    assert (np.linalg.eigvalsh(survey.covariance) > 0).all()
    assert survey.sigma == pytest.approx(np.sqrt(np.trace(survey.covariance.T) / 3))
    off = np.abs(survey.covariance[:, 0, 1])
    assert off.max() > 1e-3  # the covariance is a full one
    assert {line.name for line in survey.lines} == set(survey.line)


def test_point_without_station_stands_on_its_frame():
    """Two tapes in the plane of F12 (its touch 8 mm forward), nothing along the body."""
    frames = (Frame(name="F11", station=4700.0), Frame(name="F12", station=5200.0, touch=-8.0))
    source = HEAD + (
        ",A,control,5192 0 0\n,B,control,5192 0 800\nA,F12:S4P,tape,500\nB,F12:S4P,tape,500\n"
    )
    result = adjust_table(job(frames=frames), table(), source=source)
    assert result.place("F12:S4P") == pytest.approx([5192.0, -300.0, 400.0], abs=1e-4)
    k = result.points.index("F12:S4P")
    assert result.sd[k, 0] == pytest.approx(2.0, rel=1e-6)


def test_canted_frame_holds_its_points_on_its_plane():
    """Cant 5 degrees: 20 above the pivot the plane stands 1.7498 aft (geometry)."""
    frames = (Frame(name="F12", station=5200.0, cant=np.deg2rad(5.0), pivot_wl=380.0),)
    source = HEAD + ",F12:S4P,bl,-300\n,F12:S4P,wl,400\n"
    result = adjust_table(job(frames=frames), table(), source=source)
    assert result.place("F12:S4P")[0] == pytest.approx(5201.7498, abs=1e-3)


def test_station_sigma_widens_the_plane():
    frames = (Frame(name="F12", station=5200.0, station_sigma=20.0),)
    source = HEAD + ",F12:S4P,bl,-300\n,F12:S4P,wl,400\n"
    result = adjust_table(job(frames=frames), table(), source=source)
    assert result.sd[0, 0] == pytest.approx(np.hypot(20.0, 2.0), rel=1e-9)


def run(tmp_path, source, **more):
    (tmp_path / "ties.csv").write_text(HEAD + source)
    sets = (table(file=str(tmp_path / "ties.csv"), **more.pop("set", {})),)
    return ties_survey(job(path=tmp_path / "job.toml", ties=sets, **more))


def test_side_against_the_label_is_refused(tmp_path):
    with pytest.raises(LoftError, match=r"ties\.csv:2: F12:S4P adjusted to bl 300\.0, a port"):
        run(tmp_path, ",F12:S4P,bl,300\n,F12:S4P,wl,400\n")


def test_side_of_a_named_line_counts(tmp_path):
    lines = (Line(name="DL", kind="longeron", side="port"),)
    with pytest.raises(LoftError, match="F12:DL adjusted to bl 300"):
        run(tmp_path, ",F12:DL,bl,300\n,F12:DL,wl,400\n", lines=lines)


def test_wrong_frame_is_doubted(tmp_path):
    survey = run(tmp_path, ",F12:S4P,bl,-300\n,F12:S4P,wl,400\n,F12:S4P,station,4710\n")
    assert any("closest" in n or "from frame F11: the wrong name?" in n for n in survey.notes)


def test_point_between_frames_and_helping_point(tmp_path):
    survey = run(
        tmp_path,
        ",:S4P,bl,-300\n,:S4P,wl,400\n,:S4P,station,5000\n,MARK,wl,0\n,MARK,bl,0\n,MARK,station,0\n",
    )
    assert survey.frame.tolist() == [""]
    assert survey.line.tolist() == ["S4P"]
    assert point_name(":S4P/2").line == "S4P"


def test_unknown_depth_is_refused_once(tmp_path):
    source = "".join(f",F12:S{k}P,bl,-300\n,F12:S{k}P,wl,400\n" for k in (1, 2, 3))
    with pytest.raises(LoftError) as refusal:
        run(tmp_path, source, set={"face": "frame_flange"})
    assert len(refusal.value.findings) == 1
    assert "stands wanted" in str(refusal.value)


def test_fixed_point_on_the_aircraft_carries_the_tables_sigma(tmp_path):
    survey = run(tmp_path, ",F12:KEEL,control,5200 0 100\n,F12:S4P,bl,-300\n,F12:S4P,wl,400\n")
    assert survey.sigma[survey.line == "KEEL"] == pytest.approx(2.0)


def test_same_point_in_two_tables_is_refused(tmp_path):
    for name in ("one.csv", "two.csv"):
        (tmp_path / name).write_text(HEAD + ",F12:S4P,bl,-300\n,F12:S4P,wl,400\n")
    sets = tuple(table(file=str(tmp_path / name)) for name in ("one.csv", "two.csv"))
    with pytest.raises(LoftError, match=r"found again, it stands already in one\.csv:2"):
        ties_survey(job(path=tmp_path / "job.toml", ties=sets))


def test_axes_of_the_aircraft():
    assert AXES == ("station", "bl", "wl")


def test_parts_that_do_not_touch_are_solved_by_themselves():
    """A bad point enlarges its own covariance, and leaves a sound one what it was."""
    ties, _, _ = bay(np.random.default_rng(20))
    ties = [t for t in ties if t.kind in ("control", "bl", "wl") or t.start in CONTROL]
    alone = adjust([t for t in ties if t.end in (*CONTROL, "F11:S2S")])
    bad = [
        Tie(kind="station", end="X", value=0.0, sigma=1.0),
        Tie(kind="bl", end="X", value=0.0, sigma=1.0),
        Tie(kind="wl", end="X", value=0.0, sigma=1.0),
        Tie(kind="wl", end="X", value=60.0, sigma=1.0),
    ]
    whole = adjust(ties + bad)
    k, one = whole.points.index("F11:S2S"), alone.points.index("F11:S2S")
    assert whole.position[k] == pytest.approx(alone.position[one], abs=1e-6)
    assert whole.covariance[k] == pytest.approx(alone.covariance[one], rel=1e-6)
    assert whole.factor[k] == 1.0
    assert whole.factor[whole.points.index("X")] > 100.0
    assert [f.tie.value for f in whole.failures] == [0.0, 60.0]


def test_faults_of_all_parts_come_at_once():
    ties = [*control()]
    for name in ("P", "Q"):
        ties.append(Tie(kind="tape", start="A", end=name, value=500.0, sigma=1.0))
    with pytest.raises(LoftError) as refusal:
        adjust(ties)
    text = str(refusal.value)
    assert "point P cannot be solved" in text
    assert "point Q cannot be solved" in text


def test_reading_between_fixed_points_is_tested():
    """The marks themselves can be taped: 50 mm out is named, with nothing to adjust."""
    ties = [*control(), Tie(kind="tape", start="A", end="B", value=1850.0, sigma=2.0)]
    result = adjust(ties)
    assert result.failures[0].suggested == pytest.approx(1800.0)
    assert result.standardised[0] == pytest.approx(-25.0)
