"""From frames to slices, the whole way: a yard of which everything is known."""

from __future__ import annotations

import json
import math
from functools import partial

import numpy as np
import pytest

from flatten import Cloud, Motion, TuningError
from flatten.errors import AttitudeError, MotionError
from flatten.scene import Stance
from flatten.scene.moving import quaternions
from flatten.tuning import tune_words
from flatten.tuning.labels import Label
from flatten.tuning.seen import Watcher
from flatten.tuning.timing import attitude_of, mount_of, number_of
from flatten.tuning.tune import Frame, Tuned, Tuner, evenly, names_of, unused
from flatten.tuning.unseen import Gathering, stretches
from tests.tuning.yard import BAR, HEIGHT, SENSOR, frame, profile


def frames(n: int = 6, lean: float = 0.0, poses: bool = True) -> list[Frame]:
    """Frames of the yard; the body leans by draws of so many radians, which the attitude tells or not."""
    rng = np.random.default_rng(4)
    made = []
    for seed in range(n):
        by = tuple(rng.normal(0.0, lean, 2).tolist()) if lean else (0.0, 0.0)
        made.append(Frame(f"{seed}", partial(frame, lean=by, seed=seed), by if poses else None))
    return made


@pytest.fixture(scope="module")
def told() -> Tuned:
    return Tuner(profile()).tune(frames(), distances=(2.0, 5.0))


def test_the_slice_shows_what_can_be_hit_and_nothing_else(told: Tuned) -> None:
    checked, before = told.checked["drive"], told.checked["before"]
    assert (told.drive.top, told.drive.rise) == (pytest.approx(1.0), 0.0)
    assert 0.06 <= told.drive.bottom <= 0.09
    assert checked.missed_share == 0.0 and checked.leaks == 0 and checked.blocked == 0
    assert checked.free_under > 0 and int(checked.wanted.sum()) > 100
    # from 0.20 m the kerb was missed; to 1.30 m the lower half of the bar blocked free ways
    assert before.missed_share > 0.1 and before.blocked_share > 0.5


def test_what_was_run_for_real_is_what_the_sweep_said(told: Tuned) -> None:
    assert told.checked["drive"].missed_share == pytest.approx(told.drive.missed, abs=1e-9)
    assert told.checked["drive"].blocked_share == pytest.approx(told.drive.blocked, abs=1e-9)
    assert told.checked["before"].bins == told.sweep.bins == 6 * 360


def test_the_profile_after_differs_by_its_slices_alone(told: Tuned) -> None:
    assert told.names == ("drive", "walls")
    assert told.after.slices["drive"].bottom == told.drive.bottom
    assert told.after.slices["walls"].pick == "farthest"
    assert told.after.model_copy(update={"slices": told.before.slices}) == told.before


def test_attitudes_take_the_shaking_out() -> None:
    lean = math.radians(1.0)
    with_them = Tuner(profile()).tune(frames(10, lean), distances=())
    without = Tuner(profile()).tune(frames(10, lean, poses=False), distances=())
    assert math.degrees(with_them.shake.sigma) < 0.1
    # 1° of 20 draws: a standard deviation known to 16 %, and one such error on top
    assert math.degrees(without.shake.sigma) == pytest.approx(1.16, rel=0.45)
    assert without.drive.at(5.0) > with_them.drive.at(5.0) + 0.05


def test_two_halves_agree_within_two_centimetres() -> None:
    listed = frames(12, math.radians(0.5))
    one, other = (Tuner(profile()).tune(part, distances=()).drive for part in (listed[:6], listed[6:]))
    assert abs(one.bottom - other.bottom) <= 0.0201 and abs(one.top - other.top) <= 0.0201
    assert abs(one.at(5.0) - other.at(5.0)) <= 0.0201


def test_the_near_field_is_that_of_the_steepest_beam(told: Tuned) -> None:
    """Beams go 50° down; the fifth steepest of a sector is one of that ring: (z − h)/tan 50°."""
    for height, near in told.unseen.nearest.items():
        expected = (HEIGHT - height) / math.tan(-SENSOR.lowest)
        assert min(near) == pytest.approx(expected, abs=0.02)
    assert told.unseen.blind == () and told.unseen.never < 0.02
    assert told.unseen.own == 0.0  # the yard is seen by a sensor without a hull
    assert told.unseen.low == pytest.approx(told.labels.get(Label.LOW, 0) / sum(told.labels.values()))


def test_blind_bearings_are_named() -> None:
    dark, cloud = Gathering(profile()), frame(())
    bearing = np.degrees(np.arctan2(cloud.y, cloud.x))
    kept = np.abs(bearing - 45.0) > 10.0
    dark.add(Watcher(profile()).look(Cloud(cloud.x[kept], cloud.y[kept], cloud.z[kept])))
    ((first, last),) = dark.told().blind
    assert (math.degrees(first), math.degrees(last)) == (pytest.approx(35, abs=1), pytest.approx(55, abs=1))
    assert stretches(np.array([1, 1, 0, 1, 1, 1, 1], bool)) == [(3, 7)]


