"""The truth of a slice: rising bottoms, ramps, turns of the body, and no return that contradicts it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flatten import scene
from flatten.scene import solids
from tests.scene.beams import sagitta

HERE = (0.0, 0.0, 0.0)
MOUNT = (0.0, 0.0, 0.6, 0.0, 0.0, 0.0)
AHEAD = scene.Fan(-0.05, 0.05, 8)


def boxes(*distances: float, height: float) -> scene.Place:
    parts = [solids.Box(name=f"box {d}", x=d + 0.1, y=0, length=0.2, width=4, top=height) for d in distances]
    return scene.Place(parts)


def test_rising_bottom_passes_over_what_is_too_low() -> None:
    # bottom + rise·r = 0.1 + 0.05·r reaches 0.3 m at r = 4 m
    rising = (0.1, 0.5, 0.05)
    near, far = boxes(3.9, height=0.3), boxes(4.1, height=0.3)
    assert scene.truth(near, HERE, MOUNT, rising, AHEAD).nearest.min() == pytest.approx(3.9, rel=1e-9)
    assert np.isinf(scene.truth(far, HERE, MOUNT, rising, AHEAD).nearest).all()
    assert scene.truth(far, HERE, MOUNT, (0.1, 0.5), AHEAD).nearest.min() == pytest.approx(4.1, rel=1e-9)
    both = scene.truth(boxes(3.0, 4.1, height=0.3), HERE, MOUNT, rising, AHEAD)
    assert both.farthest.max() < 3.3


def test_thin_board_between_the_even_heights_is_found() -> None:
    board = solids.Box(name="board", x=3, y=0, length=1, width=4, bottom=0.7003, top=0.7009)
    known = scene.truth(scene.Place([board]), HERE, MOUNT, (0.1, 1.0), AHEAD)
    assert known.nearest.min() == pytest.approx(2.5, rel=1e-9)


def test_thin_leg_between_the_bearings_is_found() -> None:
    leg = solids.Box(name="leg", x=20.0, y=0.0213, length=0.004, width=0.004, top=1.0)
    known = scene.truth(scene.Place([leg]), HERE, MOUNT, (0.1, 0.9))
    assert np.isfinite(known.nearest).sum() == 1
    assert known.nearest.min() == pytest.approx(19.998, abs=1e-4)
    assert not known.filled.any()


def test_ramp_enters_where_it_has_climbed_to_the_bottom() -> None:
    # 1:12 (ADA 4.8.2): the surface is 0.08 m high 0.96 m beyond the toe
    ramp = solids.Ramp(name="ramp", x=2.0, y=0.0, length=4.8, width=3.0, height=0.4)
    known = scene.truth(scene.Place([ramp]), HERE, MOUNT, (0.08, 0.9), AHEAD)
    # beams start a thousandth of a millimetre above the bottom: 12e-6 m along the ramp
    assert known.nearest.min() == pytest.approx(2.96, abs=2e-5)


def test_lying_body_is_nearest_at_its_axis() -> None:
    body = solids.lying_body("body", 4.0, 0.0, yaw=math.pi / 2)
    known = scene.truth(scene.Place([body]), HERE, MOUNT, (0.06, 0.4), AHEAD)
    assert known.nearest.min() == pytest.approx(3.9, abs=sagitta(0.1, 96) + 1e-9)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 1000), turn=st.integers(-720, 720))
def test_turning_the_body_by_whole_bins_turns_the_truth(seed: int, turn: int) -> None:
    place, fan = scene.random_place(seed), scene.Fan()
    still = scene.truth(place, HERE, MOUNT, (0.1, 0.9), fan, heights=8)
    turned = scene.truth(place, (0.0, 0.0, turn * fan.step), MOUNT, (0.1, 0.9), fan, heights=8)
    for part in ("nearest", "farthest"):
        a, b = np.roll(getattr(still, part), -turn), getattr(turned, part)
        same = (a == b) | (np.abs(np.where(np.isinf(a), -1.0, a) - np.where(np.isinf(b), -2.0, b)) < 1e-6)
        # a corner exactly on an edge of a bin, or a beam within float32 of a corner, may fall on either side
        assert np.sum(~same) <= 8


@pytest.mark.parametrize("seed", range(6))
def test_no_clean_return_contradicts_the_truth(seed: int) -> None:
    place, pose, fan = scene.random_place(seed), (0.1, -0.2, 0.7), scene.Fan()
    mount = scene.Mount(0.3, -0.1, 0.8, math.pi, -0.1, 0.2)
    band, attitude = scene.Slice(0.08, 1.05, 0.005), (0.02, -0.05)
    known = scene.truth(place, pose, mount, band, fan, attitude=attitude)
    shots = [scene.capture(place, scene.Rosette(), pose, mount, attitude=attitude, frame=k) for k in range(4)]
    where = np.concatenate([shot.world() for shot in shots])
    turn = np.array([[math.cos(0.7), -math.sin(0.7)], [math.sin(0.7), math.cos(0.7)]])
    flat = (where[:, :2] - [0.1, -0.2]) @ turn - [0.3, -0.1]
    ranges, bins = np.hypot(*flat.T), fan.bin_of(np.arctan2(flat[:, 1], flat[:, 0]))
    # a micrometre off the borders of the slice and a float32 ulp (4e-6 rad at 1 m) off those of the bin
    inside = (where[:, 2] > band.bottom + band.rise * ranges + 3e-5) & (where[:, 2] < band.top - 3e-5)
    assert inside.sum() > 1000
    early = known.nearest[bins[inside]] - ranges[inside]
    late = ranges[inside] - known.farthest[bins[inside]]
    # the sagitta of the thickest post (0.2 m), and float32 coordinates of 15 m
    assert early.max() <= sagitta(0.2, 96) + 1e-5
    assert late.max() <= sagitta(0.2, 96) + 1e-5


def test_objects_that_fill_a_bin() -> None:
    # a post of radius ρ at d fills the bins whose both edges lie within ±asin(ρ/d)
    place = scene.Place(
        [
            solids.Floor(name="floor", x=(-20, 20), y=(-20, 20)),
            solids.upright_body("near", 2.0, 0.0),
            solids.post("behind", 4.0, 0.0, 0.3, 1.0),
            solids.post("low", 0.0, 3.0, 0.3, 0.2),
        ]
    )
    fan = scene.Fan()
    known = scene.objects_in_bins(place, HERE, MOUNT, fan)
    edges = fan.bearings(1)
    for name, distance, radius in (("near", 2.0, 0.035), ("behind", 4.0, 0.15)):
        inside = np.abs(edges) < math.asin(radius / distance)
        fills = inside[:-1] & inside[1:]
        row = place.number_of(name)
        np.testing.assert_array_equal(known.fills[row], fills)
        assert np.all(np.isinf(known.farthest[row][~fills]))
        assert known.nearest[row].min() == pytest.approx(distance - radius, abs=sagitta(radius, 96) + 1e-9)
        assert np.all(known.farthest[row][fills] >= known.nearest[row][fills])
        assert known.farthest[row][fills].max() < distance
    assert not known.fills[place.number_of("low")].any()  # lower than 0.4 m
    assert not known.fills[place.number_of("floor")].any()
    assert known.names == ("floor", "near", "behind", "low")


def test_nearest_object_is_the_truth() -> None:
    place, fan = scene.random_place(11), scene.Fan(bins=360)
    alone = scene.objects_in_bins(place, HERE, MOUNT, fan, bottom=0.1, top=0.9, heights=40)
    known = scene.truth(place, HERE, MOUNT, (0.1, 0.9), fan)
    least = alone.nearest.min(axis=0)
    met = np.isfinite(least)
    # the same beams, fewer heights and no special bearings: never nearer than the truth
    assert np.all(known.nearest[met] <= least[met] + 1e-6)
    assert np.median(least[met] - known.nearest[met]) < 1e-3


def test_empty_place_and_wrong_slices() -> None:
    empty = scene.Place([])
    assert np.isinf(scene.truth(empty, HERE, MOUNT, (0.1, 0.9)).nearest).all()
    assert len(scene.capture(empty, scene.Rosette(), mount=MOUNT).cloud) == 0
    for wrong in ((0.5, 0.5), (0.9, 0.1), (0.1, 0.9, -0.1)):
        with pytest.raises(ValueError, match="slice"):
            scene.truth(empty, HERE, MOUNT, wrong)
