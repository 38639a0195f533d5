"""Roll, pitch and height from made floors with known truth, and what is refused."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flatten import Cloud, TuningError, frames
from flatten.tuning import checks, start
from flatten.tuning.floor_plane import OWN_ERROR, Plane
from flatten.tuning.lean import Pose, floor_before, level_values, mounted, mounted_by, yaw_of_mount
from flatten.tuning.mount import Finder, estimate
from flatten.tuning.patches import SECTORS, beams_of
from flatten.tuning.weighing import surprising, weigh
from tests.tuning.floors import UPRIGHT, beams, cloud, flat, to_patch, to_plane

ANGLES = st.floats(-0.5, 0.5)
OFF = Pose(0.3, -0.1, 0.6, math.radians(-5.0), math.radians(-1.0), math.radians(3.0))
"""A start that is off by 0.2 m and 9°."""


@pytest.mark.parametrize("roll", [2.0, -178.0, 160.0])
def test_the_mount_is_found_upright_and_upside_down(roll: float) -> None:
    truth = UPRIGHT._replace(roll=math.radians(roll))
    begun = truth._replace(z=0.6, roll=math.radians(roll - 7.0), pitch=math.radians(-1.0))
    found = estimate([flat(truth)], begun)
    off = found.values[:3] - [truth.roll, truth.pitch, truth.z]
    off[0] = math.remainder(off[0], 2 * math.pi)
    assert (np.abs(off) < 4.0 * found.sigmas[:3]).all()
    assert (np.abs(off) < [math.radians(0.05), math.radians(0.05), 0.005]).all()
    support = found.clouds[0].support
    assert support.returns > 2000 and support.patches > 100
    assert support.bearings == pytest.approx(2 * math.pi)
    assert support.nearest < 1.0 and support.farthest > 5.0


@pytest.mark.parametrize("roll", [2.0, -178.0])
def test_a_blind_start_needs_no_mount(roll: float) -> None:
    truth = UPRIGHT._replace(roll=math.radians(roll))
    found = estimate([flat(truth)], Pose(), blind=True)
    assert np.abs(found.values[1:3] - [truth.pitch, truth.z]).max() < 0.003
    assert abs(math.remainder(found.values[0] - truth.roll, 2 * math.pi)) < 0.003


@settings(max_examples=6)
@given(st.one_of(st.floats(-3.1, 3.1), st.integers(-12, 12).map(lambda k: k * 2.0 * math.pi / SECTORS)))
def test_turning_the_cloud_about_the_vertical_changes_nothing_but_yaw(turn: float) -> None:
    """The same floor, the sensor turned about the vertical: up in the sensor's axes stays what it is."""
    plain = flat()
    level_from_sensor = frames.rotation(UPRIGHT.roll, UPRIGHT.pitch, 0.0)
    about_vertical = level_from_sensor.T @ frames.rotation_z(turn) @ level_from_sensor
    a = estimate([plain], UPRIGHT)
    b = estimate([Cloud.from_array(plain.xyz @ about_vertical.T)], UPRIGHT)
    # noise turns with the cloud, and the error that it makes with the noise
    up_a, up_b = (frames.rotation(found.values[0], found.values[1], 0.0)[2] for found in (a, b))
    off = np.array([np.linalg.norm(about_vertical @ up_a - up_b), abs(a.values[2] - b.values[2])])
    sigma = np.array([np.linalg.norm(a.sigmas[:2]), a.sigmas[2]])
    same = abs(math.remainder(turn, 2.0 * math.pi / SECTORS)) < 1e-12
    # the same patches, but for returns on a border; other patches: a part of the stated error
    assert (off < (0.05 if same else 1.5) * sigma).all()
    assert a.clouds[0].support.returns == pytest.approx(b.clouds[0].support.returns, rel=0.05)


def test_the_order_of_the_returns_changes_nothing() -> None:
    points = flat().xyz
    mixed = points[np.random.default_rng(3).permutation(len(points))]
    a, b = estimate([Cloud.from_array(points)], OFF), estimate([Cloud.from_array(mixed)], OFF)
    # sums in another order; and the random start may be another one: a part of the stated error
    assert (np.abs(a.values - b.values) < 0.2 * a.sigmas).all()


