"""Stringers followed along a bay against the Corncrake's own, and where they cannot be."""

import numpy as np
import pytest
from scanned import (
    FROM,
    SPREAD,
    TO,
    Moved,
    bay,
    by_hand,
    corncrake,
    off_line,
    scan_of,
    write,
)

from loft.corncrake import GAUGE, STRINGER, line_theta, touched
from loft.job.errors import LoftError
from loft.survey.clouds import cloud_survey
from loft.survey.crests import crest_survey
from loft.survey.readers import cloud_head
from loft.survey.runs import Tubes, runs_of

JOB = corncrake()
EXACT = Moved(np.eye(3), np.zeros(3))


@pytest.fixture(scope="module")
def scanned(tmp_path_factory):
    path = tmp_path_factory.mktemp("scan") / "bay.ply"
    return write(path, np.concatenate(bay(np.random.default_rng(1))))


def test_edges_are_found_where_they_are(scanned):
    survey, report = crest_survey(
        JOB, scan_of(scanned), by_hand(np.random.default_rng(2)), registration=EXACT
    )
    out, around, sd_out, sd_around = off_line(survey)
    assert len(survey) == 26 * 5  # the missing frame's station, and two in each of its bays
    assert set(survey.face) == {"stringer_inner"}
    assert set(survey.frame) == {""}
    # some 23 blocks of 150 points, three unknowns
    assert np.abs(out).max() < 0.4
    assert np.abs(around).max() < 1.0
    # the truth within what is stated; across is stated wide, as what is hidden of the width
    # is not known
    assert 0.5 < np.mean((out / sd_out) ** 2) < 1.6
    assert 0.2 < np.mean((around / sd_around) ** 2) < 1.5
    assert all(run["blocks_seen"] > 15 and not run["not_shown"] for run in report["runs"])


def test_a_torn_stringer_is_not_invented(tmp_path):
    """S4P is gone from 6000 aft, S6S wholly: skin all round, and nothing is read."""
    rng = np.random.default_rng(3)
    hull, edges = bay(rng)
    for line, start in (("S4P", 5980.0), ("S6S", 0.0)):
        middle = np.array([touched(line, x)[1:] for x in (FROM, TO)])
        share = (edges[:, 0] - FROM) / (TO - FROM)
        run = middle[0] + share[:, None] * (middle[1] - middle[0])
        near = np.hypot(*(edges[:, 1:] - run).T) < 45.0
        edges = edges[~(near & (edges[:, 0] > start))]
    path = write(tmp_path / "bay.ply", np.concatenate([hull, edges]))
    survey, report = crest_survey(JOB, scan_of(path), by_hand(rng), registration=EXACT)
    runs = {run["line"]: run for run in report["runs"]}
    assert runs["S4P"]["stations"] == [5840.0, 6000.0]
    assert runs["S4P"]["not_shown"] == [6160.0, 6320.0, 6480.0]
    assert runs["S6S"]["stations"] == []
    assert "S6S" not in survey.line
    assert (
        "bay.ply: S6S from station 5680 to 6640 mm is not shown at 5840, 6000, 6160, 6320, "
        "6480: nothing stands its depth inside the skin" in shortened(survey.notes)
    )
    out, around, _, _ = off_line(survey)
    assert np.abs(out).max() < 0.6
    assert np.abs(around).max() < 1.5


def shortened(notes):
    """Notes with the folder of the test's own file left out."""
    return [note[note.index("bay.ply") :] for note in notes]


def test_no_skin_no_edge(tmp_path):
    """Edges alone might be anything: what stands about a depth inside cannot be told."""
    rng = np.random.default_rng(4)
    path = write(tmp_path / "bay.ply", bay(rng)[1])
    survey, report = crest_survey(JOB, scan_of(path), by_hand(rng), registration=EXACT)
    assert len(survey) == 0
    assert {len(run["not_shown"]) for run in report["runs"]} == {5}


