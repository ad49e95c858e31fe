"""The parts of a scan's reading alone: the sample, the slabs, the cells, the centre."""

import numpy as np
import pytest
from scanned import corncrake

from loft.corncrake import STATIONS
from loft.job.records import Frame
from loft.survey.cells import find_metal
from loft.survey.centre import centre_heights
from loft.survey.sample import REACH, SQUARE, Sampler, priority
from loft.survey.slabs import Cutter, Slab, slabs_of

SIGMA = 0.5


def ring(rng, count, radius, half=15.0, sigma=SIGMA):
    """Points of a section given as radius(theta), (along, bl, wl); slope fore and aft 0.1."""
    theta, along = rng.uniform(-np.pi, np.pi, count), rng.uniform(-half, half, count)
    r = radius(theta) + 0.1 * along + rng.normal(0.0, sigma, count)
    return np.stack([along, r * np.sin(theta), r * np.cos(theta)], axis=1)


def seen(points, **more):
    """Cells of a section about its own centre: angle and radius where metal was found."""
    cells = find_metal(points, 0.0, sigma=SIGMA, **more)
    held = cells.found
    angle = np.arctan2(cells.bl[held], cells.wl[held])
    return angle, np.hypot(cells.bl[held], cells.wl[held]), cells


# ---- cells -------------------------------------------------------------------------------


def test_circle_with_taper_is_read_at_the_plane():
    """Slope 0.1 fore and aft: the radius at the plane itself, not the mean over the slab."""
    points = ring(np.random.default_rng(1), 60_000, lambda theta: 600.0 + 0.0 * theta)
    points = points[points[:, 0] > -5.0]  # lopsided: the mean over the slab would be 0.5 off
    _, radius, cells = seen(points)
    # 110 points: 0.5 / sqrt(110) = 0.05, and the lever of the lopsided slab doubles it
    assert abs(radius.mean() - 600.0) < 0.02
    assert radius.std() < 0.12
    assert 0.7 < np.mean(((radius - 600.0) / cells.sd[cells.found]) ** 2) < 1.3


@pytest.mark.parametrize("turn", [10.0, 30.0, 60.0, 90.0])
def test_a_chine_is_no_fault(turn):
    """Two planes that meet at starboard: cells up to the edge are read on their own side."""
    edge, bend = np.pi / 2 + np.deg2rad(0.5), np.deg2rad(turn / 2.0)

    def radius(theta):
        # two straight sides that lean back by half the turn from the circle's tangent
        off = np.abs(theta - edge)
        straight = 600.0 * np.cos(bend) / np.cos(np.minimum(off, 1.7) - bend)
        return np.where(off < 2.0 * bend, straight, 600.0)

    angle, got, _ = seen(ring(np.random.default_rng(2), 60_000, radius))
    off = got - radius(angle)
    near = np.abs(angle - edge) < np.deg2rad(15.0)
    assert near.sum() >= 26  # of 30 cells; the edge may run through two or three
    # a cell that the edge cuts rounds it by at most the quarter of its own width times the bend
    assert np.abs(off[near]).max() < 1.0 + 2.6 * np.tan(bend)
    assert np.median(np.abs(off[near])) < 0.3


def test_few_points_make_wider_cells():
    rng = np.random.default_rng(3)
    few = find_metal(ring(rng, 4000, lambda t: 600.0 + 0 * t), 0.0, sigma=SIGMA)
    many = find_metal(ring(rng, 40_000, lambda t: 600.0 + 0 * t), 0.0, sigma=SIGMA)
    assert (len(few.bl), len(many.bl)) == (120, 360)
    assert few.found.sum() > 115
    assert np.abs(np.hypot(few.bl, few.wl)[few.found] - 600.0).max() < 5 * few.sd.max()


def test_far_too_few_points_give_nothing():
    rng = np.random.default_rng(4)
    assert not find_metal(ring(rng, 200, lambda t: 600.0 + 0 * t), 0.0, sigma=SIGMA).found.any()


def test_a_broad_bracket_is_an_island():
    """Ten degrees wide and 12 mm inside: no neighbour of it but its own can speak for it."""
    rng = np.random.default_rng(5)
    points = ring(rng, 40_000, lambda t: 600.0 - 12.0 * (np.abs(t - 1.0) < np.deg2rad(5.0)))
    angle, radius, _ = seen(points)
    assert np.abs(radius - 600.0).max() < 1.0
    assert (np.abs(angle - 1.0) > np.deg2rad(4.0)).all()
    assert len(radius) > 340