def test_the_same_cloud_gives_the_same_answer() -> None:
    a, b = estimate([flat()], OFF), estimate([flat()], OFF)
    np.testing.assert_array_equal(a.values, b.values)


def test_millimetres_are_recognised() -> None:
    metres = flat()
    large = Cloud.from_array((metres.xyz * 1000.0).astype(np.int32), "large")
    found = estimate([large], OFF)
    assert found.clouds[0].millimetres and not estimate([metres], OFF).clouds[0].millimetres
    assert found.values[2] == pytest.approx(UPRIGHT.z, abs=0.002)


class TestSeveralClouds:
    def test_they_are_surer_together_and_say_how_they_differ(self) -> None:
        clouds = [flat(seed=seed) for seed in range(4, 8)]  # these differ by no more than chance has it
        alone, together = estimate(clouds[:1], OFF), estimate(clouds, OFF)
        single = np.mean([part.sigmas for part in together.clouds], axis=0)
        assert not together.widened
        assert (together.sigmas[:2] < 0.7 * single[:2]).all()  # about half
        # the method's own error of height is the same in all of them
        assert OWN_ERROR < together.sigmas[2] < single[2]
        assert (alone.disagreement == 0.0).all() and (together.disagreement > 0.0).all()

    def test_the_same_cloud_again_is_no_news(self) -> None:
        alone, twice = estimate([flat()], OFF), estimate([flat(), flat()], OFF)
        np.testing.assert_allclose(twice.values, alone.values, atol=1e-9)
        np.testing.assert_allclose(twice.sigmas, alone.sigmas, rtol=1e-6)

    def test_where_they_disagree_the_errors_are_widened(self) -> None:
        other = UPRIGHT._replace(pitch=UPRIGHT.pitch + math.radians(0.5), z=UPRIGHT.z + 0.02)
        found = estimate([flat(), flat(other, seed=1)], OFF)
        assert found.widened
        assert (found.disagreement[1:] > 10.0).all()
        assert found.sigmas[1] == pytest.approx(math.radians(0.25), rel=0.2)  # half of what they differ by
        assert found.sigmas[2] == pytest.approx(0.01, rel=0.2)

    def test_a_bad_cloud_is_left_out_and_told(self) -> None:
        finder = Finder(OFF)
        finder.look(flat(), "good")
        finder.look(Cloud.from_array(np.full((10, 3), np.nan)), "bad")
        found, yaw = finder.find()
        assert yaw is None
        assert [left.name for left in found.refused] == ["bad"]
        assert [part.name for part in found.clouds] == ["good"]

    def test_none_is_left(self) -> None:
        with pytest.raises(TuningError, match="no clouds"):
            estimate([], OFF)
        with pytest.raises(TuningError, match="empty: no return in it is finite"):
            finder = Finder(OFF)
            finder.look(Cloud.from_array(np.zeros((5, 3))), "empty")
            finder.find()


def tilted(degrees: float) -> Cloud:
    directions, level = beams(UPRIGHT)
    angle = math.radians(degrees)
    return cloud(directions, to_plane(level, (math.sin(angle), 0.0, math.cos(angle)), UPRIGHT.z))


def stepped(rise: float) -> Cloud:
    """Two levels: the left half is higher (lower, where negative)."""
    directions, level = beams(UPRIGHT)
    right = to_patch(level, -UPRIGHT.z, (-50.0, 50.0), (-50.0, 0.0))
    left = to_patch(level, rise - UPRIGHT.z, (-50.0, 50.0), (0.0, 50.0))
    return cloud(directions, np.minimum(right, left))


def table() -> Cloud:
    """A board of 3 m × 3 m right under the sensor, the floor 0.75 m below it."""
    directions, level = beams(UPRIGHT)
    board = to_patch(level, -UPRIGHT.z, (-1.5, 1.5), (-1.5, 1.5))
    return cloud(directions, np.minimum(board, to_plane(level, (0.0, 0.0, 1.0), UPRIGHT.z + 0.75)))


