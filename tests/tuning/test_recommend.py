"""Which slices are recommended, where it is plain which they should be."""

from __future__ import annotations

import math

import numpy as np
import pytest

from flatten.tuning import recommend
from flatten.tuning.candidates import Sweep
from flatten.tuning.labels import Limits
from flatten.tuning.recommend import LEAK, crossing
from flatten.tuning.seen import Watcher
from flatten.tuning.shake import Shake
from tests.tuning.yard import frame, profile

LIMITS = Limits.of(profile())


@pytest.fixture(scope="module")
def sweep() -> Sweep:
    watcher, made = Watcher(profile()), Sweep(profile(), LIMITS)
    for seed in range(3):
        made.add(watcher.look(frame(seed=seed)))
    return made


def test_on_a_steady_robot_the_slice_is_what_must_be_seen(sweep: Sweep) -> None:
    choice = recommend.drive(sweep, Shake(math.radians(0.05), ""))
    assert (choice.top, choice.rise, choice.sound) == (LIMITS.head, 0.0, True)
    assert LIMITS.step <= choice.bottom <= LIMITS.must + 1e-9
    assert choice.missed <= recommend.AS_GOOD and choice.blocked == 0.0


def test_an_empty_yard_is_no_reason_to_look_above_what_must_be_seen() -> None:
    watcher, made = Watcher(profile()), Sweep(profile(), LIMITS)
    made.add(watcher.look(frame(())))
    choice = recommend.drive(made, Shake(math.radians(0.05), ""))
    assert (choice.bottom, choice.top) == (pytest.approx(LIMITS.must), LIMITS.head)
    assert math.isnan(choice.missed)


def test_shaking_lifts_the_slice_off_the_floor(sweep: Sweep) -> None:
    choices = [recommend.drive(sweep, Shake(math.radians(angle), "")) for angle in (0.05, 0.5, 1.0)]
    heights = [choice.at(10.0) for choice in choices]
    assert heights == sorted(heights) and heights[0] < heights[2]
    assert [choice.missed for choice in choices] == sorted(choice.missed for choice in choices)
    assert all(choice.leak <= LEAK for choice in choices)


def test_where_the_floor_cannot_be_kept_out_it_is_said(sweep: Sweep) -> None:
    choice = recommend.drive(sweep, Shake(math.radians(10.0), ""))
    assert not choice.sound and choice.leak > LEAK


def test_mapping_takes_the_wall_and_keeps_the_floor_out(sweep: Sweep) -> None:
    """The kerb is 0.14 m high: a slice that begins above it still answers the wall and what hangs."""
    choice = recommend.mapping(sweep, Shake(math.radians(0.3), ""))
    assert choice is not None and choice.leak <= LEAK
    assert 0.14 < choice.bottom < choice.top - recommend.THINNEST + 1e-9
    assert choice.answered > 0.1


def test_nothing_to_map_by() -> None:
    watcher, made = Watcher(profile()), Sweep(profile(), LIMITS)
    made.add(watcher.look(frame(())))
    assert recommend.mapping(made, Shake(0.001, "")) is None


@pytest.mark.parametrize(("level", "place"), [(0.95, 1.5), (0.9, 2.0), (0.45, 3.0), (0.2, 3.5), (0.0, 3.9)])
def test_crossings_lie_on_straight_lines(level: float, place: float) -> None:
    places, values = np.array([1.0, 2.0, 3.0, 3.5, 3.9]), np.array([1.0, 0.9, 0.45, 0.2, 0.1])
    assert crossing(places, values, level) == pytest.approx(place)
