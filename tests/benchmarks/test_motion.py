"""What motion is measured with: the drive is what it says, and the judge of walls counts right."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from benchmarks import answers, clouds, motion, motion_tables, plain, record
from flatten import State
from flatten.carrying import carry_cloud
from flatten.plan import make_plan


def test_the_closed_form_carries_as_the_library_does() -> None:
    """Two ways that share nothing but the poses: one by quaternions and parabolas, one by sine and cosine."""
    xyz = clouds.room(2000)
    stream = motion.Stream(motion.ranges_only(motion.profile_of("off")), xyz)
    mount = make_plan(stream.flattener.profile).numbers.body_from_sensor
    for start in (0.0, 0.4, 3.0):
        got = carry_cloud(motion.Cloud(*xyz.T, time=motion.times_of(2000)), motion.motion_at(start), mount)
        expected = motion.carried(xyz, start, start + motion.PERIOD)
        # float32 at 7 m, and what is added at 8 parts of 2^-24 of it
        np.testing.assert_allclose(got.cloud.xyz, expected, atol=5e-6)
    older = motion.carried(xyz, 0.0, 0.5)
    way = np.linalg.norm(older - xyz, axis=1)
    assert way.max() > 1.5  # 0.5 s at 60°/s and 1 m/s, at up to 7 m


def test_frames_of_a_stream_follow_each_other() -> None:
    profile = motion.profile_of("off", window={"frames": motion.FRAMES})
    stream = motion.Stream(motion.ranges_only(profile), clouds.room(500))
    for k in range(7):
        stream()
        assert stream.flattener.window is not None
        assert stream.flattener.window.frames == min(k + 1, motion.FRAMES)
    assert not stream.flattener.window.forgotten


def test_walls_that_are_off_are_counted() -> None:
    nearest = np.full(360, 5.0)
    nearest[100] = np.inf
    truth = SimpleNamespace(nearest=nearest, farthest_of_nearest=nearest + 0.1)
    step = math.radians(1.0)

    def counted(ranges: np.ndarray, angle: float = 0.0) -> int:
        scan = SimpleNamespace(states=np.full(360, State.HIT), ranges=ranges, step=step)
        return motion.within(scan, truth, angle)

    assert counted(np.full(360, 5.0)) == counted(np.full(360, 5.11)) == counted(np.full(360, 4.985)) == 359
    assert counted(np.full(360, 5.13)) == counted(np.full(360, 4.97)) == 0
    nearest[50] = 3.0
    beside = np.full(360, 5.0)
    beside[[48, 49, 51]] = 3.0
    assert counted(beside) == 359 - 3  # 3 m where only 5 m is true; bin 50 has both
    assert counted(beside, 0.9 * step) == 359 - 1  # bin 48 is two beside
    assert counted(beside, 1.1 * step) == 359


def test_clear_counts_as_nothing_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows have the answers compared, and a ratio to the first of each pair."""
    seen = np.array([1.0, np.inf, np.nan, -np.inf], np.float32)
    run = lambda: {"drive": SimpleNamespace(ranges=seen)}  # noqa: E731 - two of them, alike
    expected = {"a": np.array([1.0, np.nan, np.nan, -np.inf], np.float32)}
    rows = list(motion.rows_of({"a": run, "b": run}, expected, "a", 0.01, {"group": "x"}))
    assert [row["case"] for row in rows] == ["a", "b"]
    assert (rows[0]["differ"], rows[0]["apart"]) == (0, 0) and "differ" not in rows[1]
    assert rows[0]["ratios"] == {} and set(rows[1]["ratios"]) == {"a"}


def test_all_of_it_becomes_tables(monkeypatch: pytest.MonkeyPatch, tmp_path) -> None:
    monkeypatch.setattr(record, "RESULTS", tmp_path)
    rows = motion.measure(seconds=0.01, sizes=(2000,), rooms=1)
    compared = [row["apart"] for row in rows if "apart" in row and row["case"] != motion.FLOOR]
    assert len(compared) > 6 and max(compared) <= 1  # a return on an edge may go either way
    walls = [row for row in rows if row["group"] == "walls"]
    assert len(walls) == 4 and all(0 < row["within_bound"] <= row["bins"] for row in walls)
    record.write("motion", rows)
    for table in motion_tables.TABLES.values():
        lines = [line for line in table().splitlines() if line.startswith("|")]
        assert len(lines) >= 6 and all(line.count("|") == lines[0].count("|") for line in lines)


def test_the_oracle_takes_ranges_as_the_library_gives_them() -> None:
    xyz = motion.carried(clouds.room(3000), 0.0, motion.PERIOD)
    flattener = motion.ranges_only(motion.profile_of("off"))
    told = answers.differing(answers.ranges_of(flattener.flatten(xyz)), plain.by_numpy(xyz)())
    assert told["apart"] == 0