def rug() -> Cloud:
    directions, level = beams(UPRIGHT)
    return cloud(directions, to_patch(level, -UPRIGHT.z, (0.9, 1.4), (-0.2, 0.2)))


def rough() -> Cloud:
    directions, level = beams(UPRIGHT)
    away = to_plane(level, (0.0, 0.0, 1.0), UPRIGHT.z)
    with np.errstate(invalid="ignore"):
        x = np.where(np.isfinite(away), level[:, 0] * away, 0.0)
    away = away + 0.06 * np.sin(2.0 * x) / np.minimum(level[:, 2], -1e-3)
    return cloud(directions, away)


@pytest.mark.parametrize(
    ("made", "words"),
    [
        (lambda: tilted(20.0), r"tilted \d+\.\d° against level floor"),
        (lambda: stepped(0.15), r"two levels|no floor: .* below it"),
        (lambda: stepped(-0.15), r"two levels|no floor: .* below it"),
        (lambda: stepped(0.05), r"not flat: whole regions of it are off by \d+ mm"),
        (lambda: stepped(0.02), r"not flat: whole regions of it are off by \d+ mm"),
        (table, r"no floor: \d+\.\d m² of another level lie 0\.7\d m below it, as under a table"),
        (rug, r"too small|no floor where"),
        (rough, r"not flat|two levels"),
        (lambda: Cloud.from_array(np.ones((500, 3))), r"no floor where the profile's mount has it"),
    ],
    ids=[
        "tilted",
        "step up",
        "step down",
        "small step",
        "smaller step",
        "table",
        "rug",
        "rough",
        "one point",
    ],
)
def test_what_is_no_flat_floor_is_refused_in_one_line(made: Callable[[], Cloud], words: str) -> None:
    with pytest.raises(TuningError, match=words) as caught:
        estimate([made()], UPRIGHT)
    assert "\n" not in str(caught.value)


def test_a_blind_start_takes_no_table_and_no_wall() -> None:
    # the floor under the table, and not its board
    assert estimate([table()], Pose(), blind=True).values[2] == pytest.approx(1.55, abs=0.003)
    directions, level = beams(UPRIGHT)
    room = np.minimum.reduce(
        [
            to_plane(level, (0.0, 0.0, 1.0), UPRIGHT.z),
            to_plane(level, (-1.0, 0.0, 0.0), 1.2),
            to_plane(level, (0.0, 1.0, 0.0), 3.0),
            to_plane(level, (0.0, 0.0, -1.0), 1.7),  # a ceiling: as flat, farther away
        ]
    )
    assert estimate([cloud(directions, room)], Pose(), blind=True).values[2] == pytest.approx(0.8, abs=0.003)


def test_a_start_too_far_off_is_refused() -> None:
    with pytest.raises(TuningError, match=r"tilted 1[0-9]\.\d°"):
        estimate([flat()], UPRIGHT._replace(pitch=UPRIGHT.pitch + math.radians(15.0)))
    with pytest.raises(TuningError, match=r"no floor where|lies 0\.50 m lower"):
        estimate([flat()], UPRIGHT._replace(z=0.3))


def test_limits_are_said_with_the_figures() -> None:
    with pytest.raises(TuningError, match=r"roll 1\.00°, pitch 0\.10°, z 1 mm"):
        checks.check_sure(np.array([math.radians(1.0), math.radians(0.1), 0.001]))
    with pytest.raises(TuningError, match=r"leans 15\.0° and lies \+0\.00 m"):
        checks.check_near(
            Plane(frames.rotation(0.0, math.radians(15.0), 0.0)[2], 1.0), Plane(np.array([0.0, 0, 1]), 1.0)
        )
    assert checks.narrowest(np.zeros((1, 2))) == 0.0
    assert checks.narrowest(np.array([[0.0, 0], [4, 0], [0, 2], [4, 2]])) == pytest.approx(math.sqrt(4 / 3))


