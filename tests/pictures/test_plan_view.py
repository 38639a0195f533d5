"""The plan view through its artists: everything where the scan says it is, ahead up, left left."""

from __future__ import annotations

import math

import numpy as np
import pytest

from flatten import FlattenError, State
from flatten.pictures import draw_plan
from flatten.pictures.choices import nice
from tests.pictures import scratch
from tests.pictures.scratch import ORIGIN, at, seen
from tests.twin import rotation

LEAN = (math.radians(4.0), math.radians(7.0))


def drawn(points: np.ndarray, attitude: tuple[float, float] | None = None, **overrides: object):
    """Draw the slice `drive` of points; axes, scan and profile."""
    flattener = scratch.flattener(tuple((key.replace("__", "."), value) for key, value in overrides.items()))
    cloud = seen(points, attitude)
    scans = flattener.flatten(cloud, attitude)
    axes = scratch.axes()
    draw_plan(axes, cloud, scans, flattener.profile, attitude, "drive")
    return axes, scans["drive"], flattener.profile


@pytest.mark.parametrize("attitude", [None, LEAN])
def test_hit_stands_at_its_bearing_and_range(attitude: tuple[float, float] | None) -> None:
    axes, scan, _ = drawn(np.array([at(40.2, 3.0, 0.5), at(-91.1, 5.0, 0.5)]), attitude)
    hits = scratch.line_xy(axes, "HIT") - ORIGIN
    assert len(hits) == 2
    right, left = hits  # bins go counter-clockwise from −180°
    # float32 ranges of 5 m: half a unit in the last place is 2.4e-7 m; a bin's centre lies within 0.25°
    assert np.hypot(*left) == pytest.approx(3.0, abs=5e-7)
    assert np.hypot(*right) == pytest.approx(5.0, abs=5e-7)
    assert math.degrees(math.atan2(left[1], left[0])) == pytest.approx(40.2, abs=0.25 + 1e-9)
    assert math.degrees(math.atan2(right[1], right[0])) == pytest.approx(-91.1, abs=0.25 + 1e-9)
    assert (scan.states == State.HIT).sum() == 2


def test_ahead_is_up_and_left_is_left_on_the_page() -> None:
    axes, _, _ = drawn(np.array([at(0.0, 4.0, 0.5), at(90.0, 4.0, 0.5)]))
    to_page = axes.transData.transform
    ahead, left = (to_page(p[::-1]) for p in scratch.line_xy(axes, "HIT"))
    origin = to_page(scratch.line_xy(axes, "fan's origin")[0][::-1])
    # bins of 0.5°: 4 m · sin 0.25° = 17 mm beside the axis, 2 % of what lies between
    assert ahead[1] > origin[1] and abs(ahead[0] - origin[0]) < 0.02 * (ahead[1] - origin[1])
    assert left[0] < origin[0] and abs(left[1] - origin[1]) < 0.02 * (origin[0] - left[0])
    assert ahead[1] - origin[1] == pytest.approx(origin[0] - left[0], rel=1e-3)  # one scale both ways


def test_returns_are_drawn_where_they_are_split_by_the_slice() -> None:
    axes, _, _ = drawn(np.array([at(10.0, 2.0, 0.5), at(20.0, 3.0, 1.5), at(30.0, 4.0, 0.0)]))
    inside, others = scratch.line_xy(axes, "returns of the slice"), scratch.line_xy(axes, "returns")
    assert inside == pytest.approx(at(10.0, 2.0, 0.5)[None, :2], abs=1e-12)
    assert others == pytest.approx(np.array([at(20.0, 3.0, 0.0), at(30.0, 4.0, 0.0)])[:, :2], abs=1e-12)
    assert scratch.artist(axes, "returns").get_rasterized()


