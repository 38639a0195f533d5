"""The set-ups that mounts are measured on are what they say, and the judge counts right."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchmarks import mount, mount_tables, record
from flatten import frames


def test_set_ups_are_as_described() -> None:
    drawn = [mount.set_up(seed) for seed in range(12)]
    assert {one.sensor for one in drawn} == {"rotating", "rosette"}
    assert {abs(one.truth.roll) > math.pi / 2 for one in drawn} == {True, False}
    for one in drawn:
        truth, begun = (frames.rotation(*pose[3:])[2] for pose in (one.truth, one.start))
        assert 0.2 <= one.truth.z <= 1.5 and abs(one.start.z - one.truth.z) <= 0.28
        assert math.acos(min(1.0, abs(truth[2]))) <= mount.LEAN * 1.01
        assert math.acos(min(1.0, float(np.dot(truth, begun)))) <= math.radians(9.1)
        level = one.clouds[0].xyz @ frames.rotation(one.truth.roll, one.truth.pitch, one.truth.yaw).T
        height = level[:, 2] + one.truth.z
        on_floor = np.abs(height) < 0.05
        assert on_floor.sum() > 100
        # noise and bias at grazing incidence are small, gravel is even: the middle is the floor
        assert abs(np.median(height[on_floor])) < 0.02


def test_the_same_seed_gives_the_same_cloud() -> None:
    a, b = mount.set_up(5, clouds=2), mount.set_up(5, clouds=2)
    for one, other in zip(a.clouds, b.clouds, strict=True):
        np.testing.assert_array_equal(one.xyz, other.xyz)
    assert not np.array_equal(a.clouds[0].xyz[:100], a.clouds[1].xyz[:100])


def test_a_few_runs_make_a_row_and_a_table(monkeypatch: pytest.MonkeyPatch, tmp_path) -> None:
    rows = list(mount.run(range(6)))
    told = mount.summary("one cloud", rows)
    assert told["runs"] == 6 and told["refused"] < 3
    assert 0.5 <= told["tilt within"] <= 1.0
    monkeypatch.setattr(record, "RESULTS", tmp_path)
    record.write("mount", [told])
    assert mount_tables.mount().splitlines()[2].startswith("| one cloud | 6 | ")


def test_shares_are_counted_against_the_stated_errors() -> None:
    angle = mount.WANTED_ANGLE
    rows = [
        {"errors": [0.5 * angle, 0.0, 0.001], "sigmas": [angle, angle, 0.001], "tilt": 0.5 * angle},
        {"errors": [2.5 * angle, 0.0, 0.007], "sigmas": [angle, angle, 0.001], "tilt": 2.5 * angle},
        {"refused": "too small"},
    ]
    told = mount.summary("made", rows)
    assert (told["runs"], told["refused"]) == (3, 1)
    assert told["tilt within"] == told["z within"] == 0.5
    assert (told["roll"]["two sigma"], told["pitch"]["two sigma"], told["z"]["two sigma"]) == (0.5, 1.0, 0.5)
