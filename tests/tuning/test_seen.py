"""Frames as slices and floor see them: against the closed form of the yard."""

from __future__ import annotations

import math

import numpy as np
import pytest

from flatten import Cloud, Flattener, TuningError
from flatten.kernels.ground import ground_at
from flatten.tuning.labels import Label
from flatten.tuning.seen import Watcher, floor_at, in_metres
from tests.kernels.compiled import compiled
from tests.tuning.yard import BAR, BEAM, HEIGHT, KERB, WALL, frame, profile


def test_labels_are_those_of_the_yard() -> None:
    seen = Watcher(profile()).look(frame())
    middle = {plate: int(plate.bearing + 180) % 360 for plate in (KERB, WALL, BAR, BEAM)}
    of = {plate: seen.bins == number for plate, number in middle.items()}
    for plate, wanted in ((KERB, Label.MUST), (WALL, Label.MUST), (BEAM, Label.MUST), (BAR, Label.PASSED)):
        near = of[plate] & (np.abs(seen.distances - plate.away) < 0.05) & (seen.heights > 0.1)
        assert wanted in seen.labels[near], plate
    assert set(seen.labels[of[WALL] & (seen.heights > 1.1)].tolist()) == {Label.HIGH}
    # open floor to all sides, 5 mm of noise
    open_floor = (np.abs(seen.heights) < 0.01) & (seen.distances < 2.5) & ~seen.of(Label.OWN)
    assert np.mean(seen.labels[open_floor] == Label.FLOOR) > 0.99
    assert seen.scatter == pytest.approx(0.005 * 0.6, abs=0.002)  # noise along beams some 35° down


def test_the_bins_are_those_of_the_flattener() -> None:
    wanted = profile(slices__drive__bottom=-1.0, slices__drive__top=3.0, blind_zones=[])
    seen = Watcher(wanted).look(frame())
    scan = Flattener(wanted).flatten(frame())["drive"]
    hits = np.bincount(seen.bins[(seen.distances >= 0.3) & (seen.distances <= 15.0)], minlength=360)
    # a return on an edge of a bin may fall to the other side in one of the two; the sums are what they are
    assert np.abs(hits - scan.hits).max() <= 1 and hits.sum() == scan.hits.sum()


def test_floor_under_returns_is_that_of_the_kernel() -> None:
    watcher, rng = Watcher(profile(level="floor")), np.random.default_rng(3)
    kept = []
    fit = watcher._floor.fit
    watcher._floor.fit = lambda *args, **more: kept.append(fit(*args, **more)) or kept[-1]
    watcher.look(frame())
    ground = kept[-1]
    ask = compiled(ground_at)
    bins, distances = rng.integers(0, 360, 50), rng.uniform(0.0, 18.0, 50)
    expected = [ask(int(b), float(r), ground) for b, r in zip(bins, distances, strict=True)]
    np.testing.assert_allclose(floor_at(ground, bins, distances)[0], expected, atol=1e-6)  # float32 table


@pytest.mark.parametrize("lean", [(0.0, 0.0), (0.0, math.radians(2.0)), (math.radians(-1.0), 0.0)])
def test_the_lean_of_the_floor_is_what_the_attitude_leaves(lean: tuple[float, float]) -> None:
    """Roll > 0 is left side up: by its own axes the body sees the floor fall to the left."""
    cloud = frame(lean=lean)
    left_in, taken_out = Watcher(profile()).look(cloud), Watcher(profile()).look(cloud, lean)
    # 0.1°: the fit of a floor with things on it
    assert math.degrees(math.atan(left_in.lean[0])) == pytest.approx(math.degrees(lean[1]), abs=0.1)
    assert math.degrees(math.atan(left_in.lean[1])) == pytest.approx(-math.degrees(lean[0]), abs=0.1)
    assert np.abs(np.degrees(np.arctan(taken_out.lean))).max() < 0.1


def test_a_fitted_floor_leaves_no_lean() -> None:
    seen = Watcher(profile(level="floor")).look(frame(lean=(0.0, math.radians(1.0))))
    assert np.abs(np.degrees(np.arctan(seen.lean))).max() < 0.1
    np.testing.assert_array_equal(seen.heights, seen.above)


def test_millimetres_are_recognised() -> None:
    cloud = frame()
    large = Cloud(cloud.x * 1000, cloud.y * 1000, cloud.z * 1000, name="large")
    made, told = in_metres(large, "large")
    assert told and not in_metres(cloud, "yard")[1]
    np.testing.assert_allclose(made.xyz, cloud.xyz, rtol=1e-6)
    assert Watcher(profile()).look(large).millimetres


def test_returns_that_are_none_are_left_out() -> None:
    cloud = frame()
    x = cloud.x.copy()
    x[:50] = np.nan
    zero = np.zeros(20, np.float32)
    spoilt = Cloud(*(np.concatenate([part, zero]) for part in (x, cloud.y, cloud.z)))
    assert len(Watcher(profile()).look(spoilt).bins) == len(cloud) - 50


@pytest.mark.parametrize(
    ("cloud", "overrides", "words"),
    [
        (Cloud.from_array(np.ones((5, 3))), {}, "5 returns are too few"),
        (Cloud.from_array(np.full((300, 3), np.nan)), {}, "no return in it is finite"),
        (Cloud.from_array(np.random.default_rng(0).normal(5.0, 0.3, (500, 3))), {}, "no floor"),
        (frame(), {"mount__z": 3.0}, "no floor"),
        (frame(), {"mount__z": -0.2}, "under the floor"),
    ],
)
def test_what_tells_nothing_says_why(cloud: Cloud, overrides: dict[str, object], words: str) -> None:
    with pytest.raises(TuningError, match=words) as caught:
        Watcher(profile(**overrides)).look(cloud, name="stand.pcd")
    assert str(caught.value).startswith("stand.pcd: ")


def test_the_sensor_stands_where_the_profile_says() -> None:
    assert profile().mount.z == HEIGHT
