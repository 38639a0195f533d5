"""The places that slices are tuned on are what they say, and the judge counts right."""

from __future__ import annotations

import math
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from benchmarks import record, tune, tune_tables
from flatten import State, scene

SHAKE = math.radians(0.1)


def shot(frame: int = 0, sensor: str = "rosette") -> tuple[scene.Outdoors, tune.View, tune.Shot]:
    place, seen_by = tune.place_of(1), tune.view(sensor)
    mount = scene.Mount.of(seen_by.profile)
    (made,) = tune.shots(place, seen_by.sensor, mount, 1, SHAKE, range(frame, frame + 1))
    return place, seen_by, made


def test_places_are_as_described() -> None:
    place = tune.place_of(3)
    assert np.ptp(place.ground.mesh.vertices[:, 2]) == 0.0 and not len(place.ground.edges.heights)
    bars = [thing for thing in place.things if thing.name.startswith("bar ")]
    assert len(bars) == tune.BARS
    lowest = [min(solid.extent[0] for solid in bar.solids) for bar in bars]
    assert all(1.16 <= z <= 1.68 for z in lowest)  # 10 to 60 cm above 1.07 m


def test_the_attitude_is_off_by_the_shaking_and_the_same_each_time() -> None:
    place, seen_by = tune.place_of(1), tune.view("rosette")
    mount = scene.Mount.of(seen_by.profile)
    listed = list(tune.shots(place, seen_by.sensor, mount, 1, math.radians(0.5), range(6)))
    off = np.array([np.subtract(one.attitude, one.stance.attitude) for one in listed])
    lean = np.array([one.stance.attitude for one in listed])
    assert 0.2 < math.degrees(off.std()) < 1.0 and 0.4 < math.degrees(lean.std()) < 2.0
    again = next(tune.shots(place, seen_by.sensor, mount, 1, math.radians(0.5), range(2, 3)))
    np.testing.assert_array_equal(again.capture.cloud.x, listed[2].capture.cloud.x)


def test_what_is_measured_is_where_the_scan_has_it() -> None:
    place, seen_by, one = shot()
    from flatten import Flattener

    scan = Flattener(seen_by.profile).flatten(one.capture.cloud, one.attitude)["drive"]
    mount, fan = scene.Mount.of(seen_by.profile), scene.Fan.of(seen_by.profile)
    bearing, reach, _ = scene.scan_places(one.measured(mount), one.told, mount)
    kinds, _, _ = scene.known_returns(place, one.capture)
    decided = tune.decided_by(scan, fan.bin_of(bearing), reach, kinds, tune.SAME)
    assert np.mean(decided[scan.states == State.HIT] >= 0) > 0.99  # bins at an edge may swap


def test_the_judge_counts_leaks_misses_and_blocked_ways() -> None:
    """A scan that says nothing misses all; one that repeats the nearest return of each kind is caught."""
    place, seen_by, one = shot()
    fan, mount = scene.Fan.of(seen_by.profile), scene.Mount.of(seen_by.profile)
    nothing = SimpleNamespace(states=np.zeros(fan.bins, np.uint8), ranges=np.full(fan.bins, np.nan))
    told = tune.judge(place, seen_by, seen_by.profile, nothing, [one], 15.0)
    assert told["wanted"] > 100 and told["shown"] == told["leaks"] == told["hits"] == 0
    kinds, heights, _ = scene.known_returns(place, one.capture)
    bearing, reach, _ = scene.scan_places(one.measured(mount), one.told, mount)
    bins = fan.bin_of(bearing)
    ground = tune.nearest(bins, reach, (kinds == scene.Kind.GROUND) & (bins >= 0), fan.bins)
    floor = SimpleNamespace(states=np.where(np.isfinite(ground), 1, 0), ranges=ground)
    caught = tune.judge(place, seen_by, seen_by.profile, floor, [one], 15.0)
    assert caught["leaks"] == int(np.isfinite(ground).sum()) > 500
    over = tune.nearest(bins, reach, (kinds == scene.Kind.HANGING) & (heights > 1.11), fan.bins)
    bars = SimpleNamespace(states=np.where(np.isfinite(over), 1, 0), ranges=over)
    blocked = tune.judge(place, seen_by, seen_by.profile, bars, [one], 15.0)
    assert blocked["blocked"] == blocked["free"]


def test_a_few_places_make_rows_and_a_table(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(tune, "FRAMES", 10)
    monkeypatch.setattr(tune, "JUDGED", 1)
    rows = list(tune.run("rosette", SHAKE, "gravity", (1, 2), range(2, 3)))
    assert [row["window"] for row in rows] == [1, 2]
    told = [tune.summary([row]) for row in rows]
    assert all(row["scenes"] == 1 and row["shown"] >= 0.95 * row["wanted"] > 0 for row in told)
    assert all(0 <= row["stand_returned"] + row["stand_outside"] <= row["stand"] for row in told)
    monkeypatch.setattr(record, "RESULTS", tmp_path)
    record.write("tune", told)
    assert tune_tables.tune().splitlines()[2].startswith("| rosette, 1 | gravity | 0.1 | 1 | ")