def polar(ring: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distance and bearing (degrees) from the fan's origin."""
    away = ring - ORIGIN
    return np.hypot(*away.T), np.degrees(np.arctan2(away[:, 1], away[:, 0]))


def test_clear_bins_are_shaded_from_clear_from_to_clear_to() -> None:
    points = np.concatenate([scratch.clear_yard(), [at(b, 3.0, 0.5) for b in np.arange(30.05, 50.0, 0.1)]])
    axes, scan, _ = drawn(points)
    assert scan.states is not None and scan.clear_from is not None and scan.clear_to is not None
    clear = scan.states == State.CLEAR
    assert 0.8 < clear.mean() < 1.0
    bearing = scan.first + (np.arange(scan.bins) + 0.5) * scan.step
    way = np.stack([np.cos(bearing), np.sin(bearing)], axis=1)
    rings = scratch.rings_xy(axes, "CLEAR")
    for part, expected in ((1e-3, clear), (0.5, clear), (0.999, clear), (1.001, False), (-1e-3, False)):
        away = scan.clear_from + part * (scan.clear_to - scan.clear_from)
        assert np.array_equal(scratch.winding(rings, ORIGIN + way * away[:, None]) != 0, clear & expected)
    part_rings = scratch.rings_xy(axes, "partly witnessed")
    partly = ~clear & (scan.clear_to > scan.clear_from)
    middle = ORIGIN + way * ((scan.clear_from + scan.clear_to) / 2)[:, None]
    assert partly.any() and np.array_equal(scratch.winding(part_rings, middle) != 0, partly)
    assert scan.clear_to[partly].max() <= 3.0  # no farther than the obstacle


def test_too_near_and_blocked_bins_have_their_sectors() -> None:
    points = np.array([at(60.2, 0.28, 0.93), at(180.2, 0.3, 0.5), at(-140.2, 0.2, 0.5)])
    axes, scan, profile = drawn(points, reach__near=0.5)
    assert scan.states is not None
    assert {int(s) for s in scan.states} == {State.UNSEEN, State.TOO_NEAR, State.BLOCKED}
    distance, bearing = polar(scratch.rings_xy(axes, "TOO_NEAR")[0])
    assert distance.max() == pytest.approx(profile.reach.near, abs=1e-12)
    edge = bearing[distance > 0.1]
    assert (edge.min(), edge.max()) == pytest.approx((60.0, 60.5), abs=1e-9)
    blocked = scratch.rings_xy(axes, "BLOCKED")
    assert len(blocked) == 2
    edges = sorted(tuple(np.unique(polar(ring)[1][polar(ring)[0] > 1e-9].round(9))) for ring in blocked)
    assert edges[0] == pytest.approx((-180.0, -179.5), abs=1e-9)
    assert edges[1] == pytest.approx((-140.5, -140.0), abs=1e-9)
    assert scratch.artist(axes, "BLOCKED").get_hatch() != scratch.artist(axes, "TOO_NEAR").get_hatch()


def test_blind_zones_lie_where_they_are_declared() -> None:
    axes, _, _ = drawn(np.empty((0, 3)))
    hull = scratch.rings_xy(axes, "blind zone hull")[0]
    assert (hull.min(axis=0), hull.max(axis=0)) == (
        pytest.approx([-0.48, -0.36]), pytest.approx([0.48, 0.36]),
    )  # fmt: skip
    lamp = scratch.rings_xy(axes, "blind zone lamp")[0]
    assert np.hypot(*(lamp - (0.4, 0.3)).T) == pytest.approx(np.full(len(lamp), 0.06))
    distance, bearing = polar(scratch.rings_xy(axes, "blind zone mast")[0])
    assert (distance.min(), distance.max()) == pytest.approx((0.1, 0.6))
    assert np.abs(bearing).min() == pytest.approx(170.0)


def test_leaning_body_takes_zones_and_robot_along_but_not_the_fan() -> None:
    level, leaning = drawn(np.empty((0, 3)))[0], drawn(np.empty((0, 3)), LEAN)[0]
    # nose down by 7° takes the roof at 0.9 m forward by 0.9 · sin 7° = 0.11 m
    front = [scratch.rings_xy(axes, "blind zone hull")[0][:, 0].max() for axes in (level, leaning)]
    corner = rotation(*LEAN, 0.0) @ (0.48, 0.36, 0.9)  # left side up: the upper left corner is foremost
    assert front == pytest.approx([0.48, corner[0]], abs=1e-12)
    for label in ("fan's origin", "reach near", "reach far"):
        assert np.array_equal(scratch.line_xy(level, label), scratch.line_xy(leaning, label))


def test_reach_and_scale_bar_have_their_true_length() -> None:
    axes, _, profile = drawn(np.empty((0, 3)))
    for label, radius in (("reach near", profile.reach.near), ("reach far", profile.reach.far)):
        assert polar(scratch.line_xy(axes, label))[0] == pytest.approx(radius)
    bar = scratch.line_xy(axes, "scale bar")
    middle = pytest.approx(bar[:, 1].mean())
    written = [text.get_text() for text in axes.texts if text.get_position()[0] == middle]
    assert f"{np.hypot(*(bar[1] - bar[0])):g} m" in written
    for length, rounded in ((0.3, 0.2), (1.0, 1.0), (4.99, 2.0), (5.0, 5.0), (17.0, 10.0)):
        assert nice(length) == pytest.approx(rounded)


def test_title_tells_file_slice_and_counts() -> None:
    cloud = seen(scratch.yard(), name="/place/no $x^2$ $y$ ünder.pcd")
    scans = scratch.flattener().flatten(cloud)
    axes = scratch.axes()
    draw_plan(axes, cloud, scans, scratch.profile(), None, "low")
    told = "\n".join(text.get_text() for text in axes.texts)
    counts = scans["low"].counts
    assert "no $x^2$ $y$ ünder.pcd · low" in told and "/place" not in told
    assert f"{counts.returns:,} returns" in told and f"{counts.used:,} in this slice" in told
    hits = int((scans["low"].states == State.HIT).sum())
    assert f"720 bins: {hits} HIT" in told
    axes.figure.canvas.draw()  # what looks like a formula is drawn as it is written


def test_part_of_a_circle_shows_its_edges_and_the_robot() -> None:
    axes, scan, _ = drawn(scratch.yard(), fan__first=-60, fan__last=75, fan__bins=270)
    edges = [np.stack(a.get_data(), axis=1)[:, ::-1] for a in scratch.artists(axes, "fan's edge")]
    assert sorted(polar(edge)[1][-1] for edge in edges) == pytest.approx([-60.0, 75.0])
    corner = axes.transData.inverted().transform(axes.transAxes.transform([(0, 0), (1, 1)]))[:, ::-1]
    robot = scratch.rings_xy(axes, "robot")[0]
    assert (robot.min(axis=0) > corner.min(axis=0)).all() and (robot.max(axis=0) < corner.max(axis=0)).all()
    assert scan.bins == 270


def test_hits_outside_the_view_are_counted() -> None:
    axes, _, _ = drawn(
        np.array(
            [
                at(0.2, 24.0, 0.5),
                at(90.2, 2.0, 0.5),
                at(91.2, 2.0, 0.5),
                at(92.2, 2.0, 0.5),
                at(93.2, 2.0, 0.5),
            ]
        )
    )
    assert "1 HIT beyond this view" in [text.get_text() for text in axes.texts]


def test_a_thinned_background_is_told() -> None:
    axes, scan, _ = drawn(scratch.yard(60_000))
    assert scan.counts.returns == 60_000
    assert "40,000 of 60,000 returns drawn" in [text.get_text() for text in axes.texts]
    shown = [len(scratch.line_xy(axes, label)) for label in ("returns", "returns of the slice")]
    assert 30_000 < sum(shown) <= 40_000  # less what lies outside the view


@pytest.mark.parametrize("fields", [{"ranges"}, {"states"}, {"hits"}, {"clear_from", "clear_to"}])
def test_draws_what_there_is_of_a_scan(fields: set[str]) -> None:
    flattener, cloud = scratch.flattener((), frozenset(fields)), seen(scratch.yard())
    axes, scans = scratch.axes(), flattener.flatten(seen(scratch.yard()))
    draw_plan(axes, cloud, scans, flattener.profile, None, "drive")
    axes.figure.canvas.draw()
    full = scratch.flattener().flatten(cloud)["drive"]
    hits = int((full.states == State.HIT).sum())
    assert len(scratch.line_xy(axes, "HIT")) == (hits if "ranges" in fields else 0)
    assert len(scratch.line_xy(axes, "returns of the slice")) > 0
    legend = [text.get_text() for text in axes.get_legend().get_texts()]
    assert ("UNSEEN or BLOCKED (white): nothing known" in legend) == (fields == {"ranges"})


def test_unknown_slice_is_refused_in_words() -> None:
    cloud = seen(scratch.yard(100))
    with pytest.raises(FlattenError, match="no scan of a slice 'roof' to draw: there are drive, low"):
        draw_plan(scratch.axes(), cloud, scratch.flattener().flatten(cloud), scratch.profile(), None, "roof")