def test_outer_layer_is_taken_where_the_inner_has_more_points():
    """Two layers 15 mm apart, three points of four on the inner: skin seen from within."""
    rng = np.random.default_rng(6)
    inner = ring(rng, 60_000, lambda t: 585.0 + 0 * t)
    points = np.concatenate([ring(rng, 30_000, lambda t: 600.0 + 0 * t), inner])
    points = points[rng.permutation(len(points))]
    assert abs(np.median(seen(points, layer="outermost")[1]) - 600.0) < 0.1
    assert abs(np.median(seen(points)[1]) - 585.0) < 0.1


def test_two_sides_apart_are_one_body():
    points = ring(np.random.default_rng(7), 60_000, lambda t: 600.0 + 50.0 * np.sin(t))
    angle = np.abs(np.arctan2(points[:, 1], points[:, 2]))
    angle, _, _ = seen(points[(angle > 1.0) & (angle < 2.0)])
    assert (angle > 0).sum() > 50
    assert (angle < 0).sum() > 50


def test_roughness_of_the_metal_itself_is_seen():
    """Every cell out by 0.4 mm of its own: points' spread tells nothing of it."""
    rng = np.random.default_rng(8)
    out = rng.normal(0.0, 0.4, 360)
    cell = lambda t: out[np.floor((t + np.pi) / (2 * np.pi / 360)).astype(int) % 360]  # noqa: E731
    _, radius, cells = seen(ring(rng, 80_000, lambda t: 600.0 + cell(t)))
    total = np.hypot(cells.rough, np.median(cells.sd[cells.found]))
    # 360 third differences, correlated: their robust spread is good to a tenth or so
    assert abs(total / radius.std() - 1.0) < 0.25


# ---- centre ------------------------------------------------------------------------------


def test_centre_is_the_body_s_even_in_a_whole_hangar():
    """Ten points on floor and walls for each on the body."""
    rng = np.random.default_rng(9)
    theta = rng.uniform(-np.pi, np.pi, 600)
    body = np.stack([600.0 * np.sin(theta), 900.0 + 800.0 * np.cos(theta)], axis=1)
    floor = np.stack([rng.uniform(-8e3, 8e3, 3000), np.full(3000, -1200.0)], axis=1)
    wall = np.stack([np.full(3000, 8e3), rng.uniform(-1200.0, 5e3, 3000)], axis=1)
    points = rng.permutation(np.concatenate([body, floor, wall]))
    heights = centre_heights(np.array([0.0, 500.0]), [points, points], spacing=500.0)
    assert np.abs(heights - 900.0).max() < 400.0  # no nearer to crown or keel than half way


# ---- sample ------------------------------------------------------------------------------


def offer(sampler, place, number):
    """Offer points of one slab, (offset, bl, wl)."""
    slab = np.zeros(len(place), int)
    sampler.add(sampler.sift(slab, place[:, 0], place[:, 1:], number=number))


def offered(order, **more):
    """A sample of points that are offered in some order and in some chunks."""
    rng = np.random.default_rng(10)
    place = np.column_stack([rng.uniform(-15, 15, 20_000), rng.uniform(0, 50, (20_000, 2))])
    sampler = Sampler(**more)
    for part in order:
        offer(sampler, place[part], part)
    return sampler.sample()


def test_sample_knows_no_order_and_no_chunks():
    whole = offered([np.arange(20_000)])
    shuffled = np.random.default_rng(11).permutation(20_000)
    parts = offered(np.array_split(shuffled, 37))
    assert (whole.offset == parts.offset).all()
    assert whole.seen.tolist() == parts.seen.tolist() == [20_000]


def test_sample_that_is_merged_many_times_is_the_same(monkeypatch):
    """What a full square bars at the door would not have stayed, and is counted all the same."""
    whole = offered([np.arange(20_000)])
    monkeypatch.setattr("loft.survey.sample._PENDING", 300)
    parts = offered(np.array_split(np.arange(20_000), 50))
    assert (whole.offset == parts.offset).all()
    assert whole.seen.tolist() == parts.seen.tolist() == [20_000]


