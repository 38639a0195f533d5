"""The side view through its artists: distance to the right, height up, bands where the profile has them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from flatten.pictures import draw_elevation
from tests.pictures import scratch
from tests.pictures.scratch import MOUNT, at, seen
from tests.twin import rotation

LEAN = (math.radians(-3.0), math.radians(6.0))


def drawn(points: np.ndarray, attitude: tuple[float, float] | None = None, **how: object):
    flattener, cloud, axes = scratch.flattener(), seen(points, attitude), scratch.axes()
    scans = flattener.flatten(cloud, attitude)
    draw_elevation(axes, cloud, scans, flattener.profile, attitude, **how)
    return axes, scans


def line(axes: object, label: str) -> np.ndarray:
    return np.stack(scratch.artist(axes, label).get_data(), axis=1)


@pytest.mark.parametrize("attitude", [None, LEAN])
def test_hits_and_returns_stand_at_distance_and_height(attitude: tuple[float, float] | None) -> None:
    axes, _ = drawn(np.array([at(140.2, 4.0, 0.6), at(-20.2, 2.0, 0.3), at(0.0, 3.0, 2.0)]), attitude)
    # float32 ranges and heights: half a unit in the last place of 4 m is 1.2e-7 m
    assert line(axes, "HIT drive") == pytest.approx(np.array([[2.0, 0.3], [4.0, 0.6]]), abs=3e-7)
    assert line(axes, "HIT low") == pytest.approx(np.array([[2.0, 0.3]]), abs=3e-7)
    assert line(axes, "returns") == pytest.approx(np.array([[4.0, 0.6], [2.0, 0.3], [3.0, 2.0]]), abs=1e-12)
    assert scratch.artist(axes, "HIT drive").get_marker() != scratch.artist(axes, "HIT low").get_marker()


def test_bands_are_drawn_with_their_rise() -> None:
    axes, _ = drawn(scratch.yard())
    drive, low = (scratch.artist(axes, f"band {name}").get_path().vertices for name in ("drive", "low"))
    assert (drive[:, 1].min(), drive[:, 1].max()) == pytest.approx((0.08, 0.95))
    for distance, height in low[low[:, 1] < 0.39]:  # the lower border
        assert height == pytest.approx(0.06 + 0.02 * distance)
    assert low[:, 0].min() == pytest.approx(0.3)
    assert line(axes, "floor")[:, 1] == pytest.approx([0.0, 0.0])


def test_rising_band_ends_where_it_meets_its_top() -> None:
    flattener = scratch.flattener((("slices.low.rise", 0.1),))
    cloud, axes = seen(scratch.yard()), scratch.axes()
    draw_elevation(axes, cloud, flattener.flatten(cloud), flattener.profile, None, slices=["low"])
    assert scratch.artist(axes, "band low").get_path().vertices[:, 0].max() == pytest.approx(
        (0.4 - 0.06) / 0.1
    )


@pytest.mark.parametrize("attitude", [None, LEAN])
def test_sensor_and_robot_stand_as_the_body_leans(attitude: tuple[float, float] | None) -> None:
    axes, _ = drawn(scratch.yard(), attitude)
    lean = rotation(*(attitude or (0.0, 0.0)), 0.0)
    x, _, z = lean @ [MOUNT["x"], MOUNT["y"], MOUNT["z"]] - [MOUNT["x"], 0.0, 0.0]
    assert line(axes, "sensor")[0] == pytest.approx([x, z], abs=1e-12)
    nose = lean @ rotation(*np.radians([MOUNT["roll"], MOUNT["pitch"], MOUNT["yaw"]])) @ [1.0, 0.0, 0.0]
    told = math.degrees(math.asin(-nose[2]))
    assert f"sensor, {told:.1f}° down" in [text.get_text() for text in axes.texts]
    robot = scratch.artist(axes, "robot").get_path().vertices
    roof = lean @ [-0.475, 0.36 if attitude is None or attitude[0] > 0 else -0.36, 0.88]
    assert robot[:, 1].max() == pytest.approx(roof[2], abs=1e-12)


def test_swath_shows_the_strip_along_x() -> None:
    points = np.array([at(0.0, 4.0, 0.6), at(180.0, 3.0, 0.6), at(90.0, 2.0, 0.6), at(3.0, 5.0, 0.6)])
    axes, _ = drawn(points, swath=1.0)
    assert np.sort(line(axes, "returns")[:, 0]) == pytest.approx(
        [-3.0, 4.0, 5.0 * math.cos(math.radians(3.0))]
    )
    across = np.sort(line(axes, "HIT drive")[:, 0])
    # a HIT stands at the centre of its bin of 0.5°: at 5 m and 3° up to 5·(cos 2.75° − cos 3°) = 1.1 mm off
    assert across == pytest.approx([-3.0, 4.0, 5.0 * math.cos(math.radians(3.0))], abs=1.5e-3)
    low, high = axes.get_xlim()
    assert low < -3.0 and high > 5.0


def test_without_heights_no_hit_is_invented() -> None:
    flattener = scratch.flattener((), frozenset({"ranges"}))
    cloud, axes = seen(scratch.yard()), scratch.axes()
    draw_elevation(axes, cloud, flattener.flatten(cloud), flattener.profile, None)
    assert not scratch.artists(axes, "HIT drive")
    assert "HIT are drawn only where a scan has ranges and heights" in [
        text.get_text() for text in axes.texts
    ]


def test_stretched_heights_are_told() -> None:
    axes, _ = drawn(scratch.yard())
    (low, high), (left, right) = axes.get_ylim(), axes.get_xlim()
    stretch = (right - left) / (high - low)  # the axes are square
    told = [text.get_text() for text in axes.texts]
    assert f"heights drawn {stretch:.1f} times as large as distances" in told