def test_a_half_hidden_edge_is_less_sure(tmp_path):
    """Only the lower 12 of 19 mm of every starboard edge is seen: 3.5 mm off, and said so."""
    rng = np.random.default_rng(5)
    hull, edges = bay(rng)
    middle = np.stack([line_theta("S4S", x) for x in (FROM, TO)])
    share = (edges[:, 0] - FROM) / (TO - FROM)
    theta = middle[0] + share * (middle[1] - middle[0])
    place = np.array([touched("S4S", x, depth=GAUGE + STRINGER)[1:] for x in (FROM, TO)])
    run = place[0] + share[:, None] * (place[1] - place[0])
    around = ((edges[:, 1:] - run) * np.stack([np.cos(theta), -np.sin(theta)], 1)).sum(axis=1)
    hidden = (np.abs(around) < 10.0) & (around < -2.5)
    hidden &= np.hypot(*(edges[:, 1:] - run).T) < 15.0
    path = write(tmp_path / "bay.ply", np.concatenate([hull, edges[~hidden]]))
    survey, _ = crest_survey(JOB, scan_of(path), by_hand(rng), registration=EXACT)
    mine = survey.line == "S4S"
    _, off, _, sd = off_line(survey)
    assert mine.sum() == 5
    assert (off[mine] > 2.5).all()
    assert (sd[mine] > 3.0 * np.median(sd[~mine])).all()


def test_without_registration_the_stated_sigma_stands_under_it(scanned):
    survey, _ = crest_survey(JOB, scan_of(scanned), by_hand(np.random.default_rng(2)))
    assert (survey.sigma >= SPREAD).all()


def test_runs_go_from_reading_to_reading():
    runs = runs_of(JOB, by_hand(np.random.default_rng(6), lines=("S4P", "CROWN"), sigma=0.0))
    assert [run.line for run in runs] == ["S4P"]  # the crown is no stringer
    assert (runs[0].start[0], runs[0].end[0]) == (5680.0, 6640.0)
    # moved by the stringer's depth towards the middle of the section, which is up to 60
    # degrees off the normal: no farther from the true edge than that depth
    true = touched("S4P", 5680.0, depth=GAUGE + STRINGER)[1:]
    assert np.hypot(*(runs[0].start[1:] - true)) < STRINGER


@pytest.mark.parametrize(
    ("job", "lines", "said"),
    [
        (JOB, ("CROWN",), "no stringer found that was surveyed by hand at two stations"),
        (corncrake(stringer_width=float("nan")), ("S4P",), "no stringer depth and width found"),
    ],
)
def test_what_is_lacking_is_named(tmp_path, job, lines, said):
    with pytest.raises(LoftError) as refused:
        crest_survey(job, scan_of(tmp_path / "bay.ply"), by_hand(np.random.default_rng(7), lines))
    assert said in str(refused.value)


def test_one_pass_for_skin_and_edges(scanned, monkeypatch):
    """In the pass of the other readings: as alone; of every third point whatever the chunks."""
    scan, hand = scan_of(scanned), by_hand(np.random.default_rng(2))
    alone, _ = crest_survey(JOB, scan, hand, registration=EXACT)
    found = []
    third_of_it = cloud_head(scanned).points / 3.5
    for chunk, enough in ((250_000, np.inf), (250_000, third_of_it), (70_001, third_of_it)):
        monkeypatch.setattr(Tubes, "enough", enough)
        tubes = Tubes(runs_of(JOB, hand))
        cloud_survey(JOB, scan, EXACT, chunk=chunk, tubes=tubes)
        survey, _ = crest_survey(JOB, scan, hand, registration=EXACT, tubes=tubes)
        found.append((survey, tubes.sample.seen.sum()))
    (whole, all_seen), (third, seen), (again, seen_again) = found
    assert np.array_equal(alone.bl, whole.bl)
    assert np.array_equal(third.bl, again.bl)
    assert seen == seen_again
    assert abs(3 * seen / all_seen - 1.0) < 0.01
    out, around, _, _ = off_line(third)
    assert len(third) == len(alone)
    assert np.abs(out).max() < 0.6  # as above, of a third of the points
    assert np.abs(around).max() < 1.5