def test_smaller_room_keeps_part_of_the_larger_sample():
    larger, smaller = offered([np.arange(20_000)]), offered([np.arange(20_000)], most=400)
    assert smaller.per_square == 16  # 25 squares: 64 and 32 a square would be over 400
    assert abs(len(smaller.slab) - 400) < 80  # 25 binomials of 800 points, sd 20 in all
    assert set(smaller.offset) < set(larger.offset)


def test_every_point_of_a_square_with_room_is_kept():
    """29 points a square: all of them, whatever their rank; of 1150 some 64."""
    assert len(offered([np.arange(500)]).slab) == 500
    full = offered([np.arange(20_000)])
    across, up = (((axis + REACH) // SQUARE).astype(int) for axis in (full.bl, full.wl))
    square = (across - across.min()) * 10 + up - up.min()
    count = np.unique(square, return_counts=True)[1]
    assert abs(count[count > 40].mean() - 64.0) < 8.0  # sixteen binomials: sd 2


def test_sample_is_fair():
    """64 of 800 points a square: their mean is that of all, within chance."""
    sample = offered([np.arange(20_000)])
    # uniform from -15 to 15 has sd 8.66; of 1600 points 0.22
    assert abs(sample.offset.mean()) < 0.8
    rank = priority(np.arange(100_000)).astype(float) / 2.0**64
    assert abs(rank.mean() - 0.5) < 0.005  # sd of the mean 0.0009
    assert abs(np.corrcoef(rank[:-1], rank[1:])[0, 1]) < 0.02


def test_what_is_far_off_is_counted_and_left():
    sampler = Sampler()
    offer(sampler, np.array([[0, 0, 0], [0, 6e4, 0.0]]), np.arange(2))
    sample = sampler.sample()
    assert (sample.far, sample.seen.tolist(), len(sample.slab)) == (1, [1], 1)


# ---- slabs -------------------------------------------------------------------------------


def test_slabs_of_the_corncrake():
    job = corncrake(touch=-10.0)
    slabs = {slab.station: slab for slab in slabs_of(job, "skin_inner")}
    sound, missing = slabs[STATIONS["F13"]], slabs[STATIONS["F14"]]
    assert (sound.frame, sound.low, sound.high, sound.at) == ("F13", 0.0, 15.0, 7.5)
    assert (missing.frame, missing.low, missing.high, missing.at) == ("", -15.0, 15.0, 0.0)
    stations = np.array(sorted(slabs))
    assert np.diff(stations).max() <= 160.0
    flanges = slabs_of(job, "frame_flange")
    assert [slab.frame for slab in flanges] == [name for name in STATIONS if name != "F14"]
    assert {(slab.low, slab.high, slab.at) for slab in flanges} == {(-15.0, -5.0, -10.0)}
    outside = {slab.station: slab for slab in slabs_of(job, "skin_outer")}
    assert (outside[5680.0].low, outside[5680.0].high) == (-15.0, 15.0)


def test_slabs_that_overlap_both_get_their_points():
    cutter = Cutter((Slab(frame="A", station=0.0), Slab(frame="B", station=10.0)), ())
    slab, index, offset = cutter.cut(np.array([5.0, -12.0, 24.0]), lambda i: np.zeros((len(i), 2)))
    assert sorted(zip(slab.tolist(), index.tolist(), offset.tolist(), strict=True)) == [
        (0, 0, 5.0),
        (0, 1, -12.0),
        (1, 0, -5.0),
        (1, 2, 14.0),
    ]


def test_bays_keep_clear_of_a_canted_frame():
    """The frame leans 10 degrees: 1 m up it stands 176 mm aft, in the bay's own slab."""
    frame = Frame(name="F2", station=0.0, cant=np.deg2rad(10.0))
    slabs = (
        Slab(frame="F2", station=0.0, cant=frame.cant),
        Slab(frame="", station=170.0),
    )
    cutter = Cutter(slabs, (frame,))
    across = np.array([[0.0, 1000.0], [0.0, 0.0]])
    slab, index, _ = cutter.cut(np.array([172.0, 172.0]), lambda i: across[i])
    assert list(zip(slab.tolist(), index.tolist(), strict=True)) == [(1, 1), (0, 0)] or list(
        zip(slab.tolist(), index.tolist(), strict=True)
    ) == [(0, 0), (1, 1)]