def test_words_and_values_say_the_same(told: Tuned) -> None:
    words, values = tune_words.report(told), tune_words.plain(told)
    assert json.loads(json.dumps(values, allow_nan=False)) == json.loads(json.dumps(values))
    assert f"{values['drive']['bottom']:.2f} to {values['drive']['top']:.2f} m" in words
    assert sum(values["returns"].values()) == sum(told.labels.values())
    assert {row["body"] for row in values["bodies"]} == {"upright", "lying across", "lying end-on"}
    assert "(was 0.20 to 1.30 m)" in words and "ways down" in words
    assert max(len(line) for line in words.splitlines()) <= 130


def test_cautions_name_what_is_amiss(told: Tuned) -> None:
    assert tune_words.cautions(told) == []
    leaning = Tuner(profile(mount__pitch=2.0)).tune(frames(2), distances=())
    words = " ".join(tune_words.cautions(leaning))
    assert "leans by 2.0°" in words and "2 frames are few" in words
    empty = Tuner(profile()).tune([Frame(f"{k}", partial(frame, ())) for k in range(5)], distances=())
    assert any("hardly anything that must be seen" in line for line in tune_words.cautions(empty))


def test_frames_that_tell_nothing_are_left_out_with_their_reason(told: Tuned) -> None:
    five = Frame("five", lambda: Cloud.from_array(np.ones((5, 3))))
    found = Tuner(profile()).tune([*frames(3), five], distances=())
    assert [left.name for left in found.refused] == ["five"] and found.sweep.frames == 3
    with pytest.raises(TuningError, match="5 returns are too few"):
        Tuner(profile()).tune([five], distances=())
    with pytest.raises(TuningError, match="no clouds given"):
        Tuner(profile()).tune([], distances=())


def test_frames_of_one_name_are_two_frames() -> None:
    pair = [Frame("a", frame), Frame("a", partial(frame, (BAR,)))]
    assert Tuner(profile()).tune(pair, distances=()).sweep.wanted.sum() < 2 * 100


def test_long_recordings_are_thinned_evenly() -> None:
    listed = [Frame(str(k), frame) for k in range(100)]
    assert [one.name for one in evenly(listed, 4)] == ["0", "33", "66", "99"]
    assert evenly(listed[:3], 4) == listed[:3]


def test_names_of_slices() -> None:
    assert names_of(profile()) == ("drive", "walls")
    assert unused("drive", profile(), "farthest") == "drive_tuned"


# when a cloud was taken


def moving(roll: float = 0.0, pitch: float = 0.0) -> Motion:
    angles = np.array([[0.0, 0.0, 0.3], [roll, pitch, 0.4]])
    return Motion([100.0, 110.0], np.column_stack([np.zeros((2, 3)), quaternions(angles)]))


@pytest.mark.parametrize("name", ["105.0.pcd", "105.pcd", "105"])
def test_files_called_by_their_seconds(name: str) -> None:
    found = attitude_of(frame(()), name, moving(0.1, 0.02))
    assert found == (pytest.approx(0.05, abs=2e-3), pytest.approx(0.01, abs=2e-3))


@pytest.mark.parametrize(
    ("name", "seconds"),
    [("12.345.pcd", 12.345), ("1764052812350000000.pcd", 1764052812.35), ("inf.pcd", None), ("a1.pcd", None)],
)
def test_names_that_are_numbers(name: str, seconds: float | None) -> None:
    """From sixteen digits on they are nanoseconds; float64 seconds since 1970 are exact to 0.24 µs."""
    assert number_of(name) == (None if seconds is None else pytest.approx(seconds, abs=1e-6))


def test_times_of_returns_and_stamps_go_before_names() -> None:
    one = np.ones(3)
    cloud = Cloud(one, one, one, time=np.array([101.0, 109.0, 110.0]))
    assert attitude_of(cloud, "103.pcd", moving(0.1))[0] == pytest.approx(0.1)
    stamped = Cloud(one, one, one, time=np.zeros(3), stamp=100.0)
    assert attitude_of(stamped, "x.pcd", moving(0.1))[0] == pytest.approx(0.0, abs=1e-9)
    assert attitude_of(Cloud(one, one, one, time=np.zeros(3)), "110.pcd", moving(0.1))[0] == pytest.approx(
        0.1
    )


def test_poses_of_the_sensor_are_brought_to_the_body() -> None:
    mount = mount_of(0.3, 0.0, 0.8, 180.0, -4.0, 10.0)
    world = Stance(roll=0.03, pitch=-0.02, yaw=0.7).world_from_body @ mount
    motion = Motion([0.0, 1.0], [world, world])
    found = attitude_of(frame(()), "0.5.npy", motion, mount)
    assert found == (pytest.approx(0.03, abs=1e-9), pytest.approx(-0.02, abs=1e-9))
    with pytest.raises(AttitudeError, match="--poses-of sensor"):
        attitude_of(frame(()), "0.5.npy", motion)


def test_poses_of_another_time_are_refused() -> None:
    with pytest.raises(MotionError, match=r"taken at 90\.000 s \(by its name\), outside of the poses"):
        attitude_of(frame(()), "90.pcd", moving())
    with pytest.raises(MotionError, match="its time is not known"):
        attitude_of(frame(()), "yard.pcd", moving())