class TestLean:
    """level_from_sensor = level_from_body · body_from_sensor, taken apart again."""

    @given(ANGLES, ANGLES, st.floats(-3.1, 3.1), ANGLES, ANGLES, st.booleans())
    def test_a_mount_goes_round(
        self, roll: float, pitch: float, yaw: float, lean: float, nose: float, upside_down: bool
    ) -> None:
        mount = Pose(0.4, -0.2, 0.7, math.remainder(roll + math.pi * upside_down, 2 * math.pi), pitch, yaw)
        attitude = (0.5 * lean, 0.5 * nose)
        floor = floor_before(mount, attitude)
        level = level_values(floor.up, floor.distance)
        back = mounted(level, attitude, mount.x, mount.y, mount.yaw)
        assert abs(math.remainder(back[0] - mount.roll, 2 * math.pi)) < 1e-9
        np.testing.assert_allclose(back[1:], [mount.pitch, mount.z], atol=1e-9)
        placed = frames.level_from_body(*attitude)[:3, :3] @ frames.rotation(*mount[3:])
        in_level = frames.rotation(level[0], level[1], 0.0)
        turn = placed @ in_level.T  # about the vertical
        level_yaw = math.atan2(turn[1, 0], turn[0, 0])
        assert abs(math.remainder(yaw_of_mount(level, level_yaw, attitude) - yaw, 2 * math.pi)) < 1e-9

    def test_a_body_that_does_not_lean_changes_nothing(self) -> None:
        level = np.array([0.1, -0.2, 0.9])
        np.testing.assert_allclose(mounted(level, (0.0, 0.0), 1.0, 2.0, 0.5), level, atol=1e-12)
        np.testing.assert_allclose(mounted_by(level, (0.0, 0.0), 1.0, 2.0, 0.5), np.eye(3), atol=1e-9)

    def test_the_mount_of_a_leaning_body_is_found(self) -> None:
        attitude = (math.radians(3.0), math.radians(-4.0))
        floor = floor_before(UPRIGHT, attitude)
        seen = level_values(floor.up, floor.distance)
        directions, level = beams(Pose(0.0, 0.0, seen[2], seen[0], seen[1], 0.0))
        made = cloud(directions, to_plane(level, (0.0, 0.0, 1.0), seen[2]))
        finder = Finder(UPRIGHT, attitude=attitude)
        finder.look(made)
        found, _ = finder.find()
        off = found.values[:3] - [UPRIGHT.roll, UPRIGHT.pitch, UPRIGHT.z]
        assert (np.abs(off) < 4.0 * found.sigmas[:3]).all()


class TestWeighing:
    def test_the_better_one_counts_more(self) -> None:
        a, b = np.zeros((4, 1)), np.zeros((4, 1))
        a[0], b[1] = 1.0, 2.0
        told = weigh([np.array([0.0]), np.array([1.0])], [a, b])
        assert told.values[0] == pytest.approx(0.2)  # 1/4 against 1: one fifth
        assert told.sigmas[0] == pytest.approx(math.sqrt(0.8))  # 1/(1 + 1/4)
        assert told.disagreement[0] == pytest.approx(0.2)  # (1 − 0)²/(1² + 2²)

    def test_what_they_share_does_not_shrink(self) -> None:
        shared = np.array([[3.0], [0.0]])
        told = weigh([np.zeros(1), np.zeros(1)], [shared, shared])
        assert told.sigmas[0] == pytest.approx(3.0)

    @pytest.mark.parametrize(("freedom", "point"), [(1, 3.841), (2, 5.991), (5, 11.070), (20, 31.410)])
    def test_surprise_begins_at_the_95_percent_point(self, freedom: int, point: float) -> None:
        """Points of chi-square as printed in any table of it (from memory; SciPy says the same)."""
        assert surprising(freedom) == pytest.approx(point / freedom, rel=0.03)


def test_planes_come_largest_first() -> None:
    points = np.concatenate([flat(noise=0.0).xyz, [[50.0, 50.0, 50.0]]])
    first = next(start.planes(points[np.linalg.norm(points, axis=1) < 10.0]))
    assert start.angle_between(first.plane.up, floor_before(UPRIGHT, (0.0, 0.0)).up) < 0.02
    assert first.plane.distance == pytest.approx(UPRIGHT.z, abs=0.05)
    assert start.nothing_beyond(points, first.plane)
    assert list(start.planes(points[:10])) == []
    assert len(beams_of(points).ranges) == len(points)
